"""Many photos of many jars: find the jars, read each, and put the results on disk.

Every file is written whole or not at all, and one bad photo or jar never stops the others.
"""

from __future__ import annotations

import json
import math
import os
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from jarvision import __version__
from jarvision.byweight import weigh_reading
from jarvision.composition import spread_of
from jarvision.errors import JarError, UsageError
from jarvision.evidence import JarFacts
from jarvision.files import OVERLAY_PREFIX, find_photos, safe_name, shown, write_whole
from jarvision.grouping import (
    READING_TIMES,
    JarPhotos,
    Reading,
    Sighting,
    TimedPhoto,
    group,
)
from jarvision.layers import LAYERS
from jarvision.look import look_at_jar, stand_up
from jarvision.measured import Measured
from jarvision.overlay import draw_overlay, jpeg_of
from jarvision.photo import Photo, open_photo
from jarvision.reading import Failure, JarReading, PhotoReading, read_jar
from jarvision.report import ReadingRow, WeightRow, readings_csv
from jarvision.scale import Strip
from jarvision.texture import CLASSES, texture_of
from jarvision.weighing import Weighed

JSON_VERSION = 1
_KEPT_PHOTOS = 12  # working pictures held in memory between finding the jars and reading them
_MOST_CONFIRMING = 6
_KEPT_DRAWS = 500  # draws stored with a jar, enough for odds to a few per cent


@dataclass(frozen=True, slots=True)
class Settings:
    """How photos are read.

    Attributes
    ----------
    shaken_at : datetime or None
        When the jars were shaken, by the camera's clock.
    one_jar : bool
        All photos show one jar.
    strip_mm : float
        What 100 mm on the printed sheet really measures [mm].
    facts : JarFacts
        What the user says of the jars: water temperature, soil put in, and so on.
    seed : int
        Seed of the draws.
    """

    shaken_at: datetime | None = None
    one_jar: bool = False
    strip_mm: float = 100.0
    facts: JarFacts = field(default_factory=JarFacts)
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one jar.

    Attributes
    ----------
    jar : str
        Its name.
    photos : JarPhotos
        Its photos, placed in time.
    result : JarReading or Failure
        The reading by height, or why there is none.
    left_out : tuple of (str, str)
        Photos that could not be used: name and sentence.
    weighed : Weighed or None
        The soil by weight, where it could be estimated.
    not_weighed : str
        Why it could not; empty where it could or where nothing was read.
    """

    jar: str
    photos: JarPhotos
    result: JarReading | Failure
    left_out: tuple[tuple[str, str], ...] = ()
    weighed: Weighed | None = None
    not_weighed: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of all photos.

    Attributes
    ----------
    outcomes : tuple of Outcome
        One a jar.
    refused : tuple of (str, str)
        Files that are no usable photos: name and sentence.
    photos_found : int
        How many files were taken for photos.
    """

    outcomes: tuple[Outcome, ...]
    refused: tuple[tuple[str, str], ...]
    photos_found: int = 0

    @property
    def rows(self) -> list[ReadingRow]:
        """Rows of `readings.csv`, one for each jar that was read."""
        return [row_of(o) for o in self.outcomes if isinstance(o.result, JarReading)]

    @property
    def all_read(self) -> bool:
        """Whether every jar and every file could be used."""
        whole = all(isinstance(o.result, JarReading) for o in self.outcomes)
        return whole and bool(self.outcomes) and not self.refused


Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, how many there are."""


@dataclass(slots=True)
class _Album:
    """Opened photos, the latest few kept, the others opened again when they are asked for."""

    kept: OrderedDict[str, tuple[Photo, tuple[Strip, ...]]] = field(default_factory=OrderedDict)

    def get(self, key: str) -> Photo:
        """Give the photo that a sighting's key stands for."""
        return self.seen(_path_of(key))[0]

    def seen(self, path: str) -> tuple[Photo, tuple[Strip, ...]]:
        """Give a photo, standing upright, and its strips."""
        if path in self.kept:
            self.kept.move_to_end(path)
            return self.kept[path]
        self.kept[path] = stand_up(open_photo(path))
        while len(self.kept) > _KEPT_PHOTOS:
            self.kept.popitem(last=False)
        return self.kept[path]


_STRIP_MARK = "\0strip "  # no path holds it: tells the jars of one photo apart


def _path_of(key: str) -> str:
    return key.split(_STRIP_MARK)[0]


def _sightings(path: Path, photo: Photo, strips: Sequence[Strip]) -> dict[Sighting, Strip | None]:
    """Make a sighting for each strip in a photo: a row of jars is as many; without one, one."""
    if not strips:
        return {_sighting(path, photo, None, ""): None}
    marks = [f"{_STRIP_MARK}{strip.jar}" if len(strips) > 1 else "" for strip in strips]
    return {_sighting(path, photo, s, m): s for s, m in zip(strips, marks, strict=True)}


def _sighting(path: Path, photo: Photo, strip: Strip | None, mark: str) -> Sighting:
    return Sighting(
        f"{path}{mark}",
        path.name,
        str(path.parent),
        strip.jar if strip else None,
        photo.taken_at,
        f"{photo.digest}{mark}",
    )


def read_photos(
    paths: Sequence[str | os.PathLike[str]],
    settings: Settings,
    *,
    out: Path | None = None,
    progress: Progress = lambda what, done, of: None,
) -> Batch:
    """Read every jar in photos and folders of photos.

    Parameters
    ----------
    paths : sequence of path
        Photos and folders.
    settings : Settings
        How they are read.
    out : Path, optional
        Folder for each jar's JSON and overlays, written as soon as the jar is read.
    progress : callable
        Told of each step.

    Raises
    ------
    MixedJarsError
        The photos were said to be of one jar but their strips show several.
    """
    found, skipped = find_photos(list(paths))
    refused = [(shown(path.name), reason) for path, reason in skipped]
    album = _Album()
    strips: dict[str, Strip | None] = {}
    sightings: list[Sighting] = []
    for i, path in enumerate(found):
        progress("Looking for jars", i, len(found))
        try:
            photo, seen = album.seen(str(path))
        except JarError as error:
            refused.append((shown(path.name), str(error)))
            continue
        by_sighting = _sightings(path, photo, seen)
        sightings += by_sighting
        strips.update({s.key: strip for s, strip in by_sighting.items()})
    jars = group(sightings, shaken_at=settings.shaken_at, as_one=settings.one_jar)
    outcomes = []
    for i, jar in enumerate(jars):
        progress("Reading jars", i, len(jars))
        outcome = _read_one(jar, album, strips, settings)
        outcomes.append(outcome)
        if out is not None:
            make_folder(out)
            _write_jar(outcome, album, out)
    progress("Reading jars", len(jars), len(jars))
    return Batch(tuple(outcomes), tuple(refused), len(found))


def _read_one(
    jar: JarPhotos, album: _Album, strips: Mapping[str, Strip | None], settings: Settings
) -> Outcome:
    """Read one jar; whatever is wrong with it becomes its failure."""
    names = tuple(t.name for t in jar.timed)
    if jar.problem is not None:
        return Outcome(jar.jar, jar, Failure(jar.jar, names, jar.problem))
    used = [*jar.chosen.values(), *_confirming(jar)]
    photos = {t.key: album.get(t.key) for t in used}
    looks, bad = look_at_jar(
        photos, {t.key: strips[t.key] for t in used}, strip_mm=settings.strip_mm
    )
    left_out = tuple((t.name, str(bad[t.key])) for t in used if t.key in bad)
    chosen = {r: looks[t.key] for r, t in jar.chosen.items() if t.key in looks}
    more = [(_last_due(t.elapsed_s), looks[t.key]) for t in _confirming(jar) if t.key in looks]
    try:
        if bad and Reading.TWO_DAYS not in chosen:
            last = jar.chosen.get(Reading.TWO_DAYS)
            raise bad[last.key] if last and last.key in bad else next(iter(bad.values()))
        reading = read_jar(jar.jar, chosen, more=more, seed=settings.seed, doubts=jar.doubts)
    except JarError as error:
        return Outcome(jar.jar, jar, Failure(jar.jar, names, error), left_out)
    weighed, why_not = _weigh(reading, jar, settings)
    return Outcome(jar.jar, jar, reading, left_out, weighed, why_not)


def _weigh(reading: JarReading, jar: JarPhotos, settings: Settings) -> tuple[Weighed | None, str]:
    """Estimate the soil by weight; what stands against it becomes a sentence."""
    elapsed_s = {t.name: t.elapsed_s for t in jar.timed}
    try:
        weighed = weigh_reading(reading, elapsed_s, settings.facts, seed=settings.seed)
    except JarError as error:
        return None, str(error)
    if weighed is None:
        return (
            None,
            "By weight nothing can be said without a strip: how far grains fell is unknown.",
        )
    return weighed, ""


def _confirming(jar: JarPhotos) -> tuple[TimedPhoto, ...]:
    """Photos that only confirm, a few of a long series."""
    known = [
        t for t in jar.confirming if t.elapsed_s >= READING_TIMES[Reading.ONE_MINUTE].near_s[0]
    ]
    step = max(1, math.ceil(len(known) / _MOST_CONFIRMING))
    return tuple(known[::step])


def _last_due(elapsed_s: float) -> Reading:
    """Tell the last reading that was due by a time."""
    due = [r for r, t in READING_TIMES.items() if elapsed_s >= 0.8 * t.nominal_s]
    return due[-1] if due else Reading.ONE_MINUTE


# --- results ------------------------------------------------------------------------------------


def row_of(outcome: Outcome) -> ReadingRow:
    """Put a reading in a row of `readings.csv`; without a strip it has no millimetres."""
    reading = outcome.result
    if isinstance(reading, Failure):
        msg = "a jar that was not read has no row"
        raise TypeError(msg)
    c = reading.composition
    shares = (c.sand_pct, c.silt_pct, c.clay_pct)
    tops = reading.tops if reading.scaled else (Measured(math.nan, math.nan, "mm"),) * 3
    texture = reading.texture
    return ReadingRow(
        jar=reading.jar,
        photos=tuple(p.name for p in reading.photos),
        tops_mm=(tops[0].value, tops[1].value, tops[2].value),
        top_sds_mm=(tops[0].sd, tops[1].sd, tops[2].sd),
        pcts=(shares[0].value, shares[1].value, shares[2].value),
        pct_sds=(shares[0].sd, shares[1].sd, shares[2].sd),
        texture_class=texture.likeliest,
        class_odds=texture.odds,
        next_class=texture.next_class,
        next_odds=texture.next_odds,
        doubts=reading.doubts,
        by_weight=_weight_row(outcome.weighed) if outcome.weighed else None,
    )


def _weight_row(weighed: Weighed) -> WeightRow:
    """Put a result by weight in a row."""
    shares = (weighed.sand_pct, weighed.silt_pct, weighed.clay_pct)
    texture = texture_of(100.0 * weighed.fractions)
    notes = dict.fromkeys([weighed.why, *(d.sentence for d in weighed.doubts)])
    return WeightRow(
        pcts=(shares[0].mean, shares[1].mean, shares[2].mean),
        los=(shares[0].lo, shares[1].lo, shares[2].lo),
        his=(shares[0].hi, shares[1].hi, shares[2].hi),
        texture_class=texture.likeliest,
        class_odds=texture.odds,
        water_state=str(weighed.water_state),
        notes=tuple(notes),
    )


def overlay_name(jar: str, reading: str) -> str:
    """File name of an overlay picture."""
    return f"{OVERLAY_PREFIX}{safe_name(jar)}-{reading}.jpg"


def _number(value: float, digits: int = 3) -> float | None:
    """Give a number for JSON; null where unknown."""
    return None if math.isnan(value) else round(float(value), digits)


def _measured(m: Measured) -> dict[str, float | None]:
    return {"value": _number(m.value), "sd": _number(m.sd)}


def jar_json(outcome: Outcome) -> str:
    """Everything known of one jar, as JSON; see DEVELOPERS.md for its fields."""
    head: dict[str, Any] = {
        "format": "jarvision jar",
        "version": JSON_VERSION,
        "made_by": f"jarvision {__version__}",
        "jar": outcome.jar,
        "strip_number": outcome.photos.number,
        "left_out": [{"photo": n, "sentence": s} for n, s in outcome.left_out],
    }
    result = outcome.result
    if isinstance(result, Failure):
        body: dict[str, Any] = {
            "photos": [{"name": n} for n in result.photos],
            "unread": {"reason": result.error.name, "sentence": str(result.error)},
        }
    else:
        body = _reading_body(outcome, result)
    return json.dumps(head | body, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _reading_body(outcome: Outcome, reading: JarReading) -> dict[str, Any]:
    c = reading.composition
    draws = c.draws[:: max(1, len(c.draws) // _KEPT_DRAWS)][:_KEPT_DRAWS]
    odds = dict(zip((str(k) for k in CLASSES), reading.texture.class_odds, strict=True))
    return {
        "scaled": reading.scaled,
        "unit": "mm" if reading.scaled else "nominal: only ratios mean anything",
        "photos": [_photo_body(outcome, reading, p) for p in reading.photos],
        "tops": dict(zip(LAYERS, map(_measured, reading.tops), strict=True)),
        "water_line": _number(reading.water_mm, 1),
        "by_height": {
            "sand_pct": _measured(c.sand_pct),
            "silt_pct": _measured(c.silt_pct),
            "clay_pct": _measured(c.clay_pct),
            "class_odds": {k: round(float(v), 4) for k, v in odds.items() if v > 0},
            "draws_pct": np.round(draws, 2).tolist(),
        },
        "by_weight": _weight_body(outcome.weighed) if outcome.weighed else None,
        "not_weighed": outcome.not_weighed,
        "water_state": reading.water_state,
        "doubts": [{"name": str(d.name), "sentence": d.sentence} for d in reading.doubts],
    }


def _weight_body(weighed: Weighed) -> dict[str, Any]:
    """Give the result by weight as JSON, of the same shape as by height, with 90 % limits."""
    draws = 100.0 * weighed.fractions[:_KEPT_DRAWS]
    texture = texture_of(100.0 * weighed.fractions)
    spread = spread_of(100.0 * weighed.fractions)
    shares = (weighed.sand_pct, weighed.silt_pct, weighed.clay_pct)
    odds = dict(zip((str(k) for k in CLASSES), texture.class_odds, strict=True))
    curve = weighed.curve
    return {
        f"{layer}_pct": {
            "value": _number(share.mean),
            "sd": _number(float(sd)),
            "lo": _number(share.lo),
            "hi": _number(share.hi),
        }
        for layer, share, sd in zip(LAYERS, shares, spread, strict=True)
    } | {
        "class_odds": {k: round(float(v), 4) for k, v in odds.items() if v > 0},
        "draws_pct": np.round(draws, 2).tolist(),
        "why": weighed.why,
        "prior_note": weighed.prior_note,
        "water_state": str(weighed.water_state),
        "curve": {
            "time_s": np.round(curve.time_s, 1).tolist(),
            "lo_mm": np.round(curve.lo_mm, 2).tolist(),
            "mid_mm": np.round(curve.mid_mm, 2).tolist(),
            "hi_mm": np.round(curve.hi_mm, 2).tolist(),
        },
        "doubts": [{"name": str(d.name), "sentence": d.sentence} for d in weighed.doubts],
    }


def _photo_body(outcome: Outcome, reading: JarReading, photo: PhotoReading) -> dict[str, Any]:
    timed = outcome.photos.chosen[photo.reading]
    camera, outline = photo.look.jar.view.camera, photo.look.jar.view.outline
    return {
        "name": photo.name,
        "reading": str(photo.reading),
        "elapsed_s": _number(timed.elapsed_s, 1),
        "time_from": str(timed.source),
        "overlay": overlay_name(reading.jar, str(photo.reading)),
        "floor": {"above_strip_zero": _number(photo.floor.z_mm), "sd": _number(photo.floor.sd_mm)},
        "camera": {
            "distance": _number(camera.distance_mm, 1),
            "height": _number(camera.height_mm - photo.floor.z_mm, 1),
        },
        "outline": {
            "radius": _number(outline.radius_mm, 2),
            "square": not outline.is_round,
        },
        "boundaries": [
            {
                "layer": b.layer,
                "top": _number(b.top_mm),
                "sd": _number(b.sd_mm),
                "by_colour": _number(b.colour_mm),
                "by_grain": _number(b.grain_mm),
                "contrast": _number(b.contrast, 1),
                "uneven": _number(b.uneven_mm, 2),
                "other_places": [
                    {"top": _number(h), "weight": _number(w)} for h, w in b.alternatives
                ],
            }
            for b in photo.boundaries
        ],
    }


def _write_jar(outcome: Outcome, album: _Album, out: Path) -> None:
    """Write a jar's overlays, then its JSON, so that a JSON always finds its pictures."""
    if isinstance(outcome.result, JarReading):
        for photo in outcome.result.photos:
            picture = album.get(outcome.photos.chosen[photo.reading].key).bgr
            drawn = draw_overlay(picture, photo, outcome.result)
            write_whole(out / overlay_name(outcome.jar, str(photo.reading)), jpeg_of(drawn))
    write_whole(out / f"jar-{safe_name(outcome.jar)}.json", jar_json(outcome))


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


def write_table(batch: Batch, out: Path) -> None:
    """Write `readings.csv`."""
    make_folder(out)
    write_whole(out / "readings.csv", readings_csv(batch.rows))


def unread(batch: Batch) -> Iterable[tuple[str, str]]:
    """Jars and files that were not read, with the sentence for each."""
    for outcome in batch.outcomes:
        if isinstance(outcome.result, Failure):
            yield outcome.jar, str(outcome.result.error)
