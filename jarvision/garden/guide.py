"""What a soil means for the garden: water, air, nutrients, amendments, crops, what to do first.

`make_guide` turns a `Soil` into statements that carry their sources; `guide_text` prints them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.sections import Section, sections_text
from jarvision.core.sources import Statement
from jarvision.core.units import Span, UnitSystem
from jarvision.garden import class_tables as ct
from jarvision.garden import crops as cr
from jarvision.garden import soil_water as sw
from jarvision.garden.air_section import air_section
from jarvision.garden.amendment_section import amendment_section
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.crop_section import crop_section
from jarvision.garden.guide_case import Bed, Case, case_of
from jarvision.garden.nutrient_section import nutrient_section
from jarvision.garden.priorities import Facts, rank_actions
from jarvision.garden.runoff_section import runoff_section
from jarvision.garden.sand_section import sand_sections
from jarvision.garden.soil import Soil
from jarvision.garden.soil_section import soil_section
from jarvision.garden.water_section import water_section


@dataclass(frozen=True, slots=True, eq=False)
class Guide:
    """Everything said of a soil, with the numbers that pictures need.

    Attributes
    ----------
    first : tuple of Statement
        Five things to do first at most, most pressing first.
    sections : tuple of Section
        In reading order.
    cautions : tuple of Statement
    water : WaterSummary
        Ranges by the equations.
    planning_mm_per_m : Span
        Available water that the waterings use [mm per m]: equations and handbooks together.
    pores : Pores
        What fills the soil after it has drained.
    waterings : tuple of Watering
        One for each crop asked for.
    """

    soil: Soil
    bed: Bed
    system: UnitSystem
    first: tuple[Statement, ...]
    sections: tuple[Section, ...]
    cautions: tuple[Statement, ...]
    water: sw.WaterSummary
    planning_mm_per_m: Span
    pores: sw.Pores
    waterings: tuple[cr.Watering, ...]

    def all_sections(self) -> tuple[Section, ...]:
        """List everything in reading order: first things first, cautions last."""
        return (
            Section("first", "What to do first", self.first, ranked=True),
            *self.sections,
            Section("cautions", "Cautions", self.cautions),
        )


def make_guide(
    soil: Soil,
    *,
    system: UnitSystem,
    rng: np.random.Generator,
    bed: Bed | None = None,
    crops: Sequence[str] = (),
    daily_use_mm: float = cr.DAILY_USE_MM,
) -> Guide:
    """Say what a soil means for the garden.

    Parameters
    ----------
    soil : Soil
        See `jarvision.garden.soil`.
    system : UnitSystem
        Units of the text.
    rng : numpy.random.Generator
        Source of the equations' errors.
    bed : Bed, optional
        Its area is used for compost, sand and water.
    crops : sequence of str
        Names of crops; without any, three common ones serve as examples.
    daily_use_mm : float
        Water used in a day [mm].

    Raises
    ------
    UsageError
        A crop is not known.
    ValueRefusedError
        The daily use is out of range.
    """
    case = case_of(soil, system, rng, bed or Bed(), tuple(crops), daily_use_mm)
    return Guide(
        soil=soil,
        bed=case.bed,
        system=system,
        first=rank_actions(_facts(case)),
        sections=(
            soil_section(case),
            *sand_sections(case),
            *(write(case) for write in _WRITERS),
        ),
        cautions=cautions_for(Place.GUIDE),
        water=case.water,
        planning_mm_per_m=case.planning_mm_per_m,
        pores=case.pores,
        waterings=case.waterings,
    )


def _facts(case: Case) -> Facts:
    odds = cr.group_odds(case.soil.texture)
    silt, clay = case.soil.draws_pct[:, 1], case.soil.draws_pct[:, 2]
    return Facts(
        system=case.system,
        class_odds=case.soil.texture.odds,
        sandy=odds[ct.SoilGroup.SANDY],
        loamy=odds[ct.SoilGroup.LOAMY],
        clayey=odds[ct.SoilGroup.CLAYEY],
        crusting=float(np.mean((silt >= 50) & (clay < 27))),
        waterlogging=case.water.waterlogging_odds,
        air_pct=case.water.air_pct.mid,
        available_mm_per_m=case.planning_mm_per_m,
        om_known=case.soil.om_known,
        om_pct=case.soil.om_span,
        om_low=float(np.mean(case.soil.om_pct < 3)),
    )


_WRITERS = (
    water_section,
    runoff_section,
    air_section,
    nutrient_section,
    amendment_section,
    crop_section,
)


def guide_text(guide: Guide) -> str:
    """Print a guide as plain text, each statement with its marks, the sources at the end."""
    title = "Soil guide" + (f": {guide.bed.name}" if guide.bed.name else "")
    return sections_text(title, guide.all_sections())
