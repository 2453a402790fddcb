"""How a soil holds water and air, and how fast water soaks in, from its texture.

Water contents are volume fractions (0 to 1) in the equations and volume percent in the summary.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import ValueRefusedError
from jarvision.core.units import Span, span_of

CLAY_SCOPE_PCT = 60.0
"""Most clay that the equations were fitted on (Saxton & Rawls 2006, from memory)."""

OM_SCOPE_PCT = 8.0
"""Most organic matter that the equations were fitted on (same, from memory)."""

MOST_OUTSIDE = 0.75
"""With more of the draws than this outside the scope the equations are not used at all (ours)."""

ORGANIC_SOIL_PCT = 20.0
"""Organic matter above which texture does not describe a soil (AHDB, UK)."""

MINERAL_G_CM3 = 2.65
ORGANIC_G_CM3 = 1.3
"""Particle density of organic matter: published values run from about 1.2 to 1.5 (from memory)."""

WATERLOGGED_AIR_PCT = 10.0
"""Air space at field capacity under which roots run short of air (common practice)."""

# Standard error of each equation as a volume fraction (Saxton & Rawls 2006, Table 1, from memory):
# on a single soil it is far more than the spread that a good reading leaves.
_FIT_SD = {"wilting": 0.02, "field_capacity": 0.05, "saturation": 0.04}


@dataclass(frozen=True, slots=True)
class SoilWater:
    """Water contents of one soil or many; NaN outside the equations' scope.

    Attributes
    ----------
    wilting, field_capacity, saturation : ndarray
        Volume fraction of water at 1500 kPa, at 33 kPa, and with every pore full.
    ksat_mm_h : ndarray
        Saturated hydraulic conductivity [mm/h].
    """

    wilting: Array
    field_capacity: Array
    saturation: Array
    ksat_mm_h: Array

    @property
    def available_mm_per_m(self) -> Array:
        """Water between field capacity and wilting point [mm per m of soil]."""
        return 1000 * (self.field_capacity - self.wilting)

    @property
    def air_pct(self) -> Array:
        """Air-filled pores at field capacity [% of the soil's volume]."""
        return 100 * (self.saturation - self.field_capacity)


def saxton_rawls(
    sand_pct: ArrayLike, clay_pct: ArrayLike, om_pct: ArrayLike, *, density_factor: float = 1.0
) -> SoilWater:
    """Estimate water contents from texture by the equations of Saxton & Rawls.

    Parameters
    ----------
    sand_pct, clay_pct : array_like
        Sand and clay [% by mass of the fine earth].
    om_pct : array_like
        Organic matter [% by mass].
    density_factor : float
        Bulk density over that of the undisturbed soil, 0.9 (loosened) to 1.3 (compacted).

    Returns
    -------
    SoilWater
        NaN where clay is over 60 % or organic matter over 8 %.

    Raises
    ------
    ValueRefusedError
        The density factor is outside 0.9 to 1.3.

    Notes
    -----
    Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569–1578, Table 1: texture enters as a weight
    fraction but organic matter as percent. Fitted on topsoils of the United States.
    """
    if not 0.9 <= density_factor <= 1.3:
        msg = f"A density factor of {density_factor:g} is outside 0.9 to 1.3; give one inside it."
        raise ValueRefusedError(msg)
    sand, clay, om = np.broadcast_arrays(
        np.asarray(sand_pct, dtype=np.float64) / 100,
        np.asarray(clay_pct, dtype=np.float64) / 100,
        np.asarray(om_pct, dtype=np.float64),
    )
    inside = (clay <= CLAY_SCOPE_PCT / 100 + 1e-9) & (om <= OM_SCOPE_PCT) & (om >= 0)
    sand, clay, om = (np.where(inside, part, np.nan) for part in (sand, clay, om))
    # In a corner or two of their scope the equations leave what is possible: pure sand without
    # humus would wilt below nothing, a rich sandy clay hold more drained than full.
    first, field, coarse = (
        _fitted(by, sand, clay, om) for by in (_AT_1500_KPA, _AT_33_KPA, _DRAINED_TO_33_KPA)
    )
    wilting = np.maximum(first + (0.14 * first - 0.02), 0.001)
    field_capacity = field + (1.283 * field**2 - 0.374 * field - 0.015)
    drained = np.maximum(coarse + (0.636 * coarse - 0.107) - 0.097 * sand + 0.043, 0.0)
    saturation = field_capacity + drained
    return _compacted(wilting, field_capacity, saturation, density_factor)


# By sand, clay, organic matter, sand and organic matter, clay and organic matter, sand and clay,
# and what stands alone.
_AT_1500_KPA = (-0.024, 0.487, 0.006, 0.005, -0.013, 0.068, 0.031)
_AT_33_KPA = (-0.251, 0.195, 0.011, 0.006, -0.027, 0.452, 0.299)
_DRAINED_TO_33_KPA = (0.278, 0.034, 0.022, -0.018, -0.027, -0.584, 0.078)


def _fitted(by: tuple[float, ...], sand: Array, clay: Array, om: Array) -> Array:
    """Water by one of the equations, before it is adjusted."""
    s, c, o, so, co, sc, alone = by
    linear = s * sand + c * clay + o * om
    return np.asarray(linear + so * sand * om + co * clay * om + sc * sand * clay + alone)


def _compacted(
    wilting: Array, field_capacity: Array, saturation: Array, density_factor: float
) -> SoilWater:
    """Apply the equations' density adjustment, then conductivity from what is left."""
    density = (1 - saturation) * MINERAL_G_CM3 * density_factor
    packed = 1 - density / MINERAL_G_CM3
    held = np.minimum(field_capacity - 0.2 * (saturation - packed), packed)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (np.log(held) - np.log(wilting)) / (math.log(1500) - math.log(33))
        ksat = 1930 * np.maximum(packed - held, 0) ** (3 - slope)
    return SoilWater(wilting, held, packed, ksat)


def with_fit_error(water: SoilWater, *, rng: np.random.Generator) -> SoilWater:
    """Add the equations' own error to water contents, a draw for each soil.

    Parameters
    ----------
    water : SoilWater
        What the equations gave, arrays of shape (n,).
    rng : numpy.random.Generator
        Source of the errors.

    Returns
    -------
    SoilWater
        Arrays of shape (n,), wilting point < field capacity <= saturation; conductivity is left
        as it was, since the paper states no error for it.

    Notes
    -----
    The paper gives an error for each water content but not how they go together; they are drawn
    as independent. A difference of two (available water) would come out too wide from this, so
    `summarize_water` takes that from the equations alone and sets it beside the handbooks.
    """
    shape = water.wilting.shape
    errors = {name: sd * rng.standard_normal(shape) for name, sd in _FIT_SD.items()}
    held = np.maximum(water.field_capacity + errors["field_capacity"], 0.02)
    wilting = np.clip(water.wilting + errors["wilting"], 0.01, 0.95 * held)
    full = np.clip(water.saturation + errors["saturation"], held, 0.95)
    return SoilWater(wilting, held, full, water.ksat_mm_h)


@dataclass(frozen=True, slots=True)
class WaterSummary:
    """Ranges over a reading's draws: the middle 9 in 10, and the median.

    Attributes
    ----------
    wilting_pct, field_capacity_pct, saturation_pct, air_pct : Span
        Volume percent, with the equations' own error in the range; air at field capacity.
    available_mm_per_m : Span
        Plant-available water [mm per m of soil]: the reading's spread only.
    ksat_mm_h : Span
        Saturated conductivity [mm/h]: the reading's spread only.
    waterlogging_odds : float
        Chance of less than 10 % air at field capacity, 0 to 1; NaN when unknown.
    outside_share : float
        Share of the draws outside the equations' scope, 0 to 1.
    """

    wilting_pct: Span
    field_capacity_pct: Span
    saturation_pct: Span
    air_pct: Span
    available_mm_per_m: Span
    ksat_mm_h: Span
    waterlogging_odds: float
    outside_share: float


def summarize_water(water: SoilWater, *, rng: np.random.Generator) -> WaterSummary:
    """Take the ranges of a reading's water contents; all unknown if most draws are out of scope.

    Parameters
    ----------
    water : SoilWater
        `saxton_rawls` of the draws, arrays of shape (n,).
    rng : numpy.random.Generator
        Source of the equations' errors.
    """
    outside = float(np.mean(~np.isfinite(water.saturation)))
    usable = outside <= MOST_OUTSIDE
    spread = with_fit_error(water, rng=rng)
    air = spread.air_pct[np.isfinite(spread.air_pct)]

    def span(values: Array, factor: float = 1.0) -> Span:
        return span_of(values * factor if usable else np.full(1, np.nan))

    return WaterSummary(
        wilting_pct=span(spread.wilting, 100),
        field_capacity_pct=span(spread.field_capacity, 100),
        saturation_pct=span(spread.saturation, 100),
        air_pct=span(spread.air_pct),
        available_mm_per_m=span(water.available_mm_per_m),
        ksat_mm_h=span(water.ksat_mm_h),
        waterlogging_odds=float(np.mean(air < WATERLOGGED_AIR_PCT)) if usable else math.nan,
        outside_share=outside,
    )


@dataclass(frozen=True, slots=True)
class Pores:
    """What fills the soil at field capacity [% by volume]; the four add up to 100."""

    mineral_pct: float
    organic_pct: float
    water_pct: float
    air_pct: float


IDEAL_PORES = Pores(45.0, 5.0, 25.0, 25.0)
"""The ideal topsoil of garden columns (quoted second-hand; no primary source found)."""


def pores_of(water: SoilWater, om_pct: ArrayLike) -> Pores:
    """Split a soil's volume at field capacity into solids, water and air (means of the draws).

    Parameters
    ----------
    water : SoilWater
        `saxton_rawls` of the draws, arrays of shape (n,).
    om_pct : array_like, shape (n,) or ()
        Organic matter [% by mass]; its volume follows from a particle density of 1.3 g/cm³.

    Returns
    -------
    Pores
        All NaN when most draws are outside the equations' scope.
    """
    inside = np.isfinite(water.saturation)
    if np.mean(~inside) > MOST_OUTSIDE:
        return Pores(math.nan, math.nan, math.nan, math.nan)
    om = np.broadcast_to(np.asarray(om_pct, dtype=np.float64), inside.shape)[inside]
    full, held = water.saturation[inside], water.field_capacity[inside]
    solid = 1 - full
    # Share of the solids' volume that is organic, from its share of their mass.
    organic = solid * _organic_volume_share(om / 100)
    parts = (solid - organic, organic, held, full - held)
    return Pores(*(100 * float(np.mean(part)) for part in parts))


def _organic_volume_share(mass_share: Array) -> Array:
    organic = mass_share / ORGANIC_G_CM3
    return organic / (organic + (1 - mass_share) / MINERAL_G_CM3)
