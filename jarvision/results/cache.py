"""What an earlier run left in the folder of results, and whether it still holds.

A jar's file says what it was made from: the photos' contents, the settings and the program. While
none of that changes, the jar is not read again. The folder is the user's: whatever is wrong with a
file in it only means that its jar is read anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import re
import time
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jarvision import __version__
from jarvision.core.errors import JarError
from jarvision.core.files import OVERLAY_PREFIX, natural_key
from jarvision.core.measured import Doubt, DoubtName
from jarvision.core.own_files import write_result
from jarvision.estimate.texture import TextureClass
from jarvision.results.jarfile import FORMAT, PREFIX, SUFFIX
from jarvision.results.report import ReadingRow, Three, WeightRow

PHOTOS_FILE = "photos.json"
"""Which strips are in which photo, by the photo's content; and whose results the last run gave."""

_MOST_BYTES = 50_000_000
_LEFTOVER_S = 60.0  # a file that is being written is never this old


@dataclass(frozen=True, slots=True)
class Kept:
    """A jar's result as it was found on disk.

    Attributes
    ----------
    row : ReadingRow or None
        Its row of `readings.csv`; None where the jar could not be read.
    error : JarError or None
        Why it could not.
    left_out : tuple of (str, str)
        Photos that could not be used: name and sentence.
    not_weighed : str
        Why there is nothing by weight; may be empty.
    """

    row: ReadingRow | None
    error: JarError | None
    left_out: tuple[tuple[str, str], ...]
    not_weighed: str


@cache
def program() -> str:
    """Name this program by its version and its text, so that a changed one reads anew."""
    text = hashlib.sha256()
    for path in _what_a_reading_rests_on(Path(__file__).parents[1]):
        text.update(path.read_bytes())
    return f"jarvision {__version__} {text.hexdigest()[:12]}"


_READING_ROOMS = ("core", "photo", "jar", "wall", "estimate", "results", "run")
_READING_FILES = (
    "__init__.py",
    "pages/overlay.py",
    "pages/palette.py",
    "data/strip.toml",
    "wall/stack_weights.toml",
)


def _what_a_reading_rests_on(package: Path) -> list[Path]:
    """Name the files that can change a jar's result or overlay: a new colour of a page cannot."""
    rooms = (path for room in _READING_ROOMS for path in (package / room).rglob("*.py"))
    return sorted([*rooms, *(package / name for name in _READING_FILES)])


def digest_of(parts: object) -> str:
    """Digest anything made of plain values, lists, dicts and dataclasses turned to dicts."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


# --- a jar's result -----------------------------------------------------------------------------


def row_json(row: ReadingRow) -> dict[str, Any]:
    """Turn a row into what JSON can hold, to the last digit; unknown numbers become null."""
    plain: dict[str, Any] = _without_nan(asdict(row))
    return plain


def _without_nan(value: Any) -> Any:
    if isinstance(value, float):
        return None if math.isnan(value) else value
    if isinstance(value, dict):
        return {name: _without_nan(part) for name, part in value.items()}
    return [_without_nan(part) for part in value] if isinstance(value, (list, tuple)) else value


def kept_jar(path: Path, recipe: str, *, folder: Path) -> Kept | None:
    """Give a jar's earlier result if it was made by this recipe and is whole; else None."""
    data = _json_of(path)
    try:
        if data is None or data["made_from"]["recipe"] != recipe:
            return None
        kept = _kept(data)
        pictures = [folder / str(photo["overlay"]) for photo in data["photos"] if kept.row]
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return None
    return kept if all(picture.is_file() for picture in pictures) else None


def other_photos(path: Path, digests: Iterable[str]) -> tuple[str, ...]:
    """Name the photos that a jar was read from before, if none of them is among these.

    Parameters
    ----------
    path : Path
        The jar's file.
    digests : iterable of str
        Digests of the photos that it will be read from.
    """
    data = _json_of(path)
    try:
        photos = {str(p["sha256"]): str(p["name"]) for p in data["made_from"]["photos"]}
        is_read = data["format"] == FORMAT and "unread" not in data
    except (KeyError, TypeError, AttributeError):
        return ()
    return tuple(photos.values()) if is_read and photos.keys().isdisjoint(digests) else ()


def _kept(data: Mapping[str, Any]) -> Kept:
    left_out = tuple((str(p["photo"]), str(p["sentence"])) for p in data["left_out"])
    if "unread" not in data:
        return Kept(_row(data["row"]), None, left_out, str(data["not_weighed"]))
    error = JarError(str(data["unread"]["sentence"]))
    error.name = str(data["unread"]["reason"])
    return Kept(None, error, left_out, "")


def _row(data: Mapping[str, Any]) -> ReadingRow:
    return ReadingRow(
        jar=str(data["jar"]),
        photos=tuple(map(str, data["photos"])),
        tops_mm=_three(data["tops_mm"]),
        top_sds_mm=_three(data["top_sds_mm"]),
        pcts=_three(data["pcts"]),
        pct_sds=_three(data["pct_sds"]),
        texture_class=_class(data["texture_class"]),
        class_odds=_number(data["class_odds"]),
        next_class=_class(data["next_class"]),
        next_odds=_number(data["next_odds"]),
        doubts=tuple(Doubt(DoubtName(d["name"]), str(d["sentence"])) for d in data["doubts"]),
        by_weight=_weight_row(data["by_weight"]) if data["by_weight"] else None,
        name=str(data["name"]),
        bed=str(data["bed"]),
    )


def _weight_row(data: Mapping[str, Any]) -> WeightRow:
    return WeightRow(
        pcts=_three(data["pcts"]),
        los=_three(data["los"]),
        his=_three(data["his"]),
        texture_class=TextureClass(data["texture_class"]),
        class_odds=_number(data["class_odds"]),
        water_state=str(data["water_state"]),
        notes=tuple(map(str, data["notes"])),
    )


def _number(value: object) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError
    return float(value)


def _three(values: Iterable[object]) -> Three:
    sand, silt, clay = map(_number, values)
    return sand, silt, clay


def _class(value: object) -> TextureClass | None:
    return None if value is None else TextureClass(str(value))


def _json_of(path: Path) -> Any:
    """Read a JSON file of our own; None where it is missing, strange or damaged."""
    try:
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return None
        return json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None


# --- photos looked at ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SeenPhoto:
    """What was seen in a photo: the jars' numbers on its strips, and how many jars carry none."""

    numbers: tuple[int, ...]
    bare: int = 0


def known_photos(folder: Path) -> dict[str, SeenPhoto]:
    """Read what an earlier run of this program saw in photos, by their digests."""
    data = _json_of(folder / PHOTOS_FILE)
    try:
        if data is None or data["made_by"] != program():
            return {}
        bare = data["bare_by_photo"]
        return {
            str(digest): SeenPhoto(tuple(map(int, numbers)), int(bare.get(digest, 0)))
            for digest, numbers in data["strips_by_photo"].items()
        }
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return {}


def keep_photos(folder: Path, known: Mapping[str, SeenPhoto]) -> None:
    """Write down which strips are in which photo, and how many jars without one.

    Raises
    ------
    WriteError
        The folder cannot be written to.
    """
    data = {
        "format": "jarvision photos",
        "made_by": program(),
        "strips_by_photo": {digest: list(known[digest].numbers) for digest in sorted(known)},
        "bare_by_photo": {d: known[d].bare for d in sorted(known) if known[d].bare},
    }
    write_result(folder / PHOTOS_FILE, json.dumps(data, indent=0) + "\n")


def keep_run(folder: Path, files: Iterable[str]) -> None:
    """Write down whose results a run gave, once all are on disk.

    Until then nobody knows which results in the folder are of an earlier run: `keep_photos`, with
    which a run begins, forgets it.

    Parameters
    ----------
    files : iterable of str
        Names of the jars' files, of those that could not be read too.

    Raises
    ------
    WriteError
        The folder cannot be written to.
    """
    data = _json_of(folder / PHOTOS_FILE)
    known = data if isinstance(data, dict) else {"format": "jarvision photos"}
    text = json.dumps(known | {"results": sorted(files, key=natural_key)}, indent=0)
    write_result(folder / PHOTOS_FILE, text + "\n")


def last_run(folder: Path) -> frozenset[str] | None:
    """Tell whose results the last run gave, by their files' names; None where nobody knows."""
    data = _json_of(folder / PHOTOS_FILE)
    files = data.get("results") if isinstance(data, dict) else None
    return frozenset(map(_composed, map(str, files))) if isinstance(files, list) else None


def is_earlier(name: str, last: frozenset[str] | None) -> bool:
    """Tell whether a jar's file is of an earlier run; where nobody knows, it is not."""
    return last is not None and _composed(name) not in last


def _composed(name: str) -> str:
    return unicodedata.normalize("NFC", name)  # some disks take names apart


@dataclass(frozen=True, slots=True)
class Others:
    """What lies in a folder of results and is not of the last run: names of files.

    Attributes
    ----------
    results : tuple of str
        Results of jars that were not among the photos.
    pictures : tuple of str
        Overlays that no result uses any more.
    """

    results: tuple[str, ...] = ()
    pictures: tuple[str, ...] = ()


def others_in(folder: Path) -> Others:
    """Find what is left in a folder of results from before the last run."""
    last = last_run(folder)
    try:
        names = sorted((path.name for path in folder.iterdir()), key=natural_key)
    except OSError:
        return Others()
    jars = [name for name in names if name.startswith(PREFIX) and name.endswith(SUFFIX)]
    found = {name: _result_of(folder / name) for name in jars}
    used = {overlay for overlays in found.values() for overlay in overlays or ()}
    results = [n for n in jars if found[n] is not None and is_earlier(n, last)]
    pictures = [n for n in names if n.startswith(OVERLAY_PREFIX) and _composed(n) not in used]
    return Others(tuple(results), tuple(pictures))


def _result_of(path: Path) -> set[str] | None:
    """Names of the pictures that a jar's result uses; None where the file is something else."""
    data = _json_of(path)
    try:
        if data is None or data["format"] != FORMAT:
            return None
        return {_composed(str(photo.get("overlay"))) for photo in data["photos"]}
    except (KeyError, TypeError, AttributeError):
        return None


def clear_leftovers(folder: Path) -> None:
    """Remove what a run that was killed in the middle of writing left behind."""
    for path in folder.glob(".jarvision-*.part"):
        if not re.fullmatch(r"\.jarvision-[0-9a-f]{16}\.part", path.name):
            continue
        with contextlib.suppress(OSError):
            if time.time() - path.lstat().st_mtime > _LEFTOVER_S:
                path.unlink()
