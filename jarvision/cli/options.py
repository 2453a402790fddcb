"""Options of `read` that say what is known of the jars besides their photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision.core.errors import UsageError

if TYPE_CHECKING:
    from jarvision.core.units import UnitSystem
    from jarvision.estimate.known import JarFacts, WaterState

UnitsOption = Annotated[
    str | None, typer.Option(help="Units of what is said: metric or us.", metavar="SYSTEM")
]
WaterOption = Annotated[
    str,
    typer.Option(
        help="The water at the last photo: clear, hazy or cloudy.",
        metavar="STATE",
        show_default=False,
    ),
]
ReadingsOption = Annotated[
    Path, typer.Option(help="Folder that `read` wrote, for --jar.", metavar="FOLDER")
]
CropOption = Annotated[
    list[str] | None, typer.Option(help="A crop; may be given again.", metavar="NAME")
]
DetergentOption = Annotated[
    str,
    typer.Option(
        help="What went into the water: powder (for dishwashers), none, liquid-soap (keeps no "
        "clay apart), washing-soda or polyphosphate.",
        metavar="KIND",
    ),
]
OriginOption = Annotated[
    str,
    typer.Option(
        help="Where the soil is from: topsoil, or anywhere for mixtures and subsoils.",
        metavar="PLACE",
    ),
]
SandOption = Annotated[
    float | None,
    typer.Option(
        help="Of the soil put in: what stays in a 0.05 mm sieve when it is washed, dry, in g.",
        metavar="GRAMS",
    ),
]
SedimentOption = Annotated[
    float | None,
    typer.Option(
        help="Of the soil put in: what stayed when the clay was poured off, dry, in g.",
        metavar="GRAMS",
    ),
]
HydrometerOption = Annotated[
    str,
    typer.Option(
        help="Times and readings of a 152H hydrometer in a cylinder of its own, e.g. "
        '"40 s 23; 7 h 12".',
        metavar="READINGS",
    ),
]
HydrometerSoilOption = Annotated[
    float | None,
    typer.Option(help="Dry soil in the hydrometer's cylinder, in g.", metavar="GRAMS"),
]
HydrometerBlankOption = Annotated[
    float,
    typer.Option(
        help="The hydrometer in water with the same powder and no soil, in g/L.", metavar="READING"
    ),
]
SpoonOption = Annotated[
    str,
    typer.Option(
        help="A spoon of the jar's water, dried: time, depth, volume, dry weight, e.g. "
        '"8 h, 50 mm, 10 ml, 0.12 g".',
        metavar="SPOON",
    ),
]
ReferenceOption = Annotated[
    str,
    typer.Option(
        help="A jar of this garden whose texture a laboratory told: a .toml file, or its name "
        "beside the photos; see calibration/references/template.toml.",
        metavar="FILE",
    ),
]


def unit_system(text: str | None) -> UnitSystem | None:
    """Read which units are wanted; None where nothing is said."""
    from jarvision.core.units import UnitSystem

    if text is None:
        return None
    try:
        return UnitSystem(text.strip().casefold())
    except ValueError as error:
        msg = "Say --units metric or --units us."
        raise UsageError(msg) from error


def with_words(facts: JarFacts, *, water: str, detergent: str, origin: str, spoon: str) -> JarFacts:
    """Add what is said in words.

    Raises
    ------
    UsageError
        A word is not known.
    """
    from jarvision.estimate.topsoil import Origin
    from jarvision.run import measured_cells as cells

    return replace(
        facts,
        water_state=_water_state(water),
        detergent=cells.detergent(detergent, "--detergent"),
        origin=cells.origin(origin, "--origin") or Origin.TOPSOIL,
        spoon=cells.spoon(spoon, "--spoon"),
    )


def with_hydrometer(
    facts: JarFacts, readings: str, soil_g: float | None, blank_g_l: float
) -> JarFacts:
    """Add a hydrometer test, where there is one, at the water's temperature.

    Raises
    ------
    UsageError
        Its readings are not understood, or the grams of soil are missing.
    """
    from jarvision.estimate.dried import hydrometer_of
    from jarvision.run.measured_cells import hydrometer_readings

    found = hydrometer_readings(readings, "--hydrometer")
    test = hydrometer_of(found, soil_g, blank_g_l=blank_g_l, temp_c=facts.temp_c)
    return replace(facts, hydrometer=test)


def with_reference(facts: JarFacts, name: str, photos: Sequence[Path]) -> JarFacts:
    """Add what a reference jar tells, where one is named; its file may lie beside the photos.

    Raises
    ------
    UsageError
        There is no such reference, or it says what cannot be.
    """
    if not name.strip():
        return facts
    from jarvision.estimate.reference import find_reference, packing_of

    folders = dict.fromkeys(path if path.is_dir() else path.parent for path in photos)
    return replace(facts, reference=packing_of(find_reference(name.strip(), [*folders])))


def _water_state(text: str) -> WaterState:
    """Read a word for the water's state."""
    from jarvision.estimate.known import WaterState

    try:
        return WaterState(text.strip().casefold())
    except ValueError as error:
        msg = "Say --water clear, --water hazy or --water cloudy."
        raise UsageError(msg) from error
