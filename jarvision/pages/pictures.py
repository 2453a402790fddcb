"""Pictures for a page: made small and written anew, so that nothing else comes along.

A JPEG that is small enough and holds nothing else, such as our own overlays, is taken as it is.
"""

from __future__ import annotations

import base64
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from jarvision.results.codec import JarFileError
from jarvision.results.jar_folder import read_regular

if TYPE_CHECKING:
    from PIL import Image

_MOST_BYTES = 40_000_000
_MOST_PIXELS = 60_000_000
_QUALITY = 80
_LIKE_IT_PX = 1.5  # so much longer than asked, a picture is not worth writing anew: 50 ms each
_LIKE_IT_BYTES = 300_000


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as a page holds it.

    Attributes
    ----------
    uri : str
        ``data:`` address with the picture in it.
    width_px, height_px : int
    """

    uri: str
    width_px: int
    height_px: int


def load_picture(path: Path, longest_px: int) -> Picture | None:
    """Read a JPEG or PNG and make it small.

    Whatever holds more than the picture (place, device, comments) is encoded anew without it.

    Parameters
    ----------
    path : Path
        An ordinary file; links are not followed.
    longest_px : int
        Its longest side; a JPEG that is taken as it is may be half as long again.

    Returns
    -------
    Picture or None
        None when the file is missing or is no picture.
    """
    try:
        raw = read_regular(path, most_bytes=_MOST_BYTES)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _encoded(raw, longest_px)
    except JarFileError:
        return None
    except Exception:
        return None


def _encoded(raw: bytes, longest_px: int) -> Picture | None:
    from PIL import Image

    with Image.open(io.BytesIO(raw), formats=("JPEG", "PNG")) as opened:
        if opened.width * opened.height > _MOST_PIXELS:
            return None
        if max(opened.size) <= _LIKE_IT_PX * longest_px and (alone := _picture_alone(opened, raw)):
            return _picture(alone, *opened.size)
        # an eighth, a quarter or a half that is nearly that long needs no further work
        shrunk = 0.9 * longest_px / max(opened.size)
        opened.draft("RGB", (int(shrunk * opened.width) or 1, int(shrunk * opened.height) or 1))
        small = opened.convert("RGB")
    small.thumbnail((longest_px, longest_px))
    small.info = {}  # a comment would be written again
    out = io.BytesIO()
    small.save(out, "JPEG", quality=_QUALITY)
    return _picture(out.getvalue(), *small.size)


def _picture(jpeg: bytes, width_px: int, height_px: int) -> Picture:
    uri = "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")
    return Picture(uri, width_px, height_px)


def _picture_alone(opened: Image.Image, raw: bytes) -> bytes:
    """Give a small JPEG that holds no notes, up to its end mark; else nothing.

    An end mark cannot stand in a scan's own bytes (ISO/IEC 10918-1, B.1.1.2).
    """
    notes = {note[:4] for _, note in getattr(opened, "applist", [("", b"")])}
    end = raw.find(b"\xff\xd9", raw.find(b"\xff\xda")) + 2
    is_alone = opened.format == "JPEG" and opened.mode == "RGB" and notes <= {b"JFIF"}
    return raw[:end] if is_alone and 2 < end <= _LIKE_IT_BYTES else b""
