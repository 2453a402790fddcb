"""A folder of readings -> a page a jar, one for all of them, one for the test and the sources."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from jarvision.core.files import safe_name
from jarvision.core.own_files import write_result
from jarvision.core.sources import Quality, Source, say
from jarvision.core.units import UnitSystem
from jarvision.garden.guide import Guide, make_guide
from jarvision.garden.guide_case import Bed
from jarvision.garden.soil import soil_from_draws
from jarvision.pages.folder_page import FolderEntry, FolderPage, render_folder
from jarvision.pages.frame import FOLDER_PAGE, TEST_PAGE
from jarvision.pages.howto_page import all_sources, render_howto
from jarvision.pages.jar_page import JarPage, render_jar
from jarvision.pages.pictures import Picture, load_picture
from jarvision.results.beds import (
    BedList,
    BedNote,
    BedsError,
    find_beds,
    join_beds,
    parse_csv,
    read_beds,
    with_kept,
)
from jarvision.results.cache import PHOTOS_FILE, is_earlier, last_beds, last_refused, last_run
from jarvision.results.codec import JarFileError
from jarvision.results.fingerprint import whole_program
from jarvision.results.jarfile import jar_paths, read_jar_folder, read_regular
from jarvision.results.record import PREFIX, SUFFIX, JarRecord
from jarvision.results.sand_seen import sure_parts
from jarvision.results.spoken import spoken_in

COMPARED_PAGE = "compared.html"
_PICTURE_PX, _THUMBNAIL_PX = 1100, 420


def write_report(
    folder: Path,
    *,
    units: UnitSystem | None = None,
    beds_path: Path | None = None,
    crops: Sequence[str] = (),
    seed: int = 0,
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
    seed : int
        Seed of the guides' draws.
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
        (`jarvision.results.beds.BedsError`).
    WriteError
        A page could not be written; none is ever half-written.
    """
    path = beds_path or find_beds(folder)
    asked = (units, tuple(crops), seed)
    if pages := _pages_that_hold(folder, path, asked):
        return pages
    found = read_jar_folder(folder)
    for name, sentence in found.refused:
        on_refused(name, sentence)
    beds = read_beds(path) if path else BedList()
    kept = _kept_beds(folder)
    names = [jar.jar for jar in found.jars]
    joined, of_list = join_beds(beds, names), join_beds(kept, names).by_jar
    system = units or _units_of([*beds.notes, *kept.notes])
    last = last_run(folder)
    jars, entries = [], []
    for jar in (spoken_in(one, system) for one in found.jars):
        note = _note_of(jar, with_kept(joined.by_jar.get(jar.jar), of_list.get(jar.jar)))
        earlier = is_earlier(f"{PREFIX}{jar.stem}{SUFFIX}", last)
        guide = _guide(jar, note, system, crops, seed)
        jars.append(JarPage(jar, system, guide, note, {}, earlier))
        entries.append(FolderEntry(jar, page_name(jar), guide, note, None, earlier))
    name = folder.resolve().name
    refused = (*found.refused, *last_refused(folder))
    compared = COMPARED_PAGE if (folder / COMPARED_PAGE).is_file() else ""
    whole = FolderPage(name, system, tuple(entries), refused, joined, beds.ignored, compared)
    said = [*whole.statements(), *(s for one in jars for s in one.statements())]
    sources = all_sources(system, said)
    shown = []
    for one, entry in zip(jars, entries, strict=True):
        # one jar's pictures at a time: those of a large class would fill the memory
        made_from = _made_from(folder, one, (system, tuple(crops), seed, sources))
        if not _still_holds(folder / entry.page, made_from):
            page = render_jar(replace(one, pictures=_pictures(one.jar, folder)), sources)
            write_result(folder / entry.page, _marked(page, made_from))
        shown.append(replace(entry, thumbnail=_thumbnail(one.jar, folder)))
    whole = replace(whole, entries=tuple(shown))
    write_result(folder / TEST_PAGE, render_howto(system, sources))
    pages = [folder / name for name in (*(e.page for e in entries), TEST_PAGE, FOLDER_PAGE)]
    made_from = "" if found.refused else _made_of_all(folder, path, asked, pages[:-1])
    write_result(pages[-1], _marked(render_folder(whole, sources), made_from))
    return pages


def _note_of(jar: JarRecord, note: BedNote | None) -> BedNote | None:
    """Take the bed from the list of jars where the list of beds names none."""
    if not jar.bed or (note and note.bed):
        return note
    return replace(note, bed=jar.bed) if note else BedNote(jar.jar, bed=jar.bed)


def _kept_beds(folder: Path) -> BedList:
    """Read what the list of jars said of beds when the jars were read; damaged, it is nothing."""
    text = last_beds(folder)
    try:
        return parse_csv(text) if text else BedList()
    except BedsError:
        return BedList()


def _units_of(notes: Sequence[BedNote]) -> UnitSystem:
    used = [note.system for note in notes]
    us, metric = used.count(UnitSystem.US), used.count(UnitSystem.METRIC)
    return UnitSystem.US if us > metric else UnitSystem.METRIC


def page_name(jar: JarRecord) -> str:
    """File name of a jar's page; it follows the jar's own file, so no two share a page."""
    return f"report-{safe_name(jar.stem)}.html"


def _pictures(jar: JarRecord, folder: Path) -> dict[str, Picture]:
    """Load a jar's overlay pictures by name."""
    names = (photo.overlay for photo in jar.photos if photo.overlay)
    loaded = {name: load_picture(folder / name, _PICTURE_PX) for name in names}
    return {name: picture for name, picture in loaded.items() if picture}


def _thumbnail(jar: JarRecord, folder: Path) -> Picture | None:
    """Load the last of a jar's overlays that is a picture, small."""
    names = [photo.overlay for photo in jar.photos if photo.overlay]
    small = (load_picture(folder / name, _THUMBNAIL_PX) for name in reversed(names))
    return next((picture for picture in small if picture), None)


# --- pages of jars that are as they were ---------------------------------------------------------
_MOST_PAGE_BYTES = 40_000_000


def _made_from(folder: Path, given: JarPage, beside: object) -> str:
    """Digest what a jar's page is made from: its files, what goes with them, and the program."""
    names = [f"{PREFIX}{given.jar.stem}{SUFFIX}", *(photo.overlay for photo in given.jar.photos)]
    text = hashlib.sha256(whole_program().encode())
    for name in filter(None, names):
        text.update(hashlib.sha256(_bytes_of(folder / name)).digest())
    text.update(repr((given.note, given.is_earlier, beside)).encode("utf-8", "backslashreplace"))
    return text.hexdigest()


def _pages_that_hold(folder: Path, beds: Path | None, asked: object) -> list[Path]:
    """Give all pages if they and all that they are made from are as they were; else nothing."""
    stems = [path.name.removeprefix(PREFIX).removesuffix(SUFFIX) for path in jar_paths(folder)]
    names = [f"report-{safe_name(stem)}.html" for stem in stems]
    pages = [folder / name for name in (*names, TEST_PAGE, FOLDER_PAGE)]
    is_there = _still_holds(pages[-1], _made_of_all(folder, beds, asked, pages[:-1]))
    return pages if is_there else []


def _made_of_all(folder: Path, beds: Path | None, asked: object, pages: Sequence[Path]) -> str:
    """Digest all that the folder's page is made from, and the pages that it links to."""
    text = hashlib.sha256(whole_program().encode())
    overlays = sorted(folder.glob("overlay-*"))
    also = [folder / PHOTOS_FILE, folder / COMPARED_PAGE, *([beds] if beds else [])]
    for path in (*jar_paths(folder), *overlays, *pages, *also):
        text.update(f"{path.name} {path.is_file()}\n".encode("utf-8", "backslashreplace"))
        text.update(hashlib.sha256(_bytes_of(path)).digest())
    text.update(repr((folder.resolve().name, asked)).encode("utf-8", "backslashreplace"))
    return text.hexdigest()


def _bytes_of(path: Path) -> bytes:
    try:
        return read_regular(path, most_bytes=_MOST_PAGE_BYTES)
    except JarFileError:
        return b""


def _marked(page: str, made_from: str) -> bytes:
    """Say at a page's end what it was made from, and how it was."""
    raw = page.encode("utf-8", "backslashreplace").removesuffix(_END)
    return raw + _mark(raw, made_from)


_END = b"</html>\n"


def _mark(raw: bytes, made_from: str) -> bytes:
    return f"<!-- made from {made_from}, {hashlib.sha256(raw).hexdigest()} -->".encode() + _END


_MARK_BYTES = len(_mark(b"", "0" * 64))


def _still_holds(path: Path, made_from: str) -> bool:
    """Whether a page is there, unchanged, that was made from the same."""
    raw = _bytes_of(path)
    return raw[-_MARK_BYTES:] == _mark(raw[:-_MARK_BYTES], made_from)


_READING = Source(Quality.COMPUTED, "The jar's own reading, with its uncertainty")


def _guide(
    jar: JarRecord, note: BedNote | None, units: UnitSystem, crops: Sequence[str], seed: int
) -> Guide | None:
    """Make the guide from the result by weight where there is one, else from that by height."""
    if jar.best is None:
        return None
    rng = np.random.default_rng(seed)
    if jar.by_weight:
        words = "These shares are by weight, estimated from the jar."
    else:
        words = (
            "These shares are by height of the layers: a laboratory's, by weight, can differ by a "
            "class or two, toward less clay where the water had cleared."
        )
    om_pct = note.om_pct if note else None
    parts = sure_parts(jar.sand)
    soil = soil_from_draws(
        jar.best.draws_pct,
        origin=say(words, _READING),
        rng=rng,
        om_pct=om_pct,
        texture=jar.best.texture,
        sand_shares=parts.shares if parts and jar.by_weight else None,
    )
    bed = Bed(note.bed, note.area_m2) if note else Bed()
    return make_guide(soil, system=units, rng=rng, bed=bed, crops=crops)
