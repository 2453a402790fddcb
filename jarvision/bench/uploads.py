"""Photos that come from the page: stored whole or not at all, under names that are ours."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
from collections.abc import AsyncIterator
from pathlib import Path, PurePath

from jarvision.core.errors import UsageError
from jarvision.core.files import PHOTO_SUFFIXES, find_photos, safe_name, write_whole

MOST_BYTES = 60_000_000
MOST_PHOTOS = 3_000
_LEAST_BYTES = 100


async def store(folder: Path, name: str, body: AsyncIterator[bytes]) -> tuple[str, bool]:
    """Store a photo that is being sent.

    Parameters
    ----------
    folder : Path
        Where photos lie.
    name : str
        What the sender calls it: only its last part is used, made safe.
    body : async iterator of bytes
        Its contents.

    Returns
    -------
    name : str
        What it is called now.
    is_new : bool
        False where the same photo, whatever it is called, is there already.

    Raises
    ------
    UsageError
        It is no kind of photo by its name, too large, or there are too many.
    WriteError
        It cannot be written.
    """
    stem, suffix = _named(name)
    raw = bytearray()
    async for part in body:
        raw += part
        if len(raw) > MOST_BYTES:
            msg = f"A photo may have {MOST_BYTES // 1_000_000} MB at most; send a smaller one."
            raise UsageError(msg)
    if len(raw) < _LEAST_BYTES:
        msg = "Nothing of this photo came through; send it again."
        raise UsageError(msg)
    there = find_photos([folder])[0]
    if len(there) >= MOST_PHOTOS:
        msg = f"There are {MOST_PHOTOS} photos in the folder; start a new one."
        raise UsageError(msg)
    digest = hashlib.sha256(raw).digest()
    for path in there:
        if path.stat().st_size == len(raw) and hashlib.sha256(path.read_bytes()).digest() == digest:
            return path.name, False
    path = _free(folder, stem, suffix)
    try:
        write_whole(path, bytes(raw))
    except BaseException:
        with contextlib.suppress(OSError):
            path.unlink()  # the name that was held
        raise
    return path.name, True


def _named(name: str) -> tuple[str, str]:
    last = PurePath(name.replace("\\", "/")).name
    stem, _, suffix = last.rpartition(".")
    if f".{suffix.casefold()}" not in PHOTO_SUFFIXES:
        msg = "This is no photo; send JPEG, PNG, WebP, TIFF or HEIC."
        raise UsageError(msg)
    stem = safe_name(stem or "photo")
    is_ours = stem.casefold().startswith(("overlay-", "jar-overlay"))
    return (f"photo-{stem}" if is_ours else stem), f".{suffix.casefold()}"


def _free(folder: Path, stem: str, suffix: str) -> Path:
    """Take a name that no file has, and hold it."""
    for name in (stem, *(f"{stem}-{secrets.token_hex(4)}" for _ in range(8))):
        with contextlib.suppress(FileExistsError):
            os.close(os.open(folder / f"{name}{suffix}", os.O_CREAT | os.O_EXCL, 0o644))
            return folder / f"{name}{suffix}"
    msg = "No free name was found for this photo; send it again."
    raise UsageError(msg)
