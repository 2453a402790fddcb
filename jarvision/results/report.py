"""Readings -> text: `readings.csv` for a spreadsheet, a card for the gardener."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from jarvision.core.measured import Doubt
from jarvision.core.tables import safe_cell
from jarvision.core.text import plain_text
from jarvision.estimate.texture import TextureClass

_WIDTH = 78
_NAME_WIDTH = 60
_LAYERS = ("sand", "silt", "clay")

Three = tuple[float, float, float]
"""One number each for sand, silt and clay; NaN where unknown."""


@dataclass(frozen=True, slots=True)
class WeightRow:
    """What is printed of a jar's soil by weight, estimated.

    Attributes
    ----------
    pcts, los, his : tuple of 3 floats
        Sand, silt and clay [% of the mineral mass], and the limits of their 90 % intervals.
    texture_class : TextureClass
        The likeliest class by weight.
    class_odds : float
        How likely it is, 0 to 1.
    water_state : str
        The water at the last photo: clear, hazy, cloudy or unknown.
    notes : tuple of str
        Why it differs from the result by height, and what it rests on.
    """

    pcts: Three
    los: Three
    his: Three
    texture_class: TextureClass
    class_odds: float
    water_state: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """What is printed about one jar.

    Attributes
    ----------
    jar : str
        Number on the strip, or the name of the jar's file or folder.
    photos : tuple of str
        Names of the photos that were read.
    tops_mm, top_sds_mm : tuple of 3 floats
        Tops of sand, silt and clay above the inside floor [mm], and one standard deviation.
    pcts, pct_sds : tuple of 3 floats
        Shares of the height [%], and one standard deviation [points].
    texture_class, next_class : TextureClass or None
        The likeliest class and the next; None when unknown or when there is no next.
    class_odds, next_odds : float
        How likely each is, 0 to 1.
    doubts : tuple of Doubt
        Doubts about this jar.
    by_weight : WeightRow or None
        The result by weight, where there is one.
    name, bed : str
        What the user's list of jars calls it, and the bed it is from; empty where not given.

    Numbers that are unknown are NaN.
    """

    jar: str
    photos: tuple[str, ...]
    tops_mm: Three
    top_sds_mm: Three
    pcts: Three
    pct_sds: Three
    texture_class: TextureClass | None
    class_odds: float
    next_class: TextureClass | None
    next_odds: float
    doubts: tuple[Doubt, ...]
    by_weight: WeightRow | None = None
    name: str = ""
    bed: str = ""


def readings_csv(rows: Iterable[ReadingRow]) -> str:
    """Write readings as CSV (RFC 4180: commas, CRLF, a header line), one row a jar.

    Unknown numbers are left empty. Several photos or doubts in a cell are joined by ``;``.
    Text that a spreadsheet would take for a formula gets a leading apostrophe.

    Parameters
    ----------
    rows : iterable of ReadingRow
        The jars, in the order they shall stand.

    Returns
    -------
    str
        The whole file; write it as UTF-8 without translating its line ends.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([name for name, _ in _COLUMNS])
    writer.writerows([cell(row) for _, cell in _COLUMNS] for row in rows)
    return out.getvalue()


def card(row: ReadingRow) -> str:
    """Describe one reading to the gardener, in lines of plain text.

    Parameters
    ----------
    row : ReadingRow
        The reading; the heights' column is left out when none of them is known.

    Returns
    -------
    str
        The card, safe to print on a terminal, ending in a newline. The layers stand as they do
        in the jar, clay on top.
    """
    way = ", by height" if row.by_weight else ""
    blocks = [
        _fill(f"{title(row.jar, name=row.name, bed=row.bed)}{way}: {texture_in_words(row)}"),
        _layer_table(row),
        "  ± is one standard deviation: the true value lies within it 2 times in 3.",
        _weight_table(row.by_weight) if row.by_weight else "",
        _listed("Doubts", _unique(doubt.sentence for doubt in row.doubts)),
        _fill("Read from " + ", ".join(map(_short_name, row.photos)), indent=2)
        if row.photos
        else "",
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def unread_card(jar: str, sentence: str, *, name: str = "", bed: str = "") -> str:
    """Tell the gardener that a jar could not be read.

    Parameters
    ----------
    jar : str
        Number or name of the jar.
    sentence : str
        What is wrong and what to do, as the error says it.
    name, bed : str
        What the user's list of jars says of it.

    Returns
    -------
    str
        The card, safe to print on a terminal, ending in a newline.
    """
    head = _fill(f"{title(jar, name=name, bed=bed)}: not read")
    return f"{head}\n\n{_fill(plain_text(sentence), indent=2)}\n"


def title(jar: str, *, name: str = "", bed: str = "") -> str:
    """Call a jar as a person does, such as ``Jar 5, Anna, north bed``; safe to print."""
    return ", ".join(part for part in (_title(jar), called(jar, name=name, bed=bed)) if part)


def called(jar: str, *, name: str, bed: str) -> str:
    """Say what the user's list of jars says of a jar, as ``Anna, north bed``; safe to print."""
    parts = (own_name(jar, name), bed_title(_short_name(bed)))
    return ", ".join(part for part in parts if part)


def own_name(jar: str, name: str) -> str:
    """Give a jar's name in the user's list where it says more than its number; safe to print."""
    own = _short_name(name)
    known = {_short_name(jar).casefold(), _title(jar).casefold()}
    return "" if own.casefold() in known else own


def bed_title(bed: str) -> str:
    """Call a bed by its name; a bare number or letter is told from a jar's by the word."""
    is_bare = sum(map(str.isalpha, bed)) < 2
    return f"bed {bed}" if bed and is_bare else bed


def texture_in_words(row: ReadingRow) -> str:
    """Say the class and its odds, such as ``loam (8 in 10); next: clay loam (2 in 10)``."""
    if row.texture_class is None:
        return "texture not known"
    words = f"{row.texture_class} ({odds_in_words(row.class_odds)})"
    if row.next_class is None:
        return words
    return f"{words}; next: {row.next_class} ({odds_in_words(row.next_odds)})"


def odds_in_words(odds: float) -> str:
    """Say odds from 0 to 1 in tenths; never as certainty, and never as nothing."""
    if math.isnan(odds):
        return "odds unknown"
    if odds > 0.95:
        return "better than 19 in 20"
    if odds < 0.05:
        return "less than 1 in 20"
    return f"{min(max(round(odds * 10), 1), 9)} in 10"


def _unique(items: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(items))


# --- the card's parts


def _title(jar: str) -> str:
    name = _short_name(jar) or "(no name)"
    return name if name.casefold().startswith("jar") else f"Jar {name}"


def _short_name(name: str) -> str:
    """Cut the middle out of a long name, so that its number and ending stay."""
    name = plain_text(name)
    if len(name) <= _NAME_WIDTH:
        return name
    half = (_NAME_WIDTH - 1) // 2
    return f"{name[:half]}…{name[-half:]}"


def _layer_table(row: ReadingRow) -> str:
    shares = [_with_sd(*share, "%") for share in zip(row.pcts, row.pct_sds, strict=True)]
    columns = [["layer", *reversed(_LAYERS)], ["share of the height", *reversed(shares)]]
    if not all(map(math.isnan, row.tops_mm)):
        tops = [_with_sd(*top, "mm") for top in zip(row.tops_mm, row.top_sds_mm, strict=True)]
        columns.insert(1, ["top above the floor", *reversed(tops)])
    names, *numbers = columns
    lines = [
        "  " + "   ".join([name.ljust(5), *cells])
        for name, *cells in zip(names, *map(_right_aligned, numbers), strict=True)
    ]
    return "\n".join(lines)


def _weight_table(weight: WeightRow) -> str:
    """Say what a laboratory would find, as far as the jar can tell."""
    ranges = [
        f"{_number(pct, 0)} % ({_number(lo, 0)} to {_number(hi, 0)})"
        for pct, lo, hi in zip(weight.pcts, weight.los, weight.his, strict=True)
    ]
    cells = _right_aligned(["share of the weight, 90 % range", *reversed(ranges)])
    names = ["layer", *reversed(_LAYERS)]
    head = f"By weight, estimated: {weight.texture_class} ({odds_in_words(weight.class_odds)})"
    rows = [f"  {name.ljust(5)}   {cell}" for name, cell in zip(names, cells, strict=True)]
    notes = [_fill(plain_text(note), indent=2) for note in weight.notes]
    return "\n".join([_fill(head, indent=2), "", *rows, "", *notes])


def _right_aligned(cells: list[str]) -> list[str]:
    width = max(map(len, cells))
    return [cell.rjust(width) for cell in cells]


def _with_sd(value: float, sd: float, unit: str) -> str:
    """Print value ± sd with no more digits than the sd carries, and never ± 0."""
    if not math.isfinite(value):
        return "unknown"
    if not math.isfinite(sd):
        return f"{_number(value, 0)} ± ? {unit}"
    digits = 1 if sd < 3 else 0
    return f"{_number(value, digits)} ± {_number(max(sd, 0.1), digits)} {unit}"


def _listed(heading: str, sentences: list[str]) -> str:
    items = [_fill(plain_text(sentence), indent=4, bullet="  - ") for sentence in sentences]
    return "\n".join([f"  {heading}", *items]) if items else ""


def _fill(text: str, *, indent: int = 0, bullet: str | None = None) -> str:
    return textwrap.fill(
        text,
        _WIDTH,
        initial_indent=" " * indent if bullet is None else bullet,
        subsequent_indent=" " * max(indent, 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


# --- the CSV's cells


def _number(value: float, decimals: int) -> str:
    """Print a number with fixed decimals; unknown is empty, and zero has no sign."""
    if not math.isfinite(value):
        return ""
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def _sd(sd: float, decimals: int) -> str:
    """Print an sd with the given decimals, or more where two of its digits would not show."""
    if not math.isfinite(sd):
        return ""
    needed = 1 - math.floor(math.log10(sd)) if sd > 0 else 0
    return _number(sd, min(max(decimals, needed), 6))


def _odds(odds: float) -> str:
    """Print odds to two decimals, but never as 0 or 1: no number of draws shows that."""
    return _number(min(max(odds, 0.01), 0.99), 2) if math.isfinite(odds) else ""


def _listed_text(text: str) -> str:
    """Make a name safe in a cell that may hold several, which ``;`` separates."""
    return safe_cell(text.replace(";", "_"))


_Cell = Callable[[ReadingRow], str]


def _three(
    column: str,
    numbers: Callable[[ReadingRow], Three],
    text: Callable[[float, int], str],
    /,
    *,
    decimals: int,
) -> list[tuple[str, _Cell]]:
    """Make the columns of sand, silt and clay."""

    def cell(index: int) -> _Cell:
        return lambda row: text(numbers(row)[index], decimals)

    return [(column.format(layer), cell(index)) for index, layer in enumerate(_LAYERS)]


_UNKNOWN: Three = (math.nan, math.nan, math.nan)
_NO_WEIGHT = WeightRow(_UNKNOWN, _UNKNOWN, _UNKNOWN, TextureClass.LOAM, math.nan, "", ())


def _weight(row: ReadingRow) -> WeightRow:
    return row.by_weight or _NO_WEIGHT


def _weight_cell(limits: str, index: int) -> _Cell:
    def cell(row: ReadingRow) -> str:
        values: Three = getattr(_weight(row), limits)
        return _number(values[index], 1)

    return cell


_COLUMNS: tuple[tuple[str, _Cell], ...] = (
    ("jar", lambda row: _listed_text(row.jar)),
    ("photos", lambda row: ";".join(map(_listed_text, row.photos))),
    *_three("{}_top_mm", lambda row: row.tops_mm, _number, decimals=2),
    *_three("{}_top_sd_mm", lambda row: row.top_sds_mm, _sd, decimals=2),
    *_three("{}_pct", lambda row: row.pcts, _number, decimals=1),
    *_three("{}_sd_pct", lambda row: row.pct_sds, _sd, decimals=1),
    ("texture_class", lambda row: row.texture_class or ""),
    ("class_odds", lambda row: _odds(row.class_odds)),
    ("next_class", lambda row: row.next_class or ""),
    ("next_odds", lambda row: _odds(row.next_odds)),
    ("doubts", lambda row: ";".join(_unique(doubt.name for doubt in row.doubts))),
    *_three("{}_wt_pct", lambda row: _weight(row).pcts, _number, decimals=1),
    *(
        column
        for index, layer in enumerate(_LAYERS)
        for column in (
            (f"{layer}_wt_pct_lo", _weight_cell("los", index)),
            (f"{layer}_wt_pct_hi", _weight_cell("his", index)),
        )
    ),
    ("class_by_weight", lambda row: row.by_weight.texture_class if row.by_weight else ""),
    ("odds_by_weight", lambda row: _odds(_weight(row).class_odds)),
    ("water_state", lambda row: row.by_weight.water_state if row.by_weight else ""),
    ("name", lambda row: safe_cell(row.name)),
    ("bed", lambda row: safe_cell(row.bed)),
)
"""Columns in the order of the file; new ones go to the end, so that old readers go on working."""
