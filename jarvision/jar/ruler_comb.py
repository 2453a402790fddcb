"""Combs of ticks in a patch of a photo: found by their spectrum, then followed tick by tick.

Pixels are (row, col), y downward, the centre of pixel (0, 0) at the origin.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Floats, Mask, Places

_LARGEST_SLANT_DEG = 8.0

_FINEST_PITCH_PX = 3.2

_BAND_PX = 6

_FEWEST_TICKS = 16

_GAP = 0.75  # Half the columns without ink that end a tick.

_STANDS_OUT = 7.0  # Times a column's typical amplitude.


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
    place: Array


@dataclass(frozen=True, slots=True)
class Ticks:
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
    row_px: Array
    contrast: Array
    reach_px: Array
    texture: Array
    between: float


@dataclass(frozen=True, slots=True)
class TickLine:
    """Ticks' rows fitted by number, counted from their middle: row = a + b n / (1 + c n)."""

    coef: Array
    sd_pitch_px: float
    spread_px: float
    used: int
    span: int


def _straightened(patch: Floats, lean: _Lean) -> Floats:
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


def find_combs(patch: Floats) -> Iterator[_Comb]:
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


def _spectrum(straight: Floats) -> Array:
    """Amplitudes (frequency, column band), each band in parts of its own noise."""
    import cv2

    bands = cv2.blur(straight, (_BAND_PX, 1))[:, _BAND_PX // 2 :: _BAND_PX // 2]
    window = np.hanning(straight.shape[0]).astype(np.float32)
    amplitude = np.abs(np.fft.rfft(bands * window[:, None], axis=0))
    strength: Array = amplitude / (np.median(amplitude, axis=0) + 1e-3)
    return strength


def _likely_bins(line: Array) -> list[int]:
    """Frequencies of the strongest peaks, and those whose harmonic or part such a peak is."""
    inner = line[_FEWEST_TICKS:-1]
    is_top = (inner >= line[_FEWEST_TICKS - 1 : -2]) & (inner > line[_FEWEST_TICKS + 1 :])
    tops = _FEWEST_TICKS + np.flatnonzero(is_top)
    strongest = tops[np.argsort(-line[tops])][:6]
    factors = (1.0, 2.0, 5.0, 1 / 2, 1 / 4)
    return [round(top * factor) for factor in factors for top in strongest]


def follow_comb(patch: Floats, comb: _Comb) -> list[Ticks]:
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


def _straightened_run(patch: Floats, comb: _Comb) -> tuple[Floats, _Run | None]:
    straight = _straightened(patch, comb.lean)
    return straight, _run(straight, comb)


def _same_lean(one: _Lean, other: _Lean, rows: int) -> bool:
    moved = abs(one.slant_deg - other.slant_deg) + abs(one.tilt_deg - other.tilt_deg)
    moved += 0.05 * abs(one.pivot_col - other.pivot_col)
    return moved < 0.15 and abs(one.fan_per_px - other.fan_per_px) * rows < 0.01


def _run(straight: Floats, comb: _Comb) -> _Run | None:
    """Find the rows along which a comb goes on, and number its ticks there."""
    phase, amplitude = _demodulated(_band(straight, comb.col), comb.cycles_per_px)
    first, last = _longest_run(amplitude > 0.4 * np.quantile(amplitude, 0.9))
    if (last - first) * comb.cycles_per_px < _FEWEST_TICKS:
        return None
    rows = np.arange(first, last)
    curve = np.polynomial.Polynomial.fit(rows, phase[first:last], 2, w=amplitude[first:last])
    place = curve(rows)
    return _Run(slice(first, last), place) if np.diff(place).min() > 0 else None


def _band(straight: Floats, col: float) -> Array:
    left = max(0, round(col) - _BAND_PX // 2)
    line: Array = straight[:, left : left + _BAND_PX].mean(axis=1, dtype=np.float64)
    return line


def _demodulated(line: Array, cycles_per_px: float) -> tuple[Array, Array]:
    """Tick number (not whole between ticks) and amplitude at each row, over about five ticks."""
    rows = np.arange(len(line))
    carrier = np.exp(-2j * np.pi * cycles_per_px * rows)
    window = np.hanning(2 * round(3 / cycles_per_px) + 3)
    smooth = np.convolve(line * carrier, window / window.sum(), mode="same")
    phase: Array = cycles_per_px * rows + np.unwrap(np.angle(smooth)) / (2 * np.pi)
    return phase, 2 * np.abs(smooth)


def _longest_run(good: Mask) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.r_[False, good, False].astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 0
    longest = int((stops - starts).argmax())
    return int(starts[longest]), int(stops[longest])


def _better_lean(straight: Floats, run: _Run, comb: _Comb) -> _Lean:
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


def _wave(straight: Floats, place: Array, rows: slice) -> NDArray[np.complex128]:
    """Amplitude and phase of the comb at each column, over some rows."""
    angle = 2 * np.pi * place[rows]
    cos, sin = np.stack([np.cos(angle), np.sin(angle)]).astype(np.float32) @ straight[rows]
    wave: NDArray[np.complex128] = cos - 1j * sin
    return wave


def _shift(first: Array, second: Array, *, most: int) -> int:
    """Columns by which a second profile stands right of a first."""
    first, second = first - first.mean(), second - second.mean()
    shifts = range(-most, most + 1)
    padded = np.pad(second, most)
    return max(shifts, key=lambda k: float(first @ padded[most + k : most + k + len(first)]))


def _measured_ticks(straight: Floats, run: _Run, comb: _Comb) -> Ticks | None:
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
    return Ticks(
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


def _by_tick(values: NDArray[Any], number: Places) -> NDArray[Any]:
    """Mean over the rows of each tick's cell."""
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    counts = np.diff(np.r_[starts, len(number)])
    sums = np.add.reduceat(values, starts, axis=0)
    means: NDArray[Any] = sums / counts.reshape((-1,) + (1,) * (values.ndim - 1))
    return means


def _ink(straight: Floats, place: Array, number: Places) -> Array:
    """Ink of each tick at each column: what rises and falls once from one tick to the next."""
    wave = (2 * np.cos(2 * np.pi * place)).astype(np.float32)
    return _by_tick(wave[:, None] * straight, number)


def _full_width(ink: Array, col: float) -> tuple[int, int]:
    """Columns, about the comb's, where even the shortest ticks reach."""
    mean = np.convolve(ink, np.full(3, 1 / 3), mode="same")
    near = slice(max(0, round(col) - 2 * _BAND_PX), round(col) + 2 * _BAND_PX)
    middle = int(mean[near].argmax()) + near.start
    bad = np.flatnonzero(mean <= 0.6 * mean[middle])
    left = int(bad[bad < middle].max(initial=-1)) + 1
    return left, int(bad[bad > middle].min(initial=len(mean)))


def _tick_rows(line: Array, place: Array, number: Places) -> Array:
    """Row of each tick from the phase of its own cell, independent of its neighbours'."""
    level = line - _by_tick(line, number)[number - number[0]]
    wave = _by_tick(level * np.exp(2j * np.pi * place), number)
    exact = np.arange(number[0], number[-1] + 1) + np.angle(wave) / (2 * np.pi)
    rows: Array = np.interp(exact, place, np.arange(len(place)))
    return rows


def _outward(ink: Array, middle: int, gap: float) -> slice:
    """Columns from the middle to the side where the ticks' lengths differ."""
    sides = (slice(middle, None), slice(middle, None, -1))
    reaches = [np.quantile(_reach(ink[:, side], gap), (0.1, 0.9)) for side in sides]
    return sides[int(np.argmax([high - low for low, high in reaches]))]


def _reach(ink: Array, gap: float) -> Array:
    """Where each row's ink ends: a noisy column or two does not end it, a gap does."""
    gathered = np.cumsum(np.clip(ink - 0.5, -0.5, 0.5), axis=1)
    top = np.maximum.accumulate(gathered, axis=1)
    beyond_gap = np.maximum.accumulate(top - gathered > gap, axis=1)
    reach: Array = np.where(beyond_gap, -np.inf, gathered).argmax(axis=1) + 1.0
    return reach


def _texture(straight: Floats, place: Array, number: Places) -> Array:
    """Ink in each tick's cell but for the tick's own line, by column."""
    off_line = np.abs(place - number) > 0.2
    return _by_tick(straight**2 * off_line[:, None], number)


def _between(straight: Floats, place: Array) -> float:
    """Ink half way between ticks: a sign that the comb is really twice as fine."""
    apart = np.abs(place - np.round(place))
    at_half, at_quarter = apart > 0.38, np.abs(apart - 0.25) < 0.1
    if not at_half.any() or not at_quarter.any():
        return math.inf  # Ticks too close to tell.
    half, quarter = straight[at_half].mean(axis=0), straight[at_quarter].mean(axis=0)
    excess = np.convolve(half - quarter, np.full(_BAND_PX, 1 / _BAND_PX), mode="valid")
    return float(excess.max())


def is_complete(ticks: Ticks) -> bool:
    """Whether a tick stands at every place of the comb and none between."""
    present = np.mean(ticks.contrast > 0.4)
    return bool(present > 0.92 and ticks.between < 0.25)


def line_of(row_px: Array) -> TickLine:
    """Fit the ticks' rows by one perspective, leaving out those that lie far off."""
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
    return TickLine(coef, math.sqrt(cov[1, 1]), spread_px, int(keep.sum()), len(row_px))


def is_regular(line: TickLine) -> bool:
    """Whether the ticks lie where a comb's would; the gaps and edges of a coarser one do not."""
    return line.spread_px < 0.1 * float(line.coef[1]) and line.used > 0.85 * line.span


def in_patch(
    at_px: tuple[float, float], lean: _Lean, shape: tuple[int, ...]
) -> tuple[float, float]:
    """Turn a point of the straightened patch back to the patch as it was given."""
    down = at_px[0] - (shape[0] - 1) / 2
    slope = math.tan(math.radians(lean.tilt_deg)) + lean.fan_per_px * down
    row = at_px[0] + slope * (at_px[1] - lean.pivot_col)
    return row, at_px[1] - math.tan(math.radians(lean.slant_deg)) * down
