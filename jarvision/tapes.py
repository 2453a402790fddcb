"""Find pieces of tape on the glass: areas of one colour between upright and level edges.

Thresholds were set on rendered photos with tape drawn into them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.onglass import CELL_MM, TOGETHER, Bins, Glass, binned, runs
from jarvision.wallmap import ROW_MM

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

_BLOCK_ROWS = 4
_BLOCK_MM = _BLOCK_ROWS * ROW_MM
_END_CELLS = 2  # cells on each side of an upright edge that are held against each other
_END_STEP, _TAPE_STEP = 0.15, 0.15
_TAPE_MM, _LEAST_TAPE_MM = (4.0, 23.0), 9.0  # width of tapes, and the shortest piece of one
_TAPE_SPREAD = 0.12  # of the colours in a piece of tape


@dataclass(frozen=True, slots=True)
class _Box:
    """A piece of tape in cells: first and last + 1 cell, first and last + 1 block of rows."""

    left: int
    right: int
    low: int
    high: int


def tape_pieces(glass: Glass, top_mm: float) -> list[Bins]:
    """Find pieces of tape: areas of one colour between an upright edge and two level ones."""
    rows = len(glass.z_mm) // _BLOCK_ROWS
    size = (glass.cells.shape[1], rows)
    whole = cv2.resize(glass.cells[: rows * _BLOCK_ROWS], size, interpolation=cv2.INTER_AREA)
    z = glass.z_mm[: rows * _BLOCK_ROWS : _BLOCK_ROWS]
    blocks: Floats = np.asarray(whole[z < top_mm], dtype=np.float32)
    found: list[tuple[float, _Box]] = []
    for end in _upright_edges(blocks):
        for side in (-1, 1):
            box = _box_at(blocks, end, side)
            if box is not None:
                found.append((_size_of(box), box))
    kept: list[_Box] = []
    for _, box in sorted(found, key=lambda f: -f[0]):
        if not any(_overlap(box, other) for other in kept):
            kept.append(box)
    bins = (_tape_bins(glass, box) for box in kept)
    return [b for b in bins if b is not None]


def _size_of(box: _Box) -> float:
    return float((box.right - box.left) * (box.high - box.low))


def _overlap(box: _Box, other: _Box) -> bool:
    """Whether two pieces share cells."""
    wide = min(box.right, other.right) - max(box.left, other.left)
    return wide > 0 and min(box.high, other.high) > max(box.low, other.low)


def _upright_edges(blocks: Floats) -> Iterator[tuple[int, int, int]]:
    """Find upright edges as high as tape is wide: cell on their right, first and last + 1 block."""
    half = _END_CELLS
    run = np.cumsum(np.pad(blocks, ((0, 0), (1, 0), (0, 0))), axis=1)
    at = np.arange(half, blocks.shape[1] - half + 1)
    step = (run[:, at + half] - 2 * run[:, at] + run[:, at - half]) / half
    for smooth in (1, 3):  # as it is, for tapes near each other, and evened out
        size = np.abs(cv2.blur(step, (1, smooth), borderType=cv2.BORDER_REPLICATE)).max(axis=2)
        wide = cv2.dilate(size, np.ones((1, 3), np.uint8))
        edge = ((wide > _END_STEP) & (size >= 0.5 * wide)).astype(np.uint8)
        edge = np.asarray(cv2.morphologyEx(edge, cv2.MORPH_CLOSE, np.ones((smooth, 1), np.uint8)))
        for i in range(len(at)):
            for low, high in runs(edge[:, i] > 0):
                if _TAPE_MM[0] <= (high - low) * _BLOCK_MM <= _TAPE_MM[1]:
                    yield int(at[i]), low, high


def _box_at(blocks: Floats, end: tuple[int, int, int], side: int) -> _Box | None:
    """Find the tape that begins at an upright edge and lies on a side of it; None if none does."""
    start, low, high = end
    cells = np.arange(start, blocks.shape[1]) if side > 0 else np.arange(start - 1, -1, -1)
    inner = cells[1:9]
    if len(inner) < 8:
        return None
    low = _level_edge(blocks[:, inner].mean(axis=1), low)
    high = _level_edge(blocks[:, inner].mean(axis=1), high)
    if not _TAPE_MM[0] <= (high - low) * _BLOCK_MM <= _TAPE_MM[1]:
        return None
    if low < 4 or high > len(blocks) - 4:
        return None
    steps = np.stack([_step_at(blocks[:, cells], low), -_step_at(blocks[:, cells], high)])
    usual = np.median(steps[:, 1:9], axis=1, keepdims=True)
    size = np.linalg.norm(usual, axis=2)
    if size.min() < _TAPE_STEP:
        return None
    alike = (steps * usual).sum(axis=2) / size**2  # 1 where an edge is as strong as near the end
    gone = np.flatnonzero((alike < 0.4).any(axis=0)[1:])
    length = int(gone[0]) + 1 if len(gone) else len(cells)
    if length * CELL_MM < _LEAST_TAPE_MM:
        return None
    area = blocks[low + 1 : high - 1, np.sort(cells[1 : length - 1])]
    if float(area.std(axis=(0, 1)).max()) > _TAPE_SPREAD:
        return None
    left = start if side > 0 else start - length
    return _Box(left, left + length, low, high)


def _step_at(blocks: Floats, edge: int) -> Floats:
    """Step in colour across a level edge, above less below, (cells, 3)."""
    return np.asarray(
        blocks[edge + 1 : edge + 3].mean(axis=0) - blocks[edge - 3 : edge - 1].mean(axis=0)
    )


def _level_edge(column: Floats, near: int) -> int:
    """Find the strongest level edge within a few blocks, in a column (blocks, 3)."""
    places = np.arange(max(3, near - 3), min(len(column) - 3, near + 3) + 1)
    if not len(places):
        return near
    size = [
        float(np.abs(column[p : p + 2].mean(axis=0) - column[p - 2 : p].mean(axis=0)).max())
        for p in places
    ]
    return int(places[int(np.argmax(size))])


def _tape_bins(glass: Glass, box: _Box) -> Bins | None:
    """Measure the lower and the upper edge of tape along it."""
    low, high = (b * _BLOCK_ROWS for b in (box.low, box.high))
    kept = []
    for cell in range(box.left, box.right - 1, 2):
        profile = glass.cells[:, cell : cell + 2].mean(axis=1).astype(np.float64)
        own = np.median(profile[low + 6 : high - 6], axis=0)
        above, over = _leaves(profile[high - 8 :], own)
        below, under = _leaves(profile[low + 7 :: -1], own)
        edges = np.array([low + 7 - below, high - 8 + above])
        z = np.interp(edges, np.arange(len(glass.z_mm)), glass.z_mm)
        arc = float(glass.arc_mm[cell * TOGETHER + TOGETHER])
        beside = np.minimum(over, under)
        kept.append((arc, *z, *(beside - own), *beside))
    return binned(kept) if len(kept) > 2 else None


def _leaves(side: Array, own: Array) -> tuple[float, Array]:
    """After how many rows (rows, 3) colours leave the tape's, and what follows: split half way."""
    at = 8.0
    for _ in range(3):
        first = min(round(at) + 3, len(side) - 6)
        beyond = side[first : first + 6].mean(axis=0)
        gap = beyond - own
        part = (side[:22] - own) @ gap / max(float(gap @ gap), 1e-9)
        over = np.flatnonzero(part > 0.5)
        if not len(over) or over[0] == 0:
            return at, beyond
        i = int(over[0])
        at = float(i - 1 + (0.5 - part[i - 1]) / (part[i] - part[i - 1]))
    return at, beyond
