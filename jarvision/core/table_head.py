"""The first line of a table: which column each heading means, and the cells that stand under it."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol, TypeAlias, TypeVar

from jarvision.core.files import shown
from jarvision.core.tables import TableError

Column: TypeAlias = "tuple[str, str]"
"""Our name for a column, and the unit of its bare numbers; both are empty where not known."""


class _JarRow(Protocol):
    @property
    def jar(self) -> str: ...
    @property
    def line(self) -> int: ...


Row = TypeVar("Row", bound=_JarRow)


@dataclass(frozen=True)
class KnownColumns:
    """The columns that a table may have.

    Attributes
    ----------
    called : mapping of str to tuple of str
        What each may be called, compared without capitals, spaces and signs.
    units : mapping of str to tuple of str
        Units that may stand in brackets or at the end of a heading ("area_sqft", "depth (cm)") and
        go to the numbers that have none.
    bare : str
        Pattern of numbers that have none.
    """

    called: Mapping[str, tuple[str, ...]]
    units: Mapping[str, tuple[str, ...]]
    bare: str

    @cached_property
    def by_alias(self) -> dict[str, str]:
        """Our names by what columns may be called."""
        return {alias: column for column, known in self.called.items() for alias in known}

    def of(self, cell: str) -> Column:
        """Find which column a heading means, and the unit that it gives."""
        words = cell.casefold().replace("²", "2").replace("%", "pct")
        plain = re.sub(r"[^a-z0-9]", "", words)
        if plain in self.by_alias:
            return self.by_alias[plain], ""
        endings = {unit for units in self.units.values() for unit in units if plain.endswith(unit)}
        for unit in sorted(endings, key=len, reverse=True):
            column = self.by_alias.get(plain.removesuffix(unit), "")
            if unit in self.units.get(column, ()):
                return column, unit
        return "", ""

    def cells(self, columns: Sequence[Column], row: Sequence[str]) -> dict[str, str]:
        """Name the cells of a row, the heading's unit added to bare numbers."""
        named = {}
        for (column, unit), cell in zip(columns, row, strict=False):
            value = cell.strip()
            if column:
                bare = unit and re.fullmatch(self.bare, value)
                named[column] = f"{value} {unit}" if bare else value
        return named


def first_line(
    lines: Iterator[tuple[int, list[str]]], *, name: str, example: str
) -> tuple[int, list[str]]:
    """Take the line that names the columns from what `tables.rows` gives.

    Raises
    ------
    TableError
        There is none; the sentence gives an example of such a line.
    """
    for line in lines:
        return line
    msg = f"{name} is empty; its first line names the columns, such as {example}."
    raise TableError(msg)


def check_columns(
    found: Sequence[str], where: str, *, needed: Sequence[str] = ("jar",), example: str
) -> None:
    """Require that columns are there, and none of those that are known twice.

    Raises
    ------
    TableError
        One is missing, or stands twice.
    """
    missing = next((column for column in needed if column not in found), None)
    if missing:
        msg = f"{where} names no column '{missing}'; write for example {example}."
        raise TableError(msg)
    twice = next((column for column in found if column and found.count(column) > 1), None)
    if twice:
        msg = f"{where} names the column '{twice}' twice; keep one of them."
        raise TableError(msg)


def jar_of(row: Mapping[str, str], where: str) -> str:
    """Give the jar of which a row speaks.

    Raises
    ------
    TableError
        It does not say.
    """
    if jar := row.get("jar", ""):
        return jar
    msg = f"{where} does not say which jar it is; fill in the column 'jar'."
    raise TableError(msg)


def without_doubles(
    found: Iterable[Row],
    key: Callable[[Row], Hashable],
    name: str,
    *,
    called: Callable[[Row], str] = lambda row: f"Jar {shown(row.jar)}",
    way_out: str = "keep one of them",
) -> Iterator[Row]:
    """Pass on the rows of a table, of which no two may have one key.

    Raises
    ------
    TableError
        Two have; the sentence names their lines.
    """
    seen: dict[Hashable, Row] = {}
    for row in found:
        earlier = seen.setdefault(key(row), row)
        if earlier is not row:
            lines = f"lines {earlier.line} and {row.line} of {name}"
            msg = f"{called(row)} stands on {lines}; {way_out}."
            raise TableError(msg)
        yield row
