"""Find the jar: its walls in the picture, and where the camera stood.

With a strip, the tags give the scale and the camera, and the walls give the jar's width and place;
without one, the walls and the curve of the foot give a view whose unit is the jar's radius.

All photos of a jar share one outline, a circle or a superellipse; each has a camera of its own. A
lens that bows lines is fitted only where the tags fit no perspective (`_DISTORTED_PX`). One wall
alone hardly tells a square jar's radius: such fits drift for dozens of steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from jarvision.core.arrays import Array, Mask, Picture, Places
from jarvision.core.errors import NoJarError
from jarvision.jar.geometry import (
    NOMINAL_RADIUS_MM,
    SHOULDER_MM,
    Camera,
    Outline,
    View,
)
from jarvision.jar.least_squares import least_squares_each
from jarvision.jar.strip import Strip
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.view_residuals import (
    AZIMUTH,
    DISTANCE,
    EXPONENT,
    FOCAL,
    RADIAL,
    RADIUS,
    ROLL,
    STRETCH,
    TURN,
    Scene,
    ViewFit,
    ViewResiduals,
    bounded,
    corner_sd_px,
)
from jarvision.jar.wall_edges import Wall, find_walls, look_across, peak_columns

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
    look = scene.across or look_across(bgr, scene.strip, others)
    edges = look.without(scene.strip, before_px, own)
    peaks = peak_columns(edges.score)
    left = [i for i in reversed(peaks) if edges.across_mm[i] < -_OWN_HALF_MM[0]]
    right = [i for i in peaks if edges.across_mm[i] > _OWN_HALF_MM[1]]
    return (*(edges.wall(i, -1) for i in left), *(edges.wall(i, 1) for i in right))


def sides_px(jar: Jar) -> Array:
    """Give a jar's left and right side in the picture, each its foot and its shoulder (2, 2, 2)."""
    z = np.array([0.0, SHOULDER_MM])
    return np.stack([jar.view.wall_px(np.full(2, jar.view.edge_azimuth(s)), z) for s in (-1, 1)])


# --- fitting the view -----------------------------------------------------------------------------
_SIZES = np.array([10, 10, 0.1, 0.1, 0.1, 5, 0.1, 0.02, 0.1, 1, 0.1, 0.1, 0.05])

_ROBUST_SD, _ROBUST_RMS = 6.0, 1.5  # robust loss: sd from which a corner counts less and less

# nats: a square has two parameters more to please each photo with. Of 45 rendered jars the round
# ones reach 7, the square ones begin at 14.
_SQUARE_EACH, _SQUARE_ONCE = 2.0, 4.0

_HOPELESS = 4.0  # sums of squares over the best pair's, beyond which a foot cannot make up for it

_DISTORTED_PX = 0.7  # tags that fit worse than this may be seen with radial distortion


@dataclass(frozen=True, slots=True, eq=False)
class _StripStands:
    """How a strip stands in the picture: px a mm upward, scale [px/mm], middle [px] and [mm]."""

    up: Array
    scale: float
    centre: Array
    middle_mm: float

    @classmethod
    def of(cls, strip: Strip) -> _StripStands:
        """Measure a strip."""
        centre = strip.corners_px.reshape(-1, 2).mean(axis=0)
        middle_mm = float(strip.corners_mm[..., 1].mean())
        return cls(strip.axis_px()[1], strip.px_per_mm, centre, middle_mm)


def _start(scene: Scene, strip: _StripStands, known: Outline | None, *, square: bool) -> Array:
    """First guess of a view's parameters."""
    up, scale, centre = strip.up, strip.scale, strip.centre
    ends = [w.points_px[1, 0] for w in scene.walls]
    radius = NOMINAL_RADIUS_MM if known is None else known.radius_mm
    if len(ends) == 2:
        radius = float(np.clip(abs(ends[1] - ends[0]) / 2 / scale, 25, 70))
        axis_x = float(np.mean(ends))
    else:
        axis_x = ends[0] - scene.walls[0].side * radius * scale
    azimuth = float(np.arcsin(np.clip((centre[0] - axis_x) / scale / radius, -0.85, 0.85)))
    distance = scene.focal_px / scale + radius * np.cos(azimuth)
    # the strip's foreshortening is too weak to start from: assume a camera a little above
    height = strip.middle_mm + (centre[1] - (scene.shape[0] - 1) / 2) / scale + 0.1 * distance
    roll = -float(np.arctan2(up[0], -up[1]))
    yaw = -float(np.arctan((axis_x - (scene.shape[1] - 1) / 2) / scene.focal_px))
    exponent, turn = (5.0 if known is None else known.exponent, 0.0) if square else (2.0, 0.0)
    return np.array(
        [distance, height, yaw, 0.1, roll, radius, azimuth, 0, 1.0, exponent, turn, 1.0, 0.0]
    )


def fit_view(
    scene: Scene, *, square: bool, known: Outline | None = None, radial: bool = False
) -> ViewFit:
    """Fit a view to a scene, with or without radial distortion of the lens."""
    return _fits([scene], _Wanted(square, known, radial))[0]


def fit_views(scenes: Sequence[Scene], *, square: bool) -> list[ViewFit]:
    """Fit a view to each of some scenes of one strip in one picture that differ in their walls.

    Walls that cannot be the jar's beside others are given up on the way.
    """
    return _fits(scenes, _Wanted(square), rivals=True)


def fit_photos(
    scenes: Sequence[Scene],
    *,
    square: bool,
    known: Outline | None = None,
    starts: Sequence[Array] = (),
) -> list[ViewFit]:
    """Fit a view to each of some scenes in several pictures, in step where they are alike."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, scene in enumerate(scenes):
        kind = (scene.strip.tags, scene.strip.bent, scene.focal_known)
        alike.setdefault(kind, []).append(i)
    found: dict[int, ViewFit] = {}
    for some in alike.values():
        of_some = [starts[i] for i in some] if starts else ()
        fits = _fits([scenes[i] for i in some], _Wanted(square, known), of_some)
        found |= dict(zip(some, fits, strict=True))
    return [found[i] for i in range(len(scenes))]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What views are fitted: of square jars or round ones, of a known outline, of a bent lens."""

    square: bool
    known: Outline | None = None
    radial: bool = False

    def free(self, *, focal_known: bool) -> Places:
        """Which parameters are fitted."""
        also = [EXPONENT, TURN] * self.square + [FOCAL] * (not focal_known) + [RADIAL] * self.radial
        return np.array([*range(EXPONENT), *also])


def _fits(
    scenes: Sequence[Scene],
    wanted: _Wanted,
    starts: Sequence[Array] = (),
    *,
    rivals: bool = False,
) -> list[ViewFit]:
    """Fit a view to each of some scenes whose strips show the same tags, or are one strip."""
    scene, free = scenes[0], wanted.free(focal_known=scenes[0].focal_known)
    residuals = ViewResiduals.of(scenes, square=wanted.square, known=wanted.known)

    def rms_sd(r: Array) -> Array:
        return np.asarray(np.sqrt(np.mean(r[:, : scene.strip.corners_px.size] ** 2, axis=1)))

    p = np.array(starts or _starts(scenes, wanted))
    in_running = _in_running if rivals else None
    p, r = least_squares_each(residuals.at, p, free, _SIZES, in_running=in_running)
    rms = rms_sd(r)
    poor = np.flatnonzero((rms > _ROBUST_RMS) & (_in_running((r**2).sum(axis=1)) | (not rivals)))
    # corners that fit with other walls are not off
    all_off = not rivals or float(rms.min()) > _ROBUST_RMS
    if len(poor) and all_off and not scene.strip.bent:
        # from where all corners pull alike, for far away the softened pull leads nowhere
        of_poor = residuals.only(poor)
        robust = partial(of_poor.at, robust_sd=_ROBUST_SD)
        p[poor], r[poor] = least_squares_each(robust, p[poor], free, _SIZES)
        plain = of_poor.at(p[poor, None], np.arange(len(poor)))[:, 0]
        rms[poor] = rms_sd(plain)
    cost = 0.5 * (r**2).sum(axis=1)
    return [
        ViewFit(own, float(c), float(sd) * residuals.corner_sd_px, wanted.square)
        for own, c, sd in zip(bounded(p), cost, rms, strict=True)
    ]


def _starts(scenes: Sequence[Scene], wanted: _Wanted) -> list[Array]:
    """First guesses, what the strips tell of them worked out once each."""
    stands = {strip: _StripStands.of(strip) for strip in {scene.strip for scene in scenes}}
    return [_start(s, stands[s.strip], wanted.known, square=wanted.square) for s in scenes]


def _in_running(squares: Array) -> Mask:
    """Tell which of several pairs of walls may still be the jar's, by their sums of squares."""
    return np.asarray(squares <= _HOPELESS * (squares.min() + 100.0))


def jar_of(fit: ViewFit, scene: Scene) -> Jar:
    """Make a jar of a fit."""
    p = [float(v) for v in fit.p]
    centre_x, centre_y = (scene.shape[1] - 1) / 2, (scene.shape[0] - 1) / 2
    focal = scene.focal_px * p[FOCAL]
    pinhole = Camera(focal, centre_x, centre_y, *p[DISTANCE : ROLL + 1])
    camera = replace(pinhole, radial=p[RADIAL])
    outline = Outline(p[RADIUS], p[EXPONENT] if fit.square else 2.0, p[TURN] * fit.square)
    middle = strip_spec().tag_centre_mm(0)[0]
    edges = [
        p[AZIMUTH] + p[STRETCH] * (x - middle) / p[RADIUS] for x in (0.0, strip_spec().width_mm)
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
    across = None if walls else look_across(bgr, strip, others)
    walls = walls if across is None else find_walls(across)
    if not walls:
        msg = (
            "A strip was seen but no jar behind it; photograph the whole jar against a plain wall."
        )
        raise NoJarError(msg)
    shape = (bgr.shape[0], bgr.shape[1])
    return Scene(strip, tuple(walls), focal_px, shape, focal_known, strip.px_per_mm, across)


def _fitted(scenes: Sequence[Scene], *, square: bool) -> list[ViewFit]:
    """Give the views that scenes have, and fit those that they lack."""
    own = [scene.as_square if square else scene.as_round for scene in scenes]
    lacking = [scene for scene, fit in zip(scenes, own, strict=True) if fit is None]
    new = iter(fit_photos(lacking, square=square))
    return [fit or next(new) for fit in own]


def _undistorted(fit: ViewFit, scene: Scene) -> ViewFit:
    """Fit a view whose tags lie in no perspective again, with radial distortion."""
    if fit.rms_px < _DISTORTED_PX or scene.strip.bent or len(scene.strip.tags) < 3:
        return fit
    known = Outline(float(fit.p[RADIUS]), float(fit.p[EXPONENT]))
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
    fits = _fitted(scenes, square=False)
    poor = [
        f.rms_px > 0.95 * corner_sd_px(s.strip) or f.cost > s.strip.corners_px.size / 2
        for f, s in zip(fits, scenes, strict=True)
    ]
    if any(poor):
        squares = _fitted(scenes, square=True)
        if _for_a_square(scenes, fits, squares) > _SQUARE_EACH * len(scenes) + _SQUARE_ONCE:
            fits = squares
    if len(fits) > 1:
        shape = np.median([f.p for f in fits], axis=0)
        known = Outline(float(shape[RADIUS]), float(shape[EXPONENT]))
        starts = [f.p for f in fits]
        fits = fit_photos(scenes, square=fits[0].square, known=known, starts=starts)
    fits = [_undistorted(f, s) for f, s in zip(fits, scenes, strict=True)]
    return [jar_of(f, s) for f, s in zip(fits, scenes, strict=True)]
