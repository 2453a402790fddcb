"""What a jar's file may hold: classes that mirror it, and limits of every number, text and list.

The library that turns JSON into them (cattrs) takes no value for another, as strings for numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from itertools import chain
from typing import Any, NewType, TypeVar, get_args, get_origin

import numpy as np
from cattrs import BaseValidationError, Converter, transform_error

from jarvision.core.arrays import Array
from jarvision.core.measured import Measured
from jarvision.core.series import SaidOfPhoto
from jarvision.estimate.given import Given
from jarvision.estimate.sand_grading import SandGrading
from jarvision.results.record import (
    DepositTop,
    Interim,
    MadeFrom,
    NamedDoubt,
    PhotoView,
    PutRight,
    ReadingRow,
    Unread,
)
from jarvision.wall.measurement import JarMeasurement

WRONG = (BaseValidationError, ArithmeticError, LookupError, TypeError, ValueError)
"""What is raised where a file holds something that it may not."""

_MOST_ITEMS = 20_000
_LONGEST_TEXT = 2_000

T = TypeVar("T")


def require(holds: bool, what: str) -> None:
    """Raise where a file is wrong, in a few words."""
    if not holds:
        raise ValueError(what)


def what_is_wrong(error: Exception) -> str:
    """Say in a few words where a file is wrong: the first place that is."""
    if isinstance(error, BaseValidationError):
        where = [words.split(" @ $")[-1].strip(".") for words in transform_error(error)]
        return next(iter(where), "") or "its shape"
    return str(error).rstrip(".")[:200] or "its shape"


# Numbers by what they may be. Those that may be unknown are null in the file and NaN here.
Height = NewType("Height", float)
KnownHeight = NewType("KnownHeight", float)
Positive = NewType("Positive", float)
Percent = NewType("Percent", float)
KnownPercent = NewType("KnownPercent", float)
KnownOdds = NewType("KnownOdds", float)
_HIGHEST, _LARGEST = 10_000.0, 1e9
_NUMBERS: dict[Any, tuple[float, float, bool]] = {  # lowest, highest, whether it may be unknown
    float: (-_LARGEST, _LARGEST, True),
    Height: (-_HIGHEST, _HIGHEST, True),
    KnownHeight: (-_HIGHEST, _HIGHEST, False),
    Positive: (0.0, _HIGHEST, True),
    Percent: (0.0, 100.0, True),
    KnownPercent: (0.0, 100.0, False),
    KnownOdds: (0.0, 1.0, False),
}
_UNKNOWN = math.nan

DrawsPct = NewType("DrawsPct", Array)
"""Compositions, (n, 3); as an array, since a class's are by far the most numbers of all."""


@dataclass(frozen=True, slots=True)
class FileShare:
    """A share with its limits."""

    value: KnownPercent
    sd: Positive = Positive(_UNKNOWN)
    lo: Percent = Percent(_UNKNOWN)
    hi: Percent = Percent(_UNKNOWN)


@dataclass(frozen=True, slots=True)
class FileCurve:
    """How the deposit rose."""

    time_s: tuple[float, ...]
    lo_mm: tuple[KnownHeight, ...]
    mid_mm: tuple[KnownHeight, ...]
    hi_mm: tuple[KnownHeight, ...]


@dataclass(frozen=True, slots=True)
class FileShares:
    """The result in one of the two ways of telling it."""

    sand_pct: FileShare
    silt_pct: FileShare
    clay_pct: FileShare
    class_odds: dict[str, KnownOdds]
    draws_pct: DrawsPct
    why: str = ""
    prior_note: str = ""
    water_state: str = ""
    curve: FileCurve | None = None
    doubts: tuple[NamedDoubt, ...] = ()


@dataclass(frozen=True, slots=True)
class FileRange:
    """A number with its 90 % range."""

    value: Positive = Positive(_UNKNOWN)
    lo: Positive = Positive(_UNKNOWN)
    hi: Positive = Positive(_UNKNOWN)


@dataclass(frozen=True, slots=True)
class FileSand:
    """How coarse the sand is."""

    lies_as: SandGrading
    mean_mm: FileRange
    sizes_um: tuple[Positive, ...]
    finer_pct: tuple[tuple[KnownPercent, ...], ...]
    finer_than_mm: Positive = Positive(_UNKNOWN)
    of_sand_pct: dict[str, FileRange] | None = None
    of_soil_pct: dict[str, FileRange] | None = None
    class_odds: dict[str, KnownOdds] | None = None


@dataclass(frozen=True, slots=True)
class FileHeight:
    """A height [mm]; unknown where its layer is not down yet."""

    value: Height
    sd: Positive = Positive(_UNKNOWN)

    def measured(self) -> Measured:
        """Give it with its unit."""
        return Measured(self.value, self.sd, "mm")


@dataclass(frozen=True, slots=True)
class FileTops:
    """The tops of the layers."""

    sand: FileHeight
    silt: FileHeight
    clay: FileHeight


@dataclass(frozen=True, slots=True)
class FileBoundary:
    """A layer's top in a photo."""

    layer: str
    top: KnownHeight
    sd: Positive = Positive(_UNKNOWN)


@dataclass(frozen=True, slots=True)
class FilePhoto:
    """A photo that was read, as far as anybody wants to know it again."""

    name: str
    reading: Any = None
    elapsed_s: float = _UNKNOWN
    time_from: Any = ""
    overlay: Any = None
    boundaries: tuple[FileBoundary, ...] = ()


@dataclass(frozen=True, slots=True)
class FileLeftOut:
    """A photo that was not used."""

    photo: str
    sentence: str


@dataclass(frozen=True, slots=True)
class File:
    """A jar's file."""

    jar: str
    made_by: str = ""
    name: str = ""
    bed: str = ""
    strip_number: Any = None
    left_out: tuple[FileLeftOut, ...] = ()
    made_from: MadeFrom | None = None
    photos: tuple[FilePhoto, ...] = ()
    unread: Unread | None = None
    scaled: Any = False
    tops: FileTops | None = None
    water_line: Height = Height(_UNKNOWN)
    by_height: FileShares | None = None
    by_weight: FileShares | None = None
    not_weighed: str = ""
    water_state: str = ""
    jar_profile: str | None = None
    doubts: tuple[NamedDoubt, ...] = ()
    marks_on_glass: Any = None
    row: ReadingRow | None = None
    measurement: JarMeasurement | None = None
    given: Given | None = None
    interim: Interim | None = None
    views: tuple[PhotoView, ...] = ()
    as_read: JarMeasurement | None = None
    put_right: tuple[PutRight, ...] = ()
    water_sd_mm: Positive = Positive(_UNKNOWN)
    deposit: tuple[DepositTop, ...] = ()
    said_of_photos: tuple[SaidOfPhoto, ...] = ()
    sand: FileSand | None = None


def _number_hook(kind: Any) -> Callable[[object, Any], float]:
    low, high, may_be_unknown = _NUMBERS[kind]

    def number(value: object, _: Any) -> float:
        if type(value) is float and low <= value <= high:  # nearly all are
            return value
        if value is None and may_be_unknown:
            return math.nan
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypeError
        require(low <= value <= high, "out of range")
        return float(value)

    return number


def _exactly(kind: type[T]) -> Callable[[object, Any], T]:
    """Take a value of one kind only: the library would make a text of anything."""

    def same(value: object, _: Any) -> T:
        if type(value) is not kind:
            raise TypeError
        return value

    return same


def _text(value: object, _: Any) -> str:
    if type(value) is not str:
        raise TypeError
    return value[:_LONGEST_TEXT]


def _name(value: object, kind: type[StrEnum]) -> StrEnum:
    return kind(_text(value, None))


def _tuple_hook(kind: Any, codec: Converter) -> Callable[[object, Any], tuple[Any, ...]]:
    """Take a list only, and none that is longer than any result's."""
    kinds = [item for item in get_args(kind) if item is not Ellipsis]
    hooks = [(codec.get_structure_hook(one), one) for one in kinds]
    is_open = Ellipsis in get_args(kind)

    inner = get_args(kinds[0]) if is_open and _is_tuple(kinds[0]) else ()
    bounds = [_NUMBERS[one] for one in inner if one in _NUMBERS]
    is_table = len(bounds) == len(inner) > 0
    low, high = max([b[0] for b in bounds], default=0), min([b[1] for b in bounds], default=0)

    def several(value: object, _: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise TypeError
        if is_table and len(value) <= _MOST_ITEMS and _are_rows(value, len(inner), low, high):
            return tuple(tuple(map(float, row)) for row in value)
        require(len(value) <= _MOST_ITEMS, "too many")
        each = hooks * len(value) if is_open else hooks
        return tuple(hook(item, one) for item, (hook, one) in zip(value, each, strict=True))

    return several


def _are_rows(value: list[Any], width: int, low: float, high: float) -> bool:
    """Tell at once of many numbers that each row is so many in range; false leads to a look."""
    if not _are_lists(value, width):
        return False
    numbers = list(chain.from_iterable(value))
    if not set(map(type, numbers)) <= {int, float} or not all(map(math.isfinite, numbers)):
        return False
    return bool(low <= min(numbers) and max(numbers) <= high)


def _are_lists(value: list[Any], width: int) -> bool:
    return set(map(type, value)) == {list} and set(map(len, value)) == {width}


def _draws(value: object, _: Any) -> DrawsPct:
    if not isinstance(value, list) or not (len(value) == 0 or _are_lists(value, 3)):
        raise TypeError
    require(len(value) <= _MOST_ITEMS, "too many")
    numbers = list(chain.from_iterable(value))
    if not set(map(type, numbers)) <= {int, float}:
        raise TypeError
    draws = np.array(numbers, dtype=np.float64).reshape(-1, 3)
    low, high, _may_be_unknown = _NUMBERS[KnownPercent]
    require(bool(np.all((low <= draws) & (draws <= high))), "out of range")
    return DrawsPct(draws)


def _is_tuple(kind: Any) -> bool:
    return get_origin(kind) is tuple


def _made() -> Converter:
    codec = Converter(detailed_validation=True)
    for kind in _NUMBERS:
        codec.register_structure_hook(kind, _number_hook(kind))
    codec.register_structure_hook(DrawsPct, _draws)
    codec.register_structure_hook(str, _text)
    codec.register_structure_hook(StrEnum, _name)  # else the one for its parent, str, is taken
    codec.register_structure_hook(int, _exactly(int))
    codec.register_structure_hook(bool, _exactly(bool))
    codec.register_structure_hook_factory(_is_tuple, _tuple_hook)
    codec.register_unstructure_hook(float, lambda value: None if math.isnan(value) else value)
    return codec


_CODEC = _made()


def plain(value: object) -> Any:
    """Turn dataclasses into what JSON can hold, to the last digit; unknown numbers become null."""
    return _CODEC.unstructure(value)


def rounded(value: float, digits: int = 3) -> float | None:
    """Give a number for whoever reads the JSON; null where it is unknown."""
    return round(float(value), digits) if math.isfinite(value) else None


def file_from(data: object) -> File:
    """Check the shape of what was read from JSON.

    Raises
    ------
    Exception
        One of `WRONG`: something is missing, of the wrong kind, or out of range.
    """
    return _CODEC.structure(data, File)
