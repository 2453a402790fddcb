"""Photos of a run, opened once and kept for a while, and the keys by which jars know them."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import JarError
from jarvision.core.files import shown
from jarvision.core.series import READING_TIMES, Sighting
from jarvision.jar.strip import Strip
from jarvision.photo.decode import WORKING_PX, Photo, open_photo, probe_photo
from jarvision.photo.full_resolution import full_grey
from jarvision.photo.refusals import NoSuchPhotoError
from jarvision.run.video_frames import frame_at, video_of
from jarvision.wall.locate import orient

MOST_CONFIRMING = 6
"""So many photos at most confirm what the readings' own photos show."""

_KEPT_PHOTOS = len(READING_TIMES) + MOST_CONFIRMING  # working pictures in memory: one jar's
_KEPT_BYTES = 200_000_000
FINE_PX = 2 * WORKING_PX
"""Long side of a working picture of a row of jars."""

SHEET = -1
"""Stands for the number of unmarked jars in a photo of the printed sheet, which shows none."""

_FINE_PX_PER_MM = 4.5  # strips that show smaller than this want the finer picture


@dataclass(frozen=True, slots=True)
class SpottedPhoto:
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
    unmarked : int
        How many jars without a strip are in it; `SHEET` where it shows strips on no jar.
    error : JarError or None
        Why it is no usable photo.
    """

    path: Path
    digest: str = ""
    taken_at: datetime | None = None
    numbers: tuple[int, ...] = ()
    strips: tuple[Strip, ...] | None = None
    stands: bool = False
    longest_px: int = WORKING_PX
    unmarked: int = 0
    error: JarError | None = None


@dataclass(slots=True)
class Album:
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

    def __reduce__(self) -> tuple[type[Album], tuple[Mapping[Path, bytes | JarError] | None]]:
        """Travel to another process without pictures."""
        return Album, (self.sent,)

    def open(
        self, path: Path, known: SpottedPhoto | None = None
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
        opened = self._decoded(path, WORKING_PX)
        upright, strips = orient(opened)
        if opened.reduction > 1 and any(strip.px_per_mm < _FINE_PX_PER_MM for strip in strips):
            # a row of jars: each is small in the picture, and finer pixels are to be had
            opened = self._decoded(path, FINE_PX)
            upright, strips = orient(opened)
        return upright, strips, upright is opened

    def _decoded(self, path: Path, longest_px: int) -> Photo:
        if self.sent is None:
            if video_of(path):  # its container says which side is up
                frame = open_photo(path, longest_px=longest_px, contents=frame_at(path))
                return replace(frame, knows_up=True)
            return open_photo(path, longest_px=longest_px)
        sent = self.sent[path]
        if isinstance(sent, JarError):
            raise sent
        return open_photo(path, longest_px=longest_px, contents=sent)

    def full_grey(self, path: Path, photo: Photo) -> NDArray[np.uint8] | None:
        """Give a photo in grey at full scale, turned as its working picture; None if it can't be.

        Raises
        ------
        PhotoError
            The file cannot be used any more.
        """
        contents = self.sent[path] if self.sent is not None else None
        if isinstance(contents, JarError):
            raise contents
        if contents is None and photo.reduction > 1 and video_of(path):
            contents = frame_at(path)
        return full_grey(path, photo, contents=contents)

    def _bytes(self) -> int:
        return sum(photo.bgr.nbytes for photo, _, _ in self.kept.values())


def album_with_contents(paths: Iterable[Path]) -> Album:
    """Make an album for a machine that does not have these photos."""
    return Album({path: _contents(path) for path in paths})


def _contents(path: Path) -> bytes | JarError:
    try:
        if video_of(path):
            return frame_at(path)
        probe_photo(path)  # refuses pipes, films and the like in the usual words
        return path.read_bytes()
    except JarError as error:
        return error
    except OSError:
        msg = f"{shown(path.name)} could not be opened; copy it to this computer again."
        return NoSuchPhotoError(msg)


class BrokenPhotosError(JarError):
    """Photos on which a computation failed in a way that nobody foresaw."""

    name = "broken_photos"


def unforeseen(what: str, error: Exception) -> BrokenPhotosError:
    """Say of what nobody foresaw what it was and what to do."""
    kind = "the memory ran out" if isinstance(error, MemoryError) else type(error).__name__
    return BrokenPhotosError(f"{what} could not be worked out ({kind}); take other photos.")


_STRIP_MARK = "\0strip "  # no path holds it: tells the jars of one photo apart


def path_of(key: str) -> Path:
    """Give the file of a photo from a sighting's key."""
    return Path(key.split(_STRIP_MARK)[0])


def sightings_of(spotted: SpottedPhoto) -> Iterator[Sighting]:
    """Make a sighting for each strip in a photo: a row of jars is as many; without one, one."""
    path = spotted.path
    video = video_of(path)
    # a video's pictures are of different times even where nothing has changed between them
    digest = f"{spotted.digest}\0{path.name}" if video else spotted.digest
    for number in spotted.numbers or (None,):
        mark = f"{_STRIP_MARK}{number}" if len(spotted.numbers) > 1 else ""
        yield Sighting(
            f"{path}{mark}",
            path.name,
            str((video or path).parent),
            number,
            spotted.taken_at,
            f"{digest}{mark}",
        )


def strip_of(key: str, strips: Sequence[Strip]) -> Strip | None:
    """Give the strip that a sighting's key stands for."""
    _, marked, number = key.partition(_STRIP_MARK)
    if marked:
        return next(strip for strip in strips if strip.jar == int(number))
    return strips[0] if strips else None
