"""What an unrolled wall looks like at each height: colour, grain at two scales, level edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Places
from jarvision.jar.colour import lab_of
from jarvision.jar.quick_arrays import highest_near, lengths_of
from jarvision.jar.unwrap import COLUMN_MM, ROW_MM, WallMap

BIN_MM = 0.5  # height of a step of the grain search


_BLOCK_MM = 5.0  # width of the strips of wall that vote on a boundary


_FINE_MM, _COARSE_MM = 0.18, 0.5  # grain is what lies between the picture and these blurs


_LEAST_PIECE_MM = 1.7  # eight columns, so that the same is left out in a quick look
_SLIVER_MM = 2.4  # at the jar's side, where lines are seen aslant and the glass mirrors


def pieces(wall: WallMap) -> list[Places]:
    """Column indices on each side of the strip, without a sliver beside wider glass."""
    step = np.diff(np.sin(wall.azimuth))
    if len(step) > 8 and step.max() < 2 * step.min():  # most have no gap
        return [np.arange(len(wall.azimuth))]
    gaps = np.flatnonzero(step > 3 * np.median(step))
    found = np.split(np.arange(len(wall.azimuth)), gaps + 1)
    found = [p for p in found if len(p) * wall.column_mm > _LEAST_PIECE_MM]
    widest = max((len(p) for p in found), default=0)
    return [p for p in found if len(p) == widest or len(p) * wall.column_mm > _SLIVER_MM]


def blocks(wall: WallMap) -> list[Places]:
    """Column indices of strips of wall about `_BLOCK_MM` wide."""
    found = []
    for piece in pieces(wall):
        count = max(1, round(len(piece) * wall.column_mm / _BLOCK_MM))
        found += list(np.array_split(piece, count))
    return found


def _grain(wall: WallMap, light: Floats) -> tuple[Floats, Floats, Floats]:
    """Absolute fine and coarse grain of each pixel, and change across the wall of the low rows.

    As `light`, which they are found from, (columns, rows).
    """
    low = int(np.searchsorted(wall.z_mm, _SPECKLED_TO_MM))
    each = [_grain_of(light[p[0] : p[-1] + 1], low) for p in pieces(wall)]
    fine, coarse, across = (
        parts[0] if len(parts) == 1 else np.concatenate(parts) for parts in zip(*each, strict=True)
    )
    return fine, coarse, across


def _grain_of(light: Floats, low: int) -> tuple[Floats, Floats, Floats]:
    """As `_grain`, of one piece of wall; `low` counts the low rows."""
    less, least = _blur(light, _FINE_MM), _blur(light, _COARSE_MM)
    across = cv2.GaussianBlur(light[:, :low], (0, 0), sigmaX=0.01, sigmaY=_SPECKLE_MM / COLUMN_MM)
    cv2.absdiff(less, least, dst=least)  # in place: these are as large as the wall
    cv2.absdiff(light, less, dst=less)
    return less, least, np.asarray(cv2.absdiff(light[:, :low], across), dtype=np.float32)


def _blur(light: Floats, size_mm: float) -> Floats:
    """Gaussian blur of a wall (columns, rows) by a size in millimetres."""
    across, up = size_mm / COLUMN_MM, size_mm / ROW_MM
    return np.asarray(cv2.GaussianBlur(light, (0, 0), sigmaX=up, sigmaY=across), dtype=np.float32)


def _only_columns(wall: WallMap) -> WallMap:
    """Leave out columns that stand in no usable piece."""
    keep = np.concatenate(pieces(wall))
    if len(keep) == len(wall.azimuth):
        return wall
    return replace(wall, azimuth=wall.azimuth[keep], bgr=wall.bgr[:, keep])


@dataclass(frozen=True, slots=True, eq=False)
class LevelEdges:
    """Level colour edges of a wall."""

    edges_mm: Array  # (n,), heights at which edges were measured
    edges: Array  # (n,), strength of level colour edges
    steps: Array  # (blocks, n), colour step of each block, whatever its direction


@dataclass(frozen=True, slots=True, eq=False)
class WallFeatures(LevelEdges):
    """What one photo says, ready to be searched."""

    settled: int
    z_mm: Array  # (rows,)
    azimuth: Array  # (blocks,), middle of each block [rad]
    colour: Array  # (blocks, rows, 3), CIE Lab
    grain: Array  # (blocks, rows), log, in units that weigh like colour
    speckle: Array  # (blocks, low rows), change of lightness across the wall, no level lines
    level: Array  # (bins,), log grain of each half millimetre
    bins_mm: Array  # (bins,), lower edge of each bin


_GRAIN_WEIGHT = 6.0  # log units of grain that count like one unit of colour, inverted


def gather(wall: WallMap, *, settled: int) -> WallFeatures:
    """Prepare one photo; `settled` counts the layers that are down in it (1 to 3)."""
    wall = _only_columns(wall)
    first, sizes = _starts(wall)
    light, colour = _light_and_colour(wall, first, sizes)
    fine, coarse, across = _grain(wall, light)
    per = round(BIN_MM / ROW_MM)
    bins = len(wall.z_mm) // per
    rows = 0.5 * (_row_level(fine, light) + _row_level(coarse, light))
    level = rows[: bins * per].reshape(bins, per).mean(axis=1)
    fine += np.float32(0.3)
    fine += coarse
    grain = _mean_of_blocks(np.log(fine, out=fine), first, sizes)
    edges = _level_edges(wall.z_mm, colour)
    return WallFeatures(
        edges.edges_mm,
        edges.edges,
        edges.steps,
        settled,
        wall.z_mm,
        np.add.reduceat(wall.azimuth, first) / sizes,
        colour,
        _GRAIN_WEIGHT * grain,
        _speckle(across, first, sizes),
        level,
        wall.z_mm[0] + BIN_MM * np.arange(bins),
    )


def level_edges(wall: WallMap) -> LevelEdges:
    """Measure only the level colour edges of a wall.

    Each row of a block counts by the CIE Lab of its mean light, which for the small differences
    within it is the mean of its CIE Lab, and takes a third of the time.
    """
    wall = _only_columns(wall)
    first, sizes = _starts(wall)
    light = [
        cv2.reduce(wall.bgr[:, at : at + size], 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
        for at, size in zip(first.tolist(), sizes.tolist(), strict=True)
    ]
    lab = cv2.cvtColor(np.array(light).reshape(len(light), -1, 3) / 255, cv2.COLOR_BGR2LAB)
    return _level_edges(wall.z_mm, lab.astype(np.float64))


def _starts(wall: WallMap) -> tuple[Places, Places]:
    """First column and number of columns of each block."""
    first = np.array([block[0] for block in blocks(wall)])
    return first, np.diff(np.append(first, len(wall.azimuth)))


def _light_and_colour(wall: WallMap, first: Places, sizes: Places) -> tuple[Floats, Array]:
    """CIE L* of each pixel, (columns, rows), and mean Lab of each row of blocks, as `colour`.

    Turned, since what is summed along a row then lies in whole rows, and a block at a time, which
    a processor's cache holds.
    """
    turned = cv2.transpose(wall.bgr)
    light = np.empty(turned.shape[:2], np.float32)
    colour = np.empty((len(first), len(wall.z_mm), 3))
    for own, at, size in zip(colour, first, sizes, strict=True):
        lab = lab_of(np.asarray(turned[at : at + size], dtype=np.uint8))
        cv2.extractChannel(lab, 0, dst=light[at : at + size])
        own[:] = lab.sum(axis=0)
    colour /= sizes[:, None, None]
    return light, colour


def _mean_of_blocks(values: Floats, first: Places, sizes: Places) -> Array:
    """Mean over the columns of each block, (blocks, rows)."""
    sums = [values[at : at + size].sum(axis=0) for at, size in zip(first, sizes, strict=True)]
    return np.asarray(sums / sizes[:, None], dtype=np.float64)


_SPECKLE_MM = 0.4
_SPECKLED_TO_MM = 10.0  # the deposit's foot alone is told by speckle


def _speckle(across: Floats, first: Places, sizes: Places) -> Array:
    """Mean change of CIE L* across the wall in each row of each block, (blocks, rows)."""
    parts = [across[at : at + size] for at, size in zip(first, sizes, strict=True)]
    # an upright edge of a reflection is no grain
    held = [np.minimum(p, 4 * _row_median(p) + np.float32(0.05)) for p in parts]
    return np.array([p.mean(axis=0) for p in held], dtype=np.float64)


def quiet_level(photo: WallFeatures) -> float:
    """Log roughness of the quietest part of a wall: cloudy water, or clay, and the camera's noise.

    Above 5 mm and up to 100 mm; the 15 % point, since some of every wall is smooth.
    """
    rows = (photo.bins_mm > 5.0) & (photo.bins_mm < 100.0)
    return float(np.percentile(photo.level[rows], 15)) if rows.any() else np.nan


def _row_level(size: Floats, spare: Floats) -> Array:
    """Log mean roughness of each row, with single bright or dark lines held down.

    What is held down is written over `spare`, which is no longer needed.
    """
    held = np.minimum(size, 5 * _row_median(size[::3]) + np.float32(0.05), out=spare)
    return np.asarray(np.log(cv2.reduce(held, 0, cv2.REDUCE_AVG)[0] + np.float32(0.02)))


def _row_median(values: Floats) -> Floats:
    """Median of each row of values (columns, rows), the lower of two middle ones, (rows,)."""
    ranked = np.sort(cv2.transpose(values), axis=1)  # quicker than a partition
    return np.asarray(ranked[:, (len(values) - 1) // 2], dtype=np.float32)


def _level_edges(z: Array, colour: Array) -> LevelEdges:
    """Colour edges at each row, their Lab step agreed by the blocks."""
    row_mm = _step_mm(z)
    n, gap = round(1.5 / row_mm), round(0.25 / row_mm)
    run = np.zeros((3, colour.shape[0], colour.shape[1] + 1))
    np.cumsum(np.moveaxis(colour, 2, 0), axis=2, out=run[..., 1:])
    sums = run[..., n:-1] - run[..., : -n - 1]
    each = (sums[..., n + 2 * gap :] - sums[..., : -n - 2 * gap]) / n
    ranked, half = np.sort(np.moveaxis(each, 1, 2).copy(), axis=2), each.shape[1] // 2
    size = lengths_of(ranked[..., half] + ranked[..., -half - 1]) / 2
    steps = lengths_of(each)
    agreed = lengths_of(each.mean(axis=1)) / (steps.mean(axis=0) + 0.1)
    at = z[n + gap : n + gap + len(size)] - row_mm / 2
    return LevelEdges(at, np.asarray(size * agreed**2), steps)


def _step_mm(z_mm: Array) -> float:
    """Step from row to row, which is a number of usual ones."""
    return ROW_MM * (round(float(z_mm[1] - z_mm[0]) / ROW_MM) if len(z_mm) > 1 else 1)


def edge_peaks(photo: LevelEdges, low_mm: float, high_mm: float) -> list[tuple[float, float]]:
    """Separate edges between two heights: (height [mm], strength)."""
    z, size = photo.edges_mm, photo.edges
    reach = round(1.25 / _step_mm(z))
    nearby = highest_near(size, reach)
    found = (z > low_mm) & (z < high_mm) & (size > 0.5) & (size >= nearby)
    return list(zip(z[found].tolist(), size[found].tolist(), strict=True))
