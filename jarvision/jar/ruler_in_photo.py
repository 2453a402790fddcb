"""An ordinary ruler on or beside a jar that carries no strip: where it is, and its scale.

Its edges are found before the jar's walls are, and are none. Its ticks draw together with distance,
and so tell the tilt better than walls do; they are followed at every lean that is tried, so that a
photo with a ruler costs several times one without.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Grey, Mask, Picture
from jarvision.jar.colour import grey_of, lab_of, length_of
from jarvision.jar.geometry import View
from jarvision.jar.ruler import RulerScale, RulerUnreadError, read_ruler
from jarvision.jar.ruler_divisions import RulerUnit
from jarvision.jar.view_fit import Jar

_SEGMENT_PX, _BLUR_PX, _EACH_PX, _NARROW = 256, 5, 3, 6
_BAND_ROWS = 256  # made grey at once, for whose lightness there is room close by

_BINS = slice(8, 80)  # ticks 3.2 to 32 px apart

_COMB = (
    2.7  # a comb over its surroundings, mean along the jar; rendered jars without stay under 2.4
)

_LIKE_COMB = 0.85 * _COMB  # in a narrow picture, where there is a comb

_MOST_PATCHES = 3

# What is read beside the ticks, in widths of the jar: room for numbers, but a ruler's far edge may
# confuse them.
_PATCH_WIDTHS = np.array([0.14, 0.12, 0.2])

_LIKELY_RADIUS_MM = (20.0, 75.0)

_ON_WALL_SD = 0.03  # a ruler on the front of the jar may lean or stand off a little

_BESIDE_SD_RADII = 0.4  # how far from half way to the front a ruler beside the jar may stand

_PHOTOS_DISAGREE = 0.08


@dataclass(frozen=True, slots=True)
class RulerFound:
    """What a ruler tells of one photo.

    Attributes
    ----------
    radius_mm : float
        Outside radius of the jar by the ruler [mm].
    relative_sd : float
        Its relative standard deviation, mostly by how near the ruler stands.
    """

    radius_mm: float
    relative_sd: float


def ruler_beside(
    bgr: Picture,
    jar: Jar,
    *,
    unit: RulerUnit | None = None,
    ruler_in: Callable[[Picture], UprightRuler | None] | None = None,
    combs: Combs | None = None,
) -> RulerFound | None:
    """Find a ruler on or beside a jar that has no strip; None where none can be relied on.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    jar : Jar
        The jar in it, its radius of any unit.
    unit : RulerUnit, optional
        What the ruler is divided in.
    ruler_in : callable, optional
        Gives the upright ruler anywhere in the picture that was found already.
    combs : Combs, optional
        Of the picture, where they were looked for already.
    """
    rows, columns, width = _around(jar, bgr.shape[:2])
    if rows.stop - rows.start < _SEGMENT_PX:
        return None
    look = ruler_in or partial(find_upright_ruler, unit=unit)
    whole = look(bgr)
    if whole is not None:
        return _likely([_by_ruler(jar.view, whole.scale, whole.at_px)])
    if not (combs or combs_of(bgr)).may_stand_in(rows, columns):
        return None
    rulers = _rulers_in(grey_of(bgr), rows, columns, width, unit)
    return _likely([_by_ruler(jar.view, ruler, at) for ruler, at in rulers])


def _rulers_in(
    grey: Grey, rows: slice, columns: slice, width: float, unit: RulerUnit | None
) -> Iterator[tuple[RulerScale, tuple[float, float]]]:
    """Read the likeliest combs in a part of a picture, and tell where their ticks' middles are.

    Parameters
    ----------
    grey : (h, w) uint8 array
        The picture.
    rows, columns : slice
        Its part in which combs are looked for.
    width : float
        Of a jar [px].
    unit : RulerUnit, optional
        What the ruler is divided in.
    """
    for first, last in _comb_columns(grey[rows, columns], width):
        for beside in (_PATCH_WIDTHS * width).astype(int):
            low = max(columns.start + first - int(beside), 0)
            patch = grey[rows, low : columns.start + last + int(beside)]
            try:
                ruler = read_ruler(patch, unit=unit)
            except RulerUnreadError:
                continue
            yield ruler, (ruler.centre_px[1] + low, ruler.centre_px[0] + rows.start)
            break


def _likely(found: Sequence[RulerFound]) -> RulerFound | None:
    """Take the surest of what a jar's width can be."""
    likely = [f for f in found if _LIKELY_RADIUS_MM[0] < f.radius_mm < _LIKELY_RADIUS_MM[1]]
    return min(likely, key=lambda f: f.relative_sd, default=None)


_BODY_LAB, _BODY_PX = 9.0, 6  # a ruler's body is of one colour; kept so clear of its edges


@dataclass(frozen=True, slots=True, eq=False)
class UprightRuler:
    """An upright ruler somewhere in a picture.

    Attributes
    ----------
    scale : RulerScale
        What its ticks say.
    at_px : (float, float)
        Column and row of the middle of its ticks [px].
    body : (h, w) bool array
        Its pixels, whose edges are no walls of a jar.
    """

    scale: RulerScale
    at_px: tuple[float, float]
    body: Mask

    def lean_of(self, view: View, leaned: Callable[[float], View]) -> float:
        """How far a view's tilt is off by the ruler's ticks, which draw together far away [rad].

        Parameters
        ----------
        view : View
            Of the jar that the ruler stands before or leans on.
        leaned : callable
            Gives the view with its tilt changed by an angle [rad].

        Returns
        -------
        float
            The change after which ticks draw together as they do; NaN where none within
            20 degrees does.
        """
        half = self.scale.ticks * self.scale.division_mm * self.scale.px_per_mm / 2

        def off(lean: float) -> float:
            rows, steps = _upright_scale(leaned(lean), self.at_px)
            top, foot = (np.interp(-self.at_px[1] + up, -rows, steps) for up in (half, -half))
            return float((foot - top) / (foot + top) * 2 - self.scale.stretch)

        low, high = -_MOST_LEAN, _MOST_LEAN
        if off(low) * off(high) > 0:
            return math.nan
        from scipy.optimize import brentq  # slow to load, and seldom used

        return float(brentq(off, low, high, xtol=1e-3))


_MOST_LEAN = math.radians(20.0)


def find_upright_ruler(
    bgr: Picture, *, unit: RulerUnit | None = None, combs: Combs | None = None
) -> UprightRuler | None:
    """Find an upright ruler anywhere in a picture; None where no ruler's ticks can be read.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    unit : RulerUnit, optional
        What the ruler is divided in.
    combs : Combs, optional
        Of the picture, where they were looked for already.
    """
    rows, columns = (slice(0, size) for size in bgr.shape[:2])
    if not (combs or combs_of(bgr)).may_stand_in(rows, columns):
        return None
    for ruler, at in _rulers_in(grey_of(bgr), rows, columns, 0.35 * bgr.shape[1], unit):
        near = (round(at[0]), round(at[1]))
        return UprightRuler(ruler, at, _body_around(bgr, near, round(3 * ruler.px_per_mm)))
    return None


def _body_around(bgr: Picture, at: tuple[int, int], near: int) -> Mask:
    """Find what is of the ruler's colour and hangs together with its ticks."""
    lab = lab_of(bgr)
    x, y = at
    patch = lab[max(y - near, 0) : y + near, max(x - near, 0) : x + near].reshape(-1, 3)
    light = patch[patch[:, 0] >= np.median(patch[:, 0])]
    away = length_of(lab - np.median(light, axis=0))
    # ticks and numbers are closed over
    like = cv2.morphologyEx(
        (away < _BODY_LAB).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)
    )
    _, parts = cv2.connectedComponents(like)
    close = parts[max(y - near, 0) : y + near, max(x - near, 0) : x + near]
    part = int(np.bincount(close[close > 0], minlength=1).argmax()) if close.any() else 0
    body = (parts == part).astype(np.uint8) if part else np.zeros_like(like)
    return np.asarray(cv2.dilate(body, np.ones((1, 2 * _BODY_PX + 1), np.uint8)) > 0)


def join_rulers(found: Sequence[RulerFound]) -> RulerFound | None:
    """Join what the photos of one jar say; None where there is nothing or they disagree.

    Rulers stand where they stood, so that more photos do not make the scale surer.
    """
    if not found:
        return None
    radii = np.array([f.radius_mm for f in found])
    weights = np.array([f.relative_sd**-2 for f in found])
    radius = float(np.average(radii, weights=weights))
    if np.abs(radii / radius - 1).max() > _PHOTOS_DISAGREE:
        return None
    spread = float(np.std(radii / radius))
    return RulerFound(radius, math.hypot(min(f.relative_sd for f in found), spread))


def _around(jar: Jar, shape: tuple[int, ...]) -> tuple[slice, slice, float]:
    """Rows and columns of a picture in which a ruler can stand, and the jar's width [px]."""
    radius = jar.view.outline.radius_mm
    sides = np.array([jar.view.edge_azimuth(-1), jar.view.edge_azimuth(1)])
    ends = jar.view.wall_px(sides[None, :], np.array([[-0.2 * radius], [4.0 * radius]]))
    left, right = ends[..., 0].min(), ends[..., 0].max()
    width = float(right - left)
    low, high = ends[..., 1].min(), ends[..., 1].max()
    rows = slice(max(int(low), 0), min(int(high), shape[0]))
    columns = slice(max(int(left - width), 0), min(int(right + width), shape[1]))
    return rows, columns, width


def _comb_columns(grey: Grey, width: float) -> list[tuple[int, int]]:
    """First and last columns of the likeliest upright combs of ticks."""
    smooth = cv2.blur(grey.astype(np.float32), (_BLUR_PX, 1))[:, _BLUR_PX // 2 :: _EACH_PX]
    score = _comb_score(_comb_lines(np.ascontiguousarray(smooth.T)))
    at = np.flatnonzero(score > _COMB)
    groups = np.split(at, np.flatnonzero(np.diff(at) * _EACH_PX > 0.12 * width) + 1)
    wide = [g for g in groups if len(g) >= 3]
    best = sorted(wide, key=lambda g: -float(score[g].max()))[:_MOST_PATCHES]
    return [(int(g[0]) * _EACH_PX, int(g[-1] + 1) * _EACH_PX) for g in best]


@dataclass(frozen=True, slots=True, eq=False)
class Combs:
    """What in a picture may be combs of ticks, seen in a picture made narrow.

    Attributes
    ----------
    lines : (segments, columns, frequencies) array
        How much each frequency stands out over those around it.
    """

    lines: Floats

    def may_stand_in(self, rows: slice, columns: slice) -> bool:
        """Whether some column's comb stands out in a part of the picture."""
        step = _SEGMENT_PX // 2
        first, last = (rows.start + step // 2) // step, (rows.stop + step // 2) // step - 1
        across = slice(columns.start // _NARROW, -(-columns.stop // _NARROW))
        lines = self.lines[first : max(last, first + 1), across]
        return bool(lines.size and (_comb_score(lines) > _LIKE_COMB).any())


def combs_of(picture: Picture) -> Combs:
    """Look for combs of ticks in a picture, grey or of colours."""
    return Combs(_comb_lines(_narrow(picture)))


def _narrow(picture: Picture) -> Floats:
    """Mean lightness of `_NARROW` columns each, (columns, rows): a band of rows at a time."""
    columns = picture.shape[1] // _NARROW
    light = np.empty((columns, len(picture)), np.float32)
    for at in range(0, len(picture), _BAND_ROWS):
        band = grey_of(picture[at : at + _BAND_ROWS, : columns * _NARROW])
        each = cv2.transpose(band).reshape(columns, _NARROW, -1)
        light[:, at : at + _BAND_ROWS] = each.sum(axis=1, dtype=np.uint16)
    light /= _NARROW
    return light


def _comb_lines(light: Floats) -> Floats:
    """How much each frequency stands out in segments of columns, (segments, columns, bins).

    Of lightness (columns, rows): columns lie in memory as they are read.
    """
    fine = np.clip(np.diff(light, axis=1), -30.0, 30.0)
    window = np.hanning(_SEGMENT_PX).astype(np.float32)
    starts = range(0, fine.shape[1] - _SEGMENT_PX + 1, _SEGMENT_PX // 2)
    found = np.empty((len(starts), len(fine), _BINS.stop - _BINS.start), np.float32)
    real, imaginary = (slice(2 * _BINS.start - i, 2 * _BINS.stop - i, 2) for i in (1, 0))
    for lines, start in zip(found, starts, strict=True):
        # many times quicker than numpy's; real and imaginary parts stand in turns
        waves = cv2.dft(fine[:, start : start + _SEGMENT_PX] * window, flags=cv2.DFT_ROWS)
        lines[:] = _standing_out(cv2.magnitude(waves[:, real], waves[:, imaginary]))
    return found


def _comb_score(lines: Floats) -> Floats:
    """How much the strongest comb stands out in each column."""
    if not len(lines):
        return np.zeros(lines.shape[1], np.float32)
    return np.asarray(lines.mean(axis=0).max(axis=1))


def _standing_out(lines: cv2.typing.MatLike) -> Floats:
    """Amplitudes (column, frequency) over those around them, a line's neighbours counted in."""
    around = cv2.blur(lines, (25, 1), borderType=cv2.BORDER_REFLECT) + np.float32(1.0)
    return np.minimum(cv2.dilate(lines, np.ones((1, 3), np.uint8)) / around, np.float32(8.0))


def _by_ruler(view: View, ruler: RulerScale, at_px: tuple[float, float]) -> RulerFound:
    """Compare a ruler's scale with the view's at the same place."""
    radius = view.outline.radius_mm
    rows, steps = _upright_scale(view, at_px)
    px_per_unit = float(np.interp(-at_px[1], -rows, steps))
    distance = view.camera.distance_mm
    depth_sd = _ON_WALL_SD if _is_on_wall(view, at_px) else _BESIDE_SD_RADII * radius / distance
    sd = math.hypot(depth_sd, 0.015, ruler.sd_px_per_mm / ruler.px_per_mm)
    return RulerFound(radius * px_per_unit / ruler.px_per_mm, sd)


def _sides_at(view: View, at_px: tuple[float, float]) -> tuple[float, float]:
    """Columns of the jar's sides at a place's row [px]."""
    z = _HEIGHTS * view.outline.radius_mm
    side = [view.wall_px(np.full(len(z), view.edge_azimuth(s)), z) for s in (-1, 1)]
    left, right = (float(np.interp(-at_px[1], -line[:, 1], line[:, 0])) for line in side)
    return left, right


_HEIGHTS = np.linspace(-0.2, 4.0, 85)  # in radii


def _is_on_wall(view: View, at_px: tuple[float, float]) -> bool:
    left, right = _sides_at(view, at_px)
    return left < at_px[0] < right


def _upright_scale(view: View, at_px: tuple[float, float]) -> tuple[Array, Array]:
    """Pixels a unit along an upright line through a place of the picture -> rows, scale there."""
    radius = view.outline.radius_mm
    z = _HEIGHTS * radius
    left, right = _sides_at(view, at_px)
    if left < at_px[0] < right:
        x, y = view.outline.points(np.full(len(z), _azimuth_at(view, at_px, z)))
    else:
        x = np.full(len(z), radius * (2 * at_px[0] - left - right) / (right - left))
        y = np.full(len(z), -0.5 * radius)
    line = view.camera.project(x, y, z)
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1) / np.diff(z)
    return (line[1:, 1] + line[:-1, 1]) / 2, steps


def _azimuth_at(view: View, at_px: tuple[float, float], z: Array) -> float:
    """Azimuth of the front wall that shows at a place of the picture [rad]."""
    azimuth = np.linspace(view.edge_azimuth(-1), view.edge_azimuth(1), 61)
    wall = view.wall_px(azimuth[:, None], z[None, :])
    columns = [np.interp(-at_px[1], -line[:, 1], line[:, 0]) for line in wall]
    return float(np.interp(at_px[0], columns, azimuth))
