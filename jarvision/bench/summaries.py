"""What is known of all jars in short, kept while their files do not change.

A page and thirty phones look every two seconds: of thirty jars' files only those are read again
that are new.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError
from jarvision.results.codec import JarFileError
from jarvision.results.corrections_file import SeenJar
from jarvision.results.doubt_order import check_text, doubts_of
from jarvision.results.headline import soil_in_words, soil_odds
from jarvision.results.jar_folder import jar_paths, read_jar_file
from jarvision.results.readings_table import title
from jarvision.results.record import PREFIX, SUFFIX, JarRecord

TAKE_AGAIN = "Take it again"
_KEPT = 8  # whole results in memory

_Stamp = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class JarInShort:
    """What is kept of a jar.

    Attributes
    ----------
    tile : dict
        What stands on its tile.
    seen : SeenJar
        Its photos, for lines that were put right.
    """

    tile: dict[str, Any]
    seen: SeenJar


@dataclass(slots=True)
class ResultsInShort:
    """The results in a folder.

    Attributes
    ----------
    out : Path
        Folder of the results.
    """

    out: Path
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _short: dict[str, tuple[_Stamp, JarInShort | None]] = field(default_factory=dict)
    _whole: OrderedDict[str, tuple[_Stamp, JarRecord]] = field(default_factory=OrderedDict)

    def all(self) -> list[JarInShort]:
        """Give all jars, in natural order; none where there are none yet."""
        try:
            paths = jar_paths(self.out)
        except UsageError:
            return []
        return [found for path in paths if (found := self._in_short(path)) is not None]

    def record(self, stem: str) -> JarRecord:
        """Give a jar's whole result by its file's name.

        Raises
        ------
        UsageError
            There is none.
        """
        name = f"{PREFIX}{stem}{SUFFIX}"
        try:
            [path] = [path for path in jar_paths(self.out) if path.name == name]
            return self._read(path, _stamp(path))
        except (ValueError, OSError, UsageError, JarFileError):
            msg = "This jar is not here any more; go back to all jars."
            raise UsageError(msg) from None

    def _in_short(self, path: Path) -> JarInShort | None:
        try:
            stamp = _stamp(path)
            with self._lock:
                kept = self._short.get(path.name)
            if kept is not None and kept[0] == stamp:
                return kept[1]
            record = self._read(path, stamp)
            short: JarInShort | None = JarInShort(_tile(record), _seen(record))
        except OSError:
            return None
        except JarFileError:
            short = None
        with self._lock:
            self._short[path.name] = stamp, short
        return short

    def _read(self, path: Path, stamp: _Stamp) -> JarRecord:
        with self._lock:
            kept = self._whole.get(path.name)
            if kept is not None and kept[0] == stamp:
                self._whole.move_to_end(path.name)
                return kept[1]
        record = read_jar_file(path)
        with self._lock:
            self._whole[path.name] = stamp, record
            while len(self._whole) > _KEPT:
                self._whole.popitem(last=False)
        return record


def _stamp(path: Path) -> _Stamp:
    stat = path.stat()
    return stat.st_mtime_ns, stat.st_size, stat.st_ino


def _tile(record: JarRecord) -> dict[str, Any]:
    is_read = record.best is not None
    told, not_read, verdict = [], "not read", "Good"
    if record.unread:
        told, verdict = [record.unread.sentence], TAKE_AGAIN
    elif record.interim:
        told, not_read = [record.interim.sentence, record.interim.next_sentence], "not done yet"
        verdict = "Good" if record.interim.verdict == "good" else TAKE_AGAIN
    elif doubts_of(record):
        verdict = "Look at it once more"
    used = {photo.name for photo in record.photos} | {p.name for p in record.digests}
    overlays = [photo.overlay for photo in record.photos if photo.overlay]
    return {
        "stem": record.stem,
        "jar": record.jar,
        "photos": sorted({*used, *(name for name, _ in record.left_out)}),
        "verdict": verdict,
        "title": title(record.jar, name=record.name, bed=record.bed),
        "soil": soil_in_words(record.best.texture) if record.best else not_read,
        "odds": soil_odds(record.best.texture) if record.best else "",
        "check": check_text(record) if is_read else "",
        "sentence": " ".join(told),
        "to_check": len(doubts_of(record)) if is_read else 1_000,
        "overlay": overlays[-1] if overlays else "",
        "put_right": record.by_hand,
    }


def _seen(record: JarRecord) -> SeenJar:
    readings = {photo.name: photo.reading for photo in record.seen.photos} if record.seen else {}
    photos = ((p.name, p.sha256, readings.get(p.name)) for p in record.digests)
    return SeenJar(record.jar, tuple(photos))
