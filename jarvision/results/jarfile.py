"""A jar's result read back from its JSON, with everything in the file checked.

The file may have come a long way: it is data, never trusted. Whatever is wrong with it becomes one
sentence, and one bad file never stops the others of its folder.
"""

from __future__ import annotations

import json
import math
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import JarError, UsageError
from jarvision.core.files import natural_key, shown
from jarvision.core.measured import Measured
from jarvision.core.series import Reading
from jarvision.estimate.texture import CLASSES, Texture, TextureClass

FORMAT = "jarvision jar"
VERSION = 1
PREFIX, SUFFIX = "jar-", ".json"
LAYERS = ("sand", "silt", "clay")

LARGEST_BYTES = 4_000_000
_MOST_JARS = 2_000
_MOST_PHOTOS = 100
_MOST_DOUBTS = 200
_MOST_DRAWS = 20_000
_MOST_CURVE_POINTS = 2_000
_LONGEST_TEXT = 2_000
_LONGEST_NAME = 300
_HIGHEST = 10_000.0
_SUM_TOLERANCE = 0.5

Floats: TypeAlias = NDArray[np.float64]
Three: TypeAlias = "tuple[Measured, Measured, Measured]"


class JarFileError(JarError):
    """A jar's file that cannot be used."""

    name = "jar_file_unusable"


@dataclass(frozen=True, slots=True)
class NamedDoubt:
    """A doubt as it was written down."""

    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Unread:
    """Why a jar was not read."""

    reason: str
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Sand, silt and clay in one of the two ways of telling them.

    Attributes
    ----------
    pcts : tuple of 3 Measured
        Sand, silt and clay [%] with one standard deviation [points].
    ranges_pct : tuple of 3 (float, float)
        The 90 % interval of each [%].
    texture : Texture
        Class odds.
    draws_pct : ndarray, shape (n, 3)
        Draws of sand, silt and clay [%], each row 100 in all; read-only.
    """

    pcts: Three
    ranges_pct: tuple[tuple[float, float], ...]
    texture: Texture
    draws_pct: Floats


@dataclass(frozen=True, slots=True)
class Curve:
    """How the deposit rose, as the draws by weight have it.

    Attributes
    ----------
    time_s : tuple of float
        Times since shaking [s], rising, more than 0.
    lo_mm, mid_mm, hi_mm : tuple of float
        Limits of the 90 % interval and the middle of the deposit's top [mm].
    """

    time_s: tuple[float, ...]
    lo_mm: tuple[float, ...]
    mid_mm: tuple[float, ...]
    hi_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ByWeight:
    """The result by weight, estimated.

    Attributes
    ----------
    shares : Shares
    why : str
        One sentence on why it differs from the result by height; may be empty.
    prior_note : str
        The sentence that labels a result that is mostly assumption; empty otherwise.
    water_state : str
        The water at the last photo: clear, hazy, cloudy, unknown; may be empty.
    curve : Curve or None
    doubts : tuple of NamedDoubt
        Doubts about this result, not about the reading.
    """

    shares: Shares
    why: str
    prior_note: str
    water_state: str
    curve: Curve | None
    doubts: tuple[NamedDoubt, ...]


@dataclass(frozen=True, slots=True)
class LayerTop:
    """The top of a layer in one photo, above the inside floor [mm, nominal without a scale]."""

    layer: str
    top_mm: Measured


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """A photo that was read.

    Attributes
    ----------
    name : str
        File name; text only.
    reading : Reading or None
    elapsed_s : float
        Time since shaking [s]; NaN when unknown.
    overlay : str or None
        Plain file name of its overlay picture, beside the JSON.
    tops : tuple of LayerTop
        Lowest first.
    """

    name: str
    reading: Reading | None
    elapsed_s: float
    overlay: str | None
    tops: tuple[LayerTop, ...]


@dataclass(frozen=True, slots=True, eq=False)
class JarRecord:
    """All that was written down of a jar.

    Attributes
    ----------
    jar : str
        Its strip's number, or its name; text from a user or a file.
    stem : str
        Its file's name without ``jar-`` and ``.json``, unique in its folder.
    scaled : bool
        Whether heights are millimetres; else only their ratios mean anything.
    tops : tuple of 3 Measured or None
        Tops of sand, silt and clay above the inside floor [mm, nominal without a scale].
    water_line_mm : float
        Water line above the inside floor [mm, nominal without a scale]; NaN when not seen.
    by_height : Shares or None
        None when the jar was not read.
    by_weight : ByWeight or None
    not_weighed : str
        Why there is no result by weight; empty when there is one or nothing is said.
    doubts : tuple of NamedDoubt
        Doubts about the reading.
    left_out : tuple of (str, str)
        Photos that were not used, each with its sentence.
    unread : Unread or None
        Set when, and only when, `by_height` is None.
    name, bed : str
        What the user's list of jars calls it, and the bed it is from; empty where not given.
    """

    jar: str
    stem: str
    strip_number: int | None
    made_by: str
    photos: tuple[PhotoRecord, ...]
    scaled: bool
    tops: Three | None
    water_line_mm: float
    by_height: Shares | None
    by_weight: ByWeight | None
    not_weighed: str
    doubts: tuple[NamedDoubt, ...]
    left_out: tuple[tuple[str, str], ...]
    unread: Unread | None
    name: str = ""
    bed: str = ""

    @property
    def best(self) -> Shares | None:
        """The result by weight where there is one, since the classes are defined by it."""
        return self.by_weight.shares if self.by_weight else self.by_height


@dataclass(frozen=True, slots=True, eq=False)
class JarFolder:
    """The jars of a folder, in natural order, and the files that could not be used."""

    jars: tuple[JarRecord, ...]
    refused: tuple[tuple[str, str], ...]


def read_jar_folder(folder: Path) -> JarFolder:
    """Read every ``jar-*.json`` in a folder (not below it).

    Raises
    ------
    UsageError
        The folder cannot be opened, or holds no such file, or far too many.
    """
    jars, refused = [], []
    for path in _jar_paths(folder):
        try:
            jars.append(read_jar_file(path))
        except JarFileError as error:
            refused.append((shown(path.name), str(error)))
    return JarFolder(tuple(jars), tuple(refused))


def _jar_paths(folder: Path) -> list[Path]:
    try:
        names = [entry.name for entry in folder.iterdir()]
    except (OSError, ValueError):
        msg = f"The folder {shown(folder.name)} cannot be opened; give a folder of readings."
        raise UsageError(msg) from None
    found = sorted(
        (n for n in names if n.startswith(PREFIX) and n.endswith(SUFFIX)), key=natural_key
    )
    if not found:
        msg = f"There are no readings of jars in {shown(folder.name)}; run jarvision read first."
        raise UsageError(msg)
    if len(found) > _MOST_JARS:
        msg = f"There are more than {_MOST_JARS} jars in {shown(folder.name)}; split the folder."
        raise UsageError(msg)
    return [folder / name for name in found]


def find_jar(folder: JarFolder, name: str) -> JarRecord:
    """Find a jar by its name; ``5``, ``05``, ``#5`` and ``Jar 5`` are the same.

    Raises
    ------
    UsageError
        There is no such jar, or more than one; the message names the nearest.
    """
    exact = [jar for jar in folder.jars if jar.jar == name]
    alike = exact or [jar for jar in folder.jars if jar_key(jar.jar) == jar_key(name)]
    if len(alike) == 1:
        return alike[0]
    asked, names = shown(name), [shown(jar.jar) for jar in folder.jars]
    if alike:
        msg = f"Several jars could be meant by {asked}: {', '.join(shown(j.jar) for j in alike)}."
        raise UsageError(msg)
    near = get_close_matches(asked, names, n=3) or names[:5]
    msg = f"There is no jar {asked} here; there are {', '.join(near) or 'none'}."
    raise UsageError(msg)


def jar_key(name: str) -> str:
    """Name of a jar as it is compared: without capitals, ``jar``, ``#`` and leading zeros."""
    words = " ".join(name.casefold().replace("_", " ").split())
    bare = re.sub(r"^(?:jar\b|#|no\.|-|\s)+", "", words).strip()
    return re.sub(r"^0+(?=[0-9])", "", bare) or words


# --- one file -----------------------------------------------------------------------------------


def read_jar_file(path: Path) -> JarRecord:
    """Read a jar's JSON.

    Raises
    ------
    JarFileError
        The file cannot be opened, is too large, is damaged, or is of another kind or version.
    """
    data = _parsed(read_regular(path, most_bytes=LARGEST_BYTES), shown(path.name))
    stem = path.name.removeprefix(PREFIX).removesuffix(SUFFIX)
    try:
        return _record(data, stem)
    except _WrongError as wrong:
        msg = f"{shown(path.name)} is damaged ({wrong}); read the jar's photos again to replace it."
        raise JarFileError(msg) from None


def read_regular(path: Path, *, most_bytes: int) -> bytes:
    """Read a regular file of a sane size; links are not followed, pipes never waited for.

    Raises
    ------
    JarFileError
        It cannot be opened, is a link or no file, or is larger than `most_bytes`.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    name = shown(path.name)
    try:
        descriptor = os.open(path, flags | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as file:
            is_file = stat.S_ISREG(os.fstat(file.fileno()).st_mode)
            raw = file.read(most_bytes + 1) if is_file else None
    except (OSError, ValueError):
        msg = f"{name} cannot be opened or is a link; put the file itself there."
        raise JarFileError(msg) from None
    if raw is None:
        msg = f"{name} is not an ordinary file; remove it."
        raise JarFileError(msg)
    if len(raw) > most_bytes:
        msg = f"{name} is larger than any result can be; read the jar's photos again."
        raise JarFileError(msg)
    return raw


def _parsed(raw: bytes, name: str) -> Mapping[str, Any]:
    """Parse and check format and version."""
    try:
        data = json.loads(raw.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        msg = f"{name} is damaged or half-written; read the jar's photos again to replace it."
        raise JarFileError(msg) from None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        msg = f"{name} is not a jar's result written by jarvision; move it out of the folder."
        raise JarFileError(msg)
    if data.get("version") != VERSION:
        msg = (
            f"{name} was written by another version of jarvision; "
            "update jarvision, or read the jar's photos again."
        )
        raise JarFileError(msg)
    return data


def _refuse_constant(constant: str) -> float:
    raise ValueError(constant)


# --- checked access ------------------------------------------------------------------------------


class _WrongError(Exception):
    """What is wrong in a file, in a few words."""


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise _WrongError(what)


def _map(value: object, what: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise _WrongError(what + " is missing")
    return value


def _list(value: object, what: str, most: int) -> list[Any]:
    if not isinstance(value, list):
        raise _WrongError(what + " is missing")
    _require(len(value) <= most, f"too much of {what}")
    return value


def _text(value: object, what: str, *, longest: int = _LONGEST_TEXT) -> str:
    if not isinstance(value, str):
        raise _WrongError(what + " is not a text")
    return value[:longest]


def _number(value: object, what: str, low: float, high: float) -> float:
    """Return a number within limits; null is unknown and becomes NaN."""
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _WrongError(what + " is not a number")
    _require(low <= value <= high, f"{what} is out of range")
    return float(value)


def _known(value: object, what: str, low: float, high: float) -> float:
    number = _number(value, what, low, high)
    _require(math.isfinite(number), f"{what} is missing")
    return number


# --- the parts ----------------------------------------------------------------------------------


def _record(data: Mapping[str, Any], stem: str) -> JarRecord:
    is_read = "unread" not in data
    strip = data.get("strip_number")
    return JarRecord(
        jar=_text(data.get("jar"), "the jar's name", longest=_LONGEST_NAME),
        stem=stem,
        strip_number=int(strip) if isinstance(strip, int) and 0 <= strip < 10_000 else None,
        made_by=_text(data.get("made_by", ""), "made_by", longest=80),
        photos=_photos(data),
        scaled=data.get("scaled") is True,
        tops=_tops(data) if is_read else None,
        water_line_mm=_number(data.get("water_line"), "the water line", -_HIGHEST, _HIGHEST),
        by_height=_shares(_map(data.get("by_height"), "by_height")) if is_read else None,
        by_weight=_by_weight(data) if is_read else None,
        not_weighed=_text(data.get("not_weighed", ""), "not_weighed"),
        doubts=_doubts(data),
        left_out=_left_out(data),
        unread=None if is_read else _unread(data),
        name=_text(data.get("name", ""), "the jar's name", longest=_LONGEST_NAME),
        bed=_text(data.get("bed", ""), "the bed's name", longest=_LONGEST_NAME),
    )


def _unread(data: Mapping[str, Any]) -> Unread:
    said = _map(data["unread"], "unread")
    return Unread(_text(said.get("reason"), "reason"), _text(said.get("sentence"), "sentence"))


def _tops(data: Mapping[str, Any]) -> Three:
    tops = _map(data.get("tops"), "tops")
    sand, silt, clay = (
        _measured(tops.get(layer), f"top of the {layer}", "mm", (-_HIGHEST, _HIGHEST))
        for layer in LAYERS
    )
    return sand, silt, clay


def _measured(value: object, what: str, unit: str, limits: tuple[float, float]) -> Measured:
    pair = _map(value, what)
    return Measured(
        _known(pair.get("value"), what, *limits),
        _number(pair.get("sd"), f"uncertainty of {what}", 0, _HIGHEST),
        unit,
    )


def _shares(block: Mapping[str, Any]) -> Shares:
    sand, silt, clay = (
        _measured(block.get(f"{layer}_pct"), f"share of {layer}", "%", (0, 100)) for layer in LAYERS
    )
    total = sand.value + silt.value + clay.value
    _require(abs(total - 100) <= 2, "the shares do not add up to 100")
    draws = _draws(block)
    return Shares((sand, silt, clay), _ranges(block, draws), _texture(block), draws)


def _draws(block: Mapping[str, Any]) -> Floats:
    """Check the draws and scale each row to 100."""
    rows = _list(block.get("draws_pct"), "the draws", _MOST_DRAWS)
    plain = all(isinstance(r, list) and len(r) == 3 and all(map(_is_share, r)) for r in rows)
    _require(len(rows) > 0 and plain, "the draws are not numbers from 0 to 100")
    draws = np.array(rows, dtype=np.float64)
    totals = draws.sum(axis=1, keepdims=True)
    _require(bool(np.all(np.abs(totals - 100) <= _SUM_TOLERANCE)), "draws do not add up to 100")
    scaled: Floats = draws * (100 / totals)
    scaled.flags.writeable = False
    return scaled


def _is_share(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value <= 100


def _ranges(block: Mapping[str, Any], draws: Floats) -> tuple[tuple[float, float], ...]:
    """Take the 90 % intervals as they were written, else from the draws."""
    drawn = np.quantile(draws, (0.05, 0.95), axis=0).T.tolist()
    ranges = []
    for layer, (low, high) in zip(LAYERS, drawn, strict=True):
        pair = _map(block[f"{layer}_pct"], layer)
        written = [_number(pair.get(end), f"range of {layer}", 0, 100) for end in ("lo", "hi")]
        known = all(map(math.isfinite, written)) and written[0] <= written[1]
        ranges.append((written[0], written[1]) if known else (low, high))
    return tuple(ranges)


def _texture(block: Mapping[str, Any]) -> Texture:
    odds = _map(block.get("class_odds"), "the class odds")
    known = {str(name) for name in CLASSES}
    _require(set(odds) <= known, "an unknown texture class")
    by_class = {TextureClass(n): _known(v, "odds of a class", 0, 1) for n, v in odds.items()}
    total = math.fsum(by_class.values())
    _require(abs(total - 1) <= 0.02, "the class odds do not add up to 1")
    return Texture(tuple(by_class.get(name, 0.0) / total for name in CLASSES))


def _by_weight(data: Mapping[str, Any]) -> ByWeight | None:
    if data.get("by_weight") is None:
        return None
    block = _map(data["by_weight"], "by_weight")
    return ByWeight(
        shares=_shares(block),
        why=_text(block.get("why", ""), "why"),
        prior_note=_text(block.get("prior_note", ""), "prior_note"),
        water_state=_text(block.get("water_state", ""), "water_state", longest=20),
        curve=_curve(block.get("curve")),
        doubts=_doubts(block),
    )


def _curve(value: object) -> Curve | None:
    if value is None:
        return None
    block = _map(value, "curve")
    time_s, *heights = (
        tuple(
            _known(v, f"the curve's {key}", -_HIGHEST, 1e9)
            for v in _list(block.get(key), f"the curve's {key}", _MOST_CURVE_POINTS)
        )
        for key in ("time_s", "lo_mm", "mid_mm", "hi_mm")
    )
    _require(len(time_s) > 1 and all(len(h) == len(time_s) for h in heights), "an uneven curve")
    rising = all(b > a for a, b in zip((0.0, *time_s), time_s, strict=False))
    _require(rising, "the curve's times run backward")
    return Curve(time_s, *heights)


def _doubts(data: Mapping[str, Any]) -> tuple[NamedDoubt, ...]:
    listed = _list(data.get("doubts", []), "doubts", _MOST_DOUBTS)
    pairs = (_map(item, "a doubt") for item in listed)
    doubts = (
        NamedDoubt(_text(p.get("name"), "name"), _text(p.get("sentence"), "doubt")) for p in pairs
    )
    return tuple(dict.fromkeys(doubts))


def _left_out(data: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    listed = _list(data.get("left_out", []), "left_out", _MOST_PHOTOS)
    pairs = (_map(item, "a photo left out") for item in listed)
    return tuple(
        (_text(p.get("photo"), "name", longest=_LONGEST_NAME), _text(p.get("sentence"), "sentence"))
        for p in pairs
    )


def _photos(data: Mapping[str, Any]) -> tuple[PhotoRecord, ...]:
    listed = _list(data.get("photos", []), "photos", _MOST_PHOTOS)
    return tuple(_photo(_map(item, "a photo")) for item in listed)


def _photo(block: Mapping[str, Any]) -> PhotoRecord:
    return PhotoRecord(
        name=_text(block.get("name"), "a photo's name", longest=_LONGEST_NAME),
        reading=_reading(block.get("reading")),
        elapsed_s=_number(block.get("elapsed_s"), "a photo's time", -1e9, 1e9),
        overlay=_plain_name(block.get("overlay")),
        tops=tuple(
            _layer_top(_map(item, "a boundary"))
            for item in _list(block.get("boundaries", []), "boundaries", 10)
        ),
    )


def _reading(value: object) -> Reading | None:
    return next((reading for reading in Reading if reading == value), None)


def _layer_top(block: Mapping[str, Any]) -> LayerTop:
    layer = _text(block.get("layer"), "a layer's name", longest=20)
    _require(layer in LAYERS, "an unknown layer")
    pair = {"value": block.get("top"), "sd": block.get("sd")}
    return LayerTop(layer, _measured(pair, "a boundary", "mm", (-_HIGHEST, _HIGHEST)))


def _plain_name(value: object) -> str | None:
    """Accept a file name without any way out of the folder."""
    if not isinstance(value, str) or not value or len(value) > 255:
        return None
    is_plain = value not in {".", ".."} and not set(value) & set("/\\:\0")
    return value if is_plain else None
