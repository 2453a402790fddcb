"""Stacked heights to a soil by weight: draws of the settling model that fit what was seen.

A layer's height is a volume, and the deposit at a given minute is not what a laboratory calls
sand or silt. Each draw here is a whole invented jar: grain sizes, packing, clumping of the clay,
temperature, everything that the photos do not show. Its masses are solved so that it stacks as
the jar did, and it counts by how well it does and by how cloudy it leaves the water. What the
photos cannot tell stays as wide as the priors are. All that was measured goes through
`stacking.seen` and `Evidence.values` in one order: heights, log of the load, shares finer than a
size, the spoon.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.estimate.central import central_pct
from jarvision.estimate.filled_jars import Cloud, rise
from jarvision.estimate.grain_curve import MeasuredSand
from jarvision.estimate.known import (
    Evidence,
    Horizon,
    JarFacts,
    Top,
    WaterState,
    crowded,
    gather,
)
from jarvision.estimate.narrowing import Narrowing, narrowing
from jarvision.estimate.next_fact import NextFact, narrows_most
from jarvision.estimate.priors import PRIORS
from jarvision.estimate.sampler import (
    ENOUGH_DRAWS,
    effective,
    flattened,
    resample,
    sample,
    strain,
)
from jarvision.estimate.texture import Texture, texture_of

_SOME_DRAWS = 800  # for the curve and for what would narrow a jar most
_LEAST_DRAWS = 80.0  # weights worth fewer are made more alike, which widens the interval

DAY_S = 86400.0


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


UNKNOWN_INTERVAL = Interval(math.nan, math.nan, math.nan)


def interval_of(values: Array, value: float | None = None) -> Interval:
    """Give the 90 % interval of draws, to print with a value or else with their mean."""
    low, high = np.quantile(values, (0.05, 0.95)).tolist()
    return Interval(float(values.mean() if value is None else value), low, high)


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
        not of a likely class, the nearest place of one (`jarvision.estimate.central`).
    texture : Texture
        Odds of the classes, that of the printed composition first.
    suspended_pct : Interval
        Share of the clay still in the water at the last photo [%].
    effective_draws : float
        How many independent draws the weighted ones are worth; under 400 it is doubted.
    curve : SettlingCurve
        What to draw behind the heights.
    water_state : WaterState
        The water at the last photo, as it was used.
    why : str
        One sentence on why this differs from the result by height.
    narrowed : Narrowing
        How much the photos narrowed what a soil can be.
    next_fact : NextFact or None
        What would narrow it most that is not known yet; None where nothing simple would.
    doubts : tuple of Doubt
        What the reader should know.
    """

    fractions: Array
    sand_pct: Interval
    silt_pct: Interval
    clay_pct: Interval
    texture: Texture
    suspended_pct: Interval
    effective_draws: float
    curve: SettlingCurve
    water_state: WaterState
    why: str
    narrowed: Narrowing
    next_fact: NextFact | None
    doubts: tuple[Doubt, ...]


# -- the report -----------------------------------------------------------------------------------


def weigh(
    tops: Sequence[Top],
    *,
    facts: JarFacts | None = None,
    sand: MeasuredSand | None = None,
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
    sand : MeasuredSand or None
        The sand's sizes, where a photo tells them.
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
    See `sampler.sample` for the draws and `mass_proposals.fill` for how each jar is filled.
    """
    known = facts or JarFacts()
    evidence = replace(gather(tops, known), sand=sand)
    bulk_g_cm3 = 10.0 * evidence.load_g_cm2 / evidence.top_mm.max()
    left_out: tuple[Doubt, ...] = ()
    unsure = math.exp(2.0 * evidence.load_sd)
    if bulk_g_cm3 > _DENSEST_G_CM3 * unsure or bulk_g_cm3 < _LOOSEST_G_CM3 / unsure:  # NaN is none
        left_out = (doubt(DoubtName.SOIL_DOES_NOT_FIT, density=bulk_g_cm3),)
        known = replace(known, soil_g=None, soil_mm=None, sand_g=None, sediment_g=None)
        evidence = replace(gather(tops, known), sand=sand)
    cloud, log_w = sample(evidence, rng)
    typical = float(np.exp(log_w) @ cloud.chi2)
    count = evidence.values.size
    misfits = typical > 8.0 + 2.0 * count
    if typical > 2.0 + 1.5 * count:  # the model is off here: believe the numbers that much less
        evidence = replace(gather(tops, known, inflate=typical / count), sand=sand)
        cloud, log_w = sample(evidence, rng)
    strained = strain(cloud, log_w) > _STRAIN_SD
    misfit = misfits or (strained and not math.isnan(evidence.load_g_cm2))
    left_out += _reference_doubts(evidence, strained=strained or misfits)
    found = _report(evidence, cloud, log_w, rng, draws=draws, misfit=misfit)
    return replace(found, doubts=left_out + found.doubts)


# Deposits under water, from the loosest clay to the densest sand; a clay that is still up may put
# a little more over the floor than lies there.
_LOOSEST_G_CM3, _DENSEST_G_CM3 = 0.12, 1.8


_STRAIN_SD = 1.05
"""How far densities of layers may together be from what they should be, in sd, to make up for a
wrong number; ours: 0.1 to 0.7 in simulated jars with the right grams, over 1 with two thirds."""


def _reference_doubts(evidence: Evidence, *, strained: bool) -> tuple[Doubt, ...]:
    """Say where a reference jar does not fit, itself or this jar."""
    facts, names = evidence.facts, DoubtName
    reference = facts.reference
    if reference is None:
        return ()
    if not reference.fits:
        return (doubt(names.REFERENCE_NOT_USED, reference=reference.name),)
    odd = (doubt(names.REFERENCE_ODD, reference=reference.name),) if reference.odd else ()
    cleared = {WaterState.CLEAR: True, WaterState.CLOUDY: False}.get(evidence.state)
    how = ""
    if strained:
        how = "The layers of this jar pack unlike those of"
    elif None not in (cleared, reference.cleared) and cleared is not reference.cleared:
        how = f"The water of this jar {'cleared' if cleared else 'did not clear'}, unlike that of"
    elif None not in (facts.detergent, reference.detergent) and (
        facts.detergent is not reference.detergent
    ):
        how = "What went into the water of this jar is not what went into that of"
    if not how:
        return odd
    return (*odd, doubt(names.REFERENCE_DIFFERS, reference=reference.name, how=how))


def _report(
    evidence: Evidence,
    cloud: Cloud,
    log_w: Array,
    rng: np.random.Generator,
    *,
    draws: int,
    misfit: bool,
) -> Weighed:
    shares = cloud.mass / cloud.mass.sum(axis=1, keepdims=True)
    flat = flattened(log_w, _LEAST_DRAWS)
    picked = resample(flat, rng, draws, places=shares[:, [1, 2]])
    fractions = shares[picked]
    central = central_pct(100.0 * fractions, 100.0 * (np.exp(flat) @ shares))
    percents = [interval_of(100.0 * c, v) for c, v in zip(fractions.T, central, strict=True)]
    clay_up = cloud.clay_up[picked]
    narrowed = narrowing(fractions, evidence.facts.origin)
    reason = _ruling_prior(cloud, picked, fractions) if narrowed.least_narrowed else ""
    doubts = _doubts(evidence, misfit=misfit)
    if reason:
        facts = {"reason": reason, "share": narrowed.least_narrowed}
        doubts += (doubt(DoubtName.LITTLE_NARROWED, **facts),)
    if effective(log_w) < ENOUGH_DRAWS:
        doubts += (doubt(DoubtName.FEW_DRAWS),)
    some = picked[:_SOME_DRAWS]
    time_s, bed_mm = rise(evidence, cloud.z[some], cloud.mass[some])
    bands = np.quantile(bed_mm, (0.05, 0.5, 0.95), axis=0)
    return Weighed(
        fractions=fractions,
        sand_pct=percents[0],
        silt_pct=percents[1],
        clay_pct=percents[2],
        texture=texture_of(100.0 * fractions, central.tolist()),
        suspended_pct=interval_of(100.0 * clay_up),
        effective_draws=effective(log_w),
        curve=SettlingCurve(time_s, *bands),
        water_state=evidence.state,
        why=_why(evidence, percents[2].value, float(clay_up.mean()), _slow(cloud, picked)),
        narrowed=narrowed,
        next_fact=narrows_most(evidence, cloud, some, (time_s, bed_mm), rng),
        doubts=doubts,
    )


def _slow(cloud: Cloud, picked: NDArray[np.int64]) -> float:
    return float(np.median(cloud.slowed[picked]))


def _ruling_prior(cloud: Cloud, picked: NDArray[np.int64], fractions: Array) -> str:
    """Name what the photos cannot tell that sets the interval most."""
    unknowns = np.column_stack([cloud.z[picked], cloud.clay_up[picked]])
    away = unknowns - unknowns.mean(axis=0)
    scaled = away / np.maximum(away.std(axis=0), 1e-12)
    covariance = scaled.T @ (fractions - fractions.mean(axis=0)) / len(picked)
    words = [prior.words for prior in PRIORS.values()] + [PRIORS["opaque_g_l"].words]
    return words[int(np.argmax((covariance**2).sum(axis=1)))]


def _doubts(evidence: Evidence, *, misfit: bool) -> tuple[Doubt, ...]:
    facts, last = evidence.facts, evidence.time_s.max()
    organic = facts.organic_matter_pct or 0.0
    names = DoubtName
    found = (
        (last < DAY_S, doubt(names.LAST_PHOTO_EARLY, hours=last / 3600.0)),
        (evidence.time_s.size < 3, doubt(names.FEW_HEIGHTS)),
        (facts.water_mm is None, doubt(names.WATER_LINE_UNKNOWN)),
        (evidence.state is WaterState.UNKNOWN, doubt(names.WATER_STATE_UNKNOWN)),
        (crowded(facts, evidence.top_mm.max()), doubt(names.MORE_SOIL_THAN_WATER)),
        (
            facts.soil_g is not None and facts.inside_diameter_mm is None,
            doubt(names.GRAMS_WITHOUT_WIDTH),
        ),
        (facts.scale_sd > _GUESSED_SCALE_SD, doubt(names.FALL_GUESSED)),
        (organic > _ORGANIC_SOIL_PCT, doubt(names.ORGANIC_SOIL, organic_pct=organic)),
        (misfit, _misfit_doubt(evidence)),
    )
    return tuple(each for holds, each in found if holds)


def _misfit_doubt(evidence: Evidence) -> Doubt:
    what, check = "grains", "the lines on the overlays"
    if not math.isnan(evidence.load_g_cm2):
        what, check = "the soil put in", f"{check} and the amount of soil given"
    return doubt(DoubtName.SETTLING_MISFIT, what=what, what_to_check=check)


_GUESSED_SCALE_SD = 0.08  # millimetres less sure than this are a guess; ours

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


_ALIKE_POINTS = 3.0
"""Shares that differ by less are said to be alike."""


def _why(evidence: Evidence, clay_pct: float, clay_up: float, slowed: float) -> str:
    """Say why the two results differ for this jar, or why they do not."""
    water = {
        WaterState.CLEAR: "The water had cleared, so all the clay is in the deposit.",
        WaterState.CLOUDY: f"The water was still cloudy, so about {100 * clay_up:.0f} % of the "
        "clay is not in the deposit yet.",
        WaterState.HAZY: "The water was nearly clear, so most of the clay is in the deposit.",
        WaterState.UNKNOWN: "How much clay was still up at the last photo is not known.",
    }[evidence.state]
    clay = _clay_in_words(
        _by_height_clay(evidence), clay_pct, cleared=evidence.state is WaterState.CLEAR
    )
    return f"{water} {clay} {_fall(evidence, slowed)}"


def _clay_in_words(by_height: float, clay_pct: float, *, cleared: bool) -> str:
    """Set the clay's share of the height against that of the weight."""
    weight = f"about {clay_pct:.0f} % of the weight"
    if math.isnan(by_height):
        return f"A layer of fresh clay is mostly water; clay is {weight}."
    if by_height > clay_pct + _ALIKE_POINTS:
        return (
            f"The clay's layer is mostly water: it is {by_height:.0f} % of the height and {weight}."
        )
    if by_height < clay_pct - _ALIKE_POINTS:
        return (
            f"The clay's layer is {by_height:.0f} % of the height, but clay is {weight}: part of "
            f"it {'' if cleared else 'is still up, or '}clumped and lies with the silt."
        )
    return (
        f"The clay's layer is {by_height:.0f} % of the height, and clay is {weight}: its layer is "
        f"mostly water, but as much clay {'' if cleared else 'is still up or '}lies with the silt."
    )


def _fall(evidence: Evidence, slowed: float) -> str:
    fall_mm = evidence.water_mm - evidence.top_mm.max()
    guessed = "some" if evidence.facts.water_mm is None else "about"
    warm_c = evidence.temp_c
    taken = "taken to be " if evidence.facts.temp_c is None else ""
    crowd = (
        f" So many fell at once that each fell at {100 * slowed:.0f} % of its own speed."
        if slowed < 0.8
        else ""
    )
    return (
        f"The grains fell {guessed} {fall_mm / 10:.0f} cm ({fall_mm / 25.4:.1f} in) in water "
        f"{taken}{warm_c:.0f} °C ({1.8 * warm_c + 32:.0f} °F) warm.{crowd}"
        f"{_packed_as(evidence)}"
    )


def _packed_as(evidence: Evidence) -> str:
    reference = evidence.facts.reference
    if reference is None or not reference.fits:
        return ""
    return f" How layers pack was taken from the reference jar {reference.name}."
