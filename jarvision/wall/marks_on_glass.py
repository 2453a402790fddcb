"""Lines of pen and pieces of tape on the glass: found, and taken out of the wall.

A line of ink is a ridge, darker than what is above and below it, while a layer's edge is a step;
it ends within the wall that is seen, while layers run across all of it. Tape ends at upright edges
as high as it is wide, while mirrored edges and the jar's own run on. Marks lie on the outside of
the glass. What they hide is filled in before layers are read; a boundary under one is widened.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Mask, Places
from jarvision.jar.quick_arrays import median_of
from jarvision.jar.unwrap import COLUMN_MM, MAP_TOP_MM, ROW_MM, WallMap
from jarvision.wall.ink import LEAST_DEPTH
from jarvision.wall.ink_line import ink_lines, reaches_of
from jarvision.wall.outer_glass import DARK_COUNTS, Bins, Glass, Span, runs
from jarvision.wall.tape import tape_pieces

_FOOT_MM = 3.5  # the rounded foot of the glass shows dark lines of its own
_STRONG_DEPTH = 0.45
_COLOURED = 0.12  # log units of blue or green over red
_LEAST_LENGTH_MM, _MOST_TILT = 6.0, 0.2
_SHORT_MM, _SHORT_DEPTH = 9.0, 0.4  # a shorter line must be darker
_MARGIN_MM = 1.5  # an end nearer to where the wall is lost from sight may be none
# of heights in a view that was fitted to tags; in steep views the jar's width moves them
_HEIGHT_SD_MM, _SCALE_SD, _STEEP_SD_MM = 0.08, 0.002, 0.8


class Drawn(StrEnum):
    """What a mark was made with."""

    PEN = "pen line"
    TAPE = "tape"


@dataclass(frozen=True, slots=True)
class PenMark:
    """A line of ink or a piece of tape on the outside of the glass in one photo.

    Attributes
    ----------
    photo : str
        Name of the photo.
    drawn : Drawn
        Whether it is a line or tape.
    z_mm, sd_mm : float
        Height of its middle above the strip's zero and one standard deviation [mm].
    spread_mm : float
        How far the height that is meant may lie off the middle, one standard deviation [mm]: from
        its thickness, tilt and waves.
    thick_mm, length_mm : float
        Thickness, and length round the jar as far as it is seen [mm].
    tilt : float
        Rise to the right [mm a mm].
    arcs_mm : tuple of float
        Left and right end, round the jar's outside from where it faces the camera [mm].
    depth : tuple of float
        How much darker it is than beside it: log units in blue, green, red.
    is_coloured : bool
        Whether it is green or blue, as no dark band of soil is: red light is stopped most.
    ends_seen : int
        How many of its ends are seen, 0 to 2.
    line_mm : tuple of (float, float, float)
        Along it: distance round the jar, height of the lower and of the upper edge [mm].
    """

    photo: str
    drawn: Drawn
    z_mm: float
    sd_mm: float
    spread_mm: float
    thick_mm: float
    length_mm: float
    tilt: float
    arcs_mm: Span
    depth: tuple[float, float, float]
    is_coloured: bool
    ends_seen: int
    line_mm: tuple[tuple[float, float, float], ...] = field(repr=False)

    @property
    def is_sure(self) -> bool:
        """Whether it can be no dark band that runs round the jar."""
        return self.ends_seen > 0 or self.is_coloured


def pen_marks_on(photos: Sequence[tuple[str, Sequence[Glass]]]) -> list[tuple[PenMark, ...]]:
    """Find lines of ink and pieces of tape on the front of the glass in several photos.

    All are looked at at once, which is quicker; nothing that is on one photo's glass is held
    against another's.

    Parameters
    ----------
    photos : sequence of (str, sequence of Glass)
        Each photo's name and the sides of its wall.

    Returns
    -------
    list of tuple of PenMark
        Each photo's marks, lowest first.
    """
    sides = [(photo, glass) for photo, glasses in photos for glass in glasses]
    glasses = [glass for _, glass in sides]
    lines = ink_lines(glasses, _FOOT_MM, MAP_TOP_MM)
    dark = [[bins for bins in own if _may_be_ink(bins)] for own in lines]
    reaches = reaches_of(glasses, dark)
    found = iter(
        [
            _marks_on_side(photo, glass, zip(bins, columns, strict=True))
            for (photo, glass), bins, columns in zip(sides, dark, reaches, strict=True)
        ]
    )
    each = [[mark for _ in glasses for mark in next(found)] for _, glasses in photos]
    return [tuple(sorted(marks, key=lambda m: m.z_mm)) for marks in each]


def _marks_on_side(
    photo: str, glass: Glass, dark: Iterable[tuple[Bins, tuple[int, int]]]
) -> list[PenMark]:
    """Give the tapes on one side, and those of its dark lines, with their columns, that are ink."""
    tapes = [
        _summed(photo, Drawn.TAPE, glass, b, _columns_of(glass, b))
        for b in tape_pieces(glass, MAP_TOP_MM)
    ]
    lines = [_summed(photo, Drawn.PEN, glass, b, columns) for b, columns in dark]
    return tapes + [
        m
        for m in lines
        if _is_ink(m)
        and m.z_mm - m.thick_mm / 2 > _FOOT_MM - 1.0
        and not any(_is_edge_of(m, t) for t in tapes)
    ]


def _is_coloured(depth: Array, beside: Array) -> bool:
    """Whether a mark is itself blue or green, and more so than what is beside it, (3,) each."""
    own = beside - depth
    is_own = (own[:2] - own[2] > _COLOURED) & (depth[2] - depth[:2] > 2 * _COLOURED)
    return bool(depth[2] > _STRONG_DEPTH and is_own.any())


def _may_be_ink(bins: Bins) -> bool:
    """Whether a dark line is like ink as far as that is known before its ends are."""
    is_dark = float(median_of(bins.depth).max()) > LEAST_DEPTH
    return is_dark and 0.25 < bins.thick_mm < 3.5 and abs(_tilt_of(bins)) < _MOST_TILT


def _tilt_of(bins: Bins) -> float:
    along = bins.arc_mm - bins.arc_mm.mean()
    return float(along @ bins.middle_mm / max(float(along @ along), 1e-6))


def _is_ink(mark: PenMark) -> bool:
    """Whether a dark line is like ink, with its ends."""
    return (
        max(mark.depth) > (LEAST_DEPTH if mark.length_mm > _SHORT_MM else _SHORT_DEPTH)
        and (mark.is_sure or max(mark.depth) > _STRONG_DEPTH)
        and mark.length_mm > _LEAST_LENGTH_MM
    )


def _is_edge_of(mark: PenMark, tape: PenMark) -> bool:
    """Whether a dark line is part of a piece of tape, such as its shadow."""
    shared = min(mark.arcs_mm[1], tape.arcs_mm[1]) - max(mark.arcs_mm[0], tape.arcs_mm[0])
    near = abs(mark.z_mm - tape.z_mm) < (mark.thick_mm + tape.thick_mm) / 2 + 1.0
    return near and shared > 0.5 * mark.length_mm


def _columns_of(glass: Glass, bins: Bins) -> tuple[int, int]:
    """First and last column of a mark's own pieces."""
    first, last = (int(np.argmin(np.abs(glass.arc_mm - bins.arc_mm[i]))) for i in (0, -1))
    return first, last


def _summed(
    photo: str, drawn: Drawn, glass: Glass, bins: Bins, columns: tuple[int, int]
) -> PenMark:
    """Sum up a mark that covers columns."""
    middle, thick = bins.middle_mm, bins.thick_mm
    along = bins.arc_mm - bins.arc_mm.mean()
    tilt = _tilt_of(bins)
    rest = middle - tilt * along
    centre = float(median_of(rest))
    wave = 1.4826 * float(median_of(np.abs(rest - centre)))
    first, last = columns
    arcs = (float(glass.arc_mm[first]), float(glass.arc_mm[last]))
    length = arcs[1] - arcs[0]
    margin = round(_MARGIN_MM / COLUMN_MM)
    depth = median_of(bins.depth)
    blue, green, red = depth.tolist()
    line = zip(bins.arc_mm.tolist(), bins.low_mm.tolist(), bins.high_mm.tolist(), strict=True)
    return PenMark(
        photo=photo,
        drawn=drawn,
        z_mm=centre,
        sd_mm=math.hypot(
            _HEIGHT_SD_MM,
            _SCALE_SD * centre,
            _STEEP_SD_MM * float(np.interp(centre, glass.z_mm, glass.slope)) ** 2,
            wave / math.sqrt(len(middle)),
        ),
        spread_mm=math.hypot(thick / math.sqrt(12), tilt * length / math.sqrt(12), wave),
        thick_mm=thick,
        length_mm=length,
        tilt=tilt,
        arcs_mm=arcs,
        depth=(blue, green, red),
        is_coloured=_is_coloured(depth, median_of(bins.beside)),
        ends_seen=int(first > margin) + int(last < len(glass.arc_mm) - 1 - margin),
        line_mm=tuple(line),
    )


# --- taking marks out of a wall -------------------------------------------------------------------
_RAGGED_MM, _SOFT_MM = 1.8, 0.4  # how far ink reaches beyond what was measured
_WIDER_MM = 3.5  # a piece is held against its neighbours so far to each side
_WAVE_MM = 0.5  # and reaches no further beyond the usual thickness
_LIGHT_MM = 1.0  # light is compared so far below and above what is hidden
_SLIVER_MM = 3.0  # a narrower piece of wall beside a mark tells little of its layers
_LEAST_SOURCE_MM = 1.6  # less free wall than this fills no gap
_LEAST_FREE_MM = 4.0  # and less than this shows no layer's top


def without_marks(wall: WallMap, sides: Sequence[Glass], hidden: Sequence[Mask]) -> WallMap:
    """Take marks out of a wall, so that its layers can be read.

    What a mark hides is filled in from the wall beside its ends at the same height, since layers
    are level; where a mark runs across all that is seen, from below and above it.

    Parameters
    ----------
    wall : WallMap
        The unrolled wall; it is not changed.
    sides : sequence of Glass
        Its sides, as `jarvision.wall.outer_glass.sides_of` gives them.
    hidden : sequence of (rows, columns) masks
        What the marks hide of each side: `hidden_by`.
    """
    bgr = wall.bgr.copy()
    for glass, covered in zip(sides, hidden, strict=True):
        for run in runs(np.asarray(covered.any(axis=1))):
            columns = np.flatnonzero(covered[slice(*run)].any(axis=0))
            own = np.flatnonzero(covered[slice(*run)][:, columns])
            log = _filled(glass, covered, run, columns).reshape(-1, 3)[own]
            values = np.clip(np.exp(log) - DARK_COUNTS + 0.5, 0, 255).astype(np.uint8)
            rows, at = np.divmod(own, len(columns))
            bgr[run[0] + rows, glass.columns[columns[at]]] = values
    return replace(wall, bgr=bgr)


def covered_mm(wall: WallMap, hidden: Sequence[Mask]) -> tuple[Span, ...]:
    """Tell between which heights marks leave too little free wall to read a layer's top.

    Parameters
    ----------
    wall, hidden
        As in `without_marks`.

    Returns
    -------
    tuple of (float, float)
        Heights above the strip's zero on the inside of the wall [mm].
    """
    seen = sum(covered.shape[1] for covered in hidden)
    free = np.full(len(wall.z_mm), seen)
    for covered in hidden:
        each = cv2.reduce(covered.view(np.uint8), 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)
        free -= each[:, 0]
    short: Mask = np.asarray(free < min(_LEAST_FREE_MM / COLUMN_MM, seen), dtype=np.bool_)
    z = wall.z_mm
    return tuple((float(z[a]), float(z[b - 1])) for a, b in runs(short)) if seen else ()


def hidden_by(marks: Sequence[PenMark], sides: Sequence[Glass]) -> tuple[Mask, ...]:
    """Tell what marks and their soft edges cover on each side, (rows, columns) each."""
    return tuple(_hidden(glass, marks) for glass in sides)


def _hidden(glass: Glass, marks: Sequence[PenMark]) -> Mask:
    """As `hidden_by`, of one side."""
    hidden = np.zeros(glass.bgr.shape[:2], dtype=np.bool_)
    for mark in marks:
        arc, low, high = np.array(mark.line_mm).T
        left, right = mark.arcs_mm[0] - _RAGGED_MM, mark.arcs_mm[1] + _RAGGED_MM
        own = (glass.arc_mm > left) & (glass.arc_mm < right)
        low, high = _outer_edges(arc, low, high)
        bottom, top = np.interp(glass.arc_mm, arc, low), np.interp(glass.arc_mm, arc, high)
        first, last = np.searchsorted(glass.z_mm, [bottom.min(), top.max()])
        z = glass.z_mm[first:last, None]
        hidden[first:last] |= own & (z > bottom) & (z < top)
    return hidden


def _outer_edges(arc: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Edges of a mark along it, wide enough where one piece was measured badly.

    Where only a rim was measured its neighbours tell the whole; where a dark grain was taken for
    part of the line they tell that too.
    """
    near = np.abs(arc[:, None] - arc[None, :]) < _WIDER_MM
    reach = float(median_of(high - low)) / 2 + _WAVE_MM
    ranked = np.sort(np.where(near, (low + high)[None, :] / 2, np.inf), axis=1)
    count, at = near.sum(axis=1), np.arange(len(arc))
    middles = (ranked[at, count // 2] + ranked[at, (count - 1) // 2]) / 2
    lowest = np.where(near, low[None, :], np.inf).min(axis=1)
    highest = np.where(near, high[None, :], -np.inf).max(axis=1)
    bottom, top = np.maximum(lowest, middles - reach), np.minimum(highest, middles + reach)
    return bottom - _SOFT_MM, top + _SOFT_MM


def _filled(glass: Glass, hidden: Mask, run: tuple[int, int], columns: Places) -> Floats:
    """Give what fills hidden rows, from beside the columns, else from below and above: logs."""
    free = _sources(np.asarray(~hidden[slice(*run)].any(axis=0)))
    if len(free) * COLUMN_MM >= _LEAST_SOURCE_MM:
        source = _beside(columns, free)
        filled = glass.log_at(slice(*run), source)
        return filled + _lighter(glass, hidden, run, columns, source)
    return glass.log_at(_nearest_rows(run, len(hidden))[:, None], columns)


def _sources(free: Mask) -> Places:
    """Columns to fill from: all that are free, but slivers only where there is nothing else."""
    wide = [np.arange(*r) for r in runs(free) if (r[1] - r[0]) * COLUMN_MM >= _SLIVER_MM]
    return np.concatenate(wide) if wide else np.flatnonzero(free)


def _beside(columns: Places, free: Places) -> Places:
    """For each hidden column a free one: as in a mirror at the nearer end, to and fro."""
    right = free[np.searchsorted(free, columns).clip(0, len(free) - 1)]
    left = free[(np.searchsorted(free, columns) - 1).clip(0, len(free) - 1)]
    end = np.where(np.abs(columns - left) <= np.abs(right - columns), left, right)
    step = np.where(end < columns, -1, 1)
    place = np.searchsorted(free, end) + step * (np.abs(columns - end) - 1)
    place = np.mod(place, 2 * len(free))
    return np.asarray(free[np.where(place < len(free), place, 2 * len(free) - 1 - place)])


def _lighter(
    glass: Glass, hidden: Mask, run: tuple[int, int], columns: Places, source: Places
) -> Floats:
    """How much lighter hidden columns are than their sources, from below and above the rows."""
    reach = round(_LIGHT_MM / ROW_MM)
    ends = []
    for first in (run[0] - reach, run[1]):
        rows = np.arange(first, first + reach).clip(0, len(hidden) - 1)[:, None]
        if hidden[rows[:, 0]].any():
            continue  # another mark begins there
        own, other = (glass.log_at(rows, at).mean(axis=0) for at in (columns, source))
        gap = own - other
        smooth = cv2.blur(gap[None], (round(3.0 / COLUMN_MM), 1), borderType=cv2.BORDER_REPLICATE)
        ends.append(smooth[0])
    if not ends:
        return np.zeros((run[1] - run[0], len(columns), 3), np.float32)
    part = np.linspace(0.0, 1.0, run[1] - run[0], dtype=np.float32)[:, None, None]
    return np.asarray(ends[0] * (1 - part) + ends[-1] * part, dtype=np.float32)


def _nearest_rows(run: tuple[int, int], count: int) -> Places:
    """Rows from just below for the lower half of a run and from just above for the upper one."""
    size = run[1] - run[0]
    tile = round(_LIGHT_MM / ROW_MM)
    to_and_fro = np.abs(np.mod(np.arange(size) + tile, 2 * tile) - tile)
    below = run[0] - 1 - to_and_fro[: size // 2]
    above = run[1] + to_and_fro[: size - size // 2]
    return np.concatenate([below, above[::-1]]).clip(0, count - 1)
