"""CPU time of each stage of reading a photo, in decodes: of this program, or beside another copy.

    python tests/benchmark.py stages [TREE]

Three jars of `sample_images` at 12 megapixels: with a strip, without one, and a row of three with
strips. The unit is one full-colour decode of the same photo. With another tree (a worktree of an
older commit) both are measured in turns, three times, and the least of each is printed: before,
after. Only CPU time is looked at, so that other work on the machine matters little.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import ExifTags, Image

ROOT = Path(__file__).parents[2]
SIZE = (3024, 4032)  # 12 megapixels, upright
STAGES = {
    "decode": ["photo.decode:open_photo"],
    "tags": ["wall.locate:orient", "wall.locate:strips_in"],
    "count": ["wall.locate:unmarked_jars_in"],
    "walls": [
        *("jar.view_fit:scene_of", "jar.choose_walls:choose_walls", "jar.view_fit:find_jars"),
        *("jar.unmarked:find_unmarked_jar", "jar.ruler_in_photo:ruler_beside"),
        *(
            "wall.photo_cache:sides_before",
            "wall.in_photo:sides_before",
            "wall.locate:_sides_before",
            "jar.taper:sides_of",
            "jar.print_check:print_doubts",
        ),
        *("wall.blur:blur_or_refuse", "wall.blur:unmarked_blur_or_refuse"),
    ],
    "unroll": ["jar.unwrap:unroll"],
    "marks": [
        *("wall.stuck_on:find_covers", "wall.stuck_on:uncovered"),
        *("wall.marks_on_glass:without_marks", "wall.marks_on_glass:covered_mm"),
        *("wall.marks_on_glass:hidden_by", "wall.marks_on_glass:pen_marks_on"),
        *("wall.outer_glass:sides_of", "wall.surface:sides_of"),
    ],
    "grain": ["jar.wall_features:gather"],
    "coarse": ["wall.layers:coarse_tops"],
    "clay": ["wall.stacks:weigh_stacks"],
    "floor": ["wall.read:_floors"],
    "place": ["wall.read:_place_all"],
    "numbers": ["estimate.reading:work_out"],
}
OLDER = {"wall.in_photo:sides_before", "wall.locate:_sides_before", "wall.surface:sides_of"}
"""Where older copies of the program have a part of a stage."""
REST = "the rest"
JARS = {"strip": ("02",), "none": ("08",), "row": ("09", "02", "21")}


class Clock:
    """CPU time spent in each stage, without what stages within it took [s]."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self._open = [REST]
        self._since = time.process_time()

    def _turn(self) -> None:
        now = time.process_time()
        self.spent[self._open[-1]] += now - self._since
        self._since = now

    def timed(self, stage: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """Give a function that counts as a stage."""

        def inside(*args: Any, **kwargs: Any) -> Any:
            self._turn()
            self._open.append(stage)
            try:
                return work(*args, **kwargs)
            finally:
                self._turn()
                self._open.pop()

        return inside

    def watch(self) -> None:
        """Count all stages, wherever modules know them by name."""
        modules = [m for name, m in sys.modules.items() if name.startswith("jarvision.")]
        for stage, places in STAGES.items():
            for place in places:
                module, name = place.split(":")
                work = getattr(sys.modules.get(f"jarvision.{module}"), name, None)
                if work is None:  # an older copy of the program has it elsewhere
                    continue
                for other in modules:
                    for known, value in list(vars(other).items()):
                        if value is work:
                            setattr(other, known, self.timed(stage, work))


def write_photos(folder: Path) -> None:
    """Make the photos of all cases, `CASE-READING.jpg`."""
    sys.path.insert(0, str(Path(__file__).parent))
    import composed
    from PIL import ImageOps

    for case, jars in JARS.items():
        with tempfile.TemporaryDirectory() as rows:
            for reading in ("1min", "2h", "48h"):
                path = ROOT / "sample_images" / f"jar-{jars[0]}-{reading}.jpg"
                if len(jars) > 1:
                    [path] = composed.write(composed.Row(jars), Path(rows), (reading,))
                with Image.open(path) as image:
                    upright = ImageOps.exif_transpose(image)
                    exif = upright.getexif()
                    exif[ExifTags.Base.Orientation] = 1
                    size = SIZE if upright.height > upright.width else SIZE[::-1]
                    big = upright.resize(size, Image.Resampling.BICUBIC)
                    big.save(folder / f"{case}-{reading}.jpg", quality=90, exif=exif.tobytes())


def decode(path: Path) -> object:
    """Decode once in full colour."""
    return cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)


def read_case(paths: dict[Any, Path]) -> None:
    """Read all jars in three photos as a run does."""
    from jar_read import read_jar

    from jarvision.run.album import Album
    from jarvision.wall.locate import look_at_jar, unmarked_jars_in

    album = Album()
    photos, strips = {}, {}
    for reading, path in paths.items():
        photos[reading], strips[reading], _ = album.open(path)
        unmarked_jars_in(photos[reading], strips[reading])
    for number in sorted({strip.jar for strip in next(iter(strips.values()))}) or [None]:
        own = {r: next((s for s in strips[r] if s.jar == number), None) for r in photos}
        others = {r: [s for s in strips[r] if s is not own[r]] for r in photos}
        looks, _ = look_at_jar(photos, own, others=others)
        read_jar("bench", looks)


def measured(folder: Path) -> dict[str, dict[str, float]]:
    """Give, for each case, the decodes that each stage of a photo takes, and the peak [MB]."""
    import jarvision.run.one_jar  # noqa: F401 - all that has stages
    from jarvision.core.series import Reading

    cv2.setNumThreads(1)
    clock = Clock()
    clock.watch()
    found = {}
    for case in JARS:
        paths = {reading: folder / f"{case}-{reading}.jpg" for reading in Reading}
        tries = []
        for _ in range(5):
            start = time.process_time()
            decode(paths[Reading.TWO_HOURS])
            unit = time.process_time() - start
            clock.spent.clear()
            clock._turn()
            clock.spent.clear()
            read_case(paths)
            clock._turn()
            tries.append((unit, dict(clock.spent)))
        unit = min(t[0] for t in tries)
        least = min((t[1] for t in tries), key=lambda spent: sum(spent.values()))
        found[case] = {s: least.get(s, 0.0) / unit / len(paths) for s in (*STAGES, REST)}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found["peak"] = {"MB": peak / (1024 if sys.platform != "darwin" else 1 << 20)}
    return found


def in_turns(folder: Path, trees: list[Path], times: int) -> list[dict[str, dict[str, float]]]:
    """Measure several copies of the program in turns; the least of each case by its sum."""
    best: list[dict[str, dict[str, float]]] = [{} for _ in trees]
    for _ in range(times):
        for kept, tree in zip(best, trees, strict=True):
            alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONPATH": str(tree)}
            command = [sys.executable, __file__, "--photos", str(folder)]
            out = subprocess.run(
                command, env=os.environ | alone, check=True, stdout=subprocess.PIPE
            )
            for case, stages in json.loads(out.stdout).items():
                if case not in kept or sum(stages.values()) < sum(kept[case].values()):
                    kept[case] = stages
    return best


def lines(columns: list[dict[str, dict[str, float]]]) -> Iterator[str]:
    """Give a table in Markdown: a row a stage; before and after with a slash between."""
    heads = {"strip": "with a strip", "none": "without", "row": "three in a row"}
    yield f"| decodes a photo | {' | '.join(heads[case] for case in JARS)} |"
    yield "|---|" + "---|" * len(JARS)
    sums = {"all": dict.fromkeys(JARS, 1), "all, a jar": {c: len(j) for c, j in JARS.items()}}
    for stage in (*STAGES, REST, *sums):
        cells = []
        for case in JARS:
            whole = [sum(c[case].values()) / sums[stage][case] for c in columns if stage in sums]
            each = whole or [c[case][stage] for c in columns]
            cells.append(" → ".join(f"{value:.2f}" for value in each))
        yield f"| {stage} | {' | '.join(cells)} |"
    peaks = " → ".join(f"{column['peak']['MB']:.0f}" for column in columns)
    yield f"peak memory [MB]: {peaks}"


def main() -> None:
    """Do what the command line says."""
    if sys.argv[1:2] == ["--write"]:
        write_photos(Path(sys.argv[2]))
        return
    if sys.argv[1:2] == ["--photos"]:
        print(json.dumps(measured(Path(sys.argv[2]))))
        return
    trees = [Path(tree).resolve() for tree in sys.argv[1:]] + [ROOT]
    with tempfile.TemporaryDirectory() as name:
        # apart: its memory would count as the readers'
        subprocess.run([sys.executable, __file__, "--write", name], check=True)
        print("\n".join(lines(in_turns(Path(name), trees, 3))))


if __name__ == "__main__":
    main()
