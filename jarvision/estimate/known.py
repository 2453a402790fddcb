"""What is known of one jar: heights, water, soil put in; and what cannot be, refused."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import TimesError, require
from jarvision.estimate.dried import (
    Finer,
    Hydrometer,
    Spoon,
    check_spoon,
    decanted_share,
    hydrometer_shares,
    sieved_share,
)
from jarvision.estimate.grain_curve import MeasuredSand
from jarvision.estimate.priors import Detergent, Packing
from jarvision.estimate.settling import steps_s
from jarvision.estimate.topsoil import Origin
from jarvision.estimate.water import check_temperature

LEAST_FALL_MM = 30.0
"""Shortest column of clear water over the deposit that is accepted [mm]; a choice of ours."""

HAZY_FROM, CLOUDY_FROM = 0.2, 0.7
"""Where a cloudiness number changes its word; ours."""

TALLEST_SOIL_MM = 300.0
"""Soil that stands higher is a slip: no jar that can be shaken is so tall."""

LOOSE_SOIL_G_CM3 = 1.1
"""Loose dry soil poured into a jar [g/cm³]; assumed in the field's own sums, no source."""

_LOOSE_SOIL_SD = 0.18  # of its logarithm; no source
_GRAMS_SD = 0.04  # kitchen scale, soil not quite dry; no source
_MODEL_SD = 0.012  # what the model itself is off, as a share of a height; ours
_MINUTE_S = 60.0  # when the sand is down, and with it what its pores take up
_MOST_TOPS = 16  # heights kept of a time-lapse; neighbours in time are averaged


class WaterState(StrEnum):
    """The water above the deposit at the last photo."""

    CLEAR = "clear"
    HAZY = "hazy"
    CLOUDY = "cloudy"
    UNKNOWN = "unknown"


class Horizon(StrEnum):
    """Which top a height belongs to."""

    DEPOSIT = "deposit"
    """The top of all that was down when the photo was taken."""
    SAND = "sand"
    """The top of the sand, seen inside the deposit of a later photo."""
    SILT = "silt"
    """The top of the silt, seen inside the deposit of a later photo."""


@dataclass(frozen=True, slots=True)
class Top:
    """One height read in one photo.

    Attributes
    ----------
    elapsed_s : float
        Time since shaking [s].
    top_mm, sd_mm : float
        Height above the inside floor and one standard deviation [mm].
    horizon : Horizon
        Which top it is.
    cloudiness : float or None
        The water above the deposit in that photo, 0 clear to 1 opaque; None when not seen. It
        tells whether clumped clay came down before or after.
    """

    elapsed_s: float
    top_mm: float
    sd_mm: float
    horizon: Horizon = Horizon.DEPOSIT
    cloudiness: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JarFacts:
    """What is known of a jar besides its heights; what is not given costs a wider interval.

    Attributes
    ----------
    water_mm, water_sd_mm : float or None, float
        Water line above the inside floor [mm]. Not given: 2.5 times the deposit, give or take a
        quarter of that.
    temp_c : float or None
        Water temperature, 1 to 40 °C, good to 1 °C. Not given: 20 ± 4 °C.
    soil_mm : float or None
        Height of the loose dry soil before water was added [mm].
    soil_g, inside_diameter_mm : float or None
        Dry soil put in [g], and the jar's inside diameter [mm], without which grams say nothing.
    detergent : Detergent or None
        What went into the water; None when not known.
    origin : Origin
        Where the soil is from, which tells how common compositions are beforehand.
    sand_g, sediment_g : float or None
        Of the soil put in (`soil_g`), after the jar: sand washed through a 0.05 mm sieve and dried
        [g]; sand and silt together, left when the clay was poured off, dried [g].
    hydrometer : Hydrometer or None
        A hydrometer test of the same soil.
    spoon : Spoon or None
        A spoon of the jar's own water, dried.
    finer : tuple of Finer
        Shares known in another way, as from a laboratory.
    reference : Packing or None
        How this garden's soils pack, by a reference jar.
    organic_matter_pct : float or None
        Organic matter of the soil [% of dry mass].
    water_state : WaterState
        The water at the last photo, by eye.
    cloudiness : float or None
        The same as a number, 0 clear to 1 opaque. It overrides `water_state`, and either overrides
        what the last height's photo shows.
    """

    water_mm: float | None = None
    water_sd_mm: float = 2.0
    temp_c: float | None = None
    soil_mm: float | None = None
    soil_g: float | None = None
    inside_diameter_mm: float | None = None
    detergent: Detergent | None = None
    origin: Origin = Origin.TOPSOIL
    sand_g: float | None = None
    sediment_g: float | None = None
    hydrometer: Hydrometer | None = None
    spoon: Spoon | None = None
    finer: tuple[Finer, ...] = ()
    scale_sd: float = 0.0
    reference: Packing | None = None
    organic_matter_pct: float | None = None
    water_state: WaterState = WaterState.UNKNOWN
    cloudiness: float | None = None


def water_state(cloudiness: float) -> WaterState:
    """Put a cloudiness into a word.

    Parameters
    ----------
    cloudiness : float
        0 clear to 1 opaque; NaN when not seen.

    Returns
    -------
    WaterState
        Clear under 0.2, hazy under 0.7, cloudy from there; limits of ours.
    """
    if math.isnan(cloudiness):
        return WaterState.UNKNOWN
    if cloudiness < HAZY_FROM:
        return WaterState.CLEAR
    return WaterState.HAZY if cloudiness < CLOUDY_FROM else WaterState.CLOUDY


@dataclass(frozen=True, slots=True)
class Evidence:
    """One jar as numbers, for T heights.

    Attributes
    ----------
    time_s, top_mm, var_mm2 : ndarray, shape (T,)
        Time since shaking [s], height [mm] and its variance [mm²], the model's own included.
    horizon : tuple of Horizon
        Which top each height is.
    cloudiness : ndarray, shape (T,)
        Of the water in each photo, 0 to 1; NaN when not seen.
    water_mm, water_sd_mm, temp_c, temp_sd_c : float
        Water line [mm] and temperature [°C] with their standard deviations.
    load_g_cm2, load_sd : float
        Dry mineral mass over the floor [g/cm²] and the sd of its logarithm; NaN when not known.
    finer : tuple of Finer
        Shares of the soil finer than a size.
    inflate : float
        Factor on all variances.
    steps_s : ndarray
        The clock of the settling [s], which holds all of `time_s`.
    facts : JarFacts
    sand : MeasuredSand or None
        What else is known, and the sand's sizes, where a photo tells them.
    """

    time_s: Array
    top_mm: Array
    var_mm2: Array
    horizon: tuple[Horizon, ...]
    cloudiness: Array
    water_mm: float
    water_sd_mm: float
    temp_c: float
    temp_sd_c: float
    load_g_cm2: float
    load_sd: float
    finer: tuple[Finer, ...]
    inflate: float
    steps_s: Array
    facts: JarFacts
    sand: MeasuredSand | None = None

    @property
    def values(self) -> Array:
        """All that was measured, (S,): heights [mm], log of the load, shares, the spoon [g/L]."""
        return np.array([*self.top_mm, *(value for value, _ in self._others())])

    @property
    def variances(self) -> Array:
        """Of `values`, (S,)."""
        return np.array([*self.var_mm2, *(self.inflate * sd**2 for _, sd in self._others())])

    def _others(self) -> list[tuple[float, float]]:
        """Value and sd of what is no height, in the order in which `stacking.seen` gives it."""
        pairs = [(each.share, each.sd) for each in self.finer]
        if not math.isnan(self.load_g_cm2):
            pairs.insert(0, (math.log(self.load_g_cm2), self.load_sd))
        if self.facts.spoon is not None:
            pairs.append((self.facts.spoon.g_per_l, self.facts.spoon.sd_g_l))
        return pairs

    @property
    def last(self) -> int:
        """Which height is the latest."""
        return int(np.argmax(self.time_s))

    @property
    def state(self) -> WaterState:
        """The water at the last photo: as told by number or word, else as that photo shows it."""
        if self.facts.cloudiness is not None:
            return water_state(self.facts.cloudiness)
        if self.facts.water_state is not WaterState.UNKNOWN:
            return self.facts.water_state
        return water_state(float(self.cloudiness[self.last]))


def _check_tops(tops: Sequence[Top]) -> None:
    require(len(tops) > 0, "No height was read, so there is nothing to weigh.")
    for top in tops:
        if not (math.isfinite(top.elapsed_s) and top.elapsed_s > 0):
            msg = "A photo is dated before the jar was shaken; check the times or --shaken-at."
            raise TimesError(msg)
        require(
            math.isfinite(top.top_mm) and top.top_mm > 0 and 0 < top.sd_mm < math.inf,
            "A height and its uncertainty must be more than zero millimetres; measure the jar "
            "again or leave that photo out.",
        )
        require(
            top.cloudiness is None or 0.0 <= top.cloudiness <= 1.0,
            "The cloudiness of a photo must lie between 0 (clear) and 1 (opaque); check it.",
        )
    times = [top.elapsed_s for top in tops]
    if any(b < a for a, b in pairwise(times)):
        msg = "The photos' times run backward; put the heights in the order they were taken."
        raise TimesError(msg)


def _check_facts(facts: JarFacts, highest_mm: float) -> None:
    if facts.temp_c is not None:
        check_temperature(facts.temp_c)
    for value, limits, name in (
        (facts.cloudiness, (0.0, 1.0), "cloudiness must lie between 0 (clear) and 1 (opaque)"),
        (facts.organic_matter_pct, (0.0, 100.0), "organic matter must lie between 0 and 100 %"),
        (
            facts.soil_mm,
            (1.0, TALLEST_SOIL_MM),
            f"soil's height must lie between 1 and {TALLEST_SOIL_MM:.0f} mm",
        ),
        (facts.soil_g, (1.0, 20000.0), "soil's weight must lie between 1 and 20000 g"),
        (facts.sand_g, (1e-3, 20000.0), "dried sand must weigh more than 0 g"),
        (facts.sediment_g, (1e-3, 20000.0), "dried sand and silt must weigh more than 0 g"),
        (facts.inside_diameter_mm, (10.0, 1000.0), "jar's inside must be 10 to 1000 mm wide"),
        (facts.water_mm, (1.0, 2000.0), "water line must lie between 1 and 2000 mm"),
        (facts.scale_sd, (0.0, 0.5), "scale's uncertainty must be 0 to 0.5"),
        (facts.water_sd_mm, (0.0, 500.0), "water line's uncertainty must be 0 to 500 mm"),
    ):
        require(value is None or limits[0] <= value <= limits[1], f"The {name}; check it.")
    dried = facts.sand_g is not None or facts.sediment_g is not None
    require(
        not dried or facts.soil_g is not None,
        "Dried sand or sediment says nothing without the weight of the dry soil; give it as well.",
    )
    if facts.spoon is not None:
        check_spoon(facts.spoon)
    if facts.water_mm is not None:
        check_column(facts.water_mm, bed_mm=highest_mm, soil_mm=facts.soil_mm)


def check_column(water_mm: float, *, bed_mm: float = 0.0, soil_mm: float | None = None) -> None:
    """Refuse a jar in which nothing can be said of settling.

    Parameters
    ----------
    water_mm : float
        Water line above the inside floor [mm].
    bed_mm : float
        Top of the deposit [mm].
    soil_mm : float or None
        Height of the loose soil before water was added [mm].

    Raises
    ------
    ValueRefusedError
        The deposit or the soil stands as high as the water, or less than 30 mm of water are
        left over the deposit.
    """
    require(
        soil_mm is None or soil_mm < water_mm,
        "The soil put in stands as high as the water or higher, so nothing can sort itself; use "
        "a third of soil and two thirds of water.",
    )
    require(
        bed_mm < water_mm,
        f"The deposit ({bed_mm:.0f} mm) is higher than the water line ({water_mm:.0f} mm); "
        "check both, measured from the inside floor.",
    )
    require(
        water_mm - bed_mm >= LEAST_FALL_MM,
        f"Only {water_mm - bed_mm:.0f} mm of water stand over the soil; at least "
        f"{LEAST_FALL_MM:.0f} mm are needed for the grains to sort themselves: use a taller jar, "
        "more water or less soil.",
    )


def _thinned(tops: Sequence[Top]) -> list[Top]:
    """At most `_MOST_TOPS` heights: neighbours in the logarithm of time are averaged."""
    plain = [top for top in tops if top.horizon is Horizon.DEPOSIT]
    others = [top for top in tops if top.horizon is not Horizon.DEPOSIT]
    room = max(4, _MOST_TOPS - len(others))
    if len(plain) <= room:
        return list(tops)
    log_time = np.log([top.elapsed_s for top in plain])
    edges = np.linspace(log_time[0], log_time[-1], room + 1)[1:-1]
    bins = np.searchsorted(edges, log_time, side="right")
    groups = [[t for t, b in zip(plain, bins, strict=True) if b == i] for i in range(room)]
    return [_averaged(group) for group in groups if group] + others[: _MOST_TOPS - 4]


def _averaged(group: Sequence[Top]) -> Top:
    """One height for several; its sd falls to half at most, since photos share their scale."""
    weight = np.array([top.sd_mm for top in group]) ** -2.0
    weight /= weight.sum()
    sd = math.sqrt(float(np.sum(weight**2 * np.array([top.sd_mm for top in group]) ** 2)))
    return Top(
        math.exp(float(weight @ np.log([top.elapsed_s for top in group]))),
        float(weight @ np.array([top.top_mm for top in group])),
        max(sd, 0.5 * min(top.sd_mm for top in group)),
    )


def _load(facts: JarFacts) -> tuple[float, float]:
    """Dry mineral mass over the floor [g/cm²] and its relative sd; NaN when not known."""
    mineral = 1.0 - (facts.organic_matter_pct or 0.0) / 100.0
    if facts.soil_g is not None and facts.inside_diameter_mm is not None:
        area = math.pi * (facts.inside_diameter_mm / 20.0) ** 2
        return facts.soil_g * mineral / area, _GRAMS_SD
    if facts.soil_mm is not None:
        return facts.soil_mm / 10.0 * LOOSE_SOIL_G_CM3 * mineral, _LOOSE_SOIL_SD
    return math.nan, math.nan


def _looks(tops: Sequence[Top], facts: JarFacts) -> Array:
    """Cloudiness in each photo, NaN when not seen; at the end what the user says comes first."""
    look = np.array([math.nan if t.cloudiness is None else t.cloudiness for t in tops])
    if facts.cloudiness is not None or facts.water_state is not WaterState.UNKNOWN:
        times = np.array([t.elapsed_s for t in tops])
        look[times >= times.max()] = math.nan
    return look


def crowded(facts: JarFacts, highest_mm: float) -> bool:
    """Tell whether a jar holds more soil than water.

    Parameters
    ----------
    facts : JarFacts
        Its water line and the soil put in.
    highest_mm : float
        Top of its deposit [mm].

    Returns
    -------
    bool
        The loose soil stood above half of the water line, or the deposit above 0.6 of it.
    """
    water_mm = math.inf if facts.water_mm is None else facts.water_mm
    return (facts.soil_mm or 0.0) > 0.5 * water_mm or highest_mm > 0.6 * water_mm


def gather(tops: Sequence[Top], facts: JarFacts, *, inflate: float = 1.0) -> Evidence:
    """Check what is known of a jar and put it into numbers.

    Parameters
    ----------
    tops : sequence of Top
        Heights in the order of their times; more than 16 are thinned.
    facts : JarFacts
        What else is known.
    inflate : float
        Factor on the variances of the heights and of the soil put in.

    Returns
    -------
    Evidence
        The jar as numbers.

    Raises
    ------
    TimesError
        A time lies before shaking, or the times run backward.
    ValueRefusedError
        A value cannot be, or less than 30 mm of water stand over the deposit.
    """
    _check_tops(tops)
    _check_facts(facts, max(top.top_mm for top in tops))
    kept = _thinned(tops)
    heights = np.array([top.top_mm for top in kept])
    times = np.array([top.elapsed_s for top in kept])
    water_mm, water_sd_mm = _water_line(facts, float(heights.max()))
    load, load_sd = _load(facts)
    return Evidence(
        time_s=times,
        top_mm=heights,
        var_mm2=inflate * _variances(kept, facts),
        horizon=tuple(top.horizon for top in kept),
        cloudiness=_looks(kept, facts),
        water_mm=water_mm,
        water_sd_mm=water_sd_mm,
        temp_c=20.0 if facts.temp_c is None else facts.temp_c,
        temp_sd_c=4.0 if facts.temp_c is None else 1.0,
        load_g_cm2=load,
        load_sd=load_sd,
        finer=_finer(facts),
        inflate=inflate,
        steps_s=_clock(times, facts),
        facts=facts,
    )


_CLOCK_RATIO = 4.0  # neighbouring steps; see `test_few_steps_are_enough`


def _clock(times_s: Array, facts: JarFacts) -> Array:
    """Give the settling's steps [s]: each photo's time, the first minute, and the spoon's."""
    spoons = () if facts.spoon is None else (facts.spoon.elapsed_s,)
    first_s = min(8.0, 0.5 * float(times_s.min()))
    return steps_s(*times_s.tolist(), *spoons, _MINUTE_S, first_s=first_s, ratio=_CLOCK_RATIO)


def _finer(facts: JarFacts) -> tuple[Finer, ...]:
    """Shares of the mineral soil finer than a size, from all that was dried or floated."""
    found = list(facts.finer)
    if facts.soil_g is not None:
        mineral_g = facts.soil_g * (1.0 - (facts.organic_matter_pct or 0.0) / 100.0)
        if facts.sand_g is not None:
            found.append(sieved_share(facts.sand_g, mineral_g))
        if facts.sediment_g is not None:
            found.append(decanted_share(facts.sediment_g, mineral_g))
    if facts.hydrometer is not None:
        found += hydrometer_shares(facts.hydrometer)
    return tuple(found)


def _water_line(facts: JarFacts, highest_mm: float) -> tuple[float, float]:
    """Water line and its sd [mm]; a guess from the deposit when it was not seen."""
    if facts.water_mm is not None:
        return facts.water_mm, facts.water_sd_mm
    guess = 2.5 * highest_mm + LEAST_FALL_MM
    return guess, 0.25 * guess


def _variances(tops: Sequence[Top], facts: JarFacts) -> Array:
    """Of the heights [mm²]: the reading's and the model's.

    The model errs alike in neighbouring photos, so more photos do not average its error away.
    """
    heights = np.array([top.top_mm for top in tops])
    share = _MODEL_SD * (2.0 if crowded(facts, float(heights.max())) else 1.0)
    model = max(1.0, len(tops) / 3.0) * (share * heights) ** 2
    return np.array([top.sd_mm for top in tops]) ** 2 + model
