"""The wall of a jar in one photo, unrolled, and cleared of what is stuck or drawn on its glass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from jarvision.core.errors import HiddenError
from jarvision.jar.hand_outline import DrawnOnPhoto
from jarvision.jar.unwrap import COLUMN_MM, MAP_TOP_MM, WallMap, columns_of, unroll
from jarvision.jar.view_fit import Jar
from jarvision.photo.decode import Photo
from jarvision.wall.marks_on_glass import PenMark, covered_mm, hidden_by, without_marks
from jarvision.wall.outer_glass import Glass, Span, sides_of
from jarvision.wall.stuck_on import covers_in, find_covers, uncovered

_LEAST_WALL_MM = 8.0  # less free wall than this is too little to vote on a boundary


@dataclass(frozen=True, slots=True, eq=False)
class WallAsSeen:
    """An unrolled wall with what is drawn on its glass.

    Attributes
    ----------
    wall : WallMap
        Without columns or rows that a label or ruler covers.
    sides : tuple of Glass
        The outside of its glass.
    behind_mm : tuple of (float, float)
        Heights above the strip's zero that a label hides [mm].
    """

    wall: WallMap
    sides: tuple[Glass, ...]
    behind_mm: tuple[Span, ...]


def wall_as_seen(photo: Photo, jar: Jar, drawn: DrawnOnPhoto) -> WallAsSeen:
    """Unroll the wall of a jar that was found in a photo.

    `drawn` is what somebody drew on the photo.

    Raises
    ------
    HiddenError
        The jar's foot is cut off, or too little of the wall is seen.
    """
    refuse_cut_off(photo.name, "foot of the jar", jar, -1.0, photo.bgr.shape[:2])
    columns = columns_of(jar, photo.bgr.shape[1])
    if len(columns) * COLUMN_MM < _LEAST_WALL_MM:
        what = "Another jar" if jar.covered else "The strip or the picture's edge"
        msg = f"{what} hides the layers in {photo.name}; move it aside and take the photo again."
        raise HiddenError(msg)
    wall = unroll(photo.bgr, jar, MAP_TOP_MM, columns=columns)
    covers = find_covers(wall) + covers_in(wall, jar.view, drawn.boxes_px(photo.bgr.shape))
    free = uncovered(wall, covers, _LEAST_WALL_MM)
    behind = () if free is not None else tuple((c.low_mm, c.high_mm) for c in covers)
    wall = free or wall
    return WallAsSeen(wall, sides_of(wall, jar.view), behind)


@dataclass(frozen=True, slots=True, eq=False)
class CleanWall:
    """An unrolled wall without the marks on its glass.

    Attributes
    ----------
    wall : WallMap
        What marks hid is filled in.
    marks : tuple of PenMark
        The marks.
    covered_mm : tuple of (float, float)
        Heights above the strip's zero that labels and marks hide too much of [mm].
    """

    wall: WallMap
    marks: tuple[PenMark, ...]
    covered_mm: tuple[Span, ...]


def clean_wall(seen: WallAsSeen, marks: tuple[PenMark, ...]) -> CleanWall:
    """Take the marks that were found on a wall's glass out of it."""
    if not marks:
        return CleanWall(seen.wall, (), seen.behind_mm)
    hidden = hidden_by(marks, seen.sides)
    wall = without_marks(seen.wall, seen.sides, hidden)
    return CleanWall(wall, marks, (*seen.behind_mm, *covered_mm(seen.wall, hidden)))


def refuse_cut_off(name: str, what: str, jar: Jar, z_mm: float, size_px: tuple[int, ...]) -> None:
    """Refuse a photo of which a height of the jar lies outside.

    Raises
    ------
    HiddenError
        It does.
    """
    [(x, y)] = jar.view.front_px(np.array([z_mm]))
    height, width = size_px
    if not (0 <= x < width and 0 <= y < height):
        msg = f"The {what} is cut off in {name}; get the whole jar in the picture."
        raise HiddenError(msg)
