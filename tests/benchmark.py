"""Speed and memory as ratios, so that they mean the same on any machine.

    python tests/benchmark.py             one photo
    python tests/benchmark.py class [30]  a class of so many jars, with one and with two workers
    python tests/benchmark.py stages [TREE]  each stage of three kinds of photos, beside an older

The yardstick of one photo is one full-colour decode of the same 12-megapixel JPEG on one thread
(CPU time). The class's is the time on the wall, which means something on an idle machine only;
beside it stands the ratio by CPU time, as if two cores were free.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from jarvision.core.series import Reading
from jarvision.estimate.given import Given
from jarvision.estimate.reading import work_out
from jarvision.photo.decode import Photo, open_photo
from jarvision.results.jar_folder import read_jar_file
from jarvision.results.recompute import recomputed
from jarvision.run.engine import read_photos
from jarvision.run.settings import Settings
from jarvision.wall.locate import look_at_jar, strips_in
from jarvision.wall.read import read_photos_of_jar

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
    return work_out("bench", read_photos_of_jar(looks), Given())


def write_class(folder: Path, jars: int) -> None:
    """Make a class of one jar without a strip: the same pictures, but another content each."""
    for number in range(jars):
        for reading in Reading:
            data = (SAMPLES / f"jar-08-{reading}.jpg").read_bytes()
            name = f"bed {number + 1} {reading}.jpg"
            (folder / name).write_bytes(data + number.to_bytes(2, "big"))


def recompute_s() -> tuple[float, float]:
    """CPU time to work a sample jar out again from its file: by height; by weight too [s]."""
    with tempfile.TemporaryDirectory() as out:
        read_photos(sorted(SAMPLES.glob(f"{JAR}-*.jpg")), Settings(), out=Path(out))
        [path] = Path(out).glob("jar-*.json")
        jar = read_jar_file(path)
        by_height = cpu_s(lambda: work_out(jar.jar, jar.measurement, jar.given))
        return by_height, cpu_s(lambda: recomputed(read_jar_file(path)), times=3)


def used_s(who: int) -> float:
    """CPU time used so far by this process or by its ended children [s]."""
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def time_class(photos: Path, workers: int) -> tuple[float, float, float]:
    """Read a class -> wall time, CPU time of this process, CPU time of the workers [s]."""
    own, theirs = used_s(resource.RUSAGE_SELF), used_s(resource.RUSAGE_CHILDREN)
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as out:
        batch = read_photos([photos], Settings(), out=Path(out), workers=workers)
    assert batch.all_read
    wall = time.monotonic() - start
    return (
        wall,
        used_s(resource.RUSAGE_SELF) - own,
        used_s(resource.RUSAGE_CHILDREN) - theirs,
    )


def first_result_s(photos: Path, compiled: str) -> tuple[float, float]:
    """From the command until the first line of one jar's result: wall time; CPU time of all [s].

    Python keeps what it compiles in the folder `compiled`, as beside a program that is installed.
    """
    before, start = used_s(resource.RUSAGE_CHILDREN), time.monotonic()
    here = {"PYTHONPATH": str(SAMPLES.parent), "PYTHONPYCACHEPREFIX": compiled}
    here |= {"PYTHONDONTWRITEBYTECODE": "", "PYTHONUNBUFFERED": "1"}
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-m", "jarvision", "read", str(photos), "--out", out]
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=os.environ | here) as reader:
            assert reader.stdout is not None
            reader.stdout.readline()
            wall = time.monotonic() - start
            reader.stdout.read()
    return wall, used_s(resource.RUSAGE_CHILDREN) - before


def whole_class(jars: int) -> None:
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        write_class(Path(name), jars)
        wall_1, cpu_1, _ = time_class(Path(name), 1)
        wall_2, own_2, theirs_2 = time_class(Path(name), 2)
    print(f"{jars} jars, {3 * jars} photos: {cpu_1 / jars:.2f} s CPU a jar")
    print(f"two workers over one, wall:     {wall_1 / wall_2:.2f}   (wanted: at least 1.9)")
    print(f"two workers over one, by CPU:   {cpu_1 / (own_2 + theirs_2 / 2):.2f}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"peak memory of a worker: {peak:.0f} MB (wanted: the same for any number of jars)")


def main() -> None:
    if sys.argv[1:2] == ["stages"]:
        script = Path(__file__).parent / "support" / "stages.py"
        raise SystemExit(subprocess.run([sys.executable, script, *sys.argv[2:]]).returncode)
    if sys.argv[1:2] == ["class"]:
        whole_class(int(sys.argv[2]) if len(sys.argv) > 2 else 30)
        return
    cv2.setNumThreads(1)
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        print("(set OPENBLAS_NUM_THREADS=1 for figures that do not depend on the machine's cores)")
    with tempfile.TemporaryDirectory() as name:
        with ProcessPoolExecutor(1) as apart:  # its memory is not the reader's
            paths = apart.submit(enlarge, Path(name)).result()
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
        with tempfile.TemporaryDirectory() as compiled:
            first_wall, first_cpu = min(first_result_s(Path(name), compiled) for _ in range(4))
    print(f"full-colour decode of 12 MP: {base * 1000:.0f} ms CPU = 1.00")
    print(f"reading one photo, all in:   {whole / base:.2f}   (wanted: at most 2.0; goal 1.0)")
    for part, seconds in parts.items():
        print(f"  {part:36} {seconds / base:.2f}")
    rest = whole - sum(parts.values())
    print(f"  {'layers, draws, class (a third of a jar)':36} {rest / base:.2f}")
    by_height, in_all = recompute_s()
    print(f"a jar again from its file:   {by_height:.3f} s CPU by height (wanted: under 0.3)")
    print(f"                             {in_all:.3f} s CPU with the file and by weight")
    print(f"command to first result:     {first_wall:.1f} s on the wall (wanted: under 2)")
    print(f"                             {first_cpu:.1f} s CPU until all files are written")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1024 if sys.platform != "darwin" else 1 << 20
    )
    print(f"peak memory of this process: {peak:.0f} MB (wanted: at most 250)")


if __name__ == "__main__":
    main()
