"""What is stuck on the outside of the glass, or stands before it: labels, rulers, tape.

The soil's boundaries run round the jar and nothing in the jar has long upright edges that are
straight. A label or a ruler has: its side is an upright edge, and inside it the picture does not
care what stands behind the glass. Columns under such a thing say nothing about layers. Looking on
the lower wall only gained nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Floats, Mask, Places
from jarvision.jar.colour import lab_of, length_of
from jarvision.jar.geometry import View
from jarvision.jar.quick_arrays import ranked_at
from jarvision.jar.unwrap import COLUMN_MM, ROW_MM, WallMap
from jarvision.jar.wall_features import pieces

_STEP_ROWS = 4  # rows that are looked at as one
_STEP_MM = _STEP_ROWS * ROW_MM
_APART = 4  # columns on each side that an upright edge is taken between
_SMOOTH_MM = 3.0  # an edge's step is averaged over this height
_LEAST_STEP = 5.0  # CIE Lab
_LEAST_SIDE_MM = 12.0  # a label's side is at least so high; common practice, no source
_RULER_MM = 70.0  # and a ruler or the edge of another thing before the jar
_MOST_LEAN = 0.12  # of a side against the upright
_LEAST_ACROSS_MM = 5.0
_PLAIN = 3.0  # CIE Lab: how much a label's ground differs from row to row
_END_ROWS = 6
_END_REACH = 9  # rows around the ends of a side in which the label's own ends are looked for
_MOST_TURN = 0.06  # of the ends against the sides, by perspective
_MARGIN_MM = 1.2  # of a thing's shadow on the glass
_HIGHEST_MM = 75.0
_LEAST_FREE_MM = 1.0  # free wall from which rows under a label are filled
_END_STEP = 6.0  # CIE Lab, across a label's upper and lower edge


@dataclass(frozen=True, slots=True)
class Cover:
    """A part of the wall that something on the glass hides.

    Attributes
    ----------
    left_rad, right_rad : float
        Azimuths of its sides [rad].
    low_mm, high_mm : float
        Heights of its lower and upper edge on the wall [mm].
    """

    left_rad: float
    right_rad: float
    low_mm: float
    high_mm: float

    @property
    def is_tall(self) -> bool:
        """Whether it reaches from foot to top, as a ruler does."""
        return self.high_mm - self.low_mm > _RULER_MM


@dataclass(frozen=True, slots=True)
class _Side:
    """An upright edge: column index at its middle, rows, and step from left to right."""

    column: float
    lean: float  # columns a row
    first: int
    last: int
    step: tuple[float, float, float]


def find_covers(wall: WallMap) -> tuple[Cover, ...]:
    """Find labels, rulers and the like that hide parts of the front wall in one photo.

    Higher up than `_HIGHEST_MM` nothing is looked for: what is framed there may be the background,
    seen between the water line and the lid, and no layer ends there.
    """
    found = []
    for piece in pieces(wall):
        if len(piece) * COLUMN_MM < 1.6 * _LEAST_ACROSS_MM:
            continue
        lab, azimuth = _reduced(wall, piece), wall.azimuth[piece]
        z = wall.z_mm[: len(lab) * _STEP_ROWS].reshape(-1, _STEP_ROWS).mean(axis=1)
        found += [
            Cover(float(azimuth[left]), float(azimuth[right]), float(z[first]), float(z[last]))
            for left, right, first, last in _boxes(lab, list(_sides(lab)))
            if z[first] < _HIGHEST_MM
        ]
    return tuple(found)


def covers_in(wall: WallMap, view: View, boxes_px: Array) -> tuple[Cover, ...]:
    """Give the parts of a wall that lie in boxes: left, top, right, bottom, (n, 4) [px]."""
    if not len(boxes_px):
        return ()
    z = wall.z_mm[::_STEP_ROWS]
    x, y = np.moveaxis(view.wall_px(wall.azimuth, (z + view.glass_drop_mm(z))[:, None]), -1, 0)
    found = []
    for left, top, right, bottom in boxes_px:
        rows, columns = np.nonzero((x >= left) & (x <= right) & (y >= top) & (y <= bottom))
        if len(rows):
            sides = wall.azimuth[[columns.min(), columns.max()]]
            found.append(Cover(*map(float, (*sides, z[rows.min()], z[rows.max()]))))
    return tuple(found)


def free_columns(wall: WallMap, covers: Sequence[Cover]) -> Mask:
    """Tell which columns of a wall stand clear of all that covers some, (columns,)."""
    keep = np.ones(len(wall.azimuth), dtype=bool)
    margin = round(_MARGIN_MM / COLUMN_MM)
    for cover in covers:
        inside = np.flatnonzero(
            (wall.azimuth >= cover.left_rad) & (wall.azimuth <= cover.right_rad)
        )
        keep[max(inside[0] - margin, 0) : inside[-1] + margin + 1] = False
    return keep


def uncovered(wall: WallMap, covers: Sequence[Cover], least_mm: float) -> WallMap | None:
    """Give a wall without what covers parts of it; None where that leaves too little.

    Where enough free wall stands beside, covered columns are left out. Else the rows under a label
    are filled from what glass stands free beside it, so that the columns still show what lies over
    and under the label.

    Parameters
    ----------
    wall : WallMap
        The unrolled wall.
    covers : sequence of Cover
        What hides parts of it.
    least_mm : float
        Width of free wall from which columns are left out [mm].
    """
    if not covers:
        return wall
    free = free_columns(wall, covers)
    if free.sum() * COLUMN_MM >= least_mm:
        return replace(
            wall, azimuth=wall.azimuth[free], bgr=np.ascontiguousarray(wall.bgr[:, free])
        )
    if free.sum() * COLUMN_MM < _LEAST_FREE_MM or any(c.is_tall for c in covers):
        return None
    bgr = wall.bgr.copy()
    for cover in covers:
        _fill(wall, bgr, cover, free)
    return replace(wall, bgr=bgr)


def _fill(wall: WallMap, bgr: NDArray[np.uint8], cover: Cover, free: Mask) -> None:
    """Fill the rows under a label from free columns, in the light that falls on its own."""
    z, own = wall.z_mm, np.flatnonzero(~free)
    low, high = cover.low_mm - _MARGIN_MM, cover.high_mm + _MARGIN_MM
    rows = (z > low) & (z < high)
    # to and fro, since a seam would pass for grain
    fro = np.concatenate([np.flatnonzero(free), np.flatnonzero(free)[::-1]])
    source = np.resize(fro, len(own))
    lights, at = [], []
    for first, last in ((max(low - 4.0, 1.0), low), (high, high + 4.0)):
        beside = (z > first) & (z < last)
        if beside.sum() > 8:
            mean = wall.bgr[beside].mean(axis=0) + 1.0
            lights.append(mean[own] / mean[source])
            at.append((first + last) / 2)
    if not lights:
        return
    part = np.interp(z[rows], at, np.arange(len(at)))[:, None, None]
    light = lights[0] * (1 - part) + lights[-1] * part
    filled = wall.bgr[rows][:, source] * light
    bgr[np.ix_(rows, own)] = np.clip(filled, 0, 255).astype(np.uint8)


def _reduced(wall: WallMap, piece: Places) -> Floats:
    """CIE Lab of a piece in steps of several rows."""
    rows = len(wall.z_mm) // _STEP_ROWS
    part = wall.bgr[: rows * _STEP_ROWS, piece[0] : piece[-1] + 1]
    each = part.reshape(rows, _STEP_ROWS, *part.shape[1:])
    mean = each[:, 0].astype(np.uint16)  # means by hand: several times quicker than `cv2.resize`
    for other in range(1, _STEP_ROWS):
        mean += each[:, other]
    mean += _STEP_ROWS // 2 - 1 + (mean // _STEP_ROWS & 1)  # halves to even
    return lab_of((mean // _STEP_ROWS).astype(np.uint8))


def _sides(lab: Floats) -> Iterator[_Side]:
    """Find upright edges."""
    at = np.arange(_APART + 1, lab.shape[1] - _APART)
    across = np.repeat([-1.0, 0.0, 1.0], [_APART, 1, _APART]) / _APART
    high = round(_SMOOTH_MM / _STEP_MM)
    up = np.full(high, 1.0 / high)
    steps = cv2.sepFilter2D(lab, -1, across, up, anchor=(_APART + 1, high // 2))
    smooth = np.asarray(steps[:, at[0] : at[-1] + 1], dtype=np.float32)
    size = length_of(smooth)
    peak = size >= cv2.dilate(size, np.ones((1, 5)))
    on = peak & (size > _LEAST_STEP)
    joined = cv2.dilate(on.view(np.uint8), np.ones((3, 3), np.uint8))
    rows, columns = np.divmod(np.flatnonzero(on), on.shape[1])
    # nine tenths of the time with their statistics, which the few points tell as well
    _, labels = cv2.connectedComponents(joined, connectivity=8)
    own = labels[rows, columns]
    order = np.argsort(own, kind="stable")
    own, rows, columns = own[order], rows[order], columns[order]
    ends = np.flatnonzero(np.append(own[1:] != own[:-1], [True] * bool(len(own)))) + 1
    for first, last in zip([0, *ends], ends, strict=False):
        part = slice(first, last)
        if (rows[last - 1] - rows[first]) * _STEP_MM >= _LEAST_SIDE_MM:  # they ascend
            yield from _straight(rows[part], at[columns[part]], smooth[rows[part], columns[part]])


def _straight(rows: Places, columns: Places, step: Floats) -> Iterator[_Side]:
    """Give a run of edge points as a side where it is straight and upright."""
    lean, at = np.polyfit(rows, columns, 1)
    off = columns - (lean * rows + at)
    keep = np.abs(off) < 1.5
    if keep.mean() < 0.8 or abs(lean) * COLUMN_MM / _STEP_MM > _MOST_LEAN:
        return
    mean = np.median(step[keep], axis=0)
    middle = lean * (rows.min() + rows.max()) / 2 + at
    yield _Side(
        float(middle),
        float(lean),
        int(rows.min()),
        int(rows.max()),
        (float(mean[0]), float(mean[1]), float(mean[2])),
    )


def _boxes(lab: Floats, sides: Sequence[_Side]) -> Iterator[tuple[int, int, int, int]]:
    """Find labels and rulers: (left, right, first row, last row) of each."""
    width = lab.shape[1] - 1
    for side in sides:
        spans = {}
        for right_of in (True, False):
            end = _other_side(side, sides, width, right_of=right_of)
            left, right = (round(side.column), end) if right_of else (end, round(side.column))
            if (right - left) * COLUMN_MM >= _LEAST_ACROSS_MM:
                spans[right_of] = left, right
        plain = {r: _unevenness(lab, side, *span) for r, span in spans.items()}
        if (side.last - side.first) * _STEP_MM > _RULER_MM:
            if len(plain) == 2 and 2 * min(plain.values()) < max(plain.values()):
                left, right = spans[min(plain, key=lambda r: plain[r])]
                if left == 0 or right == width:
                    yield left, right, 0, len(lab) - 1
            continue
        ends = {r: _ends(lab, side, *span) for r, span in spans.items() if plain[r] < _PLAIN}
        framed = [(spans[r], rows) for r, rows in ends.items() if rows is not None]
        if len(framed) == 1:
            (left, right), (first, last) = framed[0]
            yield left, right, first, last


def _other_side(side: _Side, sides: Sequence[_Side], width: int, *, right_of: bool) -> int:
    """Column of the opposite side of a thing; the piece's border where it has none here."""
    best = width if right_of else 0
    for other in sides:
        ahead = other.column - side.column if right_of else side.column - other.column
        same = abs(other.first - side.first) + abs(other.last - side.last)
        facing = -float(np.dot(other.step, side.step))
        if ahead * COLUMN_MM > _LEAST_ACROSS_MM and same * _STEP_MM < 6.0 and facing > 0:
            at = round(other.column)
            best = min(best, at) if right_of else max(best, at)
    return best


def _unevenness(lab: Floats, side: _Side, left: int, right: int) -> float:
    """How much the ground of a thing differs from row to row, writing apart [CIE Lab]."""
    first, last = side.first + _END_ROWS, side.last - _END_ROWS
    inside = lab[first : last + 1, left + 4 : max(right - 3, left + 5)]
    rows = ranked_at(np.moveaxis(inside, 1, 2), 0.7)
    at = np.linspace(-1, 1, len(rows))
    basis = np.stack([np.ones_like(at), at, at**2], axis=1)
    off = rows - basis @ np.linalg.lstsq(basis, rows, rcond=None)[0]
    return float(np.linalg.norm(ranked_at(np.abs(off).T, 0.8)))


def _ends(lab: Floats, side: _Side, left: int, right: int) -> tuple[int, int] | None:
    """Rows where the thing ends below and above, all across; None where it does not end there."""
    steps = _steps_up(lab[:, left + 3 : right - 2 : 3])
    found = []
    for row in (side.first, side.last):
        # the side may run on into an edge of something else
        near = np.arange(max(row - _END_REACH, 0), min(row + _END_REACH + 1, len(lab)))
        sizes = _end_steps(steps, side, near, left)
        if sizes.max() < _END_STEP:
            return None
        found.append(int(near[round(float(np.mean(np.flatnonzero(sizes > 0.9 * sizes.max()))))]))
    tall_enough = (found[1] - found[0]) * _STEP_MM >= _LEAST_SIDE_MM
    return (found[0], found[1]) if tall_enough else None


def _steps_up(lab: Floats) -> Floats:
    """Colour step from the three rows under each row to the three over it, (rows, columns)."""
    sums = np.cumsum(np.pad(lab, ((1, 0), (0, 0), (0, 0))), axis=0, dtype=np.float64)
    rows, last = np.arange(len(lab)), len(lab)
    low, high = np.maximum(rows - 3, 0), np.minimum(rows + 4, last)
    under = (sums[rows] - sums[low]) / np.maximum(rows - low, 1)[:, None, None]
    over = sums[high] - sums[np.minimum(rows + 1, last)]
    step = over / np.maximum(high - rows - 1, 1)[:, None, None] - under
    step[(rows == low) | (high <= rows + 1)] = 0.0
    return length_of(step.astype(np.float32))


def _end_steps(steps: Floats, side: _Side, near: Places, left: int) -> Array:
    """Colour step of three quarters of the columns across an end at rows of the side, (rows,)."""
    if not steps.shape[1]:
        return np.zeros(len(near))
    turn = -side.lean * (COLUMN_MM / _STEP_MM) ** 2  # rows a column, of an upright rectangle turned
    far = left + 3 * np.arange(1, steps.shape[1] + 1) - side.column
    reach = 2 + np.rint(_MOST_TURN * np.abs(far) * COLUMN_MM / _STEP_MM).astype(int)
    around = np.arange(-reach.max(), reach.max() + 1)
    rows = near[:, None, None] + np.rint(turn * far).astype(int) + around[:, None]
    is_there = (np.abs(around)[:, None] <= reach) & (rows >= 0) & (rows < len(steps))
    each = steps[rows.clip(0, len(steps) - 1), np.arange(steps.shape[1])]
    return ranked_at(np.where(is_there, each, 0.0).max(axis=1), 0.25)
