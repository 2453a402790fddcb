"""What a result rests on, as digests: it is read again when, and only when, any of it changes.

A jar's name is part of it: what changes it in `jars.csv` reads that jar again, since its overlays
carry it. The row's line number is not.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from jarvision import __version__


@cache
def program() -> str:
    """Name this program by its version and its text, so that a changed one reads anew."""
    text = hashlib.sha256()
    for path in what_a_reading_rests_on(Path(__file__).parents[1]):
        text.update(path.read_bytes())
    return f"jarvision {__version__} {text.hexdigest()[:12]}"


@cache
def whole_program() -> str:
    """Name this program by all of its text and data, so that a changed one writes pages anew."""
    text = hashlib.sha256(__version__.encode())
    for path in sorted(path for path in Path(__file__).parents[1].rglob("*.*") if path.is_file()):
        if path.suffix != ".pyc":
            text.update(path.read_bytes())
    return text.hexdigest()


_READING_ROOMS = ("core", "photo", "jar", "wall", "estimate", "results", "run")
_READING_FILES = (
    "__init__.py",
    "data/strip.toml",
    "pages/overlay*.py",
    "pages/label_layout.py",
    "pages/palette.py",
)


def what_a_reading_rests_on(package: Path) -> list[Path]:
    """Name the files that can change a jar's result or overlay: a page's template cannot."""
    kinds = ("py", "toml", "csv", "json")
    in_rooms = (f"{room}/**/*.{kind}" for room in _READING_ROOMS for kind in kinds)
    patterns = (*in_rooms, *_READING_FILES)
    return sorted({path for pattern in patterns for path in package.glob(pattern)})


def digest_of(parts: object) -> str:
    """Digest anything made of plain values, lists, dicts and dataclasses turned to dicts."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
