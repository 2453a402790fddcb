"""What the sections of a guide are written from: a soil, a bed, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from jarvision.core.sources import Quality, Source
from jarvision.core.units import Quantity, Span, UnitSystem, show
from jarvision.garden import class_tables as ct
from jarvision.garden import crops as cr
from jarvision.garden import runoff as ro
from jarvision.garden import soil_water as sw
from jarvision.garden.soil import Soil, likely_classes

_EXAMPLE_CROPS = ("lettuce", "carrot", "tomato")
_LIKELY_GROUP = 0.25

USUAL_AREA_M2 = {UnitSystem.US: 9.290304, UnitSystem.METRIC: 10.0}
"""What amounts are counted for where the bed's area is not known: 100 sq ft or 10 m²."""

OUR_GROUPS = Source(Quality.COMPUTED, "Which handbook row a class belongs to is our reading")


@dataclass(frozen=True, slots=True)
class Bed:
    """A bed of the user's: its name as plain text, and its area where it is known."""

    name: str = ""
    area_m2: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What the sections are written from."""

    soil: Soil
    bed: Bed
    system: UnitSystem
    crops: tuple[cr.Crop, ...]
    asked: bool
    daily_use_mm: float
    exact: sw.SoilWater
    water: sw.WaterSummary
    planning_mm_per_m: Span
    pores: sw.Pores
    waterings: tuple[cr.Watering, ...]
    runoff: ro.Runoff

    @property
    def groups(self) -> dict[ct.SoilGroup, float]:
        """The groups that the soil may well be in, with their odds."""
        odds = cr.group_odds(self.soil.texture)
        return {group: chance for group, chance in odds.items() if chance >= _LIKELY_GROUP}

    def depth(self, mm: float) -> str:
        """Print a depth that is given."""
        return show(mm, Quantity.SOIL_DEPTH, self.system, digits=2)


def case_of(
    soil: Soil,
    system: UnitSystem,
    rng: np.random.Generator,
    bed: Bed,
    names: tuple[str, ...],
    daily_use_mm: float,
) -> Case:
    """Work out what the sections are written from; parameters as in `guide.make_guide`."""
    exact = sw.saxton_rawls(soil.draws_pct[:, 0], soil.draws_pct[:, 2], soil.om_pct)
    water = sw.summarize_water(exact, rng=rng)
    planning = _planning(soil, water)
    crops = tuple(dict.fromkeys(cr.find_crop(name) for name in names or _EXAMPLE_CROPS))
    waterings = tuple(cr.watering(crop, planning, daily_use_mm=daily_use_mm) for crop in crops)
    return Case(
        soil=soil,
        bed=bed,
        system=system,
        crops=crops,
        asked=bool(names),
        daily_use_mm=daily_use_mm,
        exact=exact,
        water=water,
        planning_mm_per_m=planning,
        pores=sw.pores_of(exact, soil.om_pct),
        waterings=waterings,
        runoff=ro.runoff_of(
            soil.draws_pct,
            soil.om_pct,
            exact.ksat_mm_h,
            classes=likely_classes(soil.texture),
            rng=rng,
            sand_pct=soil.sand_pct,
        ),
    )


def water_rows(soil: Soil) -> tuple[ct.ClassRange, ...]:
    """Handbook rows of available water for the likely classes, by their sand where it is clear."""
    found: list[ct.ClassRange] = []
    for name in likely_classes(soil.texture):
        by_sand = soil.by_sand(name)
        table = ct.AVAILABLE_MM_PER_M if by_sand is None else ct.AVAILABLE_BY_SAND
        found += ct.matching(table, [by_sand or name])
    return tuple(found)


def handbook_water(soil: Soil) -> Span:
    """Handbook available water of the likely classes [mm per m]."""
    span = ct.hull(water_rows(soil))
    return Span(span.low, (span.low + span.high) / 2, span.high)


def _planning(soil: Soil, water: sw.WaterSummary) -> Span:
    """Cover equations and handbooks: where they disagree, nobody knows better."""
    book, equations = handbook_water(soil), water.available_mm_per_m
    if not equations.known:
        return book
    ends = (min(book.low, equations.low), max(book.high, equations.high))
    return Span(ends[0], (book.mid + equations.mid) / 2, ends[1])
