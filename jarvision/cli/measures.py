"""Measures typed on the command line: lengths and temperatures, with or without their unit."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from jarvision.core.errors import UsageError

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
        It is no temperature, or none that water in a jar has; what may be °F is asked about.
    """
    from jarvision.core.units import plain
    from jarvision.estimate.water import check_temperature

    found = _TEMPERATURE.fullmatch(str(text).strip().casefold())
    if not found:
        msg = f"'{plain(str(text))}' is not a temperature; write it like 20 C or 68 F."
        raise UsageError(msg)
    value, unit = float(found[1].replace(",", ".")), (found[2] or "")[:1]
    if unit == "f":
        return (value - 32.0) / 1.8
    return check_temperature(value)


TempOption = Annotated[
    float | None,
    typer.Option(help="Water temperature, e.g. 20C or 68F.", parser=celsius, metavar="DEGREES"),
]
WaterHeight = Annotated[
    float | None,
    typer.Option(
        help="Height of the water above the inside floor, in mm, or e.g. 4.5in.",
        parser=millimetres,
        metavar="LENGTH",
    ),
]
SoilHeight = Annotated[
    float | None,
    typer.Option(
        help="Height of the dry soil before water, in mm, or e.g. 1.5in.",
        parser=millimetres,
        metavar="LENGTH",
    ),
]
