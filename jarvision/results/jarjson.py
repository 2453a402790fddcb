"""What came of one jar: as a row of the table and as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from jarvision import __version__
from jarvision.core.files import OVERLAY_PREFIX, safe_name
from jarvision.core.measured import Measured
from jarvision.core.series import JarPhotos
from jarvision.estimate.composition import spread_of
from jarvision.estimate.posterior import Weighed
from jarvision.estimate.reading import Failure, JarReading
from jarvision.estimate.texture import CLASSES, texture_of
from jarvision.results.cache import Kept, row_json
from jarvision.results.jarfile import FORMAT, PREFIX, SUFFIX, VERSION
from jarvision.results.report import ReadingRow, WeightRow
from jarvision.wall.layers import LAYERS
from jarvision.wall.measurement import PhotoMeasurement
from jarvision.wall.suggest_marks import Offer, offer_json

_KEPT_DRAWS = 500  # draws stored with a jar, enough for odds to a few per cent


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one jar.

    Attributes
    ----------
    jar : str
        Its name.
    photos : JarPhotos
        Its photos, placed in time.
    result : JarReading, Kept or Failure
        The reading by height; or the result of an earlier run that still holds; or why there is
        none. Where it was written to a folder, a reading's walls come without their pictures, so
        that a class fits in memory.
    left_out : tuple of (str, str)
        Photos that could not be used: name and sentence.
    weighed : Weighed or None
        The soil by weight, where it could be estimated in this run.
    not_weighed : str
        Why it could not; empty where it could or where nothing was read.
    is_lasting : bool
        Whether the same photos would give the same again; not so where memory ran out.
    is_earlier : bool
        Whether it was taken from an earlier run.
    name, bed : str
        What the user's list of jars calls it, and the bed it is from; empty where not given.
    offer : Offer or None
        What lines on the glass mark, where it was read in this run.
    """

    jar: str
    photos: JarPhotos
    result: JarReading | Kept | Failure
    left_out: tuple[tuple[str, str], ...] = ()
    weighed: Weighed | None = None
    not_weighed: str = ""
    is_lasting: bool = True
    is_earlier: bool = False
    name: str = ""
    bed: str = ""
    offer: Offer | None = None


def row_of(outcome: Outcome) -> ReadingRow:
    """Put a reading in a row of `readings.csv`; without a strip it has no millimetres."""
    reading = outcome.result
    if isinstance(reading, Kept) and reading.row is not None:
        return reading.row
    if not isinstance(reading, JarReading):
        msg = "a jar that was not read has no row"
        raise TypeError(msg)
    c = reading.composition
    shares = (c.sand_pct, c.silt_pct, c.clay_pct)
    tops = reading.tops if reading.scaled else (Measured(math.nan, math.nan, "mm"),) * 3
    texture = reading.texture
    return ReadingRow(
        jar=reading.jar,
        photos=tuple(p.name for p in reading.photos),
        tops_mm=_rounded(t.value for t in tops),
        top_sds_mm=_rounded(t.sd for t in tops),
        pcts=_rounded(share.value for share in shares),
        pct_sds=_rounded(share.sd for share in shares),
        texture_class=texture.likeliest,
        class_odds=round(texture.odds, _ROW_DIGITS),
        next_class=texture.next_class,
        next_odds=round(texture.next_odds, _ROW_DIGITS),
        doubts=reading.doubts,
        by_weight=_weight_row(outcome.weighed) if outcome.weighed else None,
        name=outcome.name,
        bed=outcome.bed,
    )


_ROW_DIGITS = 6  # what the number of threads changes lies far below this


def _rounded(values: Iterable[float]) -> tuple[float, float, float]:
    sand, silt, clay = (round(float(value), _ROW_DIGITS) for value in values)
    return sand, silt, clay


def _weight_row(weighed: Weighed) -> WeightRow:
    """Put a result by weight in a row."""
    shares = (weighed.sand_pct, weighed.silt_pct, weighed.clay_pct)
    texture = texture_of(100.0 * weighed.fractions)
    notes = dict.fromkeys([weighed.why, *(d.sentence for d in weighed.doubts)])
    return WeightRow(
        pcts=_rounded(share.value for share in shares),
        los=_rounded(share.lo for share in shares),
        his=_rounded(share.hi for share in shares),
        texture_class=texture.likeliest,
        class_odds=round(texture.odds, _ROW_DIGITS),
        water_state=str(weighed.water_state),
        notes=tuple(notes),
    )


def json_name(jar: str) -> str:
    """File name of a jar's result."""
    return f"{PREFIX}{safe_name(jar)}{SUFFIX}"


def overlay_name(jar: str, reading: str) -> str:
    """File name of an overlay picture."""
    return f"{OVERLAY_PREFIX}{safe_name(jar)}-{reading}.jpg"


def _number(value: float, digits: int = 3) -> float | None:
    """Give a number for JSON; null where unknown."""
    return None if math.isnan(value) else round(float(value), digits)


def _measured(m: Measured) -> dict[str, float | None]:
    return {"value": _number(m.value), "sd": _number(m.sd)}


def jar_json(outcome: Outcome, *, made_from: Mapping[str, Any] | None = None) -> str:
    """Everything known of one jar, as JSON; see DEVELOPERS.md for its fields.

    Parameters
    ----------
    outcome : Outcome
        A jar that was read in this run, or could not be.
    made_from : mapping, optional
        What the result rests on; without it a later run reads the jar anew.
    """
    head: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "made_by": f"jarvision {__version__}",
        "jar": outcome.jar,
        "name": outcome.name,
        "bed": outcome.bed,
        "strip_number": outcome.photos.number,
        "left_out": [{"photo": n, "sentence": s} for n, s in outcome.left_out],
        "made_from": made_from,
    }
    result = outcome.result
    if isinstance(result, Failure):
        body: dict[str, Any] = {
            "photos": [{"name": n} for n in result.photos],
            "unread": {"reason": result.error.name, "sentence": str(result.error)},
        }
    elif isinstance(result, JarReading):
        body = _reading_body(outcome, result) | {"row": row_json(row_of(outcome))}
    else:
        msg = "a jar of an earlier run has its JSON already"
        raise TypeError(msg)
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
        "jar_profile": reading.profile or None,
        "doubts": [{"name": str(d.name), "sentence": d.sentence} for d in reading.doubts],
        "marks_on_glass": offer_json(outcome.offer) if outcome.offer else None,
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
            "value": _number(share.value),
            "sd": _number(float(sd)),
            "lo": _number(share.lo),
            "hi": _number(share.hi),
        }
        for layer, share, sd in zip(LAYERS, shares, spread, strict=True)
    } | {
        "class_odds": {k: round(float(v), 4) for k, v in odds.items() if v > 0},
        "draws_pct": np.round(draws, 2).tolist(),
        "why": weighed.why,
        "prior_note": weighed.narrowed.sentence,
        "water_state": str(weighed.water_state),
        "curve": {
            "time_s": np.round(curve.time_s, 1).tolist(),
            "lo_mm": np.round(curve.lo_mm, 2).tolist(),
            "mid_mm": np.round(curve.mid_mm, 2).tolist(),
            "hi_mm": np.round(curve.hi_mm, 2).tolist(),
        },
        "doubts": [{"name": str(d.name), "sentence": d.sentence} for d in weighed.doubts],
    }


def _photo_body(outcome: Outcome, reading: JarReading, photo: PhotoMeasurement) -> dict[str, Any]:
    timed = outcome.photos.chosen[photo.reading]
    return {
        "name": photo.name,
        "reading": str(photo.reading),
        "elapsed_s": _number(timed.elapsed_s, 1),
        "time_from": str(timed.source),
        "overlay": overlay_name(reading.jar, str(photo.reading)),
        "floor": {"above_strip_zero": _number(photo.floor.z_mm), "sd": _number(photo.floor.sd_mm)},
        "camera": {
            "distance": _number(photo.camera_distance_mm, 1),
            "height": _number(photo.camera_height_mm - photo.floor.z_mm, 1),
        },
        "scale": {
            "from": str(photo.scale.source),
            "relative_sd": _number(photo.scale.relative_sd, 4),
        },
        "outline": {
            "radius": _number(photo.radius_mm, 2),
            "square": not photo.is_round,
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
