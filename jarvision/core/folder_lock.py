"""One run at a time in a folder: two at once would leave half of each other's results."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from filelock import BaseFileLock, FileLock, Timeout

from jarvision.core.errors import JarError
from jarvision.core.files import shown

LOCK_NAME = ".jarvision.lock"
_HOLDER_NAME = ".jarvision.holder"
_TRIES = 10


class FolderBusyError(JarError):
    """Another run is writing into the folder."""

    name = "folder_busy"


@contextlib.contextmanager
def only_run(folder: Path) -> Iterator[None]:
    """Hold a folder for as long as a run writes into it; the system lets go of it however it ends.

    A folder that is not there yet is made, and taken away again where nothing came into it. Where
    nothing can be written or the file system knows no locks, the run goes on without.

    Raises
    ------
    FolderBusyError
        Another run holds it; the sentence says which.
    """
    made = not folder.exists()
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    try:
        with _held(folder):
            yield
    finally:
        if made:
            with contextlib.suppress(OSError):
                folder.rmdir()  # only where it is empty


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    path, holder = folder / LOCK_NAME, folder / _HOLDER_NAME
    lock = FileLock(path, timeout=0)
    if not _acquired(lock, path):
        if path.exists():
            raise FolderBusyError(_busy(folder, holder))
        yield  # no file can be made there
        return
    try:
        with contextlib.suppress(OSError):
            holder.write_text(_who_we_are(), encoding="utf-8")
        yield
    finally:
        for own in (holder, path):
            with contextlib.suppress(OSError):
                own.unlink(missing_ok=True)
        lock.release()


def _acquired(lock: BaseFileLock, path: Path) -> bool:
    """Take hold of a lock, and of the file that bears its name now and not of one taken away."""
    for _ in range(_TRIES):
        try:
            lock.acquire()
        except Timeout:
            if path.exists():
                return False
        except (OSError, NotImplementedError):
            return False
        else:
            if path.exists():
                return True
            lock.release()
    return False


def _who_we_are() -> str:
    return f"process {os.getpid()} on {socket.gethostname()} since {datetime.now():%H:%M}"


def _busy(folder: Path, holder: Path) -> str:
    try:
        who = f" ({shown(holder.read_text(encoding='utf-8')[:200], longest=80)})"
    except (OSError, ValueError):
        who = ""
    name = shown(folder.absolute().name)
    return f"Another run is writing into {name}{who}; run this again when that one has ended."
