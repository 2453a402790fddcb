"""Which tag a square is: its cells are held against all codes of the family at once.

OpenCV's detector holds a square against one code after the other, which takes a millisecond for
each square that is no tag. Here cells are told dark from light as that detector does it
(Garrido-Jurado et al. 2014, doi:10.1016/j.patcog.2014.01.005), so that the same tags are read.
Passes with several thresholds stay OpenCV's, which tries several outlines of a square there.
"""

from __future__ import annotations

from functools import cache
from typing import TypeAlias

import cv2
import numpy as np

from jarvision.core.arrays import Floats, Grey

Corners: TypeAlias = Floats
Options: TypeAlias = cv2.aruco.DetectorParameters

_BITS = 6  # a tag is 6 x 6 cells within a border of one black cell
_CELLS = _BITS + 2
_LEAST_LIGHT, _MOST_DARK = 0.49, 0.51  # parts of a cell; what lies between is wrong either way


def family() -> cv2.aruco.Dictionary:
    """Give the family of tags that strips carry."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def read_squares(grey: Grey, options: Options) -> tuple[dict[int, Corners], list[Corners]]:
    """Find squares and read those that are tags.

    Parameters
    ----------
    grey : (h, w) uint8 array
        A picture.
    options : DetectorParameters
        How squares are found and read, handed over for good: its way of placing corners is
        changed, since they are placed here, as for `CORNER_REFINE_SUBPIX`.

    Returns
    -------
    tags : dict
        Corners (4, 2) of each tag that was read, by its number in the family [px].
    unread : list of (4, 2) array
        Squares that are no tag, or whose tag could not be read.
    """
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    one = cv2.aruco.Dictionary(family().bytesList[-1:].copy(), _BITS, 0)  # to find squares only
    read, _, refused = cv2.aruco.ArucoDetector(one, options).detectMarkers(grey)
    squares = [np.asarray(c[0], dtype=np.float32) for c in (*read, *refused)]
    light = [_light_parts(grey, square, options) for square in squares]
    tags: dict[int, Corners] = {}
    unread = []
    for square, found in zip(squares, _codes_of(np.array(light), options), strict=True):
        if found is None:
            unread.append(square)
        else:
            tags[found[0]] = _placed(grey, np.roll(square, -found[1], axis=0), options)
    return tags, unread


def _codes_of(light: Floats, options: Options) -> list[tuple[int, int] | None]:
    """Read squares by how light their cells are, (n, 8, 8).

    For each the tag's number and which corner is its first; None where it is no tag.
    """
    if not len(light):
        return []
    is_light = light > _LEAST_LIGHT
    border = is_light.sum(axis=(1, 2)) - is_light[:, 1:-1, 1:-1].sum(axis=(1, 2))
    if_dark = is_light[:, 1:-1, 1:-1].reshape(len(light), -1).astype(np.float32)
    if_light = (light[:, 1:-1, 1:-1] < _MOST_DARK).reshape(if_dark.shape).astype(np.float32)
    wrong = if_dark.sum(axis=1)[:, None] + (if_light - if_dark) @ _codes().T
    best = wrong.argmin(axis=1)
    is_tag = wrong[np.arange(len(best)), best] <= (
        family().maxCorrectionBits * options.errorCorrectionRate
    )
    is_tag &= border <= _BITS**2 * options.maxErroneousBitsInBorderRate
    return [divmod(b, 4) if t else None for b, t in zip(best.tolist(), is_tag, strict=True)]


def _light_parts(grey: Grey, square: Corners, options: Options) -> Floats:
    """How much of each cell is light, (cells, cells) from 0 to 1; 1 where all looks the same."""
    cell = options.perspectiveRemovePixelPerCell
    size, margin = _CELLS * cell, int(options.perspectiveRemoveIgnoredMarginPerCell * cell)
    last = size - 1
    ends = np.array([(0, 0), (last, 0), (last, last), (0, last)], dtype=np.float32)
    onto = cv2.getPerspectiveTransform(square, ends)
    flat = cv2.warpPerspective(grey, onto, (size, size), flags=cv2.INTER_NEAREST)
    within = slice(cell // 2, size - cell // 2)
    if cv2.meanStdDev(flat[within, within])[1].item() < options.minOtsuStdDev:
        return np.ones((_CELLS, _CELLS), np.float32)
    light = cv2.threshold(flat, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1]
    middle = slice(margin, cell - margin)
    cells = light.reshape(_CELLS, cell, _CELLS, cell)[:, middle, :, middle]
    return np.asarray(cells.sum(axis=(1, 3)) / (cell - 2 * margin) ** 2, dtype=np.float32)


def _placed(grey: Grey, square: Corners, options: Options) -> Corners:
    """Place a tag's corners to a fraction of a pixel."""
    sides = np.linalg.norm(square - np.roll(square, -1, axis=0), axis=1)
    reach = round(options.relativeCornerRefinmentWinSize * float(sides.mean()) / _CELLS)
    reach = min(max(reach, 1), options.cornerRefinementWinSize)
    most, least_px = options.cornerRefinementMaxIterations, options.cornerRefinementMinAccuracy
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, most, least_px)
    moved = np.ascontiguousarray(square).reshape(-1, 1, 2)
    cv2.cornerSubPix(grey, moved, (reach, reach), (-1, -1), stop)
    return moved.reshape(4, 2)


@cache
def _codes() -> Floats:
    """Cells of all tags as they look from each of their four corners, 1 is light (4 * tags, 36)."""
    rows = family().bytesList
    tags = [cv2.aruco.Dictionary.getBitsFromByteList(row[None], _BITS) for row in rows]
    turned = np.stack([np.rot90(tags, -turns, axes=(1, 2)) for turns in range(4)], axis=1)
    return np.asarray(turned.reshape(-1, _BITS * _BITS), dtype=np.float32)
