"""The command that writes tables to be filled in: of jars, of beds, of marks made by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jarvision.cli.console import say
from jarvision.cli.options import UnitsOption, unit_system
from jarvision.core.errors import ExitCode, UsageError

_JAR = "jar,name,bed,shaken_at,photos,soil_g"
_SAID = "detergent,water_state"
_BED = {"metric": "depth_cm,dug,area_m2", "us": "depth_in,dug,area_sqft"}
_REST = "organic_matter_pct,notes"
_DUG = {"metric": "0-15,2026-05-03,9", "us": "0-6,2026-05-03,100"}
_TABLES = {
    "jars": {
        "metric": (
            f"{_JAR},water_temp_c,water_mm,soil_mm,{_SAID},{_BED['metric']},{_REST}",
            "example,Group 3,north bed,2026-05-04 09:00,IMG_1201 to IMG_1206,180,20,110,40,"
            f"powder,clear,{_DUG['metric']},4,under the apple tree",
        ),
        "us": (
            f"{_JAR},water_temp_f,water_in,soil_in,{_SAID},{_BED['us']},{_REST}",
            "example,Group 3,north bed,2026-05-04 09:00,IMG_1201 to IMG_1206,180,68,4 1/4,1 1/2,"
            f"powder,clear,{_DUG['us']},4,under the apple tree",
        ),
    },
    "beds": {
        system: (f"jar,bed,{_BED[system]},{_REST}", f"example,north bed,{_DUG[system]},4,clover")
        for system in _BED
    },
    "marks": {
        "metric": ("jar,reader,sand_mm,silt_mm,clay_mm", "example,Group 3,21,38.5,46"),
        "us": ("jar,reader,sand_in,silt_in,clay_in", "example,Group 3,13/16,1 1/2,1 13/16"),
    },
}
"""Of each table its heading and the one example, which is passed over when the table is read."""


def add_to(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command()(tables)


def tables(
    which: Annotated[list[str] | None, typer.Argument(metavar="NAMES", hidden=True)] = None,
    out: Annotated[
        Path, typer.Option(help="Folder to write them into.", metavar="FOLDER")
    ] = Path(),
    units: UnitsOption = None,
) -> None:
    """Write jars.csv, beds.csv and marks.csv, to be filled in.

    NAMES are jars, beds or marks; all three where none is said. jars.csv goes beside the photos and
    beds.csv into the folder of results; what beds.csv says may stand in jars.csv as well. Only the
    column jar must be filled in. No file is ever overwritten.
    """
    from jarvision.core.files import shown

    system = str(unit_system(units) or "metric")
    wanted = [name.casefold().removesuffix(".csv") for name in which or _TABLES]
    unknown = next((name for name in wanted if name not in _TABLES), None)
    if unknown is not None:
        msg = f"There is no table '{shown(unknown)}'; say jars, beds or marks."
        raise UsageError(msg)
    written = [_write(out / f"{name}.csv", "\n".join(_TABLES[name][system])) for name in wanted]
    if not all(written):
        raise typer.Exit(ExitCode.SOME_UNREAD)


def _write(path: Path, text: str) -> bool:
    """Write a new file; whatever is there stays."""
    from jarvision.core.files import WriteError, shown
    from jarvision.results.cache import make_folder

    make_folder(path.parent)
    name = shown(str(path), longest=200)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(f"{text}\n")
    except FileExistsError:
        say(f"{name} is there already and stays as it is.")
        return False
    except (OSError, ValueError):
        msg = f"{name} could not be written; choose another folder with --out."
        raise WriteError(msg) from None
    say(f"{name} is written; its line 'example' shows what goes where and may stay.")
    return True
