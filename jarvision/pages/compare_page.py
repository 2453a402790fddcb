"""Hand marks beside the photos on one page: slips first, a plot for each reader, every jar."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
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
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, bibliography, say
from jarvision.core.text import counted
from jarvision.estimate.texture import CLASSES
from jarvision.pages.compare_figure import agreement_plot
from jarvision.pages.frame import name_of, page, title_of
from jarvision.pages.markup import Child, Markup, join, tag
from jarvision.results.record import LAYERS

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
    compared = given.compared
    sources = bibliography(_HOW_TO_READ)
    readers = enumerate(compared.readers)
    jars = counted(len({c.jar for c in compared.comparisons}), "jar")
    alike = kappa_text(compared.kappa).partition(";")[0].rstrip(".")  # kappa is for the details
    return page(
        "compared.html",
        sortable=True,
        given=given,
        count=f"{jars}, {counted(len(compared.readers), 'reader')}. {alike}.",
        first=list(_first(given)),
        readers=[_reader(result, i) for i, result in readers],
        rows=[_row(given, c, i) for i, c in enumerate(compared.comparisons)],
        how_to_read=_HOW_TO_READ,
        listed=sources.listed(),
        sources=sources,
    )


def _jar_link(given: ComparedPage, c: Comparison) -> Markup:
    name = name_of(title_of(c.jar), longest=40)
    link = tag("a", name, href=quote(given.pages[c.jar])) if c.jar in given.pages else name
    return join(link, ", ", name_of(c.called, longest=60)) if c.called else link


def _first(given: ComparedPage) -> Iterator[Child]:
    """List likely slips, marks far off, changed classes, then what could not be compared."""
    comparisons = given.compared.comparisons
    for c in comparisons:
        if c.is_slip:
            yield join(_who(given, c), ": ", " ".join(s.sentence for s in c.slips))
    for c in comparisons:
        if c.is_far:
            yield join(_who(given, c), ": ", FAR)
    for c in comparisons:
        if c.class_changes and not c.is_slip:
            yield join(_who(given, c), ": ", class_text(c))
    yield from stray_sentences(given.compared)


def _who(given: ComparedPage, c: Comparison) -> Markup:
    link = _jar_link(given, c)
    return join(link, ", read by ", name_of(c.reader, longest=40)) if c.reader else link


# --- one reader ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Reader:
    key: str
    name: str
    kappa: str
    plot: Markup | None
    slips: str
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def _reader(result: ReaderResult, place: int) -> _Reader:
    name = reader_name(result.reader)
    units = [("Top of", result.tops_mm[:3], "mm"), ("Share of", result.points, "points")]
    found = [
        (f"{what} {layer}", one, unit)
        for what, values, unit in units
        for layer, one in zip(LAYERS, values, strict=True)
    ]
    found.insert(3, ("All tops", result.tops_mm[3], "mm"))
    return _Reader(
        f"reader-{place}",
        name,
        kappa_text(result.kappa),
        agreement_plot(f"plot-{place}", f"Differences of {name} from the photos", result),
        counted(result.slips, "jar") if result.slips else "",
        tuple((what, _agreement(one, unit)) for what, one, unit in found if one.count),
    )


def _agreement(found: LimitsOfAgreement, unit: str) -> tuple[str, ...]:
    return (
        str(found.independent),
        f"{signed(found.bias)} {unit}",
        _limits(*found.bias_range),
        _limits(found.low, found.high),
    )


def _limits(low: float, high: float) -> str:
    return f"{signed(low)} to {signed(high)}" if math.isfinite(low) else "unknown"


# --- all jars -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _MarksCell:
    label: str
    words: Child
    rank: float


@dataclass(frozen=True, slots=True)
class _MarksRow:
    outside: str
    cells: tuple[_MarksCell, ...]


def _row(given: ComparedPage, c: Comparison, place: int) -> _MarksRow:
    readers = [r.reader.casefold() for r in given.compared.readers]
    hand: Child = str(c.hand_class) if c.hand_class else "unknown"
    cells = (
        _MarksCell("Jar", _jar_link(given, c), place),
        _MarksCell(
            "Reader",
            name_of(c.reader, longest=40) if c.reader else "no name",
            readers.index(c.reader.casefold()),
        ),
        *(_layer_cell(c, i) for i in range(3)),
        _MarksCell(
            "By marks",
            tag("b", hand) if c.class_changes else hand,
            CLASSES.index(c.hand_class) if c.hand_class else -1,
        ),
        _MarksCell("By photo", str(c.photo_class), CLASSES.index(c.photo_class)),
    )
    return _MarksRow(outside_text(c), cells)


def _layer_cell(c: Comparison, i: int) -> _MarksCell:
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
    return _MarksCell(LAYERS[i].title(), words, rank)
