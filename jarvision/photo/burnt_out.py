"""How much of a picture is burnt out, so that it holds no detail there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

WHITE = 250
"""A channel from which a phone's picture holds no detail."""

# Levels by which burnt-out pixels differ after compression, how many exceed them, and the darkest.
_EVEN, _EXCEEDING, _LIGHT = 2, 0.005, 100
_GREY = 6  # levels between the channels of what has no colour


def clipped_part(bgr: NDArray[np.uint8]) -> float:
    """Tell how much of a picture is as white as it can be, 0 to 1.

    Programs that darken a picture leave what was burnt out even, at a grey that nothing exceeds.
    """
    if not bgr.size:
        return 0.0
    blue, green, red = cv2.split(np.ascontiguousarray(bgr))
    darkest, lightest = cv2.min(cv2.min(blue, green), red), cv2.max(cv2.max(blue, green), red)
    counts = np.bincount(darkest.ravel(), minlength=256) / darkest.size
    grey = lightest - darkest <= _GREY  # muddy water is even too, but it has a colour
    greys = np.bincount(darkest[grey], minlength=256) / darkest.size
    usual = int(greys.argmax())
    if usual > _LIGHT and counts[usual + 2 * _EVEN :].sum() < _EXCEEDING:
        return float(greys[usual - _EVEN : usual + _EVEN + 1].sum())
    return float(counts[WHITE:].sum())
