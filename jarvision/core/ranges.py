"""One way to show how sure a number is: ranges that hold 9 times in 10, odds in tenths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

Z90 = 1.6449
"""Standard deviations to each side that hold 90 % of a normal distribution (normal tables)."""

RANGES_MEAN = "Ranges in brackets hold the true value about 9 times in 10."


def range_around(value: float, sd: float) -> tuple[float, float]:
    """Give the 90 % range of a normal value; NaN where its standard deviation is unknown."""
    return value - Z90 * sd, value + Z90 * sd


def range_of_places(
    value: float, sd: float, others: Sequence[tuple[float, float]] = ()
) -> tuple[float, float]:
    """Give the 90 % range of a value that may lie in one of several places.

    Parameters
    ----------
    value, sd : float
        The main place and one standard deviation, which the other places share.
    others : sequence of (float, float)
        Other places, each with its weight against the main one.

    Returns
    -------
    tuple of (float, float)
        The 5 and 95 % points of the mixture; NaN where the standard deviation is unknown.
    """
    if not math.isfinite(sd) or not others:
        return range_around(value, sd)
    places = [
        (NormalDist(place, max(sd, 1e-6)), weight) for place, weight in [(value, 1.0), *others]
    ]
    whole = sum(weight for _, weight in places)

    def at(chance: float) -> float:
        low, high = (f(p.inv_cdf(chance) for p, _ in places) for f in (min, max))
        for _ in range(60):  # halves until float's own resolution
            middle = (low + high) / 2
            below = sum(weight * p.cdf(middle) for p, weight in places) / whole
            low, high = (middle, high) if below < chance else (low, middle)
        return (low + high) / 2

    return at(0.05), at(0.95)


def with_range(
    value: float,
    ends: tuple[float, float],
    unit: str = "",
    *,
    finest: float = 1.0,
    lowest: float = -math.inf,
    highest: float = math.inf,
) -> str:
    """Print a value with its range, such as ``24 (21–27) %``; unknown parts say so.

    Parameters
    ----------
    value : float
    ends : tuple of (float, float)
        Limits of the range; NaN when unknown.
    unit : str
        Printed after the range.
    finest : float
        A power of ten: the last digit that is ever printed. A wide range is printed with
        fewer digits, and no range is printed narrower than one such digit either side.
    lowest, highest : float
        What the quantity cannot pass.
    """
    after = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "unknown"
    if not all(map(math.isfinite, ends)):
        return f"{value:.0f}{after} (range unknown)"
    finest_digits = max(0, -round(math.log10(finest)))
    wide = max((ends[1] - ends[0]) / (100 * finest), 1e-9)  # so many steps are false precision
    digits = min(finest_digits, max(0, finest_digits - 1 - math.floor(math.log10(wide) + 1e-9)))
    low = max(min(ends[0], value - finest), lowest)
    high = min(max(ends[1], value + finest), highest)
    numbers = (f"{round(v, digits) + 0.0:.{digits}f}" for v in (value, low, high))
    return "{} ({}–{}){}".format(*numbers, after)


def pct_with_range(pct: float, ends: tuple[float, float], unit: str = "%") -> str:
    """Print a share of a whole with its range."""
    return with_range(pct, ends, unit, lowest=0.0, highest=100.0)


def odds_in_words(odds: float) -> str:
    """Say odds from 0 to 1 in tenths; never as certainty, and never as nothing."""
    if math.isnan(odds):
        return "odds unknown"
    if odds > 0.95:
        return "better than 19 in 20"
    if odds < 0.05:
        return "less than 1 in 20"
    return f"{min(max(round(odds * 10), 1), 9)} in 10"
