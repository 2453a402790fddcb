"""A jar's result on one page, to read on a phone and to print; details open on request."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from jarvision.core.sections import Section
from jarvision.core.sources import Bibliography, Statement
from jarvision.core.units import Quantity, UnitSystem, show, show_range, unit_of
from jarvision.garden.cautions import CAUTIONS, CautionName
from jarvision.garden.guide import Guide
from jarvision.garden.soil_water import IDEAL_PORES
from jarvision.pages.figures import layer_bar, odds_bar
from jarvision.pages.figures_sand import grains_by_height, sand_curve
from jarvision.pages.figures_soil import pore_picture, water_bar
from jarvision.pages.figures_time import duration_text, settling_curve
from jarvision.pages.frame import page, title_of
from jarvision.pages.markup import Markup
from jarvision.pages.pictures import Picture
from jarvision.pages.triangle import Mark, triangle
from jarvision.results.beds import BedNote
from jarvision.results.doubt_order import all_doubts, usual_sentences
from jarvision.results.headline import (
    GLASS_MEANS,
    WEIGHT_MEANS,
    classes_named,
    soil_in_words,
    soil_odds,
)
from jarvision.results.numbers import printed_unit, share_text, top_range_mm, top_text
from jarvision.results.readings_table import own_name
from jarvision.results.record import LAYERS, Curve, JarRecord, PhotoRecord, Shares
from jarvision.results.sand_seen import sand_line, shown_grain, sure_parts, why_untold

EARLIER = "From an earlier run: not among the photos read last, and not in readings.csv"

# What someone who acts on the first page alone must know; the others stand beside the advice.
_FIRST_CAUTIONS = (CautionName.LEAD, CautionName.NOT_DOSES, CautionName.NOT_ENGINEERING)


@dataclass(frozen=True, slots=True, eq=False)
class JarPage:
    """What a jar's page is made from.

    Attributes
    ----------
    jar : JarRecord
    system : UnitSystem
        Units of the text.
    guide : Guide or None
        What the soil means; None when the jar was not read.
    note : BedNote or None
        What the user wrote about the sample.
    pictures : mapping from str to Picture
        Overlay pictures by file name.
    is_earlier : bool
        Whether it is a result of an earlier run than the last.
    """

    jar: JarRecord
    system: UnitSystem
    guide: Guide | None = None
    note: BedNote | None = None
    pictures: Mapping[str, Picture] = field(default_factory=dict)
    is_earlier: bool = False

    def sections(self) -> tuple[Section, ...]:
        """List what the guide says beyond the things to do first and the cautions."""
        guide = self.guide.all_sections() if self.guide else ()
        return tuple(part for part in guide if part.key not in ("first", "cautions"))

    def statements(self) -> list[Statement]:
        """List all that the page says with a source."""
        parts = [s for part in self.sections() for s in part.statements]
        cautions = self.guide.cautions if self.guide else ()
        return [*(self.guide.first if self.guide else ()), *parts, *cautions, *FIRST_CAUTIONS]


FIRST_CAUTIONS = tuple(c.statement for c in CAUTIONS if c.name in _FIRST_CAUTIONS)


def render_jar(given: JarPage, sources: Bibliography) -> str:
    """Write a jar's page.

    Parameters
    ----------
    given : JarPage
        What it is made from; every text in it is shown as text, never as markup.
    sources : Bibliography
        The sources of all pages of the folder, which number the marks.

    Returns
    -------
    str
        One HTML page that needs nothing else.
    """
    jar = given.jar
    shots = [p for p in jar.photos if p.overlay in given.pictures]
    return page(
        "jar.html",
        jar=jar,
        note=_note_facts(given.note, given.system),
        earlier=EARLIER if given.is_earlier else "",
        own=listed_name(jar),
        soil=soil_in_words(jar.best.texture, jar.sand) if jar.best else "",
        odds=soil_odds(jar.by_weight.shares.texture, jar.sand) if jar.by_weight else "",
        glass=soil_in_words(jar.by_height.texture) if jar.by_height else "",
        glass_means=GLASS_MEANS,
        weight_means=WEIGHT_MEANS,
        rows=_rows(given),
        first_shots=[_shot(p, given) for p in shots[-1:]],
        shots=[_shot(p, given) for p in (shots if jar.unread else shots[:-1])],
        worst=worst_doubt(jar),
        doubts=all_doubts(jar),
        usual=usual_sentences(jar),
        triangle=_triangle(jar),
        guide=given.guide,
        sections=[
            (part, *_guide_figure(part.key, given.guide))
            for part in given.sections()
            if part.key != "sand"
        ],
        sand=_sand(given),
        cautions=FIRST_CAUTIONS,
        figures=_figures(given),
        sources=sources,
    )


def listed_name(jar: JarRecord) -> str:
    """Give what the user's list calls a jar, where that says more than its number."""
    return own_name(jar.jar, jar.name)


def _note_facts(note: BedNote | None, system: UnitSystem) -> list[tuple[str, str]]:
    """List what the user wrote about a sample."""
    if note is None:
        return []
    pairs = (
        ("Bed", note.bed),
        ("Dug", note.dug),
        ("Depth", depth_text(note, system)),
        ("Area", show(note.area_m2, Quantity.AREA, system) if note.area_m2 else ""),
        ("Organic matter", "" if note.om_pct is None else f"{note.om_pct:g} %"),
        ("Notes", note.notes),
    )
    return [(name, value) for name, value in pairs if value]


def depth_text(note: BedNote, system: UnitSystem) -> str:
    """Print the depth of a sample, such as ``0–15 cm``."""
    if note.depth_mm is None:
        return ""
    unit = unit_of(Quantity.SOIL_DEPTH, system)
    low, high = (round(mm * unit.per_base, 1) for mm in note.depth_mm)
    return f"{low:g}–{high:g} {unit.label}"


# --- doubts -------------------------------------------------------------------------------------


def worst_doubt(jar: JarRecord) -> str:
    """Give the sentence of the doubt that matters most; empty where nothing is unusual."""
    return next(iter(all_doubts(jar)), "")


# --- what was read ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Shot:
    picture: Picture
    name: str
    when: str
    alt: str


def _shot(photo: PhotoRecord, given: JarPage) -> _Shot:
    lines = ", ".join(
        f"{top.layer} {_height(top.top_mm.value, given)}" for top in reversed(photo.tops)
    )
    when = _when(photo)
    alt = f"The jar {when}, with lines at the tops of the layers: {lines or 'none'}."
    if given.jar.unread:
        when, alt = "photo", "The photo as it is: this jar was not read."
    return _Shot(given.pictures[photo.overlay or ""], photo.name, when, alt)


def _when(photo: PhotoRecord) -> str:
    if math.isfinite(photo.elapsed_s) and photo.elapsed_s > 0:
        return f"{duration_text(photo.elapsed_s)} after shaking"
    return "at an unknown time after shaking"


def _height(value_mm: float, given: JarPage) -> str:
    """Print a height in the user's units; without a scale it is only a number."""
    if not given.jar.scaled:
        return f"{value_mm:.0f} (no scale)"
    per_unit, unit = printed_unit(given.system)
    return f"{value_mm * per_unit:.{2 if unit == 'in' else 1}f} {unit}"


@dataclass(frozen=True, slots=True)
class _LayerRow:
    """A layer's line in the table; empty text where there is nothing to say."""

    layer: str
    top: str
    glass: str
    weight: str


def _rows(given: JarPage) -> list[_LayerRow]:
    """Give the layers that are known, clay on top."""
    rows = [_row(i, given) for i in (2, 1, 0)]
    if given.jar.interim:
        return [row for row in rows if row.top]
    return rows if given.jar.by_height else []


def _row(index: int, given: JarPage) -> _LayerRow:
    jar = given.jar
    weight = share_text(jar.by_weight.shares, index) if jar.by_weight else ""
    glass = share_text(jar.by_height, index) if jar.by_height else ""
    top = top_text(jar, index, given.system)
    if given.system is UnitSystem.US:  # fractions make it long: it may break before the range only
        top = top.replace(" ", "\u00a0").replace("\u00a0(", " (")
    return _LayerRow(LAYERS[index], top, glass, weight)


@dataclass(frozen=True, slots=True)
class _Figures:
    """Drawings of the details; None where there is nothing to draw."""

    layers: Markup | None
    odds_weight: Markup | None
    odds_height: Markup | None
    settling: Markup | None


def _figures(given: JarPage) -> _Figures:
    jar = given.jar
    weight = jar.by_weight.shares.texture if jar.by_weight else None
    height = jar.by_height.texture if jar.by_height else None
    return _Figures(
        _layers(given),
        odds_bar("odds-weight", "Class odds by weight", weight) if weight else None,
        odds_bar("odds-height", "Class odds on the glass", height) if height else None,
        _curve(given),
    )


def _layers(given: JarPage) -> Markup | None:
    """Draw the layers, in the user's units where there is a scale."""
    jar = given.jar
    if jar.by_height is None:
        return None
    per_unit, unit = printed_unit(given.system)
    reach = [top_range_mm(jar, i) for i in range(len(jar.tops or ()))]
    tops = [
        (top.value * per_unit, (low * per_unit, high * per_unit))
        for top, (low, high) in zip(jar.tops or (), reach, strict=True)
    ]
    title = f"Layers of {title_of(jar.jar)} by height"
    return layer_bar("layers", title, jar.by_height, tops=tops if jar.scaled else None, unit=unit)


def _curve(given: JarPage) -> Markup | None:
    """Draw how the deposit rose, where there is an estimate or more photos than the usual three."""
    jar, (per_unit, unit) = given.jar, printed_unit(given.system)
    points = [
        (top.elapsed_s, top.top_mm * per_unit, top.sd_mm * per_unit)
        for top in jar.deposit
        if top.elapsed_s > 0
    ] or [
        (p.elapsed_s, p.tops[-1].top_mm.value * per_unit, p.tops[-1].top_mm.sd * per_unit)
        for p in jar.photos
        if p.tops and p.elapsed_s > 0
    ]
    curve = jar.by_weight.curve if jar.by_weight else None
    if not jar.scaled or not (curve or len(points) > 3):
        return None
    return settling_curve("settling", _in_units(curve, per_unit), points, unit=unit)


def _in_units(curve: Curve | None, per_unit: float) -> Curve | None:
    if curve is None:
        return None
    lines = (curve.lo_mm, curve.mid_mm, curve.hi_mm)
    return Curve(curve.time_s, *(tuple(v * per_unit for v in line) for line in lines))


@dataclass(frozen=True, slots=True)
class _Sand:
    """What is shown of the sand's grains; `why_not` alone where they were not told."""

    why_not: str
    line: str = ""
    photo: str = ""
    stones: int = 0
    curve: Markup | None = None
    by_height: Markup | None = None
    means: Section | None = None


def _sand(given: JarPage) -> _Sand | None:
    jar = given.jar
    if jar.measurement is None or jar.measurement.sand_grain is None:
        return None
    seen = jar.measurement.sand_grain
    why, parts = why_untold(jar.sand, seen), sure_parts(jar.sand)
    grain = shown_grain(jar.sand, seen)
    if grain is None:
        return _Sand(why) if why else None
    per_unit, unit = printed_unit(given.system)
    return _Sand(
        "",
        sand_line(jar.sand, jar.best.texture.likeliest if jar.best else None),
        grain.photo,
        grain.stones,
        sand_curve("sand-curve", parts.finer, limit_mm=grain.limit_mm) if parts else None,
        grains_by_height(
            "grains", grain.bands, limit_mm=grain.limit_mm, per_unit=per_unit, unit=unit
        ),
        next((part for part in given.sections() if part.key == "sand"), None),
    )


# --- the triangle -------------------------------------------------------------------------------


def shares_mark(shares: Shares, label: str, *, by_weight: bool, cloud: bool = True) -> Mark:
    """Put shares on the triangle."""
    sand, silt, clay = (m.value for m in shares.pcts)
    draws = shares.draws_pct if cloud else None
    return Mark(label, (sand, silt, clay), draws, by_weight=by_weight)


def _triangle(jar: JarRecord) -> Markup | None:
    if jar.by_height is None or jar.best is None:
        return None
    both = jar.by_weight is not None
    marks = [shares_mark(jar.by_height, "on the glass" if both else "", by_weight=False)]
    if jar.by_weight:
        marks.append(shares_mark(jar.by_weight.shares, "by weight", by_weight=True))
    best = jar.best.texture
    return triangle(
        "tri",
        f"Texture triangle with {title_of(jar.jar)}",
        f"The soil is {soil_in_words(best)}. {_pcts_said(marks)}",
        marks,
        highlight=classes_named(best),
    )


def _pcts_said(marks: Sequence[Mark]) -> str:
    parts = []
    for mark in marks:
        sand, silt, clay = mark.pcts
        way = "By weight" if mark.by_weight else "On the glass"
        parts.append(f"{way}: sand {sand:.0f}, silt {silt:.0f}, clay {clay:.0f} %.")
    return " ".join(parts)


# --- guide --------------------------------------------------------------------------------------


def _guide_figure(key: str, guide: Guide | None) -> tuple[Markup | None, str]:
    """Draw what a part of the guide says, with its caption."""
    if guide and key == "water":
        planning = show_range(guide.planning_mm_per_m, Quantity.AVAILABLE_WATER, guide.system)
        caption = (
            "Water as a share of the soil's volume; ranges hold 9 times in 10. For plants the "
            f"waterings below count with {planning}: the equations drawn here and the handbooks "
            "together."
        )
        return water_bar("water-bar", guide.water), caption
    if guide and key == "air":
        caption = "One square is one part in a hundred of the soil's volume, once it has drained."
        return pore_picture("pores", guide.pores, IDEAL_PORES), caption
    return None, ""
