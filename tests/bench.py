"""Speed and memory as ratios, so that they mean the same on any machine.

    python tests/bench.py

The yardstick is one full-colour decode of the same 12-megapixel JPEG on one thread (CPU time).
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from jarvision.grouping import Reading
from jarvision.look import look_at_jar, strips_in
from jarvision.photo import Photo, open_photo
from jarvision.reading import read_jar

SAMPLES = Path(__file__).parent.parent / "sample_images"
SIZE = (3024, 4032)  # 12 megapixels, upright
JAR = "jar-02"


def enlarge(folder: Path) -> dict[Reading, Path]:
    """Make 12-megapixel JPEGs of a sample jar, with its lens data."""
    from PIL import Image, ImageOps

    made = {}
    for reading in Reading:
        with Image.open(SAMPLES / f"{JAR}-{reading}.jpg") as image:
            upright = ImageOps.exif_transpose(image)
            exif = upright.getexif()
            big = upright.resize(SIZE, Image.Resampling.BICUBIC)
            made[reading] = folder / f"{JAR}-{reading}.jpg"
            big.save(made[reading], quality=90, exif=exif.tobytes())
    return made


def cpu_s(work: Callable[[], object], *, times: int = 7) -> float:
    """Least CPU time of a few runs [s]."""
    best = np.inf
    for _ in range(times):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return float(best)


def decode(path: Path) -> object:
    """Decode once in full colour."""
    return cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)


def whole_jar(paths: dict[Reading, Path]) -> object:
    """Read a jar from its three files."""
    photos = {r: open_photo(p) for r, p in paths.items()}
    strips = {r: (strips_in(p) or [None])[0] for r, p in photos.items()}
    looks, _ = look_at_jar(photos, strips)
    return read_jar("bench", looks)


def main() -> None:
    cv2.setNumThreads(1)
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        print("(set OPENBLAS_NUM_THREADS=1 for figures that do not depend on the machine's cores)")
    with tempfile.TemporaryDirectory() as name:
        paths = enlarge(Path(name))
        first = paths[Reading.TWO_HOURS]
        base = cpu_s(lambda: decode(first))
        whole = cpu_s(lambda: whole_jar(paths)) / len(paths)
        photo: Photo = open_photo(first)
        strip = (strips_in(photo) or [None])[0]
        parts = {
            "open (reduced decode, EXIF, digest)": cpu_s(lambda: open_photo(first)),
            "find strip": cpu_s(lambda: strips_in(photo)),
            "find jar, unroll wall": cpu_s(lambda: look_at_jar({1: photo}, {1: strip})),
        }
    print(f"full-colour decode of 12 MP: {base * 1000:.0f} ms CPU = 1.00")
    print(f"reading one photo, all in:   {whole / base:.2f}   (wanted: at most 2.0; goal 1.0)")
    for part, seconds in parts.items():
        print(f"  {part:36} {seconds / base:.2f}")
    rest = whole - sum(parts.values())
    print(f"  {'layers, draws, class (a third of a jar)':36} {rest / base:.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1024 if sys.platform != "darwin" else 1 << 20
    )
    print(
        f"peak memory of this process: {peak:.0f} MB (wanted: at most 300; it also made the photos)"
    )


if __name__ == "__main__":
    main()
