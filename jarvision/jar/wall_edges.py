"""Upright edges beside a strip that may be the jar's walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats, Mask, Picture
from jarvision.jar.colour import lab_of, length_of
from jarvision.jar.strip import Strip
from jarvision.jar.strip_spec import strip_spec

_STEP_MM = 0.75  # sampling across the jar when looking for walls

_REACH_MM = 105.0  # a preserving jar is not wider than this from its strip

_HEIGHTS_MM = np.arange(3.0, 93.0, 1.5)  # of the grid on which walls are looked for
_ACROSS_MM = np.arange(-_REACH_MM, _REACH_MM + 0.1, _STEP_MM)

_EDGE_CAP = 12.0  # Lab distance beyond which a wall is no more a wall than before

_EDGE_MIN = 2.5  # Lab distance under which no wall is believed

_WALL_SD_MM = 1.0  # the glass edge is a band of lines about this wide

_BAND_MM, _RIVAL_MM = 3.5, 16.0  # lines of one glass wall; edges that could be the wall instead

_OWN_EDGE_MM = 1.0  # so far about the strip's own edges no wall is looked for

_HIDDEN_WALL_SD_MM = 2.5  # a wall hidden by the strip is only bracketed


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """A line in the picture that may be a wall of the jar.

    Attributes
    ----------
    side : int
        -1 left of the strip, 1 right of it.
    points_px : (3, 2) array
        Three points of it from low to high [px].
    sd_mm : float
        How well it is placed [mm].
    strength : float
        Colour step across it (CIE Lab); 0 where it is only supposed.
    rivalled : bool
        Whether another edge as strong stands a little farther out.
    """

    side: int
    points_px: Array
    sd_mm: float
    strength: float = 0.0
    rivalled: bool = False


def _edge_strength(colours: Floats) -> Array:
    """Colour step across each column, robust over the rows of a grid (rows, columns, 3)."""
    half = 3
    kernel = np.concatenate([-np.ones(half), [0.0], np.ones(half)]) / half
    step = cv2.filter2D(colours, -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    size = np.minimum(length_of(step), np.float32(_EDGE_CAP))
    outside = (colours[..., 0] <= 0).astype(np.uint8)
    size[cv2.dilate(outside, np.ones((3, 2 * half + 3), np.uint8)) > 0] = 0.0
    return np.asarray(size, dtype=np.float64)


def _best_slopes(strength: Array) -> tuple[Array, Array]:
    """Give each column's best score over shears, and that shear (columns, bottom to top)."""
    rows, columns = strength.shape
    across, down = (of[:, :columns] for of in _sheared())
    moved = cv2.remap(strength.astype(np.float32), across, down, cv2.INTER_LINEAR)
    ranked = np.sort(moved.reshape(len(_SHEARS), rows, columns), axis=1)  # no percentile: quicker
    at = 0.3 * (rows - 1)
    low, part = int(at), at - int(at)
    usual = ranked[:, low] * (1 - part) + ranked[:, low + 1] * part
    value = 0.5 * ranked.mean(axis=1) + 0.5 * usual
    best = value.argmax(axis=0)
    score = np.take_along_axis(value, best[None], axis=0)[0].astype(np.float64)
    return score, np.where(score > 0.0, _SHEARS[best], 0.0)


_SHEARS = np.arange(-10, 10.1, 1.25) / _STEP_MM  # columns, bottom to top


@cache
def _sheared() -> tuple[Floats, Floats]:
    """Columns and rows of the whole grid sheared in every way, (shears * rows, columns) each."""
    rows, columns = len(_HEIGHTS_MM), len(_ACROSS_MM)
    along = np.linspace(-0.5, 0.5, rows)
    off = (_SHEARS[:, None] * along).reshape(-1, 1)
    across = (np.arange(columns, dtype=np.float32) + off).astype(np.float32)
    down = np.tile(np.arange(rows, dtype=np.float32), len(_SHEARS))[:, None]
    return across, np.repeat(down, columns, axis=1)


def peak_columns(score: Array) -> list[int]:
    """Columns that are the middle of a local maximum of the score."""
    middle, near = score[3:-3], cv2.dilate(score[None], np.ones((1, 7), np.uint8))[0, 3:-3]
    found: list[int] = []
    for i in (np.flatnonzero((middle >= near - 0.05) & (middle > _EDGE_MIN)) + 3).tolist():
        if not found or i - found[-1] > 3:
            found.append(i)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Across:
    """Upright steps of colour on a grid up and across a jar in its strip's own scale, and edges.

    Attributes
    ----------
    strength : (rows, columns) array
        CIE Lab.
    grid_px : (rows, columns, 2) array
        Where each was measured.
    across_mm : (columns,) array
        Distance from the middle of the tags at the strip's depth.
    score, slope : (columns,) array
        How strong the edge at each column is, and how it leans (columns, bottom to top).
    """

    strength: Array
    grid_px: Array
    across_mm: Array
    score: Array
    slope: Array

    def wall(self, column: int, side: int) -> Wall:
        """Give a column's edge as a wall."""
        wall = _wall_at(self.grid_px, float(column), self.slope[column], side, _WALL_SD_MM)
        return replace(wall, strength=float(self.score[column]))

    def hidden_wall(self, side: int) -> Wall:
        """Give a wall that hides just behind the strip's edge."""
        near = (self.across_mm * side > 7.0) & (self.across_mm * side < 19.0)
        at = int(np.argmax(np.where(near, self.score, -1.0))) + side * 1.5 / _STEP_MM
        return _wall_at(self.grid_px, at, 0.0, side, _HIDDEN_WALL_SD_MM)

    def without(
        self, strip: Strip, before_px: Sequence[Array], lines_px: Sequence[Array]
    ) -> Across:
        """Leave out what nearer jars hide, by their sides, and the strip's own edges."""
        strength = self.strength.copy()
        for sides in before_px:
            strength[_at_or_past(sides, strip, self.grid_px)] = 0.0
        for line in lines_px:
            column = np.interp(self.grid_px[..., 1], line[:, 1], line[:, 0])
            off = np.abs(self.grid_px[..., 0] - column)
            strength[off < _OWN_EDGE_MM * strip.px_per_mm] = 0.0
        changed = np.flatnonzero((strength != self.strength).any(axis=0))
        if not len(changed):
            return self
        # only the columns that lines through what was left out can reach
        reach, last = int(abs(_SHEARS).max() / 2) + 2, len(self.score)
        near = slice(max(changed[0] - reach, 0), min(changed[-1] + reach + 1, last))
        seen = slice(max(near.start - reach, 0), min(near.stop + reach, last))
        inside = slice(near.start - seen.start, near.stop - seen.start)
        score, slope = self.score.copy(), self.slope.copy()
        score[near], slope[near] = (of[inside] for of in _best_slopes(strength[:, seen]))
        return replace(self, strength=strength, score=score, slope=slope)


def look_across(bgr: Picture, strip: Strip, others: Sequence[Strip] = ()) -> Across:
    """Look for upright edges beside a strip, not on or behind other jars' strips."""
    z_tags = strip.corners_mm[..., 1].mean(axis=1)
    foot, up = strip.axis_px()
    z, across = _HEIGHTS_MM, _ACROSS_MM
    side = np.linalg.norm(strip.corners_px[:, [0, 1]] - strip.corners_px[:, [3, 2]], axis=2)
    size = side.mean(axis=1) / strip_spec().tag_size_mm
    scale = np.polyval(np.polyfit(z_tags, size, 1), z) if len(z_tags) > 1 else np.full(len(z), size)
    bend = np.polyfit(z_tags, strip.corners_px.mean(axis=1), min(2, len(z_tags) - 1))
    middle = np.stack([np.polyval(bend[:, 0], z), np.polyval(bend[:, 1], z)], -1)
    if len(z_tags) == 1:
        middle = foot + z[:, None] * up
    right = np.array([-up[1], up[0]]) / np.linalg.norm(up)
    away = scale[:, None] * across
    # columns and rows each lie together in memory, as they are read
    grid = np.moveaxis(middle.T[..., None] + right[:, None, None] * away, 0, -1)
    strength = _edge_strength(_lab_at(bgr, grid))
    for other in others:
        strength[_at_or_beyond(other, grid, across)] = 0.0
    return Across(strength, grid, across, *_best_slopes(strength))


def _lab_at(bgr: Picture, grid_px: Array) -> Floats:
    """CIE Lab colours at picture positions (rows, columns, 2); black outside the picture."""
    x, y = grid_px[..., 0].astype(np.float32), grid_px[..., 1].astype(np.float32)
    patch = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return lab_of(np.asarray(patch, dtype=np.uint8))


def find_walls(edges: Across) -> list[Wall]:
    """Find the jar's left and right wall: the nearest strong edge on each side."""
    score, across, peaks = edges.score, edges.across_mm, peak_columns(edges.score)
    # the strip's own edges end within 13 mm left and 18.5 mm right of the tags' middle
    beyond = {
        -1: [i for i in reversed(peaks) if across[i] < -13.0],
        1: [i for i in peaks if across[i] > 18.5],
    }
    best = max((score[i] for found in beyond.values() for i in found), default=0.0)
    walls = []
    for side, found in beyond.items():
        strong = [i for i in found if score[i] >= 0.6 * best]
        if strong:
            apart_mm = [abs(across[i] - across[strong[0]]) for i in strong]
            rivalled = any(_BAND_MM < apart < _RIVAL_MM for apart in apart_mm)
            walls.append(replace(edges.wall(strong[0], side), rivalled=rivalled))
        elif best > 0:
            # no wall apart from the strip's edge: it hides just behind that edge
            walls.append(edges.hidden_wall(side))
    return walls


def _at_or_beyond(other: Strip, grid: Array, across: Array) -> Mask:
    """Tell which places of the sampling grid lie on another jar's strip or beyond it."""
    foot, up = other.axis_px()
    column = foot[0] + (grid[..., 1] - foot[1]) * up[0] / up[1]
    beside = (grid[..., 0] - column) / other.px_per_mm
    reach = 0.5 * strip_spec().width_mm
    is_right = other.corners_px[..., 0].mean() > grid[:, across.searchsorted(0.0), 0].mean()
    return np.asarray(beside > -reach if is_right else beside < reach)


def _at_or_past(sides_px: Array, strip: Strip, grid: Array) -> Mask:
    """Tell which places of the sampling grid lie on a nearer jar's side or past it."""
    centre = strip.corners_px.reshape(-1, 2).mean(axis=0)
    at = [np.interp(centre[1], side[::-1, 1], side[::-1, 0]) for side in sides_px]
    is_right = float(np.mean(at)) > centre[0]
    side = sides_px[0 if is_right else 1]
    slope = (side[1, 0] - side[0, 0]) / (side[1, 1] - side[0, 1])
    column = side[0, 0] + slope * (grid[..., 1] - side[0, 1])
    margin = _OWN_EDGE_MM * strip.px_per_mm * 1.5
    off = grid[..., 0] - column
    return np.asarray(off > -margin if is_right else off < margin)


def _wall_at(grid: Array, column: float, slope: float, side: int, sd_mm: float) -> Wall:
    """Give a wall from a column of the sampling grid and its shear (columns, bottom to top)."""
    at = np.array([0.05, 0.5, 0.95])
    r = np.round(at * (len(grid) - 1)).astype(int)
    c = np.clip(column + slope * (at - 0.5), 0, grid.shape[1] - 1.001)
    low = np.floor(c).astype(int)
    part = (c - low)[:, None]
    return Wall(side, grid[r, low] * (1 - part) + grid[r, low + 1] * part, sd_mm)
