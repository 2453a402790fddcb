"""Options of `read` that say what is known of the jars besides their photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision.core.errors import UsageError

if TYPE_CHECKING:
    from jarvision.estimate.known import JarFacts, WaterState

DetergentOption = Annotated[
    str,
    typer.Option(
        help="What went into the water: powder (for dishwashers), none, liquid-soap (keeps no "
        "clay apart), washing-soda or polyphosphate."
    ),
]
OriginOption = Annotated[
    str,
    typer.Option(help="Where the soil is from: topsoil, or anywhere for mixtures and subsoils."),
]
SandOption = Annotated[
    float | None,
    typer.Option(help="Of the soil put in: sand washed through a 0.05 mm sieve, dry, in g."),
]
SedimentOption = Annotated[
    float | None,
    typer.Option(help="Of the soil put in: what stayed when the clay was poured off, dry, in g."),
]
HydrometerOption = Annotated[
    str,
    typer.Option(
        help="Times and readings of a 152H hydrometer in a cylinder of its own.",
        metavar='"40 s 23; 7 h 12"',
    ),
]
HydrometerSoilOption = Annotated[
    float | None, typer.Option(help="Dry soil in the hydrometer's cylinder, in g.")
]
HydrometerBlankOption = Annotated[
    float, typer.Option(help="The hydrometer in water with the same dispersant, in g/L.")
]
SpoonOption = Annotated[
    str,
    typer.Option(
        help="A spoon of the jar's water, dried: time, depth, volume, dry weight.",
        metavar='"8 h, 50 mm, 10 ml, 0.12 g"',
    ),
]
ReferenceOption = Annotated[
    str,
    typer.Option(
        help="A jar of this garden whose texture a laboratory told: a .toml file, or its name "
        "beside the photos. See calibration/references/template.toml.",
    ),
]


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
