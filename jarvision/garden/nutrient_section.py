"""The guide on nutrients: how much the soil can hold, what leaches, how to feed."""

from __future__ import annotations

from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, say
from jarvision.core.units import range_text
from jarvision.garden import nutrients as nu
from jarvision.garden.guide_case import OUR_GROUPS, Case
from jarvision.garden.soil import likely_classes


def nutrient_section(case: Case) -> Section:
    """Say how much the soil can hold, what leaches, and how to feed."""
    by_class = nu.cec_by_class(likely_classes(case.soil.texture))
    by_parts = nu.cec_from_parts(case.soil.mean_pct[2], case.soil.om_span)
    found = [
        say(
            f"It can hold {range_text(by_class.low, by_class.high)} cmolc/kg of nutrients (cation "
            f"exchange; the same number in meq/100 g) as its class goes, {by_parts.low:.0f} to "
            f"{by_parts.high:.0f} by its clay and organic matter; the kind of clay, which no jar "
            "shows, makes the difference.",
            nu.CEC_MEMORY,
            OUR_GROUPS,
        ),
        say(f"What leaches: {_nutrients(leaches=True)}.", COMMON_PRACTICE),
        say(f"What holds: {_nutrients(leaches=False)}.", COMMON_PRACTICE),
        say(_FEEDING[nu.feeding_of(by_class)], COMMON_PRACTICE),
    ]
    return Section("nutrients", "Nutrients", tuple(found))


def _nutrients(*, leaches: bool) -> str:
    return "; ".join(f"{n.name} ({n.note})" for n in nu.NUTRIENTS if n.leaches is leaches)


_FEEDING = {
    nu.Feeding.SPLIT: "Feed little and often: it holds little, and one large dose washes out. How "
    "much is for a laboratory's test to say.",
    nu.Feeding.EITHER: "It holds a fair amount: most of a year's feed can go on at once, nitrogen "
    "better in two or three parts. How much is for a laboratory's test to say.",
    nu.Feeding.SINGLE: "It holds much: a single feed a year will do, apart from nitrogen, which no "
    "soil holds. How much is for a laboratory's test to say.",
}
