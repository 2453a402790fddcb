"""Read one jar: its photos -> looks -> reading -> result, whatever is wrong with it.

Before the photo at 48 hours what is down is read, and the newest photo judged
(`estimate.interim`). Lines put right by hand are used from the last photo on; what was drawn on a
photo goes to `look_at_jar`. Whatever one jar raises becomes its own sentence; only `WriteError` and
`UsageError` end the whole run, since every jar would meet them.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from jarvision.core.errors import JarError
from jarvision.core.files import shown
from jarvision.core.series import READING_TIMES, JarPhotos, Reading, TimedPhoto
from jarvision.core.tables import TableError
from jarvision.estimate.corrections import put_right
from jarvision.estimate.estimate import weighed_too
from jarvision.estimate.given import Given
from jarvision.estimate.interim import (
    InterimReading,
    next_photo,
    refused_photo,
    work_out_early,
)
from jarvision.estimate.reading import JarReading, work_out
from jarvision.jar.hand_outline import DrawnOnPhoto
from jarvision.jar.strip import Strip
from jarvision.photo.decode import Photo
from jarvision.photo.refusals import NoSuchPhotoError
from jarvision.results.cache import cached_jar
from jarvision.results.corrections_file import (
    CORRECTIONS_FILE,
    Corrections,
    HandLine,
    SeenJar,
    fit,
    fit_areas,
    read_corrections,
    with_read,
)
from jarvision.results.fingerprint import digest_of, program
from jarvision.results.from_reading import (
    AsRead,
    LeftOut,
    interim_record,
    record_of,
    unread_record,
    with_list,
)
from jarvision.results.hand_areas import HandArea, drawn_of
from jarvision.results.record import MadeFrom, PhotoDigest, json_name
from jarvision.run.album import (
    Album,
    SpottedPhoto,
    path_of,
    strip_of,
    unforeseen,
)
from jarvision.run.outcome import Outcome
from jarvision.run.plan import confirming_photos, used_photos
from jarvision.run.sand_photo import with_sand_grain
from jarvision.run.settings import Settings
from jarvision.run.survey import Survey
from jarvision.wall.locate import Look, look_at_jar
from jarvision.wall.measurement import ORDER, JarMeasurement
from jarvision.wall.photo_faults import why_not_found
from jarvision.wall.read import (
    PhotoReading,
    read_early_photos,
    read_photos_of_jar,
    read_without_layers,
)
from jarvision.wall.suggest_marks import Offer, marked_photo, offered_marks


@dataclass(frozen=True, slots=True)
class ByHand:
    """What somebody put right of a jar: lines, and what was drawn, with its photo's digest."""

    lines: tuple[HandLine, ...] = ()
    areas: tuple[HandArea, ...] = ()


_NOTHING = ByHand()
_RESULTS = "readings"  # as the commands call a folder of results where nobody says another name


@dataclass(frozen=True, slots=True)
class JarJob:
    """One jar to be read, with all that another process needs for it.

    Attributes
    ----------
    jar : JarPhotos
        Its photos, placed in time.
    spotted : mapping of Path to SpottedPhoto
        What is known of each photo.
    settings : Settings
        What holds for this jar.
    out : Path or None
        Folder for its files.
    made_from : MadeFrom
        What its result will rest on.
    by_hand : ByHand
        What somebody put right.
    """

    jar: JarPhotos
    spotted: Mapping[Path, SpottedPhoto]
    settings: Settings
    out: Path | None
    made_from: MadeFrom
    by_hand: ByHand = _NOTHING

    @property
    def called(self) -> dict[str, str]:
        """What the user's list calls the jar, and the bed it is from; empty where not given."""
        row = next(iter(self.settings.manifest.rows), None)
        return {"name": row.name, "bed": row.bed} if row else {"name": "", "bed": ""}


def job_of(
    jar: JarPhotos,
    survey: Survey,
    own: Settings,
    out: Path | None,
    by_hand: ByHand = _NOTHING,
) -> JarJob:
    """Put together what reading a jar needs, `own` being what holds for it."""
    spotted = {path: survey.photos[path] for path in (path_of(t.key) for t in jar.timed)}
    return JarJob(jar, spotted, own, out, _made_from(jar, spotted, own, by_hand), by_hand)


def corrections_in(out: Path | None) -> Corrections:
    """Read what was put right by hand in an earlier result; nothing where there is none.

    Raises
    ------
    TableError
        The table of corrections is none.
    """
    return read_corrections(out / CORRECTIONS_FILE) if out is not None else Corrections()


def corrections_elsewhere(photos: Sequence[str | os.PathLike[str]], out: Path) -> tuple[str, ...]:
    """Say which corrections lie in results beside the photos that are not those in `out`.

    Parameters
    ----------
    photos : sequence of path
        Photos and folders as they were given; only a folder can hold results.
    out : Path
        The folder of results that is used.

    Returns
    -------
    tuple of str
        A sentence on each table with rows; one that cannot be read is passed over.
    """
    said = []
    for folder in dict.fromkeys(Path(path) / _RESULTS for path in photos):
        try:
            is_other = folder.is_dir() and folder.resolve() != out.resolve()
            rows = corrections_in(folder).cells if is_other else ()
        except (TableError, OSError, ValueError):
            continue
        if rows:
            named = shown(str(folder), longest=200)
            said.append(
                f"{named}/{CORRECTIONS_FILE} holds what was put right by hand and is not used for "
                f'these results; --out "{named}" uses it.'
            )
    return tuple(said)


def fitted_lines(
    table: Corrections, jars: Sequence[JarPhotos], survey: Survey
) -> tuple[dict[str, ByHand], tuple[str, ...]]:
    """Find the lines and areas that were put right by hand, by jar, and what is amiss."""
    seen = [_seen(jar, survey) for jar in jars]
    lines, unfit = fit(table.lines, seen)
    areas, lost = fit_areas(table.areas, seen)
    names = [jar.jar for jar in jars]
    by_jar = {name: ByHand(lines.get(name, ()), areas.get(name, ())) for name in names}
    return by_jar, (*table.notes, *unfit, *lost)


def _seen(jar: JarPhotos, survey: Survey) -> SeenJar:
    used = {timed.key: reading for reading, timed in jar.chosen.items()}
    photos = tuple(
        (t.name, survey.photos[path_of(t.key)].digest, used.get(t.key)) for t in jar.timed
    )
    return SeenJar(jar.jar, photos)


def _made_from(
    jar: JarPhotos,
    spotted: Mapping[Path, SpottedPhoto],
    settings: Settings,
    by_hand: ByHand,
) -> MadeFrom:
    """Say what a jar's result rests on; the fingerprint changes whenever any of it does."""
    photos = tuple(PhotoDigest(t.name, spotted[path_of(t.key)].digest) for t in jar.timed)
    how = digest_of(asdict(settings))
    placed = [[t.name, t.elapsed_s, t.source] for t in jar.timed]
    used = [[reading, t.name] for reading, t in jar.chosen.items()]
    doubts = [d.sentence for d in jar.doubts]
    digests = [asdict(photo) for photo in photos]
    problem = str(jar.problem)
    lines = [asdict(replace(line, row=replace(line.row, line=0))) for line in by_hand.lines]
    lines += [asdict(replace(area, line=0)) for area in by_hand.areas]
    lines += [asdict(replace(row, line=0)) for row in jar.said]
    whole = [program(), how, jar.jar, jar.number, digests, placed, used, doubts, problem, lines]
    return MadeFrom(program(), how, photos, digest_of(whole))


def earlier_outcome(job: JarJob) -> Outcome | None:
    """Give a jar's result from an earlier run, if it still holds."""
    if job.out is None:
        return None
    path = job.out / json_name(job.jar.jar)
    record = cached_jar(path, job.made_from.fingerprint, folder=job.out)
    if record is None:
        return None
    error = None
    if record.unread is not None:
        error = JarError(record.unread.sentence)
        error.name = record.unread.reason
    return Outcome(job.jar, record, error, is_earlier=True)


def not_read(
    job: JarJob,
    error: JarError,
    left_out: LeftOut = (),
    *,
    is_lasting: bool = True,
    seen: AsRead | None = None,
) -> Outcome:
    """Say that a jar could not be read, and why."""
    record = with_list(unread_record(job.jar, error, seen), left_out=left_out, **job.called)
    return Outcome(job.jar, record, error, is_lasting=is_lasting)


def read_one(job: JarJob, album: Album) -> Outcome:
    """Read one jar; whatever is wrong with it becomes its failure."""
    if job.jar.problem is not None:
        return not_read(job, job.jar.problem)
    try:
        return _read_sound(job, album)
    except JarError as error:
        return not_read(job, error)
    except Exception as error:  # numerics on a picture that nobody foresaw
        lasting = not isinstance(error, MemoryError)
        return not_read(job, unforeseen("The photos of this jar", error), is_lasting=lasting)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A jar's photos by their keys: pictures, its strips, other jars' strips, and failures."""

    photos: dict[str, Photo] = field(default_factory=dict)
    strips: dict[str, Strip | None] = field(default_factory=dict)
    others: dict[str, tuple[Strip, ...]] = field(default_factory=dict)
    bad: dict[str, JarError] = field(default_factory=dict)


def _open_all(job: JarJob, used: Sequence[TimedPhoto], album: Album) -> _Opened:
    """Open a jar's photos."""
    opened = _Opened()
    for timed in used:
        path = path_of(timed.key)
        try:
            opened.photos[timed.key], seen, _ = album.open(path, job.spotted[path])
        except JarError as error:
            opened.bad[timed.key] = error
            continue
        own = strip_of(timed.key, seen)
        opened.strips[timed.key] = own
        opened.others[timed.key] = tuple(strip for strip in seen if strip is not own)
    return opened


def _drawn(job: JarJob, used: Sequence[TimedPhoto]) -> dict[str, DrawnOnPhoto]:
    """Give what was drawn on a jar's photos, by their keys."""
    found = {}
    for timed in used:
        digest = job.spotted[path_of(timed.key)].digest
        own = [area for area in job.by_hand.areas if area.photo_sha256 == digest]
        if own:
            found[timed.key] = drawn_of(own)
    return found


def _read_sound(job: JarJob, album: Album) -> Outcome:
    jar, settings = job.jar, job.settings
    used = used_photos(jar)
    opened = _open_all(job, used, album)
    looks, bad = look_at_jar(
        opened.photos,
        opened.strips,
        others=opened.others,
        strip_mm=settings.strip_mm,
        aids=settings.aids,
        drawn=_drawn(job, used),
    )
    bad |= opened.bad
    left_out = tuple((t.name, str(bad[t.key])) for t in used if t.key in bad)
    is_lasting = not any(isinstance(error, NoSuchPhotoError) for error in bad.values())
    chosen = {r: looks[t.key] for r, t in jar.chosen.items() if t.key in looks}
    if jar.chosen and Reading.TWO_DAYS not in jar.chosen:
        return _before_the_last(job, chosen, bad, left_out, opened=opened, is_lasting=is_lasting)
    given, elapsed_s = settings.given, jar.elapsed_s
    problem: JarError | None = None
    confirming = [t for t in confirming_photos(jar) if t.key in looks]
    try:
        if bad and Reading.TWO_DAYS not in chosen:
            last = jar.chosen.get(Reading.TWO_DAYS)
            raise bad[last.key] if last and last.key in bad else next(iter(bad.values()))
        measured = read_photos_of_jar(
            chosen,
            more=[(_last_due(t.elapsed_s), looks[t.key], t.elapsed_s) for t in confirming],
            doubts=jar.doubts,
            elapsed_s=elapsed_s,
        )
        reading = work_out(jar.jar, measured, given)
    except JarError as error:
        if Reading.TWO_DAYS not in chosen:
            return not_read(job, error, left_out, is_lasting=is_lasting)
        as_read, offer = read_without_layers(chosen, doubts=jar.doubts, elapsed_s=elapsed_s), None
        problem = error
    else:
        as_read, offer = reading.measurement, _offered(reading, settings)
    lines = tuple(with_read(line, as_read) for line in job.by_hand.lines)
    as_read = _more_seen(job, as_read, chosen, opened, album)
    try:
        reading = _put_right(jar.jar, as_read, given, job.by_hand.lines, problem)
    except JarError as error:
        seen = AsRead(as_read, given, lines)
        return not_read(job, error, left_out, is_lasting=is_lasting, seen=seen)
    made = weighed_too(reading)
    record = record_of(made, jar, offer=offer, as_read=as_read if lines else None, put_right=lines)
    record = with_list(record, left_out=left_out, **job.called)
    return Outcome(jar, record, reading=reading, weighed=made.weighed, is_lasting=is_lasting)


def _more_seen(
    job: JarJob,
    as_read: JarMeasurement,
    looks: Mapping[Reading, Look],
    opened: _Opened,
    album: Album,
) -> JarMeasurement:
    """Add the sand's grains, and what somebody drew on the photos."""
    keys = {reading: job.jar.chosen[reading].key for reading in looks}
    pictures = {r: (path_of(k), opened.photos[k], opened.strips[k]) for r, k in keys.items()}
    measured = with_sand_grain(as_read, looks, pictures, album)
    areas = dict.fromkeys(area.called for area in job.by_hand.areas)
    return replace(measured, put_right=tuple(areas))


def _before_the_last(
    job: JarJob,
    looks: Mapping[Reading, Look],
    bad: Mapping[str, JarError],
    left_out: LeftOut,
    *,
    opened: _Opened,
    is_lasting: bool,
) -> Outcome:
    """Read what is known before the last photo is there, and judge the newest one."""
    jar = job.jar
    newest = max(jar.chosen, key=ORDER.index)
    timed = jar.chosen[newest]
    given = job.settings.given
    picture = opened.photos.get(timed.key)
    taken_at = job.spotted[path_of(timed.key)].taken_at
    due = next_photo(newest, elapsed_s=timed.elapsed_s, taken_at=taken_at)
    error = bad.get(timed.key)
    if error is not None and picture is not None:
        error = why_not_found(picture, error)
    try:
        if not looks:
            raise error or next(iter(bad.values()))
        measured = read_early_photos(looks, doubts=jar.doubts, elapsed_s=jar.elapsed_s)
        interim = work_out_early(
            jar.jar, measured, given, due, newest=(newest, timed.name), error=error
        )
    except JarError as wrong:
        interim = refused_photo(jar.jar, newest, timed.name, wrong, due, given)
    rest = tuple(pair for pair in left_out if pair[0] != timed.name)
    record = with_list(interim_record(interim, jar), left_out=rest, **job.called)
    return Outcome(jar, record, interim=interim, is_lasting=is_lasting)


def _put_right(
    jar: str,
    as_read: JarMeasurement,
    given: Given,
    lines: Sequence[HandLine],
    problem: JarError | None,
) -> JarReading:
    """Put lines where somebody saw them, and work everything out.

    Raises
    ------
    JarError
        The lines cannot be, or the jar was not read and not all of its layers are put in by hand.
    """
    measured = put_right(as_read, [line.correction() for line in lines]) if lines else as_read
    if problem is not None and any(math.isnan(b.top_mm) for b in measured.photos[-1].boundaries):
        raise problem
    return work_out(jar, measured, given)


def _offered(reading: JarReading, settings: Settings) -> Offer:
    """Take lines on the glass for hand marks where they can be."""
    photos = [
        marked_photo(
            ORDER.index(p.reading) + 1, p.look.marks, p.floor, jar=p.look.jar, wall=p.look.wall
        )
        for p in pictured(reading)
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


def pictured(reading: JarReading | InterimReading) -> list[PhotoReading]:
    """Give the photos that still know where in their pictures things are."""
    return [photo for photo in reading.photos if isinstance(photo, PhotoReading)]


def _last_due(elapsed_s: float) -> Reading:
    """Tell the last reading that was due by a time."""
    due = [r for r, t in READING_TIMES.items() if elapsed_s >= 0.8 * t.nominal_s]
    return due[-1] if due else Reading.ONE_MINUTE
