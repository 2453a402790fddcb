"""Which photo shows which jar, before anything is read."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from jarvision.core.errors import MixedJarsError, SeveralJarsError
from jarvision.core.files import natural_key, shown
from jarvision.core.series import (
    READING_TIMES,
    JarPhotos,
    Reading,
    SaidOfPhoto,
    Sighting,
    TimedPhoto,
)
from jarvision.photo.decode import open_photo
from jarvision.results.readings_table import title
from jarvision.run.album import MOST_CONFIRMING, SHEET, SpottedPhoto, path_of, sightings_of
from jarvision.run.assign import group
from jarvision.run.file_names import listed as named
from jarvision.run.file_names import name_key
from jarvision.run.jars_table import Manifest, ManifestRow, match_photos
from jarvision.run.photo_claims import told, with_said
from jarvision.run.same_strip import folder_words
from jarvision.run.settings import Settings
from jarvision.run.survey import Survey
from jarvision.run.video_frames import VideoTiming, frame_at, frames_of, video_of
from jarvision.wall.locate import orient

_MOST_NAMED = 8  # in one sentence


@dataclass(frozen=True, slots=True)
class Plan:
    """Which photo shows which jar, before anything is read.

    Attributes
    ----------
    jars : tuple of JarPhotos
        The jars, in the order in which they will be read.
    refused : tuple of (str, str)
        Files that are no usable photos: name and sentence.
    photos_found : int
        How many files were taken for photos.
    names : mapping of str to str
        File name of each photo, safe to print, by its key in `jars`.
    notes : tuple of str
        What of the lists of jars could not be followed, and what is asked about.
    rows : mapping of str to ManifestRow
        What the lists say of jars, by the jars' names.
    left_out : tuple of (str, str)
        Photos of which somebody said that they show no jar: name and sentence.
    """

    jars: tuple[JarPhotos, ...]
    refused: tuple[tuple[str, str], ...]
    photos_found: int
    names: Mapping[str, str]
    notes: tuple[str, ...] = ()
    rows: Mapping[str, ManifestRow] = field(default_factory=dict)
    left_out: tuple[tuple[str, str], ...] = ()


def plan_of(survey: Survey, settings: Settings, said: Iterable[SaidOfPhoto] = ()) -> Plan:
    """Make jars of photos, and say what cannot be used; what people said of photos holds.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    """
    seen = list(survey.photos.values())
    refused = [*survey.refused]
    refused += [(shown(s.path.name), str(s.error)) for s in seen if s.error is not None]
    sheets = [s.path.name for s in seen if s.unmarked == SHEET]
    jars_in = [s for s in seen if s.error is None and s.unmarked != SHEET]
    known = told([sighting for s in jars_in for sighting in sightings_of(s)], said)
    sightings = known.sightings
    refused += [(shown(s.path.name), _unmarked_beside(s)) for s in seen if s.numbers and s.unmarked]
    listed, notes = _grouped(sightings, survey.roots, settings)
    if sheets:
        notes += (f"Passed over, since they show the printed sheet and no jar: {named(sheets)}.",)
    notes += known.unfit
    jars = [with_said(jar, known.said) for jar, _ in listed]
    if not settings.one_jar:
        jars = [_if_single(jar, survey) for jar in jars]
    names = {s.key: shown(s.name) for s in sightings}
    rows = {jar.jar: row for jar, row in listed if row is not None}
    return Plan(tuple(jars), tuple(refused), len(seen), names, notes, rows, known.left_out)


def _unmarked_beside(spotted: SpottedPhoto) -> str:
    """Say that jars without a strip stand beside those with one."""
    if spotted.unmarked == 1:
        return "One jar in it was not read, as no strip is seen on it; tape one on."
    count = spotted.unmarked
    return f"{count} jars in it were not read, as no strip is seen on them; tape one on each."


def _if_single(jar: JarPhotos, survey: Survey) -> JarPhotos:
    """Refuse photos without a strip that show several jars: nobody knows which is meant."""
    seen = {timed: survey.photos[path_of(timed.key)] for timed in jar.timed}
    several = [(s.unmarked, t.name) for t, s in seen.items() if s.unmarked > 1 and not s.numbers]
    if jar.problem is not None or not several:
        return jar
    count, name = max(several)
    msg = (
        f"{count} jars or more without a strip stand in {name}, and nobody knows which is meant; "
        "give each a strip, or photograph one jar at a time."
    )
    return replace(jar, chosen={}, problem=SeveralJarsError(msg))


_Listed = tuple[JarPhotos, ManifestRow | None]
"""A jar and what its list says of it."""


def _grouped(
    sightings: Sequence[Sighting], roots: Sequence[str | os.PathLike[str]], settings: Settings
) -> tuple[list[_Listed], tuple[str, ...]]:
    """Sort photos into jars, those of each list of jars by themselves."""
    manifest = settings.manifest
    if settings.one_jar or not manifest.rows:
        found = group(sightings, shaken_at=settings.shaken_at, as_one=settings.one_jar)
        return [(jar, None) for jar in found.jars], found.notes
    by_list: dict[str, list[Sighting]] = {row.folder: [] for row in manifest.rows}
    for sighting in sightings:
        folder = manifest.folder_of(path_of(sighting.key))
        by_list.setdefault(folder, []).append(sighting)
    jars: list[tuple[str, _Listed]] = []
    notes: list[str] = []
    for folder, own in by_list.items():
        found_there, said = _by_list(own, folder, roots, settings)
        jars += [(folder, one) for one in found_there]
        notes += said
    notes += [
        f'The column "{shown(c)}" of the list of jars is not known.' for c in manifest.ignored
    ]
    return _apart(jars), tuple(notes)


def _apart(jars: Sequence[tuple[str, _Listed]]) -> list[_Listed]:
    """Tell jars of one name in several lists apart by the lists' folders."""
    counts = Counter(name_key(jar.jar) for _, (jar, _) in jars)
    words = folder_words({folder for folder, _ in jars})
    found = []
    for folder, (jar, row) in jars:
        if counts[name_key(jar.jar)] > 1:
            jar = replace(jar, jar=f"{jar.jar} ({shown(words[folder], longest=80)})")
        found.append((jar, row))
    return sorted(found, key=lambda one: natural_key(one[0].jar))


def _by_list(
    sightings: Sequence[Sighting],
    folder: str,
    roots: Sequence[str | os.PathLike[str]],
    settings: Settings,
) -> tuple[list[_Listed], list[str]]:
    """Sort photos into jars: first by one list, the others by strip, name and folder."""
    manifest = settings.manifest.of_folder(folder)
    below = {s.key: _below(path_of(s.key), [folder] if folder else roots) for s in sightings}
    matched = match_photos(manifest, dict.fromkeys(below.values()))
    rows = {s.key: _row_for(s, manifest, matched.row_by_photo.get(below[s.key])) for s in sightings}
    listed: dict[str, list[Sighting]] = {}
    for sighting in sightings:
        row = rows[sighting.key]
        if row is not None:
            listed.setdefault(row.jar, []).append(replace(sighting, said_jar=""))
    rest = group([s for s in sightings if rows[s.key] is None], shaken_at=settings.shaken_at)
    by_key = {s.key: s for s in sightings}
    jars: list[_Listed] = []
    for jar in rest.jars:  # a jar that got its listed name from its files' names or folder
        row = manifest.row_of(jar.jar)
        if row is None:
            jars.append((jar, None))
        else:
            keys = [*(t.key for t in jar.timed), *(key for key, _ in jar.duplicates)]
            listed.setdefault(row.jar, []).extend(by_key[key] for key in keys)
    notes = [*rest.notes]
    for name, own in listed.items():
        its = next(row for row in manifest.rows if row.jar == name)
        named = {s.key for s in own if matched.row_by_photo.get(below[s.key]) is its}
        named |= {s.key for s in own if by_key[s.key].said_jar}
        parts, said = _listed_jars(its, own, named, settings.of_jar(name, its))
        jars += parts
        notes += said
    notes += [f"{shown(photo)}: {sentence}" for photo, sentence in matched.unclear]
    notes += [
        f'No photo fits "{shown(pattern)}" on line {line} of the list of jars.'
        for line, pattern in matched.unused
    ]
    notes += _unseen([row for row in manifest.rows if not (row.jar in listed or row.patterns)])
    return jars, notes


def _unseen(rows: Sequence[ManifestRow]) -> list[str]:
    """Say in one sentence which jars of the list are in no photo."""
    if not rows:
        return []
    jars = "; ".join(title(row.jar, name=row.name) for row in rows[:_MOST_NAMED])
    rest = f" and {len(rows) - _MOST_NAMED} more" if len(rows) > _MOST_NAMED else ""
    return [f"On the list of jars but in no photo: {jars}{rest}."]


def _below(path: Path, roots: Sequence[str | os.PathLike[str]]) -> str:
    """Give a photo's path below the folder that the user named."""
    for root in roots:
        if path.is_relative_to(root) and path != Path(root):
            return path.relative_to(root).as_posix()
    return path.name


def _row_for(
    sighting: Sighting, manifest: Manifest, by_name: ManifestRow | None
) -> ManifestRow | None:
    """Find the row for a sighting: its strip, which cannot be misnamed, goes before its name."""
    if sighting.said_jar:
        return manifest.row_of(sighting.said_jar)
    if sighting.jar_number is None:
        return by_name
    by_strip = manifest.row_of(str(sighting.jar_number))
    is_other_strip = by_name is not None and by_name.jar.isdecimal()
    return by_strip or (None if is_other_strip else by_name)


def _listed_jars(
    row: ManifestRow, sightings: Sequence[Sighting], named: Collection[str], settings: Settings
) -> tuple[list[_Listed], tuple[str, ...]]:
    """Place the photos of one line in time: those it names are one jar, its strip's as they fit."""
    shaken_at = settings.shaken_at
    found = group(sightings, shaken_at=shaken_at)
    others = [jar for jar in found.jars if not any(t.key in named for t in jar.timed)]
    if len(found.jars) > 1 and others and all(jar.number is not None for jar in others):
        its_own = None if len(others) < len(found.jars) else row
        apart = {t.key for jar in others for t in jar.timed} | {
            key for jar in others for key, _ in jar.duplicates
        }
        mine = [s for s in sightings if s.key not in apart]
        one = [(_as_one(row.jar, mine, shaken_at), row)] if mine else []
        return [*one, *((jar, its_own) for jar in others)], found.notes
    return [(_as_one(row.jar, sightings, shaken_at), row)], ()


def _as_one(name: str, sightings: Sequence[Sighting], shaken_at: datetime | None) -> JarPhotos:
    """Place photos in time that a line of the list gives to one jar."""
    try:
        [jar] = group(sightings, shaken_at=shaken_at, as_one=True).jars
    except MixedJarsError as error:
        blank = [replace(s, jar_number=None) for s in sightings]
        [jar] = group(blank, shaken_at=shaken_at, as_one=True).jars
        return replace(jar, jar=name, chosen={}, problem=error)
    return replace(jar, jar=name)


# --- videos -------------------------------------------------------------------------------------


def video_timing(
    video: Path, roots: Sequence[str | os.PathLike[str]], settings: Settings
) -> VideoTiming:
    """Find what is said of a video's time: by the list of jars, else of all videos.

    Raises
    ------
    VideoError
        It cannot be read, where only the strip in it tells its line in the list.
    """
    folder = settings.manifest.folder_of(video)
    manifest = settings.manifest.of_folder(folder)
    timed = [row for row in manifest.rows if (row.video_start_s, row.video_step_s) != (None, None)]
    if not timed:
        return settings.video
    below = _below(video, [folder] if folder else roots)
    row = match_photos(manifest, [below]).row_by_photo.get(below)
    if row is None:
        [*_, middle] = frames_of(video, settings.video)
        strips = orient(open_photo(middle, contents=frame_at(middle)))[1]
        row = manifest.row_of(str(strips[0].jar)) if strips else None
    if row is None:
        return settings.video
    start_s = settings.video.start_s if row.video_start_s is None else row.video_start_s
    return VideoTiming(start_s, row.video_step_s or settings.video.step_s)


# --- what a photo is used for -------------------------------------------------------------------


def used_photos(jar: JarPhotos) -> list[TimedPhoto]:
    """Give the photos of a jar that are looked at: one a reading, and a few that confirm."""
    return [*jar.chosen.values(), *confirming_photos(jar)]


def confirming_photos(jar: JarPhotos) -> tuple[TimedPhoto, ...]:
    """Photos that only confirm, a few of a long series."""
    known = [
        t for t in jar.confirming if t.elapsed_s >= READING_TIMES[Reading.ONE_MINUTE].near_s[0]
    ]
    step = max(1, math.ceil(len(known) / MOST_CONFIRMING))
    return tuple(known[::step])


def use_of(jar: JarPhotos, photo: TimedPhoto) -> str:
    """Say what a photo is used for: a reading's name, ``"confirms"`` or ``"not used"``."""
    if jar.problem is not None:
        return "not used"
    for reading, chosen in jar.chosen.items():
        if chosen.key == photo.key:
            return str(reading)
    return "confirms" if photo in confirming_photos(jar) else "not used"


def folders_in(plan: Plan) -> dict[str, str]:
    """Call the folder of each photo, by its key, by as much of its path as tells it apart."""
    keys = [timed.key for jar in plan.jars for timed in jar.timed]
    folders = {key: str((video_of(path_of(key)) or path_of(key)).parent) for key in keys}
    words = folder_words(folders.values())
    return {key: words[folder] for key, folder in folders.items()}


def not_placed(plan: Plan) -> Iterator[tuple[str, str]]:
    """Tell what will not be read and why: a photo or a jar, and a sentence."""
    yield from (*plan.refused, *plan.left_out)
    for jar in plan.jars:
        for key, other in jar.duplicates:
            yield plan.names[key], f"This is the same picture as {plan.names[other]}."
        if jar.problem is not None:
            yield f"Jar {jar.jar}", str(jar.problem)
        untimed = [t for t in jar.timed if math.isnan(t.elapsed_s) and t not in jar.chosen.values()]
        for photo in untimed:
            yield photo.name, _UNTIMED


_UNTIMED = (
    "The time since shaking is not known; put 1min, 2h or 48h in the name, or give --shaken-at."
)
