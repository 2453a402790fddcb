"""Where an overlay's parts go: the photo cut close round the jar, lines along its wall.

All lines follow the wall as the camera saw it: heights are those of the inside of the wall, drawn
where the line of sight to them enters the glass.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from jarvision.core.arrays import Array, Picture
from jarvision.core.units import UnitSystem
from jarvision.jar.wall_features import pieces
from jarvision.pages.overlay_words import Drawn, LineMark, marks_of
from jarvision.pages.palette import PLATE
from jarvision.wall.read import PhotoReading

PANE_W, PANE_H, PANEL_W = 770, 1180, 340
BELOW_MM = 13.0
"""Shown below the floor."""
_SIDE_MM, _ABOVE_MM = 11.0, 13.0  # shown beside the jar and above the water
_CURVE_POINTS = 51  # along each piece of wall: far finer than the eye sees
_LEAST_WINDOW_PX = 140.0
_SHRINK_FIRST = 0.7
_DARK = 0.32  # value of the wall under which a photo is brightened to it


@dataclass(frozen=True, slots=True)
class Frame:
    """How the photo lies in the pane: pane = scale * (photo + 0.5) - 0.5 - offset, in pixels."""

    scale: float
    x_px: float
    y_px: float

    def at(self, points_px: Array) -> Array:
        """Photo positions (..., 2) -> pane positions [px]."""
        offset = np.array([self.x_px, self.y_px])
        return np.asarray(self.scale * (points_px + 0.5) - 0.5 - offset, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What all parts of one overlay need to know.

    Attributes
    ----------
    marks : tuple of LineMark
        The lines, the most important last.
    parts : tuple of array
        Azimuths along each free piece of wall [rad].
    strokes : tuple of array
        The same without the window that lines leave open.
    top_mm : float
        How far up the wall frame and scale go, above the inside floor [mm].
    is_right : bool
        Words stand to the right of the pane, else to its left.
    system : UnitSystem
        Units of what is written.
    """

    photo: PhotoReading
    reading: Drawn
    marks: tuple[LineMark, ...]
    frame: Frame
    parts: tuple[Array, ...]
    strokes: tuple[Array, ...]
    top_mm: float
    is_right: bool
    system: UnitSystem

    @property
    def pane_x(self) -> int:
        """Left edge of the pane in the canvas [px]."""
        return 0 if self.is_right else PANEL_W

    def line(self, azimuth: Array, height_mm: float | Array) -> Array:
        """Pane positions (n, 2) of a height above the floor."""
        return self.frame.at(wall_line(self.photo, azimuth, height_mm))

    def end(self, side: int) -> float:
        """Azimuth [rad] of the outermost free wall, left (-1) or right (+1)."""
        return side * max(side * float(a) for part in self.parts for a in (part[0], part[-1]))


def plan(photo: PhotoReading, reading: Drawn, system: UnitSystem = UnitSystem.METRIC) -> Drawing:
    """Settle what is drawn and where."""
    marks = tuple(marks_of(photo, reading, system))
    highest = max(m.height_mm for m in marks)
    top_mm = highest if any(m.style == "water" for m in marks) else highest + 10.0
    frame = _frame_of(photo, top_mm)
    azimuth = photo.look.wall.azimuth
    whole = [azimuth[p] for p in pieces(photo.look.wall)] or [azimuth]
    parts = tuple(np.linspace(p[0], p[-1], _CURVE_POINTS) for p in whole)
    left, right = photo.look.jar.strip_azimuths
    # words stand on the strip's side, so that the scale can stand on bare glass
    is_right = math.isnan(left + right) or left + right > 0
    strokes = _with_window(photo, frame, parts)
    return Drawing(photo, reading, marks, frame, parts, strokes, top_mm, is_right, system)


def wall_line(photo: PhotoReading, azimuth: Array, height_mm: float | Array) -> Array:
    """Photo positions (n, 2) of a height on the inside of the wall, above the inside floor."""
    view = photo.look.jar.view
    z = np.broadcast_to(photo.floor.z_mm + np.asarray(height_mm, dtype=np.float64), azimuth.shape)
    return view.wall_px(azimuth, z + view.glass_drop_mm(z))


def _frame_of(photo: PhotoReading, top_mm: float) -> Frame:
    """Fit the jar from under its foot to over the water into the pane."""
    view = photo.look.jar.view
    edges = np.array([view.edge_azimuth(-1), view.edge_azimuth(1), 0.0])
    heights = (-BELOW_MM, top_mm + _ABOVE_MM)
    ends = np.concatenate([wall_line(photo, edges, h) for h in heights])
    low, high = ends.min(axis=0), ends.max(axis=0)
    margin = _SIDE_MM * (high[0] - low[0]) / (2 * view.outline.radius_mm)
    width, height = high - low + np.array([2 * margin, 0.0])
    scale = float(min(PANE_W / width, PANE_H / height))
    pane = np.array([PANE_W, PANE_H])
    spare = scale * np.array(photo.look.size_px[::-1]) - pane
    offset = scale * ((low + high) / 2 + 0.5) - pane / 2
    # the pane stays within the photo where the photo is large enough
    offset = np.where(spare > 0, np.clip(offset, 0.0, np.maximum(spare, 0.0)), offset)
    return Frame(scale, float(offset[0]), float(offset[1]))


def _with_window(photo: PhotoReading, frame: Frame, parts: Sequence[Array]) -> tuple[Array, ...]:
    """Leave the middle of the widest piece of wall open, so that the edge itself can be judged."""
    widths = [float(np.ptp(frame.at(wall_line(photo, p, 0.0))[:, 0])) for p in parts]
    widest = int(np.argmax(widths))
    if widths[widest] < _LEAST_WINDOW_PX:
        return tuple(parts)
    part = parts[widest]
    ends = part[0] + np.ptp(part) * np.array([0.38, 0.62])
    halves = [part[part <= ends[0]], part[part >= ends[1]]]
    return (*parts[:widest], *halves, *parts[widest + 1 :])


def cut_out(bgr: Picture, frame: Frame) -> Picture:
    """Cut the pane out of the photo; plain plate where the photo ends."""
    step, shift = np.diag([frame.scale, frame.scale]), frame.at(np.zeros(2))
    if frame.scale < _SHRINK_FIRST:  # else fine detail turns to false grain
        factor = frame.scale
        small = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        true = np.array([small.shape[1] / bgr.shape[1], small.shape[0] / bgr.shape[0]])
        bgr, step = np.asarray(small, np.uint8), np.diag(factor / true)
        shift = shift - step @ (true - 1) / 2
    pane = cv2.warpAffine(
        bgr,
        np.column_stack([step, shift]),
        (PANE_W, PANE_H),
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=PLATE,
    )
    return np.asarray(pane, dtype=np.uint8)


def brightening(photo: PhotoReading) -> float:
    """Gamma that lets the eye see the layers of a dark photo; 1 for all others."""
    light = float(np.median(photo.look.wall.bgr.max(axis=2))) / 255
    if light >= _DARK:
        return 1.0
    return max(math.log(_DARK) / math.log(max(light, 0.01)), 0.35)


def brightened(pane: Picture, gamma: float) -> Picture:
    """Brighten a picture by a gamma."""
    table = np.round(255 * (np.arange(256) / 255) ** gamma).astype(np.uint8)
    return np.asarray(cv2.LUT(pane, table), dtype=np.uint8)
