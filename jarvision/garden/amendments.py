"""What can be dug into a bed: compost, manure, sand; volumes, weights and mass balances."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from jarvision.core.errors import ValueRefusedError
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source
from jarvision.core.units import Span, UnitSystem

SOIL_G_CM3 = 1.3
"""Dry bulk density of a worked garden bed (common practice)."""

SAND_G_CM3 = 1.55
"""Dry bulk density of builder's sand (from memory)."""

DIG_MM = MappingProxyType({UnitSystem.US: 152.4, UnitSystem.METRIC: 150.0})
"""Depth that compost and sand are mixed into [mm]: 6 inches, or 15 cm."""

COMPOST_MM = MappingProxyType(
    {UnitSystem.US: (12.7, 25.4, 50.8), UnitSystem.METRIC: (10.0, 25.0, 50.0)}
)
"""Depths of compost that a guide works out [mm]: half a year's, a year's, and too much."""

COMPOST_YEAR_MM = MappingProxyType({system: depths[1] for system, depths in COMPOST_MM.items()})
"""Most compost a year without a soil test [mm]: 1 inch (from memory)."""

WHY_LIMITED = (
    "compost brings more phosphorus and salts than plants take away, and they build up year by year"
)

COMPOST_MATTER = Source(
    Quality.SECOND_HAND,
    "Extension advice on compost analyses as quoted: about 50 % organic matter in the dry mass, "
    "50 % moisture, 1,000 lb a cubic yard moist",
)
COMPOST_RANGE = Source(
    Quality.MEMORY,
    "US Composting Council's ranges for composts sold: 30–65 % organic matter in the dry mass",
)

COMPOST_DRY_G_CM3 = 0.2966
"""Dry matter of compost [g/cm³]: half of 1,000 lb a cubic yard, or the 40 % moist compost of 833 lb
(`COMPOST_MATTER`). Moist weight, as it is bought, is `COMPOST_KG_M3`."""

COMPOST_OM_PCT = Span(30.0, 50.0, 65.0)
"""Organic matter of compost [% of the dry mass] (`COMPOST_RANGE`, `COMPOST_MATTER`)."""

COMPOST_KG_M3 = Span(475.0, 590.0, 712.0)
"""Weight of compost as it is delivered, moist [kg/m³]: 800 to 1,200 lb a cubic yard."""
COMPOST_WEIGHT = Source(
    Quality.PUBLISHED, "Compost as received, 1,000–1,200 lb a cubic yard; drier ones 800 lb"
)

BAG_L = 40.0
"""A common bag of compost in metric countries [litres]."""

BAG_M3_US = 0.028316846592
"""A common bag of compost in the United States: 1 cubic foot [m³]."""


@dataclass(frozen=True, slots=True)
class Load:
    """An amount of something spread on a bed."""

    depth_mm: float
    area_m2: float
    mass_kg: Span

    @property
    def volume_m3(self) -> float:
        """Volume [m³]."""
        return self.depth_mm / 1000 * self.area_m2

    @property
    def bags_40l(self) -> int:
        """Bags of 40 litres, whole."""
        return math.ceil(self.volume_m3 * 1000 / BAG_L - 1e-9)

    @property
    def bags_1ft3(self) -> int:
        """Bags of 1 cubic foot, whole."""
        return math.ceil(self.volume_m3 / BAG_M3_US - 1e-9)


def _positive(value: float, what: str) -> None:
    if not 0 < value < math.inf:
        msg = f"The {what} must be more than 0; {value:g} was given."
        raise ValueRefusedError(msg)


def compost_load(area_m2: float, depth_mm: float) -> Load:
    """Work out volume and weight of compost for a bed.

    Parameters
    ----------
    area_m2 : float
        Area of the bed [m²], more than 0.
    depth_mm : float
        Depth of the layer [mm], more than 0.

    Raises
    ------
    ValueRefusedError
        Area or depth is not more than 0.
    """
    _positive(area_m2, "area")
    _positive(depth_mm, "depth")
    volume_m3 = depth_mm / 1000 * area_m2
    return Load(depth_mm, area_m2, COMPOST_KG_M3.times(volume_m3))


def om_after(om_pct: float, compost_mm: float, compost_om_pct: float, *, into_mm: float) -> float:
    """Organic matter of the mixed layer on the day that compost is dug in [% by mass].

    Parameters
    ----------
    om_pct : float
        Organic matter now [% by mass].
    compost_mm : float
        Depth of compost spread [mm].
    compost_om_pct : float
        Organic matter of the compost [% of its dry mass].
    into_mm : float
        Depth of soil it is mixed into [mm].

    Notes
    -----
    Mass balance of dry matter, `SOIL_G_CM3` of it in the soil and `COMPOST_DRY_G_CM3` in the
    compost. Much of what is added rots away within one to three years.
    """
    _positive(into_mm, "digging depth")
    soil, added = into_mm * SOIL_G_CM3, compost_mm * COMPOST_DRY_G_CM3
    return (soil * om_pct + added * compost_om_pct) / (soil + added)


def om_after_span(om_pct: Span, compost_mm: float, *, into_mm: float) -> Span:
    """Range of organic matter after compost, over what is there and over what compost can be."""
    pairs = zip(
        (om_pct.low, om_pct.mid, om_pct.high),
        (COMPOST_OM_PCT.low, COMPOST_OM_PCT.mid, COMPOST_OM_PCT.high),
        strict=True,
    )
    return Span(*(om_after(now, compost_mm, om, into_mm=into_mm) for now, om in pairs))


@dataclass(frozen=True, slots=True)
class SandPlan:
    """Sand that it would take to reach a target, by mass balance.

    Attributes
    ----------
    share : float
        Mass of sand for each mass of soil.
    load : Load
        The sand itself.
    after_pct : tuple of float
        Sand, silt and clay of the mixture [%].
    """

    share: float
    load: Load
    after_pct: tuple[float, float, float]


def sand_plan(
    soil_pct: Sequence[float],
    *,
    sand_target_pct: float | None = None,
    clay_target_pct: float | None = None,
    area_m2: float,
    depth_mm: float,
) -> SandPlan:
    """Work out how much sand would bring a soil to a target share of sand, or down to one of clay.

    Parameters
    ----------
    soil_pct : sequence of float
        Sand, silt and clay of the soil [%].
    sand_target_pct, clay_target_pct : float, optional
        One of the two: the share of sand or of clay wanted [%].
    area_m2, depth_mm : float
        Bed and depth of digging.

    Raises
    ------
    ValueRefusedError
        The target is already met, cannot be reached, or is not one target; the area or the depth
        is not more than 0.

    Notes
    -----
    The sand added enlarges the whole: x = (target − now) / (100 − target) of the soil's mass.
    """
    _positive(area_m2, "area")
    _positive(depth_mm, "digging depth")
    sand, silt, clay = soil_pct
    if (sand_target_pct is None) == (clay_target_pct is None):
        msg = "Give one target for the sand: a share of sand or a share of clay."
        raise ValueRefusedError(msg)
    if sand_target_pct is not None:
        share = _share_to_sand(sand, sand_target_pct)
    else:
        share = _share_to_clay(clay, clay_target_pct or 0.0)
    mass_kg = share * SOIL_G_CM3 * depth_mm * area_m2  # 1 g/cm³ over 1 mm and 1 m² is 1 kg
    after = tuple(part / (1 + share) for part in (sand + 100 * share, silt, clay))
    load = Load(mass_kg / SAND_G_CM3 / area_m2, area_m2, Span(mass_kg, mass_kg, mass_kg))
    return SandPlan(share, load, (after[0], after[1], after[2]))


def _share_to_sand(sand_pct: float, target_pct: float) -> float:
    if not sand_pct < target_pct < 100:
        msg = (
            f"Sand cannot be added to go from {sand_pct:g} % sand to {target_pct:g} %; "
            "give a target above what is there and below 100."
        )
        raise ValueRefusedError(msg)
    return (target_pct - sand_pct) / (100 - target_pct)


def _share_to_clay(clay_pct: float, target_pct: float) -> float:
    if not 0 < target_pct < clay_pct:
        msg = (
            f"Sand cannot be added to go from {clay_pct:g} % clay to {target_pct:g} %; "
            "give a target below what is there and above 0."
        )
        raise ValueRefusedError(msg)
    return clay_pct / target_pct - 1


PRINTED_RULE_LB = 465.0
"""Sand for ten points more of it as garden columns print it, lb on 100 ft² (common practice, no
source): a tenth of six inches of soil at `PRINTED_RULE_LB_FT3`."""

PRINTED_RULE_LB_FT3 = 93.0
PRINTED_RULE_G_CM3 = 1.49
"""Dry density of soil at which the printed figure is a tenth of the weight, in two units."""

SOIL_LB_FT3 = 81.0
"""`SOIL_G_CM3` in pounds a cubic foot, for the text."""

MANURE_DAYS_TOUCHING = 120
"""Raw manure dug in to harvest where the edible part touches the soil [days]: 7 CFR 205.203(c)."""

MANURE_DAYS_CLEAR = 90
"""The same where it does not touch the soil [days]."""


def manure_wait_days(*, edible_touches_soil: bool) -> int:
    """Days that must pass between digging in raw manure and harvest: 7 CFR 205.203(c)(1)."""
    return MANURE_DAYS_TOUCHING if edible_touches_soil else MANURE_DAYS_CLEAR


@dataclass(frozen=True, slots=True)
class Amendment:
    """Something to spread or dig in.

    Attributes
    ----------
    cn_low, cn_high : float
        Mass of carbon to nitrogen; NaN where it means nothing.
    does : str
        What it does for a bed.
    """

    name: str
    cn_low: float
    cn_high: float
    does: str
    source: Source


CN_TABLE = Source(
    Quality.PUBLISHED, "Extension tables of C:N and available nitrogen, collated in an open dataset"
)
CN_NRCS = Source(
    Quality.PUBLISHED,
    "USDA NRCS, Carbon to Nitrogen Ratios in Cropping Systems, Table 1: rye cut young 26, in "
    "flower 37, straw 82; hairy vetch 11; soil life breaks even at 24",
)
_CN_MEMORY = Source(Quality.MEMORY, "Extension tables of C:N")
_VERMICULITE = Source(
    Quality.SECOND_HAND,
    "Growers' pages: vermiculite exchanges 100–150 meq/100 g and gives up potassium and magnesium",
)
_NONE = math.nan

AMENDMENTS: tuple[Amendment, ...] = (
    Amendment("poultry manure", 10, 10, "feeds fast and strongly; easily too much", CN_TABLE),
    Amendment("vegetable waste", 10, 20, "feeds once composted", CN_TABLE),
    Amendment("legume cover crop", 10, 20, "feeds when cut young", CN_NRCS),
    Amendment("cow manure", 20, 25, "builds structure; hardly any nitrogen at first", CN_TABLE),
    Amendment("grass clippings", 15, 25, "feed as a thin mulch; mat if thick", _CN_MEMORY),
    Amendment("cereal cover crop, cut young", 26, 26, "builds structure", CN_NRCS),
    Amendment("cereal cover crop, in flower", 37, 37, "builds structure; sow beans next", CN_NRCS),
    Amendment("leaves", 30, 80, "as leaf mould, after a year or two, builds structure", CN_TABLE),
    Amendment("straw", 40, 100, "mulch; ties up nitrogen if dug in", CN_TABLE),
    Amendment("sawdust and wood chips", 100, 500, "mulch for paths and shrubs only", CN_TABLE),
    Amendment("peat", _NONE, _NONE, "holds water, feeds nothing, acid", COMMON_PRACTICE),
    Amendment(
        "vermiculite",
        _NONE,
        _NONE,
        "holds water, potassium and magnesium, and gives a little of both; for pots",
        _VERMICULITE,
    ),
)
"""Amendments from quick to slow; the last two are no feed."""


class Nitrogen(StrEnum):
    """What digging an amendment in does to the nitrogen that plants find."""

    GIVES = "gives"
    EVEN = "even"
    TAKES = "takes"
    NEITHER = "neither"


BREAK_EVEN_CN = 24.0
"""C:N that soil life neither gives nor takes nitrogen at (`CN_NRCS`)."""

_TAKES_FROM_CN = 30.0
"""C:N from which a season's nitrogen is taken (common practice: 25 to 30); between the two it is
weeks."""


def nitrogen_of(amendment: Amendment) -> Nitrogen:
    """Tell what digging it in does to the nitrogen in the soil, by its carbon to nitrogen."""
    if math.isnan(amendment.cn_low):
        return Nitrogen.NEITHER
    if amendment.cn_low >= _TAKES_FROM_CN:
        return Nitrogen.TAKES
    return Nitrogen.GIVES if amendment.cn_high <= BREAK_EVEN_CN else Nitrogen.EVEN


def rule_of_thumb_kg(area_m2: float, depth_mm: float) -> float:
    """Sand for ten points more of it by the rule of thumb, a tenth of the soil's weight [kg]."""
    return 0.1 * SOIL_G_CM3 * depth_mm * area_m2


def printed_rule_kg(area_m2: float) -> float:
    """Scale the rule's figure as it is printed to a bed of any area [kg]."""
    return PRINTED_RULE_LB * 0.45359237 * area_m2 / 9.290304
