"""How far two ways of measuring agree: limits of agreement, and kappa for classes."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

LIMITS_SOURCE = (
    "Bland J.M. and Altman D.G. (1986), Statistical methods for assessing agreement between two "
    "methods of clinical measurement, Lancet 327:307-310: limits at the mean difference ± 2 "
    "standard deviations"
)
KAPPA_SOURCE = (
    "Cohen J. (1960), A coefficient of agreement for nominal scales, Educational and Psychological "
    "Measurement 20:37-46; its range from the interval for a proportion of Wilson E.B. (1927), "
    "Journal of the American Statistical Association 22:209-212"
)

Range: TypeAlias = "tuple[float, float]"

_LIMIT_SDS = 2.0  # as the paper has it, not 1.96
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Limits of agreement of differences; all in the unit of the differences.

    Attributes
    ----------
    count, independent : int
        How many differences there are, and how many of them are independent of each other.
    bias : float
        Their mean; NaN without any.
    sd : float
        Their standard deviation (n - 1); NaN for fewer than two.
    low, high : float
        Limits between which about 19 in 20 differences lie, if they are spread normally.
    bias_range, low_range, high_range : tuple of (float, float)
        95 % confidence intervals of bias and limits, by Student's t.
    """

    count: int
    independent: int
    bias: float
    sd: float
    low: float
    high: float
    bias_range: Range
    low_range: Range
    high_range: Range


def agreement_of(differences: ArrayLike, *, independent: int | None = None) -> LimitsOfAgreement:
    """Work out the limits of agreement of differences.

    Parameters
    ----------
    differences : array_like
        One way less the other, any shape; NaN is left out.
    independent : int, optional
        How many of them are independent, where several come from one jar; it widens the
        confidence intervals. Without it all are.

    Returns
    -------
    LimitsOfAgreement

    Notes
    -----
    Standard errors as in the paper: s / √n of the bias, √(3 s² / n) of a limit.
    """
    values = np.asarray(differences, dtype=np.float64)
    values = values[np.isfinite(values)]
    n = values.size if independent is None else min(independent, values.size)
    bias = float(values.mean()) if values.size else math.nan
    sd = float(values.std(ddof=1)) if values.size > 1 else math.nan
    low, high = bias - _LIMIT_SDS * sd, bias + _LIMIT_SDS * sd
    reach = _student_95(n - 1) * sd / math.sqrt(n) if n > 1 else math.nan
    limit_reach = reach * math.sqrt(3)
    return LimitsOfAgreement(
        values.size,
        n,
        bias,
        sd,
        low,
        high,
        (bias - reach, bias + reach),
        (low - limit_reach, low + limit_reach),
        (high - limit_reach, high + limit_reach),
    )


def _student_95(degrees: int) -> float:
    """Two-sided 95 % point of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 0.975))


@dataclass(frozen=True, slots=True)
class Kappa:
    """Cohen's kappa: 1 is full agreement, 0 no better than chance.

    Attributes
    ----------
    count : int
        How many pairs there are.
    agreeing : int
        How many of them agree.
    value : float
        NaN without pairs, or where both ways know one and the same class only.
    range : tuple of (float, float)
        95 % interval, with the agreement by chance taken as known: rough for few pairs.
    """

    count: int
    agreeing: int
    value: float
    range: Range


def kappa_of(first: Sequence[Hashable], second: Sequence[Hashable]) -> Kappa:
    """Work out Cohen's kappa of two ways of naming the same things.

    Parameters
    ----------
    first, second : sequences of equal length
        Names by either way.
    """
    n = len(first)
    agreeing = sum(a == b for a, b in zip(first, second, strict=True))
    unknown = (math.nan, math.nan)
    if n == 0:
        return Kappa(0, 0, math.nan, unknown)
    counts, others = Counter(first), Counter(second)
    chance = math.fsum(counts[name] * others[name] for name in counts) / n**2
    if chance >= 1:
        return Kappa(n, agreeing, math.nan, unknown)
    low, high = wilson_95(agreeing, n)
    value = (agreeing / n - chance) / (1 - chance)
    return Kappa(
        n, agreeing, value, ((low - chance) / (1 - chance), (high - chance) / (1 - chance))
    )


def wilson_95(hits: int, count: int) -> Range:
    """Wilson's 95 % interval of a proportion, `count` at least 1."""
    share, spread = hits / count, _Z95**2 / count
    middle = (share + spread / 2) / (1 + spread)
    reach = math.sqrt(spread * share * (1 - share) + spread**2 / 4) / (1 + spread)
    return max(0.0, middle - reach), min(1.0, middle + reach)
