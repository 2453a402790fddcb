"""Tables that people keep in a spreadsheet: read with patience, written so that none can do harm.

What cannot be understood is one sentence that names the line.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from jarvision.core.errors import UsageError
from jarvision.core.files import shown
from jarvision.core.text import plain_text

LARGEST_BYTES = 2_000_000
_MOST_ROWS = 20_000
_LONGEST_CELL = 4_000


class TableError(UsageError):
    """A table that cannot be used."""

    name = "table_unusable"


def read_text(path: Path, *, what: str) -> str:
    """Read a table's text as spreadsheets save it: UTF-8 or UTF-16, else Windows' Latin.

    Parameters
    ----------
    path : Path
    what : str
        What the table is, for the message: ``list of jars``.

    Raises
    ------
    TableError
        The file cannot be opened, is no ordinary file, or is far too large.
    """
    name = shown(path.name)
    try:
        raw = first_bytes(path)
    except (OSError, ValueError):
        msg = f"The {what} {name} cannot be opened; check its name."
        raise TableError(msg) from None
    if len(raw) > LARGEST_BYTES:
        msg = f"{name} is too large for a {what}; is it the right file?"
        raise TableError(msg)
    return decoded(raw)


def first_bytes(path: Path) -> bytes:
    """Read an ordinary file, one byte more than is allowed at most."""
    if not path.is_file():
        raise FileNotFoundError
    with path.open("rb") as file:
        return file.read(LARGEST_BYTES + 1)


def decoded(raw: bytes) -> str:
    """Decode as spreadsheets save: UTF-8 or UTF-16 with or without a mark, else Windows' Latin."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")


def rows(text: str, *, name: str) -> Iterator[tuple[int, list[str]]]:
    """Split a text into rows of stripped cells with their line numbers; empty lines are left out.

    Parameters
    ----------
    text : str
        Cells separated by commas, semicolons or tabs, whichever the first line holds most of; a
        first line ``sep=;`` is understood.
    name : str
        How the file is called in messages.

    Yields
    ------
    line : int
        Number of the row's first line, from 1.
    cells : list of str

    Raises
    ------
    TableError
        It is no table of text, a quotation mark stands alone, or it is far too long.
    """
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        msg = f"{name} is not a table of text; save it as CSV."
        raise TableError(msg)
    said = re.match(r"sep=(.)[ \t]*(?:\r\n|\r|\n)", text, re.IGNORECASE)
    body = text[said.end() :] if said else text
    separator = said[1] if said else _separator(body)
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
    count = 0
    for line, cells in _numbered(reader, name, skipped=1 if said else 0):
        if not any(cells):
            continue
        count += 1
        if count > _MOST_ROWS:
            msg = f"{name} has more than {_MOST_ROWS} rows; is it the right file?"
            raise TableError(msg)
        yield line, cells


def _separator(body: str) -> str:
    """Take the sign that stands most often in the first line that is not empty."""
    first = next((line for line in body.splitlines() if line.strip()), "")
    return max(",;\t", key=first.count)


def _numbered(reader: csv._reader, name: str, *, skipped: int) -> Iterator[tuple[int, list[str]]]:  # type: ignore[name-defined, unused-ignore]
    while True:
        line = reader.line_num + 1 + skipped
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error:
            msg = f"Line {line} of {name} has a quotation mark without its other half; mend it."
            raise TableError(msg) from None
        yield line, [cell.strip()[:_LONGEST_CELL] for cell in row]


def table_csv(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    """Write a table as CSV (RFC 4180: commas, CRLF, a header line); cells as they are given."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows(body)
    return out.getvalue()


_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.][0-9]+)?")


def safe_cell(text: str) -> str:
    """Make a text safe in a cell: one line, and never what a spreadsheet takes for a formula."""
    words = plain_text(text)
    first = unicodedata.normalize("NFKC", words.lstrip("\u200c\u200d ")[:1])
    is_formula = first.startswith(("=", "+", "-", "@")) and not _PLAIN_NUMBER.fullmatch(words)
    return f"'{words}" if is_formula else words
