"""Whether a picture shows anywhere what a printed tag looks like, told before tags are looked for.

A tag is a few black cells on white, so that wherever one stands the light goes up and down steeply
both across and upward. Soil, walls, lids and the edges of things are steep in one direction, or
much less so for how light they are.
"""

from __future__ import annotations

import cv2
import numpy as np

from jarvision.core.arrays import Grey
from jarvision.jar.colour import halved

_WINDOW_CELLS = 2  # of 4 pixels: means are over so much, the smallest tag's size
_LEAST_PX = 144  # short side under which a picture is not made smaller
# Mean step from pixel to pixel over the mean lightness. Strips in 59 jars' photos reach 0.47 (0.34
# at 15 px a tag, 0.26 where they are so blurred that few are read), a lone tag drawn sharp 0.34 in
# its worst size; speckled sand 0.45 at most.
_LEAST_STEP = 0.28
_NOISE = 4.0  # grey levels; else a camera's noise would be steep where all is black
_BLACK = 60.0  # no picture of a jar is lighter than this all over but through mist or glare


def may_hold_tags(half: Grey) -> bool:
    """Tell whether some place of a picture is as steep both ways as a tag.

    Parameters
    ----------
    half : (h, w) uint8 array
        A picture in which the smallest tag that can be read is 7 pixels wide.
    """
    sizes = [half]
    while min(sizes[-1].shape) >= _LEAST_PX:
        sizes.append(halved(sizes[-1]))
    veil = max(float(_means(half).min()) - _BLACK, 0.0)
    return any(_is_steep(size, veil) for size in reversed(sizes))


def _means(grey: cv2.typing.MatLike) -> cv2.typing.MatLike:
    """Mean about each cell."""
    cells = halved(halved(np.asarray(grey, dtype=np.uint8)))
    return cv2.blur(cells, (_WINDOW_CELLS, _WINDOW_CELLS))


def _is_steep(grey: Grey, veil: float) -> bool:
    """Whether steps in both directions are steep somewhere, at one size of a picture."""
    here = grey[1:, 1:]
    across, upward = cv2.absdiff(here, grey[1:, :-1]), cv2.absdiff(here, grey[:-1, 1:])
    both, offset = cv2.min(_means(across), _means(upward)), -_LEAST_STEP * (_NOISE - veil)
    over = cv2.addWeighted(both, 1.0, _means(here), -_LEAST_STEP, offset, dtype=cv2.CV_32F)
    return bool(cv2.minMaxLoc(over)[1] > 0)
