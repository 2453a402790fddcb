"""How soft a photo is at the jar, and when that is too soft to place a boundary."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Places
from jarvision.core.errors import BlurredError
from jarvision.jar.strip import Strip
from jarvision.jar.view_fit import Jar
from jarvision.photo.decode import Photo

_BLURRED_MM = 1.2  # sd of the blur from which a boundary cannot be placed
_STEEPEST = 300  # so many of a picture's pixels tell its blur
_ABOUT_PX = 12  # an edge's step is seen so far from its middle
_INK_STEP = 0.75  # black ink on white paper is at least so much darker in a phone's photo


def blur_or_refuse(photo: Photo, strip: Strip) -> float:
    """Measure the blur of the tags' edges [mm]; raise where a boundary beside them can't be placed.

    Raises
    ------
    BlurredError
        They are too soft.
    """
    return _or_refuse(photo.name, _blur_mm(photo.bgr, strip))


def unmarked_blur_or_refuse(photo: Photo, jar: Jar) -> float:
    """Measure the blur of a picture without a strip [mm], from its steepest edges near the jar.

    Raises
    ------
    BlurredError
        They are too soft.
    """
    near = jar.view.wall_px(np.array([-1.2, 1.2, -1.2, 1.2]), np.array([-8.0, -8.0, 130.0, 130.0]))
    (x0, y0), (x1, y1) = near.min(axis=0).astype(int).clip(0), near.max(axis=0).astype(int)
    grey = np.asarray(cv2.cvtColor(photo.bgr[y0:y1, x0:x1], cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    at, slope = _steepest(grey)
    step = _range_about(grey, at)
    blur = float(np.median(step / slope)) / math.sqrt(2 * math.pi)
    blur /= jar.view.px_per_mm(10.0, 40.0)
    return _or_refuse(photo.name, blur)


def _steepest(grey: NDArray[np.uint8]) -> tuple[Places, Array]:
    """Find the steepest pixels of a picture -> where they are in it, flat, and their slopes."""
    across, up = (way.ravel() for way in cv2.spatialGradient(grey))

    def square(at: Places | slice) -> NDArray[np.int32]:
        own = (way[at].astype(np.int32) for way in (across, up))
        return np.asarray(sum(way * way for way in own), dtype=np.int32)

    # no fewer are as steep as the steepest of some
    some = int(np.partition(square(slice(None, None, 16)), -_STEEPEST)[-_STEEPEST])
    # none of them is left out
    at = np.flatnonzero(np.abs(across) + np.abs(up) >= np.int16(math.isqrt(some)))
    squares = square(at)
    steep = np.flatnonzero(squares >= np.partition(squares, -_STEEPEST)[-_STEEPEST])
    steep = steep[:: max(len(steep) // (8 * _STEEPEST), 1)]  # in a drawing thousands are as steep
    return at[steep], np.sqrt(squares[steep]) / 8


def _range_about(grey: NDArray[np.uint8], at: Places) -> Array:
    """Range of a picture's values about some of its pixels."""
    padded = np.pad(grey, _ABOUT_PX, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, [2 * _ABOUT_PX + 1] * 2)
    near = windows[np.divmod(at, grey.shape[1])].reshape(len(at), -1)
    return np.asarray(np.ptp(near, axis=1), dtype=np.float64)


def _or_refuse(name: str, blur_mm: float) -> float:
    if blur_mm > _BLURRED_MM:
        msg = f"{name} is too blurred to read; rest the phone on something and tap to focus."
        raise BlurredError(msg)
    return blur_mm


def _blur_mm(bgr: NDArray[np.uint8], strip: Strip) -> float:
    """Measure the standard deviation of the blur of the tags' left and right edges [mm].

    A blurred edge's steepest slope is its step over (sd times the root of two pi). The step is
    that of black ink on the strip's white, which wide blur does not show at the edge itself.
    """
    upper, lower = strip.corners_px[:, [0, 1]], strip.corners_px[:, [3, 2]]  # (tags, 2, 2)
    middle, along = (upper + lower) / 2, lower - upper
    length = np.linalg.norm(along, axis=-1, keepdims=True)
    normal = np.stack([along[..., 1], -along[..., 0]], axis=-1) / length
    offset = np.arange(-1.6, 1.61, 0.1)[:, None] * strip.px_per_mm
    spread = np.linspace(-0.3, 0.3, 9)[:, None, None]
    middle, along, normal = (v[:, :, None, None] for v in (middle, along, normal))
    grid = middle + spread * along + offset * normal  # (tags, 2, 9, offsets, 2)
    grey = _grey_at(bgr, grid).mean(axis=2)
    slope = np.maximum(np.abs(np.diff(grey, axis=2)).max(axis=2) / 0.1, 1e-6)
    ink = _INK_STEP * _white_beside(bgr, strip.corners_px)
    step = np.maximum(np.ptp(grey, axis=2), ink[:, None])
    return float(np.median(step / slope)) / math.sqrt(2 * math.pi)


def _grey_at(bgr: NDArray[np.uint8], grid: Array) -> Array:
    """Mean of the colours at picture positions (..., 2)."""
    points = np.asarray(grid.reshape(len(grid), -1, 2), dtype=np.float32)
    seen = cv2.remap(bgr, points, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    return np.asarray(seen.mean(axis=2).reshape(grid.shape[:-1]), dtype=np.float64)


def _white_beside(bgr: NDArray[np.uint8], corners: Array) -> Array:
    """Lightness of the strip's white in the gaps under and over tags, the lighter of them."""
    middle = corners.mean(axis=1)
    down = corners[:, 2:].mean(axis=1) - corners[:, :2].mean(axis=1)
    # the gap's middle is 15 mm from the tag's, whose side is 16 mm
    gaps = middle[:, None] + np.array([-1.0, 1.0])[:, None] * down[:, None] * (15.0 / 16.0)
    return np.asarray(_grey_at(bgr, gaps).max(axis=1))
