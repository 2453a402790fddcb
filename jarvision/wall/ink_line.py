"""Dark lines on the glass measured piece by piece: their edges, their parts, how far they reach.

Depths are differences of the logarithm of the picture's values. Thresholds were set on rendered
photos with lines drawn into them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from jarvision.core.arrays import Array, Mask, Places
from jarvision.jar.quick_arrays import median_of, sums_before
from jarvision.jar.unwrap import COLUMN_MM, ROW_MM
from jarvision.wall.ink import GAP_MM, LEAST_DEPTH, SIDE_MM, InkPath, ink_paths
from jarvision.wall.outer_glass import TOGETHER, Bins, Glass, binned

_BIN_MM = 1.2
_LEAST_BINS = 3
_PROFILE_MM, _THICKEST_MM = 5.5, 3.8
_PROFILE_ROWS = 2 * round(_PROFILE_MM / ROW_MM) + 1
_FARTHEST_MM = _PROFILE_MM - GAP_MM - SIDE_MM  # of an edge from the middle of a profile


def ink_lines(glasses: Sequence[Glass], low_mm: float, high_mm: float) -> list[list[Bins]]:
    """Find and measure dark lines on walls; those of all walls are measured at once.

    Parameters
    ----------
    glasses : sequence of Glass
        The sides of walls, of one photo or of several.
    low_mm, high_mm : float
        Heights above the strip's zero between which they begin [mm].

    Returns
    -------
    list of list of Bins
        The lines on each glass.
    """
    cut = [
        [c for c in (_cut(glass, path) for path in ink_paths(glass, low_mm, high_mm)) if c]
        for glass in glasses
    ]
    return [_joined(lines) for lines in _measured(glasses, cut)]


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A line cut into pieces: its columns, the row of each, and how many are in each piece."""

    columns: Places
    rows: Places
    sizes: Places
    thick_mm: float


def _cut(glass: Glass, path: InkPath) -> _Cut | None:
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


def _measured(glasses: Sequence[Glass], lines: Sequence[Sequence[_Cut]]) -> list[list[Bins]]:
    """Measure both edges of lines in pieces of their length; without lines that have none."""
    cut = [c for some in lines for c in some]
    if not cut:
        return [[] for _ in glasses]
    on = [glass for glass, some in zip(glasses, lines, strict=True) for _ in some]
    sizes = np.concatenate([c.sizes for c in cut])
    sums = np.concatenate([_summed(g, c) for g, c in zip(glasses, lines, strict=True) if c])
    counts = np.array([len(c.sizes) for c in cut])
    half_mm = np.array([c.thick_mm for c in cut]) / 2
    usual = np.add.reduceat(sums, np.cumsum(counts) - counts, axis=0)
    usual /= np.array([len(c.columns) for c in cut])[:, None, None]
    about = np.stack([-half_mm, half_mm], axis=1)
    owner = np.repeat(np.arange(len(cut)), counts)
    # each line in its own colour
    weights = np.maximum(_depth_of(sums_before(usual), about), 0.0)
    weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1e-6)
    profile = sums / sizes[:, None, None]
    blue, green, red = (profile[..., i] * weights[owner, i, None] for i in range(3))
    span, found = _edges(blue + green + red, about[owner])
    below, above, inside = _levels(sums_before(profile[found]), span)
    beside = np.minimum(below, above)
    places = (
        [g.arc_mm[c.columns] for g, c in zip(on, cut, strict=True)],
        [g.z_mm[c.rows] for g, c in zip(on, cut, strict=True)],
    )
    starts = np.cumsum(sizes) - sizes
    arc, z = (np.add.reduceat(np.concatenate(each), starts) / sizes for each in places)
    table = np.column_stack([arc[found], z[found, None] + span, beside - inside, beside])
    each = iter(np.split(table, np.searchsorted(owner[found], np.arange(1, len(cut)))))
    tables = [[next(each) for _ in some] for some in lines]
    return [[binned(rows) for rows in some if len(rows) >= _LEAST_BINS] for some in tables]


def _summed(glass: Glass, cut: Sequence[_Cut]) -> Array:
    """Sum the logs of the columns of each piece, around their rows, (pieces, rows, 3)."""
    columns, rows, sizes = (
        np.concatenate([getattr(c, name) for c in cut]) for name in ("columns", "rows", "sizes")
    )
    nth = np.arange(sizes.max())[:, None]
    at = (np.cumsum(sizes) - sizes + nth).clip(max=len(columns) - 1)  # (columns, pieces)
    reach = _PROFILE_ROWS // 2
    window = rows[at][..., None] + np.arange(-reach, reach + 1)
    first, *others = glass.log_at(window, columns[at][..., None])
    for i, other in enumerate(others, 1):
        other[sizes <= i] = 0.0
        first += other
    return np.asarray(first, dtype=np.float64)


def _heights(count: int) -> Array:
    """Heights of a profile's rows above its middle [mm]."""
    return np.asarray((np.arange(count) - count // 2) * ROW_MM, dtype=np.float64)


def _levels(run: Array, spans: Array) -> tuple[Array, Array, Array]:
    """Means of profiles below, above and inside a line between heights (n, 2), of sums of rows."""
    at = _heights(run.shape[1] - 1)
    low, high = spans.T
    middle, half = (low + high) / 2, np.maximum(0.3 * (high - low), 0.8 * ROW_MM)
    i = np.arange(len(run))

    def mean(first: Places, last: Places) -> Array:
        count = (last - first).reshape(-1, *[1] * (run.ndim - 2))
        return np.asarray((run[i, last] - run[i, first]) / count)

    return (
        mean(_above(at, low - GAP_MM - SIDE_MM), np.searchsorted(at, low - GAP_MM)),
        mean(_above(at, high + GAP_MM), np.searchsorted(at, high + GAP_MM + SIDE_MM)),
        mean(np.searchsorted(at, middle - half), _above(at, middle + half)),
    )


def _above(at: Array, heights: Array) -> Places:
    """First rows that lie above heights."""
    return np.searchsorted(at, heights, side="right")


def _depth_of(run: Array, spans: Array) -> Array:
    """Depth of lines in profiles against the darker of their sides, (n, 3), from `sums_before`."""
    below, above, inside = _levels(run, spans)
    return np.asarray(np.minimum(below, above) - inside, dtype=np.float64)


def _edges(lines: Array, spans: Array) -> tuple[Array, Places]:
    """Find the heights of lines' lower and upper edges in profiles (n, rows).

    Each edge is where the line is half as dark as against its own side, so that a line on a
    boundary is not drawn to either layer. The heights are (m, 2), with the places of the m
    profiles that have both edges.
    """
    at, run, found = _heights(lines.shape[1]), sums_before(lines), np.arange(len(lines))
    for _ in range(3):
        below, above, inside = _levels(run, spans)
        # the row nearest to the middle, the lower of two
        centre = np.ceil(spans.mean(axis=1) / ROW_MM - 0.5).astype(int) + len(at) // 2
        levels = (np.stack([below, above]) + inside) / 2
        low, high = at[centre] + _crossings(lines, centre, levels)
        # comparisons with NaN, where there is no edge, are false
        is_line = np.minimum(below, above) - inside >= LEAST_DEPTH / 4
        is_line &= (high - low <= _THICKEST_MM) & (np.maximum(-low, high) <= _FARTHEST_MM)
        spans = np.stack([low, high], axis=1)[is_line]
        lines, run, found = lines[is_line], run[is_line], found[is_line]
    return spans, found


def _crossings(lines: Array, centre: Places, levels: Array) -> Array:
    """How far from a row, down and up, lines rise above levels (2, n) for good [mm], (2, n).

    Ink is streaky. NaN where they do not.
    """
    most, parted = round(_THICKEST_MM / ROW_MM), round(0.5 / ROW_MM)
    step = np.array([-1, 1])[:, None, None]
    rows = centre[:, None] + step * np.arange(most + 1 + parted)
    is_row = (rows >= 0) & (rows < lines.shape[1])
    n = np.arange(len(lines))
    side = lines[n[:, None], rows.clip(0, lines.shape[1] - 1)]
    dark = (side < levels[..., None]) & is_row
    dark[..., most:] = False
    # a dark grain beyond the line is parted from it
    last = dark[..., : most + 1].copy()
    for off in range(1, parted + 1):
        last &= ~dark[..., off : off + most + 1]
    i, way = last.argmax(axis=2), np.arange(2)[:, None]
    ends = last[way, n, i] & ~dark[..., most - 1] & is_row[way, n, i + 1]
    first, second = side[way, n, i], side[way, n, i + 1]
    rise = np.where(ends, second - first, np.nan)
    return np.asarray(step[..., 0] * (i + (levels - first) / rise) * ROW_MM)


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
    reach_mm: tuple[float, float]  # lowest and highest of its middle


def _part_of(bins: Bins) -> _LinePart:
    middle = bins.middle_mm
    return _LinePart(bins, bins.hue, bins.thick_mm, (float(middle.min()), float(middle.max())))


def _joined(parts: Sequence[Bins]) -> list[Bins]:
    """Join the parts into which a glossy spot or thin ink breaks a line, along it or lengthwise."""
    groups: list[list[_LinePart]] = []
    for part in map(_part_of, parts):
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
    if gap > _BROKEN_MM:
        return False
    is_beside = gap > -_BIN_MM
    thick = (part.thick_mm, other.thick_mm)
    most = 0.3 + 0.05 * max(gap, 0.0) + 0.5 * max(thick) if is_beside else sum(thick) / 2 + _RIMS_MM
    parted = max(part.reach_mm[0] - other.reach_mm[1], other.reach_mm[0] - part.reach_mm[1])
    if parted >= most or float(np.dot(part.hue, other.hue)) < 0.9:
        return False
    if is_beside:
        apart = float(left.middle_mm[-4:].mean() - right.middle_mm[:4].mean())
    else:
        shared = right.arc_mm[right.arc_mm < left.arc_mm[-1]]
        own = np.interp(shared, left.arc_mm, left.middle_mm)
        apart = float(np.mean(own - right.middle_mm[: len(shared)]))
    return abs(apart) < most


def _united(parts: Sequence[Bins]) -> Bins:
    """Make one line of parts: where two lie over one another, they are its two rims."""
    if len(parts) == 1:
        return parts[0]
    arc, low, high, depth, beside = (
        np.concatenate([getattr(p, name) for p in parts])
        for name in ("arc_mm", "low_mm", "high_mm", "depth", "beside")
    )
    at = np.floor((arc - arc.min()) / _BIN_MM).astype(int)
    order = np.argsort(at, kind="stable")
    _, first, count = np.unique(at[order], return_index=True, return_counts=True)
    return Bins(
        np.add.reduceat(arc[order], first) / count,
        np.minimum.reduceat(low[order], first),
        np.maximum.reduceat(high[order], first),
        np.maximum.reduceat(depth[order], first),
        np.add.reduceat(beside[order], first) / count[:, None],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _LineEnds:
    """Ends of lines, (ends,) each: where they are followed from, which way, and by what."""

    glass: Places  # on which they are
    column: Places
    way: Places  # 1 to the right, -1 to the left
    row: Places
    half_mm: Array  # of the line's thickness
    strength: Array

    def of(self, some: Places | Mask) -> _LineEnds:
        """Give some of them."""
        place = (self.glass[some], self.column[some], self.way[some], self.row[some])
        return _LineEnds(*place, self.half_mm[some], self.strength[some])


def reaches_of(
    glasses: Sequence[Glass], lines: Sequence[Sequence[Bins]]
) -> list[list[tuple[int, int]]]:
    """First and last column that each line on each glass covers, glossy or faint ends included."""
    if not any(lines):
        return [[] for _ in glasses]
    ends, width = _ends_of(glasses, lines), round(_BIN_MM / COLUMN_MM)
    across = np.array([len(glass.arc_mm) for glass in glasses])[ends.glass]
    rows = np.array([len(glass.z_mm) for glass in glasses])[ends.glass]
    last = np.where(ends.way < 0, 0, across - 1)
    count, on = np.abs(last - ends.column) // width, np.zeros_like(last)
    reach = _PROFILE_ROWS // 2
    fits = (ends.row >= reach) & (ends.row + reach < rows)
    going = np.flatnonzero(fits & (count > 0))
    while len(going):  # a few steps at once, since most lines end soon
        some = np.minimum(count[going] - on[going], _AT_ONCE)
        more = _covered(glasses, ends.of(going), on[going], some)
        on[going] += more
        going = going[(more == some) & (on[going] < count[going])]
    reached = np.where(on == count, last, ends.column + on * ends.way * width)
    each = iter(reached.clip(0, across - 1).tolist())
    return [[(next(each), next(each)) for _ in some] for some in lines]


def _ends_of(glasses: Sequence[Glass], lines: Sequence[Sequence[Bins]]) -> _LineEnds:
    """Left and right end of each line in turn, glass by glass."""
    column, row = [], []
    for glass, some in zip(glasses, lines, strict=True):
        arc, middle = (np.ravel([at(b) for b in some]) for at in (_end_arcs, _end_heights))
        column.append(np.abs(glass.arc_mm - arc[:, None]).argmin(axis=1))
        row.append(np.abs(glass.z_mm - middle[:, None]).argmin(axis=1))
    every = [bins for some in lines for bins in some]
    way = np.tile([-1, 1], len(every))
    on = np.repeat(np.arange(len(glasses)), [2 * len(some) for some in lines])
    half = np.array([bins.thick_mm for bins in every]) / 2
    strength = np.array([float(median_of(bins.depth.max(axis=1))) for bins in every])
    inner = way * round(_BIN_MM / COLUMN_MM) // 2
    at = np.concatenate(column) + inner, way, np.concatenate(row)
    return _LineEnds(on, *at, np.repeat(half, 2), np.repeat(strength, 2))


def _end_arcs(bins: Bins) -> tuple[float, float]:
    return float(bins.arc_mm[0]), float(bins.arc_mm[-1])


def _end_heights(bins: Bins) -> tuple[float, float]:
    middle = bins.middle_mm
    return float(middle[:3].mean()), float(middle[-3:].mean())


def _covered(glasses: Sequence[Glass], ends: _LineEnds, on: Places, some: Places) -> Places:
    """For how many of some steps, after so many, each line goes on, dark or glossy."""
    width = round(_BIN_MM / COLUMN_MM)
    reach = math.ceil((float(ends.half_mm.max()) + GAP_MM + SIDE_MM) / ROW_MM) + 1  # all it takes
    owner = np.repeat(np.arange(len(some)), some)
    nth = np.arange(len(owner)) - (np.cumsum(some) - some)[owner]
    each = ends.of(owner)
    near = each.column + (on[owner] + nth) * each.way * width
    columns = np.minimum(near, near + each.way * width)[:, None, None] + np.arange(width)[:, None]
    rows = each.row[:, None, None] + np.arange(-reach, reach + 1)
    own = [(glasses[i], each.glass == i) for i in np.unique(each.glass).tolist()]  # they ascend
    logs = [glass.log_at(rows[those], columns[those]).mean(axis=1) for glass, those in own]
    profiles = np.concatenate(logs).astype(np.float64)
    below, above, _ = _levels(sums_before(profiles), np.outer(each.half_mm, [-1.0, 1.0]))
    line = (profiles[:, :-2] + profiles[:, 1:-1] + profiles[:, 2:]) / 3
    outside = np.abs(_heights(2 * reach + 1)[1:-1]) > each.half_mm[:, None] + 0.2
    dark = np.minimum(below, above)[:, None] - line
    light = line - np.maximum(below, above)[:, None]
    dark[outside], light[outside] = -np.inf, -np.inf
    gone = dark.max(axis=(1, 2)) <= 0.4 * each.strength
    gone &= light.max(axis=(1, 2)) <= _GLOSS
    first = some.copy()
    np.minimum.at(first, owner[gone], nth[gone])
    return first
