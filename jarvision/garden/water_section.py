"""The guide on water: what the soil holds, how fast it soaks in, and what one watering brings."""

from __future__ import annotations

from collections.abc import Iterator

from jarvision.core.sections import Section
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
    range_text,
    show,
    show_about,
    show_range,
    unit_of,
)
from jarvision.garden import class_tables as ct
from jarvision.garden import crops as cr
from jarvision.garden.guide_case import (
    OUR_GROUPS,
    USUAL_AREA_M2,
    Case,
    handbook_water,
    water_rows,
)
from jarvision.garden.soil import likely_classes

HOSE_L_PER_MIN = 15.0
"""Flow of a garden hose [l/min]; common practice, no source, so the text says how to time one."""
_HOSE = {
    UnitSystem.METRIC: "Minutes count with a hose that fills a 10-litre bucket in 40 seconds; time "
    "yours.",
    UnitSystem.US: "Minutes count with a hose of 4 gallons a minute, which fills a 2-gallon bucket "
    "in half a minute; time yours.",
}

_COMPACTION_INTAKE = Source(
    Quality.PUBLISHED, "Minnesota Stormwater Manual: compaction cuts intake by 90 to 95 %"
)


def water_section(case: Case) -> Section:
    """Say what the soil holds, how fast water soaks in, and what a watering brings."""
    found = [
        *_contents(case),
        _available(case),
        _intake(case),
        *(_watering(case, watering) for watering in case.waterings),
        say(
            "These are net figures for full-grown crops when their water is used up: add what "
            "runs off or drains away, give seedlings less and more often, and dig a finger's "
            f"depth to see before you water. {_HOSE[case.system]}",
            COMMON_PRACTICE,
        ),
        _mulch(case),
    ]
    return Section("water", "Water", tuple(found))


def _contents(case: Case) -> Iterator[Statement]:
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


def _available(case: Case) -> Statement:
    system = case.system
    books = tuple(dict.fromkeys(row.source for row in water_rows(case.soil)))
    handbook = show_range(handbook_water(case.soil), Quantity.AVAILABLE_WATER, system)
    if not case.water.available_mm_per_m.known:
        return say(f"Plants can draw on {handbook} by the handbooks.", *books, OUR_GROUPS)
    equations = show_about(case.water.available_mm_per_m, Quantity.AVAILABLE_WATER, system)
    planning = show_range(case.planning_mm_per_m, Quantity.AVAILABLE_WATER, system)
    return say(
        f"Plants can draw on {equations} by the equations and {handbook} by the handbooks; "
        f"{planning} is used below, and a single soil can lie outside it.",
        SAXTON_RAWLS,
        *books,
        OUR_GROUPS,
    )


def _intake(case: Case) -> Statement:
    rows = ct.matching(ct.INTAKE_MM_PER_H, likely_classes(case.soil.texture))
    book = ct.hull(rows)
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
        OUR_GROUPS,
        _COMPACTION_INTAKE,
    )


def _order_of_magnitude(span: Span, system: UnitSystem) -> str:
    low, high = (show(value, Quantity.RATE, system, digits=1) for value in (span.low, span.high))
    return f"{low.split(' ')[0]} and {high}"


def _watering(case: Case, watering: cr.Watering) -> Statement:
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


def _on_the_bed(case: Case, watering: cr.Watering) -> str:
    """Volume of a watering on the user's bed: 1 mm on 1 m² is 1 litre."""
    area_m2 = case.bed.area_m2 or USUAL_AREA_M2[case.system]
    litres = watering.net_mm.times(area_m2)
    volume = show_range(litres, Quantity.WATER_VOLUME, case.system)
    area = show(area_m2, Quantity.AREA, case.system)
    if not litres.known:
        return ""
    minutes = range_text(*(end / HOSE_L_PER_MIN for end in (litres.low, litres.high)))
    return f" ({volume} on {area}, {minutes} minutes of a hose)"


def _mulch(case: Case) -> Statement:
    saving, watering = cr.MULCH_SAVES, case.waterings[0]
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
