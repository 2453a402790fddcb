"""The guide on rain and run-off: hydrologic soil group and how easily soil is washed away."""

from __future__ import annotations

from jarvision.core.ranges import odds_in_words
from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, SAXTON_RAWLS, Quality, Source, Statement, say
from jarvision.core.units import UnitSystem
from jarvision.garden import class_tables as ct
from jarvision.garden import runoff as ro
from jarvision.garden.guide_case import OUR_GROUPS, Case

_RATING = Source(
    Quality.MEMORY,
    "Extension notes on the soil-loss equation: K under 0.2 low, 0.2 to 0.4 middling, above high",
)
_DEPTHS = {UnitSystem.METRIC: ("1 m", "50 cm"), UnitSystem.US: ("40 in", "20 in")}
"""The handbook's two depths, as it prints them."""

_LOW_K, _HIGH_K = 0.2, 0.4


def runoff_section(case: Case) -> Section:
    """Say in which hydrologic soil group the soil is, and how easily rain washes it away."""
    return Section("runoff", "Rain and run-off", (_group(case), _erodibility(case)))


def _group(case: Case) -> Statement:
    likeliest = case.soil.texture.likeliest
    by_texture = next(group for group, names in ct.RUNOFF_GROUPS.items() if likeliest in names)
    odds = case.runoff.odds
    sources: tuple[Source, ...] = (ro.RUNOFF_GROUP_RULES, OUR_GROUPS)
    text = f"{by_texture} as its texture goes"
    if odds:
        best = max(odds, key=odds.__getitem__)
        chance = f"odds {odds_in_words(odds[best])}"
        sources = (*sources, SAXTON_RAWLS)
        text = (
            f"{by_texture} as its texture goes and by its conductivity ({chance})"
            if best is by_texture
            else f"{by_texture} as its texture goes, {best} by its conductivity ({chance})"
        )
    deep, shallow = _DEPTHS[case.system]
    return say(
        f"Hydrologic soil group (A lets most rain in, D least): {text}, if rock, a pan and the "
        f"water table are all deeper than {deep}, which no jar shows; with rock within {shallow} "
        "it is D. To plan beds by, not drains or ponds.",
        *sources,
    )


def _erodibility(case: Case) -> Statement:
    k = case.runoff.k_us
    harm = "easily" if k.mid > _HIGH_K else "hardly" if k.mid < _LOW_K else "fairly easily"
    unknown = "very fine sand and its crumbs" if case.soil.sand_pct is None else "crumbs"
    return say(
        f"Bare and on a slope, rain washes it away {harm}: erodibility K is about {k.mid:.2f} "
        f"({k.low:.2f}–{k.high:.2f}; US units, 0.1317 of that in SI). What is not known of its "
        f"{unknown} is in the range; mulch, roots and level beds do more.",
        ro.ERODIBILITY_NOMOGRAPH,
        ro.ERODIBILITY_TEXTURE,
        ct.ERODIBILITY_BY_CLASS,
        _RATING,
        COMMON_PRACTICE,
    )
