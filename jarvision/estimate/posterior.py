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
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from jarvision.estimate.central import central_pct
from jarvision.estimate.explore import Cloud, rise
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

_SOME_DRAWS = 800  # for the curve and for what would narrow a jar most
_LEAST_DRAWS = 80.0  # weights worth fewer are made more alike, which widens the interval

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
    LITTLE_NARROWED = "little_narrowed"
    FEW_DRAWS = "few_draws"
    FALL_GUESSED = "fall_guessed"
    SOIL_DOES_NOT_FIT = "soil_does_not_fit"
    FEW_HEIGHTS = "few_heights"
    REFERENCE_NOT_USED = "reference_not_used"
    REFERENCE_ODD = "reference_odd"
    REFERENCE_DIFFERS = "reference_differs"


_SENTENCES: Mapping[WeighingDoubtName, str] = {
    WeighingDoubtName.LAST_PHOTO_EARLY: "The last photo was taken {hours:.0f} h after shaking, "
    "when much of the clay may still be up, so the result by weight is less sure; take another "
    "after 48 h.",
    WeighingDoubtName.WATER_LINE_UNKNOWN: "The water line was not seen, so how far the grains fell "
    "was guessed; measure how high the water stands above the floor for a narrower result.",
    WeighingDoubtName.WATER_STATE_UNKNOWN: "It is not known whether the water had cleared at the "
    "last photo, so the clay by weight is less sure; say whether it was clear, hazy or cloudy.",
    WeighingDoubtName.MORE_SOIL_THAN_WATER: "There is more soil than water in this jar, so grains "
    "hindered each other and sorted badly; use a third of soil or less next time.",
    WeighingDoubtName.GRAMS_WITHOUT_WIDTH: "The grams of soil were not used, since the jar's "
    "inside width is not known; give it as well.",
    WeighingDoubtName.ORGANIC_SOIL: "With {organic_pct:.0f} % organic matter this is an organic "
    "soil, for which sand, silt and clay say little.",
    WeighingDoubtName.SETTLING_MISFIT: "The heights do not rise the way {what} would settle, so at "
    "least one number is likely wrong; check {what_to_check}.",
    WeighingDoubtName.LITTLE_NARROWED: "By weight this is mostly assumption: the photos cannot "
    "tell {reason}, and left the {share} nearly as wide as it was beforehand.",
    WeighingDoubtName.FEW_DRAWS: "Few ways were found in which a jar could come to look like this, "
    "so the limits by weight are rough; check the heights, the times and the water line.",
    WeighingDoubtName.FALL_GUESSED: "The photos show no millimetres, so how far the grains fell "
    "was guessed from the width that jars usually have; measure how wide the jar is, or tape a "
    "strip on, for a narrower result by weight.",
    WeighingDoubtName.SOIL_DOES_NOT_FIT: "The soil said to be put in would make the deposit "
    "{density:.2g} g/cm³, which no soil is, so it was not used; check its weight or height and "
    "the jar's width.",
    WeighingDoubtName.FEW_HEIGHTS: "Fewer than three heights were read, too few to tell sand, silt "
    "and clay apart by weight; add photos at 1 minute, 2 hours and 48 hours.",
    WeighingDoubtName.REFERENCE_NOT_USED: "The reference jar {reference} was not used, since its "
    "heights do not rise as its laboratory's soil would settle; check both in its file.",
    WeighingDoubtName.REFERENCE_ODD: "The reference jar {reference} holds what its laboratory says "
    "only if its layers packed unusually, so one of the two may be wrong; check that both are of "
    "one soil, shake that jar again, and read this one without it too.",
    WeighingDoubtName.REFERENCE_DIFFERS: "{how} the reference jar {reference}, so what that says "
    "of packing may not hold here; read it without that jar too, and compare.",
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
    doubts : tuple of WeighingDoubt
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
    doubts: tuple[WeighingDoubt, ...]


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
    See `sampler.sample` for the draws and `filling.fill` for how each jar is filled.
    """
    known = facts or JarFacts()
    evidence = replace(gather(tops, known), sand=sand)
    bulk_g_cm3 = 10.0 * evidence.load_g_cm2 / evidence.top_mm.max()
    left_out: tuple[WeighingDoubt, ...] = ()
    unsure = math.exp(2.0 * evidence.load_sd)
    if bulk_g_cm3 > _DENSEST_G_CM3 * unsure or bulk_g_cm3 < _LOOSEST_G_CM3 / unsure:  # NaN is none
        left_out = (_doubt(WeighingDoubtName.SOIL_DOES_NOT_FIT, density=bulk_g_cm3),)
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


def _reference_doubts(evidence: Evidence, *, strained: bool) -> tuple[WeighingDoubt, ...]:
    """Say where a reference jar does not fit, itself or this jar."""
    facts, names = evidence.facts, WeighingDoubtName
    reference = facts.reference
    if reference is None:
        return ()
    if not reference.fits:
        return (_doubt(names.REFERENCE_NOT_USED, reference=reference.name),)
    odd = (_doubt(names.REFERENCE_ODD, reference=reference.name),) if reference.odd else ()
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
    return (*odd, _doubt(names.REFERENCE_DIFFERS, reference=reference.name, how=how))


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
    shares = cloud.mass / cloud.mass.sum(axis=1, keepdims=True)
    flat = flattened(log_w, _LEAST_DRAWS)
    picked = resample(flat, rng, draws, places=shares[:, [1, 2]])
    fractions = shares[picked]
    central = central_pct(100.0 * fractions, 100.0 * (np.exp(flat) @ shares))
    percents = [_interval(100.0 * c, v) for c, v in zip(fractions.T, central, strict=True)]
    clay_up = cloud.clay_up[picked]
    narrowed = narrowing(fractions, evidence.facts.origin)
    reason = _ruling_prior(cloud, picked, fractions) if narrowed.least_narrowed else ""
    doubts = _doubts(evidence, misfit=misfit)
    if reason:
        facts = {"reason": reason, "share": narrowed.least_narrowed}
        doubts += (_doubt(WeighingDoubtName.LITTLE_NARROWED, **facts),)
    if effective(log_w) < ENOUGH_DRAWS:
        doubts += (_doubt(WeighingDoubtName.FEW_DRAWS),)
    some = picked[:_SOME_DRAWS]
    time_s, bed_mm = rise(evidence, cloud.z[some], cloud.mass[some])
    bands = np.quantile(bed_mm, (0.05, 0.5, 0.95), axis=0)
    return Weighed(
        fractions=fractions,
        sand_pct=percents[0],
        silt_pct=percents[1],
        clay_pct=percents[2],
        texture=texture_of(100.0 * fractions, central.tolist()),
        suspended_pct=_interval(100.0 * clay_up, 100.0 * clay_up.mean()),
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


def _doubts(evidence: Evidence, *, misfit: bool) -> tuple[WeighingDoubt, ...]:
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
        (facts.scale_sd > _GUESSED_SCALE_SD, _doubt(names.FALL_GUESSED)),
        (organic > _ORGANIC_SOIL_PCT, _doubt(names.ORGANIC_SOIL, organic_pct=organic)),
        (misfit, _misfit_doubt(evidence)),
    )
    return tuple(each for holds, each in found if holds)


def _misfit_doubt(evidence: Evidence) -> WeighingDoubt:
    what, check = "grains", "the lines on the overlays"
    if not math.isnan(evidence.load_g_cm2):
        what, check = "the soil put in", f"{check} and the amount of soil given"
    return _doubt(WeighingDoubtName.SETTLING_MISFIT, what=what, what_to_check=check)


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
        f" So many fell at once that they slowed each other to {slowed:.1f} of their speed."
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
