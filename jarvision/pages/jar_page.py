"""A jar's result as a page to read on a phone and to print."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from jarvision.core.sections import Section
from jarvision.core.sources import Bibliography, bibliography
from jarvision.core.units import Quantity, UnitSystem, show, show_range, unit_of
from jarvision.estimate.texture import Texture
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.guide import Guide
from jarvision.garden.howto import howto_steps
from jarvision.garden.soil_water import IDEAL_PORES
from jarvision.pages.beds import BedNote
from jarvision.pages.figures import layer_bar, odds_bar, pct_text
from jarvision.pages.figures_soil import pore_picture, water_bar
from jarvision.pages.figures_time import duration_text, settling_curve
from jarvision.pages.frame import (
    bullets,
    cautions_section,
    contents,
    facts,
    figure,
    name_of,
    once,
    page,
    said,
    section,
    section_statements,
    skip_link,
    sources_section,
    subsection,
    title_of,
)
from jarvision.pages.howto_art import drawing
from jarvision.pages.markup import Child, Markup, join, tag
from jarvision.pages.pictures import Picture
from jarvision.pages.triangle import Mark, triangle
from jarvision.results.jarfile import LAYERS, Curve, JarRecord, PhotoRecord, Shares
from jarvision.results.report import odds_in_words, own_name

BY_HEIGHT_MEANS = (
    "By height is the thickness of the layers, what marks on the glass give: fresh clay is mostly "
    "water, so this is not what a laboratory reports."
)
BY_WEIGHT_MEANS = (
    "By weight, estimated, is what a laboratory would report: dry mass by grain size, worked out "
    "from how grains settle and how layers pack."
)


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
    folder_page : str
        Where the folder's page is, beside this one; empty for none.
    is_earlier : bool
        Whether it is a result of an earlier run than the last.
    """

    jar: JarRecord
    system: UnitSystem
    guide: Guide | None = None
    note: BedNote | None = None
    pictures: Mapping[str, Picture] = field(default_factory=dict)
    folder_page: str = ""
    is_earlier: bool = False


def render_jar(given: JarPage) -> str:
    """Write a jar's page.

    Parameters
    ----------
    given : JarPage
        What it is made from; every text in it is shown as text, never as markup.

    Returns
    -------
    str
        One HTML page that needs nothing else.
    """
    lesson = howto_steps(given.system)
    guide = given.guide.all_sections() if given.guide else ()
    told = [part for part in guide if part.key != "cautions"]
    taught = [part for part in lesson if part.key != "cautions"]
    cautions = once((*(given.guide.cautions if given.guide else ()), *cautions_for(Place.HOWTO)))
    sources = bibliography([*section_statements([*told, *taught]), *cautions])
    main = tag(
        "main",
        _doubts(given.jar),
        _reading(given) if given.jar.by_height else None,
        _triangle(given.jar),
        _guide(given.guide, told, sources) if given.guide else None,
        _howto(taught, sources, given.system),
        cautions_section(cautions, sources),
        sources_section(sources),
        id="main",
    )
    title = ", ".join(filter(None, (title_of(given.jar.jar), listed_name(given.jar))))
    return page(title, skip_link(), _header(given), main, footer(given))


# --- head and foot ------------------------------------------------------------------------------


def _header(given: JarPage) -> Markup:
    jar = given.jar
    links = [("read", "What was read"), ("triangle", "Triangle"), ("guide", "What it means")]
    links = (links if jar.by_height else []) + [
        ("howto", "The test"),
        ("cautions", "Cautions"),
        ("sources", "Sources"),
    ]
    back = tag("p", tag("a", "All jars", href=given.folder_page), class_="note back")
    return tag(
        "header",
        back if given.folder_page else None,
        tag("p", "Soil jar report", class_="kicker"),
        tag("h1", name_of(title_of(jar.jar)), after_comma(listed_name(jar))),
        tag("p", f"{EARLIER}.", class_="earlier") if given.is_earlier else None,
        list(_answers(jar)),
        note_facts(given.note, given.system) if given.note else None,
        contents(links),
    )


EARLIER = "From an earlier run: not among the photos read last, and not in readings.csv"


def listed_name(jar: JarRecord) -> str:
    """Give what the user's list calls a jar, where that says more than its number."""
    return own_name(jar.jar, jar.name)


def after_comma(name: str) -> Markup | None:
    """Add a name to what stands before it; nothing when there is none."""
    return join(", ", name_of(name, longest=40)) if name else None


def _answers(jar: JarRecord) -> Iterator[Markup]:
    """Say the class, with its odds, in each way that it is known."""
    if jar.by_weight:
        yield _answer("By weight, estimated: ", jar.by_weight.shares.texture)
    if jar.by_height:
        yield _answer("By height of the layers: ", jar.by_height.texture)
    else:
        yield tag("p", tag("strong", "This jar was not read."), class_="answer")


def _answer(lead: str, texture: Texture) -> Markup:
    return tag(
        "p", lead, tag("strong", str(texture.likeliest)), odds_after(texture), class_="answer"
    )


def odds_after(texture: Texture) -> str:
    """Say the odds of the likeliest class, and the next one where it counts."""
    words = f" ({odds_text(texture.odds)})"
    if texture.next_class is None or texture.next_odds < 0.05:
        return words
    return f"{words}; next: {texture.next_class} ({odds_text(texture.next_odds)})"


def odds_text(odds: float) -> str:
    """Say odds such as ``8 in 10``, never broken between two lines."""
    return odds_in_words(odds).replace(" in ", "\u00a0in\u00a0")


def note_facts(note: BedNote, system: UnitSystem) -> Markup:
    """List what the user wrote about a sample."""
    area = note.area_m2
    return facts(
        (
            ("Bed", name_of(note.bed) if note.bed else None),
            ("Dug", note.dug),
            ("Depth", depth_text(note, system)),
            ("Area", show(area, Quantity.AREA, system) if area else ""),
            ("Organic matter", "" if note.om_pct is None else f"{note.om_pct:g} %"),
            ("Notes", name_of(note.notes, longest=400) if note.notes else None),
        )
    )


def depth_text(note: BedNote, system: UnitSystem) -> str:
    """Print the depth of a sample, such as ``0–15 cm``."""
    if note.depth_mm is None:
        return ""
    unit = unit_of(Quantity.SOIL_DEPTH, system)
    low, high = (round(mm * unit.per_base, 1) for mm in note.depth_mm)
    return f"{low:g}–{high:g} {unit.label}"


def footer(given: JarPage) -> Markup:
    """Say what made the reading, and how the page can be kept."""
    made = name_of(given.jar.made_by) if given.jar.made_by else "jarvision"
    return tag(
        "footer",
        tag("p", "Read by ", made, ". This page is one file: it works without a network."),
    )


# --- doubts -------------------------------------------------------------------------------------


def _doubts(jar: JarRecord) -> Markup:
    """Set the doubts first, or say that there are none."""
    if jar.unread:
        return section("doubts", "Why it was not read", bullets(_why_unread(jar)), class_="doubts")
    items = [*doubt_sentences(jar), *(left_out(n, s) for n, s in jar.left_out)]
    weight = weight_sentences(jar)
    if not items and not weight:
        calm = tag("p", "Look at the lines on the photos all the same.")
        return section("doubts", "No doubts raised", calm, class_="doubts clear")
    return section(
        "doubts",
        "Doubts",
        bullets(items) if items else None,
        [tag("h3", "About the result by weight"), bullets(weight)] if weight else None,
        class_="doubts",
    )


def _why_unread(jar: JarRecord) -> Iterator[Child]:
    if jar.unread:
        yield jar.unread.sentence
    yield from (left_out(name, sentence) for name, sentence in jar.left_out)
    if jar.photos:
        yield join(
            "Photos: ", [join(", " if i else "", name_of(p.name)) for i, p in enumerate(jar.photos)]
        )


def doubt_sentences(jar: JarRecord) -> list[str]:
    """List the sentences of the doubts about a jar's reading, each once."""
    return list(dict.fromkeys(doubt.sentence for doubt in jar.doubts))


def weight_sentences(jar: JarRecord) -> list[str]:
    """List what is doubtful about the result by weight, or why there is none."""
    if jar.by_weight is None:
        return [jar.not_weighed] if jar.not_weighed else []
    doubts = [doubt.sentence for doubt in jar.by_weight.doubts]
    note = [jar.by_weight.prior_note] if jar.by_weight.prior_note else []
    return list(dict.fromkeys(note + doubts))


def left_out(name: str, sentence: str) -> Markup:
    """Say that a photo was not used, and why."""
    return join("Left out ", name_of(name), ": ", sentence)


# --- what was read ------------------------------------------------------------------------------


def _reading(given: JarPage) -> Markup:
    jar = given.jar
    shots = [_photo(p, given) for p in jar.photos if p.overlay in given.pictures]
    return section(
        "read",
        "What was read",
        tag("div", shots, class_="photos") if shots else None,
        tag("div", _layers(given), tag("div", _numbers(given), list(_odds(jar))), class_="pair"),
        [tag("p", words) for words in _meanings(jar)],
        _curve(given),
    )


def _photo(photo: PhotoRecord, given: JarPage) -> Markup:
    picture = given.pictures[photo.overlay or ""]
    lines = ", ".join(
        f"{top.layer} {_height(top.top_mm.value, given)}" for top in reversed(photo.tops)
    )
    when = _when(photo)
    alt = f"The jar {when}, with lines at the tops of the layers: {lines or 'none'}."
    shot = tag("img", src=picture.uri, alt=alt, width=picture.width_px, height=picture.height_px)
    return figure(shot, join(f"{when[0].upper()}{when[1:]}: ", name_of(photo.name, longest=40)))


def _when(photo: PhotoRecord) -> str:
    if math.isfinite(photo.elapsed_s) and photo.elapsed_s > 0:
        return f"{duration_text(photo.elapsed_s)} after shaking"
    return "at an unknown time after shaking"


def _height(value_mm: float, given: JarPage) -> str:
    """Print a height in the user's units; without a scale it is only a number."""
    if not given.jar.scaled:
        return f"{value_mm:.0f} (no scale)"
    if given.system is UnitSystem.US:
        return f"{value_mm / 25.4:.2f} in"
    return f"{value_mm:.1f} mm"


def _numbers(given: JarPage) -> Markup:
    """Write the shares as a table, clay on top as in the jar."""
    jar = given.jar
    heads = ["Layer", *(["Top above the floor"] if jar.scaled else []), "By height"]
    heads += ["By weight, estimated"] if jar.by_weight else []
    rows = [_number_row(i, given) for i in (2, 1, 0)]
    caption = "± is one standard deviation: the true value lies within it about 2 times in 3. "
    ranges = "Ranges in brackets hold the true value about 9 times in 10."
    return tag(
        "table",
        tag("caption", caption, ranges),
        tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
        tag("tbody", rows),
        class_="numbers stacks",
    )


def _meanings(jar: JarRecord) -> list[str]:
    """Say what the ways of telling shares mean, and why they differ here."""
    weight = [BY_WEIGHT_MEANS, jar.by_weight.why] if jar.by_weight else []
    return [words for words in (BY_HEIGHT_MEANS, *weight) if words]


def _number_row(index: int, given: JarPage) -> Markup:
    jar, layer = given.jar, LAYERS[index]
    cells = [tag("th", tag("span", class_=f"key key-{layer}"), layer, scope="row")]
    if jar.scaled and jar.tops:
        cells.append(tag("td", _top(index, given), data_label="Top"))
    if jar.by_height:
        cells.append(tag("td", _share(jar.by_height, index), data_label="By height"))
    if jar.by_weight:
        cells.append(tag("td", _share(jar.by_weight.shares, index), data_label="By weight"))
    return tag("tr", cells)


def _top(index: int, given: JarPage) -> str:
    top = given.jar.tops[index] if given.jar.tops else None
    if top is None:
        return "unknown"
    sd = f" ± {max(top.sd, 0.1):.1f}" if math.isfinite(top.sd) else ""
    if given.system is UnitSystem.US:
        sd = f" ± {max(top.sd / 25.4, 0.01):.2f}" if math.isfinite(top.sd) else ""
        return f"{top.value / 25.4:.2f}{sd} in"
    return f"{top.value:.1f}{sd} mm"


def _share(shares: Shares, index: int) -> str:
    share, (low, high) = shares.pcts[index], shares.ranges_pct[index]
    return f"{pct_text(share.value, share.sd)} ({low:.0f}–{high:.0f})"


def _layers(given: JarPage) -> Markup | None:
    """Draw the layers, in the user's units where there is a scale."""
    jar = given.jar
    if jar.by_height is None:
        return None
    per_unit, unit = _printed_unit(given.system)
    tops = [(t.value * per_unit, t.sd * per_unit) for t in jar.tops or ()]
    title = f"Layers of {title_of(jar.jar)} by height"
    bar = layer_bar("layers", title, jar.by_height, tops=tops if jar.scaled else None, unit=unit)
    caption = "The layers as they lie in the jar. Whiskers show two standard deviations either way."
    return figure(bar, caption, class_="bar")


def _printed_unit(system: UnitSystem) -> tuple[float, str]:
    """Say how many printed units a millimetre is, and what they are called."""
    return (1 / 25.4, "in") if system is UnitSystem.US else (1.0, "mm")


def _odds(jar: JarRecord) -> Iterator[Markup]:
    if jar.by_weight:
        bar = odds_bar("odds-weight", "Class odds by weight", jar.by_weight.shares.texture)
        yield figure(bar, "Odds of each texture class by weight, estimated.", class_="odds")
    if jar.by_height:
        bar = odds_bar("odds-height", "Class odds by height", jar.by_height.texture)
        yield figure(bar, "Odds of each texture class by height.", class_="odds")


def _curve(given: JarPage) -> Markup:
    """Draw how the deposit rose, where there is an estimate or more photos than the usual three."""
    jar, (per_unit, unit) = given.jar, _printed_unit(given.system)
    points = [
        (p.elapsed_s, p.tops[-1].top_mm.value * per_unit, p.tops[-1].top_mm.sd * per_unit)
        for p in jar.photos
        if p.tops and p.elapsed_s > 0
    ]
    curve = jar.by_weight.curve if jar.by_weight else None
    if not jar.scaled or not (curve or len(points) > 3):
        return Markup("")
    drawn = settling_curve("settling", _in_units(curve, per_unit), points, unit=unit)
    band = "The band holds the estimate 9 times in 10; " if curve else ""
    return figure(drawn, f"{band}points are the photos, with two standard deviations either way.")


def _in_units(curve: Curve | None, per_unit: float) -> Curve | None:
    if curve is None:
        return None
    lines = (curve.lo_mm, curve.mid_mm, curve.hi_mm)
    return Curve(curve.time_s, *(tuple(v * per_unit for v in line) for line in lines))


# --- the triangle -------------------------------------------------------------------------------


def shares_mark(shares: Shares, label: str, *, by_weight: bool, cloud: bool = True) -> Mark:
    """Put shares on the triangle."""
    sand, silt, clay = (m.value for m in shares.pcts)
    draws = shares.draws_pct if cloud else None
    return Mark(label, (sand, silt, clay), draws, by_weight=by_weight)


def _triangle(jar: JarRecord) -> Markup | None:
    if jar.by_height is None:
        return None
    both = jar.by_weight is not None
    marks = [shares_mark(jar.by_height, "by height" if both else "", by_weight=False)]
    if jar.by_weight:
        marks.append(shares_mark(jar.by_weight.shares, "by weight", by_weight=True))
    best = jar.best.texture if jar.best else jar.by_height.texture
    drawn = triangle(
        "tri",
        f"Texture triangle with {title_of(jar.jar)}",
        f"The likeliest class is {best.likeliest}{odds_after(best)}. {_pcts_said(marks)}",
        marks,
        highlight=[best.likeliest],
    )
    caption = (
        "The point is the reading; each dot is another soil that the photos allow, so the wider "
        "the cloud, the less is known. Clay is read on the left side, silt on the right, sand "
        "along the bottom; the tinted field is the likeliest class."
    )
    return section("triangle", "On the texture triangle", figure(drawn, caption, class_="tri"))


def _pcts_said(marks: Sequence[Mark]) -> str:
    parts = []
    for mark in marks:
        sand, silt, clay = mark.pcts
        way = "By weight" if mark.by_weight else "By height"
        parts.append(f"{way}: sand {sand:.0f}, silt {silt:.0f}, clay {clay:.0f} %.")
    return " ".join(parts)


# --- guide and lesson ---------------------------------------------------------------------------


def _guide(guide: Guide, told: Sequence[Section], sources: Bibliography) -> Markup:
    parts = (
        subsection(
            f"guide-{part.key}",
            part.heading,
            _guide_figure(part.key, guide),
            said(part.statements, sources, ranked=part.ranked),
        )
        for part in told
    )
    return section("guide", "What it means for the garden", parts)


def _guide_figure(key: str, guide: Guide) -> Markup | None:
    if key == "water":
        planning = show_range(guide.planning_mm_per_m, Quantity.AVAILABLE_WATER, guide.system)
        caption = (
            "Water as a share of the soil's volume; ranges hold 8 in 10. For plants the waterings "
            f"below count with {planning}: the equations drawn here and the handbooks together."
        )
        return figure(water_bar("water-bar", guide.water), caption)
    if key == "air":
        caption = "One square is one part in a hundred of the soil's volume, once it has drained."
        return figure(pore_picture("pores", guide.pores, IDEAL_PORES), caption)
    return None


def _howto(taught: Sequence[Section], sources: Bibliography, system: UnitSystem) -> Markup:
    parts = (
        subsection(
            f"howto-{part.key}",
            part.heading,
            drawing(part.key, system),
            said(part.statements, sources),
        )
        for part in taught
    )
    return section("howto", "The jar test", tag("div", parts, class_="steps"), class_="fresh")
