"""How much detail a photo passes on, from the printed tags' own edges (slanted edge, ISO 12233)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array
from jarvision.jar.strip import Strip

FREQUENCY = np.linspace(0.0, 0.5, 65)  # cycles a pixel at which a transfer is given
_BIN_PX = 0.25
_REACH_PX = 7.0
_LEAST_ROWS = 24


def gaussian_transfer(sd_px: float) -> Array:
    """Transfer of a Gaussian blur at `FREQUENCY`."""
    return np.exp(-2 * (np.pi * sd_px * FREQUENCY) ** 2)


def edge_transfer(grey: NDArray[np.uint8], strip: Strip, px_a_px: float) -> Array | None:
    """Measure the transfer across the picture's columns; None where no edge can be followed.

    Parameters
    ----------
    grey : (height, width) uint8 array
        The photo at full scale.
    strip : Strip
        A strip as it was found in the working picture.
    px_a_px : float
        Full-scale pixels a working pixel.

    Notes
    -----
    Sharpening in the phone lifts it over 1. Along the left and right sides of each tag the edge is
    placed in every row, a line is fitted, and all pixels are sorted by how far they lie off it.
    """
    found = []
    for corners in (strip.corners_px + 0.5) * px_a_px - 0.5:
        for upper, lower, side in ((corners[0], corners[3], -1), (corners[1], corners[2], 1)):
            transfer = _one_edge(grey, upper, lower, side)
            if transfer is not None:
                found.append(transfer)
    return np.median(found, axis=0) if found else None


def _one_edge(grey: NDArray[np.uint8], upper: Array, lower: Array, side: int) -> Array | None:
    """Follow one side of a tag, dark towards its middle; None where it is short or cut off."""
    y = np.arange(
        int(upper[1] + 0.12 * (lower[1] - upper[1])), int(upper[1] + 0.88 * (lower[1] - upper[1]))
    )
    if len(y) < _LEAST_ROWS:
        return None
    line = np.interp(y, [upper[1], lower[1]], [upper[0], lower[0]])
    reach = int(_REACH_PX + 3)
    x = np.round(line).astype(int)[:, None] + np.arange(-reach, reach + 1)
    if x.min() < 0 or x.max() >= grey.shape[1] or y[0] < 0 or y[-1] >= grey.shape[0]:
        return None
    level = grey[y[:, None], x].astype(np.float64) * side
    rise = np.diff(level, axis=1).clip(0)
    middle = x[:, :-1] + 0.5
    near = np.exp(-0.5 * ((middle - line[:, None]) / 2.5) ** 2)
    weight = rise * near
    at = (weight * middle).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    slope, foot = np.polyfit(y, at, 1)
    off = at - (slope * y + foot)
    kept = np.abs(off) < 3 * max(1.4826 * float(np.median(np.abs(off))), 0.05)
    if kept.sum() < _LEAST_ROWS:
        return None
    slope, foot = np.polyfit(y[kept], at[kept], 1)
    across = (x[kept] - (slope * y[kept] + foot)[:, None]) / np.hypot(1, slope)
    return _transfer_of(across.ravel(), level[kept].ravel(), abs(slope))


def _transfer_of(across_px: Array, level: Array, slope: float) -> Array | None:
    """Edge spread -> line spread -> its spectrum."""
    edges = np.arange(-_REACH_PX, _REACH_PX + _BIN_PX / 2, _BIN_PX)
    at = np.digitize(across_px, edges) - 1
    inside = (at >= 0) & (at < len(edges) - 1)
    count = np.bincount(at[inside], minlength=len(edges) - 1)
    if slope < 0.002 or (count == 0).mean() > 0.2:  # so upright that pixels fall on few places
        return _coarse_transfer(across_px, level)
    total = np.bincount(at[inside], level[inside], len(edges) - 1)
    middle = edges[:-1] + _BIN_PX / 2
    spread = np.interp(middle, middle[count > 0], (total / np.maximum(count, 1))[count > 0])
    line = np.diff(spread)
    line = line * np.minimum(2.0 * np.hanning(len(line) + 2)[1:-1], 1.0)
    place = middle[:-1] + _BIN_PX / 2
    wave = np.abs(np.exp(-2j * np.pi * FREQUENCY[:, None] * place) @ line)
    if wave[0] <= 0:
        return None
    # the bins and the differences between them soften too
    return np.asarray(wave / wave[0] / np.sinc(FREQUENCY * _BIN_PX) ** 2)


def _coarse_transfer(across_px: Array, level: Array) -> Array | None:
    """Do the same from whole pixels, where an edge stands upright and all rows tell the same."""
    phase = float(np.angle(np.exp(2j * np.pi * across_px).mean())) / (2 * np.pi)
    at = np.round(across_px - phase).astype(int) + int(_REACH_PX)
    inside = (at >= 0) & (at <= 2 * int(_REACH_PX))
    count = np.bincount(at[inside], minlength=2 * int(_REACH_PX) + 1)
    if (count == 0).any():
        return None
    line = np.diff(np.bincount(at[inside], level[inside]) / count)
    wave = np.abs(np.exp(-2j * np.pi * FREQUENCY[:, None] * np.arange(len(line))) @ line)
    return np.asarray(wave / max(wave[0], 1e-9) / np.sinc(FREQUENCY))
