"""How a soil holds nutrients: cation exchange as a range, what leaches, how to feed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from jarvision.core.sources import COMMON_PRACTICE, Quality, Source
from jarvision.core.units import Span

CEC_MINERALS = Source(
    Quality.SECOND_HAND,
    "Brady & Weil 2002, The Nature and Properties of Soils, Table 8.1, and a like table, as "
    "quoted: cation exchange of kaolinite 3–15, smectite 60–150, humus 100–300 cmolc/kg",
)
CEC_RULE = Source(
    Quality.PUBLISHED,
    "A water-quality text's rule (CRC Press 2000): 0.5 meq/100 g for each percent of clay, 2 for "
    "each of organic matter",
)

CLAY_CMOL_PER_KG = Span(3.0, 50.0, 100.0)
"""Exchange of clay itself: kaolinite from 3 (`CEC_MINERALS`), the rule's 50 (`CEC_RULE`), smectite
about 100."""

HUMUS_CMOL_PER_KG = Span(100.0, 200.0, 300.0)
"""Exchange of organic matter: 100 to 300 (`CEC_MINERALS`), more as the soil gets less acid; the
rule's 200."""


def cec_from_parts(clay_pct: float, om_pct: Span) -> Span:
    """Add up what clay and organic matter can hold, whatever the clay mineral is [cmolc/kg].

    Parameters
    ----------
    clay_pct : float
        Clay [% by mass].
    om_pct : Span
        Organic matter [% by mass].

    Returns
    -------
    Span
        Kaolinite and poor humus to smectite and rich humus: the mineral is not known from texture.
    """
    return Span(
        clay_pct / 100 * CLAY_CMOL_PER_KG.low + om_pct.low / 100 * HUMUS_CMOL_PER_KG.low,
        clay_pct / 100 * CLAY_CMOL_PER_KG.mid + om_pct.mid / 100 * HUMUS_CMOL_PER_KG.mid,
        clay_pct / 100 * CLAY_CMOL_PER_KG.high + om_pct.high / 100 * HUMUS_CMOL_PER_KG.high,
    )


class Feeding(StrEnum):
    """How to give what a laboratory advises."""

    SPLIT = "split"
    EITHER = "either"
    SINGLE = "single"


# A Northern-Plains laboratory's grouping: to 10 sandy, 11–20 coarse loam, 21–30 fine loam.
_SPLIT_BELOW = 10.5
_SINGLE_FROM = 20.5


def feeding_of(cec: Span) -> Feeding:
    """Choose single or split feeding from the likely exchange capacity (common practice).

    Split up to 10 cmolc/kg, single from 21 up; either, or unknown, between.
    """
    if not math.isfinite(cec.mid):
        return Feeding.EITHER
    if cec.mid < _SPLIT_BELOW:
        return Feeding.SPLIT
    return Feeding.SINGLE if cec.mid >= _SINGLE_FROM else Feeding.EITHER


@dataclass(frozen=True, slots=True)
class Nutrient:
    """How a nutrient moves with water."""

    name: str
    leaches: bool
    note: str
    source: Source


_PHOSPHATE = Source(
    Quality.PUBLISHED,
    "Nelson, Parsons & Mikkelsen 2005, J. Environ. Qual. 34: over 18 mg/L of phosphorus 45 cm down "
    "in sands that had 20 years of pig manure",
)

NUTRIENTS: tuple[Nutrient, ...] = (
    Nutrient(
        "nitrate", True, "leaves with the water in every soil, fastest in sand", COMMON_PRACTICE
    ),
    Nutrient("sulfate", True, "leaves with the water, rather slower", COMMON_PRACTICE),
    Nutrient("boron", True, "leaves sandy soils", COMMON_PRACTICE),
    Nutrient("potassium", False, "held by clay and humus; slips out of sand", COMMON_PRACTICE),
    Nutrient("calcium and magnesium", False, "held by clay and humus", COMMON_PRACTICE),
    Nutrient(
        "phosphate",
        False,
        "hardly moves, except with soil that washes away, or down through sand that was manured "
        "for years",
        _PHOSPHATE,
    ),
)
"""What leaches and what holds."""
