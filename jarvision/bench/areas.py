"""What the page says of a jar's outline and of parts that are left out, both ways.

A jar none of whose photos showed a jar stands on the page with its photos and a usual outline, to
be drawn right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from jarvision.core.errors import ValueRefusedError
from jarvision.core.moments import now_text
from jarvision.jar.hand_outline import OUTLINE_SD_MM, outline_of
from jarvision.results.hand_areas import AreaKind, HandArea, checked, is_same
from jarvision.results.record import JarRecord, PhotoView
from jarvision.wall.measurement import PhotoMeasurement

_LONGEST_NAME = 80


def unseen_photos(record: JarRecord) -> list[tuple[str, str]]:
    """List photos of a jar in which nothing was found: name and sentence."""
    known = {photo.name for photo in record.digests}
    seen = {photo.name for photo in record.seen.photos} if record.seen else set()
    return [one for one in record.left_out if one[0] in known - seen]


def outline_in(view: PhotoView, photo: PhotoMeasurement) -> list[tuple[float, float]]:
    """Give the outline by which a photo was read [% of its width and height]."""
    points = outline_of(view.view, photo.floor.z_mm, view.size_px)
    return [(round(x, 3), round(y, 3)) for x, y in points]


def plain_area(area: HandArea, record: JarRecord) -> dict[str, Any]:
    """Give an area as the page knows it: by the name that its photo has now."""
    names = {photo.sha256: photo.name for photo in record.digests}
    return {
        "what": str(area.what),
        "photo": names.get(area.photo_sha256, area.photo),
        "points": area.points_pct,
        "sd_mm": area.sd_mm,
        "by": area.by,
        "at": area.at,
        "note": area.note,
    }


def is_area(one: object) -> bool:
    """Whether something that a page sent is an area and no line."""
    return isinstance(one, Mapping) and one.get("what") in set(AreaKind)


def areas_from(
    given: object, record: JarRecord, old: Sequence[HandArea], by: str
) -> list[HandArea]:
    """Understand areas that a page sent; nothing in them is trusted.

    Parameters
    ----------
    given : list
        Lines and areas; lines are passed over.
    record : JarRecord
        Whose they are.
    old : sequence of HandArea
        Those that stand in the table; one that is the same stays as it is.
    by : str
        Who drew the others.

    Raises
    ------
    ValueRefusedError
        One cannot be.
    """
    areas = filter(is_area, given) if isinstance(given, list) else ()
    return [_kept_or_new(_area_from(one, record), old, by) for one in areas]


def _area_from(one: Mapping[str, Any], record: JarRecord) -> HandArea:
    digests = {photo.name: photo.sha256 for photo in record.digests}
    try:
        photo, points = str(one["photo"]), one["points"]
        pct = tuple((float(x), float(y)) for x, y in list(points)[:10])
        sd_mm = float(one.get("sd_mm") or OUTLINE_SD_MM)
        digest = digests[photo]
    except (KeyError, TypeError, ValueError, OverflowError):
        msg = "What was drawn was not understood; load the page again."
        raise ValueRefusedError(msg) from None
    area = HandArea(record.jar, photo, AreaKind(one["what"]), pct, sd_mm, photo_sha256=digest)
    try:
        return checked(area)
    except ValueRefusedError:
        msg = (
            "The outline must be that of an upright jar: its walls left and right, its floor below."
            if area.what is AreaKind.OUTLINE
            else "A part to be left out must lie within the photo."
        )
        raise ValueRefusedError(msg) from None


def _kept_or_new(area: HandArea, old: Sequence[HandArea], by: str) -> HandArea:
    for other in old:
        if is_same(area, other):
            return other
    return replace(area, by=by[:_LONGEST_NAME], at=now_text())
