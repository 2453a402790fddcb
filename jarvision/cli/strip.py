"""Commands about the jar itself: printed strips, and when to take the photos."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from jarvision.cli import measures
from jarvision.cli.console import say
from jarvision.cli.options import UnitsOption, unit_system


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(strips)
    app.command()(times)


def strips(
    jars: Annotated[
        str, typer.Option(help='Jar numbers, e.g. "1-30" or "1,3,5-8".', metavar="NUMBERS")
    ] = "1-12",
    paper: Annotated[str, typer.Option(help="letter or a4.", metavar="SIZE")] = "letter",
    length: Annotated[
        float, typer.Option(help="Length of a strip: 120 or 150, in mm.", metavar="MM")
    ] = 150.0,
    names: Annotated[
        Path | None,
        typer.Option(
            help="Table with the columns jar and name, such as jars.csv; printed on the strips.",
            metavar="FILE",
        ),
    ] = None,
    out: Annotated[Path, typer.Option(help="The PDF to write.", metavar="FILE")] = Path(
        "strips.pdf"
    ),
) -> None:
    """Print scale strips at true size, one for each jar."""
    from jarvision.core.files import shown
    from jarvision.jar.strip_sheet import write_strips

    made = write_strips(out, jars=jars, paper=paper, length_mm=length, names_csv=names)
    say(
        f"{len(made.jars)} strips on {made.pages} page(s) are in {shown(str(out), longest=200)}. "
        "Print at 100 %, then hold the 100 mm line against a ruler."
    )
    for name in made.by_hand:
        say(f"Write by hand, since the font lacks its letters: {shown(name)}")


def times(
    water_mm: Annotated[
        float,
        typer.Option(
            help="Height of the water above the inside floor, in mm, or e.g. 4.5in.",
            parser=measures.millimetres,
            metavar="LENGTH",
        ),
    ],
    temp: measures.TempOption = None,
    soil_mm: measures.SoilHeight = None,
    units: UnitsOption = None,
    start: Annotated[
        str,
        typer.Option(
            help='When shaking ends, e.g. "2026-05-04 9:00" or "4 May 9am".', metavar="TIME"
        ),
    ] = "",
    ics: Annotated[
        Path | None,
        typer.Option(help="Calendar file with reminders to write; needs --start.", metavar="FILE"),
    ] = None,
) -> None:
    """Tell when to take the photos, and what has settled by then."""
    from jarvision.core.errors import UsageError
    from jarvision.core.own_files import write_result
    from jarvision.estimate.schedule import calendar_text, parse_start, plan, table_text

    schedule = plan(water_mm, temp_c=20.0 if temp is None else temp, soil_mm=soil_mm)
    begin = parse_start(start) if start else None
    if ics is not None and begin is None:
        msg = 'Reminders need the time when shaking ends; add --start "2026-05-04 09:00".'
        raise UsageError(msg)
    say(table_text(schedule, start=begin, system=unit_system(units)))
    if ics is None or begin is None:
        return
    write_result(ics, calendar_text(schedule, start=begin, made_at=datetime.now(UTC)))
    say(f"Reminders are in {ics.name}; open it on the phone.")
