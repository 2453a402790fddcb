"""Photos of one strip: one jar, or several that carried it in turn, told by folders and days.

Strips are used again, by the next class or next year. Photos in one folder are one jar unless a
later batch of them begins anew; photos in several folders are one jar only where their times say
so. Nothing here opens a file.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath

from jarvision.core.doubts import DoubtName
from jarvision.core.series import DAY_S, READING_TIMES, JarPhotos, Reading
from jarvision.run.file_names import NamedSighting, listed, same_time
from jarvision.run.timing import place_in_time

_PAUSE_S = 4 * DAY_S
"""A longer pause between two photos may be the strip's change to another jar: the longest of the
usual pauses, between 2 hours and 48, stays below it, and so does a weekend after it."""
_LONGEST_S = 14 * DAY_S
"""Photos in several folders are further apart than one jar's are taken to be."""

Looks = tuple[NamedSighting, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """Photos of a strip that are one jar.

    Attributes
    ----------
    looks : tuple of NamedSighting
    told_by : str
        What tells it from the strip's other jars, a folder or a day; empty where it is alone.
    """

    looks: Looks
    told_by: str = ""


def parts_of(looks: Sequence[NamedSighting], shaken_at: datetime | None) -> tuple[Part, ...]:
    """Part the photos of one strip into jars.

    Parameters
    ----------
    looks : sequence of NamedSighting
        All photos that show the strip or belong to one that does.
    shaken_at : datetime or None
        When the jars were shaken, by the camera's clock.

    Returns
    -------
    tuple of Part
        In the order of folders and days; one where all fit together.
    """
    folders: defaultdict[str, list[NamedSighting]] = defaultdict(list)
    for look in looks:
        folders[look.seen.folder].append(look)
    joined = _joined([tuple(own) for own in folders.values()], shaken_at)
    words = folder_words({look.seen.folder for look in looks})
    parts = []
    for one in joined:
        spans = _spans(one)
        named = [words[min(look.seen.folder for look in one)]] if len(joined) > 1 else []
        for span in spans:
            day = [_day(span)] if len(spans) > 1 else []
            parts.append(Part(span, ", ".join([*named, *day])))
    return tuple(parts)


def notes_of(jars: Iterable[tuple[str, Sequence[Part], Sequence[str]]]) -> list[str]:
    """Say which jars were parted, and which were joined from several folders, and ask.

    Parameters
    ----------
    jars : iterable of (str, sequence of Part, sequence of str)
        What a jar would be called as one, its parts, and what they are called.

    Returns
    -------
    list of str
        At most a sentence of each kind.
    """
    apart, joined, example = [], [], ""
    for name, parts, called in jars:
        if len(parts) > 1:
            apart.append(name)
            example = example or listed(called)
        elif len({look.seen.folder for look in parts[0].looks}) > 1:
            joined.append(name)
    found = []
    if apart:
        found.append(
            f"{_called(apart)} in several folders, or on days too far apart for one jar, and read "
            f"as several, such as {example}. If it is one jar, put its photos into one folder, "
            "or name them all on its line of jars.csv."
        )
    if joined:
        found.append(
            f"{_called(joined)} in several folders at times that fit one jar, and read as one. If "
            "they are several, read each folder by itself, with an --out of its own."
        )
    return found


def _called(jars: Sequence[str]) -> str:
    many = len(jars) > 1
    return f"Jar{'s' * many} {listed(jars)} {'were' if many else 'was'} photographed"


# --- folders ------------------------------------------------------------------------------------


def _joined(folders: Sequence[Looks], shaken_at: datetime | None) -> list[Looks]:
    """Join folders whose photos can only be, or may well be, of one jar at different times."""
    groups: list[Looks] = []
    for own in sorted(folders, key=lambda looks: looks[0].seen.folder):
        for i, group in enumerate(groups):
            if _fit(group, own, shaken_at):
                groups[i] = (*group, *own)
                break
        else:
            groups.append(own)
    return groups


def _fit(first: Looks, second: Looks, shaken_at: datetime | None) -> bool:
    """Tell whether the photos of two folders are of one jar.

    A reading stands in one folder only, unless words and clocks of both tell one moment of shaking.
    """
    looks = (*first, *second)
    whole = _placed(looks, shaken_at)
    times_s = {timed.key: timed.elapsed_s for timed in whole.timed}
    known_s = [time_s for time_s in times_s.values() if not math.isnan(time_s)]
    if whole.problem or max(known_s, default=0.0) > _LONGEST_S:
        return False
    clocks_s = [_clock_s(look) for look in looks]
    is_short = not math.isnan(sum(clocks_s)) and max(clocks_s) - min(clocks_s) <= _PAUSE_S
    if len(known_s) < len(looks) and not is_short:
        return False
    alone = [_placed(own, shaken_at) for own in (first, second)]
    first_near, second_near = (_readings(own, times_s) for own in alone)
    told = [t.elapsed_s for jar in (whole, *alone) for t in jar.timed]
    is_told = not math.isnan(sum(told) + sum(clocks_s))
    is_free = is_told or not first_near & second_near
    return is_free and all(_keeps(own, whole, times_s) for own in alone)


def _keeps(alone: JarPhotos, whole: JarPhotos, times_s: Mapping[str, float]) -> bool:
    """Tell whether photos keep among others the times that they have by themselves."""
    pairs = [(timed.elapsed_s, times_s[timed.key]) for timed in alone.timed]
    counts = [
        sum(doubt.name is DoubtName.TIMES_DISAGREE for doubt in jar.doubts)
        for jar in (whole, alone)
    ]
    known = [pair for pair in pairs if not math.isnan(sum(pair))]
    return all(same_time(*pair) for pair in known) and counts[0] <= counts[1]


def _readings(alone: JarPhotos, times_s: Mapping[str, float]) -> set[Reading]:
    """List the readings near which photos were taken, by themselves or among the others."""
    both_s = [time_s for timed in alone.timed for time_s in (timed.elapsed_s, times_s[timed.key])]
    return {
        reading
        for reading, due in READING_TIMES.items()
        if any(due.near_s[0] <= time_s <= due.near_s[1] for time_s in both_s)
    }


def _placed(looks: Looks, shaken_at: datetime | None) -> JarPhotos:
    return place_in_time("", looks, {look.seen.key: () for look in looks}, shaken_at)


# --- spans of days ------------------------------------------------------------------------------


def _spans(looks: Looks) -> list[Looks]:
    """Part photos where, after a pause of days, early readings that were there come again."""
    clocked = sorted((k for k in looks if k.seen.taken_at is not None), key=_clock_s)
    if not clocked:
        return [looks]
    spans = [[clocked[0]]]
    for before, after in itertools.pairwise(clocked):
        if _clock_s(after) - _clock_s(before) > _PAUSE_S and _begins_anew(
            tuple(spans[-1]), tuple(look for look in clocked if _clock_s(look) >= _clock_s(after))
        ):
            spans.append([])
        spans[-1].append(after)
    spans[0] += [look for look in looks if look.seen.taken_at is None]
    return [tuple(span) for span in spans]


def _begins_anew(before: Looks, after: Looks) -> bool:
    """Tell whether a reading comes again that only a jar just shaken gives."""
    first, again = (set(_placed(looks, None).chosen) for looks in (before, after))
    return bool(first & again - {Reading.TWO_DAYS})


def _clock_s(look: NamedSighting) -> float:
    taken_at = look.seen.taken_at
    return math.nan if taken_at is None else _wall_s(taken_at)


def _wall_s(moment: datetime) -> float:
    return (moment.replace(tzinfo=None) - datetime(2000, 1, 1)).total_seconds()


def _day(looks: Looks) -> str:
    first = min((look for look in looks if look.seen.taken_at is not None), key=_clock_s)
    taken_at = first.seen.taken_at
    return "" if taken_at is None else taken_at.date().isoformat()


# --- words --------------------------------------------------------------------------------------


def folder_words(folders: Iterable[str]) -> dict[str, str]:
    """Call folders by as much of the end of their paths as tells them apart.

    Examples
    --------
    >>> folder_words(["a/class 1", "a/class 2"])
    {'a/class 1': 'class 1', 'a/class 2': 'class 2'}
    >>> folder_words(["x/jars", "y/jars"])
    {'x/jars': 'x jars', 'y/jars': 'y jars'}
    """
    paths = {folder: PurePath(folder).parts for folder in dict.fromkeys(folders)}
    words: dict[str, str] = {}
    for count in range(1, max(map(len, paths.values()), default=0) + 1):
        words = {folder: " ".join(parts[-count:]) for folder, parts in paths.items()}
        if len({text.casefold() for text in words.values()}) == len(words):
            break
    return {folder: words.get(folder, "").replace("/", "").strip() or "photos" for folder in paths}
