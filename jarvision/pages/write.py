"""A folder of readings -> a page a jar, one for all of them, one for the test and the sources."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from jarvision.core.units import UnitSystem
from jarvision.pages.page_cache import pages_that_hold
from jarvision.results.beds import find_beds


def write_report(
    folder: Path,
    *,
    units: UnitSystem | None = None,
    beds_path: Path | None = None,
    crops: Sequence[str] = (),
    on_refused: Callable[[str, str], None] = lambda name, sentence: None,
) -> list[Path]:
    """Write ``report-<jar>.html`` for each jar, ``howto.html``, and ``report.html`` for all.

    Parameters
    ----------
    folder : Path
        Folder with ``jar-*.json`` and the overlay pictures.
    units : UnitSystem, optional
        Units of the text; without it those that most rows of the list of beds are in, else metric.
    beds_path : Path, optional
        List of beds; without it ``beds.csv`` or ``beds.toml`` in the folder, if there is one.
    crops : sequence of str
        Crops that the guides speak of.
    on_refused : callable
        Told the name and the sentence of each jar file that could not be used.

    Returns
    -------
    list of Path
        The files written, the folder's page last.

    Raises
    ------
    UsageError
        There are no readings, a crop is not known, or the list of beds cannot be understood
        (`jarvision.core.tables.TableError`).
    WriteError
        A page could not be written; none is ever half-written.
    """
    path = beds_path or find_beds(folder)
    if pages := pages_that_hold(folder, path, (units, tuple(crops))):
        return pages
    from jarvision.pages.whole_report import make_pages  # whatever draws pages takes long to load

    return make_pages(folder, units, path, tuple(crops), on_refused)
