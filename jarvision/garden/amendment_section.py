"""The guide on amendments: compost, manure, what ties up nitrogen, and the true price of sand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isnan

from jarvision.core.sections import Section
from jarvision.core.sources import (
    COMMON_PRACTICE,
    MASS_BALANCE,
    ORGANIC_RULE,
    Quality,
    Source,
    Statement,
    say,
)
from jarvision.core.units import Quantity, Span, UnitSystem, range_text, show, show_range
from jarvision.estimate.texture import classify
from jarvision.garden import amendments as am
from jarvision.garden import class_tables as ct
from jarvision.garden import soil_water as sw
from jarvision.garden.guide_case import USUAL_AREA_M2, Case
from jarvision.garden.soil import CLASS_LIMITS

_SAND_PACKS = Source(
    Quality.SECOND_HAND, "NC State Extension as quoted in the press: sand in clay packs denser"
)


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
    for depth_mm in am.COMPOST_MM[case.system]:
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
        ORGANIC_RULE,
    )


def _area(case: Case) -> float:
    return case.bed.area_m2 or USUAL_AREA_M2[case.system]


def _compost(case: Case, depth_mm: float) -> Statement:
    system, load = case.system, am.compost_load(_area(case), depth_mm)
    loose = show(load.volume_m3, Quantity.LOOSE_VOLUME, system, digits=2)
    volume = show(load.volume_m3, Quantity.VOLUME, system, digits=2)
    weight = show_range(load.mass_kg, Quantity.MASS, system)
    over = " (more than a year's worth)" if depth_mm > am.COMPOST_YEAR_MM[system] else ""
    after = am.om_after_span(case.soil.om_span, depth_mm, into_mm=am.DIG_MM[system])
    return say(
        f"Compost, {case.depth(depth_mm)} over {show(load.area_m2, Quantity.AREA, system)}: "
        f"{loose} ({volume}{_bags(load, system)}), {weight} moist; dug into "
        f"{case.depth(am.DIG_MM[system])} it takes organic matter from {_om(case.soil.om_span)} "
        f"to {_om(after)} %{over}.",
        am.COMPOST_WEIGHT,
        am.COMPOST_MATTER,
        am.COMPOST_RANGE,
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
    limit = case.depth(am.COMPOST_YEAR_MM[case.system])
    return say(
        f"Without a soil test stop at {limit} of compost a year: {am.WHY_LIMITED}. Much of the "
        "organic matter gained rots away within one to three years, so it is a yearly habit.",
        Source(Quality.MEMORY, "Extension advice on yearly compost"),
        COMMON_PRACTICE,
    )


_HEADINGS = {
    am.Nitrogen.GIVES: "Carbon to nitrogen low enough to feed",
    am.Nitrogen.EVEN: f"About where soil life breaks even ({am.BREAK_EVEN_CN:g}), so that little "
    "nitrogen comes or goes, or some is short for weeks",
    am.Nitrogen.TAKES: "So much carbon that it ties up nitrogen for a season if dug in",
    am.Nitrogen.NEITHER: "Neither feed nor structure",
}


def _other_amendments() -> Iterator[Statement]:
    for effect, heading in _HEADINGS.items():
        rows = [row for row in am.AMENDMENTS if am.nitrogen_of(row) is effect]
        yield _listed(heading, rows, *((am.CN_NRCS,) if effect is am.Nitrogen.EVEN else ()))


def _listed(heading: str, rows: Sequence[am.Amendment], *more: Source) -> Statement:
    def one(row: am.Amendment) -> str:
        ratio = "" if isnan(row.cn_low) else f" {range_text(row.cn_low, row.cn_high)}"
        return f"{row.name}{ratio} ({row.does})"

    sources = dict.fromkeys([*(row.source for row in rows), *more])
    return say(f"{heading}: {'; '.join(one(row) for row in rows)}.", *sources)


def _sand_statements(case: Case) -> Iterator[Statement]:
    """Show the true price of sanding a clay, where the soil is one."""
    if ct.SoilGroup.CLAYEY not in case.groups:
        return
    depth_mm, area = am.DIG_MM[case.system], _area(case)
    sand, _, clay = shares = tuple(share.mid for share in case.soil.shares_pct)
    if clay > 25:
        plan = am.sand_plan(shares, clay_target_pct=20, area_m2=area, depth_mm=depth_mm)
        yield say(_sand_text(case, plan, clay), MASS_BALANCE, CLASS_LIMITS)
    if sand < 80:
        plan = am.sand_plan(shares, sand_target_pct=sand + 10, area_m2=area, depth_mm=depth_mm)
        yield say(_ten_points_text(case, plan), MASS_BALANCE, COMMON_PRACTICE)
    yield say(
        "So sand is rarely wise: short of about 70 % sand the grains sit apart in the clay and the "
        "mixture packs denser than before. Compost, no digging when wet and a raised bed do more.",
        _SAND_PACKS,
        COMMON_PRACTICE,
    )


def _sand_text(case: Case, plan: am.SandPlan, clay_pct: float) -> str:
    system, load = case.system, plan.load
    sand, silt, clay = plan.after_pct
    return (
        f"Sand to bring {case.depth(am.DIG_MM[system])} of soil from {clay_pct:.0f} to "
        f"{clay:.0f} % clay: {show(load.mass_kg.mid, Quantity.MASS, system, digits=2)} on "
        f"{show(load.area_m2, Quantity.AREA, system)}, a layer of {case.depth(load.depth_mm)} or "
        f"{show(load.volume_m3, Quantity.VOLUME, system, digits=2)}; the mixture is "
        f"{classify(sand, silt, clay)} ({sand:.0f} % sand, {silt:.0f} % silt, {clay:.0f} % clay)."
    )


_DENSITIES = {
    UnitSystem.METRIC: (f"{am.SOIL_G_CM3:g} g/cm³", f"{am.PRINTED_RULE_G_CM3:g} g/cm³"),
    UnitSystem.US: (f"{am.SOIL_LB_FT3:g} lb a cu ft", f"{am.PRINTED_RULE_LB_FT3:g} lb a cu ft"),
}


def _ten_points_text(case: Case, plan: am.SandPlan) -> str:
    system, load, depth_mm = case.system, plan.load, am.DIG_MM[case.system]
    dry, printed_dry = _DENSITIES[system]
    mass, rule, printed = (
        show(kg, Quantity.MASS, system, digits=digits)
        for kg, digits in (
            (load.mass_kg.mid, 2),
            (am.rule_of_thumb_kg(load.area_m2, depth_mm), 3),
            (am.printed_rule_kg(load.area_m2), 3),
        )
    )
    return (
        f"Ten points more sand in {case.depth(depth_mm)} of soil that weighs {dry} dry take {mass} "
        f"on {show(load.area_m2, Quantity.AREA, system)}. A rule of thumb says a tenth of the "
        f"soil's weight, {rule}; the {printed} that is usually printed is a tenth of soil of "
        f"{printed_dry}. The rule forgets that the sand added enlarges the whole, so it falls "
        "shorter the sandier the soil is."
    )
