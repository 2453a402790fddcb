"""How far a view of a jar lies off what a picture shows: its strip's tags and its two walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.jar.geometry import Outline, outline_points
from jarvision.jar.strip import CORNER_SD_PX, Strip
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.wall_edges import Across, Wall

Array: TypeAlias = NDArray[np.float64]

# A view's parameters, in this order; several sets are worked on at once, shape (sets, 13).
(
    DISTANCE,
    HEIGHT,
    YAW,
    PITCH,
    ROLL,
    RADIUS,
    AZIMUTH,
    SLANT,
    STRETCH,
    EXPONENT,
    TURN,
    FOCAL,
    RADIAL,
) = range(13)

_FOCAL_SD = 0.35  # log spread of phones' focal lengths, zoom included: common practice, no source

_EDGE_AZIMUTHS = np.linspace(0.75, 1.95, 61)

_RADIAL_SD = 0.05  # radial term of phones' wide lenses, uncorrected: common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is known of one picture before its view is fitted."""

    strip: Strip
    walls: tuple[Wall, ...]
    focal_px: float
    shape: tuple[int, int]
    focal_known: bool = True
    px_per_mm: float = 1.0
    across: Across | None = None  # edges beside the strip, where walls were looked for
    as_round: ViewFit | None = None  # the view of a round jar, where it was fitted already
    as_square: ViewFit | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ViewFit:
    """A fitted view: parameters, half the sum of squares, rms of the tags' corners [px]."""

    p: Array
    cost: float
    rms_px: float
    square: bool

    @property
    def radius_mm(self) -> float:
        """Outside radius."""
        return float(self.p[RADIUS])


def _wall_points(p: Array, azimuth: Array, *, square: bool) -> tuple[Array, Array]:
    """Outside of the wall at azimuths (..., n) of parameters (..., 13)."""
    radius, exponent, turn = (p[..., i, None] for i in (RADIUS, EXPONENT, TURN))
    if square:
        return outline_points(azimuth, radius, exponent, turn)
    return radius * np.sin(azimuth), -radius * np.cos(azimuth)


def _edge_azimuths(p: Array, sides: Array, *, square: bool) -> Array:
    """Azimuths (scenes, sets, walls) at which the sight line grazes walls on sides (scenes, walls).

    Sets of one scene differ by less than a step of the azimuths that are tried, so that the first
    tells where to look.
    """
    sides = sides[:, None]
    if not square:
        return np.asarray(sides * np.arccos(p[..., RADIUS] / p[..., DISTANCE])[..., None])

    def tangent_at(p: Array, azimuth: Array) -> Array:
        """Of azimuths (scenes, sets, walls, n)."""
        side = sides[..., None]
        x, y = _wall_points(p[:, :, None], side * azimuth, square=True)
        return np.asarray(side * x / (y + p[:, :, None, DISTANCE, None]))

    first = tangent_at(p[:, :1], _EDGE_AZIMUTHS).argmax(axis=-1)
    middle = np.clip(first, 2, len(_EDGE_AZIMUTHS) - 3)
    near = _EDGE_AZIMUTHS[middle[..., None] + np.arange(-2, 3)]
    tangent = tangent_at(p, near)
    at = np.clip(tangent.argmax(axis=-1), 1, 3)[..., None]
    before, here, after = (np.take_along_axis(tangent, at + i, -1)[..., 0] for i in (-1, 0, 1))
    part = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-12)
    near = np.take_along_axis(np.broadcast_to(near, tangent.shape), at, -1)[..., 0]
    return np.asarray(sides * (near + (_EDGE_AZIMUTHS[1] - _EDGE_AZIMUTHS[0]) * part))


@dataclass(frozen=True, slots=True, eq=False)
class Misfit:
    """How far views lie off scenes of one strip that differ in their walls alone."""

    scene: Scene
    square: bool
    known: Outline | None
    across_mm: Array  # of the tags' corners, each but once
    which: NDArray[np.intp]  # of these, (corners,), then each wall twice
    z_mm: Array  # of the corners
    tilted_mm: Array  # how much higher a slanting strip's corners stand, but for the slant
    ends_mm: Array  # where the walls are held against what is seen of them, (2 walls,)
    seen_px: Array  # (2, corners)
    centre_px: Array
    sides: Array  # (scenes, walls)
    walls_px: Array  # columns and rows of three points each, (2, scenes, walls, 3)
    walls_sd_px: Array  # infinite for a wall that is not seen, (scenes, walls)

    @classmethod
    def of(cls, scenes: Sequence[Scene], *, square: bool, known: Outline | None) -> Misfit:
        """Prepare scenes."""
        scene = scenes[0]
        x, z = scene.strip.corners_mm.reshape(-1, 2).T
        across, which = np.unique(x - strip_spec().tag_centre_mm(0)[0], return_inverse=True)
        tilted = across[which]
        seen = np.ascontiguousarray(scene.strip.corners_px.reshape(-1, 2).T)
        centre = np.array([scene.shape[1] - 1, scene.shape[0] - 1]) / 2
        most = max(len(s.walls) for s in scenes)
        which = np.append(which, np.repeat(np.arange(most), 2) + len(across))
        unseen = Wall(1, np.zeros((3, 2)), np.inf)
        walls = [[*s.walls, *[unseen] * (most - len(s.walls))] for s in scenes]
        return cls(
            *(scene, square, known, across, which, z, tilted),
            *(np.tile(_WALL_ENDS_MM, most), seen, centre),
            np.array([[wall.side for wall in own] for own in walls], dtype=np.float64),
            np.array([[wall.points_px for wall in own] for own in walls]).transpose(3, 0, 1, 2),
            np.array([[wall.sd_mm for wall in own] for own in walls]) * scene.px_per_mm,
        )

    def only(self, scenes: NDArray[np.intp]) -> Misfit:
        """Give the misfit of some of the scenes."""
        return replace(
            self,
            sides=self.sides[scenes],
            walls_px=self.walls_px[:, scenes],
            walls_sd_px=self.walls_sd_px[scenes],
        )

    def residuals(self, p: Array, scenes: NDArray[np.intp], robust_sd: float = np.inf) -> Array:
        """Misfits of sets of parameters, in standard deviations.

        Parameters
        ----------
        p : (scenes, sets, 13) array
            Parameters.
        scenes : (scenes,) array
            Which scenes they are held against.
        robust_sd : float
            From where on corners count less.

        Returns
        -------
        (scenes, sets, residuals) array
            The corners' first.
        """
        p, count = bounded(p), self.z_mm.size
        azimuth = (p[..., STRETCH] / p[..., RADIUS])[..., None] * self.across_mm
        azimuth += p[..., AZIMUTH, None]
        edges = _edge_azimuths(p, self.sides[scenes], square=self.square)
        points = _wall_points(p, np.concatenate([azimuth, edges], -1), square=self.square)
        x, y = (of[..., self.which] for of in points)
        z = np.empty_like(x)
        z[..., :count] = self.z_mm + p[..., SLANT, None] * self.tilted_mm
        z[..., count:] = self.ends_mm
        x, y = self._project(p, x, y, z)
        prior = _prior_residuals(p, square=self.square, known=self.known)
        last = 2 * count + 3 * edges.shape[-1]
        found = np.empty((*p.shape[:2], last + len(prior)))
        np.subtract(x[..., :count], self.seen_px[0], out=found[..., :count])
        np.subtract(y[..., :count], self.seen_px[1], out=found[..., count : 2 * count])
        corners = found[..., : 2 * count]
        corners /= corner_sd_px(self.scene.strip)
        _make_robust(corners, robust_sd)
        (foot_x, foot_y), (top_x, top_y) = (
            (x[..., end::2, None], y[..., end::2, None]) for end in (count, count + 1)
        )
        column, row = self.walls_px[:, scenes, None]
        edge = foot_x + (top_x - foot_x) / (top_y - foot_y) * (row - foot_y)
        walls = (column - edge) / self.walls_sd_px[scenes, None, :, None]
        found[..., 2 * count : last] = walls.reshape(*walls.shape[:2], -1)
        for i, term in enumerate(prior):
            found[..., last + i] = term
        return found

    def _project(self, p: Array, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Points (..., n) in the jar's frame -> columns and rows in the picture (..., n).

        As `jarvision.jar.geometry.Camera.project`, for many cameras at once.
        """
        turns = p[..., YAW : ROLL + 1]
        sines, cosines = np.sin(turns), np.cos(turns)
        sin_yaw, sin_pitch, sin_roll = (sines[..., i, None] for i in range(3))
        cos_yaw, cos_pitch, cos_roll = (cosines[..., i, None] for i in range(3))
        down, ahead = p[..., HEIGHT, None] - z, y + p[..., DISTANCE, None]
        right, straight = cos_yaw * x - sin_yaw * ahead, sin_yaw * x + cos_yaw * ahead
        under, depth = (
            cos_pitch * down - sin_pitch * straight,
            sin_pitch * down + cos_pitch * straight,
        )
        zoom = self.scene.focal_px * p[..., FOCAL, None] / depth
        flat_x = zoom * (cos_roll * right + sin_roll * under)
        flat_y = zoom * (cos_roll * under - sin_roll * right)
        if p[..., RADIAL].any():
            r2 = (flat_x**2 + flat_y**2) / (self.centre_px**2).sum()
            bent = 1.0 + p[..., RADIAL, None] * r2
            flat_x, flat_y = flat_x * bent, flat_y * bent
        return flat_x + self.centre_px[0], flat_y + self.centre_px[1]


_WALL_ENDS_MM = np.array([10.0, 90.0])


def corner_sd_px(strip: Strip) -> float:
    """Tell how sharp a strip's corners are; those of tags bent round a side are less so."""
    return (3.0 if strip.bent else 1.0) * CORNER_SD_PX


def _make_robust(off_sd: Array, robust_sd: float) -> None:
    """Robust loss: what is far off counts by its logarithm, as corners of a tag in glare."""
    if not np.isinf(robust_sd):
        off_sd[:] = robust_sd * np.arcsinh(off_sd / robust_sd)


def _prior_residuals(p: Array, *, square: bool, known: Outline | None) -> list[Array]:
    """Weigh what is known of strips and jars beforehand."""
    terms = [
        p[..., SLANT] / 0.03,  # people stick a strip on within a few degrees
        (p[..., STRETCH] - 1.0) / (0.3 if square else 0.01),  # corners stretch over a bend
        p[..., YAW] / 0.5,
        np.log(p[..., FOCAL]) / _FOCAL_SD,
        p[..., RADIAL] / _RADIAL_SD,
    ]
    if square:
        terms += [p[..., EXPONENT] - 5.0, p[..., TURN] / 0.15]
    if known is not None:
        terms.append((p[..., RADIUS] - known.radius_mm) / 0.6)
        terms.append((p[..., EXPONENT] - known.exponent) / 0.3)
    return terms


# Where a jar and a camera can be.
_LEAST, _MOST = np.full(13, -np.inf), np.full(13, np.inf)
_LEAST[[RADIUS, EXPONENT, TURN, FOCAL, RADIAL]] = 15.0, 2.0, -0.7, 0.3, -0.25
_MOST[[RADIUS, EXPONENT, TURN, FOCAL, RADIAL]] = 90.0, 12.0, 0.7, 4.0, 0.25


def bounded(p: Array) -> Array:
    """Keep parameters (..., 13) where a jar and a camera can be."""
    p = np.minimum(np.maximum(p, _LEAST), _MOST)
    p[..., DISTANCE] = np.maximum(p[..., DISTANCE], p[..., RADIUS] + 20.0)
    return p
