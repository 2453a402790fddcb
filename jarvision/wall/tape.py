"""Find pieces of tape on the glass: areas of one colour between upright and level edges.

Thresholds were set on rendered photos with tape drawn into them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Mask, Places
from jarvision.jar.quick_arrays import median_of
from jarvision.jar.unwrap import ROW_MM
from jarvision.wall.outer_glass import CELL_MM, COUNTS, TOGETHER, Bins, Counts, Glass, binned

_BLOCK_ROWS = 4
_BLOCK_MM = _BLOCK_ROWS * ROW_MM
_END_CELLS = 2  # cells on each side of an upright edge that are held against each other
_END_STEP, _TAPE_STEP = 0.15, 0.15
_TAPE_MM, _LEAST_TAPE_MM = (4.0, 23.0), 9.0  # width of tapes, and the shortest piece of one
_TAPE_SPREAD = 0.12  # of the colours in a piece of tape
_INNER_CELLS = 8  # near its end by which tape is known
_CLEAR_BLOCKS = 4  # tape ends so far within the wall


@dataclass(frozen=True, slots=True)
class _Box:
    """A piece of tape in cells: first and last + 1 cell, first and last + 1 block of rows."""

    left: int
    right: int
    low: int
    high: int


def tape_pieces(glass: Glass, top_mm: float) -> list[Bins]:
    """Find pieces of tape: areas of one colour between an upright edge and two level ones."""
    found = [(_size_of(box), box) for box in _boxes(_blocks(glass, top_mm))]
    kept: list[_Box] = []
    for _, box in sorted(found, key=lambda f: -f[0]):
        if not any(_overlap(box, other) for other in kept):
            kept.append(box)
    bins = (_tape_bins(glass, box) for box in kept)
    return [b for b in bins if b is not None]


def _blocks(glass: Glass, top_mm: float) -> Counts:
    """Log of cells in blocks of rows, (3, blocks, cells)."""
    rows = len(glass.z_mm) // _BLOCK_ROWS
    rows = int((glass.z_mm[: rows * _BLOCK_ROWS : _BLOCK_ROWS] < top_mm).sum())
    each = glass.cells[:, : rows * _BLOCK_ROWS].reshape(3, rows, _BLOCK_ROWS, -1)
    halves = [(each[:, :, i] + each[:, :, i + 1]) >> 1 for i in (0, 2)]
    return (halves[0] + halves[1]) >> 1


def _size_of(box: _Box) -> float:
    return float((box.right - box.left) * (box.high - box.low))


def _overlap(box: _Box, other: _Box) -> bool:
    """Whether two pieces share cells."""
    wide = min(box.right, other.right) - max(box.left, other.left)
    return wide > 0 and min(box.high, other.high) > max(box.low, other.low)


def _upright_edges(blocks: Counts) -> Places:
    """Find upright edges as high as tape is wide.

    Cell on their right, first and last + 1 block, (edges, 3).
    """
    half = _END_CELLS
    at = np.arange(half, blocks.shape[2] + 1 - half)
    pairs = blocks[..., 1:] + blocks[..., :-1]
    step = pairs[..., half:] - pairs[..., :-half]
    found = []
    for smooth in (1, 3):  # as it is, for tapes near each other, and evened out
        size = np.abs(_evened(step, smooth)).max(axis=0)
        wide: Counts = np.asarray(cv2.dilate(size, np.ones((1, 3), np.uint8)), dtype=np.int16)
        edge = ((wide > _END_STEP * half * COUNTS) & (size >= (wide + 1) >> 1)).astype(np.uint8)
        if smooth > 1:
            closed = cv2.morphologyEx(edge, cv2.MORPH_CLOSE, np.ones((smooth, 1), np.uint8))
            edge = np.asarray(closed, dtype=np.uint8)
        framed = np.zeros((edge.shape[1], len(edge) + 2), np.int8)
        framed[:, 1:-1] = edge.T
        turn = np.diff(framed, axis=1)
        i, low = np.divmod(np.flatnonzero(turn > 0), turn.shape[1])
        high = np.flatnonzero(turn < 0) % turn.shape[1]
        found.append(np.stack([at[i], low, high], axis=1)[_is_tape_high(low, high)])
    return np.concatenate(found)


def _evened(steps: Counts, blocks: int) -> Counts:
    """Means of steps (3, blocks, cells) over so many blocks."""
    if blocks == 1:
        return steps
    even = np.empty_like(steps)
    for step, mean in zip(steps, even, strict=True):
        cv2.blur(step, (1, blocks), dst=mean, borderType=cv2.BORDER_REPLICATE)
    return even


def _is_tape_high(low: Places, high: Places) -> Mask:
    """Whether so many blocks are as high as tape is wide."""
    size = (high - low) * _BLOCK_MM
    return np.asarray((size >= _TAPE_MM[0]) & (size <= _TAPE_MM[1]))


def _boxes(blocks: Counts) -> Iterator[_Box]:
    """Find pieces of tape that begin at an upright edge and lie on either side of it."""
    if blocks.shape[1] < 2 * _CLEAR_BLOCKS or blocks.shape[2] < 2 * _INNER_CELLS:
        return
    ends = _ends(blocks)
    if not len(ends.start):
        return
    steps = _steps(blocks, np.stack([ends.low, ends.high])) * _OUT_TO_IN
    inner = ends.first[:, None] + np.arange(_INNER_CELLS)
    usual = median_of(np.moveaxis(steps[..., np.arange(len(inner))[:, None], inner], 3, 0))
    square = (usual**2).sum(axis=0)
    is_strong = np.sqrt(square.min(axis=0)) >= _TAPE_STEP
    gone = ((steps * usual[..., None]).sum(axis=0) < 0.4 * square[..., None]).any(axis=0)
    for i in np.flatnonzero(is_strong):
        start, is_right = int(ends.start[i]), ends.side[i] > 0
        length = _length_of(gone[i, start:] if is_right else gone[i, :start][::-1])
        left = start if is_right else start - length
        box = _Box(left, left + length, int(ends.low[i]), int(ends.high[i]))
        if length * CELL_MM >= _LEAST_TAPE_MM and _is_of_one_colour(blocks, box):
            yield box


_OUT_TO_IN = np.array([1, -1], np.float32)[:, None, None]  # steps up at the lower and upper edge


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """Ends where tape may begin, (ends,) each."""

    start: Places  # cell on the right of the upright edge
    side: Places  # 1 where the tape would lie on its right, -1 on its left
    first: Places  # leftmost of the cells by which it is known
    low: Places  # first and last + 1 block
    high: Places


def _ends(blocks: Counts) -> _Ends:
    """Find upright edges, either side of them, between level edges as far apart as tape's."""
    _, count, width = blocks.shape
    found = np.repeat(_upright_edges(blocks), 2, axis=0)
    start, side = found[:, 0], np.tile([-1, 1], len(found) // 2)
    first = start + np.where(side > 0, 1, -1 - _INNER_CELLS)  # next but one to the edge
    fits = (first >= 0) & (first + _INNER_CELLS <= width)
    start, side, first = start[fits], side[fits], first[fits]
    low, high = _level_edges(blocks, first, found[fits, 1:])
    fits = _is_tape_high(low, high) & (low >= _CLEAR_BLOCKS) & (high <= count - _CLEAR_BLOCKS)
    return _Ends(start[fits], side[fits], first[fits], low[fits], high[fits])


def _length_of(gone: Mask) -> int:
    """For how many cells from the end level edges go on."""
    return int(gone[1:].argmax()) + 1 if gone[1:].any() else len(gone)


def _is_of_one_colour(blocks: Counts, box: _Box) -> bool:
    area = blocks[:, box.low + 1 : box.high - 1, box.left + 1 : box.right - 1]
    return float(area.std(axis=(1, 2)).max()) <= _TAPE_SPREAD * COUNTS


def _steps(blocks: Counts, rows: Places) -> Floats:
    """Step in log colour across level edges, above less below, (3, *rows, cells)."""
    over, under = (blocks[:, rows + at] + blocks[:, rows + at + 1] for at in (1, -3))
    return np.asarray((over - under) * np.float32(0.5 / COUNTS), dtype=np.float32)


def _level_edges(blocks: Counts, first: Places, near: Places) -> Places:
    """Find the strongest level edges within a few blocks of ends (ends, 2) of tape, (2, ends)."""
    count = blocks.shape[1]
    rows = (near.T[..., None] + np.arange(-5, 5)).clip(0, count - 1)
    size, start = (_INNER_CELLS, 1), (0, 0)
    sums = [cv2.boxFilter(b, cv2.CV_32S, size, anchor=start, normalize=False) for b in blocks]
    inner = np.stack([of[rows, first[:, None]] for of in sums])
    pairs = inner[..., 1:] + inner[..., :-1]
    steps = np.abs(pairs[..., 2:] - pairs[..., :-2]).max(axis=0)
    places = near.T[..., None] + np.arange(-3, 4)
    fits = (places >= 3) & (places <= count - 3)
    return np.asarray(near.T - 3 + np.where(fits, steps, -1).argmax(axis=2))


def _tape_bins(glass: Glass, box: _Box) -> Bins | None:
    """Measure the lower and the upper edge of tape along it."""
    low, high = (b * _BLOCK_ROWS for b in (box.low, box.high))
    kept = []
    for cell in range(box.left, box.right - 1, 2):
        profile = glass.cells[:, :, cell : cell + 2].mean(axis=2).T / COUNTS
        own = median_of(profile[low + 6 : high - 6])
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
