"""Commands about a class of jars: hand marks compared with the photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jarvision.cli.console import say

if TYPE_CHECKING:
    from jarvision.results.jar_folder import JarFolder

_TABLE, _PAGE = "compared.csv", "compared.html"


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(compare)


def compare(
    readings: Annotated[Path, typer.Argument(metavar="FOLDER", hidden=True)],
    marks: Annotated[Path, typer.Argument(metavar="MARKS", hidden=True)],
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for compared.csv and compared.html; FOLDER where none is said.",
            metavar="FOLDER",
        ),
    ] = None,
) -> None:
    """Compare marks made by hand with the photos.

    FOLDER is the folder that `read` wrote. MARKS is a table with the columns jar, reader, and
    sand_mm, silt_mm, clay_mm for heights above the inside floor (or _cm, _in), or
    sand_thickness_mm and so on; `jarvision tables marks` writes one to fill in. You get the
    differences, likely slips, and how far each reader's marks lie from the photos.
    """
    from jarvision.compare.compare import compare_marks, compared_csv, compared_text
    from jarvision.compare.marks_table import read_marks
    from jarvision.core.files import shown
    from jarvision.core.own_files import write_result
    from jarvision.pages.compare_page import ComparedPage, render_compared
    from jarvision.results.cache import make_folder
    from jarvision.results.jar_folder import read_jar_folder

    table = read_marks(marks)
    found = read_jar_folder(readings)
    compared = compare_marks(found, table)
    target = out or readings
    make_folder(target)
    given = ComparedPage(
        readings.resolve().name,
        marks.name,
        compared,
        _pages(found, target),
        "report.html" if (target / "report.html").is_file() else "",
    )
    write_result(target / _TABLE, compared_csv(compared))
    write_result(target / _PAGE, render_compared(given))
    say(compared_text(compared))
    for name, sentence in found.refused:
        say(f"Not used: {shown(name)}. {sentence}")
    say(f"Open {shown(str(target / _PAGE), longest=200)} for the plots.")


def _pages(found: JarFolder, folder: Path) -> dict[str, str]:
    """Find the jars' own pages, where a report was written already."""
    from jarvision.pages.page_cache import page_name

    names = {jar.jar: page_name(jar.stem) for jar in found.jars}
    return {jar: name for jar, name in names.items() if (folder / name).is_file()}
