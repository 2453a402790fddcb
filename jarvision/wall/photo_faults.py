"""What is wrong with a photo where its layers are, while it can still be taken again."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Mask
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import JarError, TooBrightError, TooDarkError
from jarvision.jar.unwrap import COLUMN_MM, ROW_MM
from jarvision.photo.burnt_out import WHITE, clipped_part
from jarvision.photo.decode import Photo
from jarvision.wall.locate import Look
from jarvision.wall.unrolled import refuse_cut_off

_DARK = 45  # brightest channel that nine in ten pixels of a dark photo stay under
_BURNT_OUT, _TOO_BRIGHT = 0.5, 0.2  # white parts of the wall: refused, and doubted
# Mirrored windows and lamps: white patches of at least this size on the layers. The limits of this
# module are our own, from rendered photos; no source.
_PATCH_MM2, _GLARE_PART = 40.0, 0.04
_TILTED_DEG = 7.0
_ABOVE_MM = 6.0  # seen above a top, so that it is known to be one
_BELOW_MM = 1.0
_USUAL_TOP_MM = 50.0  # common practice, no source
_OVER_MM = 30.0  # white so far above a top may hide more of the layers


def photo_faults(look: Look, top_mm: float) -> tuple[Doubt, ...]:
    """Name what is wrong with a photo where the layers are.

    Parameters
    ----------
    look : Look
        Jar and wall, as they were found.
    top_mm : float
        Highest top that was read in it, above the strip's zero [mm].

    Raises
    ------
    TooBrightError
        Half of the wall there is white.
    HiddenError
        The picture ends at the top of the layers.
    """
    refuse_cut_off(look.name, "top of the layers", look.jar, top_mm + _ABOVE_MM, look.size_px)
    doubts = []
    layers = _layers_of(look, top_mm)
    part = clipped_part(layers)
    if part > _BURNT_OUT:
        raise _too_bright(look.name)
    white = np.asarray(layers.min(axis=2) >= WHITE)
    if max(part, clipped_part(_layers_of(look, top_mm + _OVER_MM))) > _TOO_BRIGHT:
        doubts.append(doubt(DoubtName.TOO_BRIGHT, photo=look.name))
    elif _largest_mm2(white) > _PATCH_MM2 or white.mean() > _GLARE_PART:
        doubts.append(doubt(DoubtName.GLARE, photo=look.name))
    lean = leaning_deg(look)
    if lean > _TILTED_DEG:
        doubts.append(doubt(DoubtName.TILTED, photo=look.name, degrees=f"{lean:.0f}"))
    return tuple(doubts)


def refuse_burnt_out(look: Look) -> None:
    """Refuse a photo that is white where layers usually are.

    Raises
    ------
    TooBrightError
        Half of the wall there is white.
    """
    if clipped_part(_layers_of(look, _USUAL_TOP_MM)[::3, ::2]) > _BURNT_OUT:
        raise _too_bright(look.name)


def why_not_found(photo: Photo, error: JarError) -> JarError:
    """Give the plainer reason why nothing was found in a photo, where light is the reason."""
    if clipped_part(photo.bgr[::4, ::4]) > _BURNT_OUT / 2:
        return _too_bright(photo.name)
    if float(np.percentile(photo.bgr[::4, ::4].max(axis=2), 90)) < _DARK:
        msg = f"{photo.name} is too dark to read; take it again with light from the side."
        return TooDarkError(msg)
    return error


def _too_bright(name: str) -> TooBrightError:
    msg = f"{name} is too bright to read; keep the jar out of the sun and take it again."
    return TooBrightError(msg)


def _layers_of(look: Look, top_mm: float) -> NDArray[np.uint8]:
    """Cut the wall from the floor to a little above the layers."""
    z = look.wall.z_mm
    return look.wall.bgr[(z > _BELOW_MM) & (z < top_mm + _ABOVE_MM)]


def _largest_mm2(white: Mask) -> float:
    """Size of the largest white patch [mm²]."""
    if not white.any():
        return 0.0
    _, _, stats, _ = cv2.connectedComponentsWithStats(white.astype(np.uint8))
    return float(stats[1:, cv2.CC_STAT_AREA].max()) * ROW_MM * COLUMN_MM


def leaning_deg(look: Look) -> float:
    """Tell by how much the jar leans to a side in the picture [degrees]."""
    low, high = look.jar.view.front_px(np.array([0.0, 60.0]))
    return abs(math.degrees(math.atan2(high[0] - low[0], low[1] - high[1])))
