"""Find the jar: its walls in the picture, and where the camera stood.

With a strip, the tags give the scale and the camera, and the walls give the jar's width and place;
without one, the walls and the curve of the foot give a view whose unit is the jar's radius.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import NoJarError
from jarvision.jar.geometry import (
    NOMINAL_RADIUS_MM,
    SHOULDER_MM,
    Camera,
    Outline,
    View,
    outline_points,
)
from jarvision.jar.least_squares import least_squares
from jarvision.jar.strip import CORNER_SD_PX, Strip
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.wall_edges import Wall, edges_across, find_walls, peak_columns

Array: TypeAlias = NDArray[np.float64]

Picture: TypeAlias = NDArray[np.uint8]

_OWN_HALF_MM = (6.0, 9.0)  # and so far left and right of its tags' middle, in the strip's white


@dataclass(frozen=True, slots=True)
class Jar:
    """The jar in one picture.

    Attributes
    ----------
    view : View
        Camera and outline; millimetres where `scaled`, else radii of the jar.
    scaled : bool
        Whether the view is in millimetres.
    strip_azimuths : tuple of float
        Azimuths of the strip's left and right edge [rad]; NaN without a strip.
    fit_px : float
        rms distance of the tags' corners from the fitted view [px]; NaN without a strip.
    walls_seen : int
        How many of the two walls were found.
    covered : tuple of (float, float)
        Azimuths between which another jar stands before this one [rad].
    """

    view: View
    scaled: bool
    strip_azimuths: tuple[float, float]
    fit_px: float
    walls_seen: int
    covered: tuple[tuple[float, float], ...] = ()

    def stretched(self, factor: float) -> Jar:
        """Give the same jar for a strip that was printed `factor` times its true size."""
        camera, outline = self.view.camera, self.view.outline
        camera = replace(
            camera,
            distance_mm=camera.distance_mm * factor,
            height_mm=camera.height_mm * factor,
        )
        outline = replace(outline, radius_mm=outline.radius_mm * factor)
        return replace(self, view=View(camera, outline))


def rival_walls(
    bgr: Picture,
    scene: Scene,
    others: Sequence[Strip] = (),
    before_px: Sequence[Array] = (),
) -> tuple[Wall, ...]:
    """Find all edges beside a strip that could be walls, on each side from the strip outward.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    scene : Scene
        From `scene_of`; a view fitted to it tells where the strip's own edges are.
    others : sequence of Strip
        Strips of other jars.
    before_px : sequence of (2, 2, 2) array
        Sides of jars that stand nearer to the camera, from `sides_px`.
    """
    jar = jar_of(fit_view(scene, square=False), scene)
    z = np.array([160.0, 80.0, 0.0, -10.0])
    own = [jar.view.wall_px(np.full(4, azimuth), z) for azimuth in jar.strip_azimuths]
    edges = edges_across(bgr, scene.strip, others, before_px=before_px, own_edges_px=own)
    peaks = peak_columns(edges.score)
    left = [i for i in reversed(peaks) if edges.across_mm[i] < -_OWN_HALF_MM[0]]
    right = [i for i in peaks if edges.across_mm[i] > _OWN_HALF_MM[1]]
    return (*(edges.wall(i, -1) for i in left), *(edges.wall(i, 1) for i in right))


def sides_px(jar: Jar) -> Array:
    """Give a jar's left and right side in the picture, each its foot and its shoulder (2, 2, 2)."""
    z = np.array([0.0, SHOULDER_MM])
    return np.stack([jar.view.wall_px(np.full(2, jar.view.edge_azimuth(s)), z) for s in (-1, 1)])


# --- fitting the view -----------------------------------------------------------------------------
#
# A view's parameters, in this order; several sets are worked on at once, shape (sets, 13).
(
    _DISTANCE,
    _HEIGHT,
    _YAW,
    _PITCH,
    _ROLL,
    _RADIUS,
    _AZIMUTH,
    _SLANT,
    _STRETCH,
    _EXPONENT,
    _TURN,
    _FOCAL,
    _RADIAL,
) = range(13)

_SIZES = np.array([10, 10, 0.1, 0.1, 0.1, 5, 0.1, 0.02, 0.1, 1, 0.1, 0.1, 0.05])

_ROBUST_SD, _ROBUST_RMS = 6.0, 1.5  # robust loss: sd from which a corner counts less and less

_FOCAL_SD = 0.35  # log spread of phones' focal lengths, zoom included: common practice, no source

_EDGE_AZIMUTHS = np.linspace(0.75, 1.95, 61)

_RADIAL_SD = 0.05  # radial term of phones' wide lenses, uncorrected: common practice, no source

# nats: a square has two parameters more to please each photo with. Of 45 rendered jars the round
# ones reach 7, the square ones begin at 14.
_SQUARE_EACH, _SQUARE_ONCE = 2.0, 4.0

_DISTORTED_PX = 0.7  # tags that fit worse than this may be seen with radial distortion


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is known of one picture before its view is fitted."""

    strip: Strip
    walls: tuple[Wall, ...]
    focal_px: float
    shape: tuple[int, int]
    focal_known: bool = True
    px_per_mm: float = 1.0
    as_round: ViewFit | None = None  # the view of a round jar, where it was fitted already


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
        return float(self.p[_RADIUS])


def _wall_points(p: Array, azimuth: Array, *, square: bool) -> tuple[Array, Array]:
    """Outside of the wall at azimuths (sets, n)."""
    radius, exponent, turn = (p[:, i, None] for i in (_RADIUS, _EXPONENT, _TURN))
    if square:
        return outline_points(azimuth, radius, exponent, turn)
    return radius * np.sin(azimuth), -radius * np.cos(azimuth)


def _edge_azimuths(p: Array, side: int, *, square: bool) -> Array:
    """Azimuth (sets, 1) at which the sight line grazes the wall on a side."""
    if not square:
        return np.asarray(side * np.arccos(p[:, _RADIUS] / p[:, _DISTANCE]))[:, None]

    def tangent_at(p: Array, azimuth: Array) -> Array:
        x, y = _wall_points(p, side * azimuth, square=True)
        return np.asarray(side * x / (y + p[:, _DISTANCE, None]))

    # the sets differ by less than a step of the azimuths, so that the first tells where to look
    middle = int(np.clip(tangent_at(p[:1], _EDGE_AZIMUTHS).argmax(), 2, len(_EDGE_AZIMUTHS) - 3))
    near = _EDGE_AZIMUTHS[middle - 2 : middle + 3]
    tangent = tangent_at(p, near)
    at = np.clip(tangent.argmax(axis=1), 1, 3)
    row = np.arange(len(p))
    before, here, after = (tangent[row, at + i] for i in (-1, 0, 1))
    part = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-12)
    return np.asarray(side * (near[at] + (near[1] - near[0]) * part))[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class _Misfit:
    """How far views lie off a scene: what is the same for all of them."""

    scene: Scene
    square: bool
    known: Outline | None
    across_mm: Array  # (corners,), of the tags' corners
    z_mm: Array
    seen_px: Array  # (2, corners)
    centre_px: Array
    walls: tuple[tuple[Array, Array], ...]  # columns and rows of three points each [px]

    @classmethod
    def of(cls, scene: Scene, *, square: bool, known: Outline | None) -> _Misfit:
        """Prepare a scene."""
        x, z = scene.strip.corners_mm.reshape(-1, 2).T
        across = x - strip_spec().tag_centre_mm(0)[0]
        seen = np.ascontiguousarray(scene.strip.corners_px.reshape(-1, 2).T)
        centre = np.array([scene.shape[1] - 1, scene.shape[0] - 1]) / 2
        walls = tuple((w.points_px[None, :, 0], w.points_px[None, :, 1]) for w in scene.walls)
        return cls(scene, square, known, across, z, seen, centre, walls)

    def residuals(self, p: Array, robust_sd: float = np.inf) -> Array:
        """Misfits of sets of parameters, in standard deviations, (sets, residuals)."""
        p, scene, count = _bounded(p), self.scene, len(self.z_mm)
        azimuth, z = (np.empty((len(p), count + 2 * len(self.walls))) for _ in range(2))
        azimuth[:, :count] = (p[:, _STRETCH] / p[:, _RADIUS])[:, None] * self.across_mm
        azimuth[:, :count] += p[:, _AZIMUTH, None]
        z[:, :count] = self.z_mm + p[:, _SLANT, None] * self.across_mm
        for i, wall in enumerate(scene.walls):
            own = np.s_[:, count + 2 * i : count + 2 * i + 2]
            azimuth[own], z[own] = _edge_azimuths(p, wall.side, square=self.square), _WALL_ENDS_MM
        x, y = self._project(p, *_wall_points(p, azimuth, square=self.square), z)
        off = np.concatenate([x[:, :count] - self.seen_px[0], y[:, :count] - self.seen_px[1]], 1)
        parts = [_robust(off / _corner_sd_px(scene.strip), robust_sd)]
        for i, (wall, (column, row)) in enumerate(zip(scene.walls, self.walls, strict=True)):
            foot, top = count + 2 * i, count + 2 * i + 1
            run = (x[:, top] - x[:, foot]) / (y[:, top] - y[:, foot])
            edge = x[:, foot, None] + run[:, None] * (row - y[:, foot, None])
            parts.append((column - edge) / (wall.sd_mm * scene.px_per_mm))
        parts.append(_prior_residuals(p, square=self.square, known=self.known))
        return np.concatenate(parts, axis=1)

    def _project(self, p: Array, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """Points (sets, n) in the jar's frame -> columns and rows in the picture (sets, n).

        As `jarvision.jar.geometry.Camera.project`, for many cameras at once.
        """
        turns = p[:, _YAW : _ROLL + 1]
        (sin_yaw, sin_pitch, sin_roll), (cos_yaw, cos_pitch, cos_roll) = (
            turn.T[..., None] for turn in (np.sin(turns), np.cos(turns))
        )
        down, ahead = p[:, _HEIGHT, None] - z, y + p[:, _DISTANCE, None]
        right, straight = cos_yaw * x - sin_yaw * ahead, sin_yaw * x + cos_yaw * ahead
        under, depth = (
            cos_pitch * down - sin_pitch * straight,
            sin_pitch * down + cos_pitch * straight,
        )
        zoom = self.scene.focal_px * p[:, _FOCAL, None] / depth
        flat_x = zoom * (cos_roll * right + sin_roll * under)
        flat_y = zoom * (cos_roll * under - sin_roll * right)
        if p[:, _RADIAL].any():
            r2 = (flat_x**2 + flat_y**2) / (self.centre_px**2).sum()
            bent = 1.0 + p[:, _RADIAL, None] * r2
            flat_x, flat_y = flat_x * bent, flat_y * bent
        return flat_x + self.centre_px[0], flat_y + self.centre_px[1]


_WALL_ENDS_MM = np.array([10.0, 90.0])


def _corner_sd_px(strip: Strip) -> float:
    """Tell how sharp a strip's corners are; those of tags bent round a side are less so."""
    return (3.0 if strip.bent else 1.0) * CORNER_SD_PX


def _robust(off_sd: Array, robust_sd: float) -> Array:
    """Robust loss: what is far off counts by its logarithm, as corners of a tag in glare."""
    if np.isinf(robust_sd):
        return off_sd
    return np.asarray(robust_sd * np.arcsinh(off_sd / robust_sd))


def _prior_residuals(p: Array, *, square: bool, known: Outline | None) -> Array:
    """Weigh what is known of strips and jars beforehand, (sets, residuals)."""
    terms = [
        p[:, _SLANT] / 0.03,  # people stick a strip on within a few degrees
        (p[:, _STRETCH] - 1.0) / (0.3 if square else 0.01),  # corners stretch over a bend
        p[:, _YAW] / 0.5,
        np.log(p[:, _FOCAL]) / _FOCAL_SD,
        p[:, _RADIAL] / _RADIAL_SD,
    ]
    if square:
        terms += [p[:, _EXPONENT] - 5.0, p[:, _TURN] / 0.15]
    if known is not None:
        terms.append((p[:, _RADIUS] - known.radius_mm) / 0.6)
        terms.append((p[:, _EXPONENT] - known.exponent) / 0.3)
    return np.stack(terms, axis=1)


def _start(scene: Scene, known: Outline | None, *, square: bool) -> Array:
    """First guess of a view's parameters."""
    strip = scene.strip
    _, up = strip.axis_px()
    scale = strip.px_per_mm
    centre = strip.corners_px.reshape(-1, 2).mean(axis=0)
    ends = [w.points_px[1, 0] for w in scene.walls]
    radius = NOMINAL_RADIUS_MM if known is None else known.radius_mm
    if len(ends) == 2:
        radius = float(np.clip(abs(ends[1] - ends[0]) / 2 / scale, 25, 70))
        axis_x = float(np.mean(ends))
    else:
        axis_x = ends[0] - scene.walls[0].side * radius * scale
    azimuth = float(np.arcsin(np.clip((centre[0] - axis_x) / scale / radius, -0.85, 0.85)))
    distance = scene.focal_px / scale + radius * np.cos(azimuth)
    z_mid = float(strip.corners_mm[..., 1].mean())
    # the strip's foreshortening is too weak to start from: assume a camera a little above
    height = z_mid + (centre[1] - (scene.shape[0] - 1) / 2) / scale + 0.1 * distance
    roll = -float(np.arctan2(up[0], -up[1]))
    yaw = -float(np.arctan((axis_x - (scene.shape[1] - 1) / 2) / scene.focal_px))
    exponent, turn = (5.0 if known is None else known.exponent, 0.0) if square else (2.0, 0.0)
    return np.array(
        [distance, height, yaw, 0.1, roll, radius, azimuth, 0, 1.0, exponent, turn, 1.0, 0.0]
    )


# Where a jar and a camera can be.
_LEAST, _MOST = np.full(13, -np.inf), np.full(13, np.inf)
_LEAST[[_RADIUS, _EXPONENT, _TURN, _FOCAL, _RADIAL]] = 15.0, 2.0, -0.7, 0.3, -0.25
_MOST[[_RADIUS, _EXPONENT, _TURN, _FOCAL, _RADIAL]] = 90.0, 12.0, 0.7, 4.0, 0.25


def _bounded(p: Array) -> Array:
    """Keep parameters where a jar and a camera can be."""
    p = np.minimum(np.maximum(p, _LEAST), _MOST)
    p[:, _DISTANCE] = np.maximum(p[:, _DISTANCE], p[:, _RADIUS] + 20.0)
    return p


def fit_view(
    scene: Scene,
    *,
    square: bool,
    known: Outline | None = None,
    radial: bool = False,
    start: Array | None = None,
) -> ViewFit:
    """Fit a view to a scene, with or without radial distortion of the lens."""
    free = np.arange(_EXPONENT)
    if square:
        free = np.append(free, [_EXPONENT, _TURN])
    if not scene.focal_known:
        free = np.append(free, _FOCAL)
    if radial:
        free = np.append(free, _RADIAL)

    residuals = _Misfit.of(scene, square=square, known=known).residuals

    def rms_of(p: Array) -> float:
        off = residuals(p[None])[0, : scene.strip.corners_px.size]
        return float(np.sqrt(np.mean(off**2)))

    start = _start(scene, known, square=square) if start is None else start
    p, r = least_squares(residuals, start, free, _SIZES)
    if rms_of(p) > _ROBUST_RMS and not scene.strip.bent:
        # from where all corners pull alike, for far away the softened pull leads nowhere
        p, r = least_squares(partial(residuals, robust_sd=_ROBUST_SD), p, free, _SIZES)
    rms_px = rms_of(p) * _corner_sd_px(scene.strip)
    return ViewFit(_bounded(p[None])[0], 0.5 * float(r @ r), rms_px, square)


def jar_of(fit: ViewFit, scene: Scene) -> Jar:
    """Make a jar of a fit."""
    p = [float(v) for v in fit.p]
    centre_x, centre_y = (scene.shape[1] - 1) / 2, (scene.shape[0] - 1) / 2
    focal = scene.focal_px * p[_FOCAL]
    pinhole = Camera(focal, centre_x, centre_y, *p[_DISTANCE : _ROLL + 1])
    camera = replace(pinhole, radial=p[_RADIAL])
    outline = Outline(p[_RADIUS], p[_EXPONENT] if fit.square else 2.0, p[_TURN] * fit.square)
    middle = strip_spec().tag_centre_mm(0)[0]
    edges = [
        p[_AZIMUTH] + p[_STRETCH] * (x - middle) / p[_RADIUS] for x in (0.0, strip_spec().width_mm)
    ]
    return Jar(View(camera, outline), True, (edges[0], edges[1]), fit.rms_px, len(scene.walls))


def scene_of(
    bgr: Picture,
    strip: Strip,
    focal_px: float,
    *,
    focal_known: bool = True,
    others: Sequence[Strip] = (),
    walls: Sequence[Wall] = (),
) -> Scene:
    """Find the walls beside a strip; a focal length that is not known is fitted.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    strip : Strip
        The jar's strip.
    focal_px : float
        Focal length [working px].
    focal_known : bool
        Whether it is known.
    others : sequence of Strip
        Strips of other jars in the picture: no wall is looked for on or behind them.
    walls : sequence of Wall
        Its walls, where they are known; else they are looked for.

    Raises
    ------
    NoJarError
        No wall is seen beside the strip.
    """
    walls = walls or find_walls(bgr, strip, others)
    if not walls:
        msg = (
            "A strip was seen but no jar behind it; photograph the whole jar against a plain wall."
        )
        raise NoJarError(msg)
    shape = (bgr.shape[0], bgr.shape[1])
    return Scene(strip, tuple(walls), focal_px, shape, focal_known, strip.px_per_mm)


def _undistorted(fit: ViewFit, scene: Scene) -> ViewFit:
    """Fit a view whose tags lie in no perspective again, with radial distortion."""
    if fit.rms_px < _DISTORTED_PX or scene.strip.bent or len(scene.strip.tags) < 3:
        return fit
    known = Outline(float(fit.p[_RADIUS]), float(fit.p[_EXPONENT]))
    again = fit_view(scene, square=fit.square, known=known, radial=True)
    return again if again.rms_px < 0.8 * fit.rms_px else fit


def _for_a_square(
    scenes: Sequence[Scene], rounds: Sequence[ViewFit], squares: Sequence[ViewFit]
) -> float:
    """Tell how much likelier a square jar makes the tags' corners than a round one [nats].

    How far corners scatter is not known (a tag may be creased or in glare), so that ratios of the
    sums of squares count; sums that corners as sharp as usual make by chance are all the same.
    """
    found = 0.0
    for scene, as_round, as_square in zip(scenes, rounds, squares, strict=True):
        usual = scene.strip.corners_px.size / 2
        found += usual * np.log(max(as_round.cost, usual) / max(as_square.cost, usual))
    return float(found)


def find_jars(scenes: Sequence[Scene]) -> list[Jar]:
    """Find one jar in several pictures of it: it has one shape and one width in all of them.

    Parameters
    ----------
    scenes : sequence of Scene
        From `scene_of`, one a photo.

    Returns
    -------
    list of Jar
        With views in millimetres above the strip's zero.
    """
    if not scenes:
        return []
    fits = [scene.as_round or fit_view(scene, square=False) for scene in scenes]
    poor = [
        f.rms_px > 0.95 * _corner_sd_px(s.strip) or f.cost > s.strip.corners_px.size / 2
        for f, s in zip(fits, scenes, strict=True)
    ]
    if any(poor):
        squares = [fit_view(scene, square=True) for scene in scenes]
        if _for_a_square(scenes, fits, squares) > _SQUARE_EACH * len(scenes) + _SQUARE_ONCE:
            fits = squares
    if len(fits) > 1:
        shape = np.median([f.p for f in fits], axis=0)
        known = Outline(float(shape[_RADIUS]), float(shape[_EXPONENT]))
        fits = [
            fit_view(s, square=f.square, known=known, start=f.p)
            for f, s in zip(fits, scenes, strict=True)
        ]
    fits = [_undistorted(f, s) for f, s in zip(fits, scenes, strict=True)]
    return [jar_of(f, s) for f, s in zip(fits, scenes, strict=True)]
