"""Find dark lines on the glass: ridges that are darker than what is above and below them.

Depths are differences of the logarithm of the picture's values. Thresholds were set on rendered
photos with lines drawn into them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.jar.unwrap import COLUMN_MM, ROW_MM
from jarvision.wall.surface import CELL_MM, TOGETHER, Bins, Glass, Mask, binned, median_of

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]
Places: TypeAlias = NDArray[np.intp]

LEAST_DEPTH = 0.28  # dark bands in rendered layers stay under 0.2 but in the foot
_THICK_MM = (0.4, 0.7, 1.0, 1.5, 2.2, 3.0)
_GAP_MM, _SIDE_MM = 0.3, 1.0  # kept clear of a line's edges, and the width of what it is held to
_LEAST_SDS = 5.0  # a line stands out from the grain by so many of its sds
_STREAK = 0.65  # a thicker line goes before a darker streak of it
_USUAL_MM = 10.0  # grain is looked at so far below and above
_MOST_PATHS = 24
_PATIENCE_MM, _HOLD = 1.2, 0.35  # a line is lost where it is fainter than so much of its strongest


@dataclass(frozen=True, slots=True, eq=False)
class _Ridges:
    """How much darker each cell is than above and below it, and as how thick a line."""

    depths: Floats  # (thicknesses, rows, cells), log units, 0 where it is no more than grain
    depth: Floats  # (rows, cells), the strongest of them
    wide: Floats  # the same of wider stretches

    def thick_mm(self, rows: Places, cells: Places) -> Floats:
        """Thickness of the line at places."""
        depths = self.depths[:, rows, cells]
        good = depths >= _STREAK * depths.max(axis=0)
        last = len(_THICK_MM) - 1 - good[::-1].argmax(axis=0)
        return np.asarray(np.asarray(_THICK_MM, np.float32)[last])


def _ridges(cells: Floats) -> _Ridges | None:
    """Find the strongest depth over thicknesses and colours; None where no line can begin."""
    depths = _depths(cells)
    wide = _wide(depths)
    if wide is None:
        return None
    # grain makes small dark spots, more so in thin rows
    depths *= depths >= _LEAST_SDS * _usual(depths[:, ::4], len(cells))[..., None]
    return _Ridges(depths, depths.max(axis=0), wide)


def _wide(depths: Floats) -> Floats | None:
    """Find the strongest depth of wider stretches, (rows, cells), 0 where no line can begin."""
    places = np.flatnonzero(depths > LEAST_DEPTH)
    if not len(places):
        return None
    strong = np.zeros(depths.shape[:2], dtype=np.bool_)
    strong.flat[places // depths.shape[2]] = True
    usual = _usual(_widened(depths[:, ::4]), depths.shape[1])
    wide = np.zeros(depths.shape[1:], np.float32)
    for depth, on, grain in zip(depths, strong, usual, strict=True):
        if on.any():
            each = _widened(depth[on])
            wide[on] = np.maximum(wide[on], each * (each >= _LEAST_SDS * grain[on, None]))
    return wide


def _widened(depths: Floats) -> Floats:
    """Means of a few neighbouring cells, of depths (..., cells)."""
    rows = depths.reshape(-1, depths.shape[-1])
    wide = cv2.blur(rows, (5, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(wide.reshape(depths.shape), dtype=np.float32)


def _depths(cells: Floats) -> Floats:
    """How much darker rows are than both sides of a line of each thickness, in any colour.

    (thicknesses, rows, cells)
    """
    smooth = cv2.blur(cells, (3, 1), borderType=cv2.BORDER_REPLICATE)
    gap, side = (round(mm / ROW_MM) for mm in (_GAP_MM, _SIDE_MM))
    depths = np.zeros((len(_THICK_MM), *cells.shape[:2]), np.float32)
    parts = []
    for depth, thick_mm in zip(depths, _THICK_MM, strict=True):
        n = round(thick_mm / ROW_MM)
        first = side + gap + n // 2
        part = depth[first : first + len(cells) - 2 * (side + gap) - n]
        part[:] = -np.inf
        parts.append((n, part))
    run = np.zeros((len(cells) + 1, cells.shape[1]), np.float32)
    deep, inside = np.empty_like(run), np.empty_like(run)
    for colour in cv2.split(smooth):  # one at a time, in the same places, stays in the cache
        np.subtract(colour, colour.mean(axis=0), out=colour)
        np.cumsum(colour, axis=0, out=run[1:])
        sides = (run[side:] - run[:-side]) / np.float32(side)
        for n, part in parts:
            count, first = len(part), side + gap
            over, mean = deep[:count], inside[:count]
            np.minimum(sides[:count], sides[first + gap + n :][:count], out=over)
            np.subtract(run[first + n :][:count], run[first:][:count], out=mean)
            mean /= np.float32(n)
            over -= mean
            np.maximum(part, over, out=part)
    return depths


def _usual(fourth: Floats, count: int) -> Floats:
    """Spread of depths near each row, (..., rows), from every fourth row.

    A line's own rows are too few to count.
    """
    ranked = np.sort(np.abs(fourth), axis=2)
    half = ranked.shape[2] // 2
    each = 1.4826 * ((ranked[..., half] + ranked[..., -half - 1]) / 2)
    reach = round(_USUAL_MM / ROW_MM / 4)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(each, ((0, 0), (reach, reach)), mode="reflect"), 2 * reach + 1, axis=1
    )
    usual = np.sort(windows[:, ::2], axis=2)[..., round(0.35 * 2 * reach)]
    rows = np.arange(count)
    return np.stack([np.interp(rows, rows[::8], u) for u in usual]).astype(np.float32)


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
        if depth < LEAST_DEPTH:
            return
        path = _traced(ridges, row, cell, depth)
        reach = round((1.0 + path.thick_mm / 2) / ROW_MM)
        for r, c in zip(path.rows, path.cells, strict=True):
            seeds[max(0, r - reach) : r + reach + 1, c] = 0.0
        wide = slice(max(0, path.cells[0] - 4), path.cells[-1] + 5)
        seeds[max(0, row - reach) : row + reach + 1, wide] = 0.0
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
    pieces = [_pieces(glass, path) for path in _paths(glass, low_mm, high_mm)]
    return _joined(_measured([p for p in pieces if p is not None]))


# --- a line measured piece by piece ---------------------------------------------------------------
_BIN_MM = 1.2
_LEAST_BINS = 3
_PROFILE_MM, _THICKEST_MM = 5.5, 3.8
_PROFILE_ROWS = 2 * round(_PROFILE_MM / ROW_MM) + 1
_FARTHEST_MM = _PROFILE_MM - _GAP_MM - _SIDE_MM  # of an edge from the middle of a profile


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Pieces of a line, each with a profile across it."""

    arc_mm: Array  # (pieces,)
    z_mm: Array  # (pieces,), height of a profile's middle
    profile: Array  # (pieces, rows, 3)
    line: Array  # (pieces, rows), the profile in the line's own colour
    span: Array  # (pieces, 2), about where its edges are from the middle


def _pieces(glass: Glass, path: _InkPath) -> _Pieces | None:
    """Cut a line into pieces; None where it is too short or too near the end of the wall."""
    columns = np.arange(path.cells[0] * TOGETHER, (path.cells[-1] + 1) * TOGETHER)
    count = max(1, round(len(columns) * COLUMN_MM / _BIN_MM))
    if count < _LEAST_BINS:
        return None
    smooth = cv2.blur(path.rows.astype(np.float32)[:, None], (1, 5))[:, 0]
    along = (columns - (TOGETHER - 1) / 2) / TOGETHER
    rows = np.round(np.interp(along, path.cells, smooth)).astype(int)
    reach = _PROFILE_ROWS // 2
    if rows.min() < reach or rows.max() + reach >= len(glass.z_mm):
        return None
    window = rows[:, None] + np.arange(-reach, reach + 1)
    sizes = np.full(count, len(rows) // count)
    sizes[: len(rows) % count] += 1
    starts = np.cumsum(sizes) - sizes
    sums = np.add.reduceat(glass.log[window, columns[:, None]], starts, axis=0, dtype=np.float64)
    span = np.array([[-path.thick_mm / 2, path.thick_mm / 2]])
    weights = np.maximum(_depth_of(sums.sum(axis=0, keepdims=True) / len(rows), span)[0], 0.0)
    weights /= max(float(weights.sum()), 1e-6)
    profile = sums / sizes[:, None, None]
    return _Pieces(
        np.add.reduceat(glass.arc_mm[columns], starts) / sizes,
        np.add.reduceat(glass.z_mm[rows], starts) / sizes,
        profile,
        profile @ weights,
        np.repeat(span, count, axis=0),
    )


def _measured(lines: Sequence[_Pieces]) -> list[Bins]:
    """Measure both edges of lines in pieces of their length; without lines that have none."""
    if not lines:
        return []
    arc, z, profile, line, span = (
        np.concatenate([getattr(p, name) for p in lines])
        for name in ("arc_mm", "z_mm", "profile", "line", "span")
    )
    span, found = _edges(line, span)
    below, above, inside = _levels(profile, span)
    beside = np.minimum(below, above)
    table = np.column_stack([arc, z[:, None] + span, beside - inside, beside])
    owner = np.repeat(np.arange(len(lines)), [len(p.arc_mm) for p in lines])
    each = (table[found & (owner == i)] for i in range(len(lines)))
    return [binned(rows) for rows in each if len(rows) >= _LEAST_BINS]


def _heights(count: int) -> Array:
    """Heights of a profile's rows above its middle [mm]."""
    return np.asarray((np.arange(count) - count // 2) * ROW_MM, dtype=np.float64)


def _levels(profiles: Array, spans: Array) -> tuple[Array, Array, Array]:
    """Means of profiles (n, rows, 3) below, above and inside a line between heights (n, 2)."""
    below, above, inside = np.moveaxis(_parts(profiles.shape[1], spans) @ profiles, 1, 0)
    return below, above, inside


def _parts(count: int, spans: Array) -> Array:
    """Weights of a profile's rows in the means below, above and inside lines, (n, 3, rows)."""
    at = _heights(count)
    low, high = spans[:, :1], spans[:, 1:]
    half = np.maximum(0.3 * (high - low), 0.8 * ROW_MM)
    rows = (
        (at < low - _GAP_MM) & (at > low - _GAP_MM - _SIDE_MM),
        (at > high + _GAP_MM) & (at < high + _GAP_MM + _SIDE_MM),
        np.abs(at - (low + high) / 2) <= half,
    )
    part = np.stack(rows, axis=1)
    return np.asarray(part / part.sum(axis=2, keepdims=True))


def _depth_of(profiles: Array, spans: Array) -> Array:
    """Depth of lines in profiles (n, rows, 3) against the darker of their sides, (n, 3)."""
    below, above, inside = _levels(profiles, spans)
    return np.asarray(np.minimum(below, above) - inside, dtype=np.float64)


def _edges(lines: Array, spans: Array) -> tuple[Array, Mask]:
    """Find the heights of lines' lower and upper edges in profiles (n, rows).

    Each edge is where the line is half as dark as against its own side, so that a line on a
    boundary is not drawn to either layer. The heights are (n, 2); the mask tells where they hold.
    """
    at = _heights(lines.shape[1])
    found = np.ones(len(lines), dtype=np.bool_)
    for _ in range(3):
        below, above, inside = (v[:, 0] for v in _levels(lines[..., None], spans))
        centre = np.abs(at - spans.mean(axis=1, keepdims=True)).argmin(axis=1)
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
    near = np.lib.stride_tricks.sliding_window_view(dark[:, 1:], parted, axis=1).any(axis=2)
    last = dark[:, : most + 1] & ~near
    i, n = last.argmax(axis=1), np.arange(len(lines))
    ends = last[n, i] & ~dark[:, most - 1] & is_row[n, i + 1]
    first, second = side[n, i], side[n, i + 1]
    rise = np.where(ends, second - first, np.nan)
    return np.asarray((i + (levels - first) / rise) * ROW_MM)


# --- parts of one line ----------------------------------------------------------------------------
_BROKEN_MM = 9.0  # longest gap in a line
_RIMS_MM = 1.6  # widest glossy spot between the two rims of a line
_GLOSS = 0.2  # log units by which a glossy spot is lighter than the wall beside it


def _joined(parts: Sequence[Bins]) -> list[Bins]:
    """Join the parts into which a glossy spot or thin ink breaks a line, along it or lengthwise."""
    groups: list[list[Bins]] = []
    for part in parts:
        near = [g for g in groups if any(_belongs(part, other) for other in g)]
        groups = [g for g in groups if not any(g is n for n in near)]
        groups.append([part, *(p for g in near for p in g)])
    return [_united(group) for group in groups]


def _belongs(part: Bins, other: Bins) -> bool:
    """Whether two parts are of one line: near, and of the same ink."""
    left, right = (part, other) if part.arc_mm[0] < other.arc_mm[0] else (other, part)
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
    half = bins.thick_mm / 2
    parts = _parts(_PROFILE_ROWS, np.array([[-half, half]]))[0, :2]
    ends = []
    for end, step in ((0, -1), (-1, 1)):
        column = int(np.argmin(np.abs(glass.arc_mm - bins.arc_mm[end]))) + step * width // 2
        near = bins.middle_mm[:3] if end == 0 else bins.middle_mm[-3:]
        row = int(np.argmin(np.abs(glass.z_mm - near.mean())))
        while 0 <= column + step * width < len(glass.arc_mm):
            block = sorted((column, column + step * width))
            if not _is_covered(glass.log[:, slice(*block)], row, parts, half, strength):
                break
            column += step * width
        else:
            column = 0 if step < 0 else len(glass.arc_mm) - 1
        ends.append(int(np.clip(column, 0, len(glass.arc_mm) - 1)))
    return ends[0], ends[1]


def _is_covered(block: Floats, row: int, parts: Array, half_mm: float, strength: float) -> bool:
    """Whether a line, dark or glossy, goes on through a few columns of a wall.

    `parts` are the weights of a profile's rows in the means below and above the line.
    """
    reach = _PROFILE_ROWS // 2
    if row < reach or row + reach >= len(block):
        return False
    profile = block[row - reach : row + reach + 1].mean(axis=1).astype(np.float64)
    below, above = parts @ profile
    line = cv2.blur(profile, (1, 3))[np.abs(_heights(_PROFILE_ROWS)) <= half_mm + 0.2]
    dark = (np.minimum(below, above) - line).max()
    light = (line - np.maximum(below, above)).max()
    return bool(dark > 0.4 * strength or light > _GLOSS)
