"""Which photos show which jar, and how long after shaking each was taken.

Nothing here opens a file: it works on names, strip numbers, clock times and digests.

How a photo finds its jar
    1. Photos with the same strip number are one jar, wherever they lie.
    2. A photo without a readable strip joins the strip's jar whose photos lie in the same folder
       and bear the same name apart from the time.
    3. Else its name without the time names the jar ("bed north 48h.jpeg": "bed north"), within
       its folder.
    4. A name that only a camera gave (IMG_1234) names nothing: the folder names the jar.

How a photo finds its time
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
import re
import statistics
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePath

from jarvision.core.errors import MixedJarsError, TimesError
from jarvision.core.files import PHOTO_SUFFIXES, natural_key, shown
from jarvision.core.measured import Doubt, DoubtName, doubt
from jarvision.core.series import (
    DAY_S,
    HOUR_S,
    MINUTE_S,
    READING_TIMES,
    JarPhotos,
    Reading,
    ReadingTime,
    Sighting,
    TimedPhoto,
    TimeSource,
    spoken_time,
)

_SAME_FACTOR = 1.5
_SAME_S = 30.0
# A jar is not watched for longer; a greater difference means that a clock was set wrongly.
_LONGEST_WATCH_S = 60 * DAY_S
# A folder of strangers' photos is no jar: no use in looking for a pattern in it.
_MOST_COMPARED = 40


def group(
    sightings: Iterable[Sighting], *, shaken_at: datetime | None = None, as_one: bool = False
) -> list[JarPhotos]:
    """Sort photos into jars and place them in time; the order of `sightings` does not matter.

    Parameters
    ----------
    sightings : iterable of Sighting
        The photos; a picture that comes twice is used once.
    shaken_at : datetime, optional
        When the jars were shaken, by the camera's clock.
    as_one : bool
        The user says that all photos show one jar.

    Returns
    -------
    list of JarPhotos
        In natural order of the jars' names. Each photo is in exactly one jar, in `timed` or in
        `duplicates`.

    Raises
    ------
    MixedJarsError
        `as_one`, but the strips show different numbers.
    """
    photos, doubles = _without_doubles(sorted(map(_look, sightings), key=_order))
    jars = {_ALL: photos} if as_one and photos else _by_jar(photos)
    if as_one:
        _refuse_mixed(photos)
    names = _jar_names(jars)
    placed = [_place(names[jar], jars[jar], doubles, shaken_at) for jar in jars]
    return sorted(placed, key=lambda jar: natural_key(jar.jar))


# --- words in file names ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NameParts:
    """A file name taken apart.

    Attributes
    ----------
    elapsed_s : float
        Time since shaking that it states [s]; NaN when none, or when two differ.
    rest : str
        The name without time, date and ending, as it can be shown.
    """

    elapsed_s: float
    rest: str


_UNITS_S: Mapping[str, float] = (
    dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0)
    | dict.fromkeys(("m", "min", "mins", "minute", "minutes"), MINUTE_S)
    | dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), HOUR_S)
    | dict.fromkeys(("d", "day", "days"), DAY_S)
)
_NUMBERS: Mapping[str, float] = {"one": 1.0, "two": 2.0, "three": 3.0, "six": 6.0, "twelve": 12.0}

_NOT_AFTER_WORD = r"(?<![^\W_])"
_NOT_BEFORE_WORD = r"(?![^\W_])"
_LONG_UNIT = "|".join(sorted((unit for unit in _UNITS_S if len(unit) > 1), key=len, reverse=True))
# A lone letter must touch its number: "plot 2 s" is no time. "1h30" and "1min 30s" are one time.
_TIME_WORD = re.compile(
    rf"{_NOT_AFTER_WORD}(?<!\d[.,])"
    rf"(?P<number>[0-9]{{1,4}}(?:[.,][0-9]{{1,2}})?|{'|'.join(_NUMBERS)})"
    rf"(?:[ _-]?(?P<long>{_LONG_UNIT})|(?P<letter>[smhd]))"
    rf"(?:[ _-]?(?P<more>[0-9]{{1,2}})(?P<more_unit>mins?|m|secs?|s)|(?<=h)(?P<glued>[0-9]{{2}}))?"
    rf"{_NOT_BEFORE_WORD}(?P<copy>[ _-]*\([0-9]{{1,2}}\))?"
)
_DATE = re.compile(
    rf"(?<![0-9])(?:19|20)\d\d[-_.]?(?:0\d|1[0-2])[-_.]?[0-3]\d(?![0-9])"
    rf"(?:[ _T-]*(?:at[ _])?[0-2]?\d[h.:-]?[0-5]\d(?:[m.:-]?[0-5]\d(?:\d{{3}})?s?)?"
    rf"{_NOT_BEFORE_WORD})?",
    re.ASCII | re.IGNORECASE,
)
_COPY = re.compile(r"(?:[ _-]+(?:copy|edited)(?:[ _-]?[0-9]{1,2})?|~[0-9]{1,2})$", re.IGNORECASE)


def name_parts(name: str) -> NameParts:
    """Read the time since shaking out of a file name, and leave the rest.

    Parameters
    ----------
    name : str
        File name, with or without an image's ending.

    Returns
    -------
    NameParts

    Examples
    --------
    >>> name_parts("jar-08-1min.jpg")
    NameParts(elapsed_s=60.0, rest='jar-08')
    >>> name_parts("bed north 48h.jpeg")
    NameParts(elapsed_s=172800.0, rest='bed north')
    >>> name_parts("IMG_20260504_101500.jpg")
    NameParts(elapsed_s=nan, rest='IMG')
    """
    stem = _COPY.sub("", _stem(unicodedata.normalize("NFC", name)))
    dateless = _DATE.sub(" ", stem)
    matches = _clearest(list(_TIME_WORD.finditer(dateless.lower())))
    times_s = [_seconds(match) for match in matches]
    agreed = bool(times_s) and all(same_time(times_s[0], other_s) for other_s in times_s)
    rest = _cut(dateless, [match.span() for match in matches]) if agreed else dateless
    return NameParts(times_s[-1] if agreed else math.nan, _tidy(rest))


def _stem(name: str) -> str:
    path = PurePath(name)
    return path.stem if path.suffix.casefold() in PHOTO_SUFFIXES else path.name


def _clearest(matches: list[re.Match[str]]) -> list[re.Match[str]]:
    """Drop bare s, m and d (metres, plots) beside a clearer time, and times that cannot be."""
    possible = [match for match in matches if 0 < _seconds(match) <= 366 * DAY_S]
    clear = [match for match in possible if match["letter"] not in {"s", "m", "d"}]
    return clear or possible


def _seconds(match: re.Match[str]) -> float:
    unit_s = _UNITS_S[match["long"] or match["letter"]]
    number = _NUMBERS.get(match["number"]) or float(match["number"].replace(",", "."))
    if match["more"]:
        return number * unit_s + float(match["more"]) * _UNITS_S[match["more_unit"]]
    return number * unit_s + float(match["glued"] or 0) * unit_s / 60


def _cut(text: str, spans: Sequence[tuple[int, int]]) -> str:
    for start, end in reversed(spans):
        text = f"{text[:start]}\0{text[end:]}"
    return text


def _tidy(rest: str) -> str:
    rest = re.sub(r"[(\[{][ _\0-]*[)\]}]", "\0", rest)
    rest = re.sub(r"[ _.\-]*\0[ _.\-]*", " ", rest).strip(" _.-")
    return re.sub(r"[ _-]+(?:after|at)$", "", rest, flags=re.IGNORECASE).strip(" _.-")


def _name_key(rest: str) -> str:
    """Make names equal that differ in capitals, separators or leading zeros only."""
    words = re.sub(r"[\s_.\-]+", " ", rest.casefold()).strip()
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", words)


_CAMERA_WORDS = (
    "img|image|imag|dsc|dscf|dscn|dscp|pxl|mvimg|photo|foto|picture|pic|wa|whatsapp|screenshot|"
    "scan|gopr|sam|cimg|signal|received|fb|snapchat|p|e|burst|cover|hdr|portrait|night|file|"
    "untitled|unnamed|upload|camera|cam|at"
)
_CAMERA_WORD = re.compile(rf"(?:{_CAMERA_WORDS})?e?[0-9]*|\([0-9]+\)|(?=[a-f]*[0-9])[0-9a-f]{{8,}}")
_UUID = re.compile(r"[0-9a-f]{8}(?: [0-9a-f]{1,4}){3} [0-9a-f]{1,12}")


def _is_camera_name(key: str) -> bool:
    """Tell a name that a camera or an app gave from one that a person gave."""
    return bool(_UUID.fullmatch(key)) or all(_CAMERA_WORD.fullmatch(word) for word in key.split())


# --- photos into jars ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Look:
    """A sighting with what its name says."""

    seen: Sighting
    word_s: float
    rest: str
    key: str

    @property
    def place(self) -> tuple[str, str]:
        return self.seen.folder, self.key

    @property
    def has_word(self) -> bool:
        return not math.isnan(self.word_s)

    @property
    def is_named(self) -> bool:
        return not _is_camera_name(self.key)


_Jar = tuple[str, ...]
_ALL: _Jar = ("all",)


def _look(seen: Sighting) -> _Look:
    parts = name_parts(seen.name)
    return _Look(seen, parts.elapsed_s, parts.rest, _name_key(parts.rest))


def _order(look: _Look) -> tuple[object, ...]:
    return natural_key(look.seen.key)


def _without_doubles(
    looks: Iterable[_Look],
) -> tuple[list[_Look], dict[str, list[_Look]]]:
    """Keep one of each picture: the one whose name says most; list the others under its key."""
    same: defaultdict[str, list[_Look]] = defaultdict(list)
    for look in looks:
        same[look.seen.digest or f"key:{look.seen.key}"].append(look)
    kept = []
    doubles = {}
    for alike in same.values():
        # a copy's name is the longer one
        first, *others = sorted(
            alike, key=lambda look: (not look.has_word, not look.is_named, len(look.seen.name))
        )
        if not all(same_time(first.word_s, other.word_s) for other in others if other.has_word):
            first = replace(first, word_s=math.nan)  # one picture cannot be of two times
        kept.append(first)
        doubles[first.seen.key] = others
    return kept, doubles


def _by_jar(looks: Sequence[_Look]) -> dict[_Jar, list[_Look]]:
    numbers = _numbers_by_place(looks)
    shared = Counter(look.place for look in looks if look.has_word)
    jars: defaultdict[_Jar, list[_Look]] = defaultdict(list)
    for look in looks:
        jars[_jar_of(look, numbers, shared)].append(look)
    return dict(jars)


def _numbers_by_place(looks: Iterable[_Look]) -> dict[tuple[str, str], set[int]]:
    numbers: defaultdict[tuple[str, str], set[int]] = defaultdict(set)
    for look in looks:
        if look.seen.jar_number is not None and (look.is_named or look.has_word):
            numbers[look.place].add(look.seen.jar_number)
    return numbers


def _jar_of(
    look: _Look, numbers: Mapping[tuple[str, str], set[int]], shared: Mapping[tuple[str, str], int]
) -> _Jar:
    if look.seen.jar_number is not None:
        return ("strip", str(look.seen.jar_number))
    beside = numbers.get(look.place, set())
    if len(beside) == 1 and (look.is_named or look.has_word):
        return ("strip", str(*beside))
    # "7 1min" and "7 2h" are jar 7; a lone "IMG_1234 2h" is not jar IMG_1234.
    if look.key and (look.is_named or shared.get(look.place, 0) > 1):
        return ("name", *look.place)
    return ("folder", look.seen.folder)


def _refuse_mixed(looks: Iterable[_Look]) -> None:
    numbers = sorted({n for look in looks if (n := look.seen.jar_number) is not None})
    if len(numbers) > 1:
        listed = _listed([str(number) for number in numbers])
        msg = f"These photos show different jars, with strips {listed}; give each jar's own photos."
        raise MixedJarsError(msg)


def _listed(names: Sequence[str]) -> str:
    """Join names in words, the first three of many.

    Examples
    --------
    >>> _listed(["a", "b"]), _listed(["a", "b", "c", "d", "e"])
    ('a and b', 'a, b, c and 2 more')
    """
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _jar_names(jars: Mapping[_Jar, Sequence[_Look]]) -> dict[_Jar, str]:
    """Name each jar; strips keep their number, others that would share a name get their folder."""
    plain = {jar: _plain_name(jar, looks) for jar, looks in jars.items()}
    counts = Counter(_name_key(name) for name in plain.values())
    names: dict[_Jar, str] = {}
    taken: set[str] = set()
    for jar in sorted(jars, key=lambda jar: (jar[0] != "strip", jar)):
        name = plain[jar]
        if jar[0] != "strip" and counts[_name_key(name)] > 1:
            name = f"{name} ({_folder_name(jars[jar][0])})"
        names[jar] = _untaken(name, taken)
        taken.add(names[jar].casefold())
    return names


def _untaken(name: str, taken: set[str]) -> str:
    candidates = (name if count == 1 else f"{name} {count}" for count in range(1, len(taken) + 3))
    return next(candidate for candidate in candidates if candidate.casefold() not in taken)


def _plain_name(jar: _Jar, looks: Sequence[_Look]) -> str:
    number = _number(looks)
    if number is not None:
        return str(number)
    is_shared = len({look.key for look in looks if look.key}) == 1
    if is_shared and (jar[0] == "name" or looks[0].is_named):
        rests = Counter(look.rest for look in looks if look.key)
        return shown(rests.most_common(1)[0][0], longest=80)
    return _folder_name(looks[0])


def _folder_name(look: _Look) -> str:
    return shown(PurePath(look.seen.folder).name or "photos", longest=80)


def _number(looks: Sequence[_Look]) -> int | None:
    return next((n for look in looks if (n := look.seen.jar_number) is not None), None)


# --- photos into time ---------------------------------------------------------------------------


def same_time(first_s: float, second_s: float, *, slack_s: float = 0.0) -> bool:
    """Tell whether two times since shaking agree: within a factor of 1.5, or within 30 s.

    Parameters
    ----------
    first_s, second_s : float
        Times since shaking [s]; NaN agrees with nothing.
    slack_s : float
        Added to the 30 s [s].
    """
    if abs(first_s - second_s) <= _SAME_S + slack_s:
        return True
    low_s, high_s = sorted((first_s, second_s))
    return low_s > 0 and high_s <= _SAME_FACTOR * low_s


@dataclass(frozen=True, slots=True)
class _Clocked:
    """A photo with its word and its clock, in seconds from one arbitrary moment of the jar."""

    look: _Look
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


def _place(
    jar: str,
    looks: Sequence[_Look],
    doubles: Mapping[str, Sequence[_Look]],
    shaken_at: datetime | None,
) -> JarPhotos:
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
        number=_number(looks),
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
    looks: Sequence[_Look], shaken_at: datetime | None
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
    both = sorted((p for p in photos if p.has_both), key=lambda p: (p.word_s, p.clock_s))
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
    return max(_SAME_S, 0.1 * (late.word_s - early.word_s)) < back_s <= _LONGEST_WATCH_S


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
    return chosen


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


# --- doubts -------------------------------------------------------------------------------------


def _time_doubts(timed: Sequence[TimedPhoto], chosen: Mapping[Reading, TimedPhoto]) -> list[Doubt]:
    unknown = [photo.name for photo in timed if math.isnan(photo.elapsed_s)]
    found = [doubt(DoubtName.TIME_UNKNOWN, photo=_listed(unknown))] if unknown else []
    for reading, photo in chosen.items():
        due = READING_TIMES[reading]
        if photo.elapsed_s < due.near_s[0] or photo.elapsed_s > due.near_s[1]:
            elapsed = spoken_time(photo.elapsed_s)
            facts = {"photo": photo.name, "elapsed": elapsed, "wanted": due.spoken}
            found.append(doubt(DoubtName.TIME_OFF, **facts))
    return found


def _doubles_of(
    looks: Sequence[_Look], doubles: Mapping[str, Sequence[_Look]]
) -> tuple[tuple[tuple[str, str], ...], list[Doubt]]:
    pairs = [(other, used) for used in looks for other in doubles[used.seen.key]]
    keys = tuple((other.seen.key, used.seen.key) for other, used in pairs)
    found = [
        doubt(DoubtName.SAME_PHOTO_TWICE, photo=shown(other.seen.name), other=shown(used.seen.name))
        for other, used in pairs
    ]
    return keys, found
