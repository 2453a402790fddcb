"""Whether all of a photo is there, and whether decoding it can be afforded, told before decoding.

Files say of themselves how large they are and where they end; what they say is checked against what
is in them, so that a small file cannot ask for gigabytes or for minutes.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator

import numpy as np
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile
from PIL.TiffImagePlugin import TiffImageFile

MOST_MEGAPIXELS = 150
_MOST_WHOLE_MEGAPIXELS = 64  # of kinds that cannot be reduced as they are decoded
# A photo of anything takes more than a byte for so many pixels, however it was compressed; only
# pictures of nothing, made to fill the memory, take less. Small ones do no harm.
_MOST_PX_PER_BYTE, _HARMLESS_MEGAPIXELS = 1_000, 20
# Encoders write a progressive JPEG in about ten scans, each of which goes over the whole picture.
_MOST_SCANS = 64
_MOST_SCANNED_MEGAPIXELS = 1_500
# Progressive JPEG: two bytes for each coefficient of each component stand in memory at once.
_MOST_COEFFICIENTS = 330_000_000
_MOST_TILE_PX = 4_000_000
_MOST_SAMPLE_BITS = 64


def too_large(kind: str, raw: bytes, image: Image.Image) -> str:
    """Say how decoding a picture would ask for more than it should; empty where it may be decoded.

    Parameters
    ----------
    kind : str
        ``JPEG``, ``PNG``, ``WebP``, ``TIFF`` or ``HEIF``.
    raw : bytes
        The file.
    image : Image.Image
        The picture with its header read and its pixels not yet.

    Returns
    -------
    str
        The end of a sentence that begins with the photo's name.
    """
    width_px, height_px = image.size
    pixels = width_px * height_px
    most = MOST_MEGAPIXELS if kind == "JPEG" else _MOST_WHOLE_MEGAPIXELS
    if pixels > most * 1_000_000:
        return f"has {pixels / 1e6:.0f} megapixels; up to {most} are read, so send a smaller copy"
    if pixels > max(_HARMLESS_MEGAPIXELS * 1_000_000, _MOST_PX_PER_BYTE * len(raw)):
        return "says that it is far larger than what is in it; send the phone's own photo"
    if isinstance(image, JpegImageFile) and not _is_cheap(raw, image):
        return "is saved in so many steps that reading it takes too long; save it as plain JPEG"
    if isinstance(image, TiffImageFile) and not _has_plain_tiles(image):
        return "is stored in an odd way that takes too much memory; save it as JPEG"
    return ""


def _is_cheap(raw: bytes, image: JpegImageFile) -> bool:
    pixels, bands = image.width * image.height, len(image.getbands())
    if not image.info.get("progressive"):
        return _scans(raw) <= _MOST_SCANS
    scans = _scans(raw)
    return (
        scans <= _MOST_SCANS
        and scans * pixels <= _MOST_SCANNED_MEGAPIXELS * 1_000_000
        and pixels * bands <= _MOST_COEFFICIENTS
    )


def _has_plain_tiles(image: TiffImageFile) -> bool:
    """Whether tiles and samples are no larger than the picture asks for (TIFF 6.0)."""
    width, length, bits = (image.tag_v2.get(tag) for tag in (322, 323, 258))
    if width is not None and length is not None:
        allowed = max(_MOST_TILE_PX, 4 * image.width * image.height)
        if not 0 < int(width) * int(length) <= allowed:
            return False
    depths = bits if isinstance(bits, tuple) else (bits or 1,)
    return sum(map(int, depths)) <= _MOST_SAMPLE_BITS


# Parsers walk a file block by block: more blocks or filling than this and it is no photo.
_MOST_BLOCKS = 100_000
_MOST_FILLING = 65_536
_ZERO_TAIL = bytes(256)


def is_whole(kind: str, raw: bytes) -> bool:
    """Tell by the file's own marks of length and end whether its last part is there."""
    if kind == "JPEG":
        return _jpeg_is_whole(raw)
    if kind == "PNG":
        return _png_is_whole(raw)
    if kind == "WebP":
        end = int.from_bytes(raw[4:8], "little") + 8
        # A copy that broke off may have been filled up with zeros; compressed data has none.
        return end <= len(raw) and not raw[:end].endswith(_ZERO_TAIL)
    return kind == "TIFF" or _boxes_are_whole(raw)


_MARK = re.compile(rb"\xff+([^\xff])", re.DOTALL)


def _jpeg_is_whole(raw: bytes) -> bool:
    """Look for the end mark behind the start of the pixels (an EXIF thumbnail has its own)."""
    at = 0
    for _ in range(_MOST_BLOCKS):
        start = raw.find(b"\xff", at, at + _MOST_FILLING)
        mark = _MARK.match(raw, start, start + _MOST_FILLING) if start >= 0 else None
        if mark is None:
            return False
        at = mark.end()
        code = raw[at - 1]
        if code == 0xDA:  # start of scan
            return raw.rfind(b"\xff\xd9", at) >= 0
        if code not in _MARKS_ALONE:
            at += max(2, int.from_bytes(raw[at : at + 2], "big"))
    return False


_MARKS_ALONE = frozenset({0x00, 0x01, *range(0xD0, 0xDA)})


def _png_is_whole(raw: bytes) -> bool:
    at = 8
    for _ in range(_MOST_BLOCKS):
        if raw[at + 4 : at + 8] == b"IEND":
            return True
        at += 12 + int.from_bytes(raw[at : at + 4], "big")
        if at > len(raw):
            return False
    return False


def _boxes_are_whole(raw: bytes) -> bool:
    """Walk the top-level boxes of an ISO base media file (ISO/IEC 14496-12)."""
    at = 0
    for _ in range(_MOST_BLOCKS):
        size, kind = int.from_bytes(raw[at : at + 4], "big"), raw[at + 4 : at + 8]
        if size == 1:
            size = int.from_bytes(raw[at + 8 : at + 16], "big")
        if size < 8 or kind not in _BOXES:  # up to the end of the file, or a maker's trailer
            return True
        if kind == b"mdat" and raw[at : at + size].endswith(_ZERO_TAIL):
            return False
        at += size
        if at >= len(raw):
            return at == len(raw)
    return False


_BOXES = frozenset({b"ftyp", b"meta", b"mdat", b"idat", b"free", b"skip", b"moov", b"uuid"})


_SCAN = 0xDAFF  # the mark FF DA, its second byte the higher one
# After the start of a scan a mark is what is neither stuffing nor a restart (ITU-T T.81, B.1.1).
_NEXT_MARK = re.compile(rb"\xff+([^\x00\xd0-\xd7\xff])", re.DOTALL)


def _looks_like_scans(raw: bytes) -> int:
    """Count what looks like the start of a scan, thumbnails and all.

    Two bytes are one number, from either the first or the second byte on: nine times as quick as
    `bytes.count`.
    """
    pairs = (np.frombuffer(raw, "<u2", (len(raw) - at) // 2, at) for at in (0, 1))
    return sum(int(np.count_nonzero(each == _SCAN)) for each in pairs)


def _scans(raw: bytes) -> int:
    """Count the scans of a JPEG, up to one more than is allowed."""
    if (most := _looks_like_scans(raw)) <= 12:
        return most
    count, at = 0, 2
    while count <= _MOST_SCANS:
        mark = _NEXT_MARK.search(raw, at)
        if mark is None or mark[1] == b"\xd9":
            return count
        count += mark[1] == b"\xda"
        at = mark.end() + max(2, int.from_bytes(raw[mark.end() : mark.end() + 2], "big"))
    return count


def png_is_full(raw: bytes, image: Image.Image) -> bool:
    """Tell whether a PNG holds as many pixels as its header says; decoders leave the rest black."""
    wanted = _png_bytes(raw, image.width, image.height)
    inflate = zlib.decompressobj()
    found = 0
    try:
        for piece in _png_pieces(raw):
            rest = piece
            while rest and found < wanted:
                found += len(inflate.decompress(rest, 1 << 20))
                rest = inflate.unconsumed_tail
    except zlib.error:
        return True  # the decoder says so itself
    return found >= wanted


def _png_pieces(raw: bytes) -> Iterator[bytes]:
    at = 8
    for _ in range(_MOST_BLOCKS):
        size, kind = int.from_bytes(raw[at : at + 4], "big"), raw[at + 4 : at + 8]
        if kind == b"IDAT":
            yield raw[at + 8 : at + 8 + size]
        if kind == b"IEND" or at >= len(raw):
            return
        at += 12 + size


# Where each of the seven passes of an interlaced PNG begins and how far apart its pixels are.
_PASSES = (
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


def _png_bytes(raw: bytes, width_px: int, height_px: int) -> int:
    """Work out how many bytes the pixels of a PNG take before compression (PNG, sections 7, 8)."""
    depth, colour, interlaced = raw[24], raw[25], raw[28]
    bits = depth * _SAMPLES.get(colour, 1)

    def size(columns: int, rows: int) -> int:
        return rows * (1 + (columns * bits + 7) // 8) if columns > 0 and rows > 0 else 0

    if not interlaced:
        return size(width_px, height_px)
    return sum(size(-((x - width_px) // dx), -((y - height_px) // dy)) for x, y, dx, dy in _PASSES)
