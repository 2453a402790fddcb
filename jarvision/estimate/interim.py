"""A jar before its last photo is there: what is known so far, and whether the newest photo is good.

A photo can be taken again only while it is due, so it is judged as soon as it is there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from jarvision.core.doubts import Doubt, DoubtName
from jarvision.core.errors import JarError
from jarvision.core.measured import Measured
from jarvision.core.protocol import FRAMING
from jarvision.core.series import READING_TIMES, Reading, spoken_time
from jarvision.estimate.combine import joined_top
from jarvision.estimate.composition import spread_of
from jarvision.estimate.given import Given
from jarvision.estimate.judge import judge_early
from jarvision.wall.measurement import ORDER, JarMeasurement, PhotoMeasurement

_UNKNOWN = Measured(math.nan, math.nan, "mm")
_DRAWS = 4000

# What can be mended by taking the photo again, gravest first, in words that follow "it".
_MENDABLE: Mapping[DoubtName, str] = {
    DoubtName.TOO_BRIGHT: "is too bright; keep the jar out of the sun",
    DoubtName.DIM: "is dark; add light from the side",
    DoubtName.SOFT_PHOTO: "is blurred; rest the phone on something and tap the jar to focus",
    DoubtName.NOISY: "is noisy; add light from the side",
    DoubtName.GLARE: "has glare on the layers; move the lamp or the jar, or step to the side",
    DoubtName.PARTLY_HIDDEN: "shows another jar before this one; move the jars apart",
    DoubtName.SMALL_IN_PICTURE: (
        f"shows the jar and its strip too small; go closer, so that {FRAMING}"
    ),
    DoubtName.TILTED: "is tilted; hold the phone upright and stand the jar level",
    DoubtName.STEEP_VIEW: "looks at the layers aslant; hold the phone at their height",
    DoubtName.LINES_BOWED: "shows the strip bent; smooth it down and do not use a wide-angle lens",
    DoubtName.WEAK_BOUNDARY: "hardly shows the top of a layer; add light from the side",
}


@dataclass(frozen=True, slots=True)
class PhotoVerdict:
    """Whether a photo will do.

    Attributes
    ----------
    photo : str
        Its file name, safe to print.
    reading : Reading
        Which reading it stands for.
    reasons : tuple of str
        What is wrong with it and what to do, each a clause that follows "it", or a sentence of an
        error; empty where it is good.
    """

    photo: str
    reading: Reading
    reasons: tuple[str, ...] = ()

    @property
    def is_good(self) -> bool:
        """Whether it need not be taken again."""
        return not self.reasons

    @property
    def sentence(self) -> str:
        """Say it to the gardener."""
        photo = f"photo at {READING_TIMES[self.reading].spoken}"
        if self.is_good:
            return f"The {photo} is good."
        return f"Take the {photo} again, now: {self.reasons[0].rstrip('.')}."

    @property
    def short(self) -> str:
        """Say it in a few words."""
        return f"Take it again, now: {self.reasons[0].split(';')[0]}" if self.reasons else "Good"


@dataclass(frozen=True, slots=True)
class NextPhoto:
    """Which photo is due next.

    Attributes
    ----------
    reading : Reading
        Which.
    due_s : float
        Time since shaking at which it is due [s].
    due_at : datetime or None
        The same by the camera's clock, where it is known.
    """

    reading: Reading
    due_s: float
    due_at: datetime | None = None

    @property
    def sentence(self) -> str:
        """Say it to the gardener."""
        spoken = READING_TIMES[self.reading].spoken
        if self.due_at is None:
            return f"The next photo is due {spoken} after shaking."
        at = f"{self.due_at:%H:%M} on {self.due_at.day} {self.due_at:%B %Y}"
        return f"The next photo is due {spoken} after shaking, at {at} by the camera's clock."


@dataclass(frozen=True, slots=True)
class InterimReading:
    """What is known of a jar before its last photo.

    Attributes
    ----------
    jar : str
        Its name.
    verdict : PhotoVerdict
        Whether its newest photo will do.
    next_photo : NextPhoto
        Which is due next.
    measurement : JarMeasurement or None
        What was measured; None where no photo could be read.
    tops : tuple of Measured
        Top of sand, silt and clay above the inside floor [mm]; unknown where not down yet.
    doubts : tuple of Doubt
        Every doubt, once.
    given : Given
        What is known besides.
    """

    jar: str
    verdict: PhotoVerdict
    next_photo: NextPhoto
    measurement: JarMeasurement | None = None
    tops: tuple[Measured, Measured, Measured] = (_UNKNOWN, _UNKNOWN, _UNKNOWN)
    doubts: tuple[Doubt, ...] = ()
    given: Given = field(default_factory=Given)

    @property
    def photos(self) -> tuple[PhotoMeasurement, ...]:
        """The photos that were read, in order of time."""
        return self.measurement.photos if self.measurement else ()

    @property
    def scaled(self) -> bool:
        """Whether heights are millimetres."""
        return self.measurement is not None and self.measurement.scaled

    @property
    def water_mm(self) -> float:
        """Water line above the inside floor [mm]; NaN where not seen."""
        return self.measurement.water_mm if self.measurement else math.nan


def next_photo(last: Reading, *, elapsed_s: float, taken_at: datetime | None) -> NextPhoto:
    """Tell which photo is due after a reading.

    Parameters
    ----------
    last : Reading
        The newest reading there is, 1 minute or 2 hours.
    elapsed_s : float
        When its photo was taken after shaking [s]; NaN where not known.
    taken_at : datetime or None
        The same by the camera's clock.
    """
    following = ORDER[min(ORDER.index(last) + 1, len(ORDER) - 1)]
    due_s = READING_TIMES[following].nominal_s
    known = taken_at is not None and math.isfinite(elapsed_s)
    due_at = taken_at + timedelta(seconds=due_s - elapsed_s) if taken_at and known else None
    return NextPhoto(following, due_s, due_at)


def refused_photo(
    jar: str, reading: Reading, photo: str, error: JarError, due: NextPhoto, given: Given
) -> InterimReading:
    """Say that the only photo so far shows too little to be read."""
    return InterimReading(jar, PhotoVerdict(photo, reading, (str(error),)), due, given=given)


def work_out_early(
    jar: str,
    measured: JarMeasurement,
    given: Given,
    due: NextPhoto,
    *,
    newest: tuple[Reading, str] | None = None,
    error: JarError | None = None,
) -> InterimReading:
    """Work out what is known so far from what was measured; no picture is needed.

    Parameters
    ----------
    jar : str
        Its name.
    measured : JarMeasurement
        What was measured in its early photos.
    given : Given
        What is known besides.
    due : NextPhoto
        Which photo is due next.
    newest, error
        The newest photo, as reading and name, and why it could not be read, where that is so.
    """
    tops = _tops(measured, given.seed)
    doubts = judge_early(measured, tops)
    last = measured.photos[-1]
    verdict = verdict_on(last, doubts)
    if newest is not None and error is not None:
        verdict = PhotoVerdict(newest[1], newest[0], (str(error),))
    sand, silt, clay = (*tops, _UNKNOWN, _UNKNOWN)[:3]
    return InterimReading(jar, verdict, due, measured, (sand, silt, clay), doubts, given)


def verdict_on(photo: PhotoMeasurement, doubts: Sequence[Doubt]) -> PhotoVerdict:
    """Judge one photo by the doubts that taking it again would mend."""
    own = {d.name for d in doubts if d in photo.doubts or photo.name in d.sentence}
    reasons = tuple(f"it {words}" for name, words in _MENDABLE.items() if name in own)
    due = READING_TIMES[photo.reading]
    if photo.elapsed_s < due.usable_s[0]:
        early = f"it was taken {spoken_time(photo.elapsed_s)} after shaking, too soon for the sand"
        reasons = (early, *reasons)
    return PhotoVerdict(photo.name, photo.reading, reasons)


def _tops(measured: JarMeasurement, seed: int) -> list[Measured]:
    """Join what the photos say of each top; the spread holds floor, scale and other places."""
    read, last = measured.photos, measured.photos[-1]
    rng = np.random.default_rng(seed)
    shared = rng.normal(0.0, math.hypot(last.floor.sd_mm, max(p.bow_mm for p in read)), _DRAWS)
    scale_sd = max(p.scale.relative_sd for p in read) if measured.scaled else 0.0
    scale = np.exp(rng.normal(0.0, scale_sd, _DRAWS))
    tops = []
    for layer, boundary in enumerate(last.boundaries):
        own = joined_top(layer, read)
        places = np.array([own.value, *(height for height, _ in boundary.alternatives)])
        weight = np.array([1.0, *(w for _, w in boundary.alternatives)])
        at = rng.choice(places, size=_DRAWS, p=weight / weight.sum())
        draws = (at + rng.normal(0.0, own.sd, _DRAWS) + shared) * scale
        tops.append(replace(own, sd=float(spread_of(draws[:, None])[0])))
    return tops
