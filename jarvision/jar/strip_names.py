"""Which jars strips are printed for, and what the jars are called."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from jarvision.core.errors import UsageError
from jarvision.core.files import shown
from jarvision.core.tables import EXAMPLE_JAR, read_text, rows
from jarvision.jar.strip_canvas import glyphs_of
from jarvision.jar.strip_spec import StripSpec, strip_spec


def parse_jars(text: str) -> tuple[int, ...]:
    """Read a list of jar numbers such as ``"1-30"`` or ``"1,3,5-8"``.

    Returns
    -------
    tuple of int
        Jar numbers, ascending, each once.

    Raises
    ------
    UsageError
        Something that is no number or range, a range backwards, or a number no strip has.

    Examples
    --------
    >>> parse_jars("1, 3, 5-8")
    (1, 3, 5, 6, 7, 8)
    """
    numbers = [jar for part in text.split(",") if part.strip() for jar in _parse_range(part)]
    check_jars(numbers, strip_spec())
    return tuple(sorted(set(numbers)))


def _parse_range(part: str) -> range:
    match = re.fullmatch(r"\s*(\d{1,6})(?:\s*[-–]\s*(\d{1,6}))?\s*", part, flags=re.ASCII)
    if match is None:
        msg = f"'{part.strip()}' is not a jar number or a range; write jars as 1-30 or 1,3,5-8."
        raise UsageError(msg)
    first, last = int(match[1]), int(match[2] or match[1])
    if last < first:
        msg = f"The range {first}-{last} runs backwards; write the lower jar number first."
        raise UsageError(msg)
    check_jars((first, last), strip_spec())
    return range(first, last + 1)


def check_jars(jars: Sequence[int], spec: StripSpec) -> None:
    """Refuse numbers of jars that no strip can carry."""
    if not jars:
        msg = "No jar was named; write the jars to print strips for as 1-30 or 1,3,5-8."
        raise UsageError(msg)
    for jar in jars:
        if not 1 <= jar <= spec.last_jar:
            msg = f"There is no strip for jar {jar}; number the jars from 1 to {spec.last_jar}."
            raise UsageError(msg)


def read_names(path: Path) -> dict[int, str]:
    """Read a table of jar numbers and names, as a spreadsheet saves it.

    Parameters
    ----------
    path : Path
        A text file with two columns, jar and name, parted by commas, semicolons or tabs. Headings
        are passed over; where they are ``jar`` and ``name``, the two may stand among others, as in
        `jars.csv`. That table's example is passed over, too, and a jar without a name.

    Returns
    -------
    dict of int to str
        Names by jar number.

    Raises
    ------
    UsageError
        The file cannot be opened, or a row has no jar number or repeats one.
    """
    names: dict[int, str] = {}
    shown_name = shown(path.name)
    table = rows(read_text(path, what="list of names"), name=shown_name)
    for number, cells in _two_columns(table):
        jar, name = _names_row(cells, f"Line {number} of {shown_name}")
        if name and names.setdefault(jar, name) != name:
            msg = f"{shown_name} gives jar {jar} two names; keep one."
            raise UsageError(msg)
    return names


def _two_columns(table: Iterable[tuple[int, list[str]]]) -> Iterator[tuple[int, list[str]]]:
    """Give jar and name of each row with its line, without headings and example."""
    columns: list[int] = []
    for i, (number, cells) in enumerate(table):
        if i == 0:
            head = [cell.casefold() for cell in cells]
            columns = [head.index(name) for name in ("jar", "name") if name in head]
            if len(columns) == 2 or not any(map(str.isdecimal, "".join(cells))):
                continue
        if len(columns) == 2:
            cells = [cells[at] if at < len(cells) else "" for at in columns]
        if cells[0].casefold() != EXAMPLE_JAR:
            yield number, cells


def _names_row(cells: Sequence[str], where: str) -> tuple[int, str]:
    last_jar = strip_spec().last_jar
    jar = cells[0].lstrip("#")
    is_number = jar.isdecimal() and len(jar) <= 9
    if len(cells) < 2 or not is_number or not 1 <= int(jar) <= last_jar:
        msg = f"{where} needs a jar number from 1 to {last_jar} and a name."
        raise UsageError(msg)
    return int(jar), cells[1]


def printable_name(name: str) -> str:
    """Give a name as the sheet can print it: spaces tidied, signs the font lacks left out.

    Returns
    -------
    str
        Empty when a letter is missing from the font: a name is not printed with holes in it.
    """
    has_glyph = glyphs_of()
    kept = []
    for sign in unicodedata.normalize("NFC", name):
        if sign.isspace() or unicodedata.category(sign) == "Cc":
            kept.append(" ")
        elif ord(sign) in has_glyph:
            kept.append(sign)
        elif unicodedata.category(sign)[0] in "LMN":
            return ""
    return " ".join("".join(kept).split())
