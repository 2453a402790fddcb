"""Find the jar: its walls in the picture, and where the camera stood.

With a strip, the tags give the scale and the camera, and the walls give the jar's width and place;
without one, the walls and the curve of the foot give a view whose unit is the jar's radius.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from jarvision.errors import NoJarError
from jarvision.optics import Camera, Outline, View
from jarvision.scale import CORNER_SD_PX, Strip
from jarvision.stripdata import strip_spec

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

_STEP_MM = 0.75  # sampling across the jar when looking for walls
_REACH_MM = 105.0  # a preserving jar is not wider than this from its strip
_EDGE_CAP = 12.0  # Lab distance beyond which a wall is no more a wall than before
_EDGE_MIN = 2.5  # Lab distance under which no wall is believed
_WALL_SD_MM = 1.0  # the glass edge is a band of lines about this wide
_HIDDEN_WALL_SD_MM = 2.5  # a wall hidden by the strip is only bracketed


@dataclass(frozen=True, slots=True)
class Jar:
    """The jar in one picture.

    Attributes
    ----------
    view : View
        Camera and outline; millimetres where `scaled`, else radii of the jar.
    scaled : bool
        Whether the view is in millimetres.
    strip_azimuths : tuple of float
        Azimuths of the strip's left and right edge [rad]; NaN without a strip.
    fit_px : float
        rms distance of the tags' corners from the fitted view [px]; NaN without a strip.
    walls_seen : int
        How many of the two walls were found.
    """

    view: View
    scaled: bool
    strip_azimuths: tuple[float, float]
    fit_px: float
    walls_seen: int


@dataclass(frozen=True, slots=True, eq=False)
class _Wall:
    """A wall as a line in the picture: three points from low to high, (3, 2) [px], and its side."""

    side: int
    points_px: Array
    sd_mm: float


def _edge_strength(colours: Array) -> Array:
    """Colour step across each column, robust over the rows of a grid (rows, columns, 3)."""
    half = 3
    kernel = np.concatenate([-np.ones(half), [0.0], np.ones(half)]) / half
    step = cv2.filter2D(colours, -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    size = np.minimum(np.linalg.norm(step, axis=2), _EDGE_CAP)
    outside = (colours[..., 0] <= 0).astype(np.uint8)
    size[cv2.dilate(outside, np.ones((3, 2 * half + 3), np.uint8)) > 0] = 0.0
    return np.asarray(size, dtype=np.float64)


def _best_slopes(strength: Array, shifts: Array) -> tuple[Array, Array]:
    """For each column the best score over sheared columns, and the shear (columns, bottom to top)."""
    rows, columns = strength.shape
    along = np.linspace(-0.5, 0.5, rows)
    score, slope = np.zeros(columns), np.zeros(columns)
    base = np.arange(columns, dtype=np.float32)[None, :]
    down = np.repeat(np.arange(rows, dtype=np.float32)[:, None], columns, axis=1)
    for shift in shifts:
        across = (base + (shift * along)[:, None]).astype(np.float32)
        moved = cv2.remap(strength.astype(np.float32), across, down, cv2.INTER_LINEAR)
        value = 0.5 * moved.mean(axis=0) + 0.5 * np.percentile(moved, 30, axis=0)
        better = value > score
        score[better], slope[better] = value[better], shift
    return score, slope


def _peaks(score: Array) -> list[int]:
    """Columns that are the middle of a local maximum of the score."""
    found: list[int] = []
    for i in range(3, len(score) - 3):
        if score[i] >= score[i - 3 : i + 4].max() - 0.05 and score[i] > _EDGE_MIN:
            if found and i - found[-1] <= 3:
                continue
            found.append(i)
    return found


def _sample_across(bgr: Picture, strip: Strip) -> tuple[Array, Array, Array]:
    """Colours on a grid up and across the jar in the strip's own scale.

    Returns
    -------
    colours : (rows, columns, 3) array
        CIE Lab.
    grid_px : (rows, columns, 2) array
        Where each was sampled.
    across_mm : (columns,) array
        Distance from the middle of the tags at the strip's depth.
    """
    z_tags = strip.corners_mm[..., 1].mean(axis=1)
    foot, up = strip.axis_px()
    z = np.arange(3.0, 93.0, 1.5)
    across = np.arange(-_REACH_MM, _REACH_MM + 0.1, _STEP_MM)
    side = np.linalg.norm(strip.corners_px[:, [0, 1]] - strip.corners_px[:, [3, 2]], axis=2)
    size = side.mean(axis=1) / strip_spec().tag_size_mm
    scale = np.polyval(np.polyfit(z_tags, size, 1), z) if len(z_tags) > 1 else np.full(len(z), size)
    bend = np.polyfit(z_tags, strip.corners_px.mean(axis=1), min(2, len(z_tags) - 1))
    middle = np.stack([np.polyval(bend[:, 0], z), np.polyval(bend[:, 1], z)], -1)
    if len(z_tags) == 1:
        middle = foot + z[:, None] * up
    right = np.array([-up[1], up[0]]) / np.linalg.norm(up)
    grid = middle[:, None, :] + scale[:, None, None] * across[None, :, None] * right
    return _lab_at(bgr, grid), grid, across


def _lab_at(bgr: Picture, grid_px: Array) -> Array:
    """CIE Lab colours at picture positions (rows, columns, 2); black outside the picture."""
    x, y = grid_px[..., 0].astype(np.float32), grid_px[..., 1].astype(np.float32)
    patch = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    lab = cv2.cvtColor(patch.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB)
    return np.asarray(lab, dtype=np.float64)


def _find_walls(bgr: Picture, strip: Strip) -> list[_Wall]:
    """Find the jar's left and right wall beside the strip."""
    colours, grid, across = _sample_across(bgr, strip)
    score, slope = _best_slopes(_edge_strength(colours), np.arange(-10, 10.1, 1.25) / _STEP_MM)
    peaks = _peaks(score)
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
            walls.append(_wall_at(grid, float(strong[0]), slope[strong[0]], side, _WALL_SD_MM))
        elif best > 0:
            # no wall apart from the strip's edge: it hides just behind that edge
            near = (across * side > 7.0) & (across * side < 19.0)
            at = int(np.argmax(np.where(near, score, -1.0))) + side * 1.5 / _STEP_MM
            walls.append(_wall_at(grid, at, 0.0, side, _HIDDEN_WALL_SD_MM))
    return walls


def _wall_at(grid: Array, column: float, slope: float, side: int, sd_mm: float) -> _Wall:
    """Give a wall from a column of the sampling grid and its shear (columns, bottom to top)."""
    at = np.array([0.05, 0.5, 0.95])
    r = np.round(at * (len(grid) - 1)).astype(int)
    c = np.clip(column + slope * (at - 0.5), 0, grid.shape[1] - 1.001)
    low = np.floor(c).astype(int)
    part = (c - low)[:, None]
    return _Wall(side, grid[r, low] * (1 - part) + grid[r, low + 1] * part, sd_mm)


def _view_of(p: Array, focal_px: float, shape: tuple[int, int], *, square: bool) -> View:
    """Make a view of fit parameters (see `_residuals`)."""
    camera = Camera(
        focal_px * p[8], (shape[1] - 1) / 2, (shape[0] - 1) / 2, p[0], p[1], p[2], p[3], p[4]
    )
    return View(camera, Outline(p[5], p[9] if square else 2.0, p[10] if square else 0.0))


def _tag_angles(p: Array, x_mm: Array, *, square: bool) -> Array:
    """Azimuths of the strip's x; a square jar's corners let the paper stretch over them."""
    centre = strip_spec().tag_centre_mm(0)[0]
    return np.asarray(p[6] + p[11] * (x_mm - centre) / p[5])


def _residuals(
    p: Array, strip: Strip, walls: list[_Wall], focal_px: float, shape: tuple[int, int], square: bool
) -> Array:
    """Misfit of a view in standard deviations.

    Parameters are distance, height, yaw, pitch, roll, radius, strip azimuth, strip slant,
    focal ratio, exponent, turn, stretch.
    """
    view = _view_of(p, focal_px, shape, square=square)
    corners = strip.corners_mm.reshape(-1, 2)
    x, z = corners[:, 0], corners[:, 1]
    azimuth = _tag_angles(p, x, square=square)
    centre = strip_spec().tag_centre_mm(0)[0]
    off = view.wall_px(azimuth, z + p[7] * (x - centre)) - strip.corners_px.reshape(-1, 2)
    parts = [off.ravel() / CORNER_SD_PX]
    for wall in walls:
        edge = view.wall_px(np.full(2, view.edge_azimuth(wall.side)), np.array([10.0, 90.0]))
        t = (wall.points_px[:, 1] - edge[0, 1]) / (edge[1, 1] - edge[0, 1])
        gap = wall.points_px[:, 0] - (edge[0, 0] + t * (edge[1, 0] - edge[0, 0]))
        parts.append(gap / (wall.sd_mm * strip.px_per_mm))
    parts.append(
        np.array(
            [
                p[7] / 0.03,
                (p[11] - 1.0) / (0.3 if square else 0.01),
                (p[9] - 5.0) / 1.0 if square else 0.0,
                p[10] / 0.15 if square else 0.0,
                p[2] / 0.1,
            ]
        )
    )
    return np.concatenate(parts)


def _start(strip: Strip, walls: list[_Wall], focal_px: float, shape: tuple[int, int]) -> Array:
    """First guess of the fit's parameters."""
    foot, up = strip.axis_px()
    scale = strip.px_per_mm
    centre = strip.corners_px.reshape(-1, 2).mean(axis=0)
    ends = [w.points_px[1, 0] for w in walls]
    if len(ends) == 2:
        radius = float(np.clip(abs(ends[1] - ends[0]) / 2 / scale, 25, 70))
        axis_x = float(np.mean(ends))
    else:
        radius = 38.0
        axis_x = ends[0] - walls[0].side * radius * scale if ends else centre[0]
    azimuth = float(np.arcsin(np.clip((centre[0] - axis_x) / scale / radius, -0.85, 0.85)))
    distance = focal_px / scale + radius * np.cos(azimuth)
    z_mid = float(strip.corners_mm[..., 1].mean())
    # the strip's foreshortening is too weak to start from: assume a camera a little above
    height = z_mid + (centre[1] - (shape[0] - 1) / 2) / scale + 0.1 * distance
    roll = float(np.arctan2(up[0], -up[1]))
    yaw = float((axis_x - (shape[1] - 1) / 2) / focal_px) * -0.0
    return np.array([distance, height, yaw, 0.1, -roll, radius, azimuth, 0, 1.0, 5.0, 0.0, 1.0])


_SIZES = np.array([10, 10, 0.1, 0.1, 0.1, 5, 0.1, 0.02, 0.1, 1, 0.1, 0.1])


def _bounded(start: Array, free: list[int], q: Array) -> Array:
    """Put free parameters in place, kept where a jar and a camera can be."""
    p = start.copy()
    p[free] = q
    p[5] = np.clip(p[5], 15.0, 90.0)
    p[0] = max(p[0], p[5] + 20.0)
    p[9] = np.clip(p[9], 2.6, 12.0)
    p[10] = np.clip(p[10], -0.7, 0.7)
    return p


def _fit(
    strip: Strip, walls: list[_Wall], focal_px: float, shape: tuple[int, int], *, square: bool
) -> tuple[Array, float, float]:
    """Fit a view -> parameters, cost, rms of the corners [px]."""
    start = _start(strip, walls, focal_px, shape)
    free = [0, 1, 2, 3, 4, 5, 6, 7, 11] + ([9, 10] if square else [])

    def misfit(q: Array) -> Array:
        p = _bounded(start, free, q)
        return _residuals(p, strip, walls, focal_px, shape, square)

    best = least_squares(misfit, start[free], x_scale=_SIZES[free], method="lm", max_nfev=400)
    p = _bounded(start, free, best.x)
    n = strip.corners_px.size
    rms = float(np.sqrt(np.mean(best.fun[:n] ** 2)) * CORNER_SD_PX)
    return p, float(best.cost), rms


def find_jar(bgr: Picture, strip: Strip, focal_px: float) -> Jar:
    """Find the jar that carries a strip.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    strip : Strip
        Its strip.
    focal_px : float
        Focal length [working px].

    Returns
    -------
    Jar
        With a view in millimetres above the strip's zero.

    Raises
    ------
    NoJarError
        No wall is seen beside the strip, or strip and walls fit no jar.
    """
    shape = (bgr.shape[0], bgr.shape[1])
    walls = _find_walls(bgr, strip)
    if not walls:
        msg = "A strip was seen but no jar behind it; photograph the whole jar against a plain wall."
        raise NoJarError(msg)
    p, cost, rms = _fit(strip, walls, focal_px, shape, square=False)
    square = False
    if rms > 0.95 * CORNER_SD_PX or cost > strip.corners_px.size:
        q, square_cost, square_rms = _fit(strip, walls, focal_px, shape, square=True)
        if square_cost < 0.75 * cost - 3.0:
            p, cost, rms, square = q, square_cost, square_rms, True
    view = _view_of(p, focal_px, shape, square=square)
    edges = _tag_angles(p, np.array([0.0, strip_spec().width_mm]), square=square)
    return Jar(view, True, (float(edges[0]), float(edges[1])), rms, len(walls))
