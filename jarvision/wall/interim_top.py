"""The top of what was down in a photo taken between two readings."""

from __future__ import annotations

import numpy as np

from jarvision.jar.wall_features import WallFeatures
from jarvision.wall.layers import place
from jarvision.wall.measurement import Boundary

_STEP_MM = 1.5  # from one start to the next
_REACH_MM = 2.5
_LEAST_CONTRAST = 3.0  # as of any boundary, under which the eye misses it as well
_APART_MM = 2.5  # places further apart than this are two
_RIVAL = 0.7  # a second place with so much of the best one's contrast leaves it open
_CLEAR_MM = 1.0  # nearer than this to the lower top is that top itself
_ABOVE_MM = 6.0  # how far over the highest place water is looked at


def deposit_top(photo: WallFeatures, layer: int, low_mm: float, high_mm: float) -> Boundary | None:
    """Find where the deposit ended in a photo, between two tops that other photos show.

    Parameters
    ----------
    photo : WallFeatures
        The photo.
    layer : int
        Index of the layer that was settling.
    low_mm, high_mm : float
        Top of the layer under it, and its own in the end, in the photo's heights [mm].

    Returns
    -------
    Boundary or None
        None where there is no clear edge, or more than one.
    """
    floor, ceiling = low_mm + _CLEAR_MM, high_mm + _ABOVE_MM
    found: list[Boundary] = []
    for near in np.arange(floor + 1.0, high_mm + 1.0, _STEP_MM):
        first = place(photo, layer, float(near), floor, ceiling, _REACH_MM)
        again = first and place(photo, layer, first.top_mm, floor, ceiling, 1.6)
        if again is not None and floor + 0.5 < again.top_mm < high_mm + 2.0:
            found.append(again)
    if not found:
        return None
    best = max(found, key=lambda boundary: boundary.contrast)
    rivals = [b.contrast for b in found if abs(b.top_mm - best.top_mm) > _APART_MM]
    is_open = max(rivals, default=0.0) > _RIVAL * best.contrast
    return None if is_open or best.contrast < _LEAST_CONTRAST else best
