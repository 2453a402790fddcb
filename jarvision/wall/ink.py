"""Find dark lines on the glass: ridges that are darker than what is above and below them.

Depths are differences of the logarithm of the picture's values, in whole counts while they are
looked for: short integers take a quarter of the time. Thresholds were set on rendered photos with
lines drawn into them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.jar.unwrap import COLUMN_MM, ROW_MM
from jarvision.wall.surface import (
    CELL_MM,
    COUNTS,
    TOGETHER,
    Bins,
    Counts,
    Floats,
    Glass,
    Mask,
    binned,
    median_of,
)

Array: TypeAlias = NDArray[np.float64]
Places: TypeAlias = NDArray[np.intp]

LEAST_DEPTH = 0.28  # dark bands in rendered layers stay under 0.2 but in the foot
_THICK_MM = (0.4, 0.7, 1.0, 1.5, 2.2, 3.0)
_THICK_ROWS = tuple(round(mm / ROW_MM) for mm in _THICK_MM)
_GAP_MM, _SIDE_MM = 0.3, 1.0  # kept clear of a line's edges, and the width of what it is held to
_GAP_ROWS, _SIDE_ROWS = round(_GAP_MM / ROW_MM), round(_SIDE_MM / ROW_MM)
_LEAST_SDS = 5.0  # a line stands out from the grain by so many of its sds
_STREAK = 0.65  # a thicker line goes before a darker streak of it
_USUAL_MM = 10.0  # grain is looked at so far below and above
_MOST_PATHS = 24
_PATIENCE_MM, _HOLD = 1.2, 0.35  # a line is lost where it is fainter than so much of its strongest


@dataclass(frozen=True, slots=True, eq=False)
class _Ridges:
    """How much darker each cell is than above and below it, and as how thick a line."""

    depths: Counts  # (thicknesses, rows, cells), 0 where it is no more than grain
    depth: Counts  # (rows, cells), the strongest of them
    wide: Counts  # the same of wider stretches

    def thick_mm(self, rows: Places, cells: Places) -> Floats:
        """Thickness of the line at places."""
        depths = self.depths[:, rows, cells]
        good = depths >= _STREAK * depths.max(axis=0)
        last = len(_THICK_MM) - 1 - good[::-1].argmax(axis=0)
        return np.asarray(np.asarray(_THICK_MM, np.float32)[last])


def _ridges(cells: Counts) -> _Ridges | None:
    """Find the strongest depth over thicknesses and colours; None where no line can begin."""
    depths = _depths(cells)
    wide = _wide(depths)
    if wide is None:
        return None
    # grain makes small dark spots, more so in thin rows
    depths *= depths >= _standing_out(depths[:, ::4], len(cells))
    return _Ridges(depths, depths.max(axis=0), wide)


def _wide(depths: Counts) -> Counts | None:
    """Find the strongest depth of wider stretches, (rows, cells), 0 where no line can begin."""
    places = np.flatnonzero(depths > LEAST_DEPTH * COUNTS)
    if not len(places):
        return None
    strong = np.zeros(depths.shape[:2], dtype=np.bool_)
    strong.flat[places // depths.shape[2]] = True
    least = _standing_out(_widened(depths[:, ::4]), depths.shape[1])
    wide = np.zeros(depths.shape[1:], np.int16)
    for depth, on, grain in zip(depths, strong, least, strict=True):
        if on.any():
            each = _widened(depth[on])
            wide[on] = np.maximum(wide[on], each * (each >= grain[on]))
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
    smooth = cv2.blur(cells, (3, 1), borderType=cv2.BORDER_REPLICATE)
    first = _SIDE_ROWS + _GAP_ROWS
    depths = np.zeros((len(_THICK_MM), *cells.shape[:2]), np.int16)
    for i, levels in enumerate(cv2.split(smooth)):
        means = _row_means(np.asarray(levels, dtype=np.int16))
        for depth, n in zip(depths, _THICK_ROWS, strict=True):
            count = len(cells) - 2 * first - n
            over = np.minimum(
                means[_SIDE_ROWS][:count], means[_SIDE_ROWS][first + _GAP_ROWS + n :][:count]
            )
            over -= means[n][first:][:count]
            part = depth[first + n // 2 :][:count]
            np.maximum(part if i else over, over, out=part)
    return depths


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
        total = total[:-size] + part[2 * size :]
    total //= parts
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
    rows = np.arange(count)
    near = np.stack([np.interp(rows, rows[::8], u) for u in usual])
    least = np.ceil(_LEAST_SDS * 1.4826 * near).clip(0, np.iinfo(np.int16).max)
    return np.asarray(least[..., None], dtype=np.int16)


@dataclass(frozen=True, slots=True, eq=False)
class _InkPath:
    """Where a line runs: its row in each of its cells, and about how thick it is."""

    cells: Places
    rows: Places
    thick_mm: float


def _paths(glass: Glass, low_mm: float, high_mm: float) -> Iterator[_InkPath]:
    """Trace dark lines from their strongest place to both ends."""
    ridges = _ridges(glass.cells)
    if ridges is None:
        return
    seeds = ridges.wide * ((glass.z_mm > low_mm) & (glass.z_mm < high_mm))[:, None]
    for _ in range(_MOST_PATHS):
        row, cell = (int(i) for i in np.unravel_index(int(seeds.argmax()), seeds.shape))
        depth = float(seeds[row, cell])
        if depth < LEAST_DEPTH * COUNTS:
            return
        path = _traced(ridges, row, cell, depth)
        reach = round((1.0 + path.thick_mm / 2) / ROW_MM)
        for r, c in zip(path.rows, path.cells, strict=True):
            seeds[max(0, r - reach) : r + reach + 1, c] = 0
        wide = slice(max(0, path.cells[0] - 4), path.cells[-1] + 5)
        seeds[max(0, row - reach) : row + reach + 1, wide] = 0
        yield path


def _traced(ridges: _Ridges, row: int, cell: int, depth: float) -> _InkPath:
    """Follow a line both ways until it is gone for more than a millimetre."""
    patience, climb = round(_PATIENCE_MM / CELL_MM), 2
    rows = {cell: row}
    for step in (-1, 1):
        at, r, weak = cell + step, row, 0
        trail: list[tuple[int, int]] = []
        while 0 <= at < ridges.depth.shape[1] and weak <= patience:
            near = ridges.depth[max(0, r - climb) : r + climb + 1, at]
            darkest = int(near.argmax())
            if near[darkest] > _HOLD * depth:
                r, weak = max(0, r - climb) + darkest, 0
            else:
                weak += 1
            trail.append((at, r))
            at += step
        rows.update(trail[: len(trail) - weak])
    cells = np.array(sorted(rows))
    path = np.array([rows[int(c)] for c in cells])
    return _InkPath(cells, path, float(median_of(ridges.thick_mm(path, cells))))


def ink_lines(glass: Glass, low_mm: float, high_mm: float) -> list[Bins]:
    """Find and measure dark lines on one side of the strip.

    Parameters
    ----------
    glass : Glass
    low_mm, high_mm : float
        Heights above the strip's zero between which they begin [mm].
    """
    cut = [_cut(glass, path) for path in _paths(glass, low_mm, high_mm)]
    return _joined(_measured(glass, [c for c in cut if c is not None]))


# --- a line measured piece by piece ---------------------------------------------------------------
_BIN_MM = 1.2
_LEAST_BINS = 3
_PROFILE_MM, _THICKEST_MM = 5.5, 3.8
_PROFILE_ROWS = 2 * round(_PROFILE_MM / ROW_MM) + 1
_FARTHEST_MM = _PROFILE_MM - _GAP_MM - _SIDE_MM  # of an edge from the middle of a profile


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A line cut into pieces: its columns, the row of each, and how many are in each piece."""

    columns: Places
    rows: Places
    sizes: Places
    thick_mm: float


def _cut(glass: Glass, path: _InkPath) -> _Cut | None:
    """Cut a line into pieces; None where it is too short or too near the end of the wall."""
    columns = np.arange(path.cells[0] * TOGETHER, (path.cells[-1] + 1) * TOGETHER)
    count = max(1, round(len(columns) * COLUMN_MM / _BIN_MM))
    if count < _LEAST_BINS:
        return None
    smooth = cv2.blur(path.rows.astype(np.float32)[:, None], (1, 5))[:, 0]
    along = (columns - (TOGETHER - 1) / 2) / TOGETHER
    rows = np.rint(np.interp(along, path.cells, smooth)).astype(int)
    reach = _PROFILE_ROWS // 2
    if rows.min() < reach or rows.max() + reach >= len(glass.z_mm):
        return None
    sizes = np.full(count, len(rows) // count)
    sizes[: len(rows) % count] += 1
    return _Cut(columns, rows, sizes, path.thick_mm)


def _measured(glass: Glass, cut: Sequence[_Cut]) -> list[Bins]:
    """Measure both edges of lines in pieces of their length; without lines that have none."""
    if not cut:
        return []
    columns, rows, sizes = (
        np.concatenate([getattr(c, name) for c in cut]) for name in ("columns", "rows", "sizes")
    )
    starts = np.cumsum(sizes) - sizes
    reach = _PROFILE_ROWS // 2
    window = rows[:, None] + np.arange(-reach, reach + 1)
    logs = glass.log_at(window, columns[:, None])
    sums = np.add.reduceat(logs, starts, axis=0).astype(np.float64)
    counts = np.array([len(c.sizes) for c in cut])
    half_mm = np.array([c.thick_mm for c in cut]) / 2
    usual = np.add.reduceat(sums, np.cumsum(counts) - counts, axis=0)
    usual /= np.array([len(c.columns) for c in cut])[:, None, None]
    about = np.stack([-half_mm, half_mm], axis=1)
    owner = np.repeat(np.arange(len(cut)), counts)
    # each line in its own colour
    weights = np.maximum(_depth_of(_run(usual), about), 0.0)
    weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1e-6)
    profile = sums / sizes[:, None, None]
    blue, green, red = (profile[..., i] * weights[owner, i, None] for i in range(3))
    line = blue + green + red
    span, found = _edges(line, about[owner])
    below, above, inside = _levels(_run(profile), span)
    beside = np.minimum(below, above)
    arc, z = (
        np.add.reduceat(each, starts) / sizes for each in (glass.arc_mm[columns], glass.z_mm[rows])
    )
    table = np.column_stack([arc, z[:, None] + span, beside - inside, beside])
    each = (table[found & (owner == i)] for i in range(len(cut)))
    return [binned(rows) for rows in each if len(rows) >= _LEAST_BINS]


def _heights(count: int) -> Array:
    """Heights of a profile's rows above its middle [mm]."""
    return np.asarray((np.arange(count) - count // 2) * ROW_MM, dtype=np.float64)


def _run(profiles: Array) -> Array:
    """Sum all rows before each row of profiles (n, rows, ...), and all rows."""
    run = np.zeros((len(profiles), profiles.shape[1] + 1, *profiles.shape[2:]))
    np.cumsum(profiles, axis=1, out=run[:, 1:])
    return run


def _levels(run: Array, spans: Array) -> tuple[Array, Array, Array]:
    """Means of profiles below, above and inside a line between heights (n, 2), from `_run`."""
    at = _heights(run.shape[1] - 1)
    low, high = spans.T
    middle, half = (low + high) / 2, np.maximum(0.3 * (high - low), 0.8 * ROW_MM)
    i = np.arange(len(run))

    def mean(first: Places, last: Places) -> Array:
        count = (last - first).reshape(-1, *[1] * (run.ndim - 2))
        return np.asarray((run[i, last] - run[i, first]) / count)

    return (
        mean(_above(at, low - _GAP_MM - _SIDE_MM), np.searchsorted(at, low - _GAP_MM)),
        mean(_above(at, high + _GAP_MM), np.searchsorted(at, high + _GAP_MM + _SIDE_MM)),
        mean(np.searchsorted(at, middle - half), _above(at, middle + half)),
    )


def _above(at: Array, heights: Array) -> Places:
    """First rows that lie above heights."""
    return np.searchsorted(at, heights, side="right")


def _depth_of(run: Array, spans: Array) -> Array:
    """Depth of lines in profiles against the darker of their sides, (n, 3), from `_run`."""
    below, above, inside = _levels(run, spans)
    return np.asarray(np.minimum(below, above) - inside, dtype=np.float64)


def _edges(lines: Array, spans: Array) -> tuple[Array, Mask]:
    """Find the heights of lines' lower and upper edges in profiles (n, rows).

    Each edge is where the line is half as dark as against its own side, so that a line on a
    boundary is not drawn to either layer. The heights are (n, 2); the mask tells where they hold.
    """
    at, run = _heights(lines.shape[1]), _run(lines)
    found = np.ones(len(lines), dtype=np.bool_)
    for _ in range(3):
        below, above, inside = _levels(run, spans)
        # the row nearest to the middle, the lower of two
        centre = np.ceil(spans.mean(axis=1) / ROW_MM - 0.5).astype(int) + len(at) // 2
        low = at[centre] - _crossings(lines, centre, (below + inside) / 2, -1)
        high = at[centre] + _crossings(lines, centre, (above + inside) / 2, 1)
        # comparisons with NaN, where there is no edge, are false
        found &= np.minimum(below, above) - inside >= LEAST_DEPTH / 4
        found &= (high - low <= _THICKEST_MM) & (np.maximum(-low, high) <= _FARTHEST_MM)
        spans = np.where(found[:, None], np.stack([low, high], axis=1), spans)
    return spans, found


def _crossings(lines: Array, centre: Places, levels: Array, step: int) -> Array:
    """How far from a row, up or down, lines rise above levels for good [mm]; ink is streaky.

    NaN where they do not.
    """
    most, parted = round(_THICKEST_MM / ROW_MM), round(0.5 / ROW_MM)
    rows = centre[:, None] + step * np.arange(most + 1 + parted)
    is_row = (rows >= 0) & (rows < lines.shape[1])
    side = np.take_along_axis(lines, rows.clip(0, lines.shape[1] - 1), axis=1)
    dark = (side < levels[:, None]) & is_row
    dark[:, most:] = False
    # a dark grain beyond the line is parted from it
    last = dark[:, : most + 1].copy()
    for off in range(1, parted + 1):
        last &= ~dark[:, off : off + most + 1]
    i, n = last.argmax(axis=1), np.arange(len(lines))
    ends = last[n, i] & ~dark[:, most - 1] & is_row[n, i + 1]
    first, second = side[n, i], side[n, i + 1]
    rise = np.where(ends, second - first, np.nan)
    return np.asarray((i + (levels - first) / rise) * ROW_MM)


# --- parts of one line ----------------------------------------------------------------------------
_BROKEN_MM = 9.0  # longest gap in a line
_RIMS_MM = 1.6  # widest glossy spot between the two rims of a line
_AT_ONCE = 6
_GLOSS = 0.2  # log units by which a glossy spot is lighter than the wall beside it


@dataclass(frozen=True, slots=True, eq=False)
class _LinePart:
    """A part of a line, with what it is held against others by."""

    bins: Bins
    hue: Array
    thick_mm: float


def _joined(parts: Sequence[Bins]) -> list[Bins]:
    """Join the parts into which a glossy spot or thin ink breaks a line, along it or lengthwise."""
    groups: list[list[_LinePart]] = []
    for part in (_LinePart(bins, bins.hue, bins.thick_mm) for bins in parts):
        is_near = [any(_belongs(part, other) for other in group) for group in groups]
        near = [p for group, on in zip(groups, is_near, strict=True) if on for p in group]
        groups = [group for group, on in zip(groups, is_near, strict=True) if not on]
        groups.append([part, *near])
    return [_united([part.bins for part in group]) for group in groups]


def _belongs(part: _LinePart, other: _LinePart) -> bool:
    """Whether two parts are of one line: near, and of the same ink."""
    left, right = part.bins, other.bins
    if left.arc_mm[0] >= right.arc_mm[0]:
        left, right = right, left
    gap = float(right.arc_mm[0] - left.arc_mm[-1])
    if gap > _BROKEN_MM or float(np.dot(part.hue, other.hue)) < 0.9:
        return False
    thick = (part.thick_mm, other.thick_mm)
    if gap > -_BIN_MM:
        apart = abs(float(left.middle_mm[-4:].mean() - right.middle_mm[:4].mean()))
        return apart < 0.3 + 0.05 * max(gap, 0.0) + 0.5 * max(thick)
    shared = right.arc_mm[right.arc_mm < left.arc_mm[-1]]
    own = np.interp(shared, left.arc_mm, left.middle_mm)
    apart = abs(float(np.mean(own - right.middle_mm[: len(shared)])))
    return apart < sum(thick) / 2 + _RIMS_MM


def _united(parts: Sequence[Bins]) -> Bins:
    """Make one line of parts: where two lie over one another, they are its two rims."""
    if len(parts) == 1:
        return parts[0]
    arc, low, high, depth, beside = (
        np.concatenate([getattr(p, name) for p in parts])
        for name in ("arc_mm", "low_mm", "high_mm", "depth", "beside")
    )
    at = np.floor((arc - arc.min()) / _BIN_MM).astype(int)
    cells = [at == c for c in np.unique(at)]
    return binned(
        [
            (arc[c].mean(), low[c].min(), high[c].max(), *depth[c].max(0), *beside[c].mean(0))
            for c in cells
        ]
    )


def reach_of(glass: Glass, bins: Bins) -> tuple[int, int]:
    """First and last column that a line covers, its glossy or faint ends included."""
    width = round(_BIN_MM / COLUMN_MM)
    strength = float(median_of(bins.depth.max(axis=1)))
    ends = []
    for end, step in ((0, -1), (-1, 1)):
        column = int(np.argmin(np.abs(glass.arc_mm - bins.arc_mm[end]))) + step * width // 2
        near = bins.middle_mm[:3] if end == 0 else bins.middle_mm[-3:]
        row = int(np.argmin(np.abs(glass.z_mm - near.mean())))
        last = 0 if step < 0 else len(glass.arc_mm) - 1
        on, count = 0, abs(last - column) // width
        while on < count:  # a few steps at once, since most lines end soon
            some = min(count - on, _AT_ONCE)
            at = column + on * step * width
            more = _covered(glass, at, step * width, some, row, bins.thick_mm / 2, strength)
            on += more
            if more < some:
                break
        reached = last if on == count else column + on * step * width
        ends.append(int(np.clip(reached, 0, len(glass.arc_mm) - 1)))
    return ends[0], ends[1]


def _covered(
    glass: Glass, column: int, step: int, count: int, row: int, half_mm: float, strength: float
) -> int:
    """For how many of a count of steps from a column a line, dark or glossy, goes on."""
    reach = _PROFILE_ROWS // 2
    if row < reach or row + reach >= len(glass.z_mm):
        return 0
    ends = sorted((column, column + count * step))
    log = glass.log_at(slice(row - reach, row + reach + 1), slice(*ends))
    each = log.reshape(len(log), count, abs(step), 3).mean(axis=2).astype(np.float64)
    profiles = np.moveaxis(each if step > 0 else each[:, ::-1], 1, 0)
    below, above, _ = _levels(_run(profiles), np.array([[-half_mm, half_mm]] * count))
    inside = np.flatnonzero(np.abs(_heights(_PROFILE_ROWS)) <= half_mm + 0.2)
    line = (profiles[:, inside - 1] + profiles[:, inside] + profiles[:, inside + 1]) / 3
    dark = (np.minimum(below, above)[:, None] - line).max(axis=(1, 2))
    light = (line - np.maximum(below, above)[:, None]).max(axis=(1, 2))
    gone = np.flatnonzero((dark <= 0.4 * strength) & (light <= _GLOSS))
    return int(gone[0]) if len(gone) else count
