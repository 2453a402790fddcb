"""What stands in one cell of the list of jars: a date, a length, a number, photos.

Each function takes a cell's text and where it stands; what cannot be understood is one sentence.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from math import isfinite

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.moments import WRITE_IT, moment_of, seconds_of
from jarvision.core.tables import TableError
from jarvision.core.units import length_mm
from jarvision.estimate.known import TALLEST_SOIL_MM, JarFacts, WaterState
from jarvision.estimate.water import check_temperature

LONGEST_NAME = 300  # as in the jars' own files
HEAVIEST_G = 5_000.0
_MOST_PATTERNS = 200
_LONGEST_RANGE = 2_000
_LONGEST_VALUE = 60  # longer is no number and no date
_TALLEST_MM = 1_000.0


def refuse_long(row: Mapping[str, str], where: str) -> None:
    """Refuse what is far longer than any number or date before anything is looked for in it."""
    for column, text in row.items():
        if column not in _TEXTS and len(text) > _LONGEST_VALUE:
            msg = f"{where}: '{shown(text)}' is too long for {column.replace('_', ' ')}; check it."
            raise TableError(msg)


_TEXTS = {"jar", "name", "bed", "patterns"}


def moment(text: str, where: str) -> datetime | None:
    """Read a day and a time, as `moment_of` does."""
    if not text:
        return None
    try:
        return moment_of(text, is_past=True)
    except ValueError:
        msg = f"{where}: '{shown(text)}' is not a day and a time; {WRITE_IT}."
        raise TableError(msg) from None


def duration(text: str, where: str, *, least: float = 0.0) -> float | None:
    """Read a time such as ``20 s``, ``1.5 min`` or ``2 h`` [s]; bare numbers are seconds."""
    if not text:
        return None
    try:
        value_s = seconds_of(text)
    except ValueError:
        value_s = -1.0
    if value_s < least:
        msg = f"{where}: '{shown(text)}' is no time since shaking; write 20 s, 1.5 min or 2 h."
        raise TableError(msg)
    return value_s


def temperature(text: str, where: str) -> float | None:
    """Read a temperature in degrees Celsius or, where it says so, Fahrenheit."""
    if not text:
        return None
    parts = re.fullmatch(
        r"([-+]?\d+(?:[.,]\d+)?)\s*(?:°|deg\.?)?\s*(c|f|celsius|fahrenheit)?", text.casefold()
    )
    if parts is None:
        msg = f"{where}: '{shown(text)}' is not a temperature; write for example 20."
        raise TableError(msg)
    value = float(parts[1].replace(",", "."))
    temp_c = (value - 32) / 1.8 if (parts[2] or "c").startswith("f") else value
    try:
        check_temperature(temp_c)
    except ValueRefusedError as error:
        msg = f"{where}: {error}"
        raise TableError(msg) from None
    return temp_c


def height(text: str, where: str, *, most_mm: float = _TALLEST_MM) -> float | None:
    """Read a length [mm]; a number without a unit is in millimetres."""
    if not text:
        return None
    try:
        mm = length_mm(text, default_unit="mm")
    except (UsageError, ValueRefusedError):
        mm = float("nan")
    if not 0 < mm <= most_mm:
        msg = f"{where}: '{shown(text)}' is not a length in a jar; write for example 60 or 6 cm."
        raise TableError(msg)
    return mm


def number(text: str, where: str, most: float, *, least: float = 1e-3) -> float | None:
    """Read a number between `least` and `most`, with ``%`` or grams behind it or not."""
    plain = re.sub(r"\s*(?:%|g|grams?)$", "", text.casefold()).replace(",", ".")
    if not plain:
        return None
    is_number = re.fullmatch(r"[-+]?\d+(?:\.\d+)?", plain)
    value = float(plain) if is_number else float("nan")
    if not (isfinite(value) and least <= value <= most):
        msg = f"{where}: '{shown(text)}' is not a number up to {most:g}; check it."
        raise TableError(msg)
    return value


def state(text: str, where: str) -> WaterState | None:
    """Read a word for the water's state."""
    if not text:
        return None
    try:
        return WaterState(text.casefold())
    except ValueError:
        msg = f"{where}: '{shown(text)}' is no state of the water; write clear, hazy or cloudy."
        raise TableError(msg) from None


def patterns(text: str, where: str) -> tuple[str, ...]:
    """Split the photos' cell, and write out ranges such as ``IMG_1201 to IMG_1206``."""
    parts = [part.strip() for part in re.split(r"[;|,\n]", text) if part.strip()]
    out: list[str] = []
    for part in parts:
        out += _range(part, where)
        if len(out) > _MOST_PATTERNS + _LONGEST_RANGE:
            msg = f"{where} names too many photos; use a pattern such as jar5*."
            raise TableError(msg)
    return tuple(out)


# Anchored at the first digit of a run and at the end, so that no text takes longer than its length.
_RANGE_END = re.compile(r"(?<![0-9])([0-9]{1,12})(\.\w{1,12})?$", re.ASCII)


def _range(part: str, where: str) -> list[str]:
    """Write out a range of photos; what is none comes back as it is."""
    ends = re.split(r"\s(?:to|\.\.)\s", part) if len(part) <= LONGEST_NAME else []
    first, last = (
        (_RANGE_END.search(end.strip()) for end in ends) if len(ends) == 2 else (None, None)
    )
    if first is None or last is None:
        return [part]
    stem, ending = ends[0].strip()[: first.start()], first[2] or ""
    last_stem = ends[1].strip()[: last.start()]
    same = last_stem.casefold() in {stem.casefold(), ""} and (last[2] or "") == ending
    count = int(last[1]) - int(first[1]) if same else -1
    if not 0 <= count < _LONGEST_RANGE:
        msg = f"{where}: '{shown(part)}' is not a range of photos; write IMG_1201 to IMG_1206."
        raise TableError(msg)
    width = len(first[1])
    return [f"{stem}{int(first[1]) + i:0{width}d}{ending}" for i in range(count + 1)]


def check_facts(facts: JarFacts) -> None:
    """Refuse what no jar has among the options that hold for all jars, as a cell would be.

    Raises
    ------
    UsageError
        A number is none or lies outside its range; the sentence names the option.
    """
    if facts.temp_c is not None:
        check_temperature(facts.temp_c)
    for option, value, least, most in (
        ("--water-mm", facts.water_mm, 1.0, _TALLEST_MM),
        ("--soil-mm", facts.soil_mm, 1.0, TALLEST_SOIL_MM),
        ("--soil-g", facts.soil_g, 1.0, HEAVIEST_G),
        ("--om", facts.organic_matter_pct, 0.0, 100.0),
    ):
        if value is not None and not least <= value <= most:
            msg = f"{option} must lie between {least:g} and {most:g}, not {value:g}; check it."
            raise UsageError(msg)
