"""A reading -> the form in which it is stored."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from jarvision import __version__
from jarvision.core.doubts import Doubt
from jarvision.core.errors import JarError
from jarvision.core.files import safe_name
from jarvision.core.measured import Measured
from jarvision.core.series import JarPhotos
from jarvision.estimate.composition import spread_of
from jarvision.estimate.estimate import Estimated
from jarvision.estimate.given import Given
from jarvision.estimate.interim import InterimReading
from jarvision.estimate.posterior import Weighed
from jarvision.jar.geometry import Camera, Outline, View
from jarvision.jar.wall_features import pieces
from jarvision.results.record import (
    ByWeight,
    Curve,
    DepositTop,
    Interim,
    JarRecord,
    LayerTop,
    NamedDoubt,
    PhotoRecord,
    PhotoView,
    PutRight,
    ReadingRow,
    Shares,
    Unread,
    WeightRow,
    overlay_name,
)
from jarvision.results.sand_seen import sand_row, stored_sand
from jarvision.wall.measurement import (
    UNKNOWN_THREE,
    JarMeasurement,
    PhotoMeasurement,
    Three,
    three_of,
)
from jarvision.wall.read import PhotoReading
from jarvision.wall.suggest_marks import Offer, offer_json

_STORED_DRAWS = 500  # draws stored with a jar, enough for odds to a few per cent
_ROW_DIGITS = 6  # what the number of threads changes lies far below this

_NO_HEIGHT = Measured(math.nan, math.nan, "mm")

LeftOut = tuple[tuple[str, str], ...]


def _nothing_yet(photos: JarPhotos) -> JarRecord:
    """Store what is known of a jar before anything of it was read."""
    return JarRecord(
        jar=photos.jar,
        stem=safe_name(photos.jar),
        strip_number=photos.number,
        made_by=f"jarvision {__version__}",
        photos=tuple(PhotoRecord(t.name, None, math.nan, None, ()) for t in photos.timed),
        scaled=False,
        tops=None,
        water_line_mm=math.nan,
        by_height=None,
        by_weight=None,
        not_weighed="",
        doubts=(),
        left_out=(),
        unread=None,
        said=photos.said,
    )


def _said(photos: JarPhotos) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(row.what) for row in photos.said))


@dataclass(frozen=True, slots=True)
class AsRead:
    """What is known of a jar that could not be read, so that lines can be put in by hand.

    Attributes
    ----------
    measurement : JarMeasurement
        Its glass, and those lines that were found; the others are NaN.
    given : Given
        What is known besides.
    put_right : tuple of PutRight
        The lines that stand there by hand already.
    """

    measurement: JarMeasurement
    given: Given
    put_right: tuple[PutRight, ...] = ()


def with_list(record: JarRecord, *, name: str, bed: str, left_out: LeftOut) -> JarRecord:
    """Add to a jar what is known of it from outside its photos.

    Parameters
    ----------
    record : JarRecord
        The jar, as read or not.
    name, bed : str
        What the user's list of jars says of it.
    left_out : tuple of (str, str)
        Photos that could not be used: name and sentence.
    """
    row = replace(record.row, name=name, bed=bed) if record.row else None
    return replace(record, row=row, name=name, bed=bed, left_out=left_out)


def unread_record(photos: JarPhotos, error: JarError, seen: AsRead | None = None) -> JarRecord:
    """Store why a jar could not be read.

    Parameters
    ----------
    photos : JarPhotos
        Its photos, placed in time.
    error : JarError
        Why.
    seen : AsRead, optional
        What is known of it nevertheless.
    """
    known = replace(_nothing_yet(photos), unread=Unread(error.name, str(error)))
    if seen is None:
        return known
    return replace(
        known,
        scaled=seen.measurement.scaled,
        given=seen.given,
        views=_views(seen.measurement.photos),
        as_read=seen.measurement.numbers(),
        put_right=seen.put_right,
    )


def record_of(
    made: Estimated,
    photos: JarPhotos,
    *,
    offer: Offer | None = None,
    as_read: JarMeasurement | None = None,
    put_right: tuple[PutRight, ...] = (),
) -> JarRecord:
    """Store what was read of a jar.

    Parameters
    ----------
    made : Estimated
        The reading, by height and by weight.
    photos : JarPhotos
        Its photos, placed in time.
    offer : Offer, optional
        What lines on the glass mark.
    as_read : JarMeasurement, optional
        What was measured before lines were put right by hand.
    put_right : tuple of PutRight
        Those lines.
    """
    reading = made.reading
    c = reading.composition
    draws = c.draws[:: max(1, len(c.draws) // _STORED_DRAWS)][:_STORED_DRAWS]
    return replace(
        _nothing_yet(photos),
        photos=tuple(_photo(p, photos, reading.jar) for p in reading.photos),
        scaled=reading.scaled,
        tops=reading.tops,
        water_line_mm=reading.water_mm,
        by_height=Shares(
            (c.sand_pct, c.silt_pct, c.clay_pct),
            ranges_of(c.draws),
            reading.texture,
            draws,
        ),
        by_weight=_by_weight(made.weighed) if made.weighed else None,
        not_weighed=made.not_weighed,
        doubts=_named(reading.doubts),
        water_state=reading.water_state,
        profile=reading.profile,
        marks=offer_json(offer) if offer else None,
        row=replace(row_of(made), put_right=(*reading.measurement.put_right, *_said(photos))),
        measurement=reading.measurement.numbers(),
        given=reading.given,
        views=_views(reading.photos),
        as_read=as_read.numbers() if as_read else None,
        put_right=put_right,
        water_sd_mm=reading.water_sd_mm,
        deposit=deposit_tops(reading.measurement, reading.tops),
        sand=stored_sand(made.sand),
    )


def interim_record(reading: InterimReading, photos: JarPhotos) -> JarRecord:
    """Store what is known of a jar before its last photo.

    Parameters
    ----------
    reading : InterimReading
        What is known so far.
    photos : JarPhotos
        Its photos, placed in time.
    """
    verdict, due = reading.verdict, reading.next_photo
    read = tuple(_photo(p, photos, reading.jar) for p in reading.photos)
    heights = reading.tops if reading.scaled else (_NO_HEIGHT,) * 3
    known = _nothing_yet(photos)
    return replace(
        known,
        photos=read or known.photos,
        scaled=reading.scaled,
        tops=reading.tops,
        water_line_mm=reading.water_mm,
        doubts=_named(reading.doubts),
        row=ReadingRow(
            jar=reading.jar,
            photos=tuple(p.name for p in reading.photos) or (verdict.photo,),
            tops_mm=_rounded(t.value for t in heights),
            top_sds_mm=_rounded(t.sd for t in heights),
            pcts=UNKNOWN_THREE,
            pct_sds=UNKNOWN_THREE,
            texture_class=None,
            class_odds=math.nan,
            next_class=None,
            next_odds=math.nan,
            doubts=reading.doubts,
            put_right=_said(photos),
        ),
        measurement=reading.measurement.numbers() if reading.measurement else None,
        given=reading.given,
        interim=Interim(
            verdict="good" if verdict.is_good else "take_again",
            sentence=verdict.sentence,
            photo=verdict.photo,
            next_reading=str(due.reading),
            next_due_s=due.due_s,
            next_due_at=due.due_at.isoformat() if due.due_at else "",
            next_sentence=due.sentence,
        ),
        water_sd_mm=reading.measurement.water_sd_mm if reading.measurement else math.nan,
        deposit=deposit_tops(reading.measurement, reading.tops) if reading.measurement else (),
    )


def _views(photos: Sequence[PhotoMeasurement]) -> tuple[PhotoView, ...]:
    """Say where the wall lies in each photo; nothing where one has lost its picture."""
    views = []
    for photo in photos:
        if not isinstance(photo, PhotoReading):
            return ()
        look = photo.look
        height, width = map(int, look.size_px)
        whole = [look.wall.azimuth[p] for p in pieces(look.wall)] or [look.wall.azimuth]
        ends = tuple((float(p[0]), float(p[-1])) for p in whole)
        views.append(PhotoView((height, width), as_floats(look.jar.view), ends))
    return tuple(views)


def as_floats(view: View) -> View:
    """Give a view whose numbers are plain ones, as files hold them."""
    camera = Camera(*(float(getattr(view.camera, f.name)) for f in fields(Camera)))
    outline = Outline(*(float(getattr(view.outline, f.name)) for f in fields(Outline)))
    return View(camera, outline)


def deposit_tops(measured: JarMeasurement, tops: Sequence[Measured]) -> tuple[DepositTop, ...]:
    """List the top of all that was down in every photo that shows it, in order of time.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured in the photos.
    tops : sequence of Measured
        Tops of sand, silt and clay by all photos together [mm].
    """
    found = []
    for photo in measured.photos:
        top = tops[len(photo.boundaries) - 1]
        layer = photo.boundaries[-1].layer
        found.append(DepositTop(photo.elapsed_s, top.value, top.sd, layer, photo.name))
    for photo in measured.further:
        if (seen := photo.deposit) is not None:
            where = (seen.top_mm, photo.deposit_sd_mm, seen.layer)
            found.append(DepositTop(photo.elapsed_s, *where, photo.name))
    return tuple(sorted(found, key=lambda top: (math.isnan(top.elapsed_s), top.elapsed_s)))


def _photo(photo: PhotoMeasurement, photos: JarPhotos, jar: str) -> PhotoRecord:
    timed = photos.chosen[photo.reading]
    return PhotoRecord(
        photo.name,
        photo.reading,
        timed.elapsed_s,
        overlay_name(jar, str(photo.reading)),
        tuple(LayerTop(b.layer, Measured(b.top_mm, b.sd_mm, "mm")) for b in photo.boundaries),
        str(timed.source),
    )


def ranges_of(draws: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Give the 90 % interval of each share, by its draws (n, 3)."""
    low, high = np.quantile(draws, (0.05, 0.95), axis=0).tolist()
    return tuple(zip(low, high, strict=True))


def _named(doubts: Iterable[Doubt]) -> tuple[NamedDoubt, ...]:
    return tuple(NamedDoubt(str(each.name), each.sentence) for each in doubts)


def _by_weight(weighed: Weighed) -> ByWeight:
    fractions_pct = 100.0 * weighed.fractions
    shares = (weighed.sand_pct, weighed.silt_pct, weighed.clay_pct)
    sand, silt, clay = (
        Measured(share.value, sd, "%")
        for share, sd in zip(shares, spread_of(fractions_pct).tolist(), strict=True)
    )
    curve = weighed.curve
    return ByWeight(
        shares=Shares(
            (sand, silt, clay),
            tuple((share.lo, share.hi) for share in shares),
            weighed.texture,
            fractions_pct[:_STORED_DRAWS],
        ),
        why=weighed.why,
        prior_note=_narrowed(weighed),
        water_state=str(weighed.water_state),
        curve=Curve(
            *(
                tuple(points.tolist())
                for points in (curve.time_s, curve.lo_mm, curve.mid_mm, curve.hi_mm)
            )
        ),
        doubts=_named(weighed.doubts),
    )


def row_of(made: Estimated) -> ReadingRow:
    """Put a reading in a row of `readings.csv`; without a strip it has no millimetres."""
    reading = made.reading
    c = reading.composition
    shares = (c.sand_pct, c.silt_pct, c.clay_pct)
    tops = reading.tops if reading.scaled else (_NO_HEIGHT,) * 3
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
        by_weight=_weight_row(made.weighed) if made.weighed else None,
        put_right=reading.measurement.put_right,
        sand=sand_row(made),
    )


def _rounded(values: Iterable[float]) -> Three:
    return three_of(round(float(value), _ROW_DIGITS) for value in values)


def _narrowed(weighed: Weighed) -> str:
    """Say how much the photos narrowed a soil, and what would narrow it further."""
    more = f" {weighed.next_fact.sentence}" if weighed.next_fact else ""
    return f"{weighed.narrowed.sentence}{more}"


def _weight_row(weighed: Weighed) -> WeightRow:
    """Put a result by weight in a row."""
    shares = (weighed.sand_pct, weighed.silt_pct, weighed.clay_pct)
    texture = weighed.texture
    notes = dict.fromkeys([weighed.why, _narrowed(weighed), *(d.sentence for d in weighed.doubts)])
    return WeightRow(
        pcts=_rounded(share.value for share in shares),
        los=_rounded(share.lo for share in shares),
        his=_rounded(share.hi for share in shares),
        texture_class=texture.likeliest,
        class_odds=round(texture.odds, _ROW_DIGITS),
        water_state=str(weighed.water_state),
        notes=tuple(notes),
    )
