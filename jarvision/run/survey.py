"""Look at every photo once: which strips are in it, when it was taken, whether it can be used."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from jarvision.core.errors import JarError
from jarvision.core.files import find_photos, shown
from jarvision.jar.strip import are_on_sheet
from jarvision.photo.decode import WORKING_PX, probe_photo
from jarvision.photo.photo_file import photo_digest
from jarvision.photo.video import is_video
from jarvision.results.cache import SeenPhoto, clear_leftovers, keep_photos, make_folder
from jarvision.run.album import (
    FINE_PX,
    SHEET,
    Album,
    BrokenPhotosError,
    SpottedPhoto,
    album_with_contents,
    unforeseen,
)
from jarvision.run.pool import Task, TaskPool
from jarvision.run.settings import Progress
from jarvision.run.video_frames import VideoTiming, frames_of, video_of
from jarvision.wall.locate import unmarked_jars_in

_FEW_PHOTOS = 6  # so few are looked at before another process has even started
_SAVE_EVERY_S = 10.0
# A photo takes a second or less, what may be decoded at all some seconds: whoever opens one for so
# long is ended, and later steps open only photos that were opened here.
_MOST_PHOTO_S = 120.0


@dataclass(frozen=True, slots=True)
class Survey:
    """What is known of all files before jars are made of them.

    Attributes
    ----------
    roots : tuple of path
        The photos and folders that the user named.
    photos : mapping of Path to SpottedPhoto
        The files taken for photos, in the order in which they were found.
    refused : tuple of (str, str)
        Files that are no photos: name and sentence.
    """

    roots: tuple[str | os.PathLike[str], ...]
    photos: Mapping[Path, SpottedPhoto]
    refused: tuple[tuple[str, str], ...] = ()


@dataclass(slots=True)
class _Notes:
    """What this and earlier runs saw in photos, written down every few seconds."""

    known: dict[str, SeenPhoto]
    out: Path | None
    saved_at_s: float = 0.0

    def add(self, spotted: SpottedPhoto) -> None:
        if spotted.error is None:
            self.known[spotted.digest] = SeenPhoto(
                spotted.numbers, spotted.unmarked, spotted.taken_at
            )
        if time.monotonic() - self.saved_at_s > _SAVE_EVERY_S:
            self.save()

    def save(self) -> None:
        if self.out is not None:
            keep_photos(self.out, self.known)
        self.saved_at_s = time.monotonic()


def _as_it_plays(_: Path) -> VideoTiming:
    return VideoTiming()


def _with_frames(
    found: Sequence[Path], skipped: list[tuple[Path, str]], timing: Callable[[Path], VideoTiming]
) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Put the pictures that are taken in the place of each video."""
    photos: list[Path] = []
    for path in found:
        try:
            photos += frames_of(path, timing(path)) if is_video(path) else [path]
        except JarError as error:
            skipped.append((path, str(error)))
    return photos, skipped


def survey_photos(
    paths: Sequence[str | os.PathLike[str]],
    pool: TaskPool,
    *,
    known: Mapping[str, SeenPhoto],
    out: Path | None,
    album: Album,
    progress: Progress,
    timing: Callable[[Path], VideoTiming] = _as_it_plays,
    only: Collection[Path] = (),
) -> Survey:
    """Look at every photo in files and folders that no earlier run has looked at.

    Parameters
    ----------
    paths : sequence of path
        Photos and folders.
    pool : TaskPool
        Who does it.
    known : mapping of str to SeenPhoto
        What earlier runs saw, by the photos' digests.
    out : Path or None
        Folder for the results. Its making, and that it cannot be written to, is noticed here:
        before hours of work.
    album : Album
        Where opened photos are kept.
    progress : callable
        Told of each step.
    timing : callable
        Gives what is said of a video's time.
    only : collection of Path, optional
        Of those that no earlier run has looked at, only these are; the others are passed over.

    Raises
    ------
    WriteError, UsageError
        The folder cannot be made or written to.
    """
    found, skipped = _with_frames(*find_photos(list(paths)), timing)
    notes = _Notes(dict(known), out)
    if found and out is not None:
        make_folder(out)
        clear_leftovers(out)
        notes.save()
    spotted: dict[Path, SpottedPhoto] = {}
    for i, path in enumerate(found if known else ()):
        progress("Checking photos", i, len(found))
        remembered = _remembered(path, known)
        if remembered is not None:
            spotted[path] = remembered
    if only:
        found = [path for path in found if path in spotted or path in only]
    new = [path for path in found if path not in spotted]
    done = 0

    def got(one: SpottedPhoto) -> None:
        nonlocal done
        done += 1
        spotted[one.path] = one
        progress("Looking for jars", done, len(new))
        notes.add(one)

    progress("Looking for jars", 0, len(new))
    look = Task(partial(_spot, album=album), _spot_elsewhere, _as_it_is)
    pool.each(look, new, lost=_lost_photo, got=got, few=_FEW_PHOTOS, most_s=_MOST_PHOTO_S)
    if new:
        notes.save()
    refused = tuple((shown(path.name), reason) for path, reason in skipped)
    return Survey(tuple(paths), {path: spotted[path] for path in found}, refused)


def _spot(path: Path, album: Album) -> SpottedPhoto:
    """Open a photo and find its strips; whatever is wrong with it becomes its error."""
    try:
        photo, strips, stands = album.open(path)
        if are_on_sheet(strips):
            return SpottedPhoto(path, photo.digest, photo.taken_at, unmarked=SHEET)
        unmarked = unmarked_jars_in(photo, strips)
    except JarError as error:
        return SpottedPhoto(path, error=error)
    except Exception as error:  # a decoder's or a detector's own: never the whole class's end
        return SpottedPhoto(path, error=unforeseen(shown(path.name), error))
    numbers = tuple(strip.jar for strip in strips)
    is_fine = max(photo.bgr.shape[:2]) >= FINE_PX
    return SpottedPhoto(
        path,
        photo.digest,
        photo.taken_at,
        numbers,
        strips,
        stands,
        FINE_PX if is_fine else WORKING_PX,
        unmarked,
    )


def _spot_elsewhere(path: Path) -> Callable[[], SpottedPhoto]:
    return partial(_spot, path, album_with_contents([path]))


def _as_it_is(spotted: SpottedPhoto) -> SpottedPhoto:
    return spotted


def _lost_photo(path: Path) -> SpottedPhoto:
    msg = (
        f"{shown(path.name)} stopped the process that opened it, perhaps for want of memory or "
        "time; save it smaller or leave it out."
    )
    return SpottedPhoto(path, error=BrokenPhotosError(msg))


def _remembered(path: Path, known: Mapping[str, SeenPhoto]) -> SpottedPhoto | None:
    """Give what an earlier run saw in a photo, if it still holds the same bytes."""
    if video_of(path):
        return None  # its bytes are only known once it is decoded
    try:
        digest = photo_digest(path)
        if digest not in known:
            probe_photo(path)
            return None
    except JarError as error:
        return SpottedPhoto(path, error=error)
    seen = known[digest]
    return SpottedPhoto(path, digest, seen.taken_at, seen.numbers, unmarked=seen.unmarked)
