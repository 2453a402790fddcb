"""What a soil means for the garden: water, air, nutrients, amendments, crops, what to do first.

`make_guide` turns a `Soil` into statements that carry their sources; `guide_text` prints them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.sections import Section, sections_text
from jarvision.core.sources import (
    COMMON_PRACTICE,
    FAO56_MEMORY,
    MASS_BALANCE,
    SAXTON_RAWLS,
    SAXTON_RAWLS_FIT,
    Quality,
    Source,
    Statement,
    say,
)
from jarvision.core.units import (
    Quantity,
    Span,
    UnitSystem,
    about_text,
    area_m2,
    length_mm,
    plain,
    range_text,
    show,
    show_about,
    show_range,
    system_of,
    unit_of,
)
from jarvision.garden import amendments as am
from jarvision.garden import crops as cr
from jarvision.garden import nutrients as nu
from jarvision.garden import soil_water as sw
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.priorities import Facts, rank_actions
from jarvision.garden.soil import (
    CLASS_LIMITS,
    Soil,
    assumed_om,
    find_class,
    joined,
    likely_classes,
    odds_text,
    soil_from_class,
    soil_from_draws,
    soil_from_percentages,
)

_MM_PER_M_IN_FT = 25.4 / 0.3048
"""Available water of 1 inch a foot [mm per m]."""

_EXAMPLE_CROPS = ("lettuce", "carrot", "tomato")
_LIKELY_GROUP = 0.25

_IDEAL = Source(
    Quality.SECOND_HAND, "The ideal topsoil of garden columns, by volume; no primary source found"
)
_COMPACTION_INTAKE = Source(
    Quality.PUBLISHED, "Minnesota Stormwater Manual: compaction cuts intake by 90 to 95 %"
)
_OUR_GROUPS = Source(Quality.COMPUTED, "Which handbook row a class belongs to is our reading")
_ORGANIC_SOIL = Source(Quality.PUBLISHED, "AHDB (UK): over 20 % organic matter, no texture class")
_SAND_PACKS = Source(
    Quality.SECOND_HAND, "NC State Extension as quoted in the press: sand in clay packs denser"
)


@dataclass(frozen=True, slots=True)
class Bed:
    """A bed of the user's: its name as plain text, and its area where it is known."""

    name: str = ""
    area_m2: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Guide:
    """Everything said of a soil, with the numbers that pictures need.

    Attributes
    ----------
    first : tuple of Statement
        Three things to do first, most pressing first.
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


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
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

    @property
    def groups(self) -> dict[cr.SoilGroup, float]:
        """The groups that the soil may well be in, with their odds."""
        odds = cr.group_odds(self.soil.texture)
        return {group: chance for group, chance in odds.items() if chance >= _LIKELY_GROUP}

    def depth(self, mm: float) -> str:
        """Print a depth that is given."""
        return show(mm, Quantity.SOIL_DEPTH, self.system, digits=2)


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
    case = _case(soil, system, rng, bed or Bed(), tuple(crops), daily_use_mm)
    return Guide(
        soil=soil,
        bed=case.bed,
        system=system,
        first=rank_actions(_facts(case)),
        sections=tuple(write(case) for write in _WRITERS),
        cautions=cautions_for(Place.GUIDE),
        water=case.water,
        planning_mm_per_m=case.planning_mm_per_m,
        pores=case.pores,
        waterings=case.waterings,
    )


def _case(
    soil: Soil,
    system: UnitSystem,
    rng: np.random.Generator,
    bed: Bed,
    names: tuple[str, ...],
    daily_use_mm: float,
) -> _Case:
    exact = sw.saxton_rawls(soil.draws_pct[:, 0], soil.draws_pct[:, 2], soil.om_pct)
    water = sw.summarize_water(exact, rng=rng)
    planning = _planning(soil, water)
    crops = tuple(dict.fromkeys(cr.find_crop(name) for name in names or _EXAMPLE_CROPS))
    waterings = tuple(cr.watering(crop, planning, daily_use_mm=daily_use_mm) for crop in crops)
    return _Case(
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
    )


def _handbook_water(soil: Soil) -> Span:
    """Handbook available water of the likely classes [mm per m]."""
    rows = sw.matching(sw.AVAILABLE_IN_PER_FT, likely_classes(soil.texture))
    span = sw.hull(rows)
    return Span(span.low, (span.low + span.high) / 2, span.high).times(_MM_PER_M_IN_FT)


def _planning(soil: Soil, water: sw.WaterSummary) -> Span:
    """Cover equations and handbooks: where they disagree, nobody knows better."""
    book, equations = _handbook_water(soil), water.available_mm_per_m
    if not equations.known:
        return book
    ends = (min(book.low, equations.low), max(book.high, equations.high))
    return Span(ends[0], (book.mid + equations.mid) / 2, ends[1])


def _facts(case: _Case) -> Facts:
    odds = cr.group_odds(case.soil.texture)
    silt, clay = case.soil.draws_pct[:, 1], case.soil.draws_pct[:, 2]
    return Facts(
        system=case.system,
        class_odds=case.soil.texture.odds,
        sandy=odds[cr.SoilGroup.SANDY],
        loamy=odds[cr.SoilGroup.LOAMY],
        clayey=odds[cr.SoilGroup.CLAYEY],
        crusting=float(np.mean((silt >= 50) & (clay < 27))),
        waterlogging=case.water.waterlogging_odds,
        air_pct=case.water.air_pct.mid,
        available_mm_per_m=case.planning_mm_per_m,
        om_known=case.soil.om_known,
        om_pct=case.soil.om_span,
        om_low=float(np.mean(case.soil.om_pct < 3)),
    )


# ---------------------------------------------------------------------------------------- soil


def _soil_section(case: _Case) -> Section:
    soil = case.soil
    sand, silt, clay = (_share(column) for column in soil.draws_pct.T)
    found = [
        say(
            f"{odds_text(soil.texture).capitalize()}: sand {sand} %, silt {silt} %, clay {clay} %.",
            CLASS_LIMITS,
        ),
        soil.origin,
        _om_statement(soil),
        *_scope_warnings(case),
    ]
    return Section("soil", "This soil", tuple(found))


def _share(draws_pct: ArrayLike) -> str:
    draws = np.asarray(draws_pct, dtype=np.float64)
    mean = float(draws.mean())
    low, high = np.quantile(draws, (0.1, 0.9))
    if high - low < 0.5:
        return f"{mean:.0f}"
    return f"{mean:.0f} ({low:.0f}–{high:.0f})"


def _om_statement(soil: Soil) -> Statement:
    if not soil.om_known:
        return assumed_om()
    given = Source(Quality.COMPUTED, "Organic matter as it was given")
    return say(f"Organic matter is {soil.om_span.mid:g} % of the dry mass, as given.", given)


def _scope_warnings(case: _Case) -> Iterator[Statement]:
    outside, om_pct = case.water.outside_share, case.soil.om_span.mid
    if om_pct >= sw.ORGANIC_SOIL_PCT:
        yield say(
            f"With {om_pct:g} % organic matter this is an organic soil, which texture does not "
            "describe: take what follows as background only.",
            _ORGANIC_SOIL,
        )
    if om_pct > sw.OM_SCOPE_PCT:
        yield say(
            f"The water equations hold up to {sw.OM_SCOPE_PCT:g} % organic matter, so only "
            "handbook ranges are given.",
            SAXTON_RAWLS_FIT,
        )
    elif outside > 0.05:
        left_out = case.water.saturation_pct.known
        only = "and that part is left out" if left_out else "so only handbook ranges are given"
        odds = "" if outside > 0.995 else f"with odds of {100 * outside:.0f} % "
        yield say(
            f"The water equations hold up to {sw.CLAY_SCOPE_PCT:g} % clay; {odds}this soil has "
            f"more, {only}.",
            SAXTON_RAWLS_FIT,
        )


# --------------------------------------------------------------------------------------- water


def _water_section(case: _Case) -> Section:
    found = [
        *_contents(case),
        _available(case),
        _intake(case),
        *(_watering(case, watering) for watering in case.waterings),
        say(
            "These are net figures for full-grown crops when their water is used up: add what "
            "runs off or drains away, give seedlings less and more often, and dig a finger's "
            "depth to see before you water.",
            COMMON_PRACTICE,
        ),
        _mulch(case),
    ]
    return Section("water", "Water", tuple(found))


def _contents(case: _Case) -> Iterator[Statement]:
    water = case.water
    if not water.saturation_pct.known:
        return
    yield say(
        f"Of the soil's volume, water fills {about_text(water.saturation_pct)} % when it is full "
        f"(saturation), {about_text(water.field_capacity_pct)} % once it has drained (field "
        f"capacity), and {about_text(water.wilting_pct)} % is left when plants wilt (wilting "
        "point).",
        SAXTON_RAWLS,
        SAXTON_RAWLS_FIT,
    )


def _available(case: _Case) -> Statement:
    system = case.system
    rows = sw.matching(sw.AVAILABLE_IN_PER_FT, likely_classes(case.soil.texture))
    books = tuple(dict.fromkeys(row.source for row in rows))
    handbook = show_range(_handbook_water(case.soil), Quantity.AVAILABLE_WATER, system)
    if not case.water.available_mm_per_m.known:
        return say(f"Plants can draw on {handbook} by the handbooks.", *books, _OUR_GROUPS)
    equations = show_about(case.water.available_mm_per_m, Quantity.AVAILABLE_WATER, system)
    planning = show_range(case.planning_mm_per_m, Quantity.AVAILABLE_WATER, system)
    return say(
        f"Plants can draw on {equations} by the equations and {handbook} by the handbooks; "
        f"{planning} is used below, and a single soil can lie outside it.",
        SAXTON_RAWLS,
        *books,
        _OUR_GROUPS,
    )


def _intake(case: _Case) -> Statement:
    rows = sw.matching(sw.INTAKE_MM_PER_H, likely_classes(case.soil.texture))
    book = sw.hull(rows)
    ksat = case.water.ksat_mm_h
    both = (
        Span(min(book.low, ksat.low), book.mid, max(book.high, ksat.high)) if ksat.known else book
    )
    span = _order_of_magnitude(both, case.system)
    sources = tuple(dict.fromkeys(row.source for row in rows))
    equations = (SAXTON_RAWLS,) if ksat.known else ()
    return say(
        f"Water soaks in at somewhere between {span}: no more than an order of magnitude, and a "
        "trodden bed takes in a tenth of it. To know, press a bottomless can into moist soil, fill "
        "it twice and time the second filling.",
        *equations,
        *sources,
        _OUR_GROUPS,
        _COMPACTION_INTAKE,
    )


def _order_of_magnitude(span: Span, system: UnitSystem) -> str:
    low, high = (show(value, Quantity.RATE, system, digits=1) for value in (span.low, span.high))
    return f"{low.split(' ')[0]} and {high}"


def _watering(case: _Case, watering: cr.Watering) -> Statement:
    system, crop = case.system, watering.crop
    net = show_about(watering.net_mm, Quantity.WATER_DEPTH, system)
    root, deep_root = (_root(m, system) for m in (watering.root_m, crop.root_high_m))
    daily = show(watering.daily_use_mm, Quantity.DAILY, system, digits=2)
    deep = show(watering.deep_mm, Quantity.WATER_DEPTH, system, digits=2)
    return say(
        f"{crop.name.capitalize()}: one watering should bring {net}{_on_the_bed(case, watering)}, "
        f"which fills the top {root} again and lasts {about_text(watering.days)} days at {daily}; "
        f"roots that reach {deep_root} could use {deep}.",
        crop.source,
        FAO56_MEMORY,
        MASS_BALANCE,
    )


def _root(root_m: float, system: UnitSystem) -> str:
    unit = unit_of(Quantity.ROOT_DEPTH, system)
    return f"{round(root_m * 1000 * unit.per_base, 1):g} {unit.label}"


def _on_the_bed(case: _Case, watering: cr.Watering) -> str:
    """Volume of a watering on the user's bed: 1 mm on 1 m² is 1 litre."""
    if case.bed.area_m2 is None:
        return ""
    volume = show_range(watering.net_mm.times(case.bed.area_m2), Quantity.WATER_VOLUME, case.system)
    area = show(case.bed.area_m2, Quantity.AREA, case.system)
    return f" ({volume} on {area})"


def _mulch(case: _Case) -> Statement:
    saving, watering = cr.mulch_saving(), case.waterings[0]
    days = cr.days_with_mulch(watering.days.mid, saving)
    share = range_text(100 * saving.low, 100 * saving.high)
    return say(
        f"A full cover of straw or leaves saves {share} % of the daily use: it stops about half of "
        "what the soil itself evaporates, and nothing of what leaves breathe out. The "
        f"{watering.days.mid:.2g} days of {watering.crop.name} would become {_days(days)}.",
        FAO56_MEMORY,
        COMMON_PRACTICE,
    )


def _days(days: Span) -> str:
    return f"{days.low:.2g} to {days.high:.2g}"


# ----------------------------------------------------------------------------------------- air


def _air_section(case: _Case) -> Section:
    if not case.water.air_pct.known:
        unknown = say("How much air it holds cannot be told by the equations.", SAXTON_RAWLS_FIT)
        return Section("air", "Air and pores", (unknown,))
    pores, ideal = case.pores, sw.IDEAL_PORES
    found = [
        say(
            f"Once it has drained, the soil is about {_parts(pores)} by volume; the ideal is "
            f"{_parts(ideal)}.",
            SAXTON_RAWLS,
            _IDEAL,
        ),
        _waterlogging(case),
        _compaction(case),
    ]
    picture = (_bar("this soil", pores), _bar("ideal", ideal), _BAR_KEY)
    return Section("air", "Air and pores", tuple(found), picture)


def _parts(pores: sw.Pores) -> str:
    return (
        f"{pores.mineral_pct:.0f} % mineral, {pores.organic_pct:.0f} % organic matter, "
        f"{pores.water_pct:.0f} % water and {pores.air_pct:.0f} % air"
    )


_BAR_CELLS = 50
_BAR_KEY = f"{'':10}# mineral   o organic   ~ water   . air"


def _bar(label: str, pores: sw.Pores) -> str:
    """Draw the parts as letters, a letter for each 2 %, rounded so that the bar is never longer."""
    parts = (pores.mineral_pct, pores.organic_pct, pores.water_pct, pores.air_pct)
    ends = np.rint(np.cumsum(parts) / 100 * _BAR_CELLS).astype(int).tolist()
    starts = [0, *ends[:-1]]
    cells = (mark * (end - start) for mark, start, end in zip("#o~.", starts, ends, strict=True))
    return f"{label:10}{''.join(cells)}"


def _waterlogging(case: _Case) -> Statement:
    odds, air = case.water.waterlogging_odds, about_text(case.water.air_pct)
    limit = f"{sw.WATERLOGGED_AIR_PCT:g} %"
    if odds >= 0.5:
        text = (
            f"Air is short: about {air} % once drained. Under {limit} roots suffocate in wet "
            "spells, and water stands."
        )
    elif odds >= 0.25:
        text = (
            f"Air may run short: about {air} % once drained, with odds of {100 * odds:.0f} % of "
            f"less than {limit}, where roots suffocate in wet spells."
        )
    else:
        text = f"Air should do: about {air} % once drained; roots need about {limit}."
    return say(text, SAXTON_RAWLS, SAXTON_RAWLS_FIT, COMMON_PRACTICE)


def _compaction(case: _Case) -> Statement:
    soil = case.soil
    packed = sw.saxton_rawls(
        soil.draws_pct[:, 0], soil.draws_pct[:, 2], soil.om_pct, density_factor=1.1
    )
    air = max(float(np.nanmedian(packed.air_pct)), 0.0)
    return say(
        f"Trodden 10 % denser, only about {air:.0f} % of it would be air: keep feet on paths.",
        SAXTON_RAWLS,
    )


# ----------------------------------------------------------------------------------- nutrients


def _nutrient_section(case: _Case) -> Section:
    by_class = nu.cec_by_class(likely_classes(case.soil.texture))
    by_parts = nu.cec_from_parts(case.soil.mean_pct[2], case.soil.om_span)
    found = [
        say(
            f"It can hold {range_text(by_class.low, by_class.high)} cmolc/kg of nutrients (cation "
            f"exchange; the same number in meq/100 g) as its class goes, {by_parts.low:.0f} to "
            f"{by_parts.high:.0f} by its clay and organic matter; the kind of clay, which no jar "
            "shows, makes the difference.",
            nu.CEC_MEMORY,
            _OUR_GROUPS,
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


# ---------------------------------------------------------------------------------- amendments


_COMPOST_MM = {UnitSystem.US: (12.7, 25.4, 50.8), UnitSystem.METRIC: (10.0, 25.0, 50.0)}
_DIG_MM = {UnitSystem.US: 152.4, UnitSystem.METRIC: 150.0}
_USUAL_AREA_M2 = {UnitSystem.US: 9.290304, UnitSystem.METRIC: 10.0}


def _amendment_section(case: _Case) -> Section:
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


def _compost_statements(case: _Case) -> Iterator[Statement]:
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


def _area(case: _Case) -> float:
    return case.bed.area_m2 or _USUAL_AREA_M2[case.system]


def _compost(case: _Case, depth_mm: float) -> Statement:
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


def _compost_limit(case: _Case) -> Statement:
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


def _sand_statements(case: _Case) -> Iterator[Statement]:
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


def _sand_text(case: _Case, plan: am.SandPlan, goal: str) -> str:
    system, load = case.system, plan.load
    return (
        f"Sand to bring {case.depth(_DIG_MM[system])} of soil {goal}: "
        f"{show(load.mass_kg.mid, Quantity.MASS, system, digits=2)} on "
        f"{show(load.area_m2, Quantity.AREA, system)}, a layer of {case.depth(load.depth_mm)} or "
        f"{show(load.volume_m3, Quantity.VOLUME, system, digits=2)}."
    )


def _ten_points_text(case: _Case, plan: am.SandPlan) -> str:
    system, load = case.system, plan.load
    area = show(load.area_m2, Quantity.AREA, system)
    mass = show(load.mass_kg.mid, Quantity.MASS, system, digits=2)
    rule = show(am.rule_of_thumb_kg(load.area_m2), Quantity.MASS, system, digits=2)
    return (
        f"Ten points more sand in {case.depth(_DIG_MM[system])} of soil take {mass} on {area}. A "
        f"rule of thumb says {rule} whatever the soil: a tenth of the soil's weight, forgetting "
        "that the sand added enlarges the whole, so it falls shorter the sandier the soil is."
    )


# --------------------------------------------------------------------------------------- crops


def _crop_section(case: _Case) -> Section:
    write = _asked_crops if case.asked else _all_crops
    lead = say(
        "Soft hints, since no trial stands behind them: drainage, sun and variety count for more.",
        COMMON_PRACTICE,
    )
    return Section("crops", "Crops", (*write(case), lead))


def _asked_crops(case: _Case) -> Iterator[Statement]:
    several = len(case.groups) > 1
    for crop in case.crops:
        for hint in cr.hints_for(crop, case.groups):
            where = f" if it is {hint.group}" if several else ""
            yield say(f"{crop.name.capitalize()} {hint.verdict}{where}: {hint.why}.", hint.source)


def _all_crops(case: _Case) -> Iterator[Statement]:
    several = len(case.groups) > 1
    for hint in cr.CROP_HINTS:
        if hint.group in case.groups:
            where = f" if it is {hint.group}" if several else ""
            names = "Nearly everything" if len(hint.crops) > 20 else joined(hint.crops, "and")
            verdict = _verdict(hint, plural="," in names or " and " in names)
            yield say(f"{_capital(names)} {verdict}{where}: {hint.why}.", hint.source)


_PLURAL = {
    cr.Verdict.WELL: "do well",
    cr.Verdict.MIXED: "manage",
    cr.Verdict.POORLY: "struggle",
}


def _verdict(hint: cr.CropHint, *, plural: bool) -> str:
    return _PLURAL[hint.verdict] if plural else str(hint.verdict)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


_WRITERS = (
    _soil_section,
    _water_section,
    _air_section,
    _nutrient_section,
    _amendment_section,
    _crop_section,
)


# ---------------------------------------------------------------------------------------- text


def guide_text(guide: Guide) -> str:
    """Print a guide as plain text, each statement with its marks, the sources at the end."""
    title = "Soil guide" + (f": {guide.bed.name}" if guide.bed.name else "")
    return sections_text(title, guide.all_sections())


@dataclass(frozen=True, slots=True)
class GuideRequest:
    """What was typed after ``jarvision guide``, as plain values.

    Attributes
    ----------
    sand, silt, clay : float or None
        Percentages; two are enough.
    sd : float or None
        Their standard deviation [points]; None for the usual one.
    texture_class : str or None
        Name of a class, instead of percentages.
    om : float or None
        Organic matter [%].
    bed, area : str or None
        Name of the bed; its area with a unit, such as ``"100 sqft"``.
    crops : tuple of str
    daily_use : str or None
        Such as ``"5 mm"`` or ``"0.2 in"``.
    units : UnitSystem or None
        None takes those of the area or of the daily use, else metric.
    """

    sand: float | None = None
    silt: float | None = None
    clay: float | None = None
    sd: float | None = None
    texture_class: str | None = None
    om: float | None = None
    bed: str | None = None
    area: str | None = None
    crops: tuple[str, ...] = ()
    daily_use: str | None = None
    units: UnitSystem | None = None


def guide_from_request(
    request: GuideRequest,
    *,
    rng: np.random.Generator,
    jar_draws_pct: ArrayLike | None = None,
    jar_name: str = "",
) -> Guide:
    """Make the guide that was asked for.

    Parameters
    ----------
    request : GuideRequest
    rng : numpy.random.Generator
    jar_draws_pct : array_like, shape (n, 3), optional
        Draws of a jar's reading [%], where ``--jar`` was given.
    jar_name : str
        The jar's name, for the text.

    Raises
    ------
    UsageError
        No soil or more than one was given, or a name or unit is not known.
    ValueRefusedError
        A number is out of its range.
    """
    soil = _requested_soil(request, jar_draws_pct, jar_name, rng)
    area = None if request.area is None else area_m2(request.area)
    system = request.units or _typed_system(request)
    return make_guide(
        soil,
        system=system,
        rng=rng,
        bed=Bed(plain(request.bed or ""), area),
        crops=request.crops,
        daily_use_mm=_daily_use_mm(request.daily_use, system),
    )


def _requested_soil(
    request: GuideRequest, draws: ArrayLike | None, jar_name: str, rng: np.random.Generator
) -> Soil:
    parts = (request.sand, request.silt, request.clay)
    typed = any(part is not None for part in parts)
    if typed + (request.texture_class is not None) + (draws is not None) != 1:
        msg = "Say which soil, in one way: a jar, or sand, silt and clay in percent, or a class."
        raise UsageError(msg)
    if draws is not None:
        reading = Source(Quality.COMPUTED, "The jar's own reading, with its uncertainty")
        origin = say(f"From the reading of jar {plain(jar_name)}.", reading)
        return soil_from_draws(draws, origin=origin, rng=rng, om_pct=request.om)
    if request.texture_class is not None:
        name = find_class(request.texture_class)
        return soil_from_class(name, rng=rng, om_pct=request.om)
    spread = {} if request.sd is None else {"sd_pct": request.sd}
    return soil_from_percentages(*parts, rng=rng, om_pct=request.om, **spread)


def _typed_system(request: GuideRequest) -> UnitSystem:
    return system_of(request.area or request.daily_use or "")


def _daily_use_mm(text: str | None, system: UnitSystem) -> float:
    if text is None:
        return cr.DAILY_USE_MM
    daily_mm = length_mm(text, name="daily water use")
    low, high = cr.DAILY_USE_LIMITS_MM
    if not low <= daily_mm <= high:
        least, most = (show(mm, Quantity.WATER_DEPTH, system, digits=2) for mm in (low, high))
        msg = f"A daily water use of {plain(text)} is not usual; give {least} to {most} a day."
        raise ValueRefusedError(msg)
    return daily_mm
