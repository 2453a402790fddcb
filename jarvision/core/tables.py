"""Tables that people keep in a spreadsheet: read with patience, written so that none can do harm.

What cannot be understood is one sentence that names the line.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
import stat
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError
from jarvision.core.files import shown
from jarvision.core.text import plain_text

LARGEST_BYTES = 2_000_000
EXAMPLE_JAR = "example"
"""The jar of the one line in tables that are made to be filled in: read as if it were not there."""
_MOST_ROWS = 20_000
_LONGEST_CELL = 4_000


class TableError(UsageError):
    """A table that cannot be used."""

    name = "table_unusable"


def read_text(path: Path, *, what: str, most_bytes: int = LARGEST_BYTES) -> str:
    """Read a table's text as spreadsheets save it: UTF-8 or UTF-16, else Windows' Latin.

    Parameters
    ----------
    path : Path
    what : str
        What the file is, for the message: ``list of jars``.
    most_bytes : int
        A larger file is refused, and no more of it is read.

    Raises
    ------
    TableError
        The file cannot be opened, is no ordinary file, or is far too large.
    """
    name = shown(path.name)
    try:
        raw = first_bytes(path, most_bytes=most_bytes)
    except (OSError, ValueError):
        msg = f"The {what} {name} cannot be opened; check its name."
        raise TableError(msg) from None
    if len(raw) > most_bytes:
        msg = f"{name} is too large for a {what}; is it the right file?"
        raise TableError(msg)
    return decoded(raw)


def first_bytes(path: Path, *, most_bytes: int = LARGEST_BYTES) -> bytes:
    """Read an ordinary file, one byte more than is allowed at most; never wait for a pipe."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise FileNotFoundError
        return file.read(most_bytes + 1)


def parse_toml(text: str) -> dict[str, Any]:
    """Parse TOML.

    Raises
    ------
    TableError
        It is none; the message is the end of a sentence that begins with the file's name.
    """
    try:
        return tomllib.loads(text.replace("\r\n", "\n").replace("\r", "\n"))
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        where = f" on line {line[1]}" if line else ""
        msg = f"is not written as TOML{where}"
        raise TableError(msg) from None
    except RecursionError:
        msg = "has brackets in brackets without end"
        raise TableError(msg) from None
    except (ValueError, OverflowError, AttributeError):  # e.g. a number of 5,000 digits
        msg = "has a number or a date that cannot be"
        raise TableError(msg) from None


def decoded(raw: bytes) -> str:
    """Decode as spreadsheets save: UTF-8 or UTF-16 with or without a mark, else Windows' Latin."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace").removeprefix("\ufeff")
    if order := _byte_order(raw):
        return raw.decode(f"utf-16-{order}", "replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")


def _byte_order(raw: bytes) -> str:
    """Tell UTF-16 without a mark by its zero bytes: every other one where the text is Latin."""
    start = raw[:200]
    if len(raw) % 2 or len(start) < 4:
        return ""
    even, odd = start[::2].count(0), start[1::2].count(0)
    half = len(start) // 2
    if odd > 0.6 * half and not even:
        return "le"
    return "be" if even > 0.6 * half and not odd else ""


def rows(text: str, *, name: str, most_rows: int = _MOST_ROWS) -> Iterator[tuple[int, list[str]]]:
    """Split a text into rows of stripped cells with their line numbers; empty lines are left out.

    Parameters
    ----------
    text : str
        Cells separated by commas, semicolons or tabs, whichever the first line holds most of; a
        first line ``sep=;`` is understood.
    name : str
        How the file is called in messages.
    most_rows : int
        More rows than this are refused.

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
        if count > most_rows:
            msg = f"{name} has more than {most_rows} rows; give the right file."
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
        except csv.Error as error:
            raise TableError(_cannot_split(str(error), line, name)) from None
        yield line, [cell.strip()[:_LONGEST_CELL] for cell in row]


def _cannot_split(error: str, line: int, name: str) -> str:
    """Say why a line cannot be split into cells."""
    if "field limit" in error:
        return (
            f"Line {line} of {name} has a cell far too long, or a quotation mark that stands alone."
        )
    return f"Line {line} of {name} has a quotation mark without its other half; mend it."


def table_csv(head: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    """Write a table as CSV (RFC 4180: commas, CRLF, a header line); cells as they are given."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows(body)
    return out.getvalue()


def number_cell(value: float, decimals: int) -> str:
    """Print a number with fixed decimals; unknown is empty, and zero has no sign."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}" if math.isfinite(value) else ""


def odds_cell(odds: float) -> str:
    """Print odds to two decimals, but never as 0 or 1: no number of draws shows that."""
    return number_cell(min(max(odds, 0.01), 0.99), 2) if math.isfinite(odds) else ""


# what a spreadsheet passes over before the sign that makes a formula
_BEFORE_A_FORMULA = '\u200c\u200d "'
_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+([.][0-9]+)?")


def safe_cell(text: str) -> str:
    """Make a text safe in a cell: one line, and never what a spreadsheet takes for a formula."""
    words = plain_text(text)
    # some spreadsheets split at ";" whatever the file says, so that each part may become a cell
    return "".join(_unarmed(part) for part in re.split(r"(;)", words))


def _unarmed(part: str) -> str:
    """Put a mark before what begins as a formula; full-width signs count, plain numbers do not."""
    first = unicodedata.normalize("NFKC", part.lstrip(_BEFORE_A_FORMULA)[:1])
    is_formula = first.startswith(("=", "+", "-", "@")) and not _PLAIN_NUMBER.fullmatch(part)
    return f"'{part}" if is_formula else part
