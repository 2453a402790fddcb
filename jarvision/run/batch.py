"""Many photos of many jars: find the jars, read each, and put the results on disk.

Every file is written whole or not at all, and one bad photo or jar never stops the others. A jar's
files are on disk as soon as it is read; the next run reads only what is new or changed.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from jarvision.core.errors import JarError, MixedJarsError, SeveralJarsError, UsageError
from jarvision.core.files import find_photos, natural_key, shown
from jarvision.core.own_files import write_result
from jarvision.core.series import READING_TIMES, JarPhotos, Reading, Sighting, TimedPhoto
from jarvision.estimate.estimate import weighed_too
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.estimate.reading import Failure, JarReading, read_jar
from jarvision.estimate.texture import texture_of
from jarvision.jar.scale_sources import ScaleAids
from jarvision.jar.strip_detect import Strip
from jarvision.pages.overlay import draw_overlay, jpeg_of
from jarvision.photo.decode import NoSuchPhotoError, Photo, open_photo, probe_photo
from jarvision.results.cache import (
    SeenPhoto,
    clear_leftovers,
    digest_of,
    keep_photos,
    keep_run,
    kept_jar,
    known_photos,
    other_photos,
    program,
)
from jarvision.results.headline import soil_in_words
from jarvision.results.jarjson import Outcome, jar_json, json_name, overlay_name
from jarvision.results.jarjson import row_of as row_of
from jarvision.results.report import ReadingRow, called, readings_csv, title
from jarvision.run.dask import crew_for
from jarvision.run.grouping import group
from jarvision.run.jars_table import Manifest, ManifestRow, match_photos
from jarvision.run.pool import Errand, Workforce
from jarvision.wall.locate import bare_jars_in, look_at_jar, stand_up
from jarvision.wall.measurement import ORDER
from jarvision.wall.read import PhotoReading
from jarvision.wall.suggest_marks import (
    Offer,
    TapeEdge,
    marked_photo,
    offer_of,
    offered_marks,
    offers_csv,
)

_MOST_CONFIRMING = 6
_KEPT_PHOTOS = len(READING_TIMES) + _MOST_CONFIRMING  # working pictures held in memory: one jar's
_KEPT_BYTES = 200_000_000
_WORKING_PX, _FINE_PX = 1800, 3600  # long side of a working picture, and of one of a row of jars
_FINE_PX_PER_MM = 4.5  # strips that show smaller than this want the finer picture
_FEW_PHOTOS, _FEW_JARS = 6, 2  # so few are done before another process has even started
_SAVE_EVERY_S = 10.0
_MOST_NAMED = 8  # in one sentence


@dataclass(frozen=True, slots=True)
class Settings:
    """How photos are read.

    Attributes
    ----------
    shaken_at : datetime or None
        When the jars were shaken, by the camera's clock.
    one_jar : bool
        All photos show one jar.
    strip_mm : float
        What 100 mm on the printed sheet really measures [mm].
    facts : JarFacts
        What the user says of the jars: water temperature, soil put in, and so on.
    seed : int
        Seed of the draws.
    aids : ScaleAids
        The jar's size and shape and a ruler in the photos, where the user says so.
    manifest : Manifest
        What the user says of single jars; it goes before what is said of all.
    tape_edge : TapeEdge, optional
        Which edge of tape on the glass marks a layer.
    """

    shaken_at: datetime | None = None
    one_jar: bool = False
    strip_mm: float = 100.0
    facts: JarFacts = field(default_factory=JarFacts)
    seed: int = 0
    aids: ScaleAids = field(default_factory=ScaleAids)
    manifest: Manifest = field(default_factory=Manifest)
    tape_edge: TapeEdge | None = None

    def of_jar(self, jar: str) -> Settings:
        """Give what holds for one jar."""
        row = self.manifest.row_of(jar)
        if row is None:
            return replace(self, manifest=Manifest())
        row = replace(row, line=0)  # where it stands in the list says nothing about the jar
        shaken_at = row.shaken_at or self.shaken_at
        facts = row.facts(self.facts)
        return replace(self, manifest=Manifest((row,)), shaken_at=shaken_at, facts=facts)


class BrokenPhotosError(JarError):
    """Photos on which a computation failed in a way that nobody foresaw."""

    name = "broken_photos"


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
        What of the list of jars could not be followed.
    """

    jars: tuple[JarPhotos, ...]
    refused: tuple[tuple[str, str], ...]
    photos_found: int
    names: Mapping[str, str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of all photos.

    Attributes
    ----------
    outcomes : tuple of Outcome
        One a jar.
    refused : tuple of (str, str)
        Files that are no usable photos: name and sentence.
    photos_found : int
        How many files were taken for photos.
    notes : tuple of str
        What of the list of jars could not be followed, and which results of other photos gave way.
    """

    outcomes: tuple[Outcome, ...]
    refused: tuple[tuple[str, str], ...]
    photos_found: int = 0
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> list[ReadingRow]:
        """Rows of `readings.csv`, one for each jar that was read."""
        return [row_of(o) for o in self.outcomes if not isinstance(o.result, Failure)]

    @property
    def all_read(self) -> bool:
        """Whether every jar and every file could be used."""
        whole = not any(isinstance(o.result, Failure) for o in self.outcomes)
        return whole and bool(self.outcomes) and not self.refused


Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, how many there are."""


def _silent(what: str, done: int, of: int) -> None:
    """Tell nobody."""


# --- photos -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Spotted:
    """What is known of one file before jars are made of photos.

    Attributes
    ----------
    numbers : tuple of int
        The jars whose strips are in it.
    strips : tuple of Strip or None
        The strips themselves; None when they are known only by number, from an earlier run.
    stands : bool
        Whether the picture stands upright as it is opened.
    longest_px : int
        The working size at which the strips were found.
    bare : int
        How many jars without a strip are in it.
    error : JarError or None
        Why it is no usable photo.
    """

    path: Path
    digest: str = ""
    taken_at: datetime | None = None
    numbers: tuple[int, ...] = ()
    strips: tuple[Strip, ...] | None = None
    stands: bool = False
    longest_px: int = _WORKING_PX
    bare: int = 0
    error: JarError | None = None


@dataclass(slots=True)
class _Album:
    """Opened photos, the latest few kept, the others opened again when they are asked for.

    Attributes
    ----------
    sent : mapping of Path to (bytes or JarError), optional
        On a machine that does not have the photos: their files' contents, or why there are none.
    """

    sent: Mapping[Path, bytes | JarError] | None = None
    kept: OrderedDict[Path, tuple[Photo, tuple[Strip, ...], bool]] = field(
        default_factory=OrderedDict
    )

    def __reduce__(self) -> tuple[type[_Album], tuple[Mapping[Path, bytes | JarError] | None]]:
        """Travel to another process without pictures."""
        return _Album, (self.sent,)

    def open(
        self, path: Path, known: _Spotted | None = None
    ) -> tuple[Photo, tuple[Strip, ...], bool]:
        """Give a photo, standing upright, its strips, and whether it stood by itself."""
        if path not in self.kept:
            if known and known.stands and known.strips is not None:
                self.kept[path] = self._decoded(path, known.longest_px), known.strips, True
            else:
                self.kept[path] = self._stood_up(path)
        self.kept.move_to_end(path)
        while len(self.kept) > _KEPT_PHOTOS or (len(self.kept) > 1 and self._bytes() > _KEPT_BYTES):
            self.kept.popitem(last=False)
        return self.kept[path]

    def _stood_up(self, path: Path) -> tuple[Photo, tuple[Strip, ...], bool]:
        opened = self._decoded(path, _WORKING_PX)
        upright, strips = stand_up(opened)
        if opened.reduction > 1 and any(strip.px_per_mm < _FINE_PX_PER_MM for strip in strips):
            # a row of jars: each is small in the picture, and finer pixels are to be had
            opened = self._decoded(path, _FINE_PX)
            upright, strips = stand_up(opened)
        return upright, strips, upright is opened

    def _decoded(self, path: Path, longest_px: int) -> Photo:
        if self.sent is None:
            return open_photo(path, longest_px=longest_px)
        contents = self.sent[path]
        if isinstance(contents, JarError):
            raise contents
        return open_photo(path, longest_px=longest_px, contents=contents)

    def _bytes(self) -> int:
        return sum(photo.bgr.nbytes for photo, _, _ in self.kept.values())


def _with_contents(paths: Iterable[Path]) -> _Album:
    """Make an album for a machine that does not have these photos."""
    return _Album({path: _contents(path) for path in paths})


def _contents(path: Path) -> bytes | JarError:
    try:
        probe_photo(path)  # refuses pipes, films and the like in the usual words
        return path.read_bytes()
    except JarError as error:
        return error
    except OSError:
        msg = f"{shown(path.name)} could not be opened; copy it to this computer again."
        return NoSuchPhotoError(msg)


def _spot(path: Path, album: _Album) -> _Spotted:
    """Open a photo and find its strips; whatever is wrong with it becomes its error."""
    try:
        photo, strips, stands = album.open(path)
        bare = bare_jars_in(photo, strips)
    except JarError as error:
        return _Spotted(path, error=error)
    except Exception as error:  # a decoder's or a detector's own: never the whole class's end
        return _Spotted(path, error=_unforeseen(shown(path.name), error))
    numbers = tuple(strip.jar for strip in strips)
    is_fine = max(photo.bgr.shape[:2]) >= 2 * _WORKING_PX
    return _Spotted(
        path,
        photo.digest,
        photo.taken_at,
        numbers,
        strips,
        stands,
        _FINE_PX if is_fine else _WORKING_PX,
        bare,
    )


def _unforeseen(what: str, error: Exception) -> BrokenPhotosError:
    kind = "the memory ran out" if isinstance(error, MemoryError) else type(error).__name__
    return BrokenPhotosError(f"{what} could not be worked out ({kind}); take other photos.")


def _spot_elsewhere(path: Path) -> Callable[[], _Spotted]:
    return partial(_spot, path, _with_contents([path]))


def _lost_photo(path: Path) -> _Spotted:
    msg = (
        f"{shown(path.name)} stopped the process that opened it, perhaps for want of memory; save "
        "it smaller or leave it out."
    )
    return _Spotted(path, error=BrokenPhotosError(msg))


def _remembered(path: Path, known: Mapping[str, SeenPhoto]) -> _Spotted | None:
    """Give what an earlier run saw in a photo, if it still holds the same bytes."""
    try:
        facts = probe_photo(path)
    except JarError as error:
        return _Spotted(path, error=error)
    if facts.digest not in known:
        return None
    seen = known[facts.digest]
    return _Spotted(path, facts.digest, facts.taken_at, seen.numbers, bare=seen.bare)


_STRIP_MARK = "\0strip "  # no path holds it: tells the jars of one photo apart


def _path_of(key: str) -> Path:
    return Path(key.split(_STRIP_MARK)[0])


def _sightings(spotted: _Spotted) -> Iterator[Sighting]:
    """Make a sighting for each strip in a photo: a row of jars is as many; without one, one."""
    path = spotted.path
    for number in spotted.numbers or (None,):
        mark = f"{_STRIP_MARK}{number}" if len(spotted.numbers) > 1 else ""
        yield Sighting(
            f"{path}{mark}",
            path.name,
            str(path.parent),
            number,
            spotted.taken_at,
            f"{spotted.digest}{mark}",
        )


def _strip_of(key: str, strips: Sequence[Strip]) -> Strip | None:
    """Give the strip that a sighting's key stands for."""
    _, marked, number = key.partition(_STRIP_MARK)
    if marked:
        return next(strip for strip in strips if strip.jar == int(number))
    return strips[0] if strips else None


# --- the class ----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Work:
    """One run: who works, whom to tell, what is open; lives only inside a call."""

    crew: Workforce
    settings: Settings
    out: Path | None
    progress: Progress
    album: _Album = field(default_factory=_Album)
    known: dict[str, SeenPhoto] = field(default_factory=dict)
    spotted: dict[Path, _Spotted] = field(default_factory=dict)
    saved_at_s: float = 0.0


def plan_photos(
    paths: Sequence[str | os.PathLike[str]],
    settings: Settings,
    *,
    out: Path | None = None,
    workers: int = 1,
    cluster: str = "",
    progress: Progress = _silent,
) -> Plan:
    """Find out which photo shows which jar and when it was taken; nothing is read or written.

    Parameters
    ----------
    paths, settings, workers, cluster, progress
        As in `read_photos`.
    out : Path, optional
        Folder of an earlier run's results, which spares looking at photos again.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    ClusterError
        As in `read_photos`.
    """
    with crew_for(workers, cluster) as crew:
        work = _Work(crew, settings, None, progress, known=known_photos(out) if out else {})
        return _plan(paths, work)


def read_photos(
    paths: Sequence[str | os.PathLike[str]],
    settings: Settings,
    *,
    out: Path | None = None,
    workers: int = 1,
    cluster: str = "",
    again: bool = False,
    progress: Progress = _silent,
) -> Batch:
    """Read every jar in photos and folders of photos.

    Parameters
    ----------
    paths : sequence of path
        Photos and folders.
    settings : Settings
        How they are read.
    out : Path, optional
        Folder for each jar's JSON and overlays, written as soon as the jar is read. What an
        earlier run left there is used where photos, settings and program are the same.
    workers : int
        How many processes share the work; the results are the same for any number. A script that
        asks for several must be importable without side effects (``if __name__ == "__main__"``).
    cluster : str
        Address of a Dask scheduler whose workers do the work instead, ``tcp://host:8786``. They
        need this same program and nothing of this machine's disk: photos are sent to them, and
        what they make of them is written here.
    again : bool
        Read everything anew.
    progress : callable
        Told of each step.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    WriteError, UsageError
        The folder cannot be made or written to; what was written before is whole.
    ClusterError
        The cluster cannot be reached, has no workers left or runs another program.
    """
    with crew_for(workers, cluster) as crew:
        work = _Work(crew, settings, out, progress)
        if out is not None and not again:
            work.known = known_photos(out)
        plan = _plan(paths, work)
        tasks = [_task(jar, work) for jar in plan.jars]
        earlier = [None if again else _earlier(task) for task in tasks]
        new = [t for t, e in zip(tasks, earlier, strict=True) if e is None]
        notes = (*plan.notes, *filter(None, map(_replaced, new)))
        fresh = iter(_read_all(new, work))
    outcomes = tuple(outcome or next(fresh) for outcome in earlier)
    return Batch(outcomes, plan.refused, plan.photos_found, notes)


def _plan(paths: Sequence[str | os.PathLike[str]], work: _Work) -> Plan:
    found, skipped = find_photos(list(paths))
    refused = [(shown(path.name), reason) for path, reason in skipped]
    if found and work.out is not None:
        _prepare(work.out, work)
    _spot_all(found, work)
    seen = [work.spotted[path] for path in found]
    refused += [(shown(s.path.name), str(s.error)) for s in seen if s.error is not None]
    sightings = [sighting for s in seen if s.error is None for sighting in _sightings(s)]
    refused += [(shown(s.path.name), _bare_beside(s)) for s in seen if s.numbers and s.bare]
    jars, notes = _grouped(sightings, paths, work.settings)
    if not work.settings.one_jar:
        jars = [_if_single(jar, work) for jar in jars]
    names = {s.key: shown(s.name) for s in sightings}
    return Plan(tuple(jars), tuple(refused), len(found), names, notes)


def _bare_beside(spotted: _Spotted) -> str:
    """Say that jars without a strip stand beside those with one."""
    if spotted.bare == 1:
        return "One jar in it was not read, as no strip is seen on it; tape one on."
    count = spotted.bare
    return f"{count} jars in it were not read, as no strip is seen on them; tape one on each."


def _if_single(jar: JarPhotos, work: _Work) -> JarPhotos:
    """Refuse photos without a strip that show several jars: nobody knows which is meant."""
    seen = {timed: work.spotted[_path_of(timed.key)] for timed in jar.timed}
    several = [(s.bare, t.name) for t, s in seen.items() if s.bare > 1 and not s.numbers]
    if jar.problem is not None or not several:
        return jar
    count, name = max(several)
    msg = (
        f"{count} jars or more without a strip stand in {name}, and nobody knows which is meant; "
        "give each a strip, or photograph one jar at a time."
    )
    return replace(jar, chosen={}, problem=SeveralJarsError(msg))


def _grouped(
    sightings: Sequence[Sighting], paths: Sequence[str | os.PathLike[str]], settings: Settings
) -> tuple[list[JarPhotos], tuple[str, ...]]:
    """Sort photos into jars: first by the user's list, the others by strip, name and folder."""
    manifest = settings.manifest
    if settings.one_jar or not manifest.rows:
        return group(sightings, shaken_at=settings.shaken_at, as_one=settings.one_jar), ()
    below = {s.key: _below(_path_of(s.key), paths) for s in sightings}
    matched = match_photos(manifest, dict.fromkeys(below.values()))
    rows = {s.key: _row_for(s, manifest, matched.row_by_photo.get(below[s.key])) for s in sightings}
    by_key = {s.key: s for s in sightings}
    listed: dict[str, list[Sighting]] = {}
    for sighting in sightings:
        row = rows[sighting.key]
        if row is not None:
            listed.setdefault(row.jar, []).append(sighting)
    rest = group([s for s in sightings if rows[s.key] is None], shaken_at=settings.shaken_at)
    jars = []
    for jar in rest:  # a jar that got its listed name from its files' names or folder
        row = manifest.row_of(jar.jar)
        if row is None:
            jars.append(jar)
        else:
            keys = [*(t.key for t in jar.timed), *(key for key, _ in jar.duplicates)]
            listed.setdefault(row.jar, []).extend(by_key[key] for key in keys)
    jars += [_listed_jar(name, own, settings.of_jar(name)) for name, own in listed.items()]
    notes = [f"{shown(photo)}: {sentence}" for photo, sentence in matched.unclear]
    notes += [
        f'No photo fits "{shown(pattern)}" on line {line} of the list of jars.'
        for line, pattern in matched.unused
    ]
    notes += _unseen([row for row in manifest.rows if not (row.jar in listed or row.patterns)])
    notes += [
        f'The column "{shown(c)}" of the list of jars is not known.' for c in manifest.ignored
    ]
    return sorted(jars, key=lambda jar: natural_key(jar.jar)), tuple(notes)


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
    if sighting.jar_number is None:
        return by_name
    by_strip = manifest.row_of(str(sighting.jar_number))
    is_other_strip = by_name is not None and by_name.jar.isdecimal()
    return by_strip or (None if is_other_strip else by_name)


def _listed_jar(name: str, sightings: Sequence[Sighting], settings: Settings) -> JarPhotos:
    """Place the photos of one listed jar in time."""
    try:
        [jar] = group(sightings, shaken_at=settings.shaken_at, as_one=True)
    except MixedJarsError as error:
        blank = [replace(s, jar_number=None) for s in sightings]
        [jar] = group(blank, shaken_at=settings.shaken_at, as_one=True)
        return replace(jar, jar=name, chosen={}, problem=error)
    return replace(jar, jar=name)


def _prepare(out: Path, work: _Work) -> None:
    """Make the folder ready, and notice before hours of work that it cannot be written to."""
    make_folder(out)
    clear_leftovers(out)
    keep_photos(out, work.known)


def _spot_all(found: Sequence[Path], work: _Work) -> None:
    """Look at every photo that no earlier run has looked at."""
    for i, path in enumerate(found if work.known else ()):
        work.progress("Checking photos", i, len(found))
        remembered = _remembered(path, work.known)
        if remembered is not None:
            work.spotted[path] = remembered
    new = [path for path in found if path not in work.spotted]

    def got(spotted: _Spotted) -> None:
        work.spotted[spotted.path] = spotted
        if spotted.error is None:
            work.known[spotted.digest] = SeenPhoto(spotted.numbers, spotted.bare)
        work.progress("Looking for jars", len(work.spotted) - len(found) + len(new), len(new))
        _save_known(work)

    work.progress("Looking for jars", 0, len(new))
    spot = Errand(partial(_spot, album=work.album), _spot_elsewhere, _as_it_is)
    work.crew.each(spot, new, lost=_lost_photo, got=got, few=_FEW_PHOTOS)
    if new:
        _save_known(work, now=True)


def _as_it_is(spotted: _Spotted) -> _Spotted:
    return spotted


def _save_known(work: _Work, *, now: bool = False) -> None:
    """Write down which strips were seen, every few seconds and at the end."""
    if work.out is None or not (now or time.monotonic() - work.saved_at_s > _SAVE_EVERY_S):
        return
    keep_photos(work.out, work.known)
    work.saved_at_s = time.monotonic()


@dataclass(frozen=True, slots=True)
class _Task:
    """One jar to be read, with all that another process needs for it."""

    jar: JarPhotos
    spotted: Mapping[Path, _Spotted]
    settings: Settings
    out: Path | None
    made_from: Mapping[str, Any]


def _task(jar: JarPhotos, work: _Work) -> _Task:
    paths = [_path_of(timed.key) for timed in jar.timed]
    spotted = {path: work.spotted[path] for path in paths}
    settings = work.settings.of_jar(jar.jar)
    return _Task(jar, spotted, settings, work.out, _made_from(jar, spotted, settings))


def _made_from(
    jar: JarPhotos, spotted: Mapping[Path, _Spotted], settings: Settings
) -> dict[str, Any]:
    """Say what a jar's result rests on; the recipe changes whenever any of it does."""
    photos = [
        {"name": timed.name, "sha256": spotted[_path_of(timed.key)].digest} for timed in jar.timed
    ]
    how = digest_of(asdict(settings))
    placed = [[t.name, t.elapsed_s, t.source] for t in jar.timed]
    used = [[reading, t.name] for reading, t in jar.chosen.items()]
    doubts = [d.sentence for d in jar.doubts]
    problem = str(jar.problem)
    whole = [program(), how, jar.jar, jar.number, photos, placed, used, doubts, problem]
    return {
        "program": program(),
        "settings": how,
        "photos": photos,
        "recipe": digest_of(whole),
    }


def _earlier(task: _Task) -> Outcome | None:
    """Give a jar's result from an earlier run, if it still holds."""
    if task.out is None:
        return None
    jar = task.jar
    kept = kept_jar(task.out / json_name(jar.jar), task.made_from["recipe"], folder=task.out)
    if kept is None:
        return None
    names = tuple(t.name for t in jar.timed)
    result = Failure(jar.jar, names, kept.error) if kept.error else kept
    found = Outcome(
        jar.jar, jar, result, kept.left_out, not_weighed=kept.not_weighed, is_earlier=True
    )
    return _named(found, task)


def _replaced(task: _Task) -> str:
    """Say where another jar's result gives way: one of the same name and none of these photos."""
    mine = [photo["sha256"] for photo in task.made_from["photos"]]
    others = other_photos(task.out / json_name(task.jar.jar), mine) if task.out else ()
    if not others:
        return ""
    names = ", ".join(map(shown, others[:3])) + (" ..." if len(others) > 3 else "")
    return (
        f"{title(task.jar.jar)} was read from other photos before ({names}); that result is "
        "replaced. To keep both, name each class a folder of its own with --out."
    )


def _named(outcome: Outcome, task: _Task) -> Outcome:
    """Add what the user's list calls the jar."""
    row = task.settings.manifest.row_of(outcome.jar)
    return replace(outcome, name=row.name, bed=row.bed) if row else outcome


def _read_all(tasks: Sequence[_Task], work: _Work) -> list[Outcome]:
    done = 0

    def got(outcome: Outcome) -> None:
        nonlocal done
        done += 1
        work.progress("Reading jars", done, len(tasks))

    work.progress("Reading jars", 0, len(tasks))
    read = Errand(partial(_read_and_draw, album=work.album), _read_elsewhere, _write)
    return work.crew.each(read, tasks, lost=_lost_jar, got=got, few=_FEW_JARS)


@dataclass(frozen=True, slots=True)
class _Made:
    """What came of one jar, and its files before they are on disk: overlays first, then JSON."""

    outcome: Outcome
    out: Path | None = None
    files: tuple[tuple[str, bytes | str], ...] = ()


def _read_and_draw(task: _Task, album: _Album) -> _Made:
    """Read one jar and make its files."""
    outcome = _named(_read_one(task, album), task)
    return _Made(outcome) if task.out is None else _with_files(outcome, task, album)


def _read_elsewhere(task: _Task) -> Callable[[], _Made]:
    used = [] if task.jar.problem else _used(task.jar)
    album = _with_contents(dict.fromkeys(_path_of(timed.key) for timed in used))
    return partial(_read_and_draw, task, album)


def _write(made: _Made) -> Outcome:
    """Put a jar's files on disk, its JSON last, so that a JSON always finds its pictures."""
    for name, contents in made.files:
        write_result((made.out or Path()) / name, contents)
    return made.outcome


def _lost_jar(task: _Task) -> Outcome:
    msg = (
        "Reading this jar stopped its process more than once, perhaps for want of memory; close "
        "other programs and run again with --workers 1 and without --cluster."
    )
    outcome = _named(_not_read(task.jar, BrokenPhotosError(msg), is_lasting=False), task)
    return outcome if task.out is None else _write(_with_files(outcome, task, _Album()))


def _not_read(
    jar: JarPhotos,
    error: JarError,
    left_out: tuple[tuple[str, str], ...] = (),
    *,
    is_lasting: bool = True,
) -> Outcome:
    names = tuple(t.name for t in jar.timed)
    return Outcome(jar.jar, jar, Failure(jar.jar, names, error), left_out, is_lasting=is_lasting)


def _without_pictures(outcome: Outcome) -> Outcome:
    """Leave out the walls' pixels, which nothing needs any more."""
    reading = outcome.result
    if not isinstance(reading, JarReading):
        return outcome
    thin = replace(reading.measurement, photos=tuple(map(_without_wall, _pictured(reading))))
    return replace(outcome, result=replace(reading, measurement=thin))


def _pictured(reading: JarReading) -> list[PhotoReading]:
    """Give the photos that still know where in their pictures things are."""
    return [photo for photo in reading.photos if isinstance(photo, PhotoReading)]


def _without_wall(photo: PhotoReading) -> PhotoReading:
    wall = replace(photo.look.wall, bgr=np.empty((0, 0, 3), np.uint8))
    return replace(photo, look=replace(photo.look, wall=wall))


# --- one jar ------------------------------------------------------------------------------------


def _read_one(task: _Task, album: _Album) -> Outcome:
    """Read one jar; whatever is wrong with it becomes its failure."""
    jar = task.jar
    if jar.problem is not None:
        return _not_read(jar, jar.problem)
    try:
        return _read_sound(task, album)
    except JarError as error:
        return _not_read(jar, error)
    except Exception as error:  # numerics on a picture that nobody foresaw
        lasting = not isinstance(error, MemoryError)
        return _not_read(jar, _unforeseen("The photos of this jar", error), is_lasting=lasting)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A jar's photos by their keys: pictures, its strips, other jars' strips, and failures."""

    photos: dict[str, Photo] = field(default_factory=dict)
    strips: dict[str, Strip | None] = field(default_factory=dict)
    others: dict[str, tuple[Strip, ...]] = field(default_factory=dict)
    bad: dict[str, JarError] = field(default_factory=dict)


def _open_all(task: _Task, used: Sequence[TimedPhoto], album: _Album) -> _Opened:
    """Open a jar's photos."""
    opened = _Opened()
    for timed in used:
        path = _path_of(timed.key)
        try:
            opened.photos[timed.key], seen, _ = album.open(path, task.spotted[path])
        except JarError as error:
            opened.bad[timed.key] = error
            continue
        own = _strip_of(timed.key, seen)
        opened.strips[timed.key] = own
        opened.others[timed.key] = tuple(strip for strip in seen if strip is not own)
    return opened


def _read_sound(task: _Task, album: _Album) -> Outcome:
    jar, settings = task.jar, task.settings
    used = _used(jar)
    opened = _open_all(task, used, album)
    looks, bad = look_at_jar(
        opened.photos,
        opened.strips,
        others=opened.others,
        strip_mm=settings.strip_mm,
        aids=settings.aids,
    )
    bad |= opened.bad
    left_out = tuple((t.name, str(bad[t.key])) for t in used if t.key in bad)
    is_lasting = not any(isinstance(error, NoSuchPhotoError) for error in bad.values())
    chosen = {r: looks[t.key] for r, t in jar.chosen.items() if t.key in looks}
    more = [(_last_due(t.elapsed_s), looks[t.key]) for t in _confirming(jar) if t.key in looks]
    try:
        if bad and Reading.TWO_DAYS not in chosen:
            last = jar.chosen.get(Reading.TWO_DAYS)
            raise bad[last.key] if last and last.key in bad else next(iter(bad.values()))
        reading = read_jar(
            jar.jar,
            chosen,
            more=more,
            doubts=jar.doubts,
            elapsed_s={reading: timed.elapsed_s for reading, timed in jar.chosen.items()},
            given=Given(settings.facts, settings.aids.profile, settings.seed),
        )
    except JarError as error:
        return _not_read(jar, error, left_out, is_lasting=is_lasting)
    made = weighed_too(reading)
    offer = _offered(reading, settings)
    return Outcome(
        jar.jar, jar, reading, left_out, made.weighed, made.not_weighed, is_lasting, offer=offer
    )


def _offered(reading: JarReading, settings: Settings) -> Offer:
    """Take lines on the glass for hand marks where they can be."""
    photos = [
        marked_photo(
            ORDER.index(p.reading) + 1, p.look.marks, p.floor, jar=p.look.jar, wall=p.look.wall
        )
        for p in _pictured(reading)
    ]
    sand, silt, clay = (top.value for top in reading.tops)
    return offered_marks(
        reading.jar,
        photos,
        (sand, silt, clay),
        water_mm=reading.water_mm,
        scaled=reading.scaled,
        tape_edge=settings.tape_edge,
    )


def _used(jar: JarPhotos) -> list[TimedPhoto]:
    return [*jar.chosen.values(), *_confirming(jar)]


def _confirming(jar: JarPhotos) -> tuple[TimedPhoto, ...]:
    """Photos that only confirm, a few of a long series."""
    known = [
        t for t in jar.confirming if t.elapsed_s >= READING_TIMES[Reading.ONE_MINUTE].near_s[0]
    ]
    step = max(1, math.ceil(len(known) / _MOST_CONFIRMING))
    return tuple(known[::step])


def _last_due(elapsed_s: float) -> Reading:
    """Tell the last reading that was due by a time."""
    due = [r for r, t in READING_TIMES.items() if elapsed_s >= 0.8 * t.nominal_s]
    return due[-1] if due else Reading.ONE_MINUTE


def use_of(jar: JarPhotos, photo: TimedPhoto) -> str:
    """Say what a photo is used for: a reading's name, ``"confirms"`` or ``"not used"``."""
    if jar.problem is not None:
        return "not used"
    for reading, chosen in jar.chosen.items():
        if chosen.key == photo.key:
            return str(reading)
    return "confirms" if photo in _confirming(jar) else "not used"


def not_placed(plan: Plan) -> Iterator[tuple[str, str]]:
    """Tell what will not be read and why: a photo or a jar, and a sentence."""
    yield from plan.refused
    for jar in plan.jars:
        for key, other in jar.duplicates:
            yield plan.names[key], f"This is the same picture as {plan.names[other]}."
        if jar.problem is not None:
            yield f"Jar {jar.jar}", str(jar.problem)
        elif Reading.TWO_DAYS not in jar.chosen:
            yield f"Jar {jar.jar}", _NO_LAST
        untimed = [t for t in jar.timed if math.isnan(t.elapsed_s) and t not in jar.chosen.values()]
        for photo in untimed:
            yield photo.name, _UNTIMED


_NO_LAST = (
    "There is no photo from about 48 hours after shaking, so it cannot be read; add one, with 48h "
    "in its name."
)
_UNTIMED = (
    "The time since shaking is not known; put 1min, 2h or 48h in the name, or give --shaken-at."
)


# --- results ------------------------------------------------------------------------------------


def _with_files(outcome: Outcome, task: _Task, album: _Album) -> _Made:
    """Make a jar's files; where a picture cannot be drawn, the outcome becomes a failure."""
    files: list[tuple[str, bytes | str]] = []
    if isinstance(outcome.result, JarReading):
        try:
            files += _overlays(outcome, outcome.result, task, album)
        except Exception as error:
            failed = _unforeseen("The pictures of this jar's layers", error)
            unread = _not_read(task.jar, failed, outcome.left_out, is_lasting=False)
            outcome = _named(unread, task)
    made_from = task.made_from if outcome.is_lasting else None
    text = jar_json(outcome, made_from=made_from)
    files.append((json_name(outcome.jar), text))
    return _Made(_without_pictures(outcome), task.out, tuple(files))


def _overlays(
    outcome: Outcome, reading: JarReading, task: _Task, album: _Album
) -> Iterator[tuple[str, bytes]]:
    weighed = outcome.weighed
    soil = soil_in_words(texture_of(100 * weighed.fractions)) if weighed else ""
    words = called(reading.jar, name=outcome.name, bed=outcome.bed)
    for photo in _pictured(reading):
        path = _path_of(outcome.photos.chosen[photo.reading].key)
        picture = album.open(path, task.spotted[path])[0].bgr
        drawn = draw_overlay(picture, photo, reading, called=words, soil=soil)
        yield overlay_name(outcome.jar, str(photo.reading)), jpeg_of(drawn)


def make_folder(out: Path) -> None:
    """Make the folder for the results.

    Raises
    ------
    UsageError
        It cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"The folder {shown(out.name)} could not be made; choose another place with --out."
        raise UsageError(msg) from error


def write_table(batch: Batch, out: Path) -> None:
    """Write `readings.csv`, and of which jars this run gave a result."""
    make_folder(out)
    write_result(out / "readings.csv", readings_csv(batch.rows))
    keep_run(out, [json_name(outcome.jar) for outcome in batch.outcomes])


def write_marks(batch: Batch, out: Path) -> list[Offer]:
    """Write `marks-from-photos.csv` of all jars that were read, earlier results among them.

    Returns
    -------
    list of Offer
        One a jar, without those on whose glass nothing was found.
    """
    offers = []
    for outcome in batch.outcomes:
        if isinstance(outcome.result, Failure):
            continue
        data = json.loads((out / json_name(outcome.jar)).read_bytes())
        offer = offer_of(outcome.jar, data.get("marks_on_glass"))
        if offer is not None and (offer.any or offer.sentences):
            offers.append(offer)
    write_result(out / "marks-from-photos.csv", offers_csv(offers))
    return offers


def unread(batch: Batch) -> Iterable[tuple[str, str]]:
    """Jars and files that were not read, with the sentence for each."""
    for outcome in batch.outcomes:
        if isinstance(outcome.result, Failure):
            yield outcome.jar, str(outcome.result.error)
