"""What a camera wrote beside the picture: lens, time, which side is up.

The block that holds the place is never opened.
"""

from __future__ import annotations

import math
import re
from datetime import datetime, timedelta, timezone
from typing import Any

from PIL import ExifTags, Image
from PIL.PngImagePlugin import PngImageFile


def exif_block(image: Image.Image) -> dict[int, Any]:
    """Return the block of camera settings alone; a broken block counts as none."""
    try:
        has_none = isinstance(image, PngImageFile) and not _PNG_EXIF.intersection(image.info)
        return {} if has_none else dict(image.getexif().get_ifd(ExifTags.IFD.Exif))
    except Exception:  # the parser raises anything on broken blocks
        return {}


_PNG_EXIF = frozenset({"exif", "Raw profile type exif"})


def orientation(image: Image.Image) -> int:
    """Give the EXIF orientation, 1 to 8; 1 where there is none."""
    try:
        value = image.getexif().get(ExifTags.Base.Orientation)
    except Exception:  # the parser raises anything on broken blocks
        return 1
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def says_up(image: Image.Image) -> bool:
    """Tell whether a camera wrote which side is up."""
    try:
        return image.getexif().get(ExifTags.Base.Orientation) in range(1, 9)
    except Exception:  # the parser raises anything on broken blocks
        return False


def _number(value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]  # whatever the file holds
    except (TypeError, ValueError, ArithmeticError):
        return math.nan


def focal_from_exif(exif: dict[int, Any]) -> float:
    """Return FocalLengthIn35mmFilm [mm]; NaN when absent, 0 (the standard's unknown) or absurd."""
    focal_mm = _number(exif.get(ExifTags.Base.FocalLengthIn35mmFilm))
    return focal_mm if 5 <= focal_mm <= 3000 else math.nan


def is_cropped(exif: dict[int, Any], size_px: tuple[int, int]) -> bool:
    """Tell whether the EXIF picture size has another shape than the picture.

    A copy made smaller keeps its shape within rounding; 2 px and 0.5 % are allowed for that.
    """
    recorded = sorted(
        _number(exif.get(tag))
        for tag in (ExifTags.Base.ExifImageWidth, ExifTags.Base.ExifImageHeight)
    )
    if not all(side >= 1 for side in recorded):
        return False
    short_px, long_px = sorted(size_px)
    expected_px = long_px * recorded[0] / recorded[1]
    return abs(short_px - expected_px) > max(2.0, 0.005 * expected_px)


_TIME_TAGS = (
    (
        ExifTags.Base.DateTimeOriginal,
        ExifTags.Base.SubsecTimeOriginal,
        ExifTags.Base.OffsetTimeOriginal,
    ),
    (
        ExifTags.Base.DateTimeDigitized,
        ExifTags.Base.SubsecTimeDigitized,
        ExifTags.Base.OffsetTimeDigitized,
    ),
)

YEARS = range(1980, 2101)
"""In which a photo can have been taken; others are of a clock that was never set."""

_EXIF_TIME = re.compile(r"(\d{4})[:/-](\d\d)[:/-](\d\d)[ T](\d\d):(\d\d):(\d\d)", re.ASCII)

_EXIF_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)", re.ASCII)


def time_from_exif(exif: dict[int, Any]) -> datetime | None:
    """Return DateTimeOriginal, else DateTimeDigitized; None when neither makes sense.

    Years before 1980 and after 2100 are taken for a clock that was never set.
    """
    times = (_exif_time(*(exif.get(tag) for tag in tags)) for tags in _TIME_TAGS)
    return next((time for time in times if time is not None), None)


def _exif_time(value: object, subsec: object, offset: object) -> datetime | None:
    match = _EXIF_TIME.match(_text(value))
    if match is None:
        return None
    try:
        time = datetime(*map(int, match.groups()), tzinfo=_zone(offset))  # type: ignore[misc,arg-type]
    except ValueError:
        return None
    fraction = re.match(r"\d{1,9}", _text(subsec), re.ASCII)
    if fraction:
        time += timedelta(seconds=float(f"0.{fraction[0]}"))
    return time if time.year in YEARS else None


def _zone(offset: object) -> timezone | None:
    match = _EXIF_OFFSET.match(_text(offset))
    if match is None:
        return None
    ahead = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return timezone(-ahead if match[1] == "-" else ahead) if ahead <= timedelta(hours=14) else None


def _text(value: object) -> str:
    text = value.decode("latin-1") if isinstance(value, bytes) else value
    return text.strip(" \0") if isinstance(text, str) else ""
