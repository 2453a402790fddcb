"""Commands about the soil: ribbon test, guide, report, and the test taught."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision.cli import options
from jarvision.cli.console import say
from jarvision.core.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from jarvision.core.arrays import Array
    from jarvision.results.record import Shares


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(ribbon)
    app.command(context_settings={"allow_extra_args": True})(guide)  # it says itself what is wrong
    app.command()(report)
    app.command()(howto)


def ribbon(
    lengths: Annotated[list[str] | None, typer.Argument(metavar="LENGTHS", hidden=True)] = None,
    feel: Annotated[
        str | None,
        typer.Option(
            help="gritty, smooth or neither: the wetted pinch, rubbed in the palm; needed where a "
            "ribbon formed.",
            metavar="FEEL",
        ),
    ] = None,
    ball: Annotated[
        str | None,
        typer.Option(
            help="yes or no: does it hold as a ball? With no, give no lengths.",
            metavar="ANSWER",
        ),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(
            help="Unit of bare numbers: cm or in; needed where a length has none.", metavar="UNIT"
        ),
    ] = None,
    units: options.UnitsOption = None,
    jar: Annotated[
        str | None, typer.Option(help="Compare with this jar's reading.", metavar="NAME")
    ] = None,
    readings: options.ReadingsOption = Path("readings"),
) -> None:
    """Name the texture by feel, from ribbons pressed between fingers.

    LENGTHS are those of the ribbons, e.g. "3 cm" "3.5 cm" "1 1/4 in"; make three or more. Say how
    the soil feels, too:

    jarvision ribbon "3 cm" "3.5 cm" "3 cm" --feel gritty
    """
    from jarvision.garden.ribbon import lacks_unit, ribbon_text

    given = lengths or []
    if unit is None and lacks_unit(given) and sys.stdin.isatty():
        unit = typer.prompt("Are the lengths in cm or in")
    _, shares, grain = _soil_of(readings, jar) if jar else ("", None, None)
    say(
        ribbon_text(
            given,
            feel=feel,
            ball=_yes_no(ball),
            unit=unit,
            system=options.unit_system(units),
            jar=shares.texture if shares else None,
            jar_sand=None if grain is None else (100.0 * grain.mean(axis=0)).tolist(),
        )
    )


def guide(
    context: typer.Context,
    jar: Annotated[str | None, typer.Option(help="A jar that was read.", metavar="NAME")] = None,
    readings: options.ReadingsOption = Path("readings"),
    sand: Annotated[float | None, typer.Option(help="Sand, in %.", metavar="PERCENT")] = None,
    silt: Annotated[float | None, typer.Option(help="Silt, in %.", metavar="PERCENT")] = None,
    clay: Annotated[float | None, typer.Option(help="Clay, in %.", metavar="PERCENT")] = None,
    sd: Annotated[
        float | None,
        typer.Option(help="How sure they are: standard deviation, in points.", metavar="POINTS"),
    ] = None,
    texture_class: Annotated[
        str | None,
        typer.Option("--class", help="A texture class instead of percentages.", metavar="NAME"),
    ] = None,
    om: Annotated[
        float | None, typer.Option(help="Organic matter, in %.", metavar="PERCENT")
    ] = None,
    bed: Annotated[str | None, typer.Option(help="Name of the bed.", metavar="NAME")] = None,
    area: Annotated[
        str | None, typer.Option(help='Area, e.g. "100 sqft" or "9 m2".', metavar="AREA")
    ] = None,
    crop: options.CropOption = None,
    daily_use: Annotated[
        str | None,
        typer.Option(help='Water used a day, e.g. "5 mm" or "0.2 in".', metavar="DEPTH"),
    ] = None,
    units: options.UnitsOption = None,
) -> None:
    """Say what a soil means for water, feeding, compost and crops.

    Give a jar that was read (--jar), percentages (--sand, --silt, --clay) or a class (--class).
    """
    if context.args:
        _refuse_bare(context.args[0])
    import numpy as np

    from jarvision.garden.guide import guide_text
    from jarvision.garden.guide_request import GuideRequest, guide_from_request

    name, shares, grain = _soil_of(readings, jar) if jar else ("", None, None)
    request = GuideRequest(
        sand=sand,
        silt=silt,
        clay=clay,
        sd=sd,
        texture_class=texture_class,
        om=om,
        bed=bed,
        area=area,
        crops=tuple(crop or ()),
        daily_use=daily_use,
        units=options.unit_system(units),
    )
    made = guide_from_request(
        request,
        rng=np.random.default_rng(0),
        jar_draws_pct=shares.draws_pct if shares else None,
        jar_texture=shares.texture if shares else None,
        jar_shares_pct=shares.spans_pct if shares else None,
        jar_sand_shares=grain,
        jar_name=name,
    )
    say(guide_text(made))


def report(
    readings: Annotated[Path, typer.Argument(metavar="FOLDER", hidden=True)] = Path("readings"),
    beds: Annotated[
        Path | None,
        typer.Option(
            help="List of beds, CSV or TOML; else beds.csv in the folder.", metavar="FILE"
        ),
    ] = None,
    crop: options.CropOption = None,
    units: Annotated[
        str | None,
        typer.Option(help="metric or us; else as the list of beds has them.", metavar="SYSTEM"),
    ] = None,
) -> None:
    """Write a page a jar and one for all, for a phone or to print.

    FOLDER is the folder that `read` wrote, readings where none is said.
    """
    from jarvision.core.files import shown
    from jarvision.pages.write import write_report

    not_used: list[str] = []

    def refused(name: str, sentence: str) -> None:
        not_used.append(f"Not used: {shown(name)}. {sentence}")

    pages = write_report(
        readings,
        units=options.unit_system(units),
        beds_path=beds,
        crops=tuple(crop or ()),
        on_refused=refused,
    )
    for line in not_used:
        say(line)
    say(f"Open {shown(str(pages[-1]), longest=200)}; it links to each jar's page.")
    if not_used:
        raise typer.Exit(ExitCode.SOME_UNREAD)


def howto(units: options.UnitsOption = None) -> None:
    """Teach the jar test, step by step."""
    from jarvision.core.units import UnitSystem
    from jarvision.garden.howto import howto_text

    say(howto_text(options.unit_system(units) or UnitSystem.METRIC))


def _refuse_bare(word: str) -> None:
    """Raise on a word without its option."""
    from jarvision.core.files import shown

    msg = (
        f"Got unexpected extra argument ({shown(word)}); a jar that was read is --jar "
        f"{shown(word)}, and --help after the command says what else it takes."
    )
    raise UsageError(msg)


def _yes_no(text: str | None) -> bool | None:
    if text is None:
        return None
    words = {"yes": True, "y": True, "no": False, "n": False}
    if text.strip().casefold() not in words:
        msg = "Say --ball yes or --ball no."
        raise UsageError(msg)
    return words[text.strip().casefold()]


def _soil_of(folder: Path, jar: str) -> tuple[str, Shares, Array | None]:
    """Find a jar that was read: its name, its shares, by weight where there are such, and its sand.

    The sand is draws of its parts, where they are sure and the shares are by weight.
    """
    from jarvision.core.files import shown
    from jarvision.results.jar_folder import find_jar, read_jar_folder

    record = find_jar(read_jar_folder(folder), jar)
    if record.best is None:
        msg = f"Jar {shown(record.jar)} was not read, so it has no soil yet."
        raise UsageError(msg)
    is_sure = record.by_weight and record.sand and record.sand.parts.are_sure
    return record.jar, record.best, record.sand.parts.shares if is_sure and record.sand else None
