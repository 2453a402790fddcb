"""What kind of picture a file's bytes are; the endings of names are `core.files.PHOTO_SUFFIXES`."""

from __future__ import annotations

import logging


def kind_of(head: bytes) -> str | None:
    """Tell the kind of picture by its first bytes: a name's ending proves nothing."""
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    if head[:4] in {b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"}:
        return "TIFF"
    # Brands of ISO/IEC 23008-12 (from memory).
    is_heif = head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS
    return "HEIF" if is_heif else None


_HEIF_BRANDS = frozenset(
    {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
)

# What this library logs would be printed where nobody has set up logging.
logging.getLogger("PIL").addHandler(logging.NullHandler())
