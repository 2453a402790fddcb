"""Colours of a picture in CIE Lab, the size of steps between them, and small copies."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Floats

_PART = np.arange(256, dtype=np.float32) / np.float32(255)
_SUM = np.ones((1, 3), np.float32)
_BAND_ROWS = 128  # of a halved picture: in grey twice as many stay near the processor


def lab_of(bgr: NDArray[np.uint8]) -> Floats:
    """CIE Lab of a picture (rows, columns, 3) of blue, green, red.

    OpenCV interpolates it in a table, good to 0.5; from linear light it would be exact and an
    eighth quicker, but all weights were fitted with this one. Lab of 8 bits was tried in vain.
    """
    return np.asarray(cv2.cvtColor(cv2.LUT(bgr, _PART), cv2.COLOR_BGR2LAB), dtype=np.float32)


def halved(bgr: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Halve a picture, colour or grey, without its last row or column where these are odd."""
    half = (bgr.shape[1] // 2, bgr.shape[0] // 2)
    even = bgr[: 2 * half[1], : 2 * half[0]]
    return np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def grey_of(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Make a picture of colours grey; a grey one stays as it is."""
    if picture.ndim == 2:
        return picture
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def grey_halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Make a picture grey and halve it, without a last row or column that is left over.

    It goes band by band: to hold all of it in grey would cost more than to make it.
    """
    rows, columns = picture.shape[0] // 2, picture.shape[1] // 2
    half = np.empty((rows, columns), np.uint8)
    for at in range(0, rows, _BAND_ROWS):
        part = half[at : at + _BAND_ROWS]
        part[:] = halved(grey_of(picture[2 * at : 2 * (at + len(part)), : 2 * columns]))
    return half


def often_halved(bgr: NDArray[np.uint8], least_px: int) -> NDArray[np.uint8]:
    """Halve a picture as often as its long side stays so many pixels long."""
    while max(bgr.shape[:2]) >= 2 * least_px:
        bgr = halved(bgr)
    return bgr


def made_small(bgr: NDArray[np.uint8], long_px: int) -> NDArray[np.uint8]:
    """Reduce a picture to a long side of so many pixels, by halves as far as they go.

    Averaging over areas of any other size takes many times as long.
    """
    bgr = often_halved(bgr, long_px)
    scale = max(bgr.shape[:2]) / long_px
    size = (round(bgr.shape[1] / scale), round(bgr.shape[0] / scale))
    return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)


def length_of(colours: cv2.typing.MatLike) -> Floats:
    """Length of colour steps (rows, columns, 3), several times quicker than numpy's norm."""
    square = cv2.transform(cv2.multiply(colours, colours), _SUM)
    return np.asarray(cv2.sqrt(square), dtype=np.float32)
