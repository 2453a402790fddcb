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


def load_pictures(path: Path, longest_px: tuple[int, ...]) -> tuple[Picture, ...] | None:
    """Read a JPEG or PNG once and make it small, in one or more sizes.

    The picture is encoded anew, without any of the file's own notes (place, device, comments).

    Parameters
    ----------
    path : Path
        An ordinary file; links are not followed.
    longest_px : tuple of int
        Longest side of each size.

    Returns
    -------
    tuple of Picture or None
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


def _encoded(raw: bytes, longest_px: tuple[int, ...]) -> tuple[Picture, ...] | None:
    from PIL import Image

    with Image.open(io.BytesIO(raw), formats=("JPEG", "PNG")) as opened:
        if opened.width * opened.height > _MOST_PIXELS:
            return None
        most = max(longest_px)
        opened.draft("RGB", (most, most))
        whole = opened.convert("RGB")
    pictures = []
    for longest in longest_px:
        small = whole.copy()
        small.thumbnail((longest, longest))
        out = io.BytesIO()
        small.save(out, "JPEG", quality=_QUALITY, optimize=True)
        uri = "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode("ascii")
        pictures.append(Picture(uri, small.width, small.height))
    return tuple(pictures)
