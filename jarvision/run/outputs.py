"""What is put on disk: a jar's files, the table of all jars, marks found on the glass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from jarvision.core.own_files import write_result
from jarvision.estimate.interim import InterimReading
from jarvision.estimate.reading import JarReading
from jarvision.pages.overlay import draw_overlay, jpeg_of, small
from jarvision.results.cache import keep_run, make_folder
from jarvision.results.codec import json_of
from jarvision.results.headline import soil_in_words
from jarvision.results.readings_table import called, readings_csv
from jarvision.results.record import JarRecord, json_name, overlay_name
from jarvision.results.sand_seen import shown_grain
from jarvision.run.album import Album, path_of, unforeseen
from jarvision.run.one_jar import JarJob, not_read, pictured
from jarvision.run.outcome import Batch, Outcome
from jarvision.wall.suggest_marks import Offer, offer_of, offers_csv


@dataclass(frozen=True, slots=True)
class JarFiles:
    """What came of one jar, and its files before they are on disk: overlays first, then JSON."""

    outcome: Outcome
    out: Path | None = None
    files: tuple[tuple[str, bytes | str], ...] = ()


def with_files(outcome: Outcome, job: JarJob, album: Album) -> JarFiles:
    """Make a jar's files; where a picture cannot be drawn, the outcome becomes a failure."""
    if job.out is None:
        return JarFiles(outcome)
    files: list[tuple[str, bytes | str]] = []
    if (read := outcome.reading or outcome.interim) is not None:
        try:
            files += _overlays(read, outcome, job, album)
        except Exception as error:
            failed = unforeseen("The pictures of this jar's layers", error)
            outcome = not_read(job, failed, outcome.record.left_out, is_lasting=False)
    if outcome.record.measurement is None:
        shown = dict(_unread_pictures(job, album))
        files += [(name, jpeg) for name, jpeg in shown.values()]
        outcome = replace(outcome, record=_with_pictures(outcome.record, shown))
    if outcome.is_lasting:
        outcome = replace(outcome, record=replace(outcome.record, made_from=job.made_from))
    files.append((json_name(outcome.jar), json_of(outcome.record)))
    return JarFiles(_without_pictures(outcome), job.out, tuple(files))


def _overlays(
    reading: JarReading | InterimReading, outcome: Outcome, job: JarJob, album: Album
) -> Iterator[tuple[str, bytes]]:
    words = called(reading.jar, **job.called)
    measured, sand = outcome.record.measurement, outcome.record.sand
    soil = soil_in_words(outcome.weighed.texture, sand) if outcome.weighed else ""
    grain = shown_grain(sand, measured.sand_grain if measured else None)
    for photo in pictured(reading):
        path = path_of(job.jar.chosen[photo.reading].key)
        picture = album.open(path, job.spotted[path])[0].bgr
        system = job.settings.system
        drawn = draw_overlay(
            picture,
            photo,
            reading,
            called=words,
            soil=soil,
            system=system,
            bands=grain.bands if grain and grain.photo == photo.name else (),
        )
        yield overlay_name(reading.jar, str(photo.reading)), jpeg_of(drawn)


_SHOWN_PX = 1100
_MOST_SHOWN = 3


def _unread_pictures(job: JarJob, album: Album) -> Iterator[tuple[int, tuple[str, bytes]]]:
    """Make the photos of a jar that could not be read small, so that the report can show them.

    Whoever has to take them again sees what is wrong. What cannot be opened is passed over.
    """
    for i, photo in enumerate(job.jar.timed[-_MOST_SHOWN:]):
        place = max(0, len(job.jar.timed) - _MOST_SHOWN) + i
        path = path_of(photo.key)
        try:
            jpeg = jpeg_of(small(album.open(path, job.spotted[path])[0].bgr, _SHOWN_PX))
        except Exception:  # its own sentence stands in the result already
            continue
        yield place, (overlay_name(job.jar.jar, f"photo-{place + 1}"), jpeg)


def _with_pictures(record: JarRecord, shown: Mapping[int, tuple[str, bytes]]) -> JarRecord:
    photos = (
        replace(photo, overlay=shown[i][0]) if i in shown else photo
        for i, photo in enumerate(record.photos)
    )
    return replace(record, photos=tuple(photos))


def _without_pictures(outcome: Outcome) -> Outcome:
    """Leave out the pictures, which nothing needs any more."""
    reading, interim = outcome.reading, outcome.interim
    if reading is not None:
        reading = replace(reading, measurement=reading.measurement.numbers())
    if interim is not None and interim.measurement is not None:
        interim = replace(interim, measurement=interim.measurement.numbers())
    return replace(outcome, reading=reading, interim=interim)


def put_on_disk(made: JarFiles) -> Outcome:
    """Write a jar's files, its JSON last, so that a JSON always finds its pictures.

    Raises
    ------
    WriteError
        The folder cannot be written to.
    """
    for name, contents in made.files:
        write_result((made.out or Path()) / name, contents)
    return made.outcome


def write_table(batch: Batch, out: Path) -> None:
    """Write `readings.csv`, and of which jars this run gave a result."""
    make_folder(out)
    write_result(out / "readings.csv", readings_csv(batch.rows))
    files = [json_name(outcome.jar) for outcome in batch.outcomes]
    keep_run(out, files, refused=(*batch.refused, *batch.left_out), beds=batch.beds)


def write_marks(batch: Batch, out: Path) -> list[Offer]:
    """Write `marks-from-photos.csv` of all jars that were read, earlier results among them.

    Returns
    -------
    list of Offer
        One a jar, without those on whose glass nothing was found.
    """
    offers = []
    for outcome in batch.outcomes:
        offer = offer_of(outcome.jar, outcome.record.marks)
        if offer is not None and (offer.any or offer.sentences):
            offers.append(offer)
    write_result(out / "marks-from-photos.csv", offers_csv(offers))
    return offers
