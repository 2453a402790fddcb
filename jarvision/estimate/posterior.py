"""Stacked heights to a soil by weight: draws of the settling model that fit what was seen.

A layer's height is a volume, and the deposit at a given minute is not what a laboratory calls
sand or silt. Each draw here is a whole invented jar: grain sizes, packing, clumping of the clay,
temperature, everything that the photos do not show. Its masses are solved so that it stacks as
the jar did, and it counts by how well it does and by how cloudy it leaves the water. What the
photos cannot tell stays as wide as the priors are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from jarvision.estimate.central import central_pct
from jarvision.estimate.known import (
    Evidence,
    Horizon,
    JarFacts,
    Top,
    WaterState,
    crowded,
    gather,
)
from jarvision.estimate.priors import PRIORS
from jarvision.estimate.stacking import Cloud, explore

__all__ = [
    "Horizon",
    "Interval",
    "JarFacts",
    "SettlingCurve",
    "Top",
    "WaterState",
    "Weighed",
    "WeighingDoubt",
    "WeighingDoubtName",
    "weigh",
]

Array = NDArray[np.float64]

DAY_S = 86400.0


class WeighingDoubtName(StrEnum):
    """Names of the doubts that a result by weight can carry."""

    LAST_PHOTO_EARLY = "last_photo_early"
    WATER_LINE_UNKNOWN = "water_line_unknown"
    WATER_STATE_UNKNOWN = "water_state_unknown"
    MORE_SOIL_THAN_WATER = "more_soil_than_water"
    GRAMS_WITHOUT_WIDTH = "grams_without_width"
    ORGANIC_SOIL = "organic_soil"
    SETTLING_MISFIT = "settling_misfit"
    PRIOR_DRIVEN = "prior_driven"
    FEW_HEIGHTS = "few_heights"


_SENTENCES: Mapping[WeighingDoubtName, str] = {
    WeighingDoubtName.LAST_PHOTO_EARLY: "The last photo was taken {hours:.0f} h after shaking, "
    "when much of the clay may still be up, so the result by weight is less sure; take another "
    "after 48 h.",
    WeighingDoubtName.WATER_LINE_UNKNOWN: "The water line was not seen, so how far the grains fell "
    "was guessed; give --water-mm for a narrower result by weight.",
    WeighingDoubtName.WATER_STATE_UNKNOWN: "It is not known whether the water had cleared at the "
    "last photo, so the clay by weight is less sure; say so with --water clear, hazy or cloudy.",
    WeighingDoubtName.MORE_SOIL_THAN_WATER: "There is more soil than water in this jar, so grains "
    "fell crowded and sorted badly; use a third of soil or less next time.",
    WeighingDoubtName.GRAMS_WITHOUT_WIDTH: "The grams of soil were not used, since the jar's "
    "inside width is not known; give it as well.",
    WeighingDoubtName.ORGANIC_SOIL: "With {organic_pct:.0f} % organic matter this is an organic "
    "soil, for which sand, silt and clay say little.",
    WeighingDoubtName.SETTLING_MISFIT: "The heights do not rise the way {what} would settle, so at "
    "least one number is likely wrong; check {what_to_check}.",
    WeighingDoubtName.PRIOR_DRIVEN: "By weight this is mostly assumption: the photos cannot tell "
    "{reason}, so usual values were taken and the interval is wide{advice}.",
    WeighingDoubtName.FEW_HEIGHTS: "Fewer than three heights were read, too few to tell sand, silt "
    "and clay apart by weight; add photos at 1 minute, 2 hours and 48 hours.",
}


@dataclass(frozen=True, slots=True)
class WeighingDoubt:
    """A named doubt with its one sentence for the gardener."""

    name: WeighingDoubtName
    sentence: str


def _doubt(name: WeighingDoubtName, **facts: object) -> WeighingDoubt:
    return WeighingDoubt(name, _SENTENCES[name].format(**facts))


@dataclass(frozen=True, slots=True)
class Interval:
    """A value to print with the limits of its 90 % interval.

    Attributes
    ----------
    value, lo, hi : float
        All in the unit that the field's name ends in.
    """

    value: float
    lo: float
    hi: float


@dataclass(frozen=True, slots=True)
class SettlingCurve:
    """The deposit's top over time, as the draws have it.

    Attributes
    ----------
    time_s : ndarray, shape (T,)
        Times since shaking [s], rising.
    lo_mm, mid_mm, hi_mm : ndarray, shape (T,)
        5, 50 and 95 % points of the top above the floor [mm].
    """

    time_s: Array
    lo_mm: Array
    mid_mm: Array
    hi_mm: Array


@dataclass(frozen=True, slots=True)
class Weighed:
    """A soil by weight, estimated.

    Attributes
    ----------
    fractions : ndarray, shape (n, 3)
        Equally likely draws of sand, silt and clay, shares of the mineral mass that sum to 1.
    sand_pct, silt_pct, clay_pct : Interval
        Their 90 % intervals [%], and the composition to print: the draws' mean or, where that is
        not of the likeliest class, the draw of it that lies nearest.
    suspended_pct : Interval
        Share of the clay still in the water at the last photo [%].
    effective_draws : float
        How many independent draws the weighted ones are worth; under 100 the limits are rough.
    curve : SettlingCurve
        What to draw behind the heights.
    water_state : WaterState
        The water at the last photo, as it was used.
    why : str
        One sentence on why this differs from the result by height.
    prior_driven : bool
        Whether assumptions, more than the photos, set the interval.
    prior_note : str
        The sentence that labels such a result; empty otherwise.
    doubts : tuple of WeighingDoubt
        What the reader should know.
    """

    fractions: Array
    sand_pct: Interval
    silt_pct: Interval
    clay_pct: Interval
    suspended_pct: Interval
    effective_draws: float
    curve: SettlingCurve
    water_state: WaterState
    why: str
    prior_driven: bool
    prior_note: str
    doubts: tuple[WeighingDoubt, ...]


# -- rounds of draws ------------------------------------------------------------------------------


_FIRST_DRAWS = 2000
_MORE_DRAWS = 1500
_MOST_ROUNDS = 4
_ENOUGH = 400.0  # effective draws after which no further round is made
_LEAST_DRAWS = 80.0  # weights worth fewer are made more alike, which widens the interval
_KEEP_PRIOR = 0.25  # share of later rounds still drawn from the prior, so that nothing is missed


@dataclass(frozen=True, slots=True)
class _Proposal:
    """A normal law of z, used for `count` draws."""

    mean: Array
    root: Array
    count: int


def _log_normal_density(z: Array, proposal: _Proposal) -> Array:
    scaled = np.linalg.solve(proposal.root, (z - proposal.mean).T)
    log_det = np.log(np.diagonal(proposal.root)).sum()
    return np.asarray(-0.5 * (scaled**2).sum(axis=0) - log_det, dtype=np.float64)


def _log_weights(cloud: Cloud, proposals: Sequence[_Proposal]) -> Array:
    """Weights against the mixture of all that was drawn from (multiple importance sampling)."""
    count = sum(p.count for p in proposals)
    parts = [_log_normal_density(cloud.z, p) + math.log(p.count / count) for p in proposals]
    log_w = cloud.log_fit - 0.5 * (cloud.z**2).sum(axis=1) - logsumexp(parts, axis=0)
    return np.asarray(log_w - logsumexp(log_w), dtype=np.float64)


def _effective(log_w: Array) -> float:
    return float(np.exp(-logsumexp(2.0 * log_w)))


def _flattened(log_w: Array, least: float) -> Array:
    """Log weights made more alike until they are worth `least` draws."""
    for power in (1.0, 0.8, 0.65, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05):
        flat = np.asarray(power * log_w - logsumexp(power * log_w), dtype=np.float64)
        if _effective(flat) >= least:
            break
    return flat


def _next_proposal(cloud: Cloud, log_w: Array, count: int) -> _Proposal:
    weight = np.exp(_flattened(log_w, 8.0 * cloud.z.shape[1]))
    mean = weight @ cloud.z
    away = cloud.z - mean
    spread = (away * weight[:, None]).T @ away
    spread = 0.8 * spread + 0.2 * np.diag(np.diagonal(spread)) + 0.02 * np.eye(mean.size)
    return _Proposal(mean, np.linalg.cholesky(np.asarray(1.15 * spread)), count)


def _joined(a: Cloud, b: Cloud) -> Cloud:
    names = Cloud.__slots__
    return Cloud(*(np.concatenate([getattr(a, n), getattr(b, n)]) for n in names))


def _sample(evidence: Evidence, rng: np.random.Generator) -> tuple[Cloud, Array]:
    """Draws and their log weights, in rounds that learn from each other."""
    size = len(PRIORS)
    plain = _Proposal(np.zeros(size), np.eye(size), _FIRST_DRAWS)
    proposals = [plain]
    cloud = explore(evidence, rng.standard_normal((plain.count, size)), rng)
    log_w = _log_weights(cloud, proposals)
    for _ in range(_MOST_ROUNDS - 1):
        if _effective(log_w) >= _ENOUGH or not np.isfinite(log_w).any():
            break
        again = round(_KEEP_PRIOR * _MORE_DRAWS)
        learned = _next_proposal(cloud, log_w, _MORE_DRAWS - again)
        proposals += [_Proposal(plain.mean, plain.root, again), learned]
        z = rng.standard_normal((_MORE_DRAWS, size))
        z[again:] = learned.mean + z[again:] @ learned.root.T
        cloud = _joined(cloud, explore(evidence, z, rng))
        log_w = _log_weights(cloud, proposals)
    return cloud, log_w


# -- the report -----------------------------------------------------------------------------------


def weigh(
    tops: Sequence[Top],
    *,
    facts: JarFacts | None = None,
    rng: np.random.Generator,
    draws: int = 2000,
) -> Weighed:
    """Estimate sand, silt and clay by weight from the heights in a straight-sided jar.

    Parameters
    ----------
    tops : sequence of Top
        Any number of heights [mm], in the order of their times.
    facts : JarFacts or None
        What else is known of the jar; what is not costs a wider interval.
    rng : numpy.random.Generator
        Where the draws come from; the same state gives the same result.
    draws : int
        Number of equally likely draws to hand back.

    Returns
    -------
    Weighed
        Draws of the fractions, their intervals, and what they rest on.

    Raises
    ------
    TimesError
        A time lies before shaking, or the times run backward.
    ValueRefusedError
        A value cannot be, or less than 30 mm of water stand over the deposit.

    Notes
    -----
    Importance sampling in up to three rounds, each learning from the ones before (Cornuet et al.
    2012, Scand. J. Stat. 39:798-812, from memory). The masses of a draw come from the normal law
    that its heights, nearly linear in them, imply.
    """
    known = facts or JarFacts()
    evidence = gather(tops, known)
    cloud, log_w = _sample(evidence, rng)
    excess = _misfit(evidence, cloud, log_w)
    if excess > 1.0:
        evidence = gather(tops, known, inflate=excess)
        cloud, log_w = _sample(evidence, rng)
    return _report(evidence, cloud, log_w, rng, draws=draws, misfit=excess > 1.0)


def _misfit(evidence: Evidence, cloud: Cloud, log_w: Array) -> float:
    """By how much the heights' variances are too small; 1 when they fit."""
    count = evidence.time_s.size
    typical = float(np.exp(log_w) @ cloud.chi2)
    return typical / count if typical > 8.0 + 2.0 * count else 1.0


def _resample(log_w: Array, rng: np.random.Generator, draws: int) -> NDArray[np.int64]:
    """Pick indices of equally likely draws, by systematic resampling in random order."""
    ladder = (np.arange(draws) + rng.random()) / draws
    picked = np.searchsorted(np.cumsum(np.exp(log_w)), ladder)
    return rng.permutation(np.minimum(picked, log_w.size - 1))


def _interval(values: Array, value: float) -> Interval:
    low, high = np.quantile(values, (0.05, 0.95))
    return Interval(float(value), float(low), float(high))


def _report(
    evidence: Evidence,
    cloud: Cloud,
    log_w: Array,
    rng: np.random.Generator,
    *,
    draws: int,
    misfit: bool,
) -> Weighed:
    picked = _resample(_flattened(log_w, _LEAST_DRAWS), rng, draws)
    fractions = cloud.mass[picked] / cloud.mass[picked].sum(axis=1, keepdims=True)
    central = central_pct(100.0 * fractions)
    percents = [_interval(100.0 * c, v) for c, v in zip(fractions.T, central, strict=True)]
    clay_up = cloud.clay_up[picked]
    reason = _ruling_prior(evidence, cloud, picked, fractions)
    doubts = _doubts(evidence, reason, misfit=misfit)
    bands = np.quantile(cloud.bed_mm[picked], (0.05, 0.5, 0.95), axis=0)
    return Weighed(
        fractions=fractions,
        sand_pct=percents[0],
        silt_pct=percents[1],
        clay_pct=percents[2],
        suspended_pct=_interval(100.0 * clay_up, 100.0 * clay_up.mean()),
        effective_draws=_effective(log_w),
        curve=SettlingCurve(evidence.steps_s, *bands),
        water_state=evidence.state,
        why=_why(evidence, percents[2].value, float(clay_up.mean()), _slow(cloud, picked)),
        prior_driven=bool(reason),
        prior_note=next((d.sentence for d in doubts if d.name == "prior_driven"), ""),
        doubts=doubts,
    )


def _slow(cloud: Cloud, picked: NDArray[np.int64]) -> float:
    return float(np.median(cloud.slowed[picked]))


_WIDE_PCT = 15.0  # a 90 % interval wider than this, set by priors, is called prior-driven; ours


def _reading_var(evidence: Evidence) -> float:
    """Variance of the fractions by height, summed, that comes from the heights' own errors."""
    return float(2.0 * evidence.var_mm2.sum() / evidence.top_mm.max() ** 2)


def _ruling_prior(
    evidence: Evidence, cloud: Cloud, picked: NDArray[np.int64], fractions: Array
) -> str:
    """Name what the photos cannot tell, when that sets the interval; else ''."""
    width = 100.0 * np.ptp(np.quantile(fractions, (0.05, 0.95), axis=0), axis=0).max()
    var = fractions.var(axis=0)
    if width <= _WIDE_PCT or _reading_var(evidence) > 0.5 * var.sum():
        return ""
    unknowns = np.column_stack([cloud.z[picked], cloud.clay_up[picked]])
    away = unknowns - unknowns.mean(axis=0)
    scaled = away / np.maximum(away.std(axis=0), 1e-12)
    covariance = scaled.T @ (fractions - fractions.mean(axis=0)) / len(picked)
    words = [prior.words for prior in PRIORS.values()] + [PRIORS["opaque_g_l"].words]
    return words[int(np.argmax((covariance**2).sum(axis=1)))]


def _doubts(evidence: Evidence, reason: str, *, misfit: bool) -> tuple[WeighingDoubt, ...]:
    facts, last = evidence.facts, evidence.time_s.max()
    organic = facts.organic_matter_pct or 0.0
    names = WeighingDoubtName
    found = (
        (last < DAY_S, _doubt(names.LAST_PHOTO_EARLY, hours=last / 3600.0)),
        (evidence.time_s.size < 3, _doubt(names.FEW_HEIGHTS)),
        (facts.water_mm is None, _doubt(names.WATER_LINE_UNKNOWN)),
        (evidence.state is WaterState.UNKNOWN, _doubt(names.WATER_STATE_UNKNOWN)),
        (crowded(facts, evidence.top_mm.max()), _doubt(names.MORE_SOIL_THAN_WATER)),
        (
            facts.soil_g is not None and facts.inside_diameter_mm is None,
            _doubt(names.GRAMS_WITHOUT_WIDTH),
        ),
        (organic > _ORGANIC_SOIL_PCT, _doubt(names.ORGANIC_SOIL, organic_pct=organic)),
        (misfit, _misfit_doubt(evidence)),
        (bool(reason), _doubt(names.PRIOR_DRIVEN, reason=reason, advice=_advice(evidence))),
    )
    return tuple(each for holds, each in found if holds)


def _misfit_doubt(evidence: Evidence) -> WeighingDoubt:
    what, check = "grains", "the lines on the overlays"
    if not math.isnan(evidence.load_g_cm2):
        what, check = "the soil put in", f"{check} and the amount of soil given"
    return _doubt(WeighingDoubtName.SETTLING_MISFIT, what=what, what_to_check=check)


def _advice(evidence: Evidence) -> str:
    if math.isnan(evidence.load_g_cm2):
        return "; how high the dry soil stood before the water (--soil-mm) would narrow it"
    return ""


_ORGANIC_SOIL_PCT = 20.0
"""Above this texture does not apply (AHDB, Great Britain); USDA's limits vary with the clay."""


def _by_height_clay(evidence: Evidence) -> float:
    """Clay by height [%] from the heights nearest 2 h and last; NaN without both."""
    plain = [i for i, h in enumerate(evidence.horizon) if h is not Horizon.SAND]
    middle = [i for i in plain if 1800.0 <= evidence.time_s[i] <= 0.5 * evidence.time_s.max()]
    last = int(np.argmax(evidence.time_s))
    if not middle:
        middle = [i for i in plain if evidence.horizon[i] is Horizon.SILT]
    if not middle:
        return math.nan
    silt = min(middle, key=lambda i: abs(math.log(evidence.time_s[i] / 7200.0)))
    return float(100.0 * (1.0 - evidence.top_mm[silt] / evidence.top_mm[last]))


def _why(evidence: Evidence, clay_pct: float, clay_up: float, slowed: float) -> str:
    """One sentence on why the two results differ for this jar."""
    by_height = _by_height_clay(evidence)
    against = "" if math.isnan(by_height) else f" (here {by_height:.0f} % of the height)"
    body = {
        WaterState.CLEAR: f"The water had cleared, so all the clay is in the deposit, but a clay "
        f"layer is mostly water{against}: by weight it is about {clay_pct:.0f} %",
        WaterState.CLOUDY: f"The water was still cloudy, so about {100 * clay_up:.0f} % of the "
        f"clay is not in the deposit yet, while the clay layer{against} is mostly water: the two "
        f"pull against each other and leave about {clay_pct:.0f} % by weight",
        WaterState.HAZY: f"The water was nearly clear, so most of the clay is in the deposit, but "
        f"a clay layer is mostly water{against}: by weight it is about {clay_pct:.0f} %",
        WaterState.UNKNOWN: f"A clay layer is mostly water{against}, and how much clay was still "
        f"up at the last photo is not known: by weight it is about {clay_pct:.0f} %",
    }[evidence.state]
    return f"{body}; {_where_it_fell(evidence, slowed)}."


def _where_it_fell(evidence: Evidence, slowed: float) -> str:
    fall_cm = (evidence.water_mm - evidence.top_mm.max()) / 10.0
    guessed = "an assumed " if evidence.facts.water_mm is None else ""
    warmth = "an assumed 20" if evidence.facts.temp_c is None else f"{evidence.temp_c:.0f}"
    crowd = f", slowed to {slowed:.1f} of their speed by the crowd" if slowed < 0.8 else ""
    return f"the grains fell {guessed}{fall_cm:.0f} cm at {warmth} °C{crowd}"
