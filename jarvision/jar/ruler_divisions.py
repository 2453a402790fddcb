"""What a comb of ticks is divided in, told by the ticks' lengths and the numbers beside them.

Every fifth and tenth tick is longer on a metric ruler, every second, fourth and eighth on one in
inches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, StrEnum
from itertools import pairwise

import numpy as np

from jarvision.core.arrays import Array, Places
from jarvision.jar.quick_arrays import median_of
from jarvision.jar.ruler_comb import TickLine, Ticks

_CLEARLY_BETTER = 6.0  # Log-likelihood by which one reading of the tick lengths must lead.


class RulerUnit(StrEnum):
    """What a ruler is divided in, as the user may state it."""

    MM = "mm"
    INCH = "inch"


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


class _Numbers(Enum):
    """What the numbers beside the ticks say of a reading."""

    AGREE = 1
    ABSENT = 0
    DENY = -1


@dataclass(frozen=True, slots=True)
class CombCandidate:
    """One reading of the patch: a comb, what it is divided in, and how well that fits.

    It is `sure` where its tiers of ticks are clearly apart.
    """

    score: float
    sure: bool
    numbers: _Numbers
    division: _Division
    ticks: Ticks
    line: TickLine

    @property
    def px_per_mm(self) -> float:
        """Pixels to a millimetre."""
        return float(self.line.coef[1]) / self.division.division_mm


def candidates_of(ticks: Ticks, line: TickLine) -> list[CombCandidate]:
    """Give every way of dividing a ruler that fits a comb of ticks."""
    found = []
    for division in _DIVISIONS:
        score, offset = _fit(ticks.reach_px, division)
        if score > _CLEARLY_BETTER:
            tier = _tiers(len(ticks.reach_px), division, offset)
            sure = _tiers_apart(ticks.reach_px, tier)
            numbers = _numbers(ticks, tier, line)
            found.append(CombCandidate(score, sure, numbers, division, ticks, line))
    return found


def _tiers(count: int, division: _Division, offset: int) -> Places:
    """Tier of each tick: 0 for the shortest."""
    number = np.arange(count) + offset
    tier: Places = np.sum([number % p == 0 for p in division.periods[:-1]], axis=0)
    return tier


def _tiers_apart(reach_px: Array, tier: Places) -> bool:
    """Whether every tier shows more than once, and few ticks of it or none overlap the next."""
    tiers = [reach_px[tier == t] for t in range(int(tier.max()) + 1)]
    return all(len(reach) > 1 for reach in tiers) and all(_apart(*p) for p in pairwise(tiers))


def _apart(shorter: Array, longer: Array) -> bool:
    step = float(np.median(longer) - np.median(shorter))
    low = np.quantile(longer, 0.3 if len(longer) > 4 else 0.0)
    high = np.quantile(shorter, 0.7 if len(shorter) > 4 else 1.0)
    return step > 1.5 and bool(low - high > 0.1 * step)


def _numbers(ticks: Ticks, tier: Places, line: TickLine) -> _Numbers:
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


def _ink_beyond(ticks: Ticks, reach_px: float, width_px: int) -> Array:
    """Ink in each tick's cell beyond a reach."""
    start = min(round(reach_px) + 2, ticks.texture.shape[1] - 1)
    ink: Array = ticks.texture[:, start : start + width_px].mean(axis=1)
    return ink


def best_candidate(candidates: list[CombCandidate], unit: RulerUnit | None) -> CombCandidate | None:
    """Choose the reading that fits clearly better than any that would give another scale."""
    possible = [
        c for c in candidates if c.numbers is not _Numbers.DENY and unit in (None, c.division.unit)
    ]
    best = max(possible, key=lambda c: c.score, default=None)
    if best is None or not best.sure or not _numbers_suffice(best):
        return None
    others = (c for c in candidates if abs(c.px_per_mm / best.px_per_mm - 1) > 0.01)
    return best if all(best.score - c.score > _lead(best, c, unit) for c in others) else None


def _numbers_suffice(best: CombCandidate) -> bool:
    """Inches need their numbers: without them eighths and sixteenths can look alike."""
    return best.division.unit is RulerUnit.MM or best.numbers is _Numbers.AGREE


def _lead(best: CombCandidate, other: CombCandidate, unit: RulerUnit | None) -> float:
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


def _fit(reach_px: Array, division: _Division) -> tuple[float, int]:
    """Log-likelihood of a division's pattern over that of equal ticks, at its best offset."""
    offsets = range(division.periods[0])
    return max((_fit_at(reach_px, division, offset), offset) for offset in offsets)


def _fit_at(reach_px: Array, division: _Division, offset: int) -> float:
    """Log-likelihood (double exponential errors) less the cost of a length for each tier."""
    tier = _tiers(len(reach_px), division, offset)
    tiers = range(len(division.periods))
    if np.bincount(tier, minlength=len(tiers)).min() == 0:
        return -math.inf
    medians = np.array([median_of(reach_px[tier == t]) for t in tiers])
    steps = np.diff(medians)
    if steps.min() < max(1.5, 0.3 * steps.mean()):  # No ruler makes so little of a tier.
        return -math.inf
    rest = np.abs(reach_px - medians[tier]).mean() + 0.5
    flat = np.abs(reach_px - median_of(reach_px)).mean() + 0.5
    size = len(reach_px)
    return float(size * np.log(flat / rest) - 0.5 * len(tiers) * np.log(size))
