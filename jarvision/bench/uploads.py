"""Photos that come from the page: stored whole or not at all, under names that are ours."""

from __future__ import annotations

import asyncio
import hashlib
import os
import secrets
from collections.abc import AsyncIterator
from pathlib import Path, PurePath

from jarvision.core.errors import UsageError
from jarvision.core.files import (
    PHOTO_FORMATS,
    PHOTO_SUFFIXES,
    find_photos,
    safe_name,
    sync_folder,
    write_whole,
)

MOST_BYTES = 60_000_000
MOST_PHOTOS = 3_000
MOST_IDLE_S, MOST_S = 20.0, 300.0
"""How long nothing of a photo may come, and how long all of it may take."""
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
    async for part in _in_time(body):
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
    return _put(folder, stem, suffix, bytes(raw)), True


async def _in_time(body: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """Give the parts of a body as they come, while they come.

    Raises
    ------
    UsageError
        Nothing came for a while, or all of it takes too long.
    """
    try:
        async with asyncio.timeout(MOST_S):
            while True:
                part = await asyncio.wait_for(anext(body, None), MOST_IDLE_S)
                if part is None:
                    return
                yield part
    except TimeoutError:
        msg = "The photo came too slowly; go nearer to the network's sender and send it again."
        raise UsageError(msg) from None


def _named(name: str) -> tuple[str, str]:
    last = PurePath(name.replace("\\", "/")).name
    stem, _, suffix = last.rpartition(".")
    if f".{suffix.casefold()}" not in PHOTO_SUFFIXES:
        msg = f"This is no photo; send {PHOTO_FORMATS}."
        raise UsageError(msg)
    stem = safe_name(stem or "photo")
    is_ours = stem.casefold().startswith(("overlay-", "jar-overlay"))
    return (f"photo-{stem}" if is_ours else stem), f".{suffix.casefold()}"


def _put(folder: Path, stem: str, suffix: str, raw: bytes) -> str:
    """Write a photo whole, then give it a name that no other file has."""
    part = folder / f".jarvision-{secrets.token_hex(8)}.part"
    write_whole(part, raw)
    try:
        for name in (stem, *(f"{stem}-{secrets.token_hex(4)}" for _ in range(8))):
            path = folder / f"{name}{suffix}"
            if _is_named(part, path):
                return path.name
    finally:
        part.unlink(missing_ok=True)
    msg = "No free name was found for this photo; send it again."
    raise UsageError(msg)


def _is_named(part: Path, path: Path) -> bool:
    """Name a file, unless the name is taken; the name is on the disk when this returns."""
    try:
        os.link(part, path)
    except FileExistsError:
        return False
    except OSError:  # a file system without links
        if path.exists():
            return False
        part.replace(path)
    sync_folder(path.parent)
    return True
