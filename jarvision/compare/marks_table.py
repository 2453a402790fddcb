"""Marks that people made on the glass, from the table in which they wrote them down.

The heading says what a column holds: ``sand_mm`` or ``silt top (in)`` is the height of a layer's
top above the inside floor, ``clay thickness cm`` is how thick the layer is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate
from math import nan
from pathlib import Path

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.table_head import check_columns, first_line, jar_of, without_doubles
from jarvision.core.tables import EXAMPLE_JAR, TableError, read_text, rows
from jarvision.core.units import length_mm
from jarvision.results.jar_folder import jar_key
from jarvision.wall.measurement import LAYERS, Three

_HIGHEST_MM = 10_000.0
_LONGEST_NAME = 300  # as in the jars' own files
_EXAMPLE = "jar, reader, sand_mm, silt_mm, clay_mm"


class MarkKind(StrEnum):
    """What the numbers are said to be."""

    TOP = "heights above the inside floor"
    THICKNESS = "thicknesses of the layers"


class MarkUnit(StrEnum):
    """The unit that the numbers are said to have."""

    MM = "millimetres"
    CM = "centimetres"
    IN = "inches"

    @property
    def mm(self) -> float:
        """Millimetres in one of them; the international inch is exact."""
        return {"mm": 1.0, "cm": 10.0, "in": 25.4}[self.symbol]

    @property
    def symbol(self) -> str:
        """How it is written after a number."""
        return {"millimetres": "mm", "centimetres": "cm", "inches": "in"}[self.value]


@dataclass(frozen=True, slots=True)
class HandMark:
    """What one reader wrote down of one jar.

    Attributes
    ----------
    jar, reader : str
        Names as they were typed; the reader's is empty when not given.
    entered_mm : tuple of 3 floats
        The numbers for sand, silt and clay as they were entered, as heights or as thicknesses
        [mm]; NaN where the cell is empty.
    kind : MarkKind
    unit : MarkUnit or None
        Unit of all the numbers; None when they were given in different ones.
    line : int
        Line of the file.
    """

    jar: str
    reader: str
    entered_mm: Three
    kind: MarkKind = MarkKind.TOP
    unit: MarkUnit | None = MarkUnit.MM
    line: int = 0

    @property
    def tops_mm(self) -> Three:
        """Tops of sand, silt and clay above the inside floor [mm], as the heading says."""
        return tops_from(self.entered_mm, self.kind)


def tops_from(numbers: Three, kind: MarkKind) -> Three:
    """Turn heights or thicknesses into heights, both in one unit."""
    if kind is MarkKind.TOP:
        return numbers
    sand, silt, clay = accumulate(numbers)
    return sand, silt, clay


@dataclass(frozen=True, slots=True)
class MarkList:
    """The rows of the table, and the columns that were not understood."""

    marks: tuple[HandMark, ...]
    ignored: tuple[str, ...] = ()


def read_marks(path: Path) -> MarkList:
    """Read a table of marks.

    Raises
    ------
    TableError
        The file cannot be opened or understood; the sentence names the line.
    """
    return parse_marks(read_text(path, what="table of marks"), name=shown(path.name))


def parse_marks(text: str, *, name: str = "marks.csv") -> MarkList:
    """Read a table of marks whose first line names the columns.

    Parameters
    ----------
    text : str
        The file's text, cells separated by commas, semicolons or tabs. Columns: jar, reader (may
        be missing), unit (may be missing), and sand, silt and clay with their unit in the heading,
        in the cells, or in the column ``unit``.
    name : str
        How the file is called in messages.

    Raises
    ------
    TableError
        A column or a unit is missing, a cell is no length, or a jar stands twice for a reader.
    """
    lines = rows(text, name=name)
    at, head = first_line(lines, name=name, example=_EXAMPLE)
    columns = [_heading(cell, f"Line {at} of {name}") for cell in head]
    kind = _checked_kind(columns, f"Line {at} of {name}")
    known = (h.key for h in columns if h is not None)
    unknown = [c for c, h in zip(head, columns, strict=True) if c and h is None]
    ignored = [shown(c) for c in unknown if c.casefold() not in _BESIDE]
    units = {h.key: h.unit for h in columns if h is not None}
    numbered = ((line, _cells(columns, row)) for line, row in lines)
    marks = [
        _mark(row, units, kind, line=line, where=f"Line {line} of {name}")
        for line, row in numbered
        if jar_key(row.get("jar", "")) != EXAMPLE_JAR
    ]
    if not marks:
        msg = f"{name} holds no marks, only the heading ({', '.join(known)}); add a row for a jar."
        raise TableError(msg)
    way_out = "keep one of them, or name two readers"
    single = without_doubles(marks, _key, name, called=_called, way_out=way_out)
    return MarkList(tuple(single), tuple(ignored))


# --- the heading --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Heading:
    key: str
    kind: MarkKind | None = None
    unit: MarkUnit | None = None


_BESIDE = {"first_sd_mm", "second_sd_mm", "third_sd_mm", "seen_in_photos"}
"""Columns of the table that `read` writes of lines on the glass, which say how they were read."""
_NAMED: Mapping[str, tuple[str, ...]] = {
    "jar": ("jar", "jarnumber", "jarno", "jarid", "jarname", "strip"),
    "reader": ("reader", "readby", "markedby", "measuredby", "student", "observer", "who", "by"),
    "unit": ("unit", "units"),
}
_BY_ALIAS = {alias: key for key, aliases in _NAMED.items() for alias in aliases}
_UNIT_WORDS: Mapping[str, MarkUnit] = {
    **dict.fromkeys(("mm", "millimetre", "millimeter", "millimetres", "millimeters"), MarkUnit.MM),
    **dict.fromkeys(("cm", "centimetre", "centimeter", "centimetres", "centimeters"), MarkUnit.CM),
    **dict.fromkeys(("in", "inch", "inches"), MarkUnit.IN),
}
_KIND_WORDS: Mapping[str, MarkKind] = {
    **dict.fromkeys(
        ("", "top", "tops", "topof", "height", "heightof", "topheight", "mark", "level", "line"),
        MarkKind.TOP,
    ),
    **dict.fromkeys(
        ("thickness", "thicknessof", "thick", "layer", "layerthickness", "layerthick", "band"),
        MarkKind.THICKNESS,
    ),
}


def _heading(cell: str, where: str) -> _Heading | None:
    """Understand a column's heading; None when it is none of ours."""
    plain = re.sub(r"[^a-z]", "", re.sub(r"[\"″”]", " in ", cell.casefold()))
    if plain in _BY_ALIAS:
        return _Heading(_BY_ALIAS[plain])
    layers = [layer for layer in LAYERS if layer in plain]
    if len(layers) != 1 or plain.removeprefix(layers[0]) in {"sd", "sdmm"}:
        return None
    rest = plain.replace(layers[0], "", 1)
    ending = max((w for w in _UNIT_WORDS if rest.endswith(w)), key=len, default="")
    words = rest.removesuffix(ending)
    kind = _KIND_WORDS.get(words) or _KIND_WORDS.get(words.removesuffix("in"))
    if kind is None:
        msg = (
            f"{where}: the heading '{shown(cell)}' is not understood; write for "
            f"example {layers[0]}_mm for its top, or {layers[0]}_thickness_mm."
        )
        raise TableError(msg)
    return _Heading(layers[0], kind, _UNIT_WORDS.get(ending))


def _checked_kind(columns: Sequence[_Heading | None], where: str) -> MarkKind:
    """Require each column once and one kind of numbers, and say which kind."""
    keys = [h.key for h in columns if h is not None]
    check_columns(keys, where, needed=("jar", *LAYERS), example=_EXAMPLE)
    kinds = {h.kind for h in columns if h is not None and h.kind is not None}
    if len(kinds) > 1:
        msg = f"{where} mixes heights and thicknesses; give one kind for all three."
        raise TableError(msg)
    return kinds.pop()


def _cells(columns: Sequence[_Heading | None], row: Sequence[str]) -> dict[str, str]:
    return {h.key: cell for h, cell in zip(columns, row, strict=False) if h is not None}


# --- one row ------------------------------------------------------------------------------------


def _mark(
    row: Mapping[str, str],
    units: Mapping[str, MarkUnit | None],
    kind: MarkKind,
    *,
    line: int,
    where: str,
) -> HandMark:
    """Understand the cells of a row."""
    jar = jar_of(row, where)
    of_row = _unit_of_row(row.get("unit", ""), where)
    lengths = [
        _length(row.get(layer, ""), units[layer] or of_row, f"{where}, {layer}") for layer in LAYERS
    ]
    used = {unit for mm, unit in lengths if mm == mm}
    sand, silt, clay = (mm for mm, _ in lengths)
    return HandMark(
        jar=jar[:_LONGEST_NAME],
        reader=" ".join(row.get("reader", "").split())[:_LONGEST_NAME],
        entered_mm=(sand, silt, clay),
        kind=kind,
        unit=used.pop() if len(used) == 1 else None,
        line=line,
    )


def _unit_of_row(text: str, where: str) -> MarkUnit | None:
    word = text.casefold().strip(" .")
    if word and word not in _UNIT_WORDS:
        msg = f"{where}: '{shown(text)}' is not a unit for marks; write mm, cm or in."
        raise TableError(msg)
    return _UNIT_WORDS.get(word)


def _length(cell: str, unit: MarkUnit | None, where: str) -> tuple[float, MarkUnit | None]:
    """Read a length [mm]; a unit in the cell goes before the heading's."""
    if not cell or cell in {"-", "–", "—", "?"} or cell.casefold() in {"na", "n/a"}:
        return nan, None
    written = re.search(r"(?:[a-z]+|\"|″|”)\.?\s*$", cell.casefold())
    word = re.sub(r"[\"″”]", "in", written[0]).strip(" .") if written else ""
    if not word and unit is None:
        msg = f"{where}: '{shown(cell)}' has no unit; put it in the heading, such as sand_mm."
        raise TableError(msg)
    try:
        mm = length_mm(cell, default_unit=unit.symbol if unit else None)
    except (UsageError, ValueRefusedError):
        msg = f"{where}: '{shown(cell)}' is not a length; write a number, such as 32 or 1 1/4."
        raise TableError(msg) from None
    if not mm <= _HIGHEST_MM:
        msg = f"{where}: '{shown(cell)}' is higher than any jar; check the number and its unit."
        raise TableError(msg)
    return mm, _UNIT_WORDS.get(word) if word else unit


def _key(mark: HandMark) -> tuple[str, str]:
    return jar_key(mark.jar), mark.reader.casefold()


def _called(mark: HandMark) -> str:
    by = f" by {shown(mark.reader)}" if mark.reader else ""
    return f"Jar {shown(mark.jar)}{by}"
