"""Pictures for a page: decoded, made smaller, written anew, so that nothing else comes along."""

from __future__ import annotations

import base64
import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from jarvision.results.codec import JarFileError
from jarvision.results.jarfile import read_regular

_MOST_BYTES = 40_000_000
_MOST_PIXELS = 60_000_000
_QUALITY = 80


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

    The picture is encoded anew, without any of the file's own notes (place, device, comments).

    Parameters
    ----------
    path : Path
        An ordinary file; links are not followed.
    longest_px : int
        Its longest side.

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
        opened.draft("RGB", (longest_px, longest_px))
        small = opened.convert("RGB")
    small.thumbnail((longest_px, longest_px))
    out = io.BytesIO()
    small.save(out, "JPEG", quality=_QUALITY, optimize=True)
    uri = "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")
    return Picture(uri, small.width, small.height)
