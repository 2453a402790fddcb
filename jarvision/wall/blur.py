"""How soft a photo is at the jar, and when that is too soft to place a boundary."""

from __future__ import annotations

import math
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import BlurredError
from jarvision.jar.strip import Strip
from jarvision.jar.view_fit import Jar
from jarvision.photo.decode import Photo

Array: TypeAlias = NDArray[np.float64]

_BLURRED_MM = 1.2  # sd of the blur from which a boundary cannot be placed
_STEEPEST = 300  # so many of a picture's pixels tell its blur
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
    grey = cv2.cvtColor(photo.bgr[y0:y1, x0:x1], cv2.COLOR_BGR2GRAY)
    slopes = (cv2.Sobel(grey, cv2.CV_32F, *way, scale=0.125) for way in ((1, 0), (0, 1)))
    slope = cv2.magnitude(*slopes)
    # no fewer are as steep as the steepest of some
    some = slope[slope >= np.partition(slope.ravel()[::16], -_STEEPEST)[-_STEEPEST]]
    steep = slope >= np.partition(some, -_STEEPEST)[-_STEEPEST]
    square = np.ones((25, 25), np.uint8)
    step = cv2.subtract(cv2.dilate(grey, square), cv2.erode(grey, square))
    ends = jar.view.front_px(np.array([10.0, 40.0]))
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0]) / 30.0)
    blur = float(np.median(step[steep] / slope[steep])) / math.sqrt(2 * math.pi) / px_per_mm
    return _or_refuse(photo.name, blur)


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
    widths = []
    for corners in strip.corners_px:
        for upper, lower in ((corners[0], corners[3]), (corners[1], corners[2])):
            middle, along = (upper + lower) / 2, (lower - upper)
            normal = np.array([along[1], -along[0]]) / np.linalg.norm(along)
            offset = np.arange(-1.6, 1.61, 0.1) * strip.px_per_mm
            spread = np.linspace(-0.3, 0.3, 9)
            grid = middle + spread[:, None, None] * along + offset[None, :, None] * normal
            grey = _grey_at(bgr, grid).mean(axis=0)
            slope = max(float(np.abs(np.diff(grey)).max()) / 0.1, 1e-6)
            step = max(float(np.ptp(grey)), _INK_STEP * _white_beside(bgr, corners))
            widths.append(step / slope / math.sqrt(2 * math.pi))
    return float(np.median(widths))


def _grey_at(bgr: NDArray[np.uint8], grid: Array) -> Array:
    """Mean of the colours at picture positions (..., 2)."""
    x, y = grid[..., 0].astype(np.float32), grid[..., 1].astype(np.float32)
    return np.asarray(cv2.remap(bgr, x, y, cv2.INTER_LINEAR).mean(axis=2), dtype=np.float64)


def _white_beside(bgr: NDArray[np.uint8], corners: Array) -> float:
    """Lightness of the strip's white in the gaps under and over a tag, the lighter of them."""
    middle, down = corners.mean(axis=0), (corners[2:].mean(axis=0) - corners[:2].mean(axis=0))
    # the gap's middle is 15 mm from the tag's, whose side is 16 mm
    gaps = middle + np.array([-1.0, 1.0])[:, None] * down * (15.0 / 16.0)
    return float(_grey_at(bgr, gaps[:, None, :]).max())
