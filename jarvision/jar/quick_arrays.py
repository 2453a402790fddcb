"""Medians, ranks, lengths and sums of arrays, quicker than NumPy's or than loading SciPy."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from jarvision.core.arrays import Array, Floats


def median_of(values: Array | Floats) -> Array:
    """Median along the first axis; for short arrays quicker than numpy's."""
    ranked = np.sort(values, axis=0)
    half = len(ranked) // 2
    return np.asarray((ranked[half] + ranked[-half - 1]) / 2)


def ranked_at(values: Array | Floats, part: float) -> Array:
    """Percentile along the last axis, several times quicker than numpy's."""
    ranked = np.sort(values, axis=-1).astype(np.float64)
    at = part * (ranked.shape[-1] - 1)
    low = int(at)
    high = min(low + 1, ranked.shape[-1] - 1)
    return np.asarray(ranked[..., low] + (at - low) * (ranked[..., high] - ranked[..., low]))


def lengths_of(steps: Array) -> Array:
    """Length of colour steps whose channels come first; several times quicker than a norm."""
    square = steps * steps
    return np.asarray(np.sqrt(square[0] + square[1] + square[2]))


def sums_before(rows: Array) -> Array:
    """Sum all rows before each row of (n, rows, ...), and all rows."""
    sums = np.zeros((len(rows), rows.shape[1] + 1, *rows.shape[2:]))
    np.cumsum(rows, axis=1, out=sums[:, 1:])
    return sums


def highest_near(values: Array, reach: int) -> Array:
    """Highest of the values up to `reach` places to either side, of the shape (n,) of the values.

    Like the next, without `scipy.ndimage`, which takes longer to load than all that it would do.
    """
    if not values.size:
        return values
    near = np.ones((1, 2 * reach + 1), dtype=np.uint8)
    return np.asarray(cv2.dilate(values[None], near)[0], dtype=np.float64)


def middle_near(values: Array, reach: int) -> Array:
    """Median of the values up to `reach` places to either side; beyond the ends they go on."""
    near = sliding_window_view(np.pad(values, reach, mode="edge"), 2 * reach + 1)
    return np.asarray(np.partition(near, reach, axis=1)[:, reach])
