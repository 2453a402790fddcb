"""Heights of the layers' tops -> shares of sand, silt and clay by height, as draws.

Neighbouring layers share a boundary, and all of them share the floor and the scale, so their
errors are not independent: everything here is drawn together and counted, nothing is propagated.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import NoDepositError
from jarvision.core.measured import Measured
from jarvision.estimate.central import central_pct

MIN_DRAWS = 100
"""Fewer usable draws than this say nothing about odds."""

_TAIL_DOF = 8
"""Degrees of freedom of the boundaries' Student t, scaled to the stated sd: 95 % still lie within
two sd, but errors beyond three sd are some three times as common as in a normal spread."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """Another place where a boundary may be.

    Attributes
    ----------
    top_mm, sd_mm : float
        Height above the inside floor [mm] and its own standard deviation [mm].
    weight : float
        How likely it is against the main place, which counts 1: with 0.25, one in five.
    """

    top_mm: float
    sd_mm: float
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Composition:
    """Shares of the deposit's height.

    Attributes
    ----------
    sand_pct, silt_pct, clay_pct : Measured
        Shares [% of the height], from the middle (median) of the tops' draws, so that they add
        up to 100, moved into a likely class where that of the middle is not
        (`jarvision.estimate.central`); the sd is that of the draws about their main place, so
        that a far-off place that is hardly likely shows in the odds and not as a wide sd
        (`spread_of`).
    draws : ndarray of float, shape (n, 3)
        Draws of sand, silt and clay [%]; read-only, each row adds up to 100.
    """

    sand_pct: Measured
    silt_pct: Measured
    clay_pct: Measured
    draws: Array

    @property
    def pcts(self) -> tuple[float, float, float]:
        """The three shares [%]."""
        return self.sand_pct.value, self.silt_pct.value, self.clay_pct.value


def compose(top_draws_mm: ArrayLike) -> Composition:
    """Turn draws of the three tops into shares of the height.

    A top below the one under it is raised to it: a layer cannot be thinner than nothing, so that
    layer is empty in that draw. Only ratios count, so any unit of length does.

    Parameters
    ----------
    top_draws_mm : array_like, shape (n, 3)
        Tops of sand, silt and clay above the inside floor [mm, or any one unit]. Rows with an
        unknown (NaN) top, or with no deposit at all, are left out.

    Returns
    -------
    Composition
        Sand = first top, silt = second - first, clay = third - second, each over the third.

    Raises
    ------
    NoDepositError
        A top is unknown in most draws, or most draws have no deposit.
    """
    tops = _usable(np.asarray(top_draws_mm, dtype=np.float64))
    draws = _shares_pct(tops)
    draws.flags.writeable = False
    middle = _shares_pct(np.median(tops, axis=0, keepdims=True))[0]
    sds = spread_of(draws).tolist()
    sand, silt, clay = (
        Measured(v, sd, "%") for v, sd in zip(central_pct(draws, middle).tolist(), sds, strict=True)
    )
    return Composition(sand, silt, clay, draws)


def draw_tops(
    tops_mm: Sequence[float],
    sds_mm: Sequence[float],
    *,
    shared_sd_mm: float,
    scale_sd: float,
    rng: np.random.Generator,
    n: int = 4000,
    alternatives: Sequence[Sequence[Candidate]] = ((), (), ()),
) -> Array:
    """Draw the tops of sand, silt and clay with the errors that they share.

    Parameters
    ----------
    tops_mm, sds_mm : sequence of 3 floats
        Main place of each top above the inside floor [mm, or any one unit], and the standard
        deviation of its own error. NaN stays NaN in every draw.
    shared_sd_mm : float
        Standard deviation of the floor [mm]: an error in it moves all tops alike.
    scale_sd : float
        Relative standard deviation of the scale (0.01 is 1 %), shared by all; log-normal.
    rng : numpy.random.Generator
        Source of chance.
    n : int, optional
        How many draws.
    alternatives : sequence of 3 sequences of Candidate, optional
        Other places for each top. Places that would put a top clearly below the one under it
        (by over two sd) are not drawn together, unless nothing else is possible.

    Returns
    -------
    ndarray of float, shape (n, 3)
        Tops [mm], not yet put in order: `compose` does that.

    Raises
    ------
    ValueError
        A standard deviation or weight is negative, or there are not three boundaries.
    """
    places = [
        _places(Candidate(top, sd, 1.0), others)
        for top, sd, others in zip(tops_mm, sds_mm, alternatives, strict=True)
    ]
    if len(places) != 3 or min(shared_sd_mm, scale_sd) < 0:
        msg = "three boundaries and standard deviations of at least 0 are needed"
        raise ValueError(msg)
    tops, sds = _choose_places(places, rng, n)
    unit_sd = math.sqrt((_TAIL_DOF - 2) / _TAIL_DOF)
    own = sds * unit_sd * rng.standard_t(_TAIL_DOF, size=(n, 3))
    floor = shared_sd_mm * rng.standard_normal((n, 1))
    scale = np.exp(scale_sd * rng.standard_normal((n, 1)))
    drawn: Array = (tops + own + floor) * scale
    return drawn


def spread_of(draws: Array) -> Array:
    """Measure the standard deviation of each column about its main place.

    Draws further from the median than six times the half-width of the middle 68.3 % belong to
    another place that the boundary could have. Where they are few they count in the odds, not in
    the sd.
    """
    low, middle, high = np.percentile(draws, [15.87, 50.0, 84.13], axis=0)
    near = np.abs(draws - middle) <= 3.0 * (high - low)
    near |= (~near).mean(axis=0) > _FEW_DRAWS
    sd: Array = np.array(
        [column[kept].std(ddof=1) for column, kept in zip(draws.T, near.T, strict=True)]
    )
    return sd


_FEW_DRAWS = 0.05  # of all: more of them are as likely as what an interval of 95 % leaves out


def _usable(tops: Array) -> Array:
    """Keep the rows that can be read, their tops in order and none below the floor."""
    if tops.ndim != 2 or tops.shape[1] != 3:
        msg = f"expected tops of sand, silt and clay, shape (n, 3), got {tops.shape}"
        raise ValueError(msg)
    known = tops[np.isfinite(tops).all(axis=1)]
    if len(known) < max(MIN_DRAWS, len(tops) / 2):
        msg = (
            "The tops of sand, silt and clay could not all be placed, so there are no "
            "percentages; add the photo of the layer that is missing."
        )
        raise NoDepositError(msg)
    ordered = np.maximum.accumulate(np.maximum(known, 0.0), axis=1)
    deposit = ordered[ordered[:, 2] > 0]
    if len(deposit) < max(MIN_DRAWS, len(known) / 2):
        msg = (
            "No deposit could be measured above the jar's floor; photograph the jar with its "
            "foot and all of the soil in the picture."
        )
        raise NoDepositError(msg)
    return deposit


def _shares_pct(tops: Array) -> Array:
    shares: Array = np.diff(tops / tops[:, 2:], axis=1, prepend=0.0) * 100
    return shares


def _places(main: Candidate, others: Sequence[Candidate]) -> tuple[Candidate, ...]:
    places = (main, *others)
    if any(place.sd_mm < 0 or not 0 <= place.weight < math.inf for place in places):
        msg = f"standard deviations and weights must be at least 0: {places}"
        raise ValueError(msg)
    return places


def _choose_places(
    places: Sequence[Sequence[Candidate]], rng: np.random.Generator, n: int
) -> tuple[Array, Array]:
    """Choose one place for each top in each draw; return tops and sds, both shape (n, 3)."""
    ways = list(itertools.product(*places))
    in_order = [way for way in ways if _weight(way) > 0 and _stacks(way)] or [
        way for way in ways if _weight(way) > 0
    ]
    chosen = rng.choice(len(in_order), size=n, p=_joint_odds(places, in_order))
    tops = np.array([[place.top_mm for place in way] for way in in_order])
    sds = np.array([[place.sd_mm for place in way] for way in in_order])
    return tops[chosen], sds[chosen]


def _joint_odds(
    places: Sequence[Sequence[Candidate]], ways: Sequence[Sequence[Candidate]]
) -> Array:
    """Odds of ways to stack places, by which each place is as likely as its own weight says.

    A rare place that goes only with a rare place of another top would all but vanish in a product
    of weights. Iterative proportional fitting (Deming and Stephan 1940, Ann. Math. Stat. 11: 427).
    """
    odds = np.array([_weight(way) for way in ways])
    through = [
        (np.array([way[layer] is place for way in ways]), place.weight / sum(p.weight for p in own))
        for layer, own in enumerate(places)
        for place in own
    ]
    for _ in range(_FITTINGS):
        for goes, wanted in through:
            share = odds[goes].sum() / odds.sum()
            if share > 0:
                odds[goes] *= wanted / share
    fitted: Array = odds / odds.sum()
    return fitted


_FITTINGS = 30


def _weight(way: Sequence[Candidate]) -> float:
    return math.prod(place.weight for place in way)


def _stacks(way: Sequence[Candidate]) -> bool:
    """Tell whether each top can lie on the one under it, given two sd of both."""
    return not any(
        low.top_mm - high.top_mm > 2 * math.hypot(low.sd_mm, high.sd_mm)
        for low, high in itertools.pairwise(way)
    )
