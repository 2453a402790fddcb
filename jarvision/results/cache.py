"""What an earlier run left in the folder of results, and whether it still holds.

A jar's file says what it was made from: the photos' contents, the settings and the program. While
none of that changes, the jar is not read again. The folder is the user's: whatever is wrong with a
file in it only means that its jar is read anew. A file is believed only where its fingerprint is
the same, its row is whole and every overlay is there. A photo whose digest is known is hashed and
no more: what is in it, and its time, stand in `photos.json`, which may be deleted.
"""

from __future__ import annotations

import contextlib
import json
import re
import time
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError
from jarvision.core.files import OVERLAY_PREFIX, natural_key, shown
from jarvision.core.own_files import write_result
from jarvision.photo.exif import YEARS
from jarvision.results.codec import FORMAT, JarFileError
from jarvision.results.fingerprint import program
from jarvision.results.jar_folder import read_jar_file
from jarvision.results.record import PREFIX, SUFFIX, JarRecord

PHOTOS_FILE = "photos.json"
"""Which strips are in which photo, by the photo's content; and whose results the last run gave."""

_MOST_BYTES = 50_000_000
_LEFTOVER_S = 60.0  # a file that is being written is never this old


# --- a jar's result -----------------------------------------------------------------------------


def cached_jar(path: Path, fingerprint: str, *, folder: Path) -> JarRecord | None:
    """Give a jar's earlier result if it has this fingerprint and is whole; else None."""
    try:
        record = read_jar_file(path)
    except JarFileError:
        return None
    if record.made_from is None or record.made_from.fingerprint != fingerprint:
        return None
    row, pictures = record.row, []
    if record.unread is None:
        if row is None or (record.measurement is None and record.interim is None):
            return None
        if (row.jar, row.name, row.bed) != (record.jar, record.name, record.bed):
            return None
        pictures = [p.overlay for p in record.photos if p.overlay or record.interim is None]
    is_whole = all(name and (folder / name).is_file() for name in pictures)
    return record if is_whole else None


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
    """What was seen in a photo.

    Attributes
    ----------
    numbers : tuple of int
        The jars whose strips are in it.
    unmarked : int
        How many jars carry none.
    taken_at : datetime or None
        When its camera says it was taken.
    """

    numbers: tuple[int, ...]
    unmarked: int = 0
    taken_at: datetime | None = None


def known_photos(folder: Path) -> dict[str, SeenPhoto]:
    """Read what an earlier run of this program saw in photos, by their digests."""
    data = _json_of(folder / PHOTOS_FILE)
    try:
        if data is None or data["made_by"] != program():
            return {}
        bare, taken = data["bare_by_photo"], data["taken_at_by_photo"]
        times = {digest: _moment(at) for digest, at in taken.items()}
        return {
            str(digest): SeenPhoto(
                tuple(map(int, numbers)), int(bare.get(digest, 0)), times.get(digest)
            )
            for digest, numbers in data["strips_by_photo"].items()
        }
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return {}


def _moment(text: str) -> datetime:
    """Read a camera's time; the same are refused that are no camera's in a photo."""
    moment = datetime.fromisoformat(text)
    if moment.year not in YEARS:
        raise ValueError(text)
    return moment


def keep_photos(folder: Path, known: Mapping[str, SeenPhoto]) -> None:
    """Write down which strips are in which photo, how many jars without one, and its time.

    Raises
    ------
    WriteError
        The folder cannot be written to.
    """
    data = {
        "format": "jarvision photos",
        "made_by": program(),
        "strips_by_photo": {digest: list(known[digest].numbers) for digest in sorted(known)},
        "bare_by_photo": {d: known[d].unmarked for d in sorted(known) if known[d].unmarked},
        "taken_at_by_photo": {
            d: at.isoformat() for d in sorted(known) if (at := known[d].taken_at)
        },
    }
    write_result(folder / PHOTOS_FILE, json.dumps(data, indent=0) + "\n")


def keep_run(
    folder: Path,
    files: Iterable[str],
    *,
    refused: Iterable[tuple[str, str]] = (),
    beds: str = "",
) -> None:
    """Write down whose results a run gave, once all are on disk.

    Until then nobody knows which results in the folder are of an earlier run: `keep_photos`, with
    which a run begins, forgets it.

    Parameters
    ----------
    files : iterable of str
        Names of the jars' files, of those that could not be read too.
    refused : iterable of (str, str)
        Files that are no usable photos, each with its sentence.
    beds : str
        What the lists of jars say of beds, as a list of beds.

    Raises
    ------
    WriteError
        The folder cannot be written to.
    """
    data = _json_of(folder / PHOTOS_FILE)
    known = data if isinstance(data, dict) else {"format": "jarvision photos"}
    told = {"results": sorted(files, key=natural_key), "refused": list(map(list, refused))}
    told |= {"beds": beds}
    text = json.dumps(known | told, indent=0)
    write_result(folder / PHOTOS_FILE, text + "\n")


def last_run(folder: Path) -> frozenset[str] | None:
    """Tell whose results the last run gave, by their files' names; None where nobody knows."""
    data = _json_of(folder / PHOTOS_FILE)
    files = data.get("results") if isinstance(data, dict) else None
    return frozenset(map(_composed, map(str, files))) if isinstance(files, list) else None


_MOST_REFUSED = 200


def last_refused(folder: Path) -> list[tuple[str, str]]:
    """List the files that the last run could not use, each with its sentence, as text only."""
    data = _json_of(folder / PHOTOS_FILE)
    pairs = data.get("refused") if isinstance(data, dict) else None
    if not isinstance(pairs, list):
        return []
    whole = [pair for pair in pairs[:_MOST_REFUSED] if isinstance(pair, list) and len(pair) == 2]
    return [(shown(str(name)), shown(str(why), longest=400)) for name, why in whole]


def last_beds(folder: Path) -> str:
    """Give what the lists of jars said of beds in the last run, as a list of beds; or nothing."""
    data = _json_of(folder / PHOTOS_FILE)
    text = data.get("beds") if isinstance(data, dict) else None
    return text if isinstance(text, str) else ""


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


def others_in(folder: Path, known: Mapping[str, JarRecord] | None = None) -> Others:
    """Find what is left in a folder of results from before the last run.

    Results that were read a moment ago are `known` by their files' names.
    """
    last = last_run(folder)
    try:
        names = sorted((path.name for path in folder.iterdir()), key=natural_key)
    except OSError:
        return Others()
    jars = [name for name in names if name.startswith(PREFIX) and name.endswith(SUFFIX)]
    found = {name: _pictures_of(name, known or {}, folder) for name in jars}
    used = {overlay for overlays in found.values() for overlay in overlays or ()}
    results = [n for n in jars if found[n] is not None and is_earlier(n, last)]
    pictures = [n for n in names if n.startswith(OVERLAY_PREFIX) and _composed(n) not in used]
    return Others(tuple(results), tuple(pictures))


def _pictures_of(name: str, known: Mapping[str, JarRecord], folder: Path) -> set[str] | None:
    """Names of the pictures that a jar's result uses; None where the file is something else."""
    if name in known:
        return {_composed(photo.overlay) for photo in known[name].photos if photo.overlay}
    data = _json_of(folder / name)
    try:
        if data is None or data["format"] != FORMAT:
            return None
        return {_composed(str(photo.get("overlay"))) for photo in data["photos"]}
    except (KeyError, TypeError, AttributeError):
        return None


def make_folder(out: Path) -> None:
    """Make the folder for the results.

    Raises
    ------
    UsageError
        It cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"The folder {shown(out.name)} could not be made; choose another place with --out."
        raise UsageError(msg) from error


def clear_leftovers(folder: Path) -> None:
    """Remove what a run that was killed in the middle of writing left behind."""
    for path in folder.glob(".jarvision-*.part"):
        if not re.fullmatch(r"\.jarvision-[0-9a-f]{16}\.part", path.name):
            continue
        with contextlib.suppress(OSError):
            if time.time() - path.lstat().st_mtime > _LEFTOVER_S:
                path.unlink()
