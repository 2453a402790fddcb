"""Where a point of the jar's wall falls in the picture, and what the glass does to it.

Frames. The jar's frame has its origin on the jar's axis at the height of the strip's zero, z up,
x to the picture's right, y away from the camera; the camera stands at ``(0, -distance, height)``.
Azimuth 0 faces the camera, positive to the right. Pictures: (x, y) in pixels, y down, the centre
of the first pixel is (0, 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array

GLASS_INDEX = 1.52  # soda-lime glass, sodium D line; handbook value, from memory
WALL_MM = 2.7  # usual wall of a preserving jar, 2 to 3.5 mm: common practice, no source
SHOULDER_MM = 120.0  # up to here the sides of a usual jar are upright: common practice, no source

# Without a scale a jar counts as 38 mm in radius, a usual preserving jar (common practice, no
# source), so that grain and glass are about right; heights are then in nominal millimetres and only
# their ratios are used.
NOMINAL_RADIUS_MM = 38.0


def rotation_of(yaw_rad: float, pitch_rad: float, roll_rad: float) -> Array:
    """Rotation (3, 3) from the jar's right, down, forward to the camera's.

    First turned to the right by `yaw_rad`, then down by `pitch_rad`, then rolled by `roll_rad`.
    """
    cy, sy, cp, sp = math.cos(yaw_rad), math.sin(yaw_rad), math.cos(pitch_rad), math.sin(pitch_rad)
    cr, sr = math.cos(roll_rad), math.sin(roll_rad)
    return np.array(
        [
            [cr * cy - sr * sp * sy, sr * cp, -cr * sy - sr * sp * cy],
            [-cr * sp * sy - sr * cy, cr * cp, sr * sy - cr * sp * cy],
            [cp * sy, sp, cp * cy],
        ]
    )


def outline_points(
    azimuth: Array, radius: Array, exponent: Array, turn: Array
) -> tuple[Array, Array]:
    """Points x, y of superellipses at azimuths [rad]; all arguments broadcast."""
    s, c = np.abs(np.sin(azimuth - turn)), np.abs(np.cos(azimuth - turn))
    r = radius / (s**exponent + c**exponent) ** (1.0 / exponent)
    return r * np.sin(azimuth), -r * np.cos(azimuth)


def distorted(flat_px: Array, radial: Array | float, centre_px: Array) -> Array:
    """Move points (..., 2) off the principal point as a lens with one radial term does."""
    if not np.any(radial):
        return flat_px
    r2 = (flat_px**2).sum(axis=-1, keepdims=True) / (centre_px**2).sum()
    return np.asarray(flat_px * (1.0 + radial * r2))


@dataclass(frozen=True, slots=True)
class Outline:
    """Horizontal cross-section of the jar's outside, a superellipse about the axis.

    Attributes
    ----------
    radius_mm : float
        Half-width of the outside [mm] (or 1 where there is no scale).
    exponent : float
        2 for a round jar, 3.5 to 8 for a square one with rounded corners.
    turn_rad : float
        How far a square jar is turned against the camera [rad]; 0 for a round one.
    """

    radius_mm: float
    exponent: float = 2.0
    turn_rad: float = 0.0

    @property
    def is_round(self) -> bool:
        """Whether the cross-section is a circle."""
        return self.exponent == 2.0

    def points(self, azimuth: Array) -> tuple[Array, Array]:
        """Outside wall at each azimuth [rad] -> x, y [mm]."""
        if self.is_round:
            return self.radius_mm * np.sin(azimuth), -self.radius_mm * np.cos(azimuth)
        return outline_points(
            azimuth,
            np.array(self.radius_mm),
            np.array(self.exponent),
            np.array(self.turn_rad),
        )


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera in front of the jar.

    Attributes
    ----------
    focal_px, centre_x_px, centre_y_px : float
        Focal length and principal point [working pixels].
    distance_mm, height_mm : float
        Horizontal distance to the jar's axis, height above the strip's zero [mm].
    yaw_rad, pitch_rad, roll_rad : float
        Turn to the right, downward tilt and roll [rad].
    radial : float
        Radial term of a lens that bows lines: what a pinhole shows at r half diagonals from the
        principal point is at r (1 + radial r²). Negative for a barrel.
    """

    focal_px: float
    centre_x_px: float
    centre_y_px: float
    distance_mm: float
    height_mm: float
    yaw_rad: float
    pitch_rad: float
    roll_rad: float
    radial: float = 0.0

    def rotation(self) -> Array:
        """Jar-to-camera rotation, (3, 3); camera axes are right, down, forward."""
        return rotation_of(self.yaw_rad, self.pitch_rad, self.roll_rad)

    def project(self, x: Array, y: Array, z: Array) -> Array:
        """Points in the jar's frame [mm] -> picture positions (..., 2) [px]."""
        down, ahead = self.height_mm - z, y + self.distance_mm
        right, under, depth = (a * x + b * down + c * ahead for a, b, c in self.rotation())
        zoom = self.focal_px / depth
        flat = np.stack([zoom * right, zoom * under], axis=-1)
        centre = np.array([self.centre_x_px, self.centre_y_px])
        return np.asarray(distorted(flat, self.radial, centre) + centre, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class View:
    """One photo's camera and jar together: everything that turns pixels into millimetres."""

    camera: Camera
    outline: Outline

    def wall_px(self, azimuth: Array, z_mm: Array) -> Array:
        """Picture positions of the outside of the wall, (..., 2) [px]."""
        x, y = self.outline.points(np.asarray(azimuth, dtype=np.float64))
        return self.camera.project(x, y, np.asarray(z_mm, dtype=np.float64))

    def front_px(self, z_mm: Array) -> Array:
        """Outside of the wall straight in front of the camera, (n, 2) [px]."""
        z = np.asarray(z_mm, dtype=np.float64)
        return self.wall_px(np.zeros_like(z), z)

    def px_per_mm(self, low_mm: float, high_mm: float) -> float:
        """Pixels a millimetre of the front wall between two heights [1/mm]."""
        low, high = self.front_px(np.array([low_mm, high_mm]))
        return float(np.linalg.norm(high - low) / (high_mm - low_mm))

    def elevation_rad(self, z_mm: Array) -> Array:
        """Downward slope of the line of sight at the front wall [rad]."""
        gap = self.camera.distance_mm - self.outline.radius_mm
        return np.arctan2(self.camera.height_mm - np.asarray(z_mm, dtype=np.float64), gap)

    def glass_drop_mm(self, z_mm: Array, wall_mm: float = WALL_MM) -> Array:
        """How much lower the inside of the wall lies than where the sight line enters the glass.

        Snell's law in a flat wall; exact for the vertical part of the slope, since a vertical
        wall does not mix the two. Valid for walls much thinner than the radius.
        """
        sine = np.sin(self.elevation_rad(z_mm)) / GLASS_INDEX
        return np.asarray(wall_mm * np.tan(np.arcsin(sine)), dtype=np.float64)

    def edge_azimuth(self, side: int) -> float:
        """Azimuth [rad] at which the sight line grazes the wall; side is -1 left, +1 right."""
        azimuth = side * np.linspace(0.8, 1.9, 111)
        x, y = self.outline.points(azimuth)
        return float(azimuth[np.argmax(side * x / (y + self.camera.distance_mm))])
