"""The three readings of a jar, when each is due, and its photos placed in time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from jarvision.core.doubts import Doubt
from jarvision.core.errors import JarError

MINUTE_S = 60.0


HOUR_S = 3600.0


DAY_S = 86400.0


class Reading(StrEnum):
    """The three readings of a jar, as they are named everywhere."""

    ONE_MINUTE = "1min"
    TWO_HOURS = "2h"
    TWO_DAYS = "48h"


class TimeSource(StrEnum):
    """What a photo's time since shaking rests on."""

    NAME = "name"
    CLOCK = "clock"
    SHAKEN_AT = "shaken_at"
    BY_HAND = "by_hand"
    ORDER = "order"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class ReadingTime:
    """When a reading is due.

    Attributes
    ----------
    nominal_s : float
        Time since shaking at which it is due [s].
    near_s : tuple of float
        Within these the photo counts as taken on time [s].
    usable_s : tuple of float
        Within these a photo may stand for the reading when there is none nearer [s].
    spoken : str
        The nominal time in words.
    """

    nominal_s: float
    near_s: tuple[float, float]
    usable_s: tuple[float, float]
    spoken: str


# The nominal times are the usual ones of extension leaflets; the windows around them are common
# practice, no source. Near: within a factor of 1.5, or of 2 at one minute, where seconds count.
READING_TIMES: Mapping[Reading, ReadingTime] = {
    Reading.ONE_MINUTE: ReadingTime(60.0, (30.0, 120.0), (20.0, 20 * MINUTE_S), "1 minute"),
    Reading.TWO_HOURS: ReadingTime(
        2 * HOUR_S, (80 * MINUTE_S, 3 * HOUR_S), (30 * MINUTE_S, 12 * HOUR_S), "2 hours"
    ),
    Reading.TWO_DAYS: ReadingTime(
        2 * DAY_S, (32 * HOUR_S, 72 * HOUR_S), (20 * HOUR_S, math.inf), "48 hours"
    ),
}


class PhotoFact(StrEnum):
    """What somebody may say of a photo: which jar it shows, when it was taken, that it is none."""

    JAR = "jar"
    TAKEN = "taken"
    NO_JAR = "no jar"


@dataclass(frozen=True, slots=True)
class SaidOfPhoto:
    """What somebody said of a photo: a row of `corrections.csv`.

    Attributes
    ----------
    jar, photo : str
        The jar that the photo was taken to show, and the photo's name; either may be empty.
    what : PhotoFact
    value : str
        Name of the jar, or the time after shaking (``2 h``) or the day and time when it was taken.
    by, at, note : str
        Who said so, when, and why; each may be empty.
    read : str
        What it would be without; may be empty.
    photo_sha256 : str
        Digest of the photo's contents, by which it is known again; may be empty.
    line : int
        Where it stands in the table.
    """

    jar: str
    photo: str
    what: PhotoFact
    value: str
    by: str = ""
    at: str = ""
    note: str = ""
    read: str = ""
    photo_sha256: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Sighting:
    """What is known of a photo before its layers are read.

    Attributes
    ----------
    key : str
        The photo's path; tells it from all others.
    name, folder : str
        File name with its ending, and the folder it lies in.
    jar_number : int or None
        From the strip's tags; None when no strip was read.
    taken_at : datetime or None
        By the camera's clock, with or without a UTC offset.
    digest : str
        Digest of the file's bytes; empty when unknown.
    said_jar : str
        Which jar it shows, where somebody said so.
    said_s : float or None
        Time after shaking where somebody said it [s]; NaN where `taken_at` is what they said.
    """

    key: str
    name: str
    folder: str
    jar_number: int | None = None
    taken_at: datetime | None = None
    digest: str = ""
    said_jar: str = ""
    said_s: float | None = None


@dataclass(frozen=True, slots=True)
class TimedPhoto:
    """A photo with its time since shaking.

    Attributes
    ----------
    key, name : str
        As in `Sighting`; `name` is safe to print.
    elapsed_s : float
        Time since shaking [s]; NaN when unknown.
    source : TimeSource
        What that time, or the photo's use as the last one, rests on.
    """

    key: str
    name: str
    elapsed_s: float
    source: TimeSource


@dataclass(frozen=True, slots=True)
class JarPhotos:
    """The photos of one jar, placed in time.

    Attributes
    ----------
    jar : str
        Its name: the strip's number, else from the file names or the folder. No two jars of one
        grouping share a name, whatever their capitals.
    number : int or None
        The strip's number.
    timed : tuple of TimedPhoto
        Every photo once, earliest first; those of unknown time last.
    chosen : mapping from Reading to TimedPhoto
        The photo that stands for each reading; a reading without one is absent. Empty when
        `problem` is set.
    confirming : tuple of TimedPhoto
        Photos of known time that are not chosen.
    doubts : tuple of Doubt
        About times and double photos.
    duplicates : tuple of (str, str)
        Keys of photos left out and of the same picture that was used instead.
    problem : JarError or None
        Why the jar's times make no sense; the jar cannot be read then.
    said : tuple of SaidOfPhoto
        What somebody said of its photos.
    """

    jar: str
    number: int | None
    timed: tuple[TimedPhoto, ...]
    chosen: Mapping[Reading, TimedPhoto]
    confirming: tuple[TimedPhoto, ...]
    doubts: tuple[Doubt, ...]
    duplicates: tuple[tuple[str, str], ...] = ()
    problem: JarError | None = None
    said: tuple[SaidOfPhoto, ...] = ()

    @property
    def elapsed_s(self) -> dict[Reading, float]:
        """When the photo of each reading was taken after shaking [s]; NaN where not known."""
        return {reading: timed.elapsed_s for reading, timed in self.chosen.items()}


def spoken_time(elapsed_s: float) -> str:
    """Say a time in words, roughly.

    Examples
    --------
    >>> spoken_time(50), spoken_time(7500), spoken_time(86400 * 5)
    ('50 seconds', '2.1 hours', '5 days')
    """
    for longest_s, unit_s, unit in (
        (90, 1.0, "second"),
        (90 * MINUTE_S, MINUTE_S, "minute"),
        (96 * HOUR_S, HOUR_S, "hour"),
        (math.inf, DAY_S, "day"),
    ):
        if elapsed_s <= longest_s:
            number = f"{elapsed_s / unit_s:.{1 if elapsed_s < 10 * unit_s else 0}f}"
            number = number.removesuffix(".0")
            return f"{number} {unit}" if number == "1" else f"{number} {unit}s"
    return "an unknown time"
