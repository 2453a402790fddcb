"""Jars that differ from the others of their bed, by a stated test, and how far a bed's jars spread.

A jar is set against the mean of the others, layer by layer (Grubbs 1969, Technometrics 11:1–21, in
its two-sided form; NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17.1). The
chance of one false alarm in a bed of equal jars is at most `CHANCE`: it is shared out among the
bed's jars and layers. The jars' own uncertainty counts as well: a spread smaller than that is never
taken for the bed's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.sources import Quality, Source

CHANCE = 0.05  # of a false alarm in the whole bed
LEAST_JARS = 4
"""With fewer, nothing can be told apart by the others' spread."""
GRUBBS = Source(
    Quality.MEMORY,
    "Grubbs 1969, Technometrics 11:1–21, and NIST/SEMATECH e-Handbook, section 1.3.5.17.1: one "
    "value against the others' mean and spread",
)


@dataclass(frozen=True, slots=True)
class Outlying:
    """A share that is further from the others than chance explains.

    Attributes
    ----------
    place : int
        The jar's place in the list that was given.
    layer : int
        0 sand, 1 silt, 2 clay.
    pct, others_pct : float
        Its share, and the mean of the others' [%].
    """

    place: int
    layer: int
    pct: float
    others_pct: float


def outlying(pcts: Array, sds: Array) -> list[Outlying]:
    """Find the jars of one bed that differ from the others.

    Parameters
    ----------
    pcts : ndarray, shape (n, layers)
        Shares of each jar [%].
    sds : ndarray, shape (n, layers)
        One standard deviation of each from reading alone [points]; NaN counts as 0.

    Returns
    -------
    list of Outlying
        Furthest first; empty for fewer than `LEAST_JARS` jars.
    """
    from scipy.special import stdtrit

    count, layers = pcts.shape
    if count < LEAST_JARS:
        return []
    limit = float(-stdtrit(count - 2, CHANCE / (2 * count * layers)))
    sds = np.nan_to_num(sds)
    found: list[tuple[float, Outlying]] = []
    for place in range(count):
        others, own = np.delete(pcts, place, axis=0), np.delete(sds, place, axis=0)
        mean = others.mean(axis=0)
        spread = np.maximum(others.std(axis=0, ddof=1), np.sqrt((own**2).mean(axis=0)))
        spread = np.maximum(spread, sds[place])
        off = np.abs(pcts[place] - mean) / np.maximum(spread, 1e-9)
        off /= math.sqrt(1 + 1 / (count - 1))
        layer = int(np.argmax(off))
        if off[layer] > limit:
            jar = Outlying(place, layer, float(pcts[place, layer]), float(mean[layer]))
            found.append((float(off[layer]), jar))
    return [jar for _, jar in sorted(found, key=lambda pair: -pair[0])]


@dataclass(frozen=True, slots=True)
class Spread:
    """How jars lie about their mean, a number each for sand, silt and clay.

    Attributes
    ----------
    count : int
    mean_pct, low_pct, high_pct : tuple of float
        Mean, lowest and highest share [%].
    sd_points : tuple of float
        Standard deviation between the jars [points]; NaN for one jar.
    expected_sd_points : tuple of float
        What the readings' own uncertainty alone would give; NaN when unknown.
    """

    count: int
    mean_pct: tuple[float, ...]
    low_pct: tuple[float, ...]
    high_pct: tuple[float, ...]
    sd_points: tuple[float, ...]
    expected_sd_points: tuple[float, ...]


def spread_of(pcts: Array, sds: Array) -> Spread:
    """Describe the spread of some jars.

    Parameters
    ----------
    pcts, sds : ndarray, shape (n, layers)
        Shares [%] and one standard deviation of each from reading alone [points]; n is 1 or more.
    """
    count = len(pcts)
    sd = pcts.std(axis=0, ddof=1) if count > 1 else np.full(pcts.shape[1], math.nan)
    return Spread(
        count,
        _numbers(pcts.mean(axis=0)),
        _numbers(pcts.min(axis=0)),
        _numbers(pcts.max(axis=0)),
        _numbers(sd),
        _numbers(np.sqrt((sds**2).mean(axis=0))),
    )


def _numbers(values: Array) -> tuple[float, ...]:
    return tuple(map(float, values))
