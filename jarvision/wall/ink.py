"""Find dark lines on the glass: ridges that are darker than what is above and below them.

Depths are differences of the logarithm of the picture's values, in whole counts while they are
looked for: short integers take a quarter of the time. Thresholds were set on rendered photos with
lines drawn into them. True lines are as weak as the weakest that are followed, so that these cannot
be dropped earlier; grain looked at in fewer rows finds other marks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Mask, Places
from jarvision.jar.quick_arrays import median_of
from jarvision.jar.unwrap import ROW_MM
from jarvision.wall.outer_glass import CELL_MM, COUNTS, Counts, Glass

LEAST_DEPTH = 0.28  # dark bands in rendered layers stay under 0.2 but in the foot
_THICK_MM = (0.4, 0.7, 1.0, 1.5, 2.2, 3.0)
_THICK_ROWS = tuple(round(mm / ROW_MM) for mm in _THICK_MM)
GAP_MM, SIDE_MM = 0.3, 1.0  # kept clear of a line's edges, and the width of what it is held to
_GAP_ROWS, _SIDE_ROWS = round(GAP_MM / ROW_MM), round(SIDE_MM / ROW_MM)
_LEAST_SDS = 5.0  # a line stands out from the grain by so many of its sds
_STREAK = 0.65  # a thicker line goes before a darker streak of it
_USUAL_MM = 10.0  # grain is looked at so far below and above
_MOST_PATHS = 24
_CLIMB_ROWS = 2  # most of a line from one cell to the next
_PATIENCE_MM, _HOLD = 1.2, 0.35  # a line is lost where it is fainter than so much of its strongest


@dataclass(frozen=True, slots=True, eq=False)
class _Ridges:
    """How much darker each cell is than above and below it, and as how thick a line."""

    depths: Counts  # (thicknesses, rows, cells), 0 where it is no more than grain
    depth: Counts  # (rows, cells), the strongest of them
    nearby: Counts  # the strongest of those of a few rows
    wide: Counts  # the depth of wider stretches

    def thick_mm(self, rows: Places, cells: Places) -> Floats:
        """Thickness of the line at places."""
        depths = self.depths[:, rows, cells]
        good = depths >= _STREAK * depths.max(axis=0)
        last = len(_THICK_MM) - 1 - good[::-1].argmax(axis=0)
        return np.asarray(np.asarray(_THICK_MM, np.float32)[last])


def _ridges(cells: Counts) -> _Ridges | None:
    """Find the strongest depth over thicknesses and colours; None where no line can begin.

    `cells` are those of a `Glass`.
    """
    depths = _depths(cells)
    # a mean is as strong as that only where one of its cells is
    strong = depths.max(axis=0).max(axis=1) > LEAST_DEPTH * COUNTS
    if not strong.any():
        return None
    fourth = depths[:, ::4]
    # grain makes small dark spots, more so in thin rows
    both = _standing_out(np.concatenate([fourth, _widened(fourth)]), depths.shape[1])
    least, least_wide = np.split(both, 2)
    wide = _wide(depths, strong, least_wide)
    if not wide.any():
        return None
    depths *= depths >= least
    depth = depths.max(axis=0)
    nearby = cv2.dilate(depth, np.ones((2 * _CLIMB_ROWS + 1, 1), np.uint8))
    return _Ridges(depths, depth, np.asarray(nearby, dtype=np.int16), wide)


def _wide(depths: Counts, strong: Mask, least: Counts) -> Counts:
    """Find the strongest depth of wider stretches, (rows, cells), 0 where no line can begin.

    `strong` says which rows hold any place where one might.
    """
    each = _widened(depths[:, strong])
    each *= each >= np.maximum(least[:, strong], math.ceil(LEAST_DEPTH * COUNTS))
    wide = np.zeros(depths.shape[1:], np.int16)
    wide[strong] = each.max(axis=0)
    return wide


def _widened(depths: Counts) -> Counts:
    """Means of a few neighbouring cells, of depths (..., cells)."""
    rows = depths.reshape(-1, depths.shape[-1])
    wide = cv2.blur(rows, (5, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(wide.reshape(depths.shape), dtype=np.int16)


def _depths(cells: Counts) -> Counts:
    """How much darker rows are than both sides of a line of each thickness, in any colour.

    (thicknesses, rows, cells)
    """
    first, rows = _SIDE_ROWS + _GAP_ROWS, cells.shape[1]
    depths = np.zeros((len(_THICK_MM), *cells.shape[1:]), np.int16)
    spare = np.empty(cells.shape[1:], np.int16)
    for i, levels in enumerate(cells):
        means = _row_means(_smooth(levels))
        side = means[_SIDE_ROWS]
        for depth, n in zip(depths, _THICK_ROWS, strict=True):
            count = rows - 2 * first - n
            part = depth[first + n // 2 :][:count]
            over = spare[:count] if i else part
            np.minimum(side[:count], side[first + _GAP_ROWS + n :][:count], out=over)
            over -= means[n][first:][:count]
            if i:
                np.maximum(part, over, out=part)
    return depths


def _smooth(levels: Counts) -> Counts:
    """Means of three neighbouring cells, (rows, cells); twice as quick as `cv2.blur`."""
    smooth = np.empty_like(levels)
    flat, sums = levels.ravel(), smooth.ravel()  # all rows in one
    np.add(flat[:-2], flat[1:-1], out=sums[1:-1])
    sums[1:-1] += flat[2:]
    smooth[:, 0] = 2 * levels[:, 0] + levels[:, 1]
    smooth[:, -1] = levels[:, -2] + 2 * levels[:, -1]
    sums += 1  # to the nearest
    sums //= 3
    return smooth


def _row_means(levels: Counts) -> dict[int, Counts]:
    """Means of some numbers of rows, all products of 2 and 3, from each row on."""
    means = {1: levels}
    for n in (*_THICK_ROWS, _SIDE_ROWS):
        _add_mean(means, n)
    return means


def _add_mean(means: dict[int, Counts], n: int) -> None:
    """Add means of so many rows, from means of a half or a third of them."""
    if n in means:
        return
    parts = 3 if n % 2 else 2
    size = n // parts
    _add_mean(means, size)
    part = means[size]
    total = part[:-size] + part[size:]
    if parts == 3:
        total = total[:-size]
        total += part[2 * size :]
        total //= 3
    else:
        total >>= 1
    means[n] = total


def _standing_out(fourth: Counts, count: int) -> Counts:
    """Depth from which a line stands out from the grain near each row, (..., rows, 1).

    From every fourth row; a line's own rows are too few to count.
    """
    ranked = np.sort(np.abs(fourth), axis=2)
    half = ranked.shape[2] // 2
    each = (ranked[..., half] + ranked[..., -half - 1]) // 2
    reach = round(_USUAL_MM / ROW_MM / 4)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(each, ((0, 0), (reach, reach)), mode="reflect"), 2 * reach + 1, axis=1
    )
    usual = np.sort(windows[:, ::2], axis=2)[..., round(0.35 * 2 * reach)]
    near = _between(usual, 8)[:, :count]
    least = np.ceil(_LEAST_SDS * 1.4826 * near).clip(0, np.iinfo(np.int16).max)
    return np.asarray(least[..., None], dtype=np.int16)


def _between(values: Counts, times: int) -> Array:
    """Fill in between values (n, rows) so many rows apart, evenly; the last one goes on."""
    step = np.diff(values, axis=1, append=values[:, -1:])[..., None] / times
    filled = values[..., None] + step * np.arange(times)
    return np.asarray(filled.reshape(len(values), -1))


@dataclass(frozen=True, slots=True, eq=False)
class InkPath:
    """Where a line runs: its row in each of its cells, and about how thick it is."""

    cells: Places
    rows: Places
    thick_mm: float


def ink_paths(glass: Glass, low_mm: float, high_mm: float) -> Iterator[InkPath]:
    """Trace dark lines from their strongest place to both ends.

    Parameters
    ----------
    glass : Glass
    low_mm, high_mm : float
        Heights above the strip's zero between which they begin [mm].
    """
    ridges = _ridges(glass.cells)
    if ridges is None:
        return
    seeds = ridges.wide.copy()
    seeds[(glass.z_mm <= low_mm) | (glass.z_mm >= high_mm)] = 0
    for _ in range(_MOST_PATHS):
        row, cell = divmod(int(seeds.argmax()), seeds.shape[1])
        depth = float(seeds[row, cell])
        if depth < LEAST_DEPTH * COUNTS:
            return
        path = _traced(ridges, row, cell, depth)
        reach = round((1.0 + path.thick_mm / 2) / ROW_MM)
        near = path.rows[:, None] + np.arange(-reach, reach + 1)
        seeds[near.clip(0, len(seeds) - 1), path.cells[:, None]] = 0
        wide = slice(max(0, path.cells[0] - 4), path.cells[-1] + 5)
        seeds[max(0, row - reach) : row + reach + 1, wide] = 0
        yield path


def _traced(ridges: _Ridges, row: int, cell: int, depth: float) -> InkPath:
    """Follow a line both ways until it is gone for more than a millimetre."""
    left, right = (_followed(ridges, row, cell, step, _HOLD * depth) for step in (-1, 1))
    path = np.array([*reversed(left), row, *right])
    cells = np.arange(cell - len(left), cell + len(right) + 1)
    return InkPath(cells, path, float(median_of(ridges.thick_mm(path, cells))))


def _followed(ridges: _Ridges, row: int, cell: int, step: int, least: float) -> list[int]:
    """Rows of a line in each cell one way, as far as it is darker than the least."""
    patience, width = round(_PATIENCE_MM / CELL_MM), ridges.depth.shape[1]
    at, r, weak = cell + step, row, 0
    trail: list[int] = []
    while 0 <= at < width and weak <= patience:
        darkest = ridges.nearby.item(r, at)
        weak += 1
        if darkest > least:
            low = max(0, r - _CLIMB_ROWS)
            near: list[int] = ridges.depth[low : r + _CLIMB_ROWS + 1, at].tolist()
            r, weak = low + near.index(darkest), 0
        trail.append(r)
        at += step
    return trail[: len(trail) - weak]
