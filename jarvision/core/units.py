"""Metric and US units: reading what a gardener types, printing ranges with no false decimals.

Inside the code lengths are in millimetres, areas in square metres, and so on as the names say;
units of the user's choice appear only in text, one system a line.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.errors import UsageError, ValueRefusedError


class UnitSystem(StrEnum):
    """The units that a text is written in."""

    METRIC = "metric"
    US = "us"


class Quantity(StrEnum):
    """What is measured; the value is the unit that the code holds it in."""

    WATER_DEPTH = "water_mm"
    SOIL_DEPTH = "depth_mm"
    ROOT_DEPTH = "root_mm"
    AREA = "area_m2"
    VOLUME = "volume_m3"
    LOOSE_VOLUME = "loose_m3"
    WATER_VOLUME = "water_l"
    MASS = "mass_kg"
    AVAILABLE_WATER = "available_mm_per_m"
    RATE = "rate_mm_per_h"
    DAILY = "daily_mm_per_day"


@dataclass(frozen=True, slots=True)
class Unit:
    """A printed unit: `per_base` of them make one unit of the code."""

    label: str
    per_base: float


_MM_PER_IN = 25.4
_M_PER_FT = 0.3048
_M3_PER_YD3 = (3 * _M_PER_FT) ** 3
_L_PER_GAL = 231 * 2.54**3 / 1000
_KG_PER_LB = 0.45359237

# Exact by definition: international inch, foot and pound 1959; US gallon of 231 cubic inches.
_UNITS: dict[tuple[Quantity, UnitSystem], Unit] = {
    (Quantity.WATER_DEPTH, UnitSystem.METRIC): Unit("mm", 1.0),
    (Quantity.WATER_DEPTH, UnitSystem.US): Unit("in", 1 / _MM_PER_IN),
    (Quantity.SOIL_DEPTH, UnitSystem.METRIC): Unit("cm", 0.1),
    (Quantity.SOIL_DEPTH, UnitSystem.US): Unit("in", 1 / _MM_PER_IN),
    (Quantity.ROOT_DEPTH, UnitSystem.METRIC): Unit("m", 0.001),
    (Quantity.ROOT_DEPTH, UnitSystem.US): Unit("ft", 0.001 / _M_PER_FT),
    (Quantity.AREA, UnitSystem.METRIC): Unit("m²", 1.0),
    (Quantity.AREA, UnitSystem.US): Unit("sq ft", 1 / _M_PER_FT**2),
    (Quantity.VOLUME, UnitSystem.METRIC): Unit("m³", 1.0),
    (Quantity.VOLUME, UnitSystem.US): Unit("cu yd", 1 / _M3_PER_YD3),
    (Quantity.LOOSE_VOLUME, UnitSystem.METRIC): Unit("litres", 1000.0),
    (Quantity.LOOSE_VOLUME, UnitSystem.US): Unit("cu ft", _M_PER_FT**-3),
    (Quantity.WATER_VOLUME, UnitSystem.METRIC): Unit("litres", 1.0),
    (Quantity.WATER_VOLUME, UnitSystem.US): Unit("gallons", 1 / _L_PER_GAL),
    (Quantity.MASS, UnitSystem.METRIC): Unit("kg", 1.0),
    (Quantity.MASS, UnitSystem.US): Unit("lb", 1 / _KG_PER_LB),
    (Quantity.AVAILABLE_WATER, UnitSystem.METRIC): Unit("mm/m", 1.0),
    (Quantity.AVAILABLE_WATER, UnitSystem.US): Unit("in/ft", _M_PER_FT / _MM_PER_IN),
    (Quantity.RATE, UnitSystem.METRIC): Unit("mm/h", 1.0),
    (Quantity.RATE, UnitSystem.US): Unit("in/h", 1 / _MM_PER_IN),
    (Quantity.DAILY, UnitSystem.METRIC): Unit("mm a day", 1.0),
    (Quantity.DAILY, UnitSystem.US): Unit("in a day", 1 / _MM_PER_IN),
}


@dataclass(frozen=True, slots=True)
class Span:
    """A range in the unit that its owner names; `mid` is the likely value; NaN when unknown."""

    low: float
    mid: float
    high: float

    def times(self, factor: float) -> Span:
        """Multiply the three numbers, as for another unit."""
        return Span(self.low * factor, self.mid * factor, self.high * factor)

    @property
    def known(self) -> bool:
        """Whether both ends are numbers."""
        return math.isfinite(self.low) and math.isfinite(self.high)


def span_of(draws: ArrayLike) -> Span:
    """Take the middle 90 % of some draws, with their median.

    Parameters
    ----------
    draws : array_like
        Any shape and unit; NaN draws (outside a calculation's scope) are left out.

    Returns
    -------
    Span
        All NaN when no draw is a number.
    """
    values = np.asarray(draws, dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return Span(math.nan, math.nan, math.nan)
    low, mid, high = np.quantile(values, (0.05, 0.5, 0.95))
    return Span(float(low), float(mid), float(high))


def unit_of(quantity: Quantity, system: UnitSystem) -> Unit:
    """Look up how a quantity is printed in a system."""
    return _UNITS[quantity, system]


def _step(width: float) -> float:
    """Round to about a fifth of a range's width: finer digits would be false."""
    if not width > 0:
        return 0.0
    power: float = 10.0 ** math.floor(math.log10(width / 5))
    return 5 * power if width / 5 >= 5 * power else power


def decimals_of(step: float) -> int:
    """Tell how many decimals numbers take that lie such a step apart, or multiples of it."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


def _round_to(value: float, step: float) -> str:
    if step == 0:
        return f"{value:.2g}" if 0 < abs(value) < 100 else f"{value:.0f}"
    return f"{round(value / step) * step:,.{decimals_of(step)}f}"


def _same_digits(texts: list[str]) -> list[str]:
    """Drop zeros that end all the numbers of a line: 1.30–1.70 becomes 1.3–1.7."""
    while all("." in t and t.endswith("0") for t in texts):
        texts = [t[:-1].rstrip(".") for t in texts]
    return texts


def range_text(low: float, high: float) -> str:
    """Print a plain range such as ``9–19``, in steps that suit its width.

    >>> range_text(9.31, 18.74)
    '9–19'
    >>> range_text(1.3, 1.7)
    '1.3–1.7'
    """
    step = _step(high - low)
    first, last = _same_digits([_round_to(low, step), _round_to(high, step)])
    return first if first == last else f"{first}–{last}"


def about_text(span: Span) -> str:
    """Print a likely value with its range, such as ``14 (9–19)``."""
    step = _step(span.high - span.low)
    texts = [_round_to(v, step) for v in (span.low, span.mid, span.high)]
    low, mid, high = _same_digits(texts)
    return mid if low == high else f"{mid} ({low}–{high})"


def show_range(span: Span, quantity: Quantity, system: UnitSystem) -> str:
    """Print a range with its unit, such as ``9–19 mm``; ``unknown`` where it is NaN."""
    if not span.known:
        return "unknown"
    unit = unit_of(quantity, system)
    return f"{range_text(span.low * unit.per_base, span.high * unit.per_base)} {unit.label}"


def show_about(span: Span, quantity: Quantity, system: UnitSystem) -> str:
    """Print a likely value with its range and unit, such as ``14 (9–19) mm``."""
    if not span.known:
        return "unknown"
    unit = unit_of(quantity, system)
    return f"{about_text(span.times(unit.per_base))} {unit.label}"


def show(value: float, quantity: Quantity, system: UnitSystem, *, digits: int = 3) -> str:
    """Print one number that is given or follows from what is given, with its unit."""
    unit = unit_of(quantity, system)
    number = value * unit.per_base
    if not math.isfinite(number):
        return "unknown"
    places = digits - 1 - (math.floor(math.log10(abs(number))) if number else 0)
    text = f"{round(number, places):,.{max(0, places)}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit.label}"


_THIRTY_SECONDS = 32


def inches_text(mm: float) -> str:
    """Print a length in inches as a tape shows it, to 1/32, without its unit.

    >>> inches_text(46.0), inches_text(101.6), inches_text(0.3)
    ('1 13/16', '4', '1/64')
    """
    if not math.isfinite(mm):
        return "unknown"
    parts = round(abs(mm) / _MM_PER_IN * _THIRTY_SECONDS)
    if parts == 0:
        return "1/64" if mm else "0"
    whole, rest = divmod(parts, _THIRTY_SECONDS)
    common = math.gcd(rest, _THIRTY_SECONDS)
    fraction = f"{rest // common}/{_THIRTY_SECONDS // common}" if rest else ""
    sign = "−" if mm < 0 else ""
    return sign + " ".join(filter(None, [str(whole) if whole else "", fraction]))


def plain(text: str, *, limit: int = 60) -> str:
    """Keep what can be printed of a user's text: no control characters, not too long."""
    kept = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return kept if len(kept) <= limit else f"{kept[: limit - 1]}…"


_LENGTH_MM = {
    1.0: ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    10.0: ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    1000.0: ("m", "metre", "metres", "meter", "meters"),
    _MM_PER_IN: ("in", "inch", "inches", '"', "''"),
    12 * _MM_PER_IN: ("ft", "foot", "feet", "'"),
    36 * _MM_PER_IN: ("yd", "yard", "yards"),
}
_LENGTH_UNITS = {name: mm for mm, names in _LENGTH_MM.items() for name in names}
_AREA_M2 = {
    10_000.0: ("ha", "hectare", "hectares"),
    43_560 * _M_PER_FT**2: ("acre", "acres"),
}
_LARGEST_M2 = 1e7  # 1,000 hectares; more is a slip
_AREA_UNITS = {name: m2 for m2, names in _AREA_M2.items() for name in names}
_US_LENGTHS = frozenset({"in", "inch", "inches", '"', "''", "ft", "foot", "feet", "'", "yd"})
_HALVES = {"½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅓": " 1/3", "⅔": " 2/3", "⅛": " 1/8"}
_SIGNS = str.maketrans({"″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "−": "-", "×": "x"})
_NUMBER = r"[-+]?(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
_TERM = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\d\s].*?)?\s*")


def _tidy(text: str) -> str:
    for sign, fraction in _HALVES.items():
        text = text.replace(sign, fraction)
    return text.translate(_SIGNS).strip().casefold()


def _number(text: str) -> float:
    """Read ``2``, ``2.5``, ``2,5``, ``1/2`` or ``1 1/2``."""
    if re.fullmatch(r"[-+]?\d{1,3},\d{3}", text):
        msg = f"'{text}' could be read in two ways; write the number without the comma."
        raise UsageError(msg)
    whole, _, fraction = text.strip().rpartition(" ")
    top, slash, bottom = fraction.partition("/")
    part = float(top.replace(",", ".")) / (float(bottom) if slash else 1.0)
    return part + (math.copysign(float(whole), float(whole)) if whole.strip() else 0.0)


def _split(text: str, example: str) -> tuple[float, str]:
    """Split a typed quantity into number and unit name (empty when there is none)."""
    found = _TERM.fullmatch(_tidy(text)) if len(text) <= 40 else None
    if found is None:
        msg = f"'{plain(text, limit=30)}' is not a number with a unit; write for example {example}."
        raise UsageError(msg)
    try:
        number = _number(found["number"])
    except ZeroDivisionError:
        msg = f"'{plain(text)}' divides by zero; write for example {example}."
        raise UsageError(msg) from None
    return number, (found["unit"] or "").rstrip(".").strip()


def length_mm(text: str, *, default_unit: str | None = None, name: str = "length") -> float:
    """Read a length such as ``2 in``, ``1 1/2"``, ``3.5cm``.

    Parameters
    ----------
    text : str
        Number and unit.
    default_unit : str, optional
        Unit of a number that comes without one; without it such a number is refused.
    name : str
        What the length is, for the message.

    Returns
    -------
    float
        Millimetres, 0 or more.

    Raises
    ------
    UsageError
        No number, no unit, or a unit that is not a length.
    ValueRefusedError
        The length is negative.
    """
    number, unit = _split(text, "'3 cm' or '1.2 in'")
    unit = unit or (default_unit or "")
    if not unit:
        msg = f"Say the unit of the {name} '{plain(text)}': for example '3 cm' or '1.2 in'."
        raise UsageError(msg)
    if unit not in _LENGTH_UNITS:
        msg = f"'{plain(unit)}' is not a length unit that I know; use mm, cm, m, in or ft."
        raise UsageError(msg)
    if number < 0:
        msg = f"The {name} '{plain(text)}' is negative; give it as 0 or more."
        raise ValueRefusedError(msg)
    return number * _LENGTH_UNITS[unit]


def _square_unit_m2(unit: str) -> float | None:
    """Square metres in one of an area unit, None when it is not an area."""
    if unit in _AREA_UNITS:
        return _AREA_UNITS[unit]
    squared = re.fullmatch(r"(?:sq\.?|square)\s*([a-z]+)|([a-z]+)\s*(?:\^?2|²)", unit)
    side = _LENGTH_UNITS.get(squared[1] or squared[2]) if squared else None
    return None if side is None else (side / 1000) ** 2


def _sides_m2(text: str) -> float | None:
    """Area of a bed given by its sides, as in ``10 ft x 4 ft``; None when it is not so given."""
    first, by, second = _tidy(text).partition("x")
    if not by:
        return None
    _, last_unit = _split(second, "'10 ft x 4 ft'")
    # One unit at the end, as in "10 x 4 ft", stands for both sides.
    sides = (length_mm(side, default_unit=last_unit, name="side") for side in (first, second))
    return math.prod(sides) / 1e6


def area_m2(text: str) -> float:
    """Read an area such as ``100 sqft``, ``9 m2``, ``0.5 acre``, ``10 x 4 ft``.

    Returns
    -------
    float
        Square metres, more than 0.

    Raises
    ------
    UsageError
        No number, no unit, or a unit that is not an area.
    ValueRefusedError
        The area is not more than 0.
    """
    area = _sides_m2(text)
    if area is None:
        number, unit = _split(text, "'100 sqft' or '9 m2'")
        area = number * _area_unit_m2(unit, text)
    if not 0 < area <= _LARGEST_M2:
        most = "be more than 0" if area <= 0 else "not be larger than a farm"
        msg = f"The area '{plain(text)}' must {most}; give for example '9 m2'."
        raise ValueRefusedError(msg)
    return area


def _area_unit_m2(unit: str, text: str) -> float:
    if not unit:
        msg = f"Say the unit of the area '{plain(text)}': for example '9 m2' or '100 sqft'."
        raise UsageError(msg)
    square_m2 = _square_unit_m2(unit)
    if square_m2 is None:
        msg = f"'{plain(unit)}' is not an area unit that I know; use m2, sqft, acre or ha."
        raise UsageError(msg)
    return square_m2


def system_of(text: str) -> UnitSystem:
    """Tell which system a typed quantity is in, from its unit: metric unless it is clearly US."""
    words = re.findall(r"[a-z]+|[\"']", re.sub(r"[²\d]", " ", _tidy(text)))
    us = _US_LENGTHS | {"acre", "acres", "sqft", "sqin", "sqyd", "yards", "yard"}
    return UnitSystem.US if any(word in us for word in words) else UnitSystem.METRIC
