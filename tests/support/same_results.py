"""Whether a change of the program leaves the results as they were.

    python tests/support/same_results.py make FOLDER [PHOTOS ...]
    python tests/support/same_results.py compare BEFORE AFTER

`make` reads the sample images (or other folders of photos) through the command line, in several
ways; run it before a change and after. `compare` holds the two against each other: tables, cards
and overlays byte for byte, the jars' JSON field by field. New fields may come, the version may
rise, and the fingerprint of the program differs, also in a page's last line;
anything else is a difference.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

_MADE_FROM = re.compile(rb"<!-- made from \w+, ")  # a page's mark: the program and the settings
ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
# What names the program and the digest over it and the settings, under its older name too.
FINGERPRINT = {"version", "made_by", "program", "settings", "recipe", "fingerprint"}


def make(out: Path, folders: list[Path]) -> None:
    """Fill a folder with the results of several ways to read photos."""
    out = out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    if folders:
        for folder in folders:
            read(out / folder.name, [folder.resolve()])
        return
    last = sorted(SAMPLES.glob("jar-*-48h.jpg"))
    bare = sorted(SAMPLES.glob("jar-08-*.jpg"))
    read(out / "plain", [SAMPLES], "--marks-from-photo")
    read(out / "last", last, "--soil-mm", "55", "--temp", "18")
    read(
        out / "profile", [*bare, *sorted(SAMPLES.glob("jar-02-*.jpg"))], "--jar-profile", "tapered"
    )
    read(out / "width", bare, "--jar-mm", "outside_diameter=86", "--one-jar")


def read(out: Path, paths: list[Path], *options: str) -> None:
    """Read photos into a folder; what is printed is kept beside the results."""
    command = [sys.executable, "-m", "jarvision", "read", *map(str, paths), "--out", out.name]
    done = subprocess.run(
        [*command, "--again", *options],
        cwd=out.parent,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    out.mkdir(exist_ok=True)
    (out / "printed.txt").write_text(done.stdout + done.stderr, encoding="utf-8")


def differences(before: Path, after: Path) -> Iterator[str]:
    """Tell what differs between two folders that `make` filled."""
    names = [{p.relative_to(f).as_posix() for p in f.rglob("*.*")} for f in (before, after)]
    yield from (f"{name} is missing" for name in sorted(names[0] - names[1]))
    yield from (f"{name} is new" for name in sorted(names[1] - names[0]))
    for name in sorted(names[0] & names[1]):
        old, new = (_MADE_FROM.sub(b"", (f / name).read_bytes()) for f in (before, after))
        if not name.endswith(".json"):
            yield from [f"{name} differs"] if old != new else []
        elif not name.endswith("photos.json"):
            yield from (f"{name}: {at}" for at in changed(json.loads(old), json.loads(new)))


def changed(old: object, new: object, at: str = "") -> Iterator[str]:
    """Tell where a JSON value lost something or holds something else; what is new may come."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in old:
            if key not in FINGERPRINT:
                yield from changed(old[key], new.get(key, "(missing)"), f"{at}/{key}")
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from changed(one, other, f"{at}/{i}")
    elif old != new or type(old) is not type(new):
        yield f"{at} was {str(old)[:60]}, is {str(new)[:60]}"


def main() -> None:
    """Do what the command line says."""
    match sys.argv[1:]:
        case ["make", out, *folders]:
            make(Path(out), [Path(folder) for folder in folders])
        case ["compare", before, after]:
            found = list(differences(Path(before), Path(after)))
            print("\n".join(found) or "the same")
            raise SystemExit(bool(found))
        case _:
            raise SystemExit(__doc__)


if __name__ == "__main__":
    main()
