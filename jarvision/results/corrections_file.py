"""`corrections.csv`: what people put right by hand, read with patience and kept whole.

A row is a line of a jar (heights above the inside floor in mm, `floor` above the one that was
read), or says of a photo which jar it shows (`jar`), when it was taken (`taken`: ``2 h`` after
shaking, or a day and time), or that it shows none (`no jar`); or it was drawn on a photo
(`hand_areas`). It follows its photo's SHA-256, without one its name.

The table may also be written by hand. What cannot be understood, or fits no photo any more, is
named and stays in the table.
"""

from __future__ import annotations

import contextlib
import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TypeAlias

from jarvision.core.errors import ValueRefusedError
from jarvision.core.files import shown, write_whole
from jarvision.core.moments import WRITE_IT, moment_of, seconds_of
from jarvision.core.series import PhotoFact, Reading, SaidOfPhoto
from jarvision.core.tables import TableError, read_text, rows, safe_cell, table_csv
from jarvision.core.text import counted
from jarvision.estimate.corrections import Correction, JarLine, read_height_mm
from jarvision.results.hand_areas import AreaKind, HandArea, area_of, photo_of
from jarvision.results.jar_folder import jar_key
from jarvision.results.record import JarRecord, PutRight
from jarvision.wall.measurement import JarMeasurement

CORRECTIONS_FILE = "corrections.csv"
DEFAULT_SD_MM, CLOSER_SD_MM = 0.5, 0.3
"""How well a line is placed by hand where nobody says, and on an enlarged photo; no source."""

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
HIGHEST_MM, LARGEST_SD_MM = 1_000.0, 50.0
"""What a line put right by hand may be, and how unsure, at most."""
_LONGEST_NAME = 300
_LONGEST_JAR = 80

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
        The rows of lines that are understood.
    said : tuple of SaidOfPhoto
        The rows that say something of a photo.
    notes : tuple of str
        A sentence on each of the others.
    areas : tuple of HandArea
        The rows that were drawn on a photo.
    """

    head: tuple[str, ...] = HEAD
    cells: tuple[tuple[int, Cells], ...] = ()
    lines: tuple[PutRight, ...] = ()
    notes: tuple[str, ...] = field(default=())
    said: tuple[SaidOfPhoto, ...] = ()
    areas: tuple[HandArea, ...] = ()


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
    lines: list[PutRight] = []
    said: list[SaidOfPhoto] = []
    areas: list[HandArea] = []
    notes = []
    for line, row in cells:
        what = row["what"].casefold().replace("_", " ").strip()
        try:
            if what in set(PhotoFact):
                said.append(_said_of(row, PhotoFact(what), line))
            elif what in set(AreaKind):
                areas.append(area_of(row, AreaKind(what), line))
            else:
                lines.append(_line_of(row, what, line))
        except ValueRefusedError as error:
            notes.append(f"Line {line} of {name} was not used: {error}")
    return Corrections(head, cells, tuple(lines), tuple(notes), tuple(said), tuple(areas))


def _said_of(row: Mapping[str, str], what: PhotoFact, line: int) -> SaidOfPhoto:
    """Understand a row that says something of a photo."""

    def text(column: str) -> str:
        return row.get(column, "")[:_LONGEST_NAME]

    photo, digest = text("photo"), text("photo_sha256").casefold()
    if not (photo or digest):
        msg = "it does not say of which photo."
        raise ValueRefusedError(msg)
    rest = (text("by"), text("at"), text("note"), text("read"), digest)
    said = SaidOfPhoto(text("jar"), photo, what, text("value"), *rest, line)
    check_said(said)
    return said


def check_said(said: SaidOfPhoto) -> None:
    """Refuse what cannot be said of a photo.

    Raises
    ------
    ValueRefusedError
        It is no jar's name, or no time.
    """
    if said.what is PhotoFact.JAR and not 0 < len(said.value.strip()) <= _LONGEST_JAR:
        msg = f"name the jar that the photo shows, in {_LONGEST_JAR} letters at most."
        raise ValueRefusedError(msg)
    if said.what is PhotoFact.TAKEN:
        taken_of(said.value)


def taken_of(text: str) -> float | datetime:
    """Understand when a photo was taken: time after shaking [s], or day and time.

    Raises
    ------
    ValueRefusedError
        It is neither.
    """
    with contextlib.suppress(ValueError):
        if (elapsed_s := seconds_of(text, bare="")) > 0:
            return elapsed_s
    try:
        return moment_of(text, is_past=True)
    except ValueError:
        msg = f'"{shown(text)}" is no time after shaking, such as 2 h, nor a day; {WRITE_IT}.'
        raise ValueRefusedError(msg) from None


def _line_of(row: Mapping[str, str], named: str, line: int) -> PutRight:
    """Understand the row of a line."""
    what = named.removeprefix("top of the ").removesuffix(" line").strip()
    if what not in set(JarLine):
        msg = f'"{shown(row["what"])}" is none of {", ".join((*JarLine, *PhotoFact, *AreaKind))}.'
        raise ValueRefusedError(msg)
    value = _number(row["value"], "value")
    sd = _number(row["sd"], "sd") if row.get("sd") else DEFAULT_SD_MM
    if abs(value) > HIGHEST_MM or not 0 < sd <= LARGEST_SD_MM:
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
            unfit.append(no_photo_fits(row))
        else:
            jar, reading = found
            by_jar[jar] = (*by_jar.get(jar, ()), HandLine(row, reading))
    return by_jar, tuple(unfit)


def fit_areas(
    areas: Iterable[HandArea], jars: Sequence[SeenJar]
) -> tuple[dict[str, tuple[HandArea, ...]], tuple[str, ...]]:
    """Find whose each area is, and its photo's digest where the row does not tell it.

    Returns
    -------
    by_jar : dict
        The areas of each jar, by its name.
    unfit : tuple of str
        A sentence on each row that fits none.
    """
    seen = [(jar.jar, {name: digest for name, digest, _ in jar.photos}) for jar in jars]
    by_jar: dict[str, tuple[HandArea, ...]] = {}
    unfit = []
    for area in areas:
        jar, digest = photo_of(area, seen)
        if not jar:
            unfit.append(no_photo_fits(area))
        else:
            by_jar[jar] = (*by_jar.get(jar, ()), replace(area, photo_sha256=digest))
    return by_jar, tuple(unfit)


def no_photo_fits(row: PutRight | SaidOfPhoto | HandArea) -> str:
    """Say of a row that no photo fits it any more."""
    called = f"jar {shown(row.jar)}" if not isinstance(row, SaidOfPhoto) else shown(row.photo)
    what = f"line {row.line} of {CORRECTIONS_FILE} ({row.what} of {called})"
    return f"No photo fits {what} any more; the line was not used and stays in the table."


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


Row: TypeAlias = PutRight | SaidOfPhoto | HandArea


def replaced(table: Corrections, old: Iterable[Row], new: Iterable[Row]) -> str:
    """Write the table with some rows in place of others; all that was not understood stays.

    Parameters
    ----------
    old : iterable of row
        Rows of the table that go, known by their lines.
    new : iterable of row
        Rows that come.
    """
    gone = {row.line for row in old}
    head = (*table.head, *(column for column in HEAD if column not in table.head))
    body = [[row.get(column, "") for column in head] for n, row in table.cells if n not in gone]
    body += [[_cells(row).get(column, "") for column in head] for row in new]
    return table_csv(head, body)


def _cells(row: Row) -> Cells:
    if isinstance(row, HandArea):
        return {name: safe_cell(text) for name, text in row.cells().items()}
    texts = {"jar": row.jar, "photo": row.photo, "by": row.by, "at": row.at, "note": row.note}
    if isinstance(row, SaidOfPhoto):
        texts |= {"what": row.what, "value": row.value, "read": row.read}
        return {k: safe_cell(v) for k, v in texts.items()} | {"photo_sha256": row.photo_sha256}
    read = "" if math.isnan(row.read_mm) else f"{row.read_mm:.2f}"
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
    records = list(records)
    photos = len({(said.photo_sha256, said.photo) for one in records for said in one.said})
    placed_by_hand = f"{counted(photos, 'photo')} given a jar or a time by hand"
    told = [record for record in records if record.put_right]
    if not told:
        return f"Put right by hand: {placed_by_hand}." if photos else ""
    placed = [(record.scaled, row) for record in told for row in record.put_right]
    moved = [abs(r.value_mm - r.read_mm) for scaled, r in placed if scaled]
    known = sorted(by for by in moved if math.isfinite(by))
    new = sum(math.isnan(row.read_mm) for _, row in placed)
    lines, jars = counted(len(placed), "line"), counted(len(told), "jar")
    parts = [f"Put right by hand: {lines} of {jars}"]
    if known:
        parts.append(f"moved by {statistics.median(known):.1f} mm in the middle case")
        parts.append(f"{known[-1]:.1f} mm at most")
    if new:
        parts.append(f"{new} had not been found")
    if photos:
        parts.append(placed_by_hand)
    return ", ".join(parts) + "."
