"""File names and files: found, shown and written so that nothing strange in them does harm.

Our own and not a library: natsort fails to compare a name of 5,000 digits with a short one, and
pathvalidate keeps direction marks and leading dots, and tells two texts apart less well.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import stat
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from jarvision.core.errors import JarError

PHOTO_FORMATS = "JPEG, PNG, WebP, TIFF or HEIC"  # as messages call them
PHOTO_SUFFIXES = frozenset(
    {".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".hif"}
)
VIDEO_SUFFIXES = frozenset({".mp4", ".m4v", ".mov"})
_NO_PHOTO = "Pictures of this kind are not read; save it as JPEG or PNG."
_NO_VIDEO = "Videos of this kind are not read; save it as MP4."
_OTHER_SUFFIXES = dict.fromkeys(
    (".bmp", ".gif", ".avif", ".dng", ".cr2", ".cr3", ".nef", ".arw", ".orf", ".rw2"), _NO_PHOTO
) | dict.fromkeys((".avi", ".mkv", ".webm", ".3gp", ".wmv", ".mpg", ".mts"), _NO_VIDEO)
OVERLAY_PREFIX = "overlay-"
OVERLAY_MARK = b"\nDrawn by jarvision.\n"  # behind the picture's end

# Device names that Windows reserves with any ending ("Naming Files, Paths, and Namespaces",
# Microsoft Learn; from memory).
_RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {port + digit for port in ("com", "lpt") for digit in "0123456789¹²³"}
)
_FORBIDDEN = frozenset('<>:"/\\|?*')
_LONGEST_NAME = 80
# Common file systems hold 255 bytes a name; the rest is left for a prefix and an ending.
_LONGEST_NAME_BYTES = 180
_DEEPEST_FOLDER = 64


class WriteError(JarError):
    """A result that could not be written; nothing half-written is left behind."""

    name = "cannot_write"


# --- text -----------------------------------------------------------------------------------


def shown(text: str, *, longest: int = 60) -> str:
    """Make a name or message fit to print: one line, no control or direction marks, short.

    Parameters
    ----------
    text : str
        Anything, for example a file name as the system gave it.
    longest : int
        Longest result [characters]; a longer text loses its middle, so that its ending stays.

    Returns
    -------
    str
        Printable text. It may still hold markup: print it as plain text and escape it in HTML.
    """
    visible = (_visible(char) for char in unicodedata.normalize("NFC", text))
    plain = " ".join("".join(visible).split())
    return _without_middle(plain, longest) or "(no name)"


def _visible(char: str) -> str:
    category = unicodedata.category(char)
    if category == "Cf":  # direction overrides, zero-width marks
        return ""
    if category.startswith("Z") or char in "\t\n\r\v\f\x85":
        return " "
    return "\N{REPLACEMENT CHARACTER}" if category.startswith("C") else char


def _without_middle(text: str, longest: int) -> str:
    if len(text) <= longest:
        return text
    tail = longest // 3
    return f"{text[: longest - tail - 1]}…{text[len(text) - tail :]}"


def safe_name(text: str) -> str:
    """Turn any text into one file name that every common system takes.

    Parameters
    ----------
    text : str
        For example a jar's name as a user typed it.

    Returns
    -------
    str
        At most 80 characters in Unicode's NFC: no separators, control or direction marks, no
        leading dot or hyphen, no name reserved by Windows. A text that is fit already comes back
        as it is; any other gets a short hash of itself, so two texts never share a name.
    """
    clean = _clean_name(text)
    if clean == text and not _is_reserved(text) and _fits(text):
        return text
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{_shortened(clean, len(digest) + 1) or 'unnamed'}-{digest}"


def _clean_name(text: str) -> str:
    composed = unicodedata.normalize("NFC", text)
    replaced = "".join(char if _is_name_char(char) else "_" for char in composed)
    return replaced.lstrip(" .-").rstrip(" .")


def _is_name_char(char: str) -> bool:
    if char in _FORBIDDEN:
        return False
    return char == " " or (unicodedata.category(char)[0] not in "CZ" and _is_writable(char))


def _is_writable(char: str) -> bool:
    """Whether file names may hold it here; a system set to plain ASCII takes no other letters."""
    try:
        os.fsencode(char)
    except UnicodeEncodeError:
        return False
    return True


def _is_reserved(name: str) -> bool:
    return name == "" or name.split(".")[0].rstrip().casefold() in _RESERVED


def _fits(name: str) -> bool:
    return len(name) <= _LONGEST_NAME and len(name.encode()) <= _LONGEST_NAME_BYTES


def _shortened(name: str, reserve: int) -> str:
    """Cut a name so that `reserve` more characters fit, and keep it off the reserved ones."""
    kept = name[: _LONGEST_NAME - reserve - 1]
    kept = kept.encode()[: _LONGEST_NAME_BYTES - reserve - 1].decode(errors="ignore").rstrip(" .")
    return f"_{kept}" if kept and _is_reserved(kept) else kept


def natural_key(text: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key that puts ``jar-9`` before ``jar-10``.

    Examples
    --------
    >>> sorted(["jar-10", "jar-9", "Jar-1"], key=natural_key)
    ['Jar-1', 'jar-9', 'jar-10']
    """
    parts = re.split(r"([0-9]+)", text.casefold())
    return tuple(_natural_part(part) for part in parts if part), text


def _natural_part(part: str) -> tuple[int, int, str]:
    # Longer digit strings are serial numbers or hostile: compare them as text.
    is_number = "0" <= part[0] <= "9" and len(part) <= 18
    return (0, int(part), "") if is_number else (1, 0, part)


# --- writing --------------------------------------------------------------------------------


def write_whole(path: str | os.PathLike[str], data: bytes | str) -> None:
    """Write a file whole or not at all, even when the power goes.

    Parameters
    ----------
    path : path
        Where to write. A file of that name is replaced; a link of that name is replaced by the
        file, never followed.
    data : bytes or str
        Contents; text is written in UTF-8 with its line ends as they are.

    Raises
    ------
    WriteError
        The disk is full, the folder is missing or read-only, the name is that of a device, or the
        like.
    """
    target = Path(path)
    raw = data.encode("utf-8", "backslashreplace") if isinstance(data, str) else data
    _refuse_target(target)
    part = target.with_name(f".jarvision-{secrets.token_hex(8)}.part")
    try:
        _write_synced(part, raw)
        part.replace(target)
        sync_folder(target.parent)
    except (OSError, ValueError) as error:
        raise WriteError(_why_not_written(target, error)) from error
    finally:
        with contextlib.suppress(OSError, ValueError):
            part.unlink(missing_ok=True)


def _refuse_target(target: Path) -> None:
    """Refuse what is no file's name, and devices and pipes, which a file would replace."""
    if not target.name:
        msg = "There is no name of a file to write to; give one."
        raise WriteError(msg)
    with contextlib.suppress(OSError, ValueError):
        mode = target.lstat().st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode) or stat.S_ISDIR(mode)):
            msg = f"{shown(target.name)} is a device or a pipe; name a file to write to."
            raise WriteError(msg)


def _write_synced(path: Path, raw: bytes) -> None:
    with path.open("xb") as file:
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make the new name itself last; not every system can, and the file is whole without it."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


_WRITE_ADVICE = {
    errno.ENOSPC: "the disk is full; make room and run again",
    errno.EDQUOT: "the disk is full; make room and run again",
    errno.EFBIG: "the file would be larger than the system allows here; write somewhere else",
    errno.EROFS: "the folder is read-only; choose another folder",
    errno.EACCES: "the folder may not be written to; choose another folder",
    errno.EPERM: "the folder may not be written to; choose another folder",
    errno.ENOENT: "its folder does not exist; make it first",
    errno.ENOTDIR: "what should be its folder is a file; choose another folder",
    errno.EISDIR: "a folder of that name stands in the way; move it or choose another folder",
    errno.ENAMETOOLONG: "the name is too long; choose a folder with a shorter path",
}


def _why_not_written(target: Path, error: Exception) -> str:
    code = error.errno if isinstance(error, OSError) else None
    why = _WRITE_ADVICE.get(code or 0, "the system refused; choose another folder")
    return f"{shown(target.name)} could not be written: {why}."


# --- finding photos -------------------------------------------------------------------------


@dataclass(slots=True)
class _Search:
    """What a search has met so far; lives only inside `find_photos`."""

    found: list[Path] = field(default_factory=list)
    skipped: list[tuple[Path, str]] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)

    def skip(self, path: Path, reason: str) -> None:
        self.skipped.append((path, reason))

    def add(self, path: Path, real: str) -> None:
        if real not in self.seen:
            self.seen.add(real)
            self.found.append(path)


def find_photos(
    paths: Iterable[str | os.PathLike[str]],
) -> tuple[list[Path], list[tuple[Path, str]]]:
    """List the photos among the files and folders that a user named.

    Parameters
    ----------
    paths : iterable of paths
        A file is taken whatever its ending; a folder is searched to its bottom for known image
        and video endings (`PHOTO_SUFFIXES`, `VIDEO_SUFFIXES`). Hidden files, other files and this
        tool's own ``overlay-*`` pictures are passed over in folders; pictures and videos of kinds
        that are not read are among `skipped`. Links are never followed out
        of the named folder.

    Returns
    -------
    found : list of Path
        Each file once, in the order of `paths` and in natural order inside each folder.
    skipped : list of (Path, str)
        What was asked for and is not in `found`, each with one plain sentence without the name.
    """
    search = _Search()
    for path in paths:
        _search_named(Path(path), search)
    return search.found, search.skipped


def _search_named(path: Path, search: _Search) -> None:
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as error:
        search.skip(path, _why_not_found(error))
        return
    if stat.S_ISDIR(mode):
        _search_folder(path, search)
    elif not stat.S_ISREG(mode):
        search.skip(path, "This is not an ordinary file; name a photo or a folder of photos.")
    elif path.name.casefold().startswith(OVERLAY_PREFIX):
        search.skip(path, "This is a picture drawn by jarvision itself; name the photo instead.")
    else:
        search.add(path, os.path.realpath(path))


def _why_not_found(error: Exception) -> str:
    if isinstance(error, PermissionError):
        return "This may not be opened; allow reading it or copy it elsewhere."
    if isinstance(error, OSError) and error.errno == errno.ELOOP:
        return "This link leads only to itself; name the photo instead."
    return "This does not exist; check the spelling."


def _search_folder(folder: Path, search: _Search) -> None:
    root = os.path.realpath(folder)
    inside = _Search(seen=search.seen)
    links: list[Path] = []
    for entry, real in _walk(folder, root, inside):
        if entry.is_symlink():
            links.append(Path(entry.path))
        elif not entry.is_file(follow_symlinks=False):
            inside.skip(Path(entry.path), "This is not an ordinary file.")
        else:
            inside.add(Path(entry.path), real)
    for link in links:  # last, so that a photo is listed under its own name and not its link's
        _search_link(link, root, inside)
    search.found += _in_natural_order(folder, inside.found)
    search.skipped += inside.skipped


def _in_natural_order(folder: Path, found: list[Path]) -> list[Path]:
    return sorted(
        found, key=lambda path: [natural_key(part) for part in path.relative_to(folder).parts]
    )


def _walk(folder: Path, root: str, search: _Search) -> Iterator[tuple[os.DirEntry[str], str]]:
    """Yield photo-like entries with their real paths, going down real folders only."""
    waiting = [(str(folder), root, 0)]
    while waiting:
        path, real, depth = waiting.pop()
        for entry in _entries(path, search):
            below = os.path.join(real, entry.name)  # noqa: PTH118  (10 000 of them: no objects)
            if entry.is_dir(follow_symlinks=False):
                if depth < _DEEPEST_FOLDER:
                    waiting.append((entry.path, below, depth + 1))
                else:
                    search.skip(Path(entry.path), "This folder lies too deep inside others.")
            elif (other := _suffix(entry.name)) in _OTHER_SUFFIXES:
                search.skip(Path(entry.path), _OTHER_SUFFIXES[other])
            elif _is_photo_name(entry.name) or _is_folder_link(entry):
                if _is_overlay_name(entry.name) and not _is_own_overlay(entry):
                    search.skip(Path(entry.path), _NAMED_AS_OVERLAY)
                elif not _is_overlay_name(entry.name):
                    yield entry, below


def _entries(path: str, search: _Search) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(path) as scan:
            visible = [entry for entry in scan if not entry.name.startswith(".")]
    except OSError:
        search.skip(Path(path), "This folder may not be opened; allow reading it.")
        return []
    return sorted(visible, key=lambda entry: entry.name)


_WANTED = PHOTO_SUFFIXES | VIDEO_SUFFIXES


def _is_photo_name(name: str) -> bool:
    return _suffix(name) in _WANTED


def _suffix(name: str) -> str:
    return os.path.splitext(name.casefold())[1]  # noqa: PTH122


def _is_overlay_name(name: str) -> bool:
    return name.casefold().startswith(OVERLAY_PREFIX)


_NAMED_AS_OVERLAY = (
    "This is named as the pictures that jarvision draws, so it was not read; rename it if it is a "
    "photo of yours."
)


def _is_own_overlay(entry: os.DirEntry[str]) -> bool:
    """Tell an overlay by its mark; a link, or what is empty or cannot be opened, is none's."""
    try:
        if not entry.is_file(follow_symlinks=False) or not entry.stat().st_size:
            return True
        with Path(entry.path).open("rb") as file:
            file.seek(-min(len(OVERLAY_MARK), entry.stat().st_size), os.SEEK_END)
            return file.read() == OVERLAY_MARK
    except OSError:
        return True


def _is_folder_link(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_symlink() and entry.is_dir()
    except OSError:
        return False


def _search_link(link: Path, root: str, search: _Search) -> None:
    real = os.path.realpath(link)
    if real != root and not real.startswith(root.rstrip(os.sep) + os.sep):
        search.skip(link, "This link leads out of the folder, so it was not followed.")
    elif Path(real).is_file():
        search.add(link, real)
    elif not Path(real).is_dir():  # a linked folder inside is searched at its own place
        search.skip(link, "This link leads nowhere.")
