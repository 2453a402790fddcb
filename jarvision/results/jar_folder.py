"""Folders of jars' results: read every file, never trust one, find a jar by its name."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from jarvision.core.errors import UsageError
from jarvision.core.files import natural_key, shown
from jarvision.results.codec import JarFileError, record_from
from jarvision.results.record import PREFIX, SUFFIX, JarRecord

LARGEST_BYTES = 4_000_000
_MOST_JARS = 2_000


@dataclass(frozen=True, slots=True, eq=False)
class JarFolder:
    """The jars of a folder, in natural order, and the files that could not be used."""

    jars: tuple[JarRecord, ...]
    refused: tuple[tuple[str, str], ...]


def read_jar_folder(folder: Path) -> JarFolder:
    """Read every ``jar-*.json`` in a folder (not below it).

    Raises
    ------
    UsageError
        The folder cannot be opened, or holds no such file, or far too many.
    """
    return read_jars(jar_paths(folder))


def read_jars(paths: Iterable[Path], known: Mapping[str, JarRecord] | None = None) -> JarFolder:
    """Read jars' files; those that were read a moment ago are `known` by their files' names."""
    jars, refused = [], []
    for path in paths:
        try:
            jars.append((known or {}).get(path.name) or read_jar_file(path))
        except JarFileError as error:
            refused.append((shown(path.name), str(error)))
    return JarFolder(tuple(jars), tuple(refused))


def jar_paths(folder: Path) -> list[Path]:
    """List every ``jar-*.json`` in a folder, in natural order.

    Raises
    ------
    UsageError
        As `read_jar_folder`.
    """
    try:
        names = [entry.name for entry in folder.iterdir()]
    except (OSError, ValueError):
        msg = f"The folder {shown(folder.name)} cannot be opened; give a folder of readings."
        raise UsageError(msg) from None
    found = sorted(
        (n for n in names if n.startswith(PREFIX) and n.endswith(SUFFIX)), key=natural_key
    )
    if not found:
        msg = f"There are no readings of jars in {shown(folder.name)}; run jarvision read first."
        raise UsageError(msg)
    if len(found) > _MOST_JARS:
        msg = f"There are more than {_MOST_JARS} jars in {shown(folder.name)}; split the folder."
        raise UsageError(msg)
    return [folder / name for name in found]


def find_jar(folder: JarFolder, name: str) -> JarRecord:
    """Find a jar by its name; ``5``, ``05``, ``#5`` and ``Jar 5`` are the same.

    Raises
    ------
    UsageError
        There is no such jar, or more than one; the message names the nearest.
    """
    exact = [jar for jar in folder.jars if jar.jar == name]
    alike = exact or [jar for jar in folder.jars if jar_key(jar.jar) == jar_key(name)]
    if len(alike) == 1:
        return alike[0]
    asked, names = shown(name), [shown(jar.jar) for jar in folder.jars]
    if alike:
        msg = f"Several jars could be meant by {asked}: {', '.join(shown(j.jar) for j in alike)}."
        raise UsageError(msg)
    near = get_close_matches(asked, names, n=3) or names[:5]
    msg = f"There is no jar {asked} here; there are {', '.join(near) or 'none'}."
    raise UsageError(msg)


def jar_key(name: str) -> str:
    """Name of a jar as it is compared: without capitals, ``jar``, ``#`` and leading zeros."""
    words = " ".join(name.casefold().replace("_", " ").split())
    bare = re.sub(r"^(?:jar\b|#|no\.|-|\s)+", "", words).strip()
    return re.sub(r"^0+(?=[0-9])", "", bare) or words


# --- one file -----------------------------------------------------------------------------------


def read_jar_file(path: Path) -> JarRecord:
    """Read a jar's JSON.

    Raises
    ------
    JarFileError
        The file cannot be opened, is too large, is damaged, or is of another kind or version.
    """
    stem = path.name.removeprefix(PREFIX).removesuffix(SUFFIX)
    return record_from(read_regular(path, most_bytes=LARGEST_BYTES), shown(path.name), stem)


def read_regular(path: Path, *, most_bytes: int) -> bytes:
    """Read a regular file of a sane size; links are not followed, pipes never waited for.

    Raises
    ------
    JarFileError
        It cannot be opened, is a link or no file, or is larger than `most_bytes`.
    """
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    name = shown(path.name)
    try:
        descriptor = os.open(path, flags | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as file:
            about = os.fstat(file.fileno())
            # room for as much as there is: for the most there may be, it takes as long as the rest
            room = min(about.st_size, most_bytes) + 1
            raw = file.read(room) if stat.S_ISREG(about.st_mode) else None
    except (OSError, ValueError):
        msg = f"{name} cannot be opened or is a link; put the file itself there."
        raise JarFileError(msg) from None
    if raw is None:
        msg = f"{name} is not an ordinary file; remove it."
        raise JarFileError(msg)
    if len(raw) > most_bytes:
        msg = f"{name} is larger than any result can be; read the jar's photos again."
        raise JarFileError(msg)
    return raw
