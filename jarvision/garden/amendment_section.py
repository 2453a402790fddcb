"""The guide on amendments: compost, manure, what ties up nitrogen, and the true price of sand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, MASS_BALANCE, Quality, Source, Statement, say
from jarvision.core.units import Quantity, Span, UnitSystem, range_text, show, show_range
from jarvision.garden import amendments as am
from jarvision.garden import crops as cr
from jarvision.garden import soil_water as sw
from jarvision.garden.guide_case import Case

_SAND_PACKS = Source(
    Quality.SECOND_HAND, "NC State Extension as quoted in the press: sand in clay packs denser"
)

_COMPOST_MM = {UnitSystem.US: (12.7, 25.4, 50.8), UnitSystem.METRIC: (10.0, 25.0, 50.0)}
_DIG_MM = {UnitSystem.US: 152.4, UnitSystem.METRIC: 150.0}
_USUAL_AREA_M2 = {UnitSystem.US: 9.290304, UnitSystem.METRIC: 10.0}


def amendment_section(case: Case) -> Section:
    """Say what can be dug in: compost by depth, the others by carbon to nitrogen, manure, sand."""
    found = [
        say(
            "Texture stays as it is, whatever you add; structure (crumbs, pores, tilth) is what "
            "organic matter and roots change.",
            COMMON_PRACTICE,
        ),
        *_compost_statements(case),
        *_other_amendments(),
        _manure(case.system),
        *_sand_statements(case),
    ]
    return Section("amendments", "Amendments", tuple(found))


def _compost_statements(case: Case) -> Iterator[Statement]:
    if case.soil.om_known and case.soil.om_span.mid > sw.OM_SCOPE_PCT:
        yield say(
            "Organic matter is high: add no compost until a laboratory has looked at phosphorus "
            f"and salts, since {am.WHY_LIMITED}.",
            COMMON_PRACTICE,
        )
        return
    for depth_mm in _COMPOST_MM[case.system]:
        yield _compost(case, depth_mm)
    yield _compost_limit(case)


_HOT = {UnitSystem.METRIC: "55–77 °C", UnitSystem.US: "131–170 °F"}


def _manure(system: UnitSystem) -> Statement:
    return say(
        f"Raw manure: dig it in at least {am.manure_wait_days(edible_touches_soil=True)} days "
        "before harvest where the edible part touches the soil, "
        f"{am.manure_wait_days(edible_touches_soil=False)} days where it does not. Composted hot "
        f"({_HOT[system]} for 3 days in a vessel or aerated heap, or for 15 days in a windrow "
        "turned 5 times, from a C:N of 25 to 40) it needs no waiting.",
        am.ORGANIC_RULE,
    )


def _area(case: Case) -> float:
    return case.bed.area_m2 or _USUAL_AREA_M2[case.system]


def _compost(case: Case, depth_mm: float) -> Statement:
    system, load = case.system, am.compost_load(_area(case), depth_mm)
    loose = show(load.volume_m3, Quantity.LOOSE_VOLUME, system, digits=2)
    volume = show(load.volume_m3, Quantity.VOLUME, system, digits=2)
    weight = show_range(load.mass_kg, Quantity.MASS, system)
    over = " (more than a year's worth)" if depth_mm > _COMPOST_MM[system][1] else ""
    after = am.om_after_span(case.soil.om_span, depth_mm, into_mm=_DIG_MM[system])
    return say(
        f"Compost, {case.depth(depth_mm)} over {show(load.area_m2, Quantity.AREA, system)}: "
        f"{loose} ({volume}{_bags(load, system)}), {weight}; dug into "
        f"{case.depth(_DIG_MM[system])} it takes organic matter from {_om(case.soil.om_span)} "
        f"to {_om(after)} %{over}.",
        am.COMPOST_WEIGHT,
        am.LIGHT_COMPOST.source,
        am.DENSE_COMPOST.source,
        MASS_BALANCE,
    )


_MOST_BAGS = 100


def _bags(load: am.Load, system: UnitSystem) -> str:
    """Count bags, unless there are so many that nobody buys bags."""
    us = system is UnitSystem.US
    count = load.bags_1ft3 if us else load.bags_40l
    if count > _MOST_BAGS:
        return ""
    noun = "bag" if count == 1 else "bags"
    return f", {count} {noun} of {'1 cu ft' if us else '40 litres'}"


def _om(span: Span) -> str:
    if span.low == span.high:
        return f"{span.mid:g}"
    return f"{span.mid:.1f} ({span.low:.1f}–{span.high:.1f})"


def _compost_limit(case: Case) -> Statement:
    limit = case.depth(_COMPOST_MM[case.system][1])
    return say(
        f"Without a soil test stop at {limit} of compost a year: {am.WHY_LIMITED}. Much of the "
        "organic matter gained rots away within one to three years, so it is a yearly habit.",
        Source(Quality.MEMORY, "Extension advice on yearly compost"),
        COMMON_PRACTICE,
    )


def _other_amendments() -> Iterator[Statement]:
    feeds: list[am.Amendment] = []
    takes: list[am.Amendment] = []
    neither: list[am.Amendment] = []
    for row in am.AMENDMENTS:
        if np.isnan(row.cn_low):
            neither.append(row)
        else:
            (takes if am.ties_up_nitrogen(row) else feeds).append(row)
    yield _listed("Carbon to nitrogen low enough to feed or do no harm", feeds)
    yield _listed("So much carbon that it ties up nitrogen for a season if dug in", takes)
    yield _listed("Neither feed nor structure", neither)


def _listed(heading: str, rows: Sequence[am.Amendment]) -> Statement:
    def one(row: am.Amendment) -> str:
        ratio = "" if np.isnan(row.cn_low) else f" {range_text(row.cn_low, row.cn_high)}"
        return f"{row.name}{ratio} ({row.does})"

    sources = dict.fromkeys(row.source for row in rows)
    return say(f"{heading}: {'; '.join(one(row) for row in rows)}.", *sources)


def _sand_statements(case: Case) -> Iterator[Statement]:
    """Show the true price of sanding a clay, where the soil is one."""
    if cr.SoilGroup.CLAYEY not in case.groups:
        return
    depth_mm, area = _DIG_MM[case.system], _area(case)
    sand, _, clay = mean = case.soil.mean_pct
    if clay > 25:
        plan = am.sand_plan(mean, clay_target_pct=20, area_m2=area, depth_mm=depth_mm)
        goal = f"from {clay:.0f} to 20 % clay, as in a loam"
        yield say(_sand_text(case, plan, goal), MASS_BALANCE)
    if sand < 80:
        plan = am.sand_plan(mean, sand_target_pct=sand + 10, area_m2=area, depth_mm=depth_mm)
        yield say(_ten_points_text(case, plan), MASS_BALANCE, COMMON_PRACTICE)
    yield say(
        "So sand is rarely wise: short of about 70 % sand the grains sit apart in the clay and the "
        "mixture packs denser than before. Compost, no digging when wet and a raised bed do more.",
        _SAND_PACKS,
        COMMON_PRACTICE,
    )


def _sand_text(case: Case, plan: am.SandPlan, goal: str) -> str:
    system, load = case.system, plan.load
    return (
        f"Sand to bring {case.depth(_DIG_MM[system])} of soil {goal}: "
        f"{show(load.mass_kg.mid, Quantity.MASS, system, digits=2)} on "
        f"{show(load.area_m2, Quantity.AREA, system)}, a layer of {case.depth(load.depth_mm)} or "
        f"{show(load.volume_m3, Quantity.VOLUME, system, digits=2)}."
    )


def _ten_points_text(case: Case, plan: am.SandPlan) -> str:
    system, load = case.system, plan.load
    area = show(load.area_m2, Quantity.AREA, system)
    mass = show(load.mass_kg.mid, Quantity.MASS, system, digits=2)
    rule = show(am.rule_of_thumb_kg(load.area_m2), Quantity.MASS, system, digits=2)
    return (
        f"Ten points more sand in {case.depth(_DIG_MM[system])} of soil take {mass} on {area}. A "
        f"rule of thumb says {rule} whatever the soil: a tenth of the soil's weight, forgetting "
        "that the sand added enlarges the whole, so it falls shorter the sandier the soil is."
    )
