"""Pictures of rows of jars, composed from the single photos of `sample_images`.

These pictures are composed: no camera saw these jars side by side. Each photo is turned about its
own camera's centre, which is exact for a pinhole (Hartley & Zisserman, Multiple View Geometry, on
a camera that only rotates; from memory): the jar is then seen off the picture's middle as that
camera would have seen it. The turned photos share one lens; they are cut and blended in the
background half way between two jars, which do not hide or mirror each other.

Nothing here comes from the package under test. Pixels are of the upright photos.
"""

from __future__ import annotations

import csv
import functools
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from scenes import READINGS, SAMPLES, camera_of, exif_of, sample, save, upright

DIAGONAL_MM = 43.2666  # of a 36 x 24 mm frame
SHAKEN = datetime(2026, 5, 4, 9, 30)
SECONDS = dict(zip(READINGS, (60, 7200, 172_800), strict=True))
_BLEND_PX = 24
_BESIDE_RAD = math.radians(2.5)

# Left and right end of each jar in its photo [px], by eye on the upright pictures, good to 10 px;
# only for where to cut.
_ENDS_PX = {
    ("02", "1min"): (509, 1142),
    ("02", "2h"): (335, 1161),
    ("02", "48h"): (468, 1198),
    ("08", "1min"): (528, 1155),
    ("08", "2h"): (592, 1112),
    ("08", "48h"): (552, 1124),
    ("09", "1min"): (464, 1171),
    ("09", "2h"): (473, 1154),
    ("09", "48h"): (536, 1156),
    ("21", "1min"): (590, 1094),
    ("21", "2h"): (534, 1186),
    ("21", "48h"): (526, 1028),
}


@dataclass(frozen=True)
class Row:
    """Jars of `sample_images` from left to right, and the gap between neighbours [degrees].

    A jar of the samples takes up some 12 degrees.
    """

    jars: tuple[str, ...]
    gap: float = 2.0
    size_px: tuple[int, int] = (1800, 2400)

    @property
    def gap_rad(self) -> float:
        return math.radians(self.gap)


@functools.cache
def _photo(jar: str, reading: str) -> tuple[np.ndarray, float]:
    """A sample photo and its focal length [px]."""
    path = sample(jar, reading)
    bgr = upright(path)
    return bgr, camera_of(path)[1] * math.hypot(*bgr.shape[:2]) / DIAGONAL_MM


def _angles(jar: str, reading: str) -> tuple[float, float]:
    """Left and right end of a jar in its photo, from the optical axis [rad]."""
    bgr, focal = _photo(jar, reading)
    left, right = ((x - (bgr.shape[1] - 1) / 2) / focal for x in _ENDS_PX[jar, reading])
    return math.atan(left), math.atan(right)


def _placed(row: Row, reading: str) -> tuple[list[float], list[float]]:
    """How far each photo is turned to the right, and where it is cut from the next [rad]."""
    ends = [_angles(jar, reading) for jar in row.jars]
    widths = [right - left for left, right in ends]
    at = -(sum(widths) + row.gap_rad * (len(widths) - 1)) / 2
    turns, cuts = [], []
    for (left, _), width in zip(ends, widths, strict=True):
        turns.append(at - left)
        at += width + row.gap_rad
        cuts.append(at - row.gap_rad / 2)
    return turns, cuts[:-1]


def _lens(row: Row, reading: str) -> int:
    """Focal length that shows the whole row, in whole 35 mm terms, as phones write it."""
    turns, _ = _placed(row, reading)
    half = _angles(row.jars[-1], reading)[1] + turns[-1] + _BESIDE_RAD
    focal_px = row.size_px[1] / 2 / math.tan(half)
    return int(focal_px * DIAGONAL_MM / math.hypot(*row.size_px))


def _camera(focal_px: float, size_px: tuple[int, int]) -> np.ndarray:
    h, w = size_px
    return np.array([[focal_px, 0, (w - 1) / 2], [0, focal_px, (h - 1) / 2], [0, 0, 1]])


def _turned(jar: str, reading: str, turn: float, camera: np.ndarray, part: tuple[int, int, int]):
    """A photo as its camera would have taken it with another lens and turned to the left.

    Only the columns from the first of `part` to before the second, with as many rows as its third.
    """
    bgr, focal = _photo(jar, reading)
    c, s = math.cos(turn), math.sin(turn)
    about_upright = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    from_first = np.array([[1, 0, -part[0]], [0, 1, 0], [0, 0, 1]])
    seen = from_first @ camera @ about_upright @ np.linalg.inv(_camera(focal, bgr.shape[:2]))
    soft_px = 0.5 * math.sqrt(max((focal / camera[0, 0]) ** 2 - 1, 0.0))  # against aliasing
    bgr = cv2.GaussianBlur(bgr, (0, 0), soft_px) if soft_px > 0.3 else bgr
    flags = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REPLICATE}
    return cv2.warpPerspective(bgr, seen, (part[1] - part[0], part[2]), **flags)


def compose(row: Row, reading: str) -> np.ndarray:
    """Compose the row at one of the readings, (h, w, 3) uint8, blue, green, red."""
    turns, cuts = _placed(row, reading)
    h, w = row.size_px
    focal = _lens(row, reading) * math.hypot(h, w) / DIAGONAL_MM
    camera = _camera(focal, (h, w))
    edges = [-1e9, *((w - 1) / 2 + focal * np.tan(cuts)), 1e9]
    x = np.arange(w)
    whole = np.zeros((h, w, 3), np.float32)
    for jar, turn, (left, right) in zip(row.jars, turns, pairwise(edges), strict=True):
        share = np.clip((x - left) / _BLEND_PX + 0.5, 0, 1)
        share *= np.clip((right - x) / _BLEND_PX + 0.5, 0, 1)
        first, last = (int(i) for i in np.flatnonzero(share)[[0, -1]])
        turned = _turned(jar, reading, turn, camera, (first, last + 1, h))
        whole[:, first : last + 1] += turned * share[first : last + 1, None].astype(np.float32)
    return np.clip(whole + 0.5, 0, 255).astype(np.uint8)


def write(row: Row, folder: Path, readings: tuple[str, ...] = READINGS) -> list[Path]:
    """Save the composed photos of a row, with the time and the lens that they would have."""
    made = []
    for reading in readings:
        exif = exif_of(SHAKEN + timedelta(seconds=SECONDS[reading]), focal_35mm=_lens(row, reading))
        made.append(save(folder / f"row {reading}.jpg", compose(row, reading), exif))
    return made


@functools.cache
def true_tops_mm(jar: str) -> np.ndarray:
    """Top of sand, silt and clay, each in its own photo, from the samples' truth table (3,)."""
    with (SAMPLES / "truth.csv").open(newline="", encoding="utf-8") as file:
        rows = {r["reading"]: r for r in csv.DictReader(file) if int(r["jar"]) == int(jar)}
    return np.array([float(rows[reading]["top_mm"]) for reading in READINGS])
