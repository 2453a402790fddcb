"""The list of beds that a user keeps: which jar is from which bed, how deep, when, how large.

A table (`beds.csv`, from any spreadsheet) or a TOML file; either is read with patience, and what
cannot be understood is one sentence that names the line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, Statement, say
from jarvision.core.tables import LARGEST_BYTES, TableError, decoded, first_bytes, rows
from jarvision.core.tables import parse_toml as read_toml
from jarvision.core.units import UnitSystem, area_m2, length_mm, system_of
from jarvision.results.jar_folder import EXAMPLE_JAR, jar_key
from jarvision.results.record import LAYERS, Shares

NAMES = ("beds.csv", "beds.toml")
"""Where the list is looked for in a folder of readings."""

_MOST_ROWS = 5_000
_LONGEST_NOTE = 400
_DEEPEST_MM = 3_000.0


class BedsError(UsageError):
    """The list of beds cannot be used."""

    name = "beds_unusable"


@dataclass(frozen=True, slots=True)
class BedNote:
    """What the user wrote about a jar's sample.

    Attributes
    ----------
    jar : str
        Name of the jar.
    bed : str
        Name of the bed; empty when not given. Text, as everything here.
    depth_mm : tuple of (float, float) or None
        From and to which depth the sample was cut [mm].
    dug : str
        Day, month or year of digging as ``2026-05-04``, ``2026-05`` or ``2026``; empty if unknown.
    area_m2 : float or None
        Area of the bed [m²].
    om_pct : float or None
        Organic matter [% of dry mass].
    notes : str
    system : UnitSystem or None
        Units in which area or depth were written; None when neither was given.
    line : int
        Line of the file.
    """

    jar: str
    bed: str = ""
    depth_mm: tuple[float, float] | None = None
    dug: str = ""
    area_m2: float | None = None
    om_pct: float | None = None
    notes: str = ""
    system: UnitSystem | None = None
    line: int = 0

    @property
    def bed_key(self) -> str:
        """Name of the bed as it is compared: without capitals and spaces that do not count."""
        return " ".join(self.bed.casefold().split())


@dataclass(frozen=True, slots=True)
class BedList:
    """The rows of the list, and the columns that were not understood."""

    notes: tuple[BedNote, ...] = ()
    ignored: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class JoinedBeds:
    """The list joined to jars: what was written of each jar, and rows that found no jar."""

    by_jar: Mapping[str, BedNote]
    unmatched: tuple[BedNote, ...]


def find_beds(folder: Path) -> Path | None:
    """Find the list of beds in a folder.

    Raises
    ------
    BedsError
        There is one of each kind.
    """
    found = [folder / name for name in NAMES if (folder / name).is_file()]
    if len(found) > 1:
        msg = f"There are both {NAMES[0]} and {NAMES[1]}; keep one of them."
        raise BedsError(msg)
    return found[0] if found else None


def read_beds(path: Path) -> BedList:
    """Read a list of beds from a CSV or, by its ending, a TOML file.

    Raises
    ------
    BedsError
        The file cannot be opened or understood; the sentence names the line.
    """
    name = shown(path.name)
    try:
        raw = first_bytes(path)
    except (OSError, ValueError):
        msg = f"The list of beds {name} cannot be opened; check its name."
        raise BedsError(msg) from None
    if len(raw) > LARGEST_BYTES:
        msg = f"{name} is too large for a list of beds; give the right file."
        raise BedsError(msg)
    parse = parse_toml if path.suffix.casefold() == ".toml" else parse_csv
    return parse(decoded(raw), name=name)


def with_kept(note: BedNote | None, kept: BedNote | None) -> BedNote | None:
    """Fill what a jar's line does not say with what the list of jars said of its bed."""
    if note is None or kept is None:
        return note or kept
    filled = {
        field.name: getattr(kept, field.name)
        for field in fields(BedNote)
        if getattr(note, field.name) in (None, "")
    }
    return replace(note, **filled)


def join_beds(beds: BedList, jars: Sequence[str]) -> JoinedBeds:
    """Find each row's jar: by its very name, else as `jar_folder.jar_key` compares names.

    Parameters
    ----------
    jars : sequence of str
        Names of the jars.
    """
    keys: dict[str, list[str]] = {}
    for jar in jars:
        keys.setdefault(jar_key(jar), []).append(jar)
    by_jar: dict[str, BedNote] = {}
    unmatched = []
    for note in beds.notes:
        alike = [note.jar] if note.jar in jars else keys.get(jar_key(note.jar), [])
        if len(alike) == 1 and alike[0] not in by_jar:
            by_jar[alike[0]] = note
        else:
            unmatched.append(note)
    return JoinedBeds(by_jar, tuple(unmatched))


# --- the two kinds of file ----------------------------------------------------------------------

# What a column may be called, compared without capitals, spaces and signs; a unit in brackets or
# at the end ("area_sqft", "depth (cm)") goes to the numbers that have none.
_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "jar": ("jar", "jarnumber", "jarno", "jarid", "strip"),
    "bed": ("bed", "bedname", "plot", "place"),
    "depth": ("depth", "sampledepth", "depthdug"),
    "dug": ("dug", "datedug", "date", "dugon", "sampled"),
    "area": ("area", "bedarea", "size"),
    "om": ("organicmatter", "om", "organic", "humus"),
    "notes": ("notes", "note", "remarks", "comment", "comments"),
}
_BY_ALIAS = {alias: column for column, aliases in _COLUMNS.items() for alias in aliases}
_UNIT_ENDINGS = (
    "mm",
    "cm",
    "m",
    "in",
    "inch",
    "inches",
    "ft",
    "m2",
    "sqm",
    "sqft",
    "pct",
    "percent",
)


def parse_csv(text: str, *, name: str = NAMES[0]) -> BedList:
    """Read a table whose first line names the columns, separated by commas, semicolons or tabs.

    Parameters
    ----------
    text : str
        The file's text.
    name : str
        How the file is called in messages.

    Raises
    ------
    BedsError
        It is no table, has no column for the jar, or a cell cannot be understood.
    """
    lines = _table(text, name)
    head = next(lines, None)
    if head is None:
        msg = f"{name} is empty; its first line names the columns: jar, bed, depth, dug, area."
        raise BedsError(msg)
    columns = [column_of(cell) for cell in head[1]]
    _check_columns([found for found, _ in columns], head[0], name)
    ignored = [shown(c) for c, (f, _) in zip(head[1], columns, strict=True) if c.strip() and not f]
    numbered = ((number, dict(cells_of(columns, row))) for number, row in lines)
    notes = (
        note_of(row, f"Line {n} of {name}", n)
        for n, row in numbered
        if any(row.values()) and jar_key(row.get("jar", "")) != EXAMPLE_JAR
    )
    return BedList(_without_doubles(notes, name), tuple(ignored))


def _table(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Split the text into rows with their line numbers, empty lines left out."""
    try:
        yield from rows(text, name=name, most_rows=_MOST_ROWS)
    except TableError as error:
        raise BedsError(str(error)) from None


def column_of(cell: str) -> tuple[str, str]:
    """Find which column a heading means, and the unit that it gives to its numbers."""
    words = cell.casefold().replace("²", "2").replace("%", " pct ")
    plain = re.sub(r"[^a-z0-9]", "", words)
    if plain in _BY_ALIAS:
        return _BY_ALIAS[plain], ""
    for ending in sorted(_UNIT_ENDINGS, key=len, reverse=True):
        stem = plain.removesuffix(ending)
        if plain.endswith(ending) and stem in _BY_ALIAS:
            return _BY_ALIAS[stem], ending
    return "", ""


def _check_columns(found: Sequence[str], line: int, name: str) -> None:
    if "jar" not in found:
        msg = (
            f"Line {line} of {name} names no column 'jar'; the first line names the columns: "
            "jar, bed, depth, dug, area, organic matter, notes."
        )
        raise BedsError(msg)
    known = [column for column in found if column]
    twice = next((column for column in known if known.count(column) > 1), None)
    if twice:
        msg = f"Line {line} of {name} names the column '{twice}' twice; keep one of them."
        raise BedsError(msg)


def cells_of(columns: Sequence[tuple[str, str]], row: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Name the cells of a row, the heading's unit added to bare numbers."""
    for (column, unit), cell in zip(columns, row, strict=False):
        value = cell.strip()
        if column:
            bare = re.fullmatch(r"(?:[-–0-9.,\s]|to)+", value) is not None
            yield column, f"{value} {unit}" if value and bare and unit else value


def parse_toml(text: str, *, name: str = NAMES[1]) -> BedList:
    """Read a TOML file with a table ``[[bed]]`` for each jar, keys as the columns of the CSV.

    Raises
    ------
    BedsError
        It is no TOML, has other tables, or a value cannot be understood.
    """
    try:
        data = read_toml(text)
    except TableError as error:
        msg = f"{name} {error}; each jar starts with [[bed]] and has lines like jar = 5."
        raise BedsError(msg) from None
    tables = data.get("bed")
    if set(data) != {"bed"} or not isinstance(tables, list) or len(tables) > _MOST_ROWS:
        msg = f"{name} must hold a table [[bed]] for each jar, and nothing else."
        raise BedsError(msg)
    return _from_tables(tables, _table_lines(text), name)


def _table_lines(text: str) -> list[int]:
    lines = enumerate(text.splitlines(), start=1)
    return [number for number, line in lines if re.match(r"\s*\[\[\s*bed\s*\]\]", line)]


def _from_tables(tables: Sequence[object], lines: Sequence[int], name: str) -> BedList:
    notes, ignored = [], []
    for i, table in enumerate(tables):
        line = lines[i] if i < len(lines) else 0
        where = f"The entry at line {line} of {name}"
        if not isinstance(table, dict):
            msg = f"{name} must hold a table [[bed]] for each jar, and nothing else."
            raise BedsError(msg)
        columns = [column_of(key) for key in table]
        _check_columns([column for column, _ in columns], line, name)
        ignored += [shown(k) for k, (f, _) in zip(table, columns, strict=True) if not f]
        values = [_plain_value(value, where) for value in table.values()]
        notes.append(note_of(dict(cells_of(columns, values)), where, line))
    return BedList(_without_doubles(notes, name), tuple(dict.fromkeys(ignored)))


def _plain_value(value: Any, where: str) -> str:
    if isinstance(value, bool) or not isinstance(value, (str, int, float, date)):
        msg = f"{where} holds a value that is no text, number or date."
        raise BedsError(msg)
    return value.date().isoformat() if isinstance(value, datetime) else str(value)


# --- one row ------------------------------------------------------------------------------------


def note_of(row: Mapping[str, str], where: str, line: int) -> BedNote:
    """Understand the cells of a row."""
    jar = row.get("jar", "")
    if not jar:
        msg = f"{where} does not say which jar it is; fill in the column 'jar'."
        raise BedsError(msg)
    depth, area = row.get("depth", ""), row.get("area", "")
    return BedNote(
        jar=jar[:_LONGEST_NOTE],
        bed=row.get("bed", "")[:_LONGEST_NOTE],
        depth_mm=_depth(depth, where) if depth else None,
        dug=_day(row.get("dug", ""), where),
        area_m2=_area(area, where) if area else None,
        om_pct=_organic(row.get("om", ""), where),
        notes=row.get("notes", "")[:_LONGEST_NOTE],
        system=system_of(area or depth) if area or depth else None,
        line=line,
    )


def _without_doubles(notes: Iterable[BedNote], name: str) -> tuple[BedNote, ...]:
    seen: dict[str, BedNote] = {}
    for note in notes:
        earlier = seen.setdefault(note.jar.casefold(), note)
        if earlier is not note:
            msg = (
                f"Jar {shown(note.jar)} stands on lines {earlier.line} and {note.line} of {name}; "
                "keep one of them."
            )
            raise BedsError(msg)
    return tuple(seen.values())


def _depth(text: str, where: str) -> tuple[float, float]:
    """Read ``15 cm``, ``0-15 cm``, ``4 to 6 in``; one number is a depth from the surface."""
    ends = re.split(r"(?<=[0-9a-z\"'])\s*(?:-|–|to)\s*(?=[0-9.])", text.strip().casefold())
    try:
        if len(ends) > 2:
            raise UsageError
        last = length_mm(ends[-1], name="depth")
        unit = re.sub(r"^[-0-9.,/\s½¼¾⅓⅔⅛]+", "", ends[-1])
        first = length_mm(ends[0], default_unit=unit.strip(), name="depth") if ends[1:] else 0.0
    except (UsageError, ValueRefusedError):
        msg = f"{where}: '{shown(text)}' is not a depth with its unit; write for example 0-15 cm."
        raise BedsError(msg) from None
    if not 0 <= first < last <= _DEEPEST_MM:
        msg = f"{where}: a depth of '{shown(text)}' is not possible; write for example 0-15 cm."
        raise BedsError(msg)
    return first, last


def _area(text: str, where: str) -> float:
    try:
        return area_m2(re.sub(r"\bsqm\b", "m2", text))
    except (UsageError, ValueRefusedError):
        msg = f"{where}: '{shown(text)}' is not an area with its unit; write for example 9 m2."
        raise BedsError(msg) from None


def _organic(text: str, where: str) -> float | None:
    """Read organic matter in percent, with a point or a comma."""
    number = re.sub(r"(?:%|pct|percent)\s*$", "", text.strip().casefold()).strip()
    if not number:
        return None
    try:
        value = float(number.replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= 100:
        msg = f"{where}: '{shown(text)}' is no organic matter in percent; write for example 3.5."
        raise BedsError(msg)
    return value


def _day(text: str, where: str) -> str:
    """Read a day as ``2026-05-04``, a month, a year, or a day with dots, day first."""
    plain = text.strip()
    dotted = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", plain)
    if dotted:
        plain = f"{dotted[3]}-{int(dotted[2]):02d}-{int(dotted[1]):02d}"
    plain = re.sub(r"[T ]\d\d:\d\d(:\d\d)?$", "", plain)
    parts = re.fullmatch(r"(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?", plain)
    try:
        if plain:
            date(*(int(p or 1) for p in parts.groups()) if parts else (0, 0, 0))
    except ValueError:
        msg = f"{where}: '{shown(text)}' is not a day that reads one way only; write 2026-05-04."
        raise BedsError(msg) from None
    return plain


# --- the same bed twice -------------------------------------------------------------------------

READINGS = Source(Quality.COMPUTED, "The jars' readings with their uncertainties")
"""Where a comparison of jars comes from."""
_CLEAR_SDS = 2.0
"""Readings differ clearly when they are further apart than so many standard deviations."""


def change_statement(earlier: Shares, later: Shares, *, when: tuple[str, str]) -> Statement:
    """Say whether two readings of one bed differ by more than their uncertainty.

    Parameters
    ----------
    earlier, later : Shares
        Both by height or both by weight.
    when : tuple of (str, str)
        When each was dug, or other words that tell them apart.
    """
    clear = []
    for name, a, b in zip(LAYERS, earlier.pcts, later.pcts, strict=True):
        spread = math.hypot(a.sd, b.sd)
        if abs(b.value - a.value) > _CLEAR_SDS * max(spread, 1.0):
            clear.append(f"{name} from {a.value:.0f} to {b.value:.0f} %")
    between = f"{when[0]} to {when[1]}"
    if any(math.isnan(m.sd) for m in (*earlier.pcts, *later.pcts)):
        return say(f"{between}: not comparable, since an uncertainty is unknown.", READINGS)
    if not clear:
        return say(f"{between}: no change beyond the readings' own uncertainty.", READINGS)
    return say(
        f"{between}: {', '.join(clear)}, more than the readings' uncertainty explains. Texture "
        "hardly changes within years, so look for another spot, depth or sieve, or a wrong line "
        "on a photo.",
        READINGS,
        COMMON_PRACTICE,
    )
