"""The guide on nutrients: how much the soil can hold, what leaches, how to feed.

No advice on acidity or lime: a jar tells nothing of it, a laboratory does
(`cautions.NOT_DOSES`).
"""

from __future__ import annotations

from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, Statement, say
from jarvision.garden import nutrients as nu
from jarvision.garden.guide_case import Case


def nutrient_section(case: Case) -> Section:
    """Say how much the soil can hold, what leaches, and how to feed."""
    cec = nu.cec_from_parts(case.soil.shares_pct[2].mid, case.soil.om_span)
    found = [
        say(
            f"By its clay and organic matter it can hold about {cec.mid:.0f} "
            f"({cec.low:.0f}–{cec.high:.0f}) cmolc/kg of nutrients (cation "
            "exchange; the same number in meq/100 g); the kind of clay, which no jar shows, makes "
            "the difference.",
            nu.CEC_RULE,
            nu.CEC_MINERALS,
        ),
        _moving("What leaches", leaches=True),
        _moving("What holds", leaches=False),
        say(_FEEDING[nu.feeding_of(cec)], COMMON_PRACTICE),
    ]
    return Section("nutrients", "Nutrients", tuple(found))


def _moving(heading: str, *, leaches: bool) -> Statement:
    rows = [nutrient for nutrient in nu.NUTRIENTS if nutrient.leaches is leaches]
    text = "; ".join(f"{nutrient.name} ({nutrient.note})" for nutrient in rows)
    return say(f"{heading}: {text}.", *dict.fromkeys(nutrient.source for nutrient in rows))


_FEEDING = {
    nu.Feeding.SPLIT: "Feed little and often: it holds little, and one large dose washes out. How "
    "much is for a laboratory's test to say.",
    nu.Feeding.EITHER: "It holds a fair amount: most of a year's feed can go on at once, nitrogen "
    "better in two or three parts. How much is for a laboratory's test to say.",
    nu.Feeding.SINGLE: "It holds much: a single feed a year will do, apart from nitrate, which no "
    "soil holds. How much is for a laboratory's test to say.",
}
