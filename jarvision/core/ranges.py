"""One way to show how sure a number is: the range that holds the true value 9 times in 10."""

from __future__ import annotations

import math

Z90 = 1.6449
"""Standard deviations to each side that hold 90 % of a normal distribution (normal tables)."""

RANGES_MEAN = "Ranges in brackets hold the true value about 9 times in 10."


def range_around(value: float, sd: float) -> tuple[float, float]:
    """Give the 90 % range of a normal value; NaN where its standard deviation is unknown."""
    return value - Z90 * sd, value + Z90 * sd


def with_range(
    value: float,
    ends: tuple[float, float],
    unit: str = "",
    *,
    finest: float = 1.0,
    lowest: float = -math.inf,
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
        A power of ten: the last digit that is ever printed. A wide range is printed without
        decimals, and no range is printed narrower than one such digit either side.
    lowest : float
        What the quantity cannot go below.
    """
    after = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "unknown"
    if not all(map(math.isfinite, ends)):
        return f"{value:.0f}{after} (range unknown)"
    is_wide = ends[1] - ends[0] >= 100 * finest
    digits = 0 if is_wide else max(0, -round(math.log10(finest)))
    low = max(min(ends[0], value - finest), lowest)
    high = max(ends[1], value + finest)
    numbers = (f"{round(v, digits) + 0.0:.{digits}f}" for v in (value, low, high))
    return "{} ({}–{}){}".format(*numbers, after)
