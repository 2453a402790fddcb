"""Count the jars in a picture that carry no strip.

A jar shows as a stack of level edges of one width (lid, water line, tops of layers, foot), whose
ends lie on two upright edges. Boxes have no edges between top and foot, and the gap between two
jars has none but the table's; patterns on table and wall have no upright edges at the ends. Beside
strips such jars are named as unread; a photo without any strip that shows several is refused
(`run.plan`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Floats, Picture, Places
from jarvision.jar.colour import lab_of, length_of, made_small
from jarvision.jar.geometry import SHOULDER_MM
from jarvision.jar.strip import Strip

_Stack: TypeAlias = tuple[float, float, float, float]  # left, right, top, foot [px, small picture]

# Long side of the picture in which jars are counted; finer lines are patterns. Chosen among 360
# to 640 on the pictures whose counts stand in DEVELOPERS.md, which flatters them.
_SMALL_PX = 400
_LEAST_STEP = 1.6  # CIE Lab over four rows
_LEAST_WIDTH = 0.035  # of the picture's long side
_BRIDGES_PX = (3, 7, 11)  # gaps in an edge, as from shine, that are bridged
_LEAST_EDGES = 3
_SHAPE = (0.9, 3.0)  # height over width of what is seen of a jar
_SAME_ENDS = 0.09  # of the width: how well the ends of a jar's level edges agree
_LEAN = 0.06  # of the width: how far walls lean in perspective, and lids stand out
_WALL_STEP, _WALL_PART = 2.0, 0.7  # CIE Lab across a wall, and over how much of its length
_FOOT_APART = 0.35  # of their height: how far apart the feet of jars on one table may show
_LEAST_RISE = 0.65  # of their height: what rises less is a pattern that lies on the table
_SIZES_APART = 2.2
_PART, _SURELY_PART = 0.25, 0.6  # of the narrower: what a part of a jar with a strip shares with it


@dataclass(frozen=True, slots=True)
class JarPlace:
    """Where something like a jar stands in a picture [working px]."""

    left_px: float
    right_px: float
    top_px: float
    foot_px: float

    @property
    def height_px(self) -> float:
        """Height of what is seen of it."""
        return self.foot_px - self.top_px

    def holds(self, strip: Strip) -> bool:
        """Whether a strip is on it."""
        x, y = strip.corners_px.reshape(-1, 2).mean(axis=0)
        return bool(self.left_px < x < self.right_px and self.top_px < y < self.foot_px)


def on_table(found: Sequence[JarPlace], strips: Sequence[Strip]) -> list[JarPlace]:
    """Keep places that carry no strip and whose foot and size are those of a jar beside the others.

    Parameters
    ----------
    found : sequence of JarPlace
        From `places`.
    strips : sequence of Strip
        The strips in the picture; without any, the largest place stands on the table.
    """
    unmarked = [place for place in found if not any(map(place.holds, strips))]
    feet = [float(strip.axis_px()[0][1]) for strip in strips]
    heights = [SHOULDER_MM * strip.px_per_mm for strip in strips]
    if not strips and unmarked:
        largest = max(unmarked, key=lambda p: p.height_px)
        feet, heights = [largest.foot_px], [largest.height_px]
    return [place for place in unmarked if _is_beside(place, feet, heights)]


def count_unmarked(found: Sequence[JarPlace], sides_px: Sequence[Array]) -> int:
    """Count the places that are no part of a jar with a strip, nor the gap between two.

    Parameters
    ----------
    found : sequence of JarPlace
        From `on_table`.
    sides_px : sequence of (2, 2, 2) array
        Sides of the jars with strips, from `jarvision.jar.view_fit.sides_px`.
    """
    return sum(
        not any(_overlaps(place, sides) for sides in sides_px) and not _is_gap(place, sides_px)
        for place in found
    )


def lies_within(place: JarPlace, left_px: float, right_px: float) -> bool:
    """Whether so much of a place lies between two walls that it is surely a part of that jar.

    Parameters
    ----------
    place : JarPlace
        From `on_table`.
    left_px, right_px : float
        Columns of the walls beside a strip, before a view is fitted to them.
    """
    return _shared(place, left_px, right_px) > _SURELY_PART


def _overlaps(place: JarPlace, sides_px: Array) -> bool:
    left, right = sides_px[..., 0].mean(axis=1)
    return _shared(place, left, right) > _PART


def _shared(place: JarPlace, left_px: float, right_px: float) -> float:
    """Which part of the narrower of a place and a jar they share."""
    shared = min(place.right_px, right_px) - max(place.left_px, left_px)
    return shared / min(place.right_px - place.left_px, right_px - left_px)


def _is_gap(place: JarPlace, sides_px: Sequence[Array]) -> bool:
    """Whether a place is what shows between two jars."""
    near = 0.2 * (place.right_px - place.left_px)
    ends = [sides[..., 0].mean(axis=1) for sides in sides_px]
    after = any(abs(place.left_px - right) < near for _, right in ends)
    return after and any(abs(place.right_px - left) < near for left, _ in ends)


def _is_beside(place: JarPlace, feet: Sequence[float], heights: Sequence[float]) -> bool:
    return any(
        abs(place.foot_px - foot) < _FOOT_APART * height
        and foot - place.top_px > _LEAST_RISE * height
        and 1.0 / _SIZES_APART < place.height_px / height < _SIZES_APART
        for foot, height in zip(feet, heights, strict=True)
    )


def places(bgr: Picture, halves: Picture | None = None) -> list[JarPlace]:
    """Find what looks like a jar, from left to right; none overlaps another.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    halves : (h', w', 3) uint8 array, optional
        The same from `often_halved`, no shorter than 400 px, where it was made already.
    """
    scale = max(bgr.shape[:2]) / _SMALL_PX
    lab = lab_of(made_small(_quartered(bgr) if halves is None else halves, _SMALL_PX))
    is_edge = length_of(cv2.subtract(lab[:, 3:], lab[:, :-3])) > _WALL_STEP
    upto = np.asarray(cv2.integral(is_edge.view(np.uint8)), dtype=np.int32)
    kept: list[_Stack] = []
    for stack in _stacks(_level_arcs(lab)):
        if not any(_meet(stack, other) for other in kept) and _has_walls(upto, stack):
            kept.append(stack)
    return [JarPlace(*(scale * edge for edge in stack)) for stack in sorted(kept)]


def _quartered(bgr: Picture) -> Picture:
    """Make a picture a quarter as large as often as it stays large enough, by half of its pixels.

    The middle four of sixteen are averaged: jars are much coarser than what that leaves out.
    """
    while max(bgr.shape[:2]) >= 4 * _SMALL_PX:
        height, width = bgr.shape[0] // 4, bgr.shape[1] // 4
        even = bgr[: 4 * height, : 4 * width]
        quarter = cv2.resize(even, (width, height), interpolation=cv2.INTER_LINEAR)
        bgr = np.asarray(quarter, dtype=np.uint8)
    return bgr


def _meet(one: _Stack, other: _Stack) -> bool:
    beside = one[1] < other[0] + 3 or one[0] > other[1] - 3
    return not (beside or one[3] < other[2] or one[2] > other[3])


def _level_arcs(lab: Floats) -> Array:
    """Level edges longer than a narrow jar is wide: (n, 3), left and right end and row."""
    blurred = cv2.GaussianBlur(lab, (17, 5), sigmaX=2.4, sigmaY=0.7)  # cut off at 3 sd
    kernel = np.array([[-0.5], [-0.5], [0.0], [0.5], [0.5]], dtype=np.float32)
    step = length_of(cv2.filter2D(blurred, -1, kernel))
    ridge = (step >= cv2.dilate(step, np.ones((5, 1), np.uint8))) & (step > _LEAST_STEP)
    return _joined(ridge.view(np.uint8))


def _joined(ridge: Picture) -> Array:
    """Level edges (n, 3) with gaps bridged in each way: copies below each other, labelled once."""
    rows, columns = ridge.shape
    joined = np.zeros((len(_BRIDGES_PX), rows + 2, columns + 1), np.uint8)
    for copy, bridge in zip(joined, _BRIDGES_PX, strict=True):
        copy[:-2, 1:] = cv2.dilate(ridge, np.ones((1, bridge), np.uint8))
    left, width, top, height, middle = _measured(joined.reshape(-1, columns + 1))
    level = (width > 0.03 * _SMALL_PX) & (height < 0.4 * width + 3)
    arcs: Array = np.array([left - 1, left + width - 2, middle - top + top % (rows + 2)])
    return arcs.T[level]


def _measured(marked: Picture) -> tuple[Array, Array, Array, Array, Array]:
    """Left column, width, top row, height and mean row of each piece.

    None may touch the first column. By runs along rows: OpenCV's own statistics look at every
    pixel and take longer than the labels.
    """
    _, labels = cv2.connectedComponents(marked, connectivity=8, ltype=cv2.CV_16U)
    line = marked.ravel()
    turns = np.flatnonzero(line[1:] != line[:-1]) + 1
    start, size, of = turns[::2], np.diff(turns)[::2], labels.ravel()[turns[::2]]
    by_label = np.argsort(of, kind="stable")
    start, size, of = start[by_label], size[by_label], of[by_label]
    first = np.flatnonzero(np.diff(of, prepend=np.uint16(0)))
    if not len(first):
        none = np.empty(0)
        return none, none, none, none, none
    row, left = np.divmod(start, marked.shape[1])
    low, after = np.minimum.reduceat(left, first), np.maximum.reduceat(left + size, first)
    top, foot = row[first], row[np.append(first[1:], len(row)) - 1]
    middle = np.add.reduceat(row * size, first) / np.add.reduceat(size, first)
    return low, after - low, top, foot - top + 1, middle


def _stacks(arcs: Array) -> list[_Stack]:
    """Stacks of arcs with the same ends: left, right, top, foot; the one with most arcs first."""
    wide = arcs[arcs[:, 1] - arcs[:, 0] >= _LEAST_WIDTH * _SMALL_PX]
    arcs = arcs[np.argsort(arcs[:, 2], kind="stable")]
    if not len(wide):
        return []
    width = wide[:, 1] - wide[:, 0]
    of, which = _with_same_ends(wide, arcs, np.ceil(_SAME_ENDS * width + 2))
    rows, first = arcs[which, 2], np.searchsorted(of, np.arange(len(wide)))
    last = np.append(first[1:], len(rows)) - 1
    apart = np.diff(rows, prepend=0.0) > 0.06 * width[of]
    apart[first] = True
    edges = np.add.reduceat(apart, first, dtype=np.intp)
    top, foot = rows[first], rows[last]
    tall = (foot - top) / width
    ends = (_medians(arcs[which, i], of, first, last) for i in (0, 1))
    found = np.stack([-edges, -width, *ends, top, foot], axis=1)
    found = found[(edges >= _LEAST_EDGES) & (tall > _SHAPE[0]) & (tall < _SHAPE[1])]
    found = found[np.lexsort((found[:, 1], found[:, 0])), 2:]
    return [(left, right, top, foot) for left, right, top, foot in found.tolist()]


def _medians(px: Array, of: Places, first: Places, last: Places) -> Array:
    """Median of the whole pixels of each stack, whose arcs stand from a first to a last place."""
    apart = 4 * _SMALL_PX  # more than any pixel
    ranked = np.sort(of * apart + px.astype(np.intp)) % apart
    half = (last - first + 1) // 2
    return np.asarray((ranked[first + half] + ranked[last - half]) / 2)


def _with_same_ends(wide: Array, arcs: Array, near: Array) -> tuple[Places, Places]:
    """Pairs of numbers of a wide arc and of any whose ends are nearer than so much, in order."""
    by_left = np.argsort(arcs[:, 0])
    left = arcs[by_left, 0]  # whole pixels
    first = np.searchsorted(left, wide[:, 0] - near, side="right")
    count = np.searchsorted(left, wide[:, 0] + near) - first
    of = np.repeat(np.arange(len(wide)), count)
    which = by_left[np.arange(len(of)) + np.repeat(first - np.cumsum(count) + count, count)]
    alike = np.abs(arcs[which, 1] - wide[of, 1]) < near[of]
    return np.divmod(np.sort(of[alike] * len(arcs) + which[alike]), len(arcs))


def _has_walls(upto: NDArray[np.int32], stack: _Stack) -> bool:
    """Whether upright edges, summed up to each row and column, run along both ends of a stack."""
    left, right, top, foot = stack
    rows, last = slice(round(top), round(foot) + 2), upto.shape[1] - 2
    reach = max(3, round(_LEAN * (right - left)))
    for end in (left, right):
        first, after = (round(end) + side * reach - 1 for side in (-1, 1))
        inside = upto[rows, min(max(after, 0), last) + 1] - upto[rows, min(max(first, 0), last)]
        if (np.diff(inside) > 0).mean() < _WALL_PART:
            return False
    return True
