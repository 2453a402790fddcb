"""What a file name says of a photo: the time since shaking, and which jar.

A name that only a camera gave says nothing.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from jarvision.core.files import PHOTO_SUFFIXES
from jarvision.core.series import DAY_S, HOUR_S, MINUTE_S, Sighting

# A jar's photos are compared by these, in names and by clocks.
_SAME_FACTOR = 1.5
SAME_S = 30.0


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


def name_key(rest: str) -> str:
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


@dataclass(frozen=True, slots=True)
class NamedSighting:
    """A sighting with what its name says."""

    seen: Sighting
    word_s: float
    rest: str
    key: str

    @property
    def place(self) -> tuple[str, str]:
        """Folder and name without the time."""
        return self.seen.folder, self.key

    @property
    def has_word(self) -> bool:
        """Whether the name states a time."""
        return not math.isnan(self.word_s)

    @property
    def is_named(self) -> bool:
        """Whether a person gave the name."""
        return not _is_camera_name(self.key)


def named(seen: Sighting) -> NamedSighting:
    """Add to a sighting what its name says; what somebody said of its time goes before."""
    parts = name_parts(seen.name)
    word_s = parts.elapsed_s if seen.said_s is None else seen.said_s
    return NamedSighting(seen, word_s, parts.rest, name_key(parts.rest))


def same_time(first_s: float, second_s: float, *, slack_s: float = 0.0) -> bool:
    """Tell whether two times since shaking agree: within a factor of 1.5, or within 30 s.

    Parameters
    ----------
    first_s, second_s : float
        Times since shaking [s]; NaN agrees with nothing.
    slack_s : float
        Added to the 30 s [s].
    """
    if abs(first_s - second_s) <= SAME_S + slack_s:
        return True
    low_s, high_s = sorted((first_s, second_s))
    return low_s > 0 and high_s <= _SAME_FACTOR * low_s


def listed(names: Sequence[str]) -> str:
    """Join names in words, the first three of many.

    Examples
    --------
    >>> listed(["a", "b"]), listed(["a", "b", "c", "d", "e"])
    ('a and b', 'a, b, c and 2 more')
    """
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
