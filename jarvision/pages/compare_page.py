"""Hand marks beside the photos on one page: slips first, a plot for each reader, every jar."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from jarvision.compare.agreement import KAPPA_SOURCE, LIMITS_SOURCE, LimitsOfAgreement
from jarvision.compare.compare import (
    FAR,
    Compared,
    Comparison,
    ReaderResult,
    class_text,
    kappa_text,
    outside_text,
    reader_name,
    signed,
    stray_sentences,
)
from jarvision.core.sources import COMMON_PRACTICE, Bibliography, Quality, Source, bibliography, say
from jarvision.estimate.texture import CLASSES
from jarvision.pages.frame import (
    bullets,
    contents,
    figure,
    name_of,
    page,
    said,
    section,
    skip_link,
    sources_section,
    title_of,
)
from jarvision.pages.markup import Child, Markup, join, number, tag
from jarvision.pages.palette import (
    BY_HEIGHT,
    FILLS,
    HIGHLIGHT,
    INK,
    MUTED,
    PAPER,
    RULE,
    box,
    label,
    line,
    svg,
)
from jarvision.results.jarfile import LAYERS

_LIMITS = Source(Quality.MEMORY, LIMITS_SOURCE)
_KAPPA = Source(Quality.MEMORY, KAPPA_SOURCE)
_READINGS = Source(Quality.COMPUTED, "The jars' readings by height, with their uncertainties")

_HOW_TO_READ = (
    say(
        "A difference is the hand's mark less the photo's reading. Neither is the truth: where "
        "they differ, look at the jar, the mark and the lines on the photo.",
        _READINGS,
    ),
    say(
        "Bias is the mean difference. About 19 in 20 of a reader's differences lie between the "
        "limits of agreement, if they are spread evenly about the bias; with few jars the limits "
        "themselves are unsure, as the shaded bands show.",
        _LIMITS,
    ),
    say(
        "Kappa counts how often both name the same class, less what chance alone would give.",
        _KAPPA,
    ),
    say(
        "A mark is outside the photo's interval where it is more than two of the photo's standard "
        "deviations away. A hand mark has an error of its own, of a millimetre or two.",
        _READINGS,
        COMMON_PRACTICE,
    ),
    say(
        "Classes are those of the shares by height, since that is what marks on the glass measure; "
        "a laboratory's, by weight, can differ by a class or two.",
        _READINGS,
    ),
)


@dataclass(frozen=True, slots=True)
class ComparedPage:
    """What the page is made from.

    Attributes
    ----------
    name, marks_name : str
        Names of the folder of readings and of the table of marks.
    compared : Compared
    pages : mapping from str to str
        File name of a jar's own page beside this one, for the jars that have one.
    home : str
        File name of the folder's page beside this one; empty when there is none.
    """

    name: str
    marks_name: str
    compared: Compared
    pages: Mapping[str, str]
    home: str = ""


def render_compared(given: ComparedPage) -> str:
    """Write the page; its table sorts with a small script and can be read without it."""
    sources = bibliography(_HOW_TO_READ)
    main = tag(
        "main",
        _first(given),
        [_reader(result, i) for i, result in enumerate(given.compared.readers)],
        _jars(given),
        _how_to_read(sources),
        sources_section(sources),
        id="main",
    )
    foot = tag("footer", tag("p", "This page is one file: it works without a network."))
    return page("Hand marks and photos", skip_link(), _header(given), main, foot, sortable=True)


def _header(given: ComparedPage) -> Markup:
    compared = given.compared
    jars = len({c.jar for c in compared.comparisons})
    readers = len(compared.readers)
    count = f"{_count(jars, 'jar')}, {_count(readers, 'reader')}. "
    home = tag("p", tag("a", "All jars of this folder", href=quote(given.home)))
    links = [("first", "First"), *_reader_links(compared), ("jars", "All marks")]
    return tag(
        "header",
        tag("p", "Soil jars in ", name_of(given.name), class_="kicker"),
        tag("h1", "Hand marks and photos"),
        tag("p", count, kappa_text(compared.kappa), class_="answer"),
        tag("p", "Marks from ", name_of(given.marks_name), ".", class_="note"),
        home if given.home else None,
        contents([*links, ("reading", "How to read this"), ("sources", "Sources")]),
    )


def _count(number_of: int, what: str) -> str:
    return f"1 {what}" if number_of == 1 else f"{number_of} {what}s"


def _reader_links(compared: Compared) -> Iterator[tuple[str, str]]:
    for i, result in enumerate(compared.readers):
        yield f"reader-{i}", reader_name(result.reader)


def _jar_link(given: ComparedPage, jar: str) -> Markup:
    name = name_of(title_of(jar), longest=40)
    return tag("a", name, href=quote(given.pages[jar])) if jar in given.pages else name


# --- what to look at first ----------------------------------------------------------------------


def _first(given: ComparedPage) -> Markup:
    """List likely slips, marks far off, changed classes, then what could not be compared."""
    comparisons = given.compared.comparisons
    items: list[Child] = [
        join(_who(given, c), ": ", " ".join(s.sentence for s in c.slips))
        for c in comparisons
        if c.is_slip
    ]
    far = (c for c in comparisons if c.is_far)
    items += [join(_who(given, c), ": ", FAR) for c in far]
    changed = (c for c in comparisons if c.class_changes and not c.is_slip)
    items += [join(_who(given, c), ": ", class_text(c)) for c in changed]
    items += stray_sentences(given.compared)
    if not items:
        calm = tag("p", "No slip is likely, and every class is the same either way.")
        return section("first", "Nothing stands out", calm, class_="doubts clear")
    return section("first", "Look at these first", bullets(items), class_="doubts")


def _who(given: ComparedPage, c: Comparison) -> Markup:
    link = _jar_link(given, c.jar)
    return join(link, ", ", name_of(c.reader, longest=40)) if c.reader else link


# --- one reader ---------------------------------------------------------------------------------


def _reader(result: ReaderResult, place: int) -> Markup:
    name = reader_name(result.reader)
    drawn = agreement_plot(f"plot-{place}", f"Differences of {name} from the photos", result)
    caption = (
        "Each point is the top of a layer in one jar: how high it lies, and how far the hand's "
        "mark is above the photo's. Solid line: bias; dashed lines: limits of agreement; bands: "
        "how sure these are (95 %)."
    )
    slips = (
        f" Crosses are marks of {_count(result.slips, 'jar')} with a likely slip, left out of bias "
        "and limits; those beyond the picture stand at its edge."
    )
    return section(
        f"reader-{place}",
        f"Reader: {name}",
        tag("p", kappa_text(result.kappa)),
        figure(drawn, join(caption, slips if result.slips else None)),
        _agreement_table(result),
    )


def _agreement_table(result: ReaderResult) -> Markup:
    rows = [
        *zip([f"Top of {layer}" for layer in LAYERS], result.tops_mm[:3], ["mm"] * 3, strict=True),
        ("All tops", result.tops_mm[3], "mm"),
        *zip([f"Share of {x}" for x in LAYERS], result.points, ["points"] * 3, strict=True),
    ]
    heads = ("Marks less photo", "Jars", "Bias", "95 % sure", "19 in 20 lie")
    return tag(
        "table",
        tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
        tag("tbody", [_agreement_row(*row) for row in rows if row[1].count]),
        class_="stacks",
    )


def _agreement_row(name: str, found: LimitsOfAgreement, unit: str) -> Markup:
    low, high = found.bias_range
    cells = [
        ("Jars", str(found.independent)),
        ("Bias", f"{signed(found.bias)} {unit}"),
        ("95 % sure", f"{signed(low)} to {signed(high)}" if math.isfinite(low) else "unknown"),
        (
            "19 in 20 lie",
            f"{signed(found.low)} to {signed(found.high)}"
            if math.isfinite(found.low)
            else "unknown",
        ),
    ]
    return tag(
        "tr",
        tag("th", name, scope="row"),
        [tag("td", tag("div", words), data_label=head) for head, words in cells],
    )


# --- the plot -----------------------------------------------------------------------------------

_LEFT, _RIGHT, _TOP, _FLOOR = 46.0, 352.0, 24.0, 252.0


@dataclass(frozen=True, slots=True)
class _Frame:
    """Limits of the plot [mm] and where they fall on it; what lies beyond stands at the edge."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]

    def x(self, mm: float) -> float:
        return _placed(mm, self.x_mm, (_LEFT + 8, _RIGHT - 8))

    def y(self, mm: float) -> float:
        return _placed(mm, self.y_mm, (_FLOOR - 8, _TOP + 8))


def _placed(value: float, limits: tuple[float, float], places: tuple[float, float]) -> float:
    share = (min(max(value, limits[0]), limits[1]) - limits[0]) / (limits[1] - limits[0])
    return places[0] + share * (places[1] - places[0])


def agreement_plot(key: str, title: str, result: ReaderResult) -> Markup | None:
    """Draw a reader's differences over the mean of hand and photo (Bland and Altman 1986).

    Parameters
    ----------
    key, title : str
    result : ReaderResult

    Returns
    -------
    Markup or None
        None without a single difference in millimetres.
    """
    points = list(_points(result.comparisons))
    if not points:
        return None
    whole = result.tops_mm[3]
    frame = _frame(points, whole)
    said_of = f"{whole.count} differences with bias {signed(whole.bias)} mm"
    if math.isfinite(whole.sd):
        said_of += f" and limits of agreement {signed(whole.low)} to {signed(whole.high)} mm"
    return svg(
        key,
        title,
        f"{said_of}. The table below has the numbers.",
        400,
        326,
        box(_LEFT, _TOP, _RIGHT - _LEFT, _FLOOR - _TOP, fill=PAPER, stroke=RULE),
        list(_bands(frame, whole)),
        list(_scales(frame)),
        [_sign(p, frame) for p in points],
        list(_lines(frame, whole)),
        list(_legend(any(p.is_slip for p in points))),
    )


@dataclass(frozen=True, slots=True)
class _Point:
    layer: str
    mean_mm: float
    diff_mm: float
    is_slip: bool


def _points(comparisons: Iterable[Comparison]) -> Iterator[_Point]:
    for c in comparisons:
        values = zip(LAYERS, c.photo_tops_mm, c.diffs_mm, strict=True)
        for layer, photo, diff in values:
            if math.isfinite(diff):
                yield _Point(layer, photo + diff / 2, diff, c.is_slip)


def _frame(points: Sequence[_Point], whole: LimitsOfAgreement) -> _Frame:
    """Choose limits by the points without slips, and by the lines."""
    kept = [p for p in points if not p.is_slip] or list(points)
    means, diffs = [p.mean_mm for p in kept], [p.diff_mm for p in kept]
    diffs += [v for v in (whole.low, whole.high) if math.isfinite(v)]
    low, high = min(0.0, *diffs), max(0.0, *diffs)
    pad = max(0.08 * (high - low), 1.0)
    wide = max(max(means) - min(means), 2.0)
    return _Frame(
        (min(means) - 0.03 * wide, min(means) + 1.03 * wide),
        (low - pad, high + pad),
    )


def _bands(frame: _Frame, whole: LimitsOfAgreement) -> Iterator[Markup]:
    for low, high in (whole.low_range, whole.bias_range, whole.high_range):
        if math.isfinite(low):
            top, foot = frame.y(high), frame.y(low)
            yield box(_LEFT, top, _RIGHT - _LEFT, foot - top, fill=HIGHLIGHT, stroke="none")


def _lines(frame: _Frame, whole: LimitsOfAgreement) -> Iterator[Markup]:
    """Draw bias and limits, with their numbers kept apart at the right."""
    values = [v for v in (whole.high, whole.bias, whole.low) if math.isfinite(v)]
    below = -math.inf
    for value in values:
        y = frame.y(value)
        dash = None if value == whole.bias else "7 4"
        yield line(_LEFT, y, _RIGHT, y, stroke=BY_HEIGHT, stroke_width=2, stroke_dasharray=dash)
        below = max(y + 5, below + 16)
        words = signed(value)
        yield label(_RIGHT + 5, below, words, font_size=14, font_weight="bold", fill=BY_HEIGHT)


def _scales(frame: _Frame) -> Iterator[Markup]:
    """Put numbers on both axes; a thin line marks no difference."""
    for tick, words in _ticks(frame.y_mm, 4, sign=True):
        y = frame.y(tick)
        yield line(_LEFT - 5, y, _LEFT, y, stroke=MUTED)
        yield label(_LEFT - 8, y + 5, words, text_anchor="end", fill=MUTED, font_size=13)
    for tick, words in _ticks(frame.x_mm, 5):
        x = frame.x(tick)
        yield line(x, _FLOOR, x, _FLOOR + 5, stroke=MUTED)
        yield label(x, _FLOOR + 19, words, text_anchor="middle", fill=MUTED, font_size=13)
    yield line(_LEFT, frame.y(0), _RIGHT, frame.y(0), stroke=MUTED, stroke_width=0.8)
    yield label(4, 15, "marks less photo, mm", font_size=14)
    middle = (_LEFT + _RIGHT) / 2
    yield label(middle, _FLOOR + 38, "mean of both, mm", text_anchor="middle", font_size=14)


def _ticks(
    limits: tuple[float, float], count: int, *, sign: bool = False
) -> Iterator[tuple[float, str]]:
    """Choose round numbers within limits, at steps of 1, 2 or 5."""
    rough = (limits[1] - limits[0]) / count
    power: float = 10.0 ** math.floor(math.log10(rough))
    step = next(power * n for n in (1, 2, 5, 10) if power * n >= rough * 0.8)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    for i in range(math.ceil(limits[0] / step), math.floor(limits[1] / step) + 1):
        value = i * step
        yield value, signed(value, decimals) if sign else f"{value:.{decimals}f}"


def _sign(point: _Point, frame: _Frame) -> Markup:
    """Draw a point: a shape for each layer, a cross for a likely slip."""
    x, y = frame.x(point.mean_mm), frame.y(point.diff_mm)
    return _cross(x, y) if point.is_slip else _shape(point.layer, x, y)


def _cross(x: float, y: float) -> Markup:
    d = f"M{number(x - 5)} {number(y - 5)}l10 10m0 -10l-10 10"
    return tag("path", d=d, stroke=INK, stroke_width=1.8, fill="none")


def _shape(layer: str, x: float, y: float) -> Markup:
    fill = FILLS[layer]
    if layer == "sand":
        return tag("circle", cx=x, cy=y, r=5, fill=fill, stroke=INK)
    if layer == "silt":
        return box(x - 4.5, y - 4.5, 9, 9, fill=fill, stroke=INK, stroke_width=1)
    d = f"M{number(x)} {number(y - 6)}l5.5 10h-11z"
    return tag("path", d=d, fill=fill, stroke=INK)


def _legend(slips: bool) -> Iterator[Markup]:
    for i, layer in enumerate(LAYERS):
        x = 58.0 + 76 * i
        yield _shape(layer, x, 312)
        yield label(x + 11, 317, layer, font_size=14)
    if slips:
        yield _cross(292, 312)
        yield label(303, 317, "likely slip", font_size=14)


# --- all jars -----------------------------------------------------------------------------------


def _jars(given: ComparedPage) -> Markup:
    heads = ("Jar", "Reader", "Sand", "Silt", "Clay", "By marks", "By photo")
    rows = [_row(given, c, i) for i, c in enumerate(given.compared.comparisons)]
    caption = (
        "Marks less photo for the top of each layer, and for its share of the height. A mark "
        "outside the photo's interval is underlined."
    )
    return section(
        "jars",
        "All marks",
        tag(
            "table",
            tag("caption", caption),
            tag("thead", tag("tr", [tag("th", h, scope="col", data_sort=True) for h in heads])),
            tag("tbody", rows),
            class_="stacks sortable",
        ),
    )


def _row(given: ComparedPage, c: Comparison, place: int) -> Markup:
    readers = [r.reader.casefold() for r in given.compared.readers]
    rank = readers.index(c.reader.casefold())
    hand = str(c.hand_class) if c.hand_class else "unknown"
    if c.class_changes:
        hand_words: Child = tag("b", hand)
    else:
        hand_words = hand
    return tag(
        "tr",
        tag("th", _jar_link(given, c.jar), scope="row", data_rank=place),
        _cell("Reader", name_of(c.reader, longest=40) if c.reader else "no name", rank),
        [_layer_cell(c, i) for i in range(3)],
        _cell("By marks", hand_words, CLASSES.index(c.hand_class) if c.hand_class else -1),
        _cell("By photo", str(c.photo_class), CLASSES.index(c.photo_class)),
        title=outside_text(c) or None,
    )


def _cell(name: str, words: Child, rank: float) -> Markup:
    return tag("td", tag("div", words), data_label=name, data_rank=rank)


def _layer_cell(c: Comparison, i: int) -> Markup:
    """Give a layer's difference; what is unknown says so and sorts last."""
    mm, points = c.diffs_mm[i], c.diffs_points[i]
    known = [f"{signed(mm)} mm"] if math.isfinite(mm) else []
    known += [f"{signed(points, 0)} points"] if math.isfinite(points) else []
    words: Child = (
        join([", " if n else "", tag("span", part, class_="whole")] for n, part in enumerate(known))
        or "unknown"
    )
    if LAYERS[i] in c.outside:
        words = tag("u", words)
    rank = next((abs(v) for v in (mm, points) if math.isfinite(v)), -1.0)
    return _cell(LAYERS[i].title(), words, rank)


def _how_to_read(sources: Bibliography) -> Markup:
    return section("reading", "How to read this", said(_HOW_TO_READ, sources))
