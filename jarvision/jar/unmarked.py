"""Find a jar that carries no strip: two long walls in the picture, and what they tell of the view.

A round jar's two outlines are tangent planes through the camera: the line in which they meet is
parallel to the jar's axis, and the angle between them is the jar's width over its distance. So
walls alone give the tilt and the distance in units of the jar's own radius; heights come out in
those units, which is all that percentages need.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Picture, Places
from jarvision.core.errors import NoJarError
from jarvision.jar.colour import lab_of, length_of, made_small
from jarvision.jar.geometry import NOMINAL_RADIUS_MM, Camera, Outline, View
from jarvision.jar.ruler_in_photo import UprightRuler, find_upright_ruler
from jarvision.jar.unwrap import unroll
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import edge_peaks, level_edges

SMALL_PX = 480  # long side of the picture in which walls are looked for
_STEP_CAP, _STEP_FREE = 12.0, 2.5  # Lab step that counts in full, and that costs nothing
_SLOPES = np.arange(-0.12, 0.121, 0.02)
_MOST_LINES, _MOST_A_SLOPE = 24, 40
_ROWS_AT_ONCE = 4  # walls are much longer, and shift by half a pixel at most
# Slope of the right wall less the left one's: walls that stand D apart at a distance of 2.5 D and
# are looked down at by 15 degrees close by sin 15 / 2.5 = 0.10; from below they open.
_LEAST_OPENING, _MOST_OPENING = -0.11, 0.1
_WIDTH = (0.12, 0.85)  # of a jar, in parts of the picture's


@dataclass(frozen=True, slots=True, eq=False)
class _WallLine:
    """A long edge: column at the middle row, slope (columns a row)."""

    column: float
    slope: float

    def at(self, row: Array | float) -> Array:
        """Column at a row."""
        return np.asarray(self.column + self.slope * np.asarray(row))


def _steps(bgr: Picture) -> Array:
    """Sideways colour steps of a small picture, (rows, columns), capped."""
    lab = cv2.blur(lab_of(bgr), (1, 5))
    kernel = np.array([[-0.5, -0.5, 0.0, 0.5, 0.5]], dtype=np.float32)
    step = length_of(cv2.filter2D(lab, -1, kernel))
    step[:, :3] = step[:, -3:] = 0
    return np.asarray(np.minimum(step, _STEP_CAP), dtype=np.float64)


def _best_sums(strength: Floats) -> Floats:
    """Greatest sum over a run of rows (Kadane's maximum subarray) of (rows, pictures, columns)."""
    best: Floats = np.zeros(strength.shape[1:], np.float32)
    here = best.copy()
    for row in strength:
        np.maximum(here, 0.0, out=here)
        here += row
        np.maximum(best, here, out=best)
    return best


def _longest_runs(strength: Array | Floats) -> tuple[Array, Places, Places]:
    """Run of rows with the greatest sum in each column: its sum, first and last row."""
    upto = np.zeros((len(strength) + 1, strength.shape[1]))
    np.cumsum(strength, axis=0, out=upto[1:])
    least = np.minimum.accumulate(upto[:-1], axis=0)
    gain = upto[1:] - least
    last, every = gain.argmax(axis=0), np.arange(gain.shape[1])
    begins = (upto[:-1] <= least[last, every]) & (np.arange(len(gain))[:, None] <= last)
    first = len(gain) - 1 - begins[::-1].argmax(axis=0)
    return np.maximum(gain[last, every], 0.0), first, last


def _lines(step: Array) -> list[_WallLine]:
    """Long near-vertical edges, strongest first, one for each place."""
    rows, columns = len(step) // _ROWS_AT_ONCE, step.shape[1]
    even = (step[: rows * _ROWS_AT_ONCE] - _STEP_FREE).astype(np.float32)
    gain = _ROWS_AT_ONCE * even.reshape(rows, _ROWS_AT_ONCE, columns).mean(axis=1)
    # of all rows, their middle being where a sheared column stands
    lean = _SLOPES * _ROWS_AT_ONCE
    shears = [np.array([[1.0, slope, -slope * rows / 2], [0.0, 1.0, 0.0]]) for slope in lean]
    flags, outside = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, -_STEP_FREE * _ROWS_AT_ONCE
    sheared = np.empty((rows, len(shears), columns), np.float32)
    for shear, out in zip(shears, sheared.transpose(1, 0, 2), strict=True):
        cv2.warpAffine(gain, shear, (columns, rows), out, flags, borderValue=outside)
    best = np.argsort(-_best_sums(sheared), axis=1)[:, :_MOST_A_SLOPE]
    runs = np.take_along_axis(sheared, best[None], axis=2).reshape(rows, -1)
    score, first, last = _longest_runs(runs)
    slope = np.repeat(_SLOPES, best.shape[1])
    foot = best.ravel() - slope * (rows * _ROWS_AT_ONCE / 2 + (_ROWS_AT_ONCE - 1) / 2)
    kept = _distinct(foot, slope, _ROWS_AT_ONCE * first, _ROWS_AT_ONCE * last, score)
    return list(map(_WallLine, foot[kept].tolist(), slope[kept].tolist()))


def _distinct(column: Array, slope: Array, first: Places, last: Places, score: Array) -> list[int]:
    """Numbers of the best of lines that lie on each other, strongest first."""
    middle, left = (first + last) / 2, np.argsort(-score, kind="stable")
    kept: list[int] = []
    while len(left) and len(kept) < _MOST_LINES:
        best, left = left[0], left[1:]
        kept.append(int(best))
        apart = column[left] - column[best] + (slope[left] - slope[best]) * middle[left]
        left = left[np.abs(apart) > 4]
    return kept


def _follow(step: Array, line: _WallLine) -> Array:
    """Strength of a line at each row of the picture."""
    rows = np.arange(step.shape[0])
    column = np.clip(np.round(line.at(rows.astype(np.float64))).astype(int), 1, step.shape[1] - 2)
    near = np.stack([step[rows, column - 1], step[rows, column], step[rows, column + 1]])
    return np.asarray(near.max(axis=0))


def _best_pair(step: Array) -> tuple[_WallLine, _WallLine, int, int] | None:
    """Find the two lines that run side by side longest, and the rows over which they do."""
    rows, columns = step.shape
    lines = _lines(step)
    if len(lines) < 2:
        return None
    follows = [_follow(step, line) for line in lines]
    pairs = [
        (i, j)
        for i, left in enumerate(lines)
        for j, right in enumerate(lines)
        if i != j and _may_be_walls(left, right, step.shape)
    ]
    if not pairs:
        return None
    first_of, second_of = np.array(pairs).T
    both = np.minimum(np.array(follows)[first_of], np.array(follows)[second_of])
    scores, firsts, lasts = _longest_runs(both.T - _STEP_FREE)
    best, choice = 0.0, None
    for (i, j), score, first, last in zip(pairs, scores, firsts, lasts, strict=True):
        weighed = float(score) * _plausible(lines[i], lines[j], int(first), int(last), columns)
        if weighed > best:
            best, choice = weighed, (lines[i], lines[j], int(first), int(last))
    return choice if best > 3.0 * 0.15 * rows else None


def _may_be_walls(left: _WallLine, right: _WallLine, shape: tuple[int, ...]) -> bool:
    """Whether two lines may be plausible as walls wherever they run."""
    rows, columns = shape
    apart = right.column - left.column
    widths = apart, apart + (right.slope - left.slope) * rows
    opens = _LEAST_OPENING < right.slope - left.slope < _MOST_OPENING
    return opens and max(widths) > _WIDTH[0] * columns and min(widths) < _WIDTH[1] * columns


def _plausible(left: _WallLine, right: _WallLine, first: int, last: int, columns: int) -> float:
    """Weight from 0 to 1 of two lines as the walls of one jar, by width, height and place."""
    middle = (first + last) / 2
    width = float(right.at(middle) - left.at(middle))
    if not _WIDTH[0] * columns < width < _WIDTH[1] * columns or last - first < 0.6 * width:
        return 0.0
    centre = float(right.at(middle) + left.at(middle)) / 2 / columns
    return 1.0 - abs(centre - 0.5)


def _refined(bgr: Picture, line: _WallLine, rows: tuple[int, int], scale: float) -> Array:
    """Line fitted to the steepest colour step beside a rough one -> column = c0 + c1 row [px]."""
    y = np.linspace(rows[0] + 0.12 * (rows[1] - rows[0]), rows[1] - 0.1 * (rows[1] - rows[0]), 80)
    reach = max(3.0 * scale, 3.0)
    offset = np.arange(-reach, reach + 0.5, 1.0)
    x = (line.at(y) * scale)[:, None] + offset[None, :]
    grid_y = np.repeat((y * scale)[:, None], len(offset), axis=1)
    patch = cv2.remap(bgr, x.astype(np.float32), grid_y.astype(np.float32), cv2.INTER_LINEAR)
    lab = cv2.blur(lab_of(np.asarray(patch, dtype=np.uint8)), (3, 5))
    size = length_of(lab[:, 4:] - lab[:, :-4])
    at = x[:, 2:-2][np.arange(len(y)), size.argmax(axis=1)]
    keep = np.ones(len(y), dtype=bool)
    fit = np.array([0.0, 0.0])
    for _ in range(4):
        fit = np.polyfit(y[keep] * scale, at[keep], 1)[::-1]
        off = np.abs(at - fit[0] - fit[1] * y * scale)
        keep = off < max(2.5 * float(np.median(off[keep])), 1.0)
    return np.asarray(fit)


def _plane(fit: Array, focal_px: float, centre: tuple[float, float]) -> Array:
    """Give the unit normal of the plane through the camera and a wall's line."""
    y = np.array([0.0, 1000.0])
    rays = np.stack([fit[0] + fit[1] * y - centre[0], y - centre[1], np.full(2, focal_px)], -1)
    normal = np.cross(rays[0], rays[1])
    return np.asarray(normal / np.linalg.norm(normal))


def camera_of_walls(
    left: Array,
    right: Array,
    foot_row: float,
    focal_px: float,
    shape: Sequence[int],
    radius_mm: float,
) -> Camera:
    """Work out the camera from two walls, column = c0 + c1 row each, and the row of the foot."""
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    n_left, n_right = _plane(left, focal_px, centre), _plane(right, focal_px, centre)
    axis = np.cross(n_left, n_right)
    axis = axis / np.linalg.norm(axis)
    up = axis if axis[1] < 0 else -axis
    pitch, roll = np.arcsin(-up[2]), np.arctan2(-up[0], -up[1])
    # the tangent planes' normals point the same way across, so their sum is across the jar
    across = n_left + n_right if n_left @ n_right > 0 else n_left - n_right
    across = across / np.linalg.norm(across)
    ahead = np.cross(across, up)
    ahead = ahead / np.linalg.norm(ahead) * (1 if ahead[2] > 0 else -1)
    half = 0.5 * np.arccos(np.clip(abs(n_left @ n_right), 0.0, 1.0))
    distance = float(radius_mm / np.sin(half))
    plain = Camera(focal_px, *centre, distance, 0.0, 0.0, float(pitch), float(roll))
    turned = plain.rotation().T @ ahead
    yaw = float(np.arctan2(-turned[0], turned[2]))
    camera = Camera(focal_px, *centre, distance, 0.0, yaw, float(pitch), float(roll))
    column = 0.5 * (left[0] + left[1] * foot_row + right[0] + right[1] * foot_row)
    ray = camera.rotation().T @ np.array([column - centre[0], foot_row - centre[1], focal_px])
    height = ray[1] / ray[2] * (distance - radius_mm)
    return Camera(focal_px, *centre, distance, float(height), yaw, float(pitch), float(roll))


def find_unmarked_jar(
    bgr: Picture,
    focal_px: float,
    *,
    radius_mm: float = NOMINAL_RADIUS_MM,
    ruler_in: Callable[[Picture], UprightRuler | None] = find_upright_ruler,
    halves: Picture | None = None,
) -> Jar:
    """Find a jar without a strip.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    focal_px : float
        Focal length [working px].
    radius_mm : float
        The jar's outside radius, where another photo with a strip tells it [mm].
    ruler_in : callable
        Finds an upright ruler in the picture, or gives the one that was found already.
    halves : (h', w', 3) uint8 array, optional
        The picture from `often_halved`, no shorter than `SMALL_PX`, where it was made already.

    Returns
    -------
    Jar
        With a view whose zero lies near the inside floor, in nominal millimetres unless
        `radius_mm` is known.

    Raises
    ------
    NoJarError
        No two walls are seen.
    """
    small = made_small(bgr if halves is None else halves, SMALL_PX)
    scale = max(bgr.shape[:2]) / SMALL_PX
    size, steps = (small.shape[1], small.shape[0]), _steps(small)
    ruler = ruler_in(bgr)
    if ruler is not None:
        body = cv2.resize(ruler.body.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
        steps[cv2.dilate(body, np.ones((1, 5), np.uint8)) > 0] = 0.0
    pair = _best_pair(steps)
    if pair is None:
        msg = "No jar was found; photograph the whole jar, upright, against a plain background."
        raise NoJarError(msg)
    left, right, first, last = pair
    lines = [_refined(bgr, line, (first, last), scale) for line in (left, right)]
    camera = camera_of_walls(lines[0], lines[1], last * scale, focal_px, bgr.shape, radius_mm)
    view = View(camera, Outline(radius_mm))
    return settle_foot(bgr, Jar(view, False, (np.nan, np.nan), np.nan, 2), ruler)


def long_walls(bgr: Picture) -> tuple[float, float] | None:
    """Measure the two upright edges that run side by side longest: length and distance.

    Parts of the picture's long side; None where there are none.
    """
    pair = _best_pair(_steps(made_small(bgr, SMALL_PX)))
    if pair is None:
        return None
    left, right, first, last = pair
    middle = (first + last) / 2
    return (last - first) / SMALL_PX, float(right.at(middle) - left.at(middle)) / SMALL_PX


_ROUGH = 0.65  # how weak the best may look roughly; 262 feet looked up to a third weaker

_BASE_MM = 4.0  # glass under the inside floor, nominal; common practice, no source


_LEANS = np.radians([(-3.5, -7.0), (3.5, 7.0)])  # errors of the tilt that are tried
_LEAN_SD = np.radians(4.0)  # how far walls can mislead about the tilt, seen on rendered pictures
# and a ruler's ticks, mostly as it may lean on the jar: half a millimetre in 5 cm, our judgement
_LEANS_BY_RULER, _LEAN_SD_BY_RULER = np.radians([(-0.6, -1.2), (0.6, 1.2)]), np.radians(0.6)


def _leaned(jar: Jar, lean: float, exponent: float) -> Jar:
    """Give a view with another tilt and outline that keeps the foot where it is in the picture."""
    camera, radius = jar.view.camera, jar.view.outline.radius_mm
    gap = camera.distance_mm - radius
    slope = np.arctan2(camera.height_mm, gap) + lean
    tilted = replace(
        camera,
        pitch_rad=camera.pitch_rad + float(lean),
        height_mm=float(gap * np.tan(slope)),
    )
    return replace(jar, view=View(tilted, Outline(radius, exponent)))


def foot_lines(
    bgr: Picture, jar: Jar, *, rough: bool = False, columns: Array | None = None
) -> tuple[float, float]:
    """Strength of the level lines at a jar's foot, and the height of the lowest; NaN if none.

    Roughly, by every third column of every other row, it takes a third of the time. The columns
    that can be read are worked out where they are not given.
    """
    every = (2, 3) if rough else (1, 1)
    wall = unroll(bgr, jar, 14.0, bottom_mm=-20.0, every=every, columns=columns)
    found = edge_peaks(level_edges(wall), -19.0, 12.0)
    if not found:
        return 0.0, np.nan
    strongest = sorted((s for _, s in found), reverse=True)[:3]
    return float(sum(strongest)), min(h for h, s in found if s >= 0.4 * strongest[0])


def settle_foot(bgr: Picture, jar: Jar, ruler: UprightRuler | None = None) -> Jar:
    """Put the zero of an unmarked jar's view near its inside floor, and tell round from square.

    The foot of a jar is a bundle of level lines on its wall. They are straight in the unrolled
    wall only if tilt and outline are right, so the pair that makes them strongest is taken; the
    lowest of them is where the jar stands on the table. A ruler in the picture tells the tilt
    better: its ticks draw together with distance.

    Raises
    ------
    NoJarError
        There is no foot to be seen.
    """
    first, leans, lean_sd = 0.0, _LEANS, _LEAN_SD
    if ruler is not None:
        by_ruler = ruler.lean_of(jar.view, lambda lean: _leaned(jar, lean, 2.0).view)
        if abs(by_ruler) < 3 * _LEAN_SD:
            first, leans, lean_sd = by_ruler, _LEANS_BY_RULER, _LEAN_SD_BY_RULER

    @cache
    def look(lean: float, exponent: float, *, rough: bool) -> tuple[float, float, Jar]:
        tried = _leaned(jar, first + lean, exponent)
        return *foot_lines(bgr, tried, rough=rough), tried

    def weighed(lean: float, exponent: float, *, rough: bool) -> float:
        strength = look(lean, exponent, rough=rough)[0]
        return strength * float(np.exp(-0.5 * (lean / lean_sd) ** 2))

    def strongest(tries: Sequence[tuple[float, float]]) -> tuple[float, float]:
        """Lean and exponent; only what may be the strongest is looked at closely."""
        rough = [weighed(*own, rough=True) for own in tries]
        near = [t for t, own in zip(tries, rough, strict=True) if own >= _ROUGH * max(rough)]
        return max(near, key=lambda own: weighed(*own, rough=False)) if len(near) > 1 else near[0]

    _, exponent = strongest([(0.0, 2.0), (0.0, 5.0)])
    tries = [(0.0, exponent)]
    for near, far in leans.tolist():
        tries.append((near, exponent))
        # a foot that a lean makes weaker does not grow several times as strong beyond
        if look(near, exponent, rough=True)[0] > look(0.0, exponent, rough=True)[0]:
            tries.append((far, exponent))
    lean, _ = strongest(tries)
    strength, (_, contact, best) = (
        weighed(lean, exponent, rough=False),
        look(lean, exponent, rough=False),
    )
    if strength < 3.0:
        msg = "The foot of the jar could not be found; photograph the whole jar down to the table."
        raise NoJarError(msg)
    camera = best.view.camera
    raised = replace(camera, height_mm=camera.height_mm - contact - _BASE_MM)
    return replace(best, view=replace(best.view, camera=raised))
