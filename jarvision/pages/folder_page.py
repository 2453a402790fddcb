"""A folder's jars on one page: doubts first, a table that sorts, the triangle, beds compared."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, pairwise
from urllib.parse import quote

from jarvision.core.files import natural_key, shown
from jarvision.core.sources import Bibliography, Statement, bibliography
from jarvision.core.units import Quantity, UnitSystem, show, show_range
from jarvision.estimate.texture import CLASSES
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.guide import Guide
from jarvision.pages.beds import BedNote, JoinedBeds, change_statement
from jarvision.pages.figures import layer_column, pct_text, share_strip
from jarvision.pages.frame import (
    bullets,
    cautions_section,
    contents,
    figure,
    name_of,
    page,
    said,
    section,
    skip_link,
    sources_section,
    subsection,
    title_of,
)
from jarvision.pages.jar_page import (
    BY_HEIGHT_MEANS,
    BY_WEIGHT_MEANS,
    EARLIER,
    after_comma,
    depth_text,
    doubt_sentences,
    left_out,
    listed_name,
    odds_after,
    odds_text,
    shares_mark,
    weight_sentences,
)
from jarvision.pages.markup import Child, Markup, join, tag
from jarvision.pages.pictures import Picture
from jarvision.pages.triangle import triangle
from jarvision.results.jarfile import LAYERS, PREFIX, SUFFIX, JarRecord, Shares
from jarvision.results.report import bed_title


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
    def weighed(self) -> bool:
        """Whether any jar has a result by weight."""
        return any(entry.jar.by_weight for entry in self.entries)


def _way(jar: JarRecord) -> str:
    """Say which way a jar's best result is."""
    return "by weight, estimated" if jar.by_weight else "by height"


def render_folder(given: FolderPage) -> str:
    """Write a folder's page; its table sorts with a small script and can be read without it."""
    changes = [*_changes(given).values()]
    cautions = cautions_for(Place.GUIDE)
    sources = bibliography([*(s for said_of in changes for s in said_of), *cautions])
    main = tag(
        "main",
        _doubts(given),
        _table(given),
        _triangle(given),
        _side_by_side(given),
        _beds(given, sources),
        cautions_section(cautions, sources),
        sources_section(sources),
        id="main",
    )
    foot = tag("footer", tag("p", "This page is one file: it works without a network."))
    return page("Soil jars", skip_link(), _header(given), main, foot, sortable=True)


# --- head ---------------------------------------------------------------------------------------


def _header(given: FolderPage) -> Markup:
    read = [e for e in given.entries if e.jar.by_height]
    links = [("doubts", "Doubts"), ("table", "All jars"), ("triangle", "Triangle")]
    links += [("jars", "Side by side")] + ([("beds", "Beds")] if _noted(given) else [])
    return tag(
        "header",
        tag("p", "Soil jars in ", name_of(given.name), class_="kicker"),
        tag("h1", "Soil jar report"),
        tag("p", _count_text(given, len(read)), class_="answer"),
        contents([*links, ("cautions", "Cautions"), ("sources", "Sources")]),
        tag("p", tag("a", "Hand marks set against the photos", href=given.compared))
        if given.compared
        else "",
    )


def _count_text(given: FolderPage, read: int) -> str:
    """Say how many jars there are, and how many are in doubt."""
    total = len(given.entries)
    doubted = sum(bool(_doubt_count(e.jar)) for e in given.entries if e.jar.by_height)
    jars = "1 jar" if total == 1 else f"{total} jars"
    unread = f", {total - read} not read" if read < total else ""
    earlier = sum(e.is_earlier for e in given.entries)
    more = f"; {earlier} from an earlier run" if earlier else ""
    return f"{jars}: {read} read{unread}, {doubted} with doubts{more}."


def _doubt_count(jar: JarRecord) -> int:
    return len(doubt_sentences(jar)) + len(jar.left_out)


def _link(entry: FolderEntry) -> Markup:
    """Link to a jar's page; a short name is kept on one line."""
    name = shown(title_of(entry.jar.jar), longest=40)
    short = "short" if len(name) <= 14 else None
    return tag("a", tag("bdi", name, class_=short), href=quote(entry.page))


def _named_link(entry: FolderEntry) -> Markup:
    """Link to a jar's page, with what the list of jars calls it."""
    return join(_link(entry), after_comma(listed_name(entry.jar)))


# --- doubts first -------------------------------------------------------------------------------


def _doubts(given: FolderPage) -> Markup:
    items = [*_unread(given), *_earlier(given), *_doubted(given)]
    items += [*_weight_notes(given), *_loose_ends(given)]
    if not items:
        calm = tag("p", "Look at the lines on the photos all the same.")
        return section("doubts", "No doubts raised", calm, class_="doubts clear")
    return section("doubts", "Look at these first", bullets(items), class_="doubts")


def _unread(given: FolderPage) -> Iterator[Child]:
    for entry in given.entries:
        if entry.jar.unread:
            yield join(_named_link(entry), " was not read: ", entry.jar.unread.sentence)
    for name, sentence in given.refused:
        yield join(name_of(name), " was not used: ", sentence)


_MOST_LINKS = 8


def _earlier(given: FolderPage) -> Iterator[Child]:
    """Name the jars whose photos were not among those read last."""
    old = [entry for entry in given.entries if entry.is_earlier]
    if not old:
        return
    links = [join(", " if i else "", _named_link(e)) for i, e in enumerate(old[:_MOST_LINKS])]
    rest = len(old) - _MOST_LINKS
    yield join(
        f"{EARLIER}: ",
        links,
        f" and {rest} more, marked in the table" if rest > 0 else "",
        ". Delete a jar's file, such as ",
        name_of(f"{PREFIX}{old[0].jar.stem}{SUFFIX}"),
        ", to drop it from this report.",
    )


def _doubted(given: FolderPage) -> Iterator[Child]:
    """List the jars in doubt, most doubts first."""
    read = [e for e in given.entries if e.jar.by_height and _doubt_count(e.jar)]
    for entry in sorted(read, key=lambda e: -_doubt_count(e.jar)):
        items = [*doubt_sentences(entry.jar), *(left_out(n, s) for n, s in entry.jar.left_out)]
        lead = _named_link(entry)
        yield join(lead, bullets(items) if len(items) > 1 else [": ", items])


def _weight_notes(given: FolderPage) -> Iterator[Child]:
    """Sum up the doubts about results by weight, which most jars share."""
    weighed = [e.jar for e in given.entries if e.jar.by_weight]
    noted = sum(bool(weight_sentences(jar)) for jar in weighed)
    if noted:
        yield (
            f"By weight, {noted} of {len(weighed)} results carry doubts of their own; each jar's "
            "page says which."
        )
    for entry in given.entries:
        if entry.jar.by_height and entry.jar.not_weighed:
            yield join(_named_link(entry), ": ", entry.jar.not_weighed)


def _loose_ends(given: FolderPage) -> Iterator[Child]:
    for note in given.beds.unmatched:
        yield join(
            f"Line {note.line} of the list of beds names the jar ",
            name_of(note.jar),
            ", which is not in this folder; check its name.",
        )
    if given.ignored:
        columns = [join(", " if i else "", name_of(c)) for i, c in enumerate(given.ignored)]
        yield join("Columns of the list of beds that were not used: ", columns, ".")


# --- the table ----------------------------------------------------------------------------------


def _table(given: FolderPage) -> Markup:
    ranked = sorted(given.entries, key=lambda e: (bool(e.jar.by_height), -_doubt_count(e.jar)))
    places = {id(entry): i for i, entry in enumerate(given.entries)}
    ranks = _ranks(given)
    rows = [_row(given, entry, places[id(entry)], ranks) for entry in ranked]
    way = "by weight, estimated" if given.weighed else "by height"
    caption = (
        f"Jars with doubts first. Sand, silt and clay {way}, in percent ± one standard deviation; "
        "the bars show the layers by height, sand first."
    )
    means = [BY_WEIGHT_MEANS, BY_HEIGHT_MEANS] if given.weighed else [BY_HEIGHT_MEANS]
    return section(
        "table",
        "All jars",
        tag(
            "table",
            tag("caption", caption),
            tag("thead", tag("tr", list(_heads(given, ranks)))),
            tag("tbody", rows),
            class_="stacks sortable",
        ),
        [tag("p", words, class_="note") for words in means],
    )


@dataclass(frozen=True, slots=True)
class _Ranks:
    """Places of the jars' names and beds in order; empty where none is known."""

    names: Mapping[str, int]
    beds: Mapping[str, int]


def _ranks(given: FolderPage) -> _Ranks:
    names = {listed_name(entry.jar) for entry in given.entries} - {""}
    beds = {note.bed_key for note in _noted(given).values()}
    orders = (sorted(names, key=natural_key), sorted(beds, key=natural_key))
    return _Ranks(*({name: i for i, name in enumerate(order)} for order in orders))


def _heads(given: FolderPage, ranks: _Ranks) -> Iterator[Markup]:
    """Name the columns; those that can be sorted say so."""
    weighed = given.weighed
    names = ["Jar", *(["Name"] if ranks.names else []), *(["Bed"] if ranks.beds else [])]
    names += ["By weight" if weighed else "Texture class", "Sand", "Silt", "Clay"]
    names += ["By height"] if weighed else []
    yield from (tag("th", name, scope="col", data_sort=True) for name in names)
    yield tag("th", "Layers", scope="col", class_="strip")
    yield tag("th", "Doubts", scope="col", data_sort=True)


def _row(given: FolderPage, entry: FolderEntry, place: int, ranks: _Ranks) -> Markup:
    """Write a jar's row; what is not known is an empty cell, never a number."""
    jar = entry.jar
    weight = jar.by_weight.shares if jar.by_weight else None
    first = weight if given.weighed else jar.by_height
    doubts = _doubt_count(jar)
    unknown = "not read" if jar.by_height is None else "not known"
    return tag(
        "tr",
        tag("th", _link(entry), _earlier_mark(entry), scope="row", data_rank=place),
        _name_cell(entry, ranks.names) if ranks.names else None,
        _bed_cell(entry, ranks.beds) if ranks.beds else None,
        _class_cell(first, "By weight" if given.weighed else "Texture class", unknown),
        [_share_cell(i, first) for i in range(len(LAYERS))],
        _class_cell(jar.by_height, "By height", "") if given.weighed else None,
        _strip_cell(jar, f"strip-{place}"),
        tag("td", str(doubts) if doubts else "none", data_rank=doubts, data_label="Doubts"),
    )


def _earlier_mark(entry: FolderEntry) -> Markup | None:
    return tag("div", "earlier run", class_="earlier") if entry.is_earlier else None


def _name_cell(entry: FolderEntry, ranks: Mapping[str, int]) -> Markup:
    name = listed_name(entry.jar)
    if not name:
        return tag("td", data_rank=len(ranks), class_="empty")
    return tag("td", _narrow(name), data_rank=ranks[name], data_label="Name")


_LONGEST_WORD = 12


def _narrow(name: str) -> Markup:
    """Show a name in a narrow column: only words that are too long are broken."""
    words = shown(name, longest=40)
    short = all(len(word) <= _LONGEST_WORD for word in words.split())
    return tag("bdi", words, class_="words" if short else None)


def _class_cell(shares: Shares | None, name: str, unknown: str) -> Markup:
    if shares is None:
        cell = {"data_label": name} if unknown else {"class_": "empty"}
        return tag("td", tag("div", unknown), data_rank=-1, **cell)
    texture = shares.texture
    odds = tag("span", odds_text(texture.odds), class_="note")
    words = tag("div", str(texture.likeliest), " ", odds)
    return tag("td", words, data_rank=CLASSES.index(texture.likeliest), data_label=name)


def _share_cell(index: int, shares: Shares | None) -> Markup:
    if shares is None:
        return tag("td", data_rank=-1, class_="empty")
    share, name = shares.pcts[index], LAYERS[index].title()
    words = pct_text(share.value, share.sd).removesuffix(" %")
    return tag("td", words, data_rank=share.value, data_label=name, class_="share whole")


def _strip_cell(jar: JarRecord, key: str) -> Markup:
    if jar.by_height is None:
        return tag("td", class_="empty")
    strip = _strip(jar, jar.by_height, key)
    return tag("td", strip, class_="strip", data_label="Layers")


def _bed_cell(entry: FolderEntry, ranks: Mapping[str, int]) -> Markup:
    if entry.note is None or not entry.note.bed:
        return tag("td", data_rank=len(ranks), class_="empty")
    bed = _narrow(entry.note.bed)
    return tag("td", bed, data_rank=ranks[entry.note.bed_key], data_label="Bed")


def _strip(jar: JarRecord, shares: Shares, key: str) -> Markup:
    return share_strip(key, f"Shares of {title_of(jar.jar)}", [m.value for m in shares.pcts])


# --- pictures -----------------------------------------------------------------------------------

_MOST_CLOUDS = 12


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
    listed = "; ".join(f"{title_of(j.jar)} {s.texture.likeliest}" for j, s in read if s)
    drawn = triangle("tri", "Texture triangle with every jar", f"{listed}.", marks, most_dots=50)
    shapes = (
        "diamonds are by weight, estimated, circles by height" if given.weighed else "by height"
    )
    dots = " Small dots are other soils that a jar's photos allow." if cloud else ""
    caption = (
        f"Every jar that was read, with its name where there is room: {shapes}.{dots} Clay is read "
        "on the left side, silt on the right, sand along the bottom."
    )
    return section("triangle", "On the texture triangle", figure(drawn, caption, class_="tri"))


def _short(name: str) -> str:
    return name if len(name) <= 8 else f"{name[:7]}…"


def _side_by_side(given: FolderPage) -> Markup:
    cards = (_card(entry, f"column-{i}") for i, entry in enumerate(given.entries))
    words = "Columns show the layers by height, in percent, clay on top."
    lead = tag("p", words, class_="note lead")
    return section("jars", "Side by side", lead, tag("ul", cards, class_="jars"))


def _card(entry: FolderEntry, key: str) -> Markup:
    jar, name = entry.jar, title_of(entry.jar.jar)
    if jar.by_height is None:
        return tag("li", tag("h3", _link(entry)), _card_names(entry), tag("p", "not read"))
    pcts = jar.by_height.pcts
    column = layer_column(
        key,
        f"Layers of {name} by height",
        [m.value for m in pcts],
        spread=[m.sd for m in pcts],
    )
    doubts = _doubt_count(jar)
    words = f"{doubts} {'doubt' if doubts == 1 else 'doubts'}" if doubts else "no doubts"
    return tag(
        "li",
        tag("h3", _link(entry)),
        _card_names(entry),
        list(_card_answers(jar)),
        tag("p", words, class_="note"),
        tag("div", _thumbnail(entry.thumbnail, name), column, class_="side"),
    )


def _card_names(entry: FolderEntry) -> list[Markup]:
    """Say whose jar it is and from which bed, and whether it is of an earlier run."""
    bed = bed_title(shown(entry.note.bed, longest=40)) if entry.note and entry.note.bed else ""
    names = [name_of(n, longest=40) for n in (listed_name(entry.jar), bed) if n]
    parts = [join(", " if i else "", name) for i, name in enumerate(names)]
    mark = _earlier_mark(entry)
    return [*([tag("p", parts, class_="who")] if parts else []), *([mark] if mark else [])]


def _card_answers(jar: JarRecord) -> Iterator[Markup]:
    if jar.by_weight:
        texture = jar.by_weight.shares.texture
        yield tag("p", "by weight ", tag("b", str(texture.likeliest)), odds_after(texture))
    if jar.by_height:
        texture = jar.by_height.texture
        yield tag("p", "by height ", tag("b", str(texture.likeliest)), odds_after(texture))


def _thumbnail(picture: Picture | None, name: str) -> Markup:
    if picture is None:
        return tag("p", "no picture", class_="note")
    alt = f"{name} at its last photo, with the lines that were read."
    return tag("img", src=picture.uri, alt=alt, width=picture.width_px, height=picture.height_px)


# --- beds ---------------------------------------------------------------------------------------


def _noted(given: FolderPage) -> dict[str, BedNote]:
    """Find the notes that name a bed, by jar."""
    return {e.jar.jar: e.note for e in given.entries if e.note and e.note.bed}


def _by_bed(given: FolderPage) -> dict[str, list[FolderEntry]]:
    """Jars that were read, by bed, each bed's in order of digging."""
    beds: dict[str, list[FolderEntry]] = {}
    for entry in given.entries:
        if entry.note and entry.note.bed and entry.jar.best:
            beds.setdefault(entry.note.bed_key, []).append(entry)
    for entries in beds.values():
        entries.sort(key=lambda e: e.note.dug if e.note else "")
    return dict(sorted(beds.items()))


def _changes(given: FolderPage) -> dict[str, list[Statement]]:
    """Say of each bed with several readings whether they differ."""
    changes = {}
    for bed, entries in _by_bed(given).items():
        pairs = pairwise(entries) if _is_dated(entries) else _furthest(entries)
        told = [_change(a, b) for a, b in pairs]
        changes[bed] = [statement for statement in told if statement]
    return changes


def _furthest(entries: Sequence[FolderEntry]) -> list[tuple[FolderEntry, FolderEntry]]:
    """Find the two jars at the ends of one layer's range that differ most; none where all agree."""
    pcts = [[m.value for m in e.jar.by_height.pcts] for e in entries if e.jar.by_height]
    ends = [
        sorted((column.index(min(column)), column.index(max(column))))
        for column in zip(*pcts, strict=True)
    ]
    first, last = max(ends, key=lambda pair: math.dist(pcts[pair[0]], pcts[pair[1]]))
    return [(entries[first], entries[last])] if first != last else []


def _change(earlier: FolderEntry, later: FolderEntry) -> Statement | None:
    """Compare two readings, by weight only when both have that."""
    a, b, when = earlier.jar, later.jar, (_moment(earlier), _moment(later))
    if a.by_weight and b.by_weight:
        return change_statement(a.by_weight.shares, b.by_weight.shares, when=when)
    if a.by_height and b.by_height:
        return change_statement(a.by_height, b.by_height, when=when)
    return None


def _moment(entry: FolderEntry) -> str:
    name = title_of(entry.jar.jar)
    return f"{name} ({entry.note.dug})" if entry.note and entry.note.dug else name


def _beds(given: FolderPage, sources: Bibliography) -> Markup | None:
    beds = _by_bed(given)
    if not beds:
        return None
    changes = _changes(given)
    several = [
        _bed_years(given, key, entries, changes[key], sources)
        if _is_dated(entries)
        else _bed_jars(given, key, entries, changes[key], sources)
        for key, entries in beds.items()
        if len(entries) > 1
    ]
    return section("beds", "Beds compared", _bed_table(given, beds), several)


def _is_dated(entries: Sequence[FolderEntry]) -> bool:
    return all(entry.note and entry.note.dug for entry in entries)


def _bed_table(given: FolderPage, beds: dict[str, list[FolderEntry]]) -> Markup:
    """Compare the beds by the latest reading of each, or by all where nobody knows the latest."""
    heads = ("Bed", "Reading", "Texture class", "Water for plants", "Organic matter", "Shares")
    told = [entries[-1:] if _is_dated(entries) else entries for entries in beds.values()]
    rows = [_bed_row(given, entry, i) for i, entry in enumerate(chain.from_iterable(told))]
    more = ", or all where their days of digging are not known" if len(rows) > len(told) else ""
    return tag(
        "table",
        tag(
            "caption", f"The latest reading of each bed{more}; bars show sand, silt, clay in turn."
        ),
        tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
        tag("tbody", rows),
        class_="stacks",
    )


def _bed_row(given: FolderPage, entry: FolderEntry, index: int) -> Markup:
    note, shares = entry.note, entry.jar.best
    if note is None or shares is None:
        return Markup("")
    water = entry.guide.planning_mm_per_m if entry.guide else None
    cells: tuple[tuple[str, Child], ...] = (
        ("Reading", [_named_link(entry), f", {note.dug}" if note.dug else None]),
        ("Texture class", _class_words(entry.jar)),
        (
            "Water for plants",
            show_range(water, Quantity.AVAILABLE_WATER, given.system) if water else "unknown",
        ),
        ("Organic matter", "not known" if note.om_pct is None else f"{note.om_pct:g} %"),
        ("Shares", _strip(entry.jar, shares, f"bed-{index}")),
    )
    area = f" ({show(note.area_m2, Quantity.AREA, given.system)})" if note.area_m2 else None
    head = tag("th", _narrow(note.bed), area, scope="row")
    return tag("tr", head, _labelled(cells))


def _class_words(jar: JarRecord) -> str:
    """Name a jar's class with its odds and the way it was told."""
    if jar.best is None:
        return "not read"
    texture = jar.best.texture
    return f"{texture.likeliest} ({odds_text(texture.odds)}), {_way(jar)}"


_WRAPPED = {"Reading": None, "Jar": None, "Texture class": None, "Shares": "strip"}


def _labelled(cells: Iterable[tuple[str, Child]]) -> list[Markup]:
    """Make cells that carry their column's name, for screens too narrow for a table."""
    return [
        tag("td", tag("div", cell), data_label=name, class_=_WRAPPED.get(name, "whole"))
        for name, cell in cells
    ]


def _bed_years(
    given: FolderPage,
    key: str,
    entries: Sequence[FolderEntry],
    changes: Sequence[Statement],
    sources: Bibliography,
) -> Markup:
    """Set the readings of one bed in order of time, and say whether they differ."""
    heads = ("Dug", "Jar", "Depth", "Texture class", *(layer.title() for layer in LAYERS), "Shares")
    number = sorted(_by_bed(given)).index(key)
    rows = [_year_row(given, entry, f"year-{number}-{i}") for i, entry in enumerate(entries)]
    return subsection(
        f"bed-years-{number}",
        f"{_bed_of(entries)} over time",
        tag(
            "table",
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="stacks",
        ),
        said(changes, sources),
    )


def _bed_of(entries: Sequence[FolderEntry]) -> str:
    note = entries[0].note
    return bed_title(note.bed) if note else ""


def _bed_jars(
    given: FolderPage,
    key: str,
    entries: Sequence[FolderEntry],
    changes: Sequence[Statement],
    sources: Bibliography,
) -> Markup:
    """Say whether the jars of one bed differ, where nobody knows which was dug first."""
    number = sorted(_by_bed(given)).index(key)
    heading = f"{_bed_of(entries)}: jars furthest apart"
    return subsection(f"bed-years-{number}", heading, said(changes, sources))


def _year_row(given: FolderPage, entry: FolderEntry, key: str) -> Markup:
    note, shares = entry.note, entry.jar.best
    if note is None or shares is None:
        return Markup("")
    cells: list[tuple[str, Child]] = [
        ("Jar", _named_link(entry)),
        ("Depth", depth_text(note, given.system) or "unknown"),
        ("Texture class", _class_words(entry.jar)),
    ]
    pairs = zip(LAYERS, shares.pcts, strict=True)
    cells += [(layer.title(), pct_text(m.value, m.sd)) for layer, m in pairs]
    cells.append(("Shares", _strip(entry.jar, shares, key)))
    return tag(
        "tr", tag("th", note.dug or "unknown", scope="row", class_="whole"), _labelled(cells)
    )
