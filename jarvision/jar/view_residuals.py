"""How far a view of a jar lies off what a picture shows: its strip's tags and its two walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from jarvision.core.arrays import Array, Places
from jarvision.jar.geometry import Outline, outline_points
from jarvision.jar.strip import CORNER_SD_PX, Strip
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.wall_edges import Across, Wall

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
    middle = np.clip(first, 1, len(_EDGE_AZIMUTHS) - 2)
    near = _EDGE_AZIMUTHS[middle[..., None] + np.arange(-1, 2)]
    tangent = tangent_at(p, near)
    before, here, after = (tangent[..., i] for i in range(3))
    part = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-12)
    return np.asarray(sides * (near[..., 1] + (_EDGE_AZIMUTHS[1] - _EDGE_AZIMUTHS[0]) * part))


@dataclass(frozen=True, slots=True, eq=False)
class _Beforehand:
    """What is known of strips and jars beforehand: parameters, what they usually are, their sd."""

    at: Places
    usual: Array
    sd: Array

    @classmethod
    def of(cls, *, square: bool, known: Outline | None) -> _Beforehand:
        """Give it for round or square jars, of a known outline or of any."""
        terms = [
            (FOCAL, 0.0, _FOCAL_SD),  # its logarithm
            (SLANT, 0.0, 0.03),  # people stick a strip on within a few degrees
            (STRETCH, 1.0, 0.3 if square else 0.01),  # corners stretch over a bend
            (YAW, 0.0, 0.5),
            (RADIAL, 0.0, _RADIAL_SD),
        ]
        if square:
            terms += [(EXPONENT, 5.0, 1.0), (TURN, 0.0, 0.15)]
        if known is not None:
            terms += [(RADIUS, known.radius_mm, 0.6), (EXPONENT, known.exponent, 0.3)]
        at, usual, sd = zip(*terms, strict=True)
        return cls(np.array(at), np.array(usual), np.array(sd))

    def residuals(self, p: Array) -> Array:
        """Tell by how many sds parameters (..., 13) are unusual, (..., terms)."""
        own = p[..., self.at]
        own[..., 0] = np.log(own[..., 0])
        own -= self.usual
        own /= self.sd
        return own


@dataclass(frozen=True, slots=True, eq=False)
class ViewResiduals:
    """How far views lie off scenes whose strips show the same tags."""

    square: bool
    across_mm: Array  # of the tags' corners, each but once
    which: Places  # of these, (corners,), then each wall twice
    z_mm: Array  # of the corners
    tilted_mm: Array  # how much higher a slanting strip's corners stand, but for the slant
    ends_mm: Array  # where the walls are held against what is seen of them, (2 walls,)
    corner_sd_px: float
    focal_px: Array  # (scenes,)
    centre_px: Array  # of the picture, (2, scenes)
    seen_px: Array  # columns and rows of the corners from there, (2, scenes, corners)
    sides: Array  # (scenes, walls)
    walls_px: Array  # columns and rows of three points each from there, (2, scenes, walls, 3)
    walls_sd_px: Array  # infinite for a wall that is not seen, (scenes, walls)
    prior: _Beforehand

    @classmethod
    def of(cls, scenes: Sequence[Scene], *, square: bool, known: Outline | None) -> ViewResiduals:
        """Prepare scenes."""
        strip = scenes[0].strip
        x, z = strip.corners_mm.reshape(-1, 2).T
        across, which = np.unique(x - strip_spec().tag_centre_mm(0)[0], return_inverse=True)
        most = max(len(s.walls) for s in scenes)
        walls = [[*s.walls, *[_UNSEEN] * (most - len(s.walls))] for s in scenes]
        centre = np.array([[s.shape[1] - 1, s.shape[0] - 1] for s in scenes]).T / 2
        corners = np.array([s.strip.corners_px.reshape(-1, 2) for s in scenes])
        ends = np.array([[wall.points_px for wall in own] for own in walls])
        return cls(
            square,
            across,
            np.append(which, np.repeat(np.arange(most), 2) + len(across)),
            z,
            across[which],
            np.tile(_WALL_ENDS_MM, most),
            corner_sd_px(strip),
            np.array([s.focal_px for s in scenes]),
            centre,
            np.moveaxis(corners, -1, 0) - centre[..., None],
            np.array([[wall.side for wall in own] for own in walls], dtype=np.float64),
            np.moveaxis(ends, -1, 0) - centre[..., None, None],
            np.array(
                [[w.sd_mm * s.px_per_mm for w in own] for s, own in zip(scenes, walls, strict=True)]
            ),
            _Beforehand.of(square=square, known=known),
        )

    def only(self, scenes: Places) -> ViewResiduals:
        """Give the residuals of some of the scenes."""
        return replace(
            self,
            focal_px=self.focal_px[scenes],
            centre_px=self.centre_px[:, scenes],
            seen_px=self.seen_px[:, scenes],
            sides=self.sides[scenes],
            walls_px=self.walls_px[:, scenes],
            walls_sd_px=self.walls_sd_px[scenes],
        )

    def at(self, p: Array, scenes: Places, robust_sd: float = np.inf) -> Array:
        """Residuals of sets of parameters, in standard deviations.

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
        z = np.empty((*p.shape[:2], len(self.which)))
        z[..., :count] = self.z_mm + p[..., SLANT, None] * self.tilted_mm
        z[..., count:] = self.ends_mm
        x, y = self._project(p, points, z, scenes)
        last = 2 * count + 3 * edges.shape[-1]
        found = np.empty((*p.shape[:2], last + len(self.prior.sd)))
        seen_x, seen_y = self.seen_px[:, scenes, None]
        np.subtract(x[..., :count], seen_x, out=found[..., :count])
        np.subtract(y[..., :count], seen_y, out=found[..., count : 2 * count])
        corners = found[..., : 2 * count]
        corners /= self.corner_sd_px
        _make_robust(corners, robust_sd)
        (foot_x, foot_y), (top_x, top_y) = (
            (x[..., end::2, None], y[..., end::2, None]) for end in (count, count + 1)
        )
        column, row = self.walls_px[:, scenes, None]
        edge = foot_x + (top_x - foot_x) / (top_y - foot_y) * (row - foot_y)
        walls = (column - edge) / self.walls_sd_px[scenes, None, :, None]
        found[..., 2 * count : last] = walls.reshape(*walls.shape[:2], -1)
        found[..., last:] = self.prior.residuals(p)
        return found

    def _project(
        self, p: Array, points: tuple[Array, Array], z: Array, scenes: Places
    ) -> tuple[Array, Array]:
        """Places of the wall and heights (..., n) -> columns, rows from the centre (..., n).

        As `jarvision.jar.geometry.Camera.project`, for many cameras at once; what does not depend
        on the height is worked out once for all corners above each other.
        """
        turns = p[..., YAW : ROLL + 1]
        sines, cosines = np.sin(turns), np.cos(turns)
        sin_yaw, sin_pitch, sin_roll = (sines[..., i, None] for i in range(3))
        cos_yaw, cos_pitch, cos_roll = (cosines[..., i, None] for i in range(3))
        x, ahead = points[0], points[1] + p[..., DISTANCE, None]
        right = (cos_yaw * x - sin_yaw * ahead)[..., self.which]
        straight = (sin_yaw * x + cos_yaw * ahead)[..., self.which]
        down = p[..., HEIGHT, None] - z
        zoom = (self.focal_px[scenes, None] * p[..., FOCAL])[..., None]
        zoom = zoom / (sin_pitch * down + cos_pitch * straight)
        right *= zoom
        under = (cos_pitch * down - sin_pitch * straight) * zoom
        flat_x = cos_roll * right + sin_roll * under
        flat_y = cos_roll * under - sin_roll * right
        if p[..., RADIAL].any():
            half = (self.centre_px[:, scenes] ** 2).sum(axis=0)[:, None, None]
            bent = 1.0 + p[..., RADIAL, None] * (flat_x**2 + flat_y**2) / half
            flat_x, flat_y = flat_x * bent, flat_y * bent
        return flat_x, flat_y


_WALL_ENDS_MM = np.array([10.0, 90.0])
_UNSEEN = Wall(1, np.zeros((3, 2)), np.inf)


def corner_sd_px(strip: Strip) -> float:
    """Tell how sharp a strip's corners are; those of tags bent round a side are less so."""
    return (3.0 if strip.bent else 1.0) * CORNER_SD_PX


def _make_robust(off_sd: Array, robust_sd: float) -> None:
    """Robust loss: what is far off counts by its logarithm, as corners of a tag in glare."""
    if not np.isinf(robust_sd):
        off_sd[:] = robust_sd * np.arcsinh(off_sd / robust_sd)


# Where a jar and a camera can be.
_LEAST, _MOST = np.full(13, -np.inf), np.full(13, np.inf)
_LEAST[[RADIUS, EXPONENT, TURN, FOCAL, RADIAL]] = 15.0, 2.0, -0.7, 0.3, -0.25
_MOST[[RADIUS, EXPONENT, TURN, FOCAL, RADIAL]] = 90.0, 12.0, 0.7, 4.0, 0.25


def bounded(p: Array) -> Array:
    """Keep parameters (..., 13) where a jar and a camera can be."""
    p = np.minimum(np.maximum(p, _LEAST), _MOST)
    p[..., DISTANCE] = np.maximum(p[..., DISTANCE], p[..., RADIUS] + 20.0)
    return p
