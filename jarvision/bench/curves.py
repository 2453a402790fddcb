"""Where heights fall in a photo, as numbers from which a page draws lines that follow the glass."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from jarvision.results.record import PhotoView
from jarvision.wall.measurement import JarMeasurement, PhotoMeasurement

_POINTS = 17  # along each piece of wall
_STEP_MM = 5.0  # between heights, in between which a page may take straight lines
_BELOW_MM, _ABOVE_MM = 15.0, 30.0
_HIGHEST_MM, _USUAL_MM = 300.0, 120.0


def glass_of(view: PhotoView, photo: PhotoMeasurement, highest_mm: float) -> dict[str, Any]:
    """Give the places of the wall in a photo's picture.

    Parameters
    ----------
    view : PhotoView
        Where the wall lies.
    photo : PhotoMeasurement
        By its floor heights are counted.
    highest_mm : float
        The highest line above the inside floor [mm].

    Returns
    -------
    dict
        ``heights_mm``, above the inside floor, and ``pieces``: for each piece of wall and each of
        the heights a row of places x, y [px of the upright picture].
    """
    top = min(highest_mm if math.isfinite(highest_mm) else 0.0, _HIGHEST_MM) + _ABOVE_MM
    heights = np.arange(-_BELOW_MM, top + _STEP_MM, _STEP_MM)
    z = photo.floor.z_mm + heights
    at_wall = z + view.view.glass_drop_mm(z)
    pieces = []
    for first, last in view.pieces_rad:
        azimuth = np.linspace(first, last, _POINTS)
        places = view.view.wall_px(azimuth[None, :], at_wall[:, None])
        pieces.append(np.round(places, 2).tolist())
    return {"heights_mm": heights.tolist(), "pieces": pieces}


def highest_mm(measured: JarMeasurement) -> float:
    """Give the highest line of a jar above its inside floor [mm]."""
    tops = [b.top_mm for photo in measured.photos for b in photo.boundaries]
    known = [height for height in (*tops, measured.water_mm) if math.isfinite(height)]
    return max(known, default=_USUAL_MM)
