"""How a soil holds nutrients: cation exchange as a range, what leaches, how to feed."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

from jarvision.core.sources import COMMON_PRACTICE, Quality, Source
from jarvision.core.units import Span
from jarvision.estimate.texture import TextureClass
from jarvision.garden.soil_water import ClassRange, hull, matching

CEC_MEMORY = Source(
    Quality.MEMORY, "Handbook ranges of cation exchange capacity by texture and by mineral"
)

_T = TextureClass


def _row(low: float, high: float, *classes: TextureClass) -> ClassRange:
    return ClassRange(frozenset(classes), low, high, CEC_MEMORY)


# Loamy sand, silt and the mixed loams and clays are not in the list from memory: putting them with
# their neighbours is our reading. Sandy clay loam lies between two rows and is in both.
CEC_CMOL_PER_KG: tuple[ClassRange, ...] = (
    _row(1, 5, _T.SAND, _T.LOAMY_SAND),
    _row(5, 10, _T.SANDY_LOAM),
    _row(5, 15, _T.LOAM, _T.SANDY_CLAY_LOAM),
    _row(10, 25, _T.SILT_LOAM, _T.SILT),
    _row(15, 30, _T.CLAY_LOAM, _T.SILTY_CLAY_LOAM, _T.SANDY_CLAY_LOAM),
    _row(30, 50, _T.SANDY_CLAY, _T.SILTY_CLAY, _T.CLAY),
)
"""Cation exchange capacity [cmolc/kg, the same number as meq/100 g]; the last says "over 30"."""

CLAY_CMOL_PER_KG = Span(10.0, 30.0, 80.0)
"""Exchange of clay itself: kaolinite near 10, illite 15–40, smectite 80 and over (from memory)."""

HUMUS_CMOL_PER_KG = Span(100.0, 200.0, 300.0)
"""Exchange of organic matter: 100 to 300, more as the soil gets less acid (from memory)."""


def cec_by_class(classes: Collection[TextureClass]) -> Span:
    """Look up the handbook range for some classes [cmolc/kg], with its middle."""
    span = hull(matching(CEC_CMOL_PER_KG, classes))
    return Span(span.low, (span.low + span.high) / 2, span.high)


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


_SPLIT_BELOW = 10.0
_SINGLE_FROM = 20.0


def feeding_of(cec: Span) -> Feeding:
    """Choose single or split feeding from the likely exchange capacity (common practice).

    Split under 10 cmolc/kg, single from 20 up; either, or unknown, between.
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


NUTRIENTS: tuple[Nutrient, ...] = (
    Nutrient(
        "nitrate", True, "leaves with the water in every soil, fastest in sand", COMMON_PRACTICE
    ),
    Nutrient("sulfate", True, "leaves with the water, rather slower", COMMON_PRACTICE),
    Nutrient("boron", True, "leaves sandy soils", COMMON_PRACTICE),
    Nutrient("potassium", False, "held by clay and humus; slips out of sand", COMMON_PRACTICE),
    Nutrient("calcium and magnesium", False, "held by clay and humus", COMMON_PRACTICE),
    Nutrient(
        "phosphate", False, "hardly moves, except with soil that washes away", COMMON_PRACTICE
    ),
)
"""What leaches and what holds; common practice."""
