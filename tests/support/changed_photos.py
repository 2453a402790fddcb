"""Read jars from pictures that are changed on the way, and print how often and how far off.

    python -m tests.support.changed_photos FOLDER... [--changes light,phone] [--leave-out photos:8]

Each folder holds photos and their truth.csv. A reader that is right by a hair's breadth is wrong
here: other light, a phone's sharpening, a tilt, noise, a veil of shine, too bright, too dark.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stdout
from dataclasses import replace
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
from jar_read import read_jar

from jarvision.core.errors import JarError
from jarvision.core.series import Reading
from jarvision.photo.decode import Photo, open_photo
from jarvision.wall.locate import look_at_jar, orient
from tests.accuracy import HEADER, JarResult, Tally, result_of, truth_of

Light = np.ndarray
"""A picture from 0 to 1, (rows, columns, 3) float32."""


def light(picture: Light, rng: np.random.Generator) -> Light:
    """Another exposure and white, and lamps that stand elsewhere."""
    rows, columns = picture.shape[:2]
    across = np.linspace(-1, 1, columns)[None, :, None] * rng.uniform(-0.2, 0.2)
    up = np.linspace(-1, 1, rows)[:, None, None] * rng.uniform(-0.15, 0.15)
    white = np.array([rng.uniform(0.88, 1.12), 1.0, rng.uniform(0.88, 1.12)])
    return picture ** rng.uniform(0.8, 1.3) * rng.uniform(0.85, 1.1) * white * (1 + across + up)


def phone(picture: Light, rng: np.random.Generator) -> Light:
    """Noise smoothed away, edges sharpened, and compressed."""
    smooth = cv2.bilateralFilter(picture, 5, 0.06, 2.0)
    sharp = smooth + rng.uniform(0.5, 1.2) * (smooth - cv2.GaussianBlur(smooth, (0, 0), 2.0))
    _, packed = cv2.imencode(
        ".jpg",
        np.clip(sharp * 255, 0, 255).astype(np.uint8),
        [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 85))],
    )
    return cv2.imdecode(packed, cv2.IMREAD_COLOR).astype(np.float32) / 255


def turn(picture: Light, rng: np.random.Generator) -> Light:
    """A phone held askew by 2.5 to 6 degrees."""
    rows, columns = picture.shape[:2]
    angle = rng.uniform(2.5, 6.0) * rng.choice([-1, 1])
    about = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), angle, 1.0)
    return cv2.warpAffine(picture, about, (columns, rows), borderMode=cv2.BORDER_REFLECT)


def noisy(picture: Light, rng: np.random.Generator) -> Light:
    """A little soft, and taken in little light."""
    soft = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.5, 1.1))
    return soft + rng.normal(0, rng.uniform(0.008, 0.025), picture.shape)


def haze(picture: Light, rng: np.random.Generator) -> Light:
    """A window's shine over one side."""
    veil = np.linspace(*rng.permutation([0.0, rng.uniform(0.08, 0.25)]), picture.shape[1])
    return picture * (1 - veil[None, :, None]) + 0.9 * veil[None, :, None]


def bright(picture: Light, rng: np.random.Generator) -> Light:
    """Too much light: what is brighter than white is lost."""
    return picture * rng.uniform(1.1, 1.35)


def dark(picture: Light, rng: np.random.Generator) -> Light:
    """Too little light."""
    return picture * rng.uniform(0.45, 0.7) + rng.normal(0, 0.006, picture.shape)


CHANGES: dict[str, Callable[[Light, np.random.Generator], Light]] = {
    own.__name__: own for own in (light, phone, turn, noisy, haze, bright, dark)
}


def changed(photo: Photo, change: str, rng: np.random.Generator) -> Photo:
    picture = CHANGES[change](photo.bgr.astype(np.float32) / 255, rng)
    return replace(photo, bgr=np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8))


def result(job: tuple[Path, str, str]) -> JarResult:
    """Read one jar from its changed photos."""
    folder, jar, change = job
    cv2.setNumThreads(1)
    [rows] = truth_of(folder, only={jar}).values()
    rng = np.random.default_rng([int(jar), *change.encode()])
    photos, strips, others = {}, {}, {}
    try:
        for key, row in rows.items():
            r = Reading(key)
            photos[r], found = orient(changed(open_photo(folder / row["photo"]), change, rng))
            strips[r] = next((s for s in found if s.jar == int(jar)), None)
            others[r] = tuple(s for s in found if s is not strips[r])
        looks, _ = look_at_jar(photos, strips, others=others)
        with redirect_stdout(StringIO()):
            return result_of(jar, read_jar(jar, looks), rows, folder)
    except JarError:
        return JarResult(rows["48h"].get("kind") or "-")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--changes", default=",".join(CHANGES))
    parser.add_argument("--leave-out", default="")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    out = set(args.leave_out.split(","))
    jars = [(f, jar) for f in args.folders for jar in truth_of(f) if f"{f.name}:{jar}" not in out]
    sys.stdout.write(HEADER + "\n")
    for change in args.changes.split(","):
        with ProcessPoolExecutor(args.workers) as pool:
            results = list(pool.map(result, [(*jar, change) for jar in jars]))
        sys.stdout.write(Tally(results).row(change) + "\n")


if __name__ == "__main__":
    main()
