"""The ruler that is already there: millimetres per pixel from the ticks of an ordinary ruler.

A ruler is a comb of ticks whose lengths repeat: every fifth and tenth is longer on a metric one,
every second, fourth and eighth on one in inches. The comb gives the pitch in pixels, the lengths
tell what the pitch is. Pixels are (row, col), y downward, the centre of pixel (0, 0) at the origin.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum, StrEnum
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import JarError

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

# Rulers of the household kind are true to about this (our judgement, no source); it also covers
# ticks that are not quite square to the ruler's edge.
_RULER_RELATIVE_SD = 0.002

# What neighbouring ticks' places have in common, such as a slant left over [px, and of a pitch]:
# found by drawing rulers.
_SHARED_ERROR_PX, _SHARED_ERROR_OF_PITCH = 0.007, 0.001

_LARGEST_SLANT_DEG = 8.0
_FINEST_PITCH_PX = 3.2
_BAND_PX = 6
_FEWEST_TICKS = 16
_GAP = 0.75  # Half the columns without ink that end a tick.
_STANDS_OUT = 7.0  # Times a column's typical amplitude.
_CLEARLY_BETTER = 6.0  # Log-likelihood by which one reading of the tick lengths must lead.


class RulerUnreadError(JarError):
    """No ruler's ticks could be read, or what they measure cannot be told."""

    name = "ruler_unread"


class RulerUnit(StrEnum):
    """What a ruler is divided in, as the user may state it."""

    MM = "mm"
    INCH = "inch"


@dataclass(frozen=True, slots=True)
class RulerScale:
    """The scale that a ruler's ticks give.

    Attributes
    ----------
    px_per_mm : float
        Pixels to a millimetre along the ruler, at `centre_px`.
    sd_px_per_mm : float
        Its standard deviation, with 0.2 % for the ruler itself.
    fit_sd_px_per_mm : float
        The part of it that comes from placing the ticks.
    unit : RulerUnit
        What the ruler is divided in.
    division_mm : float
        From one tick to the next [mm].
    ticks : int
        Ticks that were used.
    slant_deg : float
        How far the ruler leans from the picture's columns; positive is clockwise.
    centre_px : tuple of float
        Row and column of the middle of the ticks used.
    stretch : float
        Change of the scale from the first tick used to the last, as a part of it: a camera that is
        tipped along the ruler.
    """

    px_per_mm: float
    sd_px_per_mm: float
    fit_sd_px_per_mm: float
    unit: RulerUnit
    division_mm: float
    ticks: int
    slant_deg: float
    centre_px: tuple[float, float]
    stretch: float


@dataclass(frozen=True, slots=True)
class _Division:
    """A way to divide a ruler: every `periods[i]`-th tick is longer than the finer ones."""

    unit: RulerUnit
    division_mm: float
    periods: tuple[int, ...]


# Common practice, no source, but for the inch of 25.4 mm.
_DIVISIONS = (
    _Division(RulerUnit.MM, 1.0, (10, 5, 1)),
    _Division(RulerUnit.MM, 1.0, (5, 1)),
    _Division(RulerUnit.MM, 1.0, (10, 1)),
    _Division(RulerUnit.MM, 0.5, (20, 10, 2, 1)),
    _Division(RulerUnit.INCH, 25.4 / 8, (8, 4, 2, 1)),
    _Division(RulerUnit.INCH, 25.4 / 16, (16, 8, 4, 2, 1)),
    _Division(RulerUnit.INCH, 25.4 / 32, (32, 16, 8, 4, 2, 1)),
)


@dataclass(frozen=True, slots=True)
class _Lean:
    """How a ruler stands in the patch, positive clockwise.

    Attributes
    ----------
    slant_deg : float
        Its edge from upright.
    tilt_deg : float
        Its ticks from level; the same as the slant but for a ruler seen from the side.
    fan_per_px : float
        Change of the ticks' slope from row to row: a ruler that bends round a jar.
    pivot_col : float
        The column of the upright ruler that keeps its rows.
    """

    slant_deg: float
    tilt_deg: float
    pivot_col: float
    fan_per_px: float = 0.0


@dataclass(frozen=True, slots=True)
class _Comb:
    """A comb that may be a ruler's: how it leans, where it stands, how fine it is."""

    lean: _Lean
    col: float
    cycles_per_px: float
    rows: int


@dataclass(frozen=True, slots=True)
class _Run:
    """Rows of the straightened patch along which a comb goes on.

    Attributes
    ----------
    rows : slice
        The rows.
    place : (n,) array
        The tick's number at each row, a whole number on a tick.
    """

    rows: slice
    place: Floats


@dataclass(frozen=True, slots=True)
class _Ticks:
    """A comb followed tick by tick in the straightened patch.

    Attributes
    ----------
    lean : _Lean
        Slant and tilt that were made good.
    col_px : float
        Middle of the columns that all ticks reach.
    row_px : (n,) array
        Where each tick crosses them.
    contrast : (n,) array
        How dark each tick is, in parts of the typical one.
    reach_px : (n,) array
        How far each tick reaches from `col_px` to the side where their lengths differ.
    texture : (n, cols) array
        Ink (squared grey levels) in each tick's cell off its own line, by column to that side.
    between : float
        Ink half way between ticks, in parts of a typical tick's.
    """

    lean: _Lean
    col_px: float
    row_px: Floats
    contrast: Floats
    reach_px: Floats
    texture: Floats
    between: float


class _Numbers(Enum):
    """What the numbers beside the ticks say of a reading."""

    AGREE = 1
    ABSENT = 0
    DENY = -1


@dataclass(frozen=True, slots=True)
class _TickLine:
    """Ticks' rows fitted by number, counted from their middle: row = a + b n / (1 + c n)."""

    coef: Floats
    sd_pitch_px: float
    spread_px: float
    used: int
    span: int


@dataclass(frozen=True, slots=True)
class _CombCandidate:
    """One reading of the patch: a comb, what it is divided in, and how well that fits.

    It is `sure` where its tiers of ticks are clearly apart.
    """

    score: float
    sure: bool
    numbers: _Numbers
    division: _Division
    ticks: _Ticks
    line: _TickLine

    @property
    def px_per_mm(self) -> float:
        return float(self.line.coef[1]) / self.division.division_mm


def read_ruler(grey: NDArray[Any], *, unit: RulerUnit | None = None) -> RulerScale:
    """Read the scale from the ticks of a ruler that stands about upright in a patch.

    Parameters
    ----------
    grey : (rows, cols) array
        Grey levels of a patch of the photo, 0 to 255; the ruler within 8 degrees of upright, at
        least 3.2 pixels from tick to tick. Turn the patch for a ruler that lies.
    unit : RulerUnit, optional
        What the ruler is divided in, where the user says so.

    Returns
    -------
    RulerScale

    Raises
    ------
    RulerUnreadError
        No comb of ticks, too few of them, or lengths that do not tell the unit.

    Notes
    -----
    A ruler in tenths of an inch looks the same as one in millimetres and is taken for it.
    """
    patch = _flattened(grey)
    combs = [ticks for comb in _combs(patch) for ticks in _follow(patch, comb)]
    lines = [(ticks, _line(ticks.row_px)) for ticks in combs if _complete(ticks)]
    regular = [(ticks, line) for ticks, line in lines if _is_regular(line)]
    candidates = [c for ticks, line in regular for c in _candidates(ticks, line)]
    best = _best(candidates, unit)
    if best is None:
        raise RulerUnreadError(_advice(seen_comb=bool(regular)))
    return _scale(best, patch.shape)


def _advice(*, seen_comb: bool) -> str:
    if seen_comb:
        return (
            "A ruler is there, but its ticks and numbers do not tell for sure what it is divided "
            "in; photograph more of it with its numbers in view, or say --ruler mm or --ruler inch."
        )
    return (
        "No ruler's ticks could be read; go closer, hold the phone square to the ruler, and let at "
        "least 6 cm (2 1/2 inches) of it show."
    )


def _flattened(grey: NDArray[Any]) -> Pixels:
    """Take away slow shading and tame strong edges, so that only fine ink is left."""
    import cv2

    levels = np.asarray(grey, dtype=np.float32)
    if levels.ndim != 2 or min(levels.shape) < 24 or not np.isfinite(levels).all():
        raise RulerUnreadError(_advice(seen_comb=False))
    fine: Pixels = np.clip(levels - cv2.GaussianBlur(levels, (0, 0), 25), -60.0, 60.0)
    return fine


def _straightened(patch: Pixels, lean: _Lean) -> Pixels:
    """Shear the patch so that the ruler stands upright and its ticks lie level."""
    import cv2

    rows, cols = patch.shape
    slant, tilt = math.tan(math.radians(lean.slant_deg)), math.tan(math.radians(lean.tilt_deg))
    across = np.arange(cols, dtype=np.float32) - np.float32(lean.pivot_col)
    down = np.arange(rows, dtype=np.float32)[:, None] - np.float32((rows - 1) / 2)
    from_col = np.arange(cols, dtype=np.float32) - np.float32(slant) * down
    slope = np.float32(tilt) + np.float32(lean.fan_per_px) * down
    from_row = slope * across + np.arange(rows, dtype=np.float32)[:, None]
    edge = cv2.BORDER_REPLICATE
    upright = cv2.remap(patch, from_col, from_row, cv2.INTER_LINEAR, borderMode=edge)
    return np.asarray(upright, dtype=np.float32)


# Finding combs ----------------------------------------------------------------------------------


def _combs(patch: Pixels) -> Iterator[_Comb]:
    """Yield likely combs, each where it shows best."""
    rows = patch.shape[0]
    middle = (patch.shape[1] - 1) / 2
    leans = [_Lean(slant_deg, slant_deg, middle) for slant_deg in _slants_deg(rows)]
    strength = np.stack([_spectrum(_straightened(patch, lean)) for lean in leans])
    tried: set[int] = set()
    for bin_ in _likely_bins(strength.max(axis=(0, 2))):
        known = tried & {bin_ - 1, bin_, bin_ + 1}
        if known or not _FEWEST_TICKS < bin_ < rows / _FINEST_PITCH_PX:
            continue
        tried.add(bin_)
        near = strength[:, bin_ - 1 : bin_ + 2]
        slant, off, band = (int(i) for i in np.unravel_index(near.argmax(), near.shape))
        if near[slant, off, band] > _STANDS_OUT:
            cycles = (bin_ - 1 + off) / rows
            yield _Comb(leans[slant], _BAND_PX // 2 * (band + 1), cycles, rows)


def _slants_deg(rows: int) -> list[float]:
    """Slants to try, close enough that a ruler drifts by a tick's length at most."""
    half_step = math.degrees(math.atan(2 * _BAND_PX / rows))
    count = max(9, math.ceil(_LARGEST_SLANT_DEG / half_step))
    return [float(slant) for slant in np.linspace(-_LARGEST_SLANT_DEG, _LARGEST_SLANT_DEG, count)]


def _spectrum(straight: Pixels) -> Floats:
    """Amplitudes (frequency, column band), each band in parts of its own noise."""
    import cv2

    bands = cv2.blur(straight, (_BAND_PX, 1))[:, _BAND_PX // 2 :: _BAND_PX // 2]
    window = np.hanning(straight.shape[0]).astype(np.float32)
    amplitude = np.abs(np.fft.rfft(bands * window[:, None], axis=0))
    strength: Floats = amplitude / (np.median(amplitude, axis=0) + 1e-3)
    return strength


def _likely_bins(line: Floats, *, keep: int = 6) -> list[int]:
    """Frequencies of the strongest peaks, and those whose harmonic or part such a peak may be."""
    inner = line[_FEWEST_TICKS:-1]
    is_top = (inner >= line[_FEWEST_TICKS - 1 : -2]) & (inner > line[_FEWEST_TICKS + 1 :])
    tops = _FEWEST_TICKS + np.flatnonzero(is_top)
    strongest = tops[np.argsort(-line[tops])][:keep]
    factors = (1.0, 2.0, 5.0, 1 / 2, 1 / 4)
    return [round(top * factor) for factor in factors for top in strongest]


# Following a comb -------------------------------------------------------------------------------


def _follow(patch: Pixels, comb: _Comb) -> list[_Ticks]:
    """Follow a comb tick by tick, straightening it by its own ticks.

    Ticks may be dark on light or light on dark: both are tried.
    """
    straight, run = _straightened_run(patch, comb)
    for _ in range(4):
        if run is None:
            return []
        lean = _better_lean(straight[run.rows], run, comb)
        if max(abs(lean.slant_deg), abs(lean.tilt_deg)) > 2 * _LARGEST_SLANT_DEG:
            return []
        if _same_lean(lean, comb.lean, len(run.place)):
            break
        comb = replace(comb, lean=lean, col=lean.pivot_col)
        straight, run = _straightened_run(patch, comb)
    if run is None:
        return []
    light = _measured_ticks(straight[run.rows], run, comb)
    dark = _measured_ticks(-straight[run.rows], replace(run, place=run.place + 0.5), comb)
    return [ticks for ticks in (dark, light) if ticks is not None]


def _straightened_run(patch: Pixels, comb: _Comb) -> tuple[Pixels, _Run | None]:
    straight = _straightened(patch, comb.lean)
    return straight, _run(straight, comb)


def _same_lean(one: _Lean, other: _Lean, rows: int) -> bool:
    moved = abs(one.slant_deg - other.slant_deg) + abs(one.tilt_deg - other.tilt_deg)
    moved += 0.05 * abs(one.pivot_col - other.pivot_col)
    return moved < 0.15 and abs(one.fan_per_px - other.fan_per_px) * rows < 0.01


def _run(straight: Pixels, comb: _Comb) -> _Run | None:
    """Find the rows along which a comb goes on, and number its ticks there."""
    phase, amplitude = _demodulated(_band(straight, comb.col), comb.cycles_per_px)
    first, last = _longest_run(amplitude > 0.4 * np.quantile(amplitude, 0.9))
    if (last - first) * comb.cycles_per_px < _FEWEST_TICKS:
        return None
    rows = np.arange(first, last)
    curve = np.polynomial.Polynomial.fit(rows, phase[first:last], 2, w=amplitude[first:last])
    place = curve(rows)
    return _Run(slice(first, last), place) if np.diff(place).min() > 0 else None


def _band(straight: Pixels, col: float) -> Floats:
    left = max(0, round(col) - _BAND_PX // 2)
    line: Floats = straight[:, left : left + _BAND_PX].mean(axis=1, dtype=np.float64)
    return line


def _demodulated(line: Floats, cycles_per_px: float) -> tuple[Floats, Floats]:
    """Tick number (not whole between ticks) and amplitude at each row, over about five ticks."""
    rows = np.arange(len(line))
    carrier = np.exp(-2j * np.pi * cycles_per_px * rows)
    window = np.hanning(2 * round(3 / cycles_per_px) + 3)
    smooth = np.convolve(line * carrier, window / window.sum(), mode="same")
    phase: Floats = cycles_per_px * rows + np.unwrap(np.angle(smooth)) / (2 * np.pi)
    return phase, 2 * np.abs(smooth)


def _longest_run(good: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.r_[False, good, False].astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 0
    longest = int((stops - starts).argmax())
    return int(starts[longest]), int(stops[longest])


def _better_lean(straight: Pixels, run: _Run, comb: _Comb) -> _Lean:
    """Find the tilt still left from how the phase moves sideways, the slant from how it drifts."""
    half = len(run.place) // 2
    waves = [_wave(straight, run.place, rows) for rows in (slice(half), slice(half, None))]
    left, right = _full_width(np.abs(waves[0] + waves[1]), comb.col)
    high, low = (_slope(wave[left:right]) / comb.cycles_per_px for wave in waves)
    middle = run.rows.start + half - (comb.rows - 1) / 2
    fan = (low - high) / half
    tilt = math.tan(math.radians(comb.lean.tilt_deg)) - (low + high) / 2 + fan * middle
    drift = _shift(*np.abs(waves), most=max(2, half // 10)) / half
    slant = math.tan(math.radians(comb.lean.slant_deg)) - drift
    return replace(
        comb.lean,
        slant_deg=math.degrees(math.atan(slant)),
        tilt_deg=math.degrees(math.atan(tilt)),
        pivot_col=(left + right - 1) / 2,
        fan_per_px=comb.lean.fan_per_px - fan,
    )


def _slope(wave: NDArray[np.complex128]) -> float:
    """Cycles by which a wave's phase turns from column to column."""
    step = max(1, len(wave) // 3)
    return float(np.angle(np.sum(wave[step:] * np.conj(wave[:-step])))) / (2 * np.pi) / step


def _wave(straight: Pixels, place: Floats, rows: slice) -> NDArray[np.complex128]:
    """Amplitude and phase of the comb at each column, over some rows."""
    angle = 2 * np.pi * place[rows]
    cos, sin = np.stack([np.cos(angle), np.sin(angle)]).astype(np.float32) @ straight[rows]
    wave: NDArray[np.complex128] = cos - 1j * sin
    return wave


def _shift(first: Floats, second: Floats, *, most: int) -> int:
    """Columns by which a second profile stands right of a first."""
    first, second = first - first.mean(), second - second.mean()
    shifts = range(-most, most + 1)
    padded = np.pad(second, most)
    return max(shifts, key=lambda k: float(first @ padded[most + k : most + k + len(first)]))


def _measured_ticks(straight: Pixels, run: _Run, comb: _Comb) -> _Ticks | None:
    """Measure every whole tick between the first and last rows of a run."""
    number = np.round(run.place).astype(int)
    whole = (number > number[0]) & (number < number[-1])
    place, number, straight = run.place[whole], number[whole], straight[whole]
    if len(place) == 0 or number[-1] - number[0] + 1 < _FEWEST_TICKS:
        return None
    ink = _ink(straight, place, number)
    left, right = _full_width(ink.mean(axis=0), comb.col)
    typical = float(np.median(ink[:, left:right].mean(axis=1)))
    if typical <= 0:
        return None
    middle = (left + right) // 2
    ink /= typical
    gap = _GAP + 4 * float(np.median(np.abs(np.diff(ink[:, left:right], axis=1))))
    outward = _outward(ink, middle, gap)
    return _Ticks(
        lean=comb.lean,
        col_px=middle,
        row_px=run.rows.start
        + int(whole.argmax())
        + _tick_rows(straight[:, left:right].mean(axis=1), place, number),
        contrast=ink[:, left:right].mean(axis=1),
        reach_px=_reach(ink[:, outward], gap),
        texture=_texture(straight[:, outward], place, number),
        between=_between(straight[:, max(0, left - 30) : right + 30], place) / typical,
    )


def _by_tick(values: NDArray[Any], number: NDArray[np.intp]) -> NDArray[Any]:
    """Mean over the rows of each tick's cell."""
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    counts = np.diff(np.r_[starts, len(number)])
    sums = np.add.reduceat(values, starts, axis=0)
    means: NDArray[Any] = sums / counts.reshape((-1,) + (1,) * (values.ndim - 1))
    return means


def _ink(straight: Pixels, place: Floats, number: NDArray[np.intp]) -> Floats:
    """Ink of each tick at each column: what rises and falls once from one tick to the next."""
    wave = (2 * np.cos(2 * np.pi * place)).astype(np.float32)
    return _by_tick(wave[:, None] * straight, number)


def _full_width(ink: Floats, col: float) -> tuple[int, int]:
    """Columns, about the comb's, where even the shortest ticks reach."""
    mean = np.convolve(ink, np.full(3, 1 / 3), mode="same")
    near = slice(max(0, round(col) - 2 * _BAND_PX), round(col) + 2 * _BAND_PX)
    middle = int(mean[near].argmax()) + near.start
    bad = np.flatnonzero(mean <= 0.6 * mean[middle])
    left = int(bad[bad < middle].max(initial=-1)) + 1
    return left, int(bad[bad > middle].min(initial=len(mean)))


def _tick_rows(line: Floats, place: Floats, number: NDArray[np.intp]) -> Floats:
    """Row of each tick from the phase of its own cell, independent of its neighbours'."""
    level = line - _by_tick(line, number)[number - number[0]]
    wave = _by_tick(level * np.exp(2j * np.pi * place), number)
    exact = np.arange(number[0], number[-1] + 1) + np.angle(wave) / (2 * np.pi)
    rows: Floats = np.interp(exact, place, np.arange(len(place)))
    return rows


def _outward(ink: Floats, middle: int, gap: float) -> slice:
    """Columns from the middle to the side where the ticks' lengths differ."""
    sides = (slice(middle, None), slice(middle, None, -1))
    reaches = [np.quantile(_reach(ink[:, side], gap), (0.1, 0.9)) for side in sides]
    return sides[int(np.argmax([high - low for low, high in reaches]))]


def _reach(ink: Floats, gap: float) -> Floats:
    """Where each row's ink ends: a noisy column or two does not end it, a gap does."""
    gathered = np.cumsum(np.clip(ink - 0.5, -0.5, 0.5), axis=1)
    top = np.maximum.accumulate(gathered, axis=1)
    beyond_gap = np.maximum.accumulate(top - gathered > gap, axis=1)
    reach: Floats = np.where(beyond_gap, -np.inf, gathered).argmax(axis=1) + 1.0
    return reach


def _texture(straight: Pixels, place: Floats, number: NDArray[np.intp]) -> Floats:
    """Ink in each tick's cell but for the tick's own line, by column."""
    off_line = np.abs(place - number) > 0.2
    return _by_tick(straight**2 * off_line[:, None], number)


def _between(straight: Pixels, place: Floats) -> float:
    """Ink half way between ticks: a sign that the comb is really twice as fine."""
    apart = np.abs(place - np.round(place))
    at_half, at_quarter = apart > 0.38, np.abs(apart - 0.25) < 0.1
    if not at_half.any() or not at_quarter.any():
        return math.inf  # Ticks too close to tell.
    half, quarter = straight[at_half].mean(axis=0), straight[at_quarter].mean(axis=0)
    excess = np.convolve(half - quarter, np.full(_BAND_PX, 1 / _BAND_PX), mode="valid")
    return float(excess.max())


def _complete(ticks: _Ticks) -> bool:
    """Whether a tick stands at every place of the comb and none between."""
    present = np.mean(ticks.contrast > 0.4)
    return bool(present > 0.92 and ticks.between < 0.25)


def _line(row_px: Floats) -> _TickLine:
    """ViewFit the ticks' rows by one perspective, leaving out those that lie far off."""
    number = np.arange(len(row_px)) - (len(row_px) - 1) / 2
    coef = np.array([np.median(row_px), (row_px[-1] - row_px[0]) / (len(row_px) - 1), 0.0])
    keep = np.ones(len(row_px), dtype=bool)
    for _ in range(5):
        depth = 1 + coef[2] * number
        along = number / depth
        slopes = np.column_stack([np.ones_like(number), along, -coef[1] * along**2])
        off_px = row_px - coef[0] - coef[1] * along
        step = np.linalg.lstsq(slopes[keep], off_px[keep], rcond=None)[0]
        coef, off_px = coef + step, off_px - slopes @ step
        spread_px = 1.4826 * float(np.median(np.abs(off_px))) + 1e-6
        keep = np.abs(off_px) < 4 * spread_px
    variance = np.sum(off_px[keep] ** 2) / (keep.sum() - 3)
    cov = variance * np.linalg.inv(slopes[keep].T @ slopes[keep])
    return _TickLine(coef, math.sqrt(cov[1, 1]), spread_px, int(keep.sum()), len(row_px))


def _is_regular(line: _TickLine) -> bool:
    """Whether the ticks lie where a comb's would; the gaps and edges of a coarser one do not."""
    return line.spread_px < 0.1 * float(line.coef[1]) and line.used > 0.85 * line.span


# Telling what the pitch is ----------------------------------------------------------------------


def _candidates(ticks: _Ticks, line: _TickLine) -> list[_CombCandidate]:
    found = []
    for division in _DIVISIONS:
        score, offset = _fit(ticks.reach_px, division)
        if score > _CLEARLY_BETTER:
            tier = _tiers(len(ticks.reach_px), division, offset)
            sure = _tiers_apart(ticks.reach_px, tier)
            numbers = _numbers(ticks, tier, line)
            found.append(_CombCandidate(score, sure, numbers, division, ticks, line))
    return found


def _tiers(count: int, division: _Division, offset: int) -> NDArray[np.intp]:
    """Tier of each tick: 0 for the shortest."""
    number = np.arange(count) + offset
    tier: NDArray[np.intp] = np.sum([number % p == 0 for p in division.periods[:-1]], axis=0)
    return tier


def _tiers_apart(reach_px: Floats, tier: NDArray[np.intp]) -> bool:
    """Whether every tier shows more than once, and few ticks of it or none overlap the next."""
    tiers = [reach_px[tier == t] for t in range(int(tier.max()) + 1)]
    return all(len(reach) > 1 for reach in tiers) and all(_apart(*p) for p in pairwise(tiers))


def _apart(shorter: Floats, longer: Floats) -> bool:
    step = float(np.median(longer) - np.median(shorter))
    low = np.quantile(longer, 0.3 if len(longer) > 4 else 0.0)
    high = np.quantile(shorter, 0.7 if len(shorter) > 4 else 1.0)
    return step > 1.5 and bool(low - high > 0.1 * step)


def _numbers(ticks: _Ticks, tier: NDArray[np.intp], line: _TickLine) -> _Numbers:
    """See whether numbers stand at each of the longest ticks and at no other.

    Numbers touch ticks and make them look longer, and some rulers tell inches from half inches by
    their numbers alone: both would give a scale wrong by a factor of two.
    """
    top = int(tier.max())
    second_px, first_px = (float(np.median(ticks.reach_px[tier == t])) for t in (top - 1, top))
    width = first_px - second_px + max(12.0, 2 * float(line.coef[1]), 0.5 * first_px)
    beside = _ink_beyond(ticks, second_px, round(width))
    second, first, plain = (float(np.median(beside[tier == t])) for t in (top - 1, top, 0))
    if second - plain > 0.3 * max(first - plain, 2 * plain):
        return _Numbers.DENY
    longest = beside[tier == top]
    halves = sorted(float(np.median(half)) for half in (longest[::2], longest[1::2]) if len(half))
    if halves[0] < max(2 * plain, 0.1 * halves[-1]) and halves[-1] > 4 * plain:
        return _Numbers.DENY
    clear = max(3 * plain, 0.05 * float(np.median(ticks.texture[:, :4])))
    return _Numbers.AGREE if halves[0] > clear else _Numbers.ABSENT


def _ink_beyond(ticks: _Ticks, reach_px: float, width_px: int) -> Floats:
    """Ink in each tick's cell beyond a reach."""
    start = min(round(reach_px) + 2, ticks.texture.shape[1] - 1)
    ink: Floats = ticks.texture[:, start : start + width_px].mean(axis=1)
    return ink


def _best(candidates: list[_CombCandidate], unit: RulerUnit | None) -> _CombCandidate | None:
    """Choose the reading that fits clearly better than any that would give another scale."""
    possible = [
        c for c in candidates if c.numbers is not _Numbers.DENY and unit in (None, c.division.unit)
    ]
    best = max(possible, key=lambda c: c.score, default=None)
    if best is None or not best.sure or not _numbers_suffice(best):
        return None
    others = (c for c in candidates if abs(c.px_per_mm / best.px_per_mm - 1) > 0.01)
    return best if all(best.score - c.score > _lead(best, c, unit) for c in others) else None


def _numbers_suffice(best: _CombCandidate) -> bool:
    """Inches need their numbers: without them eighths and sixteenths can look alike."""
    return best.division.unit is RulerUnit.MM or best.numbers is _Numbers.AGREE


def _lead(best: _CombCandidate, other: _CombCandidate, unit: RulerUnit | None) -> float:
    """Log-likelihood by which one reading must beat another.

    Where the other is the same comb with one more tier, that tier would have shown: the cost of
    its length has been charged to it already. One that the numbers deny stands in the way only
    where the ticks' lengths speak for it much more loudly; so does one in a unit that the user
    rules out, where it fits clearly better.
    """
    if other.numbers is _Numbers.DENY:
        return -0.5 * best.score - 10.0
    if unit not in (None, other.division.unit):
        return -_CLEARLY_BETTER
    nested = other.ticks is best.ticks and len(other.division.periods) > len(best.division.periods)
    return 1.0 if nested else _CLEARLY_BETTER


def _fit(reach_px: Floats, division: _Division) -> tuple[float, int]:
    """Log-likelihood of a division's pattern over that of equal ticks, at its best offset."""
    offsets = range(division.periods[0])
    return max((_fit_at(reach_px, division, offset), offset) for offset in offsets)


def _fit_at(reach_px: Floats, division: _Division, offset: int) -> float:
    """Log-likelihood (double exponential errors) less the cost of a length for each tier."""
    tier = _tiers(len(reach_px), division, offset)
    tiers = range(len(division.periods))
    if np.bincount(tier, minlength=len(tiers)).min() == 0:
        return -math.inf
    medians = np.array([_median(reach_px[tier == t]) for t in tiers])
    steps = np.diff(medians)
    if steps.min() < max(1.5, 0.3 * steps.mean()):  # No ruler makes so little of a tier.
        return -math.inf
    rest = np.abs(reach_px - medians[tier]).mean() + 0.5
    flat = np.abs(reach_px - _median(reach_px)).mean() + 0.5
    size = len(reach_px)
    return float(size * np.log(flat / rest) - 0.5 * len(tiers) * np.log(size))


def _median(values: Floats) -> float:
    """Median of a few numbers, many times faster than numpy's."""
    ordered = np.sort(values)
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def _scale(best: _CombCandidate, shape: tuple[int, ...]) -> RulerScale:
    ticks, line, division = best.ticks, best.line, best.division
    pitch_px = float(line.coef[1])
    drift = (
        math.sqrt(12)
        * (_SHARED_ERROR_PX + _SHARED_ERROR_OF_PITCH * pitch_px)
        / (line.span * pitch_px)
    )
    fit_sd = math.hypot(line.sd_pitch_px / division.division_mm, drift * best.px_per_mm)
    middle_row, depth = float(line.coef[0]), float(line.coef[2]) * (line.span - 1) / 2
    longer = 1 / math.cos(math.radians(ticks.lean.slant_deg))  # Along the ruler, not along rows.
    return RulerScale(
        px_per_mm=best.px_per_mm * longer,
        sd_px_per_mm=math.hypot(fit_sd, _RULER_RELATIVE_SD * best.px_per_mm) * longer,
        fit_sd_px_per_mm=fit_sd * longer,
        unit=division.unit,
        division_mm=division.division_mm,
        ticks=line.used,
        slant_deg=ticks.lean.slant_deg,
        centre_px=_in_patch((middle_row, ticks.col_px), ticks.lean, shape),
        stretch=(1 + depth) ** -2 - (1 - depth) ** -2,
    )


def _in_patch(
    at_px: tuple[float, float], lean: _Lean, shape: tuple[int, ...]
) -> tuple[float, float]:
    """Turn a point of the straightened patch back to the patch as it was given."""
    down = at_px[0] - (shape[0] - 1) / 2
    slope = math.tan(math.radians(lean.tilt_deg)) + lean.fan_per_px * down
    row = at_px[0] + slope * (at_px[1] - lean.pivot_col)
    return row, at_px[1] - math.tan(math.radians(lean.slant_deg)) * down
