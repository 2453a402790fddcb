"""The outside of the glass, where people draw: its heights and places, and what lies on it.

The unrolled wall shows the inside of the glass; on the outside the same pixel stands higher by what
the glass refracts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Floats, Mask, Places
from jarvision.jar.geometry import View
from jarvision.jar.quick_arrays import median_of
from jarvision.jar.unwrap import COLUMN_MM, WallMap
from jarvision.jar.wall_features import pieces

Counts: TypeAlias = NDArray[np.int16]
Span: TypeAlias = "tuple[float, float]"

DARK_COUNTS = 8.0  # added to colours before the logarithm: near black, noise would rule
_LOG = np.log(np.arange(256, dtype=np.float32) + np.float32(DARK_COUNTS))
COUNTS = 1024  # of a log unit, where logs are whole counts: three of white still fit
TOGETHER = 3  # columns that are looked at as one
_LOG_COUNTS = np.rint(COUNTS / TOGETHER * _LOG).astype(np.int16)  # a column's part of its cell
CELL_MM = TOGETHER * COLUMN_MM
_LEAST_PIECE_MM = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Glass:
    """The outside of the glass on one side of the strip."""

    z_mm: Array  # (rows,)
    arc_mm: Array  # (columns,)
    columns: Places
    bgr: NDArray[np.uint8]  # (rows, columns, 3)
    cells: Counts  # its log in cells of several columns, (3, rows, cells)
    slope: Array  # (rows,), downward slope of the sight line, its sine

    def log_at(self, rows: Places | slice, columns: Places | slice) -> Floats:
        """Give logs of colours in rows and columns; of single pixels where both are places."""
        if isinstance(rows, slice) or isinstance(columns, slice):
            bgr = self.bgr[rows, columns]
        else:  # several times quicker than two indices
            at = rows * self.bgr.shape[1] + columns
            bgr = np.take(self.bgr.reshape(-1, 3), at, axis=0)
        return np.asarray(cv2.LUT(bgr, _LOG), dtype=np.float32)


def arc_mm(view: View, azimuth: Array) -> Array:
    """How far round the jar's outside azimuths [rad] are from where it faces the camera [mm]."""
    turn = np.linspace(-1.5, 1.5, 1501)
    xy = np.stack(view.outline.points(turn), axis=-1)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])
    return np.asarray(np.interp(azimuth, turn, run - run[len(run) // 2]), dtype=np.float64)


def sides_of(wall: WallMap, view: View) -> tuple[Glass, ...]:
    """Give each side of a wall as it is on the outside: the rows' heights differ by the drop."""
    z = wall.z_mm + view.glass_drop_mm(wall.z_mm)
    slope = np.sin(view.elevation_rad(z))
    arc = arc_mm(view, wall.azimuth)
    sides = []
    for piece in pieces(wall):
        if len(piece) * COLUMN_MM < _LEAST_PIECE_MM:
            continue
        bgr = np.ascontiguousarray(wall.bgr[:, piece[0] : piece[-1] + 1])
        sides.append(Glass(z, arc[piece], piece, bgr, _cells(bgr), slope))
    return tuple(sides)


def _cells(bgr: NDArray[np.uint8]) -> Counts:
    """Log of a wall in cells of several columns, (3, rows, cells)."""
    width = bgr.shape[1] // TOGETHER * TOGETHER
    # turned, so that the columns of a cell are whole rows: twice as quick as `cv2.resize`
    parts = cv2.LUT(cv2.transpose(bgr[:, :width]), _LOG_COUNTS)
    cells = parts[0::TOGETHER] + parts[1::TOGETHER]
    for column in range(2, TOGETHER):
        cells += parts[column::TOGETHER]
    planes = np.empty((3, cells.shape[1], cells.shape[0]), np.int16)
    for plane, levels in zip(planes, cv2.split(cells), strict=True):
        cv2.transpose(levels, dst=plane)
    return planes


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """What a mark is like in short pieces of its length: (bins,) each.

    `depth` and `beside`, the log of the darker side's colours, are (bins, 3).
    """

    arc_mm: Array
    low_mm: Array
    high_mm: Array
    depth: Array
    beside: Array

    @property
    def middle_mm(self) -> Array:
        """Height of the middle."""
        return (self.low_mm + self.high_mm) / 2

    @property
    def thick_mm(self) -> float:
        """Usual thickness."""
        return float(median_of(self.high_mm - self.low_mm))

    @property
    def hue(self) -> Array:
        """Direction of the depth in blue, green, red, a unit vector."""
        depth = np.maximum(median_of(self.depth), 0.0)
        return np.asarray(depth / max(float(np.linalg.norm(depth)), 1e-6))


def binned(rows: Array | Sequence[Sequence[float]]) -> Bins:
    """Give bins of rows: arc, lower edge, upper edge, three depths, three colours beside."""
    table = np.array(rows)
    return Bins(table[:, 0], table[:, 1], table[:, 2], table[:, 3:6], table[:, 6:])


def runs(on: Mask) -> list[tuple[int, int]]:
    """First and last + 1 of each run of true values."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(steps[::2], steps[1::2], strict=True)]
