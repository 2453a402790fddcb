"""Measures typed on the command line: lengths and temperatures, with or without their unit."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from jarvision.core.errors import UsageError

_WARMER_THAN_WATER_C = 45.0
"""A bare number above this is taken for degrees Fahrenheit, and asked about."""
_TEMPERATURE = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*(?:°|deg(?:rees?)?)?\s*(c|celsius|f|fahrenheit)?")


def millimetres(text: str) -> float:
    """Read a length such as ``110``, ``4in``, ``11 cm`` or ``4 1/4 in``; bare numbers are mm.

    Raises
    ------
    UsageError
        It is no length.
    """
    from jarvision.core.units import length_mm

    return length_mm(str(text), default_unit="mm")


def celsius(text: str) -> float:
    """Read a water temperature such as ``20``, ``20 C`` or ``68F``; bare numbers are °C.

    Raises
    ------
    UsageError
        It is no temperature, or a bare number that only makes sense in °F.
    """
    from jarvision.core.units import plain

    found = _TEMPERATURE.fullmatch(str(text).strip().casefold())
    if not found:
        msg = f"'{plain(str(text))}' is not a temperature; write it like 20 C or 68 F."
        raise UsageError(msg)
    value, unit = float(found[1].replace(",", ".")), (found[2] or "")[:1]
    if unit == "f":
        return (value - 32.0) / 1.8
    if not unit and value > _WARMER_THAN_WATER_C:
        msg = f"Water of {value:g} °C? If you mean {value:g} °F, write {value:g}F."
        raise UsageError(msg)
    return value


TempOption = Annotated[
    float | None,
    typer.Option(help="Water temperature, e.g. 20 (°C) or 68F.", parser=celsius, metavar="20C"),
]
WaterHeight = Annotated[
    float | None,
    typer.Option(
        help="Height of the water above the inside floor, in mm, or e.g. 4.5in.",
        parser=millimetres,
        metavar="MM",
    ),
]
SoilHeight = Annotated[
    float | None,
    typer.Option(
        help="Height of the dry soil before water, in mm, or e.g. 1.5in.",
        parser=millimetres,
        metavar="MM",
    ),
]
