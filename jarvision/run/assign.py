"""Which photos show which jar.

Nothing here opens a file: it works on names, strip numbers, clock times and digests.

How a photo finds its jar
    0. Where somebody said which jar a photo shows, it joins the jar that has this name without it.
    1. Photos with the same strip number are one jar in one folder, and in several where their
       times are those of one jar; `same_strip` tells.
    2. A photo without a readable strip joins the strip's jar whose photos lie in the same folder
       and bear the same name apart from the time.
    3. Else its name without the time names the jar ("bed north 48h.jpeg": "bed north"), within
       its folder.
    4. A name that only a camera gave (IMG_1234) names nothing: the folder names the jar.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePath

from jarvision.core.errors import MixedJarsError
from jarvision.core.files import natural_key, shown
from jarvision.core.series import JarPhotos, Sighting
from jarvision.results.jar_folder import jar_key
from jarvision.run.file_names import NamedSighting, listed, name_key, named, same_time
from jarvision.run.same_strip import Part, folder_words, notes_of, parts_of
from jarvision.run.timing import place_in_time, strip_number_of


@dataclass(frozen=True, slots=True)
class Grouped:
    """Jars in natural order of their names, and what had to be guessed, to be asked about."""

    jars: list[JarPhotos]
    notes: tuple[str, ...] = ()


def group(
    sightings: Iterable[Sighting], *, shaken_at: datetime | None = None, as_one: bool = False
) -> Grouped:
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
    Grouped
        Each photo is in exactly one jar, in `timed` or in `duplicates`.

    Raises
    ------
    MixedJarsError
        `as_one`, but the strips show different numbers.
    """
    photos, doubles = _without_doubles(sorted(map(named, sightings), key=_order))
    if as_one:
        _refuse_mixed(photos)
    told = [] if as_one else [look for look in photos if look.seen.said_jar]
    photos = [look for look in photos if look not in told]
    jars = {_ALL: photos} if as_one and photos else _by_jar(photos)
    parts = {
        jar: (Part(tuple(looks)),) if as_one else parts_of(looks, shaken_at)
        for jar, looks in jars.items()
    }
    names = _jar_names(parts)
    _join(told, jars, parts, names)
    placed = [
        place_in_time(name, part.looks, doubles, shaken_at)
        for jar, own in parts.items()
        for name, part in zip(names[jar], own, strict=True)
    ]
    notes = [] if as_one else notes_of((_plain_name(j, jars[j]), parts[j], names[j]) for j in jars)
    return Grouped(sorted(placed, key=lambda jar: natural_key(jar.jar)), tuple(notes))


def _order(look: NamedSighting) -> tuple[object, ...]:
    return natural_key(look.seen.key)


_Jar = tuple[str, ...]
_ALL: _Jar = ("all",)


def _without_doubles(
    looks: Iterable[NamedSighting],
) -> tuple[list[NamedSighting], dict[str, list[NamedSighting]]]:
    """Keep one of each picture: the one whose name says most; list the others under its key."""
    same: defaultdict[str, list[NamedSighting]] = defaultdict(list)
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


def _by_jar(looks: Sequence[NamedSighting]) -> dict[_Jar, list[NamedSighting]]:
    numbers = _numbers_by_place(looks)
    shared = Counter(look.place for look in looks if look.has_word)
    jars: defaultdict[_Jar, list[NamedSighting]] = defaultdict(list)
    for look in looks:
        jars[_jar_of(look, numbers, shared)].append(look)
    return dict(jars)


def _join(
    told: Iterable[NamedSighting],
    jars: dict[_Jar, list[NamedSighting]],
    parts: dict[_Jar, tuple[Part, ...]],
    names: dict[_Jar, list[str]],
) -> None:
    """Put photos of which somebody said the jar to the jar of that name, or make it."""
    by_name: dict[str, list[NamedSighting]] = {}
    for look in told:
        by_name.setdefault(jar_key(look.seen.said_jar), []).append(look)
    for key, looks in by_name.items():
        places = [
            (j, i) for j, own in names.items() for i, n in enumerate(own) if jar_key(n) == key
        ]
        if places:
            [(jar, i), *_] = places
            own = list(parts[jar])
            own[i] = replace(own[i], looks=tuple(sorted((*own[i].looks, *looks), key=_order)))
            parts[jar] = tuple(own)
        else:
            jar = ("said", key)
            number = strip_number_of(looks)
            name = shown(looks[0].seen.said_jar, longest=80) if number is None else str(number)
            jars[jar], parts[jar], names[jar] = looks, (Part(tuple(looks)),), [name]


def _numbers_by_place(looks: Iterable[NamedSighting]) -> dict[tuple[str, str], set[int]]:
    numbers: defaultdict[tuple[str, str], set[int]] = defaultdict(set)
    for look in looks:
        if look.seen.jar_number is not None and (look.is_named or look.has_word):
            numbers[look.place].add(look.seen.jar_number)
    return numbers


def _jar_of(
    look: NamedSighting,
    numbers: Mapping[tuple[str, str], set[int]],
    shared: Mapping[tuple[str, str], int],
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


def _refuse_mixed(looks: Iterable[NamedSighting]) -> None:
    numbers = sorted({n for look in looks if (n := look.seen.jar_number) is not None})
    if len(numbers) > 1:
        strips = listed([str(number) for number in numbers])
        msg = f"These photos show different jars, with strips {strips}; give each jar's own photos."
        raise MixedJarsError(msg)


def _jar_names(jars: Mapping[_Jar, Sequence[Part]]) -> dict[_Jar, list[str]]:
    """Name each jar's parts; strips keep their number, what else shares a name gets its folder."""
    plain = {jar: _plain_name(jar, parts[0].looks) for jar, parts in jars.items()}
    counts = Counter(map(name_key, plain.values()))
    folders = folder_words({part.looks[0].seen.folder for own in jars.values() for part in own})
    names: dict[_Jar, list[str]] = {}
    taken: set[str] = set()
    for jar in sorted(jars, key=lambda jar: (jar[0] != "strip", jar)):
        is_shared = jar[0] != "strip" and counts[name_key(plain[jar])] > 1
        names[jar] = []
        for part in jars[jar]:
            folder = folders[part.looks[0].seen.folder] if is_shared else ""
            told_by = ", ".join(filter(None, [folder, part.told_by]))
            name = f"{plain[jar]} ({shown(told_by, longest=80)})" if told_by else plain[jar]
            names[jar].append(_untaken(name, taken))
            taken.add(jar_key(names[jar][-1]))
    return names


def _untaken(name: str, taken: set[str]) -> str:
    candidates = (name if count == 1 else f"{name} {count}" for count in range(1, len(taken) + 3))
    return next(candidate for candidate in candidates if jar_key(candidate) not in taken)


def _plain_name(jar: _Jar, looks: Sequence[NamedSighting]) -> str:
    number = strip_number_of(looks)
    if number is not None:
        return str(number)
    is_shared = len({look.key for look in looks if look.key}) == 1
    if is_shared and (jar[0] == "name" or looks[0].is_named):
        rests = Counter(look.rest for look in looks if look.key)
        return shown(rests.most_common(1)[0][0], longest=80)
    return _folder_name(looks[0])


def _folder_name(look: NamedSighting) -> str:
    return shown(PurePath(look.seen.folder).name or "photos", longest=80)
