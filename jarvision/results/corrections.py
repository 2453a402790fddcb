"""`corrections.csv`: lines that people put right by hand, read with patience and kept whole.

The table may also be written by hand. What cannot be understood, or fits no photo any more, is
named and stays in the table.
"""

from __future__ import annotations

import contextlib
import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

from jarvision.core.errors import ValueRefusedError
from jarvision.core.files import shown, write_whole
from jarvision.core.series import Reading
from jarvision.core.tables import TableError, read_text, rows, safe_cell, table_csv
from jarvision.estimate.estimate import Correction, JarLine
from jarvision.estimate.put_right import read_height_mm
from jarvision.results.jarfile import jar_key
from jarvision.results.record import JarRecord, PutRight
from jarvision.wall.measurement import JarMeasurement

CORRECTIONS_FILE = "corrections.csv"
DEFAULT_SD_MM = 0.5
"""How well a line is placed by hand where nobody says: our own judgement, no source."""

HEAD = (
    "jar",
    "photo",
    "what",
    "value",
    "sd",
    "by",
    "at",
    "note",
    "read",
    "photo_sha256",
)
_HIGHEST_MM, _LARGEST_SD_MM = 1_000.0, 50.0
_LONGEST_NAME = 300

Cells: TypeAlias = dict[str, str]


@dataclass(frozen=True, slots=True)
class HandLine:
    """A row that fits a jar, and the reading whose photo it is of; None where it is of all."""

    row: PutRight
    reading: Reading | None

    def correction(self) -> Correction:
        """Give it as what is worked out takes it."""
        row = self.row
        return Correction(row.what, row.value_mm, row.sd_mm, self.reading)


@dataclass(frozen=True, slots=True)
class SeenJar:
    """A jar and its photos: name, digest, and the reading that each stands for."""

    jar: str
    photos: tuple[tuple[str, str, Reading | None], ...]


@dataclass(frozen=True, slots=True)
class Corrections:
    """The table.

    Attributes
    ----------
    head : tuple of str
        The columns, those of the user's own too.
    cells : tuple of (int, dict)
        Every row with its line number, as it stands.
    lines : tuple of PutRight
        The rows that are understood.
    notes : tuple of str
        A sentence on each of the others.
    """

    head: tuple[str, ...] = HEAD
    cells: tuple[tuple[int, Cells], ...] = ()
    lines: tuple[PutRight, ...] = ()
    notes: tuple[str, ...] = field(default=())


def read_corrections(path: Path) -> Corrections:
    """Read the table; one that is not there is empty.

    Raises
    ------
    TableError
        It cannot be opened, is no table, or lacks the columns jar, what and value.
    """
    if not path.exists():
        return Corrections()
    name = shown(path.name)
    body = list(rows(read_text(path, what="table of corrections"), name=name))
    if not body:
        return Corrections()
    head = tuple(cell.casefold().replace(" ", "_") for cell in body[0][1])
    missing = [column for column in ("jar", "what", "value") if column not in head]
    if missing:
        msg = f"{name} lacks the column {missing[0]}; its first line reads {','.join(HEAD[:8])}."
        raise TableError(msg)
    cells = tuple(
        (line, dict(zip(head, [*row, *[""] * len(head)], strict=False))) for line, row in body[1:]
    )
    lines, notes = [], []
    for line, row in cells:
        try:
            lines.append(_line_of(row, line))
        except ValueRefusedError as error:
            notes.append(f"Line {line} of {name} was not used: {error}")
    return Corrections(head, cells, tuple(lines), tuple(notes))


def _line_of(row: Mapping[str, str], line: int) -> PutRight:
    """Understand one row."""
    what = row["what"].casefold().removeprefix("top of the ").removesuffix(" line").strip()
    if what not in set(JarLine):
        msg = f'"{shown(row["what"])}" is none of {", ".join(JarLine)}.'
        raise ValueRefusedError(msg)
    value = _number(row["value"], "value")
    sd = _number(row["sd"], "sd") if row.get("sd") else DEFAULT_SD_MM
    if abs(value) > _HIGHEST_MM or not 0 < sd <= _LARGEST_SD_MM:
        msg = "a height and its uncertainty, in millimetres, are needed."
        raise ValueRefusedError(msg)
    read_mm = math.nan
    with contextlib.suppress(ValueRefusedError):
        read_mm = _number(row.get("read", ""), "read")
    texts = (row.get(name, "")[:_LONGEST_NAME] for name in ("by", "at", "note"))
    by, at, note = texts
    digest = row.get("photo_sha256", "").casefold()
    photo = row.get("photo", "")[:_LONGEST_NAME]
    jar = row["jar"][:_LONGEST_NAME]
    return PutRight(jar, photo, JarLine(what), value, sd, by, at, note, read_mm, digest, line)


def _number(text: str, column: str) -> float:
    try:
        value = float(text.replace(",", ".").removesuffix("mm").strip())
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f'"{shown(text)}" under {column} is no number of millimetres.'
        raise ValueRefusedError(msg)
    return value


def fit(
    lines: Iterable[PutRight], jars: Sequence[SeenJar]
) -> tuple[dict[str, tuple[HandLine, ...]], tuple[str, ...]]:
    """Find whose line each row is: by the photo's contents where it tells them, else by its name.

    Returns
    -------
    by_jar : dict
        The lines of each jar, by its name.
    unfit : tuple of str
        A sentence on each row that fits none.
    """
    by_jar: dict[str, tuple[HandLine, ...]] = {}
    unfit = []
    for row in lines:
        found = _places(row, jars)
        if found is None:
            what = f"line {row.line} of {CORRECTIONS_FILE} ({row.what} of jar {shown(row.jar)})"
            unfit.append(
                f"No photo fits {what} any more; the line was not used and stays in the table."
            )
        else:
            jar, reading = found
            by_jar[jar] = (*by_jar.get(jar, ()), HandLine(row, reading))
    return by_jar, tuple(unfit)


def _places(row: PutRight, jars: Sequence[SeenJar]) -> tuple[str, Reading | None] | None:
    same = [jar for jar in jars if jar_key(jar.jar) == jar_key(row.jar)]
    if row.photo_sha256:
        found = [
            (jar, reading)
            for jar in (*same, *jars)
            for _, digest, reading in jar.photos
            if digest == row.photo_sha256 and reading is not None
        ]
        others = {jar.jar for jar, _ in found}
        # a photo of several jars tells nothing of which of them is meant
        if not found or (found[0][0] not in same and len(others) > 1):
            return None
        return found[0][0].jar, found[0][1]
    if len(same) != 1:
        return None
    if not row.photo:
        return same[0].jar, None
    readings = [r for name, _, r in same[0].photos if name == row.photo and r is not None]
    return (same[0].jar, readings[0]) if readings else None


def with_read(line: HandLine, as_read: JarMeasurement) -> PutRight:
    """Add what had been read, where the row does not tell."""
    if not math.isnan(line.row.read_mm):
        return line.row
    return replace(line.row, read_mm=read_height_mm(as_read, line.row.what, line.reading))


def replaced(table: Corrections, old: Iterable[PutRight], new: Iterable[PutRight]) -> str:
    """Write the table with some rows in place of others; all that was not understood stays.

    Parameters
    ----------
    old : iterable of PutRight
        Rows of the table that go, known by their lines.
    new : iterable of PutRight
        Rows that come.
    """
    gone = {row.line for row in old}
    head = (*table.head, *(column for column in HEAD if column not in table.head))
    body = [[row.get(column, "") for column in head] for n, row in table.cells if n not in gone]
    body += [[_cells(row).get(column, "") for column in head] for row in new]
    return table_csv(head, body)


def _cells(row: PutRight) -> Cells:
    read = "" if math.isnan(row.read_mm) else f"{row.read_mm:.2f}"
    texts = {"jar": row.jar, "photo": row.photo, "by": row.by, "at": row.at, "note": row.note}
    return {name: safe_cell(text) for name, text in texts.items()} | {
        "what": str(row.what),
        "value": f"{row.value_mm:.2f}",
        "sd": f"{row.sd_mm:.2f}",
        "read": read,
        "photo_sha256": row.photo_sha256,
    }


def write_corrections(path: Path, text: str) -> None:
    """Write the table whole, so that it outlives whatever happens next.

    Raises
    ------
    WriteError
        It cannot be written.
    """
    write_whole(path, text)


def in_short(records: Iterable[JarRecord]) -> str:
    """Say how often and how far lines were put right; empty where none was.

    It is the program's own record of its errors, as far as people mended them.
    """
    told = [record for record in records if record.put_right]
    if not told:
        return ""
    placed = [(record.scaled, row) for record in told for row in record.put_right]
    moved = [abs(r.value_mm - r.read_mm) for scaled, r in placed if scaled]
    known = sorted(by for by in moved if math.isfinite(by))
    new = sum(math.isnan(row.read_mm) for _, row in placed)
    lines, jars = len(placed), len(told)
    parts = [f"Put right by hand: {lines} line{'s' * (lines > 1)} of {jars} jar{'s' * (jars > 1)}"]
    if known:
        parts.append(f"moved by {statistics.median(known):.1f} mm in the middle case")
        parts.append(f"{known[-1]:.1f} mm at most")
    if new:
        parts.append(f"{new} had not been found")
    return ", ".join(parts) + "."
