"""A folder of readings drawn and written as pages: a jar each, all of them, the test itself.

All pages of a folder share one numbering of sources, listed on the test's page; what is the same on
every page is drawn once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from jarvision.core.own_files import write_result
from jarvision.core.sources import Quality, Source, say
from jarvision.core.tables import TableError
from jarvision.core.units import UnitSystem
from jarvision.garden.guide import Guide, make_guide
from jarvision.garden.guide_case import Bed
from jarvision.garden.soil import soil_from_draws
from jarvision.pages.folder_page import FolderEntry, FolderPage, render_folder
from jarvision.pages.howto_page import all_sources, render_howto
from jarvision.pages.jar_page import JarPage, render_jar
from jarvision.pages.page_cache import (
    COMPARED_PAGE,
    FOLDER_PAGE,
    TEST_PAGE,
    made_of_all,
    made_of_page,
    marked,
    page_name,
    still_holds,
)
from jarvision.pages.pictures import Picture, load_picture
from jarvision.results.beds import (
    BedList,
    BedNote,
    join_beds,
    parse_csv,
    read_beds,
    with_kept,
)
from jarvision.results.cache import is_earlier, last_beds, last_refused, last_run
from jarvision.results.jar_folder import read_jar_folder
from jarvision.results.record import PREFIX, SUFFIX, JarRecord
from jarvision.results.sand_seen import sure_parts
from jarvision.results.sentence_units import spoken_in

_PICTURE_PX, _THUMBNAIL_PX = 1100, 420


def make_pages(
    folder: Path,
    units: UnitSystem | None,
    beds_path: Path | None,
    crops: tuple[str, ...],
    on_refused: Callable[[str, str], None],
) -> list[Path]:
    """Make and write the pages of a folder, those of jars that hold left as they are.

    As `jarvision.pages.write.write_report`, with the list of beds where there is one.
    """
    found = read_jar_folder(folder)
    for name, sentence in found.refused:
        on_refused(name, sentence)
    beds = read_beds(beds_path) if beds_path else BedList()
    kept = _kept_beds(folder)
    names = [jar.jar for jar in found.jars]
    joined, of_list = join_beds(beds, names), join_beds(kept, names).by_jar
    system = units or _units_of([*beds.notes, *kept.notes])
    last = last_run(folder)
    jars, entries = [], []
    for jar in (spoken_in(one, system) for one in found.jars):
        note = _note_of(jar, with_kept(joined.by_jar.get(jar.jar), of_list.get(jar.jar)))
        earlier = is_earlier(f"{PREFIX}{jar.stem}{SUFFIX}", last)
        guide = _guide(jar, note, system, crops)
        jars.append(JarPage(jar, system, guide, note, {}, earlier))
        entries.append(FolderEntry(jar, page_name(jar.stem), guide, note, None, earlier))
    name = folder.resolve().name
    refused = (*found.refused, *last_refused(folder))
    compared = COMPARED_PAGE if (folder / COMPARED_PAGE).is_file() else ""
    whole = FolderPage(name, system, tuple(entries), refused, joined, beds.ignored, compared)
    said = [*whole.statements(), *(s for one in jars for s in one.statements())]
    sources = all_sources(system, said)
    shown = []
    for one, entry in zip(jars, entries, strict=True):
        # one jar's pictures at a time: those of a large class would fill the memory
        beside = (one.note, one.is_earlier, (system, crops, sources))
        made_from = made_of_page(folder, one.jar, beside)
        if not still_holds(folder / entry.page, made_from):
            page = render_jar(replace(one, pictures=_pictures(one.jar, folder)), sources)
            write_result(folder / entry.page, marked(page, made_from))
        shown.append(replace(entry, thumbnail=_thumbnail(one.jar, folder)))
    whole = replace(whole, entries=tuple(shown))
    write_result(folder / TEST_PAGE, render_howto(system, sources))
    pages = [folder / name for name in (*(e.page for e in entries), TEST_PAGE, FOLDER_PAGE)]
    made_from = "" if found.refused else made_of_all(folder, beds_path, (units, crops), pages[:-1])
    write_result(pages[-1], marked(render_folder(whole, sources), made_from))
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
    except TableError:
        return BedList()


def _units_of(notes: Sequence[BedNote]) -> UnitSystem:
    used = [note.system for note in notes]
    us, metric = used.count(UnitSystem.US), used.count(UnitSystem.METRIC)
    return UnitSystem.US if us > metric else UnitSystem.METRIC


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


_READING = Source(Quality.COMPUTED, "The jar's own reading, with its uncertainty")


def _guide(
    jar: JarRecord, note: BedNote | None, units: UnitSystem, crops: Sequence[str]
) -> Guide | None:
    """Make the guide from the result by weight where there is one, else from that by height."""
    if jar.best is None:
        return None
    rng = np.random.default_rng(0)
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
        shares_pct=jar.best.spans_pct,
        sand_shares=parts.shares if parts and jar.by_weight else None,
    )
    bed = Bed(note.bed, note.area_m2) if note else Bed()
    return make_guide(soil, system=units, rng=rng, bed=bed, crops=crops)
