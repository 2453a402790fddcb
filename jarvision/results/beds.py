"""The list of beds that a user keeps: which jar is from which bed, how deep, when, how large.

A table (`beds.csv`, from any spreadsheet) or a TOML file; either is read with patience, and what
cannot be understood is one sentence that names the line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, Statement, say
from jarvision.core.table_head import (
    Column,
    KnownColumns,
    check_columns,
    first_line,
    jar_of,
    without_doubles,
)
from jarvision.core.tables import EXAMPLE_JAR, TableError, read_text, rows
from jarvision.core.tables import parse_toml as read_toml
from jarvision.core.units import UnitSystem, area_m2, length_mm, system_of
from jarvision.results.jar_folder import jar_key
from jarvision.results.record import LAYERS, Shares

NAMES = ("beds.csv", "beds.toml")
"""Where the list is looked for in a folder of readings."""

_EXAMPLE = "jar, bed, depth, dug, area, organic matter, notes"
_MOST_ROWS = 5_000
_LONGEST_NOTE = 400
_DEEPEST_MM = 3_000.0


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
    TableError
        There is one of each kind.
    """
    found = [folder / name for name in NAMES if (folder / name).is_file()]
    if len(found) > 1:
        msg = f"There are both {NAMES[0]} and {NAMES[1]}; keep one of them."
        raise TableError(msg)
    return found[0] if found else None


def read_beds(path: Path) -> BedList:
    """Read a list of beds from a CSV or, by its ending, a TOML file.

    Raises
    ------
    TableError
        The file cannot be opened or understood; the sentence names the line.
    """
    parse = parse_toml if path.suffix.casefold() == ".toml" else parse_csv
    return parse(read_text(path, what="list of beds"), name=shown(path.name))


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

_CALLED = {
    "jar": ("jar", "jarnumber", "jarno", "jarid", "strip"),
    "bed": ("bed", "bedname", "plot", "place"),
    "depth": ("depth", "sampledepth", "depthdug"),
    "dug": ("dug", "datedug", "date", "dugon", "sampled"),
    "area": ("area", "bedarea", "size"),
    "om": ("organicmatter", "om", "organic", "humus"),
    "notes": ("notes", "note", "remarks", "comment", "comments"),
}
_LENGTHS = ("mm", "cm", "m", "in", "inch", "inches", "ft")
COLUMNS = KnownColumns(
    _CALLED,
    units=dict.fromkeys(_CALLED, (*_LENGTHS, "m2", "sqm", "sqft", "pct", "percent")),
    bare=r"(?:[-–0-9.,\s]|to)+",
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
    TableError
        It is no table, has no column for the jar, or a cell cannot be understood.
    """
    lines = rows(text, name=name, most_rows=_MOST_ROWS)
    line, head = first_line(lines, name=name, example=_EXAMPLE)
    columns = [COLUMNS.of(cell) for cell in head]
    _check(columns, f"Line {line} of {name}")
    ignored = [shown(c) for c, (f, _) in zip(head, columns, strict=True) if c and not f]
    numbered = ((number, COLUMNS.cells(columns, row)) for number, row in lines)
    notes = (
        note_of(row, f"Line {n} of {name}", n)
        for n, row in numbered
        if any(row.values()) and jar_key(row.get("jar", "")) != EXAMPLE_JAR
    )
    return BedList(_each_jar_once(notes, name), tuple(ignored))


def _check(columns: Sequence[Column], where: str) -> None:
    check_columns([column for column, _ in columns], where, example=_EXAMPLE)


def _each_jar_once(notes: Iterable[BedNote], name: str) -> tuple[BedNote, ...]:
    return tuple(without_doubles(notes, lambda note: note.jar.casefold(), name))


def parse_toml(text: str, *, name: str = NAMES[1]) -> BedList:
    """Read a TOML file with a table ``[[bed]]`` for each jar, keys as the columns of the CSV.

    Raises
    ------
    TableError
        It is no TOML, has other tables, or a value cannot be understood.
    """
    try:
        data = read_toml(text)
    except TableError as error:
        msg = f"{name} {error}; each jar starts with [[bed]] and has lines like jar = 5."
        raise TableError(msg) from None
    tables = data.get("bed")
    if set(data) != {"bed"} or not isinstance(tables, list) or len(tables) > _MOST_ROWS:
        msg = f"{name} must hold a table [[bed]] for each jar, and nothing else."
        raise TableError(msg)
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
            raise TableError(msg)
        columns = [COLUMNS.of(key) for key in table]
        _check(columns, f"Line {line} of {name}")
        ignored += [shown(k) for k, (f, _) in zip(table, columns, strict=True) if not f]
        values = [_plain_value(value, where) for value in table.values()]
        notes.append(note_of(COLUMNS.cells(columns, values), where, line))
    return BedList(_each_jar_once(notes, name), tuple(dict.fromkeys(ignored)))


def _plain_value(value: Any, where: str) -> str:
    if isinstance(value, bool) or not isinstance(value, (str, int, float, date)):
        msg = f"{where} holds a value that is no text, number or date."
        raise TableError(msg)
    return value.date().isoformat() if isinstance(value, datetime) else str(value)


# --- one row ------------------------------------------------------------------------------------


def note_of(row: Mapping[str, str], where: str, line: int) -> BedNote:
    """Understand the cells of a row."""
    jar = jar_of(row, where)
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
        raise TableError(msg) from None
    if not 0 <= first < last <= _DEEPEST_MM:
        msg = f"{where}: a depth of '{shown(text)}' is not possible; write for example 0-15 cm."
        raise TableError(msg)
    return first, last


def _area(text: str, where: str) -> float:
    try:
        return area_m2(re.sub(r"\bsqm\b", "m2", text))
    except (UsageError, ValueRefusedError):
        msg = f"{where}: '{shown(text)}' is not an area with its unit; write for example 9 m2."
        raise TableError(msg) from None


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
        raise TableError(msg)
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
        raise TableError(msg) from None
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
