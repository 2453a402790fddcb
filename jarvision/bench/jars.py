"""The jars of a folder as the page shows them, and the lines that people put right on it.

All that is known stands in files, written whole before anything is acknowledged; nothing is kept
here that a restart would lose. A page sends one gesture at a time with the newest version of the
jar's lines (`data/bench/gestures.js`); after a 409 it takes over what somebody else did and sends
its own on top, or asks where both moved one line.
"""

from __future__ import annotations

import hashlib
import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from jarvision.bench.areas import areas_from, is_area, outline_in, plain_area, unseen_photos
from jarvision.bench.claims import StaleError, files_of, is_emptied, left_out_by, said_by, set_aside
from jarvision.bench.curves import glass_of, highest_mm
from jarvision.bench.summaries import TAKE_AGAIN, ResultsInShort
from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.files import find_photos, natural_key
from jarvision.core.moments import now_text
from jarvision.core.ranges import pct_with_range
from jarvision.core.series import READING_TIMES, Reading
from jarvision.core.units import UnitSystem
from jarvision.estimate.composition import Composition
from jarvision.estimate.corrections import JarLine, put_right, read_height_mm
from jarvision.estimate.reading import work_out
from jarvision.jar.hand_outline import OUTLINE_SD_MM
from jarvision.pages.triangle import place_on_triangle
from jarvision.results.cache import make_folder
from jarvision.results.corrections_file import (
    CLOSER_SD_MM,
    CORRECTIONS_FILE,
    DEFAULT_SD_MM,
    HIGHEST_MM,
    LARGEST_SD_MM,
    Corrections,
    HandLine,
    fit,
    fit_areas,
    read_corrections,
    replaced,
    write_corrections,
)
from jarvision.results.doubt_order import all_doubts
from jarvision.results.from_reading import ranges_of
from jarvision.results.hand_areas import HandArea
from jarvision.results.headline import soil_in_words, soil_odds
from jarvision.results.jar_folder import jar_key
from jarvision.results.numbers import top_text
from jarvision.results.record import JarRecord, PutRight
from jarvision.wall.measurement import JarMeasurement, PhotoMeasurement
from jarvision.wall.suggest_marks import Offer, offer_of

_MOST_LINES = 40
_SAME_MM = 0.005
_HAND_SD_MM = {"line": DEFAULT_SD_MM, "closer": CLOSER_SD_MM, "outline": OUTLINE_SD_MM}
_DOTS = 250  # of a soil's draws on the triangle


@dataclass(slots=True)
class JarsOnBench:
    """The jars whose results lie in a folder, and the photos that they were read from.

    Attributes
    ----------
    photos, out : Path
        Folder of the photos, and of the results.
    """

    photos: Path
    out: Path
    results: ResultsInShort = field(init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _digests: dict[tuple[str, int, int], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Look at the results in the folder."""
        self.results = ResultsInShort(self.out)

    def grid(self) -> list[dict[str, Any]]:
        """Say of each jar what stands on its tile, those that want a look first."""
        rows = self._table().said
        tiles = [jar.tile for jar in self.results.all() if not is_emptied(jar.seen, rows)]
        return sorted(tiles, key=lambda tile: (-tile["to_check"], natural_key(tile["title"])))

    def left_out(self) -> list[dict[str, str]]:
        """List the photos of which somebody said that they show no jar."""
        return left_out_by(self._table().said)

    def shown(self, stem: str) -> dict[str, Any]:
        """Say all that the page of one jar shows.

        Raises
        ------
        UsageError
            There is no such jar.
        """
        record = self.results.record(stem)
        table = self._table()
        lines, areas = self._lines(record, table), self._areas(record, table)
        known: dict[str, Any] = {
            **next((j.tile for j in self.results.all() if j.tile["stem"] == stem), {}),
            "files": files_of(record, table.said),
            "doubts": all_doubts(record),
            "lines": [*map(_plain, lines), *(plain_area(area, record) for area in areas)],
            "version": _version(lines, areas),
            "photos": [],
            "unseen": [],
        }
        try:
            as_read = _as_read(record)
        except UsageError:  # there are no lines: only whose photos these are can be said
            return known
        return known | {
            "scaled": record.scaled,
            "hand_sd_mm": _HAND_SD_MM,
            "photos": [_photo(record, as_read, i) for i in range(len(as_read.photos))],
            "unseen": [_unseen(name, sentence) for name, sentence in unseen_photos(record)],
            "unread": record.unread.sentence if record.unread else "",
            "water_mm": _known(as_read.water_mm),
            "result": _result(record, lines),
            "weight": _weight(record, lines),
        }

    def tried(self, stem: str, given: object) -> dict[str, Any]:
        """Say what would come of a jar with lines put elsewhere; nothing is written.

        Raises
        ------
        JarError
            The lines cannot be.
        """
        record = self.results.record(stem)
        return _result(record, _lines_from(given, record))

    def keep(self, stem: str, version: object, given: object, by: object) -> dict[str, Any]:
        """Write down the lines of a jar in place of those that it had.

        Raises
        ------
        StaleError
            They are not those that the page knew any more.
        JarError
            The lines cannot be, or the table cannot be read or written.
        """
        with self._lock:
            record = self.results.record(stem)
            table = self._table()
            old, drawn = self._lines(record, table), self._areas(record, table)
            if version != _version(old, drawn):
                msg = "Somebody else has put this jar's lines right just now; their lines are here."
                raise StaleError(msg)
            new = [_kept_or_new(line, old, str(by)[:80]) for line in _lines_from(given, record)]
            _result(record, new)
            areas = areas_from(given, record, drawn, str(by))
            rows: list[PutRight | HandArea] = [*(line.row for line in new), *areas]
            was: list[PutRight | HandArea] = [*(line.row for line in old), *drawn]
            gone = [row for row in was if row not in rows]
            fresh = [row for row in rows if row.line == 0]
            if gone or fresh:
                self._write(replaced(table, gone, fresh))
        return self.shown(stem)

    def say(self, given: Mapping[str, Any]) -> None:
        """Write down what somebody says of a photo, or take it back.

        Raises
        ------
        StaleError
            Somebody else has said something else of it since.
        JarError
            It cannot be, or the table cannot be read or written.
        """
        with self._lock:
            table = self._table()
            old, new = said_by(given, table.said, [jar.seen for jar in self.results.all()])
            self._write(replaced(table, old, [new] if new else []))

    def taken_again(self, jar: str, named: str, newest: str) -> None:
        """Leave out the photo that was to be taken again, now that it was.

        Parameters
        ----------
        jar : str
            Whose photo has come.
        named : str
            What photos of this jar and reading are called.
        newest : str
            What the one that has come is called.
        """
        stem = named.rpartition(".")[0]
        with self._lock:
            table = self._table()
            again = [j.seen for j in self.results.all() if j.tile["verdict"] == TAKE_AGAIN]
            same = [seen for seen in again if jar_key(seen.jar) == jar_key(jar)]
            rows = [row for seen in same for row in set_aside(seen, stem, newest)]
            if rows:
                self._write(replaced(table, [], rows))

    def _table(self) -> Corrections:
        return read_corrections(self.out / CORRECTIONS_FILE)

    def _write(self, text: str) -> None:
        make_folder(self.out)
        write_corrections(self.out / CORRECTIONS_FILE, text)

    def _lines(self, record: JarRecord, table: Corrections) -> tuple[HandLine, ...]:
        """Lines of a jar that stand in the table."""
        return fit(table.lines, [j.seen for j in self.results.all()])[0].get(record.jar, ())

    def _areas(self, record: JarRecord, table: Corrections) -> tuple[HandArea, ...]:
        """Areas of a jar that stand in the table."""
        return fit_areas(table.areas, [j.seen for j in self.results.all()])[0].get(record.jar, ())

    def photo_path(self, stem: str, index: int) -> tuple[Path, str]:
        """Find the file of a jar's photo by its contents, whatever it is called now.

        Returns
        -------
        path : Path
        digest : str

        Raises
        ------
        UsageError
            It is not among the photos.
        """
        return self.file_of(_digest_of(self.results.record(stem), index))

    def file_of(self, wanted: str) -> tuple[Path, str]:
        """Find a photo by its digest, as `photo_path`."""
        for path in find_photos([self.photos])[0]:
            if self._digest(path) == wanted:
                return path, wanted
        msg = "This photo is not in the folder any more; put it back to see it."
        raise UsageError(msg)

    def _digest(self, path: Path) -> str:
        try:
            stat = path.stat()
            key = (str(path), stat.st_size, stat.st_mtime_ns)
            if key not in self._digests:
                with path.open("rb") as file:
                    self._digests[key] = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            return ""
        return self._digests[key]


def _as_read(record: JarRecord) -> JarMeasurement:
    measured = record.seen
    if record.interim is not None:
        raise UsageError(record.interim.sentence)
    if measured is None and unseen_photos(record):
        return JarMeasurement(photos=())
    if measured is None or record.given is None:
        said = (
            record.unread.sentence if record.unread else "Read its photos again to see its lines."
        )
        raise UsageError(said)
    return measured


def _photo(record: JarRecord, measured: JarMeasurement, index: int) -> dict[str, Any]:
    photo = measured.photos[index]
    view = record.views[index] if record.views else None
    offer = offer_of(record.jar, record.marks) or Offer(record.jar)
    return {
        "name": photo.name,
        "reading": str(photo.reading),
        "when": READING_TIMES[photo.reading].spoken,
        "size_px": view.size_px if view else None,
        "strip": photo.has_strip,
        "outline": outline_in(view, photo) if view else None,
        "glass": glass_of(view, photo, highest_mm(measured)) if view else None,
        "tops": [
            {
                "what": b.layer,
                "mm": _known(b.top_mm),
                "sd_mm": b.sd_mm,
                "or_here": [
                    {"mm": height, "odds": weight / (1 + sum(w for _, w in b.alternatives))}
                    for height, weight in b.alternatives
                ],
                "mark": _known(mark_mm),
                "mark_sd_mm": _known(sd_mm),
            }
            for b, mark_mm, sd_mm in zip(
                photo.boundaries, offer.tops_mm, offer.sds_mm, strict=False
            )
        ],
    }


def _unseen(name: str, sentence: str) -> dict[str, Any]:
    """Say of a photo in which nothing was found what the page shows."""
    blank: dict[str, Any] = dict.fromkeys(("reading", "size_px", "glass", "outline"))
    return {"name": name, "sentence": sentence, "when": name, "strip": False, "tops": [], **blank}


def _digest_of(record: JarRecord, index: int) -> str:
    by_name = {photo.name: photo.sha256 for photo in record.digests}
    names = [photo.name for photo in _as_read(record).photos]
    names += [name for name, _ in unseen_photos(record)]
    return by_name.get(names[index], "-") if 0 <= index < len(names) else "-"


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


# --- lines --------------------------------------------------------------------------------------


def _plain(line: HandLine) -> dict[str, Any]:
    row = line.row
    return {
        "what": str(row.what),
        "reading": str(line.reading) if line.reading else None,
        "mm": row.value_mm,
        "sd_mm": row.sd_mm,
        "by": row.by,
        "at": row.at,
        "note": row.note,
    }


def _version(lines: Sequence[HandLine], areas: Sequence[HandArea]) -> str:
    rows = [replace(line, row=replace(line.row, line=0)) for line in lines]
    text = repr([*rows, *(replace(area, line=0) for area in areas)])
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:16]


def _lines_from(given: object, record: JarRecord) -> list[HandLine]:
    """Understand lines that a page sent; nothing in them is trusted."""
    if not isinstance(given, list) or len(given) > _MOST_LINES:
        msg = "The lines were not understood; load the page again."
        raise ValueRefusedError(msg)
    return [_line_from(one, record) for one in given if not is_area(one)]


def _line_from(one: object, record: JarRecord) -> HandLine:
    try:
        if not isinstance(one, Mapping):
            raise TypeError
        what = JarLine(str(one["what"]))
        reading = None if one.get("reading") is None else Reading(str(one["reading"]))
        value, sd = float(one["mm"]), float(one["sd_mm"])
    except (KeyError, TypeError, ValueError, OverflowError):
        msg = "The lines were not understood; load the page again."
        raise ValueRefusedError(msg) from None
    if not (abs(value) <= HIGHEST_MM and 0 < sd <= LARGEST_SD_MM):
        msg = "A line can lie no further off than a metre."
        raise ValueRefusedError(msg)
    photos = _as_read(record).photos
    index = next((i for i, photo in enumerate(photos) if photo.reading is reading), None)
    name = photos[index].name if index is not None else ""
    digest = _digest_of(record, index) if index is not None else ""
    row = PutRight(record.jar, name, what, value, sd, photo_sha256=digest.strip("-"))
    return HandLine(replace(row, read_mm=read_height_mm(_as_read(record), what, reading)), reading)


def _kept_or_new(line: HandLine, old: Sequence[HandLine], by: str) -> HandLine:
    """Keep a line's row as it stands in the table where it has not moved."""
    for other in old:
        is_same = (other.row.what, other.reading) == (line.row.what, line.reading)
        if is_same and math.isclose(other.row.value_mm, line.row.value_mm, abs_tol=_SAME_MM):
            return other
    return HandLine(replace(line.row, by=by, at=now_text()), line.reading)


# --- what comes of it ---------------------------------------------------------------------------


def _result(record: JarRecord, lines: Sequence[HandLine]) -> dict[str, Any]:
    """Work out shares and class by height, as `read` does."""
    measured, given = _as_read(record), record.given
    if not measured.photos:
        return {"photos": [], "water_mm": None, "tops": None, "missing": []}
    if given is None:
        raise UsageError(record.not_weighed)
    if lines:
        measured = put_right(measured, [line.correction() for line in lines])
    shown = {
        "photos": [_lines_in(photo) for photo in measured.photos],
        "water_mm": _known(measured.water_mm),
    }
    missing = [b.layer for b in measured.photos[-1].boundaries if math.isnan(b.top_mm)]
    if missing:
        return shown | {"tops": None, "missing": missing}
    made = work_out(record.jar, measured, given)
    sand, silt, clay = (replace(t, value=round(t.value, 3), sd=round(t.sd, 3)) for t in made.tops)
    moved = replace(record, tops=(sand, silt, clay), measurement=made.measurement)  # as in its file
    c = made.composition
    shares = (c.sand_pct, c.silt_pct, c.clay_pct)
    return shown | {
        "tops": [
            {"mm": top.value, "range": _range_in(top_text(moved, layer, UnitSystem.METRIC))}
            for layer, top in enumerate(made.tops)
        ],
        "pcts": [
            {"pct": share.value, "text": pct_with_range(share.value, ends)}
            for share, ends in zip(shares, ranges_of(c.draws), strict=True)
        ],
        "soil": soil_in_words(made.texture),
        "odds": soil_odds(made.texture),
        "triangle": _on_triangle(c),
    }


def _range_in(text: str) -> str:
    """Give what stands behind a printed value."""
    return text.partition(" ")[2]


def _on_triangle(soil: Composition) -> dict[str, Any]:
    """Say where a soil and its draws stand on the texture triangle that the page has."""
    shares = (soil.sand_pct, soil.silt_pct, soil.clay_pct)
    draws = soil.draws[:: max(1, len(soil.draws) // _DOTS)]
    draws = draws[np.isfinite(draws).all(axis=1) & (draws.sum(axis=1) > 0)]
    return {
        "point": place_on_triangle(*(share.value for share in shares)),
        "dots": [[round(x, 1) for x in place_on_triangle(*draw)] for draw in draws.tolist()],
    }


def _lines_in(photo: PhotoMeasurement) -> list[dict[str, Any]]:
    return [
        {"mm": _known(b.top_mm), "sd_mm": b.sd_mm, "by_hand": b.by_hand} for b in photo.boundaries
    ]


def _weight(record: JarRecord, lines: Sequence[HandLine]) -> dict[str, Any]:
    """Say the soil by weight, and whether it holds for these lines."""
    rows = [replace(line.row, line=0, read_mm=0.0) for line in lines]
    holds = rows == [replace(row, line=0, read_mm=0.0) for row in record.put_right]
    weighed = record.by_weight
    return {
        "holds": holds,
        "soil": soil_in_words(weighed.shares.texture, record.sand) if weighed else "",
        "odds": soil_odds(weighed.shares.texture, record.sand) if weighed else "",
        "not_weighed": record.not_weighed,
    }
