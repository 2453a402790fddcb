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

from jarvision.onglass import CELL_MM, TOGETHER, Bins, Glass, Span, binned
from jarvision.wallmap import COLUMN_MM, ROW_MM

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

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

    depth: Floats  # (rows, cells), log units, 0 where it is no more than grain
    wide: Floats  # the same of wider stretches
    thick_mm: Floats  # (rows, cells)


def _ridges(cells: Floats) -> _Ridges:
    """Find the strongest depth over thicknesses and colours."""
    smooth = cv2.blur(cells, (3, 1), borderType=cv2.BORDER_REPLICATE)
    smooth -= smooth.mean(axis=0)
    run = np.concatenate([np.zeros_like(smooth[:1]), np.cumsum(smooth, axis=0)])
    depths = np.stack([_depths(run, thick) for thick in _THICK_MM])
    wides = np.stack([cv2.blur(d, (5, 1), borderType=cv2.BORDER_REPLICATE) for d in depths])
    for stack in (depths, wides):
        for depth in stack:
            # grain makes small dark spots, more so in thin rows
            depth[depth < _LEAST_SDS * _usual(depth)[:, None]] = 0.0
    best = depths.max(axis=0)
    good = depths >= _STREAK * best
    last = len(_THICK_MM) - 1 - good[::-1].argmax(axis=0)
    return _Ridges(best, wides.max(axis=0), np.asarray(_THICK_MM, np.float32)[last])


def _depths(run: Floats, thick_mm: float) -> Floats:
    """How much darker rows are than both sides of a line so thick, from sums (rows + 1, ...)."""
    n, gap, side = (max(1, round(mm / ROW_MM)) for mm in (thick_mm, _GAP_MM, _SIDE_MM))
    count = len(run) - 1 - 2 * (side + gap) - n
    inside, low, high = (
        (run[first + size :][:count] - run[first:][:count]) / np.float32(size)
        for first, size in ((side + gap, n), (0, side), (side + 2 * gap + n, side))
    )
    depth = np.zeros((len(run) - 1, run.shape[1]), np.float32)
    at = side + gap + n // 2
    depth[at : at + count] = (np.minimum(low, high) - inside).max(axis=2)
    return depth


def _usual(depth: Floats) -> Floats:
    """Spread of the depth near each row, (rows,); a line's own rows are too few to count."""
    each = 1.4826 * np.median(np.abs(depth[::4]), axis=1)
    reach = round(_USUAL_MM / ROW_MM / 4)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(each, reach, mode="reflect"), 2 * reach + 1
    )
    usual = np.percentile(windows[::2], 35, axis=1)
    rows = np.arange(len(depth))
    return np.interp(rows, rows[::8][: len(usual)], usual).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """Where a line runs: its row in each of its cells, and about how thick it is."""

    cells: NDArray[np.intp]
    rows: NDArray[np.intp]
    thick_mm: float


def _paths(glass: Glass, low_mm: float, high_mm: float) -> Iterator[_Path]:
    """Trace dark lines from their strongest place to both ends."""
    ridges = _ridges(glass.cells)
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


def _traced(ridges: _Ridges, row: int, cell: int, depth: float) -> _Path:
    """Follow a line both ways until it is gone for more than a millimetre."""
    patience, climb = round(_PATIENCE_MM / CELL_MM), 2
    rows = {cell: row}
    for step in (-1, 1):
        at, r, weak = cell + step, row, 0
        trail: list[tuple[int, int]] = []
        while 0 <= at < ridges.depth.shape[1] and weak <= patience:
            near = ridges.depth[max(0, r - climb) : r + climb + 1, at]
            if near.max() > _HOLD * depth:
                r, weak = max(0, r - climb) + int(near.argmax()), 0
            else:
                weak += 1
            trail.append((at, r))
            at += step
        rows.update(trail[: len(trail) - weak])
    cells = np.array(sorted(rows))
    path = np.array([rows[int(c)] for c in cells])
    return _Path(cells, path, float(np.median(ridges.thick_mm[path, cells])))


def ink_lines(glass: Glass, low_mm: float, high_mm: float) -> list[Bins]:
    """Find and measure dark lines on one side of the strip.

    Parameters
    ----------
    glass : Glass
    low_mm, high_mm : float
        Heights above the strip's zero between which they begin [mm].
    """
    measured = (_measured(glass, path) for path in _paths(glass, low_mm, high_mm))
    return _joined([bins for bins in measured if bins is not None])


# --- a line measured piece by piece ---------------------------------------------------------------
_BIN_MM = 1.2
_PROFILE_MM, _THICKEST_MM = 5.5, 3.8
_FARTHEST_MM = _PROFILE_MM - _GAP_MM - _SIDE_MM  # of an edge from the middle of a profile


def _measured(glass: Glass, path: _Path) -> Bins | None:
    """Measure a line's two edges in pieces of its length; None where it has none."""
    columns = np.arange(path.cells[0] * TOGETHER, (path.cells[-1] + 1) * TOGETHER)
    smooth = cv2.blur(path.rows.astype(np.float32)[:, None], (1, 5))[:, 0]
    along = (columns - (TOGETHER - 1) / 2) / TOGETHER
    rows = np.round(np.interp(along, path.cells, smooth)).astype(int)
    reach = round(_PROFILE_MM / ROW_MM)
    if rows.min() < reach or rows.max() + reach >= len(glass.z_mm):
        return None
    window = rows[None, :] + np.arange(-reach, reach + 1)[:, None]
    straight = glass.log[window, columns[None, :]].astype(np.float64)
    span = (-path.thick_mm / 2, path.thick_mm / 2)
    weights = np.maximum(_depth_of(straight.mean(axis=1), span), 0.0)
    weights /= max(float(weights.sum()), 1e-6)
    count = max(1, round(len(rows) * COLUMN_MM / _BIN_MM))
    kept = []
    for group in np.array_split(np.arange(len(rows)), count):
        profile = straight[:, group].mean(axis=1)
        edges = _edges(profile @ weights, span)
        if edges is None:
            continue
        middle = float(glass.z_mm[rows[group]].mean())
        arc = float(glass.arc_mm[columns[group]].mean())
        below, above, inside = _levels(profile, edges)
        beside = np.minimum(below, above)
        kept.append((arc, middle + edges[0], middle + edges[1], *(beside - inside), *beside))
    return binned(kept) if len(kept) > 2 else None


def _heights(profile: Array) -> Array:
    """Heights of a profile's rows above its middle [mm]."""
    return np.asarray((np.arange(len(profile)) - len(profile) // 2) * ROW_MM, dtype=np.float64)


def _levels(profile: Array, span: Span) -> tuple[Array, Array, Array]:
    """Means of a profile (rows, ...) below, above and inside a line between two heights."""
    at = _heights(profile)
    half = max(0.3 * (span[1] - span[0]), 0.8 * ROW_MM)
    rows = (
        (at < span[0] - _GAP_MM) & (at > span[0] - _GAP_MM - _SIDE_MM),
        (at > span[1] + _GAP_MM) & (at < span[1] + _GAP_MM + _SIDE_MM),
        np.abs(at - (span[0] + span[1]) / 2) <= half,
    )
    below, above, inside = (np.asarray(profile[r].mean(axis=0), dtype=np.float64) for r in rows)
    return below, above, inside


def _depth_of(profile: Array, span: Span) -> Array:
    """Depth of a line in a profile (rows, 3) against the darker of its sides, (3,)."""
    below, above, inside = _levels(profile, span)
    return np.asarray(np.minimum(below, above) - inside, dtype=np.float64)


def _edges(line: Array, span: Span) -> Span | None:
    """Find the heights of a line's lower and upper edge in a profile (rows,).

    Each edge is where the line is half as dark as against its own side, so that a line on a
    boundary is not drawn to either layer.
    """
    at = _heights(line)
    for _ in range(3):
        below, above, inside = _levels(line, span)
        if min(below, above) - inside < LEAST_DEPTH / 4:
            return None
        centre = int(np.argmin(np.abs(at - (span[0] + span[1]) / 2)))
        low = _crossing(line[centre::-1], float(below + inside) / 2)
        high = _crossing(line[centre:], float(above + inside) / 2)
        if low is None or high is None:
            return None
        span = (float(at[centre]) - low, float(at[centre]) + high)
        if span[1] - span[0] > _THICKEST_MM or max(-span[0], span[1]) > _FARTHEST_MM:
            return None
    return span


def _crossing(side: Array, level: float) -> float | None:
    """How far from its first row a side rises above a level for good [mm]; ink is streaky."""
    most = round(_THICKEST_MM / ROW_MM)
    dark = np.flatnonzero(side[:most] < level)
    if not len(dark) or dark[-1] + 1 >= most:
        return None
    # a dark grain beyond the line is parted from it
    breaks = np.flatnonzero(np.diff(dark) > round(0.5 / ROW_MM))
    i = int(dark[breaks[0]] if len(breaks) else dark[-1])
    if i + 1 >= len(side):
        return None
    return float(i + (level - side[i]) / (side[i + 1] - side[i])) * ROW_MM


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
    strength = float(np.median(bins.depth.max(axis=1)))
    ends = []
    for end, step in ((0, -1), (-1, 1)):
        column = int(np.argmin(np.abs(glass.arc_mm - bins.arc_mm[end]))) + step * width // 2
        near = bins.middle_mm[:3] if end == 0 else bins.middle_mm[-3:]
        row = int(np.argmin(np.abs(glass.z_mm - near.mean())))
        while 0 <= column + step * width < len(glass.arc_mm):
            block = sorted((column, column + step * width))
            if not _is_covered(glass.log[:, slice(*block)], row, bins.thick_mm, strength):
                break
            column += step * width
        else:
            column = 0 if step < 0 else len(glass.arc_mm) - 1
        ends.append(int(np.clip(column, 0, len(glass.arc_mm) - 1)))
    return ends[0], ends[1]


def _is_covered(block: Floats, row: int, thick_mm: float, strength: float) -> bool:
    """Whether a line, dark or glossy, goes on through a few columns of a wall."""
    reach = round(_PROFILE_MM / ROW_MM)
    if row < reach or row + reach >= len(block):
        return False
    profile = block[row - reach : row + reach + 1].mean(axis=1).astype(np.float64)
    half = thick_mm / 2
    below, above, _ = _levels(profile, (-half, half))
    line = cv2.blur(profile, (1, 3))[np.abs(_heights(profile)) <= half + 0.2]
    dark = (np.minimum(below, above) - line).max()
    light = (line - np.maximum(below, above)).max()
    return bool(dark > 0.4 * strength or light > _GLOSS)
