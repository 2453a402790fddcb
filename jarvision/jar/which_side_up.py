"""Which side is up in a photo that does not say so and shows no strip.

A jar's walls are the longest pair of upright edges in the picture; seen lying, only its layers and
its lid make such edges, no longer than the jar is wide. Which end is the foot is told by the
deposit: it lies at the foot, and coarse grains under fine ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np

from jarvision.core.arrays import Picture
from jarvision.core.errors import JarError, NoJarError
from jarvision.jar.unmarked import find_unmarked_jar, long_walls
from jarvision.jar.view_fit import Jar
from jarvision.photo.burnt_out import clipped_part

Deposit: TypeAlias = Callable[[Picture, Jar], float]

_SHAPE = (1.2, 3.0)  # of a jar's straight sides, height over width; common practice, no source
_ODD_SHAPE = 0.5  # what a pair of walls of another shape counts
_LONGER = 1.6  # walls across, from which a jar lies on its side; doors and frames reach 1.5
_BURNT_OUT = 0.25  # of a picture, from which its layers tell no foot: they may be what is white
_MORE, _MUCH = 1.5, 10.0  # strength of one foot over the other, as a ratio and beyond it

_TURNS = (None, cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_COUNTERCLOCKWISE)


class SideUnknownError(NoJarError):
    """It cannot be told which side of a photo is up."""

    name = "side_unknown"


@dataclass(frozen=True, slots=True)
class _Walls:
    """The best pair of walls of a picture: length over the long side, and what it counts."""

    length: float
    counts: float


def turned(bgr: Picture, quarters: int) -> Picture:
    """Turn a picture clockwise by so many quarters."""
    turn = _TURNS[quarters % 4]
    return bgr if turn is None else np.asarray(cv2.rotate(bgr, turn), dtype=np.uint8)


def quarters_to_upright(
    bgr: Picture, focal_px: float, deposit: Deposit, name: str
) -> tuple[int, bool]:
    """Tell by how many quarters a photo of a jar without a strip is to be turned clockwise.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The working picture.
    focal_px : float
        Focal length [working px].
    deposit : callable
        How surely layers lie at the foot of a jar that was found in a picture.
    name : str
        The photo's name.

    Returns
    -------
    quarters : int
    sure : bool
        Whether the foot is told for sure; else the photo is left as it stands.

    Raises
    ------
    SideUnknownError
        The jar lies on its side, and its foot cannot be told.
    """
    as_is, across = _walls(bgr), _walls(turned(bgr, 1))
    if max(as_is.length, across.length) == 0.0:
        return 0, False  # no jar; what is wrong will be said by who looks for it
    lies = across.counts > _LONGER * as_is.counts and across.length > as_is.length
    if not lies and clipped_part(bgr[::4, ::4]) > _BURNT_OUT:
        return 0, False
    ways = (1, 3) if lies else (0, 2)
    sure = [_foot(turned(bgr, way), focal_px, deposit) for way in ways]
    best = int(np.argmax(sure))
    if sure[best] > _MORE * max(sure[1 - best], 0.0) + _MUCH:
        return ways[best], True
    if lies:
        raise SideUnknownError(_which_side(name))
    return 0, False


def _which_side(name: str) -> str:
    return (
        f"It cannot be told which side of {name} is up; turn the picture so that the lid is on "
        "top and save it, or send the phone's own file."
    )


def _walls(bgr: Picture) -> _Walls:
    found = long_walls(bgr)
    if found is None:
        return _Walls(0.0, 0.0)
    height, width = found
    usual = _SHAPE[0] < height / width < _SHAPE[1]
    return _Walls(height, height * (1.0 if usual else _ODD_SHAPE))


def _foot(bgr: Picture, focal_px: float, deposit: Deposit) -> float:
    """Tell how surely layers lie at the foot of the jar as the picture stands; 0 without a jar."""
    try:
        return deposit(bgr, find_unmarked_jar(bgr, focal_px))
    except JarError:
        return 0.0
