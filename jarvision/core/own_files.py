"""Which files are this program's own: only those are ever replaced.

Results may be written into a folder that holds other things, the photos themselves among them. Each
kind of file that is written tells by its contents where it is from.
"""

from __future__ import annotations

import os
from pathlib import Path

from jarvision.core.errors import UsageError
from jarvision.core.files import OVERLAY_MARK, OVERLAY_PREFIX, shown, write_whole

_ENDS_BYTES = 65_536
_MARKS = (b"jarvision", b"scale strips for settling jars")  # the sheet's title
# How the first line of each table that is written begins.
_OWN_HEADS = (
    "jar,photos,sand_top_mm,",
    "jar,reader,line,sand_top_hand_mm,",
    "jar,standard,silt_to_um,",
    "jar,reader,sand_mm,silt_mm,clay_mm,first_sd_mm,",
    "jar,photo,what,value,sd,",
)
_FIXED_NAMES = frozenset({"readings.csv", "photos.json", "report.html", "howto.html"})


class NotOursError(UsageError):
    """A file of the user's stands where a result would be written."""

    name = "file_not_ours"


def write_result(path: str | os.PathLike[str], data: bytes | str) -> None:
    """Write a result whole or not at all, in place of an older one of ours only.

    Raises
    ------
    NotOursError
        A file of that name is there that this program did not write; it is left as it is.
    WriteError
        As `write_whole`.
    """
    target = Path(path)
    raw = data.encode("utf-8", "backslashreplace") if isinstance(data, str) else data
    # a link is replaced itself, and what it leads to stays
    if not target.is_symlink() and target.is_file() and not is_own(target):
        raise NotOursError(_not_ours(target))
    write_whole(target, raw)


def refuse_foreign(folder: Path) -> None:
    """Refuse a folder in which results would meet files of their names that are not ours.

    Raises
    ------
    NotOursError
        The sentence names the first of them.
    """
    try:
        names = sorted(
            entry.name for entry in os.scandir(folder) if entry.is_file(follow_symlinks=False)
        )
    except OSError:
        return
    for name in names:
        if _is_result_name(name) and not is_own(folder / name):
            raise NotOursError(_not_ours(folder / name))


def is_own(path: Path) -> bool:
    """Tell by its contents whether this program wrote a file; an empty one has nothing to lose."""
    head, tail = _ends(path)
    if head.startswith(b"\xff\xd8"):
        marked = tail.endswith(OVERLAY_MARK)
        return marked or (b"Exif\0" not in head and _is_beside_results(path))
    if path.suffix.casefold() == ".csv":
        return not head or _first_line(head).startswith(_OWN_HEADS)
    return not head or any(mark in part.lower() for mark in _MARKS for part in (head, tail))


def mark_picture(jpeg: bytes) -> bytes:
    """Say behind a JPEG's end where it is from; all that reads pictures passes over it."""
    return jpeg + OVERLAY_MARK


def _not_ours(path: Path) -> str:
    return (
        f"{shown(path.name)} in {shown(path.absolute().parent.name)} was not written by jarvision "
        "and stays as it is; move it away, or choose another folder with --out."
    )


def _is_result_name(name: str) -> bool:
    folded = name.casefold()
    stem, _, suffix = folded.rpartition(".")
    return (
        folded in _FIXED_NAMES
        or (stem.startswith("jar-") and suffix == "json")
        or (stem.startswith(OVERLAY_PREFIX) and suffix == "jpg")
    )


def _ends(path: Path) -> tuple[bytes, bytes]:
    """Read a file's first and last bytes; empty where it cannot be opened."""
    try:
        with path.open("rb") as file:
            head = file.read(_ENDS_BYTES)
            file.seek(0, os.SEEK_END)
            file.seek(max(0, file.tell() - _ENDS_BYTES))
            return head, file.read()
    except (OSError, ValueError):
        return b"?", b""


def _first_line(head: bytes) -> str:
    """Give a table's first line as it was written, however a spreadsheet saved it since."""
    line = head.decode("utf-8-sig", "replace").replace("\r", "\n").partition("\n")[0]
    return line.replace(";", ",").replace("\t", ",").replace('"', "").casefold()


def _is_beside_results(path: Path) -> bool:
    """Whether jars' results of ours are in the folder: overlays of older versions bear no mark."""
    return any(is_own(other) and other.stat().st_size for other in path.parent.glob("jar-*.json"))
