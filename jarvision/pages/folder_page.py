"""A folder's jars on one sheet: what to check first, a table that sorts, the triangle, the beds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from jarvision.core.files import natural_key, shown
from jarvision.core.ranges import RANGES_MEAN
from jarvision.core.sources import Bibliography, Statement
from jarvision.core.text import counted
from jarvision.core.units import UnitSystem
from jarvision.estimate.texture import CLASSES
from jarvision.garden.guide import Guide
from jarvision.pages.beds_section import BedsSection, beds_section
from jarvision.pages.figures import layer_column
from jarvision.pages.frame import name_of, page, title_of
from jarvision.pages.jar_page import (
    EARLIER,
    FIRST_CAUTIONS,
    listed_name,
    shares_mark,
)
from jarvision.pages.markup import Child, Markup, join, tag
from jarvision.pages.pictures import Picture
from jarvision.pages.triangle import triangle
from jarvision.results.beds import BedNote, JoinedBeds
from jarvision.results.corrections_file import in_short
from jarvision.results.doubt_order import (
    check_text,
    common_doubts,
    doubts_of,
    gravity,
    own_doubts,
    phrase,
)
from jarvision.results.headline import (
    GLASS_MEANS,
    WEIGHT_MEANS,
    odds_of_named,
    soil_in_words,
    without_soil,
)
from jarvision.results.numbers import share_text
from jarvision.results.readings_table import bed_title
from jarvision.results.record import LAYERS, PREFIX, SUFFIX, JarRecord, Shares


@dataclass(frozen=True, slots=True, eq=False)
class FolderEntry:
    """A jar on the folder's page.

    Attributes
    ----------
    jar : JarRecord
    page : str
        File name of its own page, beside this one.
    guide : Guide or None
    note : BedNote or None
        What the user wrote about the sample.
    thumbnail : Picture or None
    is_earlier : bool
        Whether it is a result of an earlier run than the last.
    """

    jar: JarRecord
    page: str
    guide: Guide | None = None
    note: BedNote | None = None
    thumbnail: Picture | None = None
    is_earlier: bool = False

    @property
    def link(self) -> Markup:
        """Link to the jar's page; a short name is kept on one line."""
        name = shown(title_of(self.jar.jar), longest=40)
        short = "short" if len(name) <= 14 else None
        return tag("a", tag("bdi", name, class_=short), href=quote(self.page))

    @property
    def named_link(self) -> Markup:
        """Link to the jar's page, with what the list of jars calls it."""
        own = listed_name(self.jar)
        return join(self.link, [", ", name_of(own, longest=40)] if own else None)


@dataclass(frozen=True, slots=True, eq=False)
class FolderPage:
    """What a folder's page is made from.

    Attributes
    ----------
    name : str
        Name of the folder.
    system : UnitSystem
    entries : tuple of FolderEntry
        In natural order of the jars.
    refused : tuple of (str, str)
        Files that could not be used, each with its sentence.
    beds : JoinedBeds
    ignored : tuple of str
        Columns of the list of beds that were not understood.
    compared : str
        Address of the page that sets hand marks against the photos; empty where there is none.
    """

    name: str
    system: UnitSystem
    entries: tuple[FolderEntry, ...]
    refused: tuple[tuple[str, str], ...] = ()
    beds: JoinedBeds = JoinedBeds({}, ())  # noqa: RUF009 -- frozen
    ignored: tuple[str, ...] = ()
    compared: str = ""

    @property
    def read(self) -> list[FolderEntry]:
        """The jars that were read."""
        return [entry for entry in self.entries if entry.jar.by_height]

    @property
    def weighed(self) -> bool:
        """Whether any jar has a result by weight."""
        return any(entry.jar.by_weight for entry in self.entries)

    @property
    def is_all_weighed(self) -> bool:
        """Whether every jar that was read has one."""
        return all(entry.jar.by_weight for entry in self.read)

    def section(self) -> BedsSection | None:
        """Compare the jars with each other."""
        told = [(e.jar, e.note, e.guide, e.named_link) for e in self.entries]
        return beds_section(told, self.system)

    def statements(self) -> list[Statement]:
        """List all that the page says with a source."""
        section = self.section()
        return [*(section.statements if section else ()), *FIRST_CAUTIONS]


def render_folder(given: FolderPage, sources: Bibliography) -> str:
    """Write a folder's page; its table sorts with a small script and can be read without it.

    Parameters
    ----------
    given : FolderPage
    sources : Bibliography
        The sources of all pages of the folder, which number the marks.
    """
    common = common_doubts([e.jar for e in given.read])
    section = given.section()
    return page(
        "folder.html",
        sortable=True,
        given=given,
        count=_count_text(given, common),
        first=list(_look_first(given, common)),
        calm=list(_for_most(given, common)),
        heads=_heads(given),
        rows=_rows(given, common),
        ranges_mean=RANGES_MEAN,
        means=[*([WEIGHT_MEANS] if given.weighed else []), GLASS_MEANS, *_by_hand(given)],
        triangle=_triangle(given),
        cards=[_card(entry, f"column-{i}", common) for i, entry in enumerate(given.entries)],
        beds=section,
        cautions=FIRST_CAUTIONS,
        sources=sources,
    )


def _by_hand(given: FolderPage) -> list[str]:
    words = in_short(entry.jar for entry in given.entries)
    return [words] if words else []


def _count_text(given: FolderPage, common: frozenset[str]) -> str:
    """Say how many jars there are, and how many need a look."""
    total, read = len(given.entries), len(given.read)
    doubted = sum(bool(own_doubts(e.jar, common)) for e in given.read)
    unread = f", {total - read} not read" if read < total else ""
    earlier = sum(e.is_earlier for e in given.entries)
    more = f"; {earlier} from an earlier run" if earlier else ""
    look = f"{doubted} to check" if doubted else "nothing unusual"
    return f"{counted(total, 'jar')}: {read} read{unread}, {look}{more}."


# --- doubts -------------------------------------------------------------------------------------


def _look_first(given: FolderPage, common: frozenset[str]) -> Iterator[Child]:
    yield from _unread(given)
    yield from _earlier(given)
    yield from _doubted(given, common)
    yield from _loose_ends(given)


def _unread(given: FolderPage) -> Iterator[Child]:
    for entry in given.entries:
        if entry.jar.unread:
            yield join(entry.named_link, " was not read: ", entry.jar.unread.sentence)
        elif entry.jar.interim:
            told = (entry.jar.interim.sentence, entry.jar.interim.next_sentence)
            yield join(entry.named_link, ": ", " ".join(told))
    for name, sentence in given.refused:
        yield join(name_of(name), " was not used: ", sentence)


_MOST_LINKS = 8


def _earlier(given: FolderPage) -> Iterator[Child]:
    """Name the jars whose photos were not among those read last."""
    old = [entry for entry in given.entries if entry.is_earlier]
    if not old:
        return
    rest = len(old) - _MOST_LINKS
    yield join(
        f"{EARLIER}: ",
        _listed([e.named_link for e in old[:_MOST_LINKS]]),
        f" and {rest} more, marked in the table" if rest > 0 else "",
        ". Delete a jar's file, such as ",
        name_of(f"{PREFIX}{old[0].jar.stem}{SUFFIX}"),
        ", to drop it from this report.",
    )


def _listed(links: Sequence[Markup]) -> Markup:
    return join([", " if i else "", link] for i, link in enumerate(links))


def _doubted(given: FolderPage, common: frozenset[str]) -> Iterator[Child]:
    """List the doubts, gravest first, each cause once with the jars that it meets."""
    jars: dict[str, list[FolderEntry]] = {}
    sentences: dict[str, str] = {}
    for entry in given.read:
        for doubt in doubts_of(entry.jar):
            if doubt.name not in common and entry not in jars.setdefault(doubt.name, []):
                jars[doubt.name].append(entry)
                sentences.setdefault(doubt.name, doubt.sentence)
    for name in sorted(jars, key=gravity):
        links = _listed([e.named_link for e in jars[name]])
        alone = len(jars[name]) == 1
        yield join(links, ": ", sentences[name] if alone else f"{phrase(name)}; see each page.")
    for entry in given.read:
        yield from (
            join(entry.named_link, ": left out ", name_of(name), ": ", sentence)
            for name, sentence in entry.jar.left_out
        )


def _for_most(given: FolderPage, common: frozenset[str]) -> Iterator[Child]:
    """Say once what most jars carry, and why some have no result by weight."""
    for name in sorted(common, key=gravity):
        told = [d for e in given.read for d in doubts_of(e.jar) if d.name == name]
        jars = sum(any(d.name == name for d in doubts_of(e.jar)) for e in given.read)
        yield f"{jars} of {len(given.read)} jars: {phrase(name)}. The first: {told[0].sentence}"
    for entry in given.read:
        if entry.jar.not_weighed:
            yield join(entry.named_link, ": ", entry.jar.not_weighed)


def _loose_ends(given: FolderPage) -> Iterator[Child]:
    for note in given.beds.unmatched:
        yield join(
            f"Line {note.line} of the list of beds names the jar ",
            name_of(note.jar),
            ", which is not in this folder; check its name.",
        )
    if given.ignored:
        columns = _listed([name_of(c) for c in given.ignored])
        yield join("Columns of the list of beds that were not used: ", columns, ".")


# --- the table ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _JarCell:
    """A cell: its words, the column's name (empty where nothing is known), its rank and class."""

    words: Child
    label: str
    rank: float
    kind: str = ""


def _heads(given: FolderPage) -> list[str]:
    names = ["Jar", *(["Name"] if _names(given) else []), *(["Bed"] if _beds(given) else [])]
    names += ["By weight", "On the glass"] if given.weighed else ["On the glass"]
    return [*names, "Sand", "Silt", "Clay", "Check"]


def _names(given: FolderPage) -> dict[str, int]:
    """Places of the jars' names in order."""
    return _places({listed_name(entry.jar) for entry in given.entries})


def _beds(given: FolderPage) -> dict[str, int]:
    """Places of the beds in order."""
    return _places({e.note.bed_key for e in given.entries if e.note})


def _places(names: set[str]) -> dict[str, int]:
    ordered = sorted(names - {""}, key=natural_key)
    return {name: place for place, name in enumerate(ordered)}


def _rows(
    given: FolderPage, common: frozenset[str]
) -> list[tuple[FolderEntry, int, list[_JarCell]]]:
    """Make the rows, jars to check first; each with its place and its cells."""
    places = {id(entry): i for i, entry in enumerate(given.entries)}
    names, beds = _names(given), _beds(given)

    def need(entry: FolderEntry) -> tuple[bool, int]:
        own = own_doubts(entry.jar, common)
        return bool(entry.jar.by_height), min(map(gravity, own), default=1000)

    ranked = sorted(given.entries, key=need)
    return [(e, places[id(e)], list(_cells(given, e, names, beds, common))) for e in ranked]


def _cells(
    given: FolderPage,
    entry: FolderEntry,
    names: Mapping[str, int],
    beds: Mapping[str, int],
    common: frozenset[str],
) -> Iterator[_JarCell]:
    """Write a jar's cells; what is not known is an empty cell, never a number."""
    jar = entry.jar
    if names:
        own = listed_name(jar)
        yield _JarCell(_narrow(own) if own else "", "Name", names.get(own, len(names)))
    if beds:
        bed = entry.note.bed if entry.note else ""
        rank = beds[entry.note.bed_key] if entry.note and bed else len(beds)
        yield _JarCell(_narrow(bed) if bed else "", "Bed", rank)
    weight = jar.by_weight.shares if jar.by_weight else None
    unknown = "not known" if jar.by_height else without_soil(jar)
    if given.weighed:
        yield _class_cell(weight, "By weight", unknown, odds=True)
        unknown = ""
    yield _class_cell(jar.by_height, "On the glass", unknown)
    yield from _share_cells(weight if given.weighed else jar.by_height)
    yield _doubt_cell(jar, common)


_LONGEST_WORD = 12


def _narrow(name: str) -> Markup:
    """Show a name in a narrow column: only words that are too long are broken."""
    words = shown(name, longest=40)
    short = all(len(word) <= _LONGEST_WORD for word in words.split())
    return tag("bdi", words, class_="words" if short else None)


def _class_cell(shares: Shares | None, name: str, unknown: str, *, odds: bool = False) -> _JarCell:
    if shares is None:
        return _JarCell(unknown, name, -1)
    texture = shares.texture
    note = tag("span", odds_of_named(texture), class_="note whole") if odds else None
    words = join(soil_in_words(texture), [" ", note] if note else None)
    return _JarCell(words, name, CLASSES.index(texture.likeliest))


def _share_cells(shares: Shares | None) -> Iterator[_JarCell]:
    for i, layer in enumerate(LAYERS):
        if shares is None:
            yield _JarCell("", layer.title(), -1)
            continue
        pct = shares.pcts[i].value
        words = share_text(shares, i, "")
        yield _JarCell(words, layer.title(), pct, "share whole")


def _doubt_cell(jar: JarRecord, common: frozenset[str]) -> _JarCell:
    if jar.unread:
        return _JarCell("", "Check", -1)
    names = own_doubts(jar, common)
    return _JarCell(check_text(jar, common), "Check", gravity(names[0]) if names else 1000)


# --- pictures -----------------------------------------------------------------------------------

_MOST_CLOUDS = 6


def _triangle(given: FolderPage) -> Markup | None:
    """Put every jar on the triangle; the point's shape tells which way it was told."""
    read = [(e.jar, e.jar.best) for e in given.entries if e.jar.best]
    if not read:
        return None
    cloud = len(read) <= _MOST_CLOUDS
    marks = [
        shares_mark(s, _short(jar.jar), by_weight=jar.by_weight is not None, cloud=cloud)
        for jar, s in read
        if s
    ]
    listed = "; ".join(f"{title_of(j.jar)} {soil_in_words(s.texture)}" for j, s in read if s)
    return triangle("tri", "Texture triangle with every jar", f"{listed}.", marks, most_dots=50)


def _short(name: str) -> str:
    return name if len(name) <= 8 else f"{name[:7]}…"


@dataclass(frozen=True, slots=True)
class _Card:
    entry: FolderEntry
    who: Markup
    soil: str
    glass: str
    check: str
    column: Markup | None


def _card(entry: FolderEntry, key: str, common: frozenset[str]) -> _Card:
    jar = entry.jar
    bed = bed_title(shown(entry.note.bed, longest=40)) if entry.note and entry.note.bed else ""
    who = _listed([name_of(n, longest=40) for n in (listed_name(jar), bed) if n])
    if jar.by_height is None:
        return _Card(entry, who, without_soil(jar), "", "", None)
    column = layer_column(
        key,
        f"Layers of {title_of(jar.jar)} by height",
        jar.by_height.spans_pct,
    )
    glass = soil_in_words(jar.by_height.texture)
    soil = soil_in_words(jar.by_weight.shares.texture) if jar.by_weight else ""
    doubts = own_doubts(jar, common)
    return _Card(entry, who, soil, glass, phrase(doubts[0]) if doubts else "", column)
