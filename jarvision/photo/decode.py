"""Open a photo: an upright working picture and the few camera facts that a reading needs.

A photo is only ever read. Of its EXIF block, the capture time, the lens and the picture's size are
used; the block that holds the place is never opened.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import threading
import warnings
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import IO, Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from jarvision.core.errors import PhotoError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.photo.exif import (
    exif_block,
    focal_from_exif,
    is_cropped,
    orientation,
    says_up,
    time_from_exif,
)
from jarvision.photo.file_kind import kind_of
from jarvision.photo.freed_memory import keep_freed_memory
from jarvision.photo.integrity import is_whole, png_is_full, too_large
from jarvision.photo.jpeg import quick_jpeg
from jarvision.photo.listener import stderr_aside, words_of
from jarvision.photo.photo_file import not_a_photo, read_photo
from jarvision.photo.refusals import (
    NotAPhotoError,
    PhotoSizeError,
    TruncatedPhotoError,
)

Found = TypeVar("Found")

WORKING_PX = 1800  # long side of a working picture, at least: 6 px/mm where a jar fills the photo

_SHORTEST_SIDE_PX = 64

_REDUCTIONS = (8, 4, 2, 1)


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What a photo's header tells, without its pixels.

    Attributes
    ----------
    name : str
        File name, safe to print.
    digest : str
        SHA-256 of the file's bytes, in hexadecimal.
    kind : str
        ``"JPEG"``, ``"PNG"``, ``"WebP"``, ``"TIFF"`` or ``"HEIF"``.
    long_px, short_px : int
        Sides of the full-size picture [px].
    focal_35mm_mm : float
        Focal length in 35 mm terms (EXIF FocalLengthIn35mmFilm) [mm]; NaN when unknown.
    cropped : bool
        The EXIF picture size has another shape than the picture: it was cut after it was taken.
    taken_at : datetime or None
        Capture time by the camera's clock, with its UTC offset if the camera wrote one.
    """

    name: str
    digest: str
    kind: str
    long_px: int
    short_px: int
    focal_35mm_mm: float
    cropped: bool
    taken_at: datetime | None


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright picture at working size, with what the camera said about it.

    Attributes
    ----------
    name, digest, focal_35mm_mm, cropped, taken_at
        As in `PhotoFacts`.
    bgr : ndarray of uint8, shape (height, width, 3)
        Blue, green, red; C-contiguous; y down, centre of the first pixel at (0, 0).
    reduction : int
        Full-size pixels per working pixel: 1, 2, 4 or 8.
    knows_up : bool
        The camera said which side is up.
    found : dict
        What was found in this picture already, kept by whoever may look for it again.
    """

    name: str
    digest: str
    bgr: NDArray[np.uint8]
    reduction: int
    focal_35mm_mm: float
    cropped: bool
    taken_at: datetime | None
    knows_up: bool = True
    found: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False)

    def once(self, key: Hashable, find: Callable[[], Found]) -> Found:
        """Find something in this picture, or give what was found before."""
        if key not in self.found:
            self.found[key] = find()
        found: Found = self.found[key]
        return found


def open_photo(
    path: str | os.PathLike[str], *, longest_px: int = WORKING_PX, contents: bytes | None = None
) -> Photo:
    """Read a photo, upright and reduced to working size.

    Parameters
    ----------
    path : path
        JPEG, PNG, WebP, TIFF or HEIC/HEIF; of several pictures in a file the first.
    longest_px : int
        The picture is reduced by the largest of 1, 2, 4, 8 that leaves its long side this long
        [px]. JPEG is reduced within its own transform, other kinds by averaging areas.
    contents : bytes, optional
        What is in the file, where the file itself is on another machine.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        The file cannot be used; the subclass says why and the message what to do.
    ValueRefusedError
        `longest_px` is not positive.
    """
    if longest_px < 1:
        msg = f"The working size must be at least 1 pixel, not {longest_px}."
        raise ValueRefusedError(msg)
    keep_freed_memory()
    name, raw = _named(path, contents)
    with _decoding(name) as heard:
        image, kind = _open_header(name, raw)
        if kind == "PNG":
            image.load()  # its EXIF may stand behind the pixels
        facts = _facts(name, raw, image, kind)
        reduction = working_reduction(facts.long_px, longest_px)
        # phones' HEIF files are turned by their own container
        knows_up = kind == "HEIF" or says_up(image)
        bgr = _upright_bgr(name, raw, image, reduction, heard)
    return Photo(
        name=name,
        digest=facts.digest,
        bgr=bgr,
        reduction=reduction,
        focal_35mm_mm=facts.focal_35mm_mm,
        cropped=facts.cropped,
        taken_at=facts.taken_at,
        knows_up=knows_up,
    )


def open_grey(path: str | os.PathLike[str], *, contents: bytes | None = None) -> NDArray[np.uint8]:
    """Read a photo at full scale in grey, (height, width), upright as far as its file says.

    Costs half of a decode in colours. Parameters and errors as in `open_photo`.
    """
    name, raw = _named(path, contents)
    with _decoding(name) as heard:
        image, kind = _open_header(name, raw)
        if kind == "PNG":
            image.load()
        if isinstance(image, JpegImageFile) and image.mode in {"RGB", "L"}:
            grey: cv2.typing.MatLike | None = quick_jpeg(raw, image.size, 1, grey=True)
            if grey is None:
                flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
                grey = cv2.imdecode(np.frombuffer(raw, np.uint8), flags)
            if grey is not None:
                return np.asarray(_TURNS[orientation(image)](grey), dtype=np.uint8)
        bgr = _upright_bgr(name, raw, image, 1, heard)
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def probe_photo(path: str | os.PathLike[str]) -> PhotoFacts:
    """Read a photo's header and hash its bytes, without decoding its pixels.

    Raises
    ------
    PhotoError
        As `open_photo`; damage within the pixels is not noticed here.
    """
    name, raw = read_photo(Path(path))
    with _decoding(name):
        image, kind = _open_header(name, raw)
        return _facts(name, raw, image, kind)


def working_reduction(long_px: int, longest_px: int) -> int:
    """Choose the largest of 1, 2, 4, 8 that leaves the long side at least `longest_px` long.

    Examples
    --------
    >>> working_reduction(4032, 1800), working_reduction(12000, 1800), working_reduction(640, 1800)
    (2, 4, 1)
    """
    return next((step for step in _REDUCTIONS if long_px / step >= longest_px), 1)


def _named(path: str | os.PathLike[str], contents: bytes | None) -> tuple[str, bytes]:
    if contents is None:
        return read_photo(Path(path))
    return shown(Path(path).name), contents


# Python's warning filters and the error stream belong to the whole process: one decode at a time.
_ONE_AT_A_TIME = threading.Lock()


_MISSING_DATA = re.compile(rb"premature end|bad huffman|instead of rst", re.IGNORECASE)


@contextlib.contextmanager
def _decoding(name: str) -> Iterator[IO[bytes]]:
    """Keep decoders quiet, and turn whatever they raise on a hostile file into a sentence.

    Yields the file that holds what the decoders meant to print.
    """
    try:
        with _ONE_AT_A_TIME, warnings.catch_warnings(), stderr_aside() as heard:
            warnings.simplefilter("ignore")
            yield heard
    except PhotoError:
        raise
    except MemoryError as error:
        msg = f"{name} needs more memory than there is; send a smaller copy."
        raise PhotoSizeError(msg) from error
    except Exception as error:  # decoders raise anything on broken files
        msg = f"{name} is damaged or not a photo; copy it from the phone again or save it as JPEG."
        raise NotAPhotoError(msg) from error


def _cut_off(name: str) -> str:
    return f"{name} is cut off part way; copy the whole file from the phone again."


def _open_header(name: str, raw: bytes) -> tuple[Image.Image, str]:
    """Read the header; the pixels wait until they are asked for."""
    kind = kind_of(raw[:32])
    if kind is None:  # the file changed while it was read
        raise NotAPhotoError(not_a_photo(name))
    if not is_whole(kind, raw):
        raise TruncatedPhotoError(_cut_off(name))
    # The classes themselves and not `Image.open`, whose limits and warnings are global.
    image = _OPENERS[kind](io.BytesIO(raw))
    if why := too_large(kind, raw, image):
        msg = f"{name} {why}."
        raise PhotoSizeError(msg)
    _refuse_small(name, *image.size)
    if kind == "PNG" and not png_is_full(raw, image):
        raise TruncatedPhotoError(_cut_off(name))
    if kind == "TIFF" and _is_raw_file(image):
        msg = f"{name} is a camera's raw file; export it as JPEG."
        raise NotAPhotoError(msg)
    return image, kind


def _open_heif(file: IO[bytes]) -> Image.Image:
    try:
        from pillow_heif import HeifImageFile  # heavy, and needed for this kind only
    except ImportError as error:
        msg = "HEIC photos need the package pillow-heif; install it or save the photo as JPEG."
        raise NotAPhotoError(msg) from error
    image: Image.Image = HeifImageFile(file)  # type: ignore[no-untyped-call]
    return image


_OPENERS: dict[str, Callable[[IO[bytes]], Image.Image]] = {
    "JPEG": JpegImageFile,
    "PNG": PngImageFile,
    "WebP": WebPImageFile,
    "TIFF": TiffImageFile,
    "HEIF": _open_heif,
}


def _refuse_small(name: str, width_px: int, height_px: int) -> None:
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    if short_px / working_reduction(long_px, WORKING_PX) < _SHORTEST_SIDE_PX:
        msg = (
            f"{name} is only {width_px} by {height_px} pixels, too small to read a jar in; "
            "send the phone's own photo."
        )
        raise PhotoSizeError(msg)


_DNG_VERSION_TAG = 0xC612


def _is_raw_file(image: Image.Image) -> bool:
    return isinstance(image, TiffImageFile) and _DNG_VERSION_TAG in image.tag_v2


def _facts(name: str, raw: bytes, image: Image.Image, kind: str) -> PhotoFacts:
    exif = exif_block(image)
    return PhotoFacts(
        name=name,
        digest=hashlib.sha256(raw).hexdigest(),
        kind=kind,
        long_px=max(image.size),
        short_px=min(image.size),
        focal_35mm_mm=focal_from_exif(exif),
        cropped=is_cropped(exif, image.size),
        taken_at=time_from_exif(exif),
    )


def _upright_bgr(
    name: str, raw: bytes, image: Image.Image, reduction: int, heard: IO[bytes]
) -> NDArray[np.uint8]:
    bgr = None
    if isinstance(image, JpegImageFile) and image.mode in {"RGB", "L"}:
        bgr = quick_jpeg(raw, image.size, reduction)
        if bgr is None:
            bgr = _jpeg_bgr(name, raw, reduction, heard)
    if bgr is None:
        if isinstance(image, JpegImageFile):
            _refuse_damaged_jpeg(name, raw, heard)
        bgr = _any_bgr(image, reduction)
    # Asked for only now: a decoder that has turned the picture says so.
    return np.ascontiguousarray(_TURNS[orientation(image)](bgr))


_FLAGS = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}


def _jpeg_bgr(name: str, raw: bytes, reduction: int, heard: IO[bytes]) -> NDArray[np.uint8] | None:
    """Decode within the JPEG's own transform; None when this decoder does not take it."""
    flags = _FLAGS[reduction] | cv2.IMREAD_IGNORE_ORIENTATION
    bgr = cv2.imdecode(np.frombuffer(raw, np.uint8), flags)
    if bgr is None:
        return None
    words = words_of(heard)
    # The decoder fills what is missing with exact mid-grey up to the last pixel.
    ends_grey = b"orrupt" in words and bool((bgr[-1, -1] == 128).all())
    if ends_grey or _MISSING_DATA.search(words):
        raise TruncatedPhotoError(_cut_off(name))
    return np.asarray(bgr, dtype=np.uint8)


def _refuse_damaged_jpeg(name: str, raw: bytes, heard: IO[bytes]) -> None:
    """Listen to a quick decode: the one that follows keeps what it finds missing to itself."""
    cv2.imdecode(np.frombuffer(raw, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)
    if _MISSING_DATA.search(words_of(heard)):
        raise TruncatedPhotoError(_cut_off(name))


def _any_bgr(image: Image.Image, reduction: int) -> NDArray[np.uint8]:
    if isinstance(image, JpegImageFile):
        reduction //= _drafted(image, reduction)
    image.load()
    small = _plain_mode(image)
    if image.mode.startswith("I") and _is_white_zero(image):
        small = ImageOps.invert(small)
    if reduction > 1:
        small = small.reduce(reduction)
    rgb = np.asarray(_over_white(small).convert("RGB"))
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _drafted(image: JpegImageFile, reduction: int) -> int:
    """Ask for a reduced decode; return the reduction that the decoder agreed to."""
    width_px, height_px = image.size
    image.draft(None, (width_px // reduction, height_px // reduction))
    return max(1, round(width_px / image.size[0]))


def _plain_mode(image: Image.Image) -> Image.Image:
    """Bring unusual pixel layouts to grey, RGB, CMYK or RGBA with 8 bits each."""
    if image.mode.startswith("I;16"):
        return _grey_from_16_bit(np.asarray(image))
    if image.mode == "I":
        return _grey_from_16_bit(np.clip(np.asarray(image), 0, 65535).astype(np.uint16))
    if image.mode == "F":
        msg = "floating-point pixels have no agreed white"
        raise ValueError(msg)
    if "transparency" in image.info or image.mode in {"PA", "La", "RGBa"}:
        return image.convert("RGBA")
    return image if image.mode in {"L", "LA", "RGB", "RGBA", "CMYK"} else image.convert("RGB")


def _is_white_zero(image: Image.Image) -> bool:
    """Whether zero is white (TIFF 6.0, PhotometricInterpretation), as 8-bit decoders allow for."""
    return isinstance(image, TiffImageFile) and image.tag_v2.get(262) == 0


def _grey_from_16_bit(values: NDArray[Any]) -> Image.Image:
    return Image.fromarray(cv2.convertScaleAbs(values, alpha=1 / 257))


def _over_white(image: Image.Image) -> Image.Image:
    if image.mode not in {"LA", "RGBA"}:
        return image
    white = Image.new("RGBA", image.size, "white")
    return Image.alpha_composite(white, image.convert("RGBA"))


def _rotated(code: int) -> Callable[[cv2.typing.MatLike], cv2.typing.MatLike]:
    return lambda bgr: cv2.rotate(bgr, code)


def _flipped(code: int) -> Callable[[cv2.typing.MatLike], cv2.typing.MatLike]:
    return lambda bgr: cv2.flip(bgr, code)


# EXIF 2.32 (CIPA DC-008), tag Orientation: how the stored picture is brought upright.
_TURNS: dict[int, Callable[[cv2.typing.MatLike], cv2.typing.MatLike]] = {
    1: lambda bgr: bgr,
    2: _flipped(1),
    3: _rotated(cv2.ROTATE_180),
    4: _flipped(0),
    5: cv2.transpose,
    6: _rotated(cv2.ROTATE_90_CLOCKWISE),
    7: lambda bgr: cv2.transpose(cv2.flip(bgr, -1)),
    8: _rotated(cv2.ROTATE_90_COUNTERCLOCKWISE),
}
