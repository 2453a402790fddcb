"""How long after shaking each photo of a jar was taken.

How a photo finds its time
    What somebody said of a photo's time holds. Else:
    The name's word (1min, 2h, 2 days) and the camera's clock are compared through the moment of
    shaking: the one given; else the one shift at which the gaps between photos fit all of 1 min,
    2 h and 48 h, unless more words speak for another; else the one on which most words and clocks
    agree; without words, the shifts that fit most readings, as far as they say the same.
    Where word and clock agree, the clock's value is used, being finer. Where they disagree, the
    clock is used if other photos bear it out, and the name otherwise; either way with a doubt.
    A lone photo of unknown time, or the last of several, counts as the last one taken.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import TimesError
from jarvision.core.files import natural_key, shown
from jarvision.core.moments import LONGEST_S
from jarvision.core.series import (
    MINUTE_S,
    READING_TIMES,
    JarPhotos,
    Reading,
    ReadingTime,
    TimedPhoto,
    TimeSource,
    spoken_time,
)
from jarvision.run.file_names import SAME_S, NamedSighting, listed, same_time

# A greater difference means that a clock was set wrongly.
_LONGEST_WATCH_S = LONGEST_S
# A folder of strangers' photos is no jar: no use in looking for a pattern in it.
_MOST_COMPARED = 40


@dataclass(frozen=True, slots=True)
class _Clocked:
    """A photo with its word and its clock, in seconds from one arbitrary moment of the jar."""

    look: NamedSighting
    word_s: float
    clock_s: float

    @property
    def has_both(self) -> bool:
        return not math.isnan(self.word_s + self.clock_s)


@dataclass(frozen=True, slots=True)
class _Shaking:
    """When the jar was shaken, on the scale of `_Clocked.clock_s`.

    Attributes
    ----------
    moments_s : tuple of float
        Every moment that fits [s]; empty when nothing is known.
    stated_s : float
        The moment that words are held against [s]: the given one, else that found; NaN if none.
    source : TimeSource
    is_borne_out : bool
        Enough photos speak for it to overrule another photo's name.
    slack_s : float
        How roughly the given moment was typed [s].
    """

    moments_s: tuple[float, ...] = ()
    stated_s: float = math.nan
    source: TimeSource = TimeSource.CLOCK
    is_borne_out: bool = False
    slack_s: float = 0.0


def place_in_time(
    jar: str,
    looks: Sequence[NamedSighting],
    doubles: Mapping[str, Sequence[NamedSighting]],
    shaken_at: datetime | None,
) -> JarPhotos:
    """Place the photos of one jar in time, and choose one for each reading.

    Parameters
    ----------
    jar : str
        The jar's name.
    looks : sequence of NamedSighting
        Its photos.
    doubles : mapping of str to sequence of NamedSighting
        The same pictures once more, by the key of the photo that is used.
    shaken_at : datetime or None
        When the jar was shaken, by the camera's clock.
    """
    photos, given_s = _on_one_clock(looks, shaken_at)
    shaking = _shaking(photos, _given(given_s, shaken_at))
    pairs = [_time(photo, shaking) for photo in photos]
    problem = None if shaking.moments_s else _backward(jar, photos)
    timed = tuple(sorted((timed for timed, _ in pairs), key=_elapsed_order))
    chosen = {} if problem else _choose(timed, photos)
    standing = {photo.key: photo for photo in chosen.values()}
    timed = tuple(standing.get(photo.key, photo) for photo in timed)
    double_keys, double_doubts = _doubles_of(looks, doubles)
    clock_doubts = [found for _, found in pairs if found is not None]
    return JarPhotos(
        jar=jar,
        number=strip_number_of(looks),
        timed=timed,
        chosen=chosen,
        confirming=tuple(
            photo
            for photo in timed
            if photo.key not in standing and not math.isnan(photo.elapsed_s)
        ),
        doubts=(*clock_doubts, *_time_doubts(timed, chosen), *double_doubts),
        duplicates=double_keys,
        problem=problem,
    )


def _on_one_clock(
    looks: Sequence[NamedSighting], shaken_at: datetime | None
) -> tuple[list[_Clocked], float]:
    """Put all clocks on one scale; UTC offsets count only when every clock has one."""
    clocks = [*(look.seen.taken_at for look in looks), shaken_at]
    if any(time is not None and time.tzinfo is None for time in clocks):
        clocks = [time and time.replace(tzinfo=None) for time in clocks]
    start = min((time for time in clocks if time is not None), default=datetime(2000, 1, 1))
    seconds = [math.nan if time is None else (time - start).total_seconds() for time in clocks]
    photos = [_Clocked(look, look.word_s, s) for look, s in zip(looks, seconds, strict=False)]
    return photos, seconds[-1]


def _shaking(photos: Sequence[_Clocked], given: _Shaking) -> _Shaking:
    """Find when the jar was shaken by the rules at the head of this module."""
    both = [photo for photo in photos if photo.has_both][:_MOST_COMPARED]
    by_words, support = _from_words(both)
    if given.moments_s:
        return _weighed(given, _support(both, given), by_words, support)
    by_gaps, matched = _from_gaps(photos)
    if matched == len(Reading) and (support < 2 or _support(both, by_gaps) >= support):
        return replace(by_gaps, is_borne_out=True)
    if support >= 2 or len(both) == 1:
        return by_words
    return _Shaking() if both else by_gaps


def _given(given_s: float, shaken_at: datetime | None) -> _Shaking:
    if shaken_at is None:
        return _Shaking()
    # A moment typed to the minute may lie a minute off.
    slack_s = 0.0 if shaken_at.second or shaken_at.microsecond else MINUTE_S
    return _Shaking((given_s,), given_s, TimeSource.SHAKEN_AT, slack_s=slack_s)


def _weighed(given: _Shaking, for_given: int, by_words: _Shaking, support: int) -> _Shaking:
    """Weigh the moment that the user gave against the one on which the words agree."""
    if support >= 2 and support > for_given:
        return replace(by_words, stated_s=given.stated_s, slack_s=given.slack_s, is_borne_out=False)
    return replace(given, is_borne_out=for_given >= max(1, support))


def _support(both: Sequence[_Clocked], shaking: _Shaking) -> int:
    return sum(
        same_time(photo.word_s, photo.clock_s - shaking.stated_s, slack_s=shaking.slack_s)
        for photo in both
    )


# A word is a round number: "48h" may have been 40 or 56.
_WORD_ROUGHNESS = 0.2


def _from_words(both: Sequence[_Clocked]) -> tuple[_Shaking, int]:
    """Find the moment on which most words and clocks agree, and how many do.

    Of moments that equally many agree on, the one of the shortest word is the finest.
    """
    shortest_first = sorted(both, key=lambda photo: (photo.word_s, photo.clock_s))
    found = [_from_word(photo) for photo in shortest_first]
    best = max(found, key=lambda shaking: _support(both, shaking), default=_Shaking())
    support = _support(both, best)
    return replace(best, is_borne_out=support >= 2), support


def _from_word(photo: _Clocked) -> _Shaking:
    moment_s = photo.clock_s - photo.word_s
    rough_s = _WORD_ROUGHNESS * photo.word_s
    return _Shaking((moment_s - rough_s, moment_s + rough_s), moment_s)


def _from_gaps(photos: Sequence[_Clocked]) -> tuple[_Shaking, int]:
    """Find the shifts at which the gaps between photos fit most readings, and how many they fit."""
    clocks_s = sorted(photo.clock_s for photo in photos if not math.isnan(photo.clock_s))
    if len(clocks_s) > _MOST_COMPARED:
        return _Shaking(), 0
    shifts: defaultdict[int, list[float]] = defaultdict(list)
    for clock_s, (reading, due) in itertools.product(clocks_s, READING_TIMES.items()):
        moment_s = clock_s - due.nominal_s
        fits = {_near_reading(other_s - moment_s) for other_s in clocks_s} - {None}
        if _first(fits) is reading:  # else another photo places the same shift more finely
            shifts[len(fits)].append(moment_s)
    matched = max(shifts, default=0)
    moments_s = tuple(shifts.get(matched, ()))
    return _Shaking(moments_s, statistics.median(moments_s or (math.nan,))), matched


def _first(readings: set[Reading | None]) -> Reading | None:
    return next((reading for reading in Reading if reading in readings), None)


def _near_reading(elapsed_s: float) -> Reading | None:
    for reading, due in READING_TIMES.items():
        if due.near_s[0] <= elapsed_s <= due.near_s[1]:
            return reading
    return None


def _time(photo: _Clocked, shaking: _Shaking) -> tuple[TimedPhoto, Doubt | None]:
    """Settle one photo's time; the doubt says which of name and clock was used."""
    clock_s = _elapsed_by_clock(photo, shaking.moments_s)
    said_s = photo.look.seen.said_s
    if said_s is not None:
        return _timed(photo, clock_s if math.isnan(said_s) else said_s, TimeSource.BY_HAND), None
    if math.isnan(photo.word_s):
        source = TimeSource.UNKNOWN if math.isnan(clock_s) else shaking.source
        return _timed(photo, clock_s, source), None
    if not _is_contradicted(photo, shaking):
        agreed = same_time(clock_s, photo.word_s)
        elapsed_s, source = (clock_s, shaking.source) if agreed else (photo.word_s, TimeSource.NAME)
        return _timed(photo, elapsed_s, source), None
    if shaking.is_borne_out and not math.isnan(clock_s):
        used, elapsed_s, source = "the camera's clock", clock_s, shaking.source
    else:
        used, elapsed_s, source = "the file name", photo.word_s, TimeSource.NAME
    timed = _timed(photo, elapsed_s, source)
    return timed, doubt(DoubtName.TIMES_DISAGREE, photo=timed.name, used=used)


def _is_contradicted(photo: _Clocked, shaking: _Shaking) -> bool:
    # Without any moment that fits, the words contradict each other through their clocks.
    agrees = bool(shaking.moments_s) and _support([photo], shaking) > 0
    return photo.has_both and not agrees


def _timed(photo: _Clocked, elapsed_s: float, source: TimeSource) -> TimedPhoto:
    return TimedPhoto(photo.look.seen.key, shown(photo.look.seen.name), elapsed_s, source)


def _elapsed_by_clock(photo: _Clocked, moments_s: Sequence[float]) -> float:
    """Return the time on which all fitting moments agree [s]; NaN when there is none."""
    if math.isnan(photo.clock_s) or not moments_s:
        return math.nan
    all_s = [photo.clock_s - moment_s for moment_s in moments_s]
    middle_s = statistics.median(all_s)
    is_possible = min(all_s) > 0 and max(all_s) <= _LONGEST_WATCH_S
    return middle_s if is_possible and same_time(min(all_s), max(all_s)) else math.nan


def _backward(jar: str, photos: Sequence[_Clocked]) -> TimesError | None:
    """Tell when clocks run against the words, so that neither can be believed."""
    typed = [p for p in photos if p.has_both and p.look.seen.said_s is None]
    both = sorted(typed, key=lambda p: (p.word_s, p.clock_s))
    for early, late in itertools.pairwise(both):
        if _runs_backward(early, late):
            names = f"{shown(early.look.seen.name)} and {shown(late.look.seen.name)}"
            return TimesError(
                f"Jar {jar}: by their names {names} come in one order and by the camera's clock "
                "in the other; correct the names."
            )
    return None


def _runs_backward(early: _Clocked, late: _Clocked) -> bool:
    if same_time(early.word_s, late.word_s):
        return False
    back_s = early.clock_s - late.clock_s
    # A little backward in a long time: copies stamped when they were saved, no capture times.
    return max(SAME_S, 0.1 * (late.word_s - early.word_s)) < back_s <= _LONGEST_WATCH_S


def _elapsed_order(photo: TimedPhoto) -> tuple[bool, float, object]:
    is_unknown = math.isnan(photo.elapsed_s)
    return is_unknown, 0.0 if is_unknown else photo.elapsed_s, natural_key(photo.key)


def _choose(timed: Sequence[TimedPhoto], photos: Sequence[_Clocked]) -> dict[Reading, TimedPhoto]:
    """Take the photo nearest in log time to each reading; the last untimed one may be the last."""
    nearest = {reading: _nearest(timed, due) for reading, due in READING_TIMES.items()}
    chosen = {reading: photo for reading, photo in nearest.items() if photo is not None}
    if Reading.TWO_DAYS not in chosen:
        last = _last_untimed(timed, photos)
        if last is not None:
            chosen[Reading.TWO_DAYS] = replace(last, source=TimeSource.ORDER)
    return chosen or _off_time(timed)


def _off_time(timed: Sequence[TimedPhoto]) -> dict[Reading, TimedPhoto]:
    """Let the newest photo stand for the early reading nearest to it, where no other can."""
    known = [photo for photo in timed if photo.elapsed_s > 0]
    if not known:
        return {}
    newest = max(known, key=lambda photo: photo.elapsed_s)
    early = (Reading.ONE_MINUTE, Reading.TWO_HOURS)
    far = {r: abs(math.log(newest.elapsed_s / READING_TIMES[r].nominal_s)) for r in early}
    return {min(early, key=far.__getitem__): newest}


def _last_untimed(timed: Sequence[TimedPhoto], photos: Sequence[_Clocked]) -> TimedPhoto | None:
    """Return the last photo of unknown time, unless the clock puts one of known time after it."""
    untimed = {photo.key: photo for photo in timed if math.isnan(photo.elapsed_s)}
    if not untimed:
        return None
    last = max((p for p in photos if p.look.seen.key in untimed), key=_lateness)
    is_overtaken = any(photo.clock_s > last.clock_s for photo in photos)
    return None if is_overtaken else untimed[last.look.seen.key]


def _nearest(timed: Sequence[TimedPhoto], due: ReadingTime) -> TimedPhoto | None:
    usable = [p for p in timed if due.usable_s[0] <= p.elapsed_s <= due.usable_s[1]]
    return min(usable, key=lambda p: abs(math.log(p.elapsed_s / due.nominal_s)), default=None)


def _lateness(photo: _Clocked) -> tuple[float, object]:
    clock_s = -math.inf if math.isnan(photo.clock_s) else photo.clock_s
    return clock_s, natural_key(photo.look.seen.key)


def _time_doubts(timed: Sequence[TimedPhoto], chosen: Mapping[Reading, TimedPhoto]) -> list[Doubt]:
    unknown = [photo.name for photo in timed if math.isnan(photo.elapsed_s)]
    found = [doubt(DoubtName.TIME_UNKNOWN, photo=listed(unknown))] if unknown else []
    for reading, photo in chosen.items():
        due = READING_TIMES[reading]
        if photo.elapsed_s < due.near_s[0] or photo.elapsed_s > due.near_s[1]:
            elapsed = spoken_time(photo.elapsed_s)
            facts = {"photo": photo.name, "elapsed": elapsed, "wanted": due.spoken}
            found.append(doubt(DoubtName.TIME_OFF, **facts))
    return found


def _doubles_of(
    looks: Sequence[NamedSighting], doubles: Mapping[str, Sequence[NamedSighting]]
) -> tuple[tuple[tuple[str, str], ...], list[Doubt]]:
    pairs = [(other, used) for used in looks for other in doubles[used.seen.key]]
    keys = tuple((other.seen.key, used.seen.key) for other, used in pairs)
    found = [
        doubt(DoubtName.SAME_PHOTO_TWICE, photo=shown(other.seen.name), other=shown(used.seen.name))
        for other, used in pairs
    ]
    return keys, found


def strip_number_of(looks: Sequence[NamedSighting]) -> int | None:
    """Give the number on a jar's strip; None where no photo shows one."""
    return next((n for look in looks if (n := look.seen.jar_number) is not None), None)
