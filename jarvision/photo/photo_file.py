"""A photo's file: opened without waiting for anything, and refused where it can be no photo."""

from __future__ import annotations

import hashlib
import io
import os
import stat
from pathlib import Path

from jarvision.core.files import PHOTO_FORMATS, shown
from jarvision.photo.file_kind import kind_of
from jarvision.photo.refusals import (
    EmptyPhotoError,
    NoSuchPhotoError,
    NotAPhotoError,
    PhotoSizeError,
)

_MOST_BYTES = 500_000_000


def photo_digest(path: Path) -> str:
    """Hash a photo's bytes (SHA-256, in hexadecimal), without a look at what they mean.

    Raises
    ------
    PhotoError
        As `read_photo`.
    """
    return hashlib.sha256(read_photo(path)[1]).hexdigest()


def read_photo(path: Path) -> tuple[str, bytes]:
    """Return the printable name and the bytes of an ordinary, photo-like file.

    Raises
    ------
    PhotoError
        It is missing, may not be opened, is empty, too large, or no photo by its first bytes.
    """
    name = shown(path.name)
    try:
        _refuse_strange(name, path.stat().st_mode)
        with _open_without_waiting(path) as file:
            # Looked at again: the name may point elsewhere by now.
            _refuse_strange(name, os.fstat(file.fileno()).st_mode)
            return name, _photo_bytes(name, file)
    except (OSError, ValueError) as error:
        raise NoSuchPhotoError(_why_not_opened(name, error)) from error


def _refuse_strange(name: str, mode: int) -> None:
    if stat.S_ISDIR(mode):
        msg = f"{name} is a folder; name the photos in it."
        raise NoSuchPhotoError(msg)
    if not stat.S_ISREG(mode):
        msg = f"{name} is not an ordinary file; name a photo."
        raise NoSuchPhotoError(msg)


def _open_without_waiting(path: Path) -> io.FileIO:
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    return io.FileIO(os.open(path, flags), "rb")


def _photo_bytes(name: str, file: io.FileIO) -> bytes:
    head = file.read(32)
    if not head:
        msg = f"{name} is empty; copy it from the phone again."
        raise EmptyPhotoError(msg)
    if kind_of(head) is None:
        raise NotAPhotoError(not_a_photo(name))
    if os.fstat(file.fileno()).st_size > _MOST_BYTES:
        msg = f"{name} is larger than {_MOST_BYTES // 1_000_000} MB; save it as JPEG."
        raise PhotoSizeError(msg)
    file.seek(0)
    return file.readall()


def not_a_photo(name: str) -> str:
    """Say that a file is no photo."""
    return f"{name} is not a photo that can be read; save it as {PHOTO_FORMATS}."


def _why_not_opened(name: str, error: Exception) -> str:
    if isinstance(error, PermissionError):
        return f"{name} may not be opened; allow reading it or copy it elsewhere."
    if isinstance(error, (FileNotFoundError, NotADirectoryError, ValueError)):
        return f"{name} does not exist; check the spelling."
    return f"{name} could not be opened; copy it to this computer again."
