"""What somebody drew on a photo: the jar's outline, and parts of the wall to be left out.

An outline is five points: the upper and lower ends of the two straight walls, and where the inside
floor shows at the front of the glass. The lower ends stand where the floor's curve meets the walls,
so that curve and walls together tell how far from above the jar is seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import NoJarError
from jarvision.jar.geometry import Camera, Outline, View
from jarvision.jar.least_squares import least_squares
from jarvision.jar.unmarked import camera_of_walls
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_edges import Wall

Points: TypeAlias = "tuple[tuple[float, float], ...]"

OUTLINE_SD_MM = 1.0
"""How well an outline is drawn by hand where nobody says: our own judgement, no source."""

_OUTLINE_POINTS, _BOX_POINTS = 5, 2
_LEAST_WIDE_PCT, _LEAST_TALL_PCT = 4.0, 5.0  # of a jar that can be read at all
_CORNER_SDS = 2.0  # where a rounded foot meets the wall is seen half as well; our own, no source
_WALL_MM = (0.0, 90.0)
_SIZES = np.array([20.0, 10.0, 0.1, 0.1, 0.1])  # of steps in distance, height, yaw, pitch, roll


@dataclass(frozen=True, slots=True)
class DrawnOnPhoto:
    """What was drawn on one photo, in parts of its width and height as it stands upright [%].

    Attributes
    ----------
    outline_pct : tuple of 5 points, or none
        Ends of the walls, upper left, upper right, lower right, lower left; then the inside floor
        at the front of the glass.
    outline_sd_mm : float
        How well the outline was drawn [mm].
    left_out_pct : tuple of pairs of points
        Opposite corners of each box that is to be left out.
    """

    outline_pct: Points = ()
    outline_sd_mm: float = OUTLINE_SD_MM
    left_out_pct: tuple[Points, ...] = ()

    def outline_px(self, shape: Sequence[int]) -> Array:
        """Give the outline in a picture of a shape (height, width, ...), (5, 2) [px]."""
        pct = np.array(self.outline_pct, dtype=np.float64)
        return np.asarray(pct / 100.0 * np.array([shape[1], shape[0]]) - 0.5)

    def boxes_px(self, shape: Sequence[int]) -> Array:
        """Give the boxes in a picture of a shape: left, top, right, bottom, (n, 4) [px]."""
        corners = np.array(self.left_out_pct).reshape(-1, 2, 2) / 100.0
        corners = np.sort(corners, axis=1) * np.array([shape[1], shape[0]]) - 0.5
        return np.asarray(corners.reshape(-1, 4))


def is_box(points: Points) -> bool:
    """Whether points are the opposite corners of a box inside a picture."""
    return len(points) == _BOX_POINTS and _are_inside(points)


def is_outline(points: Points) -> bool:
    """Whether points can be the outline of a jar that stands upright in a picture."""
    if len(points) != _OUTLINE_POINTS or not _are_inside(points):
        return False
    (x0, y0), (x1, y1), (x2, y2), (x3, y3), (_, floor_y) = points
    wide = min(x1 - x0, x2 - x3)
    tall = min(y2, y3, floor_y) - max(y0, y1)
    return wide >= _LEAST_WIDE_PCT and tall >= _LEAST_TALL_PCT


def _are_inside(points: Points) -> bool:
    return all(0.0 <= value <= 100.0 for point in points for value in point)


def walls_of(outline_px: Array, sd_mm: float) -> tuple[Wall, Wall]:
    """Give the two walls of an outline, left and right."""
    left, right = (np.array([low, (low + high) / 2, high]) for low, high in _ends(outline_px))
    return Wall(-1, left, sd_mm), Wall(1, right, sd_mm)


def _ends(outline_px: Array) -> Array:
    """Lower and upper end of the left and of the right wall, (2, 2, 2)."""
    return outline_px[[[3, 0], [2, 1]]]


def jar_in_outline(
    outline_px: Array, focal_px: float, shape: Sequence[int], *, radius_mm: float, sd_mm: float
) -> Jar:
    """Fit a view of a jar without a strip to its outline; it counts as round.

    Parameters
    ----------
    outline_px : (5, 2) array
        The outline, from `DrawnOnPhoto`.
    focal_px : float
        Focal length [working px].
    shape : (height, width, ...)
        Of the working picture [px].
    radius_mm : float
        The jar's outside radius, or what it counts as where nobody knows it [mm].
    sd_mm : float
        How well the outline was drawn [mm].

    Returns
    -------
    Jar
        With a view whose zero is the inside floor.

    Raises
    ------
    NoJarError
        No view shows a jar so.
    """
    view = _fitted(outline_px, focal_px, shape, Outline(radius_mm), sd_mm)
    return Jar(view, False, (np.nan, np.nan), np.nan, 2)


def _fitted(
    outline_px: Array, focal_px: float, shape: Sequence[int], outline: Outline, sd_mm: float
) -> View:
    lines = [np.polyfit(ends[:, 1], ends[:, 0], 1)[::-1] for ends in _ends(outline_px)]
    foot_row = float(outline_px[4, 1])
    first = camera_of_walls(lines[0], lines[1], foot_row, focal_px, shape, outline.radius_mm)
    wide_px = abs(float(outline_px[2, 0] - outline_px[3, 0]))
    sd_px = sd_mm * wide_px / (2.0 * outline.radius_mm)

    def view_of(p: Array) -> View:
        camera = Camera(focal_px, first.centre_x_px, first.centre_y_px, *map(float, p))
        return View(camera, outline)

    def residuals(sets: Array) -> Array:
        return np.array([_residual_px(view_of(p), outline_px) for p in sets]) / sd_px

    start = np.array(
        [first.distance_mm, first.height_mm, first.yaw_rad, first.pitch_rad, first.roll_rad]
    )
    fitted, _ = least_squares(residuals, start, np.arange(len(start)), _SIZES)
    view = view_of(fitted)
    off_px = np.abs(_residual_px(view, outline_px)).max()
    if not (off_px < wide_px / 4 and view.camera.distance_mm > outline.radius_mm + 20.0):
        msg = "No jar looks like the outline that was drawn; draw it along the walls and floor."
        raise NoJarError(msg)
    return view


def _residual_px(view: View, outline_px: Array) -> Array:
    """Tell how far a view's walls and floor are from those that were drawn, (7,) [px]."""
    floor_mm = float(view.glass_drop_mm(np.array(0.0)))
    off = [view.front_px(np.array([floor_mm]))[0, 1] - outline_px[4, 1]]
    for side, ends in zip((-1, 1), _ends(outline_px), strict=True):
        at = view.wall_px(np.full(3, view.edge_azimuth(side)), np.array([*_WALL_MM, floor_mm]))
        slope = (at[1, 0] - at[0, 0]) / (at[1, 1] - at[0, 1])
        off += list(ends[:, 0] - at[0, 0] - slope * (ends[:, 1] - at[0, 1]))
        off.append((ends[0, 1] - at[2, 1]) / _CORNER_SDS)
    return np.array(off)


def outline_of(view: View, floor_mm: float, shape: Sequence[int]) -> Points:
    """Give the outline of a jar in a view as somebody would have drawn it [% of the picture].

    Parameters
    ----------
    view : View
        Where the jar stands.
    floor_mm : float
        Its inside floor [mm].
    shape : (height, width, ...)
        Of the picture [px].
    """
    low = floor_mm + float(view.glass_drop_mm(np.array(floor_mm)))
    z = np.array([floor_mm + _WALL_MM[1], low])
    left, right = (view.wall_px(np.full(2, view.edge_azimuth(s)), z) for s in (-1, 1))
    points = np.array([left[0], right[0], right[1], left[1], view.front_px(z[1:])[0]])
    pct = (points + 0.5) / np.array([shape[1], shape[0]]) * 100.0
    return tuple((float(x), float(y)) for x, y in pct.clip(0.0, 100.0))


def drawn_scale_sd(view: View, sd_mm: float) -> float:
    """Relative sd of heights by the width of a jar whose outline was drawn by hand.

    Both walls are off by so much, and so is the floor's curve, which tells how far from above the
    jar is seen and so how much its heights are foreshortened.
    """
    radius_mm = view.outline.radius_mm
    wide = sd_mm / (math.sqrt(2.0) * radius_mm)
    tilt_rad = _CORNER_SDS * sd_mm / (math.sqrt(2.0) * radius_mm)
    return math.hypot(wide, math.tan(float(view.elevation_rad(np.array(0.0)))) * tilt_rad)
