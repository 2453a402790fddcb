"""A jar's result as JSON, both ways: its fields, and what each is for.

What is read may have come a long way: it is data, never trusted. Shapes and limits are in the
classes that mirror the file (`json_schema`); whatever is wrong becomes one sentence. Raise
`VERSION` when a field changes its meaning.

Whose it is
    `jar`, `name` and `bed` (from `jars.csv`, as the user wrote them), `strip_number`, `left_out`,
    `said_of_photos`.
What it rests on
    `made_from`: program with a digest of its text, settings, photos' SHA-256, and the
    `fingerprint` over all of it; null where another run may do better, as after memory ran out.
    `row`: its row of `readings.csv` to six digits, written down and not worked out again, so that a
    resumed run gives the same bytes as an undisturbed one.
For people, rounded
    `unread` (reason, sentence), or `scaled`, `photos`, `tops`, `water_line`, `water_sd_mm`,
    `deposit` (top of all that was down in each photo), `by_height` (shares with 90 % limits, class
    odds, 500 draws), `by_weight` (the same, curve, why) or `not_weighed`, `sand` (only where grains
    were measured), `water_state`, `doubts`, `marks_on_glass`. Before the last photo `interim` holds
    the verdict and which photo is due; `by_height` and tops that are not down are null then.
To the last digit
    `measurement` and `given` (facts, profile, seed): all from which `recompute` works the result
    out again, to the same numbers; version 1, which is still read, had neither. `as_read`,
    `put_right` and `views`: what was read before hands put lines right, what they put, and where
    lines fall in each photo. A jar that was not read but whose glass was found keeps these too, its
    tops null; with all three tops put in by hand it counts as read.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import JarError
from jarvision.core.measured import Measured
from jarvision.core.series import Reading
from jarvision.estimate.texture import CLASSES, Texture, TextureClass, classify
from jarvision.results.json_schema import (
    WRONG,
    File,
    FileCurve,
    FilePhoto,
    FileShares,
    file_from,
    plain,
    require,
    rounded,
    what_is_wrong,
)
from jarvision.results.record import (
    LAYERS,
    ByWeight,
    Curve,
    DepositTop,
    JarRecord,
    LayerTop,
    NamedDoubt,
    PhotoRecord,
    Shares,
)
from jarvision.results.sand_file import check_grain, sand_body, sand_from
from jarvision.wall.measurement import JarMeasurement, PhotoMeasurement

FORMAT = "jarvision jar"
VERSION = 2
_READ_VERSIONS = (1, VERSION)

_MOST_PHOTOS = 100
_MOST_DOUBTS = 200
_MOST_CURVE_POINTS = 2_000
_LONGEST_NAME = 300
_SUM_TOLERANCE = 0.5

T = TypeVar("T")


class JarFileError(JarError):
    """A jar's file that cannot be used."""

    name = "jar_file_unusable"


# --- out ----------------------------------------------------------------------------------------


def json_of(record: JarRecord) -> str:
    """Write down all that is known of one jar.

    Parameters
    ----------
    record : JarRecord
        A jar that was read or could not be read; where it was read, with its measurement.
    """
    head: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "made_by": record.made_by,
        "jar": record.jar,
        "name": record.name,
        "bed": record.bed,
        "strip_number": record.strip_number,
        "left_out": [{"photo": n, "sentence": s} for n, s in record.left_out],
        "made_from": plain(record.made_from),
        "said_of_photos": plain(record.said),
    }
    if record.unread is not None:
        body: dict[str, Any] = {
            "photos": list(map(_unmeasured, record.photos)),
            "unread": plain(record.unread),
        }
        if record.as_read is not None:
            body |= {"scaled": record.scaled} | _by_hand(record)
    else:
        body = _body(record)
    return json.dumps(head | body, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _body(record: JarRecord) -> dict[str, Any]:
    by_height, measurement, tops = record.by_height, record.measurement, record.tops
    if tops is None or (record.interim is None and (by_height is None or measurement is None)):
        msg = "a jar that was read is written with what was measured"
        raise TypeError(msg)
    weighed = record.by_weight
    return {
        "scaled": record.scaled,
        "unit": "mm" if record.scaled else "nominal: only ratios mean anything",
        "photos": [
            _photo_body(photo, numbers)
            for photo, numbers in zip(record.photos, measurement.photos, strict=True)
        ]
        if measurement
        else list(map(_unmeasured, record.photos)),
        "tops": dict(zip(LAYERS, map(_measured, tops), strict=True)),
        "water_line": rounded(record.water_line_mm, 1),
        "water_sd_mm": rounded(record.water_sd_mm, 1),
        "deposit": [
            {
                "elapsed_s": rounded(top.elapsed_s, 1),
                "top_mm": rounded(top.top_mm),
                "sd_mm": rounded(top.sd_mm),
                "layer": top.layer,
                "photo": top.photo,
            }
            for top in record.deposit
        ],
        "by_height": _shares_body(by_height) if by_height else None,
        "interim": plain(record.interim),
        "by_weight": _weight_body(weighed) if weighed else None,
        "not_weighed": record.not_weighed,
        **({"sand": sand_body(record.sand)} if record.sand else {}),
        "water_state": record.water_state,
        "jar_profile": record.profile or None,
        "doubts": plain(record.doubts),
        "marks_on_glass": record.marks,
        "row": plain(record.row),
        "measurement": plain(measurement),
    } | _by_hand(record)


def _by_hand(record: JarRecord) -> dict[str, Any]:
    """Give all by which lines can be put right without the photos."""
    return {
        "given": plain(record.given),
        "views": plain(record.views),
        "as_read": plain(record.as_read),
        "put_right": plain(record.put_right),
    }


def _unmeasured(photo: PhotoRecord) -> dict[str, str]:
    return {"name": photo.name} | ({"overlay": photo.overlay} if photo.overlay else {})


def _measured(m: Measured) -> dict[str, float | None]:
    return {"value": rounded(m.value), "sd": rounded(m.sd)}


def _shares_body(shares: Shares) -> dict[str, Any]:
    """Give shares with their 90 % limits, by height or by weight."""
    odds = zip(map(str, CLASSES), shares.texture.class_odds, strict=True)
    return {
        f"{layer}_pct": _measured(share) | {"lo": rounded(low), "hi": rounded(high)}
        for layer, share, (low, high) in zip(LAYERS, shares.pcts, shares.ranges_pct, strict=True)
    } | {
        "class_odds": {k: round(float(v), 4) for k, v in odds if v > 0},
        "draws_pct": np.round(shares.draws_pct, 2).tolist(),
    }


def _weight_body(weighed: ByWeight) -> dict[str, Any]:
    """Give the result by weight, of the same shape as by height, and what it rests on."""
    shares, curve = weighed.shares, weighed.curve
    return _shares_body(shares) | {
        "why": weighed.why,
        "prior_note": weighed.prior_note,
        "water_state": weighed.water_state,
        "curve": curve
        and {
            "time_s": np.round(curve.time_s, 1).tolist(),
            "lo_mm": np.round(curve.lo_mm, 2).tolist(),
            "mid_mm": np.round(curve.mid_mm, 2).tolist(),
            "hi_mm": np.round(curve.hi_mm, 2).tolist(),
        },
        "doubts": plain(weighed.doubts),
    }


def _photo_body(photo: PhotoRecord, numbers: PhotoMeasurement) -> dict[str, Any]:
    """Give a photo to a reader of the file; `measurement` holds the same to the last digit."""
    floor = numbers.floor
    return {
        "name": photo.name,
        "reading": str(photo.reading),
        "elapsed_s": rounded(photo.elapsed_s, 1),
        "time_from": photo.time_from,
        "overlay": photo.overlay,
        "floor": {"above_strip_zero": rounded(floor.z_mm), "sd": rounded(floor.sd_mm)},
        "camera": {
            "distance": rounded(numbers.camera_distance_mm, 1),
            "height": rounded(numbers.camera_height_mm - floor.z_mm, 1),
        },
        "scale": {
            "from": str(numbers.scale.source),
            "relative_sd": rounded(numbers.scale.relative_sd, 4),
        },
        "outline": {"radius": rounded(numbers.radius_mm, 2), "square": not numbers.is_round},
        "boundaries": [
            {
                "layer": b.layer,
                "top": rounded(b.top_mm),
                "sd": rounded(b.sd_mm),
                "by_colour": rounded(b.colour_mm),
                "by_grain": rounded(b.grain_mm),
                "contrast": rounded(b.contrast, 1),
                "uneven": rounded(b.uneven_mm, 2),
                "other_places": [
                    {"top": rounded(h), "weight": rounded(w)} for h, w in b.alternatives
                ],
            }
            for b in numbers.boundaries
        ],
    }


# --- in -----------------------------------------------------------------------------------------


def record_from(raw: bytes, name: str, stem: str) -> JarRecord:
    """Read a jar's result back from the contents of its file.

    Parameters
    ----------
    raw : bytes
        The contents.
    name : str
        The file's name, safe to print.
    stem : str
        The same without ``jar-`` and ``.json``.

    Raises
    ------
    JarFileError
        It is damaged, or of another kind or version.
    """
    data = _parsed(raw, name)
    try:
        return _record(file_from(data), stem)
    except (*WRONG, JarError) as error:
        wrong = what_is_wrong(error)
        msg = f"{name} is damaged ({wrong}); read the jar's photos again to replace it."
        raise JarFileError(msg) from None


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
    if isinstance(data.get("version"), bool) or data.get("version") not in _READ_VERSIONS:
        msg = (
            f"{name} was written by another version of jarvision; "
            "update jarvision, or read the jar's photos again."
        )
        raise JarFileError(msg)
    return data


def _refuse_constant(constant: str) -> float:
    raise ValueError(constant)


def _record(file: File, stem: str) -> JarRecord:
    """Check what the parts of a file mean together."""
    is_read = file.unread is None
    require(len(file.photos) <= _MOST_PHOTOS, "too many photos")
    is_whole = is_read and file.interim is None
    require(not is_read or bool(file.tops), "the tops are missing")
    require(not is_whole or bool(file.by_height), "the shares are missing")
    if is_whole and file.tops:
        known = (file.tops.sand, file.tops.silt, file.tops.clay)
        require(all(math.isfinite(top.value) for top in known), "a top is missing")
    if file.measurement is not None:
        _check(file.measurement, most=is_whole)
    if file.as_read is not None:
        _check(file.as_read, most=True, known=False)
    lined = file.as_read or file.measurement
    require(len(file.views) in (0, len(lined.photos) if lined else 0), "the views of the photos")
    strip, tops = file.strip_number, file.tops
    has_number = isinstance(strip, int) and not isinstance(strip, bool) and 0 <= strip < 10_000
    return JarRecord(
        jar=file.jar[:_LONGEST_NAME],
        stem=stem,
        strip_number=strip if has_number else None,
        made_by=file.made_by[:80],
        photos=tuple(map(_photo, file.photos)),
        scaled=file.scaled is True,
        tops=(tops.sand.measured(), tops.silt.measured(), tops.clay.measured())
        if is_read and tops
        else None,
        water_line_mm=file.water_line,
        by_height=_shares(file.by_height) if is_read and file.by_height else None,
        by_weight=_by_weight(file.by_weight) if is_read and file.by_weight else None,
        not_weighed=file.not_weighed,
        doubts=_doubts(file.doubts),
        left_out=tuple((p.photo[:_LONGEST_NAME], p.sentence) for p in file.left_out),
        unread=file.unread,
        name=file.name[:_LONGEST_NAME],
        bed=file.bed[:_LONGEST_NAME],
        water_state=file.water_state,
        profile=file.jar_profile or "",
        marks=file.marks_on_glass if isinstance(file.marks_on_glass, dict) else None,
        row=file.row,
        measurement=file.measurement,
        given=file.given,
        made_from=file.made_from,
        interim=file.interim if is_read else None,
        views=file.views,
        as_read=file.as_read,
        put_right=file.put_right,
        said=file.said_of_photos,
        water_sd_mm=file.water_sd_mm,
        deposit=_deposit(file.deposit) if is_read else (),
        sand=sand_from(file.sand) if is_whole and file.sand else None,
    )


def _check(measurement: JarMeasurement, *, most: bool, known: bool = True) -> None:
    """Refuse numbers from which nothing can be worked out.

    `most`: all layers must be there; `known`: where each lies must be known.
    """
    photos = measurement.photos
    seen = len(photos[-1].boundaries) if photos else 0
    require(seen == len(LAYERS) if most else seen > 0, "a measured photo is missing")
    check_grain(measurement.sand_grain)
    for photo in (*photos, *measurement.further):
        layers = tuple(b.layer for b in photo.boundaries)
        require(layers == LAYERS[: len(layers)], "measured layers out of order")
        require(photo.floor.sd_mm >= 0 and photo.bow_mm >= 0, "a measured uncertainty")
        for b in photo.boundaries:
            require(math.isfinite(b.top_mm) or not known, "a measured boundary")
            require(0 < b.sd_mm < math.inf, "a measured boundary")
            weights = [weight for _, weight in b.alternatives]
            require(all(0 <= w < math.inf for w in weights), "a measured boundary's other places")


def _deposit(tops: tuple[DepositTop, ...]) -> tuple[DepositTop, ...]:
    require(len(tops) <= _MOST_PHOTOS, "too many heights of the deposit")
    for top in tops:
        require(top.layer in LAYERS, "an unknown layer")
        require(0 < top.sd_mm < math.inf and math.isfinite(top.top_mm), "a height of the deposit")
    return tops


def _photo(photo: FilePhoto) -> PhotoRecord:
    known = {boundary.layer for boundary in photo.boundaries} <= set(LAYERS)
    require(known, "an unknown layer")
    return PhotoRecord(
        name=photo.name[:_LONGEST_NAME],
        reading=next((reading for reading in Reading if reading == photo.reading), None),
        elapsed_s=photo.elapsed_s,
        overlay=_plain_name(photo.overlay),
        tops=tuple(LayerTop(b.layer, Measured(b.top, b.sd, "mm")) for b in photo.boundaries),
        time_from=photo.time_from if isinstance(photo.time_from, str) else "",
    )


def _plain_name(value: object) -> str | None:
    """Accept a file name without any way out of the folder."""
    if not isinstance(value, str) or not value or len(value) > 255:
        return None
    is_plain = value not in {".", ".."} and not set(value) & set("/\\:\0")
    return value if is_plain else None


def _shares(file: FileShares) -> Shares:
    parts = (file.sand_pct, file.silt_pct, file.clay_pct)
    total = math.fsum(part.value for part in parts)
    require(abs(total - 100) <= 2, "the shares do not add up to 100")
    sand, silt, clay = (Measured(part.value, part.sd, "%") for part in parts)
    draws = _draws(file)
    ranges = [(part.lo, part.hi) for part in parts]
    if not all(low <= high for low, high in ranges):
        drawn = np.quantile(draws, (0.05, 0.95), axis=0).T.tolist()
        ranges = [
            told if told[0] <= told[1] else (low, high)
            for told, (low, high) in zip(ranges, drawn, strict=True)
        ]
    printed = (100.0 / total * part.value for part in parts)
    texture = _texture(file.class_odds, classify(*printed))
    return Shares((sand, silt, clay), tuple(ranges), texture, draws)


def _draws(file: FileShares) -> Array:
    """Check the draws and scale each row to 100."""
    require(len(file.draws_pct) > 0, "the draws are missing")
    draws = file.draws_pct
    totals = draws.sum(axis=1, keepdims=True)
    require(bool(np.all(np.abs(totals - 100) <= _SUM_TOLERANCE)), "draws do not add up to 100")
    scaled: Array = draws * (100 / totals)
    scaled.flags.writeable = False
    return scaled


def _texture(odds: Mapping[str, float], of_shares: TextureClass) -> Texture:
    known = {str(name) for name in CLASSES}
    require(set(odds) <= known, "an unknown texture class")
    by_class = {TextureClass(name): value for name, value in odds.items()}
    total = math.fsum(by_class.values())
    require(abs(total - 1) <= 0.02, "the class odds do not add up to 1")
    every = tuple(by_class.get(name, 0.0) / total for name in CLASSES)
    return Texture(every, of_shares if by_class.get(of_shares, 0.0) > 0 else None)


def _by_weight(file: FileShares) -> ByWeight:
    return ByWeight(
        shares=_shares(file),
        why=file.why,
        prior_note=file.prior_note,
        water_state=file.water_state[:20],
        curve=_curve(file.curve) if file.curve else None,
        doubts=_doubts(file.doubts),
    )


def _curve(file: FileCurve) -> Curve:
    lines = (file.time_s, file.lo_mm, file.mid_mm, file.hi_mm)
    count = len(file.time_s)
    require(1 < count <= _MOST_CURVE_POINTS, "the curve's length")
    require(all(len(line) == count for line in lines), "an uneven curve")
    rising = all(b > a for a, b in zip((0.0, *file.time_s), file.time_s, strict=False))
    require(rising, "the curve's times run backward")
    return Curve(*lines)


def _doubts(doubts: tuple[NamedDoubt, ...]) -> tuple[NamedDoubt, ...]:
    require(len(doubts) <= _MOST_DOUBTS, "too many doubts")
    return tuple(dict.fromkeys(doubts))
