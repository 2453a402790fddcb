"""Unroll the front of the jar: a picture whose rows are millimetres of height.

Rows are heights of the *inside* of the wall (the glass is allowed for), columns are azimuths. In it
layers are straight level bands whatever the camera did; reflections and the far rim are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Floats, Picture
from jarvision.jar.colour import lab_of
from jarvision.jar.view_fit import Jar

ROW_MM = 0.125
COLUMN_MM = 0.2
FRONT_RAD = np.radians(50.0)  # the front of the wall that is read
BELOW_MM = 6.0
MAP_TOP_MM = 150.0  # higher than the water in a usual jar, and the longest strip
_MARGIN_MM = 1.6  # kept clear of the strip's edges and its shadow
_SPARSE = 20  # heights from one whose positions are worked out to the next
_MANY = 30_000  # places, from which on a part of the picture is worth being made ready for them


@dataclass(frozen=True, slots=True, eq=False)
class WallMap:
    """The unrolled front wall of one photo.

    Attributes
    ----------
    z_mm : (rows,) array
        Height of each row above the strip's zero, ascending, on the inside of the wall.
    azimuth : (columns,) array
        Azimuth of each column [rad]; columns hidden by the strip are left out.
    bgr : (rows, columns, 3) uint8 array
        Colours as in the photo; kept small, since a class has hundreds of walls.
    px_per_mm : float
        Working pixels a millimetre at the front of the wall.
    column_mm : float
        How far apart columns are where nothing is left out.
    """

    z_mm: Array
    azimuth: Array
    bgr: NDArray[np.uint8]
    px_per_mm: float
    column_mm: float = COLUMN_MM

    def lab(self) -> Floats:
        """CIE Lab colours, (rows, columns, 3)."""
        return lab_of(self.bgr)

    def row(self, z_mm: float) -> int:
        """Row nearest to a height."""
        return int(np.clip(round((z_mm - self.z_mm[0]) / ROW_MM), 0, len(self.z_mm) - 1))


def _columns(jar: Jar) -> Array:
    """Azimuths of the columns, evenly spaced as seen from the camera, where nothing covers them."""
    radius = jar.view.outline.radius_mm
    reach = np.sin(FRONT_RAD) * radius
    azimuth = np.arcsin(np.arange(-reach, reach, COLUMN_MM) / radius)
    for first, last in jar.covered:
        azimuth = azimuth[(azimuth < first) | (azimuth > last)]
    left, right = jar.strip_azimuths
    if np.isnan(left):
        return np.asarray(azimuth)
    margin = _MARGIN_MM / radius
    return np.asarray(azimuth[(azimuth < left - margin) | (azimuth > right + margin)])


def columns_of(jar: Jar, width_px: int) -> Array:
    """Azimuths of the columns that can be read: not under the strip, not cut off by the picture."""
    azimuth = _columns(jar)
    ends = jar.view.wall_px(azimuth[None, :], np.array([0.0, 60.0])[:, None])[..., 0]
    inside = ((ends > 1) & (ends < width_px - 2)).all(axis=0)
    return np.asarray(azimuth[inside])


def _sparse_grid(jar: Jar, z_mm: Array, azimuth: Array) -> Array:
    """Picture positions (rows, columns, 2) at some of the heights and at the last.

    They are of points on the inside of the wall.
    """
    sparse_mm = np.append(z_mm[::_SPARSE], z_mm[-1])
    outside = sparse_mm + jar.view.glass_drop_mm(sparse_mm)
    return jar.view.wall_px(azimuth[None, :], outside[:, None])


def _filled_in(sparse: Array, count: int) -> Floats:
    """Picture positions at so many evenly spaced heights, from those of `_sparse_grid`.

    The projection of a plane patch is smooth, so that the error is under 0.02 px.
    """
    steps = np.full(len(sparse) - 1, float(_SPARSE))
    steps[-1] = max(count - 1 - _SPARSE * (len(steps) - 1), 1)  # the last may be shorter
    part = (np.arange(_SPARSE) / steps[:, None]).astype(np.float32)[..., None, None]
    from_px, step_px = sparse[:-1].astype(np.float32), np.diff(sparse, axis=0).astype(np.float32)
    grid: Floats = step_px[:, None] * part
    grid += from_px[:, None]
    return grid.reshape(-1, *sparse.shape[1:])[:count]


def _seen_at(bgr: NDArray[np.uint8], sparse: Array, count: int) -> Picture:
    """Colours (rows, columns, 3) at so many heights, from a sparse grid of positions.

    Many are taken from the part of the picture that holds them, with a channel more: pixels of
    four bytes are sampled in half the time of three. Maps of whole numbers or of one channel after
    the other are no quicker.
    """
    if count * sparse.shape[1] < _MANY:
        return _remapped(bgr, _filled_in(sparse, count))
    most, columns, rows = (bgr.shape[1] - 1, bgr.shape[0] - 1), sparse[..., 0], sparse[..., 1]
    ends = (columns.min() - 1, rows.min() - 1), (columns.max() + 1, rows.max() + 1)
    (x0, y0), (x1, y1) = np.clip(np.round(ends), 0, most).astype(int)
    part = cv2.cvtColor(bgr[y0 : y1 + 1, x0 : x1 + 1], cv2.COLOR_BGR2BGRA)
    grid = _filled_in(sparse - np.array([x0, y0]), count)
    return np.asarray(cv2.cvtColor(_remapped(part, grid), cv2.COLOR_BGRA2BGR), dtype=np.uint8)


def _remapped(picture: cv2.typing.MatLike, grid: Floats) -> Picture:
    seen = cv2.remap(picture, grid, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    return np.asarray(seen, dtype=np.uint8)


def unroll(
    bgr: NDArray[np.uint8],
    jar: Jar,
    top_mm: float,
    *,
    bottom_mm: float = -BELOW_MM,
    every: tuple[int, int] = (1, 1),
    columns: Array | None = None,
) -> WallMap:
    """Unroll the front wall.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    jar : Jar
        Its jar, in millimetres.
    top_mm, bottom_mm : float
        Height of the topmost and the lowest row [mm].
    every : (int, int)
        Only each so many rows and columns, for a quick look.
    columns : (n,) array, optional
        What `columns_of` gives, where it was asked already.
    """
    z = np.arange(bottom_mm, top_mm, every[0] * ROW_MM)
    columns = columns_of(jar, bgr.shape[1]) if columns is None else columns
    azimuth = columns[every[1] // 2 :: every[1]]
    patch = _seen_at(bgr, _sparse_grid(jar, z, azimuth), len(z))
    return WallMap(z, azimuth, patch, jar.view.px_per_mm(10.0, 40.0), every[1] * COLUMN_MM)
