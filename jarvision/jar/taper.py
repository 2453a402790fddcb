"""Walls that are not parallel: volumes by a jar's profile, and the outline in the photo.

A jar's profile turns heights into volumes; the outline in the photo tells where that is needed and
no profile was given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from jarvision.core.arrays import Array, Floats, Picture
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.jar.geometry import WALL_MM
from jarvision.jar.profile import JarProfile, remeasured, taper_bias_points, volumes_from_heights

if TYPE_CHECKING:
    from jarvision.jar.view_fit import Jar


_RADIUS_SD_MM = 0.4  # an inside radius measured at home, point by point; our own judgement

_VARIANTS = 40  # ways in which a profile may have been measured, spread over the draws


def volumes_of(
    tops_mm: Array, profile: JarProfile, *, rng: np.random.Generator, radius_mm: float = math.nan
) -> Array:
    """Turn draws of the tops into draws of the volumes below them.

    Parameters
    ----------
    tops_mm : (n, 3) array
        Tops above the inside floor [mm].
    profile : JarProfile
        The jar's inside; how well it was measured goes into the draws.
    rng : numpy.random.Generator
        Source of chance.
    radius_mm : float, optional
        Outside radius of the view in which the tops are measured, where that is not in
        millimetres: the profile's own width then gives the unit.

    Returns
    -------
    (n, 3) array
        Volumes [mL].

    Raises
    ------
    ValueRefusedError
        The layers reach higher than the profile was measured.
    """
    tops = tops_mm if math.isnan(radius_mm) else tops_mm * (_outside_radius(profile) / radius_mm)
    volumes_from_heights(profile, np.median(tops, axis=0))  # refuses what it does not cover
    within = np.minimum(tops, profile.top_mm)
    parts = [
        volumes_from_heights(_measured_again(profile, rng), np.minimum(part, profile.top_mm))
        for part in np.array_split(within, _VARIANTS)
    ]
    return np.concatenate(parts)


def _measured_again(profile: JarProfile, rng: np.random.Generator) -> JarProfile:
    """Give a profile as another careful person might have measured it, no lower than it was."""
    if profile.volume_ml:
        again = remeasured(profile, rng)
        heights = (*again.height_mm[:-1], max(again.height_mm[-1], profile.top_mm))
        return replace(again, height_mm=heights)
    radii = np.array(profile.inside_radius_mm)
    shifts = np.clip(rng.normal(0.0, _RADIUS_SD_MM, len(radii)), -1.2, 1.2)
    least = max(profile.corner_radius_mm, 5.0)
    return replace(profile, inside_radius_mm=tuple(np.maximum(radii + shifts, least).tolist()))


def _outside_radius(profile: JarProfile) -> float:
    """Half the outside width of a jar near its foot [mm], measured or guessed from its inside."""
    if not math.isnan(profile.outside_diameter_mm):
        return profile.outside_diameter_mm / 2
    return _inside_radius(profile, 0.1 * profile.top_mm) + WALL_MM


def _inside_radius(profile: JarProfile, height_mm: float) -> float:
    """Inside radius at a height [mm]: of a poured profile, by how fast it fills there."""
    if profile.inside_radius_mm:
        return float(np.interp(height_mm, profile.height_mm, profile.inside_radius_mm))
    low = min(max(height_mm - 5.0, 0.0), profile.top_mm - 10.0)
    filled = np.diff(volumes_from_heights(profile, np.array([low, low + 10.0])))
    return math.sqrt(1000.0 * float(filled[0]) / (10.0 * math.pi))


_ROW_MM, _COLUMN_MM, _REACH_MM = 2.0, 0.25, 6.0

_LOWEST_MM, _HIGHEST_MM = 2.0, 100.0

_STEP_CAP = 12.0  # Lab step beyond which an edge is no more an edge than before

_LEAST_STEP = 4.0

_LEANS_MM = np.arange(-5.0, 5.01, 0.25)  # how far a wall may lean over the layers' height

_CLEAR_OF_STRIP_MM = 1.6

_PARALLEL = 0.02  # straight rendered jars stay within 0.7 %; 2 % is half a point or less


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """How strong an edge stands near where a jar's sides should be, if it were straight.

    Attributes
    ----------
    steps : (2, rows, columns) float32 array
        Lab steps beside the left and the right side: rows from `_LOWEST_MM` up, `_ROW_MM` each;
        columns from `_REACH_MM` left of the side to as far right of it.
    width_mm : float
        Width of the jar.
    """

    steps: Floats
    width_mm: float


def sides_of(bgr: Picture, jar: Jar) -> Sides:
    """Sample a picture beside both sides of a jar."""
    return Sides(_steps_beside(bgr, jar), 2 * jar.view.outline.radius_mm)


def _steps_beside(bgr: Picture, jar: Jar) -> Floats:
    """Lab steps beside the left and the right side, (2, rows, columns)."""
    import cv2

    from jarvision.jar.colour import lab_of, length_of

    z = np.arange(_LOWEST_MM, _HIGHEST_MM, _ROW_MM)
    offset = np.arange(-_REACH_MM, _REACH_MM + _COLUMN_MM / 2, _COLUMN_MM)
    azimuth = np.array([[jar.view.edge_azimuth(side)] for side in (-1, 1)])
    edge = jar.view.wall_px(azimuth, z[None])
    up = np.gradient(edge, _ROW_MM, axis=1)
    right = np.stack([-up[..., 1], up[..., 0]], axis=-1)
    grid = (edge[:, :, None] + offset[:, None] * right[:, :, None]).astype(np.float32)
    across, down = (grid[..., i].reshape(-1, len(offset)) for i in (0, 1))
    seen = cv2.remap(bgr, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    lab = lab_of(np.asarray(seen, dtype=np.uint8))
    kernel = (np.concatenate([-np.ones(3), [0.0], np.ones(3)]) / 3).astype(np.float32)
    step = np.minimum(length_of(cv2.filter2D(lab, -1, kernel[None])), np.float32(_STEP_CAP))
    step[:, :3] = step[:, -3:] = 0.0
    steps = step.reshape(2, len(z), -1)
    for side, own, edge_px, right_px in zip((-1, 1), steps, edge[:, 20], right[:, 20], strict=True):
        own[:, side * offset < _strip_reach(jar, side, edge_px, right_px)] = 0.0
    return steps


def _strip_reach(jar: Jar, side: int, edge_px: Array, right: Array) -> float:
    """Tell how far the strip and its own edge reach from inside towards a jar's side [mm]."""
    strip = jar.strip_azimuths[(side + 1) // 2]
    if math.isnan(strip):
        return -_REACH_MM
    at = jar.view.wall_px(np.array([strip]), np.array([42.0]))[0]
    gap_mm = side * float((edge_px - at) @ right) / float(right @ right)
    return _CLEAR_OF_STRIP_MM - gap_mm


def width_ratio(sides: Sequence[Sides], top_mm: float) -> float:
    """Width of a jar at the top of its deposit over that at the floor; NaN where not seen.

    Parameters
    ----------
    sides : sequence of Sides
        One a photo of the jar.
    top_mm : float
        Top of the deposit [mm].

    Notes
    -----
    The strip's tags give the camera's tilt, so that converging walls are not taken for
    perspective. Without a strip the walls themselves give the tilt and tell no taper.
    """
    if not sides:
        return math.nan
    leans = np.array([[_lean_mm(step, top_mm) for step in s.steps] for s in sides])
    widths = np.array([s.width_mm for s in sides])
    ratios = 1.0 + (leans[:, 1] - leans[:, 0]) / widths
    known = ratios[~np.isnan(ratios)]
    return float(np.median(known)) if len(known) else math.nan


def _lean_mm(steps: Floats, top_mm: float) -> float:
    """How far right the strongest straight edge moves from the floor to a height [mm]."""
    import cv2

    rows = steps[: max(round((top_mm - _LOWEST_MM) / _ROW_MM), 0)]
    if len(rows) < 8:
        return math.nan
    columns = np.arange(rows.shape[1], dtype=np.float32)
    along = np.linspace(-0.5, 0.5, len(rows))
    shift = (_LEANS_MM[:, None] / _COLUMN_MM * along).astype(np.float32)
    down = np.broadcast_to(np.arange(len(rows), dtype=np.float32), shift.shape)
    across = (shift[..., None] + columns).reshape(-1, len(columns))
    level = np.repeat(down.reshape(-1, 1), len(columns), axis=1)
    moved = cv2.remap(rows, across, level, cv2.INTER_LINEAR)
    score = moved.reshape(len(_LEANS_MM), len(rows), -1).mean(axis=1).max(axis=1)
    if score.max() <= _LEAST_STEP:
        return math.nan
    # an edge's own width lets several leans explain it alike: the middle of them
    return float(np.average(_LEANS_MM, weights=score >= 0.97 * score.max()))


def taper_doubts(ratio: float, tops_mm: Sequence[float], profile: JarProfile | None) -> list[Doubt]:
    """Doubt shares where the outline in the photos is not that of the jar they were made for.

    Parameters
    ----------
    ratio : float
        From `width_ratio`.
    tops_mm : sequence of 3 floats
        Tops of the layers [mm].
    profile : JarProfile or None
        The profile that was used; None stands for straight walls.
    """
    top = float(tops_mm[2])
    wanted = 1.0
    if profile is not None:
        ends = [_inside_radius(profile, h) for h in (0.05 * top, 0.95 * top)]
        wanted = (ends[1] / ends[0]) ** (1 / 0.9)
    if math.isnan(ratio) or abs(ratio - wanted) <= _PARALLEL:
        return []
    bias = np.abs(taper_bias_points(tops_mm, width_ratio=float(np.clip(ratio / wanted, 0.5, 2.0))))
    change = "narrows upward" if ratio < wanted else "widens upward"
    if profile is not None:
        change += " more than its profile says"
    return [doubt(DoubtName.WALLS_NOT_PARALLEL, change=change, size=_points(np.nanmax(bias)))]


def _points(bias: float) -> str:
    if bias < 0.8:
        return "less than a point"
    return "about 1 point" if bias < 1.5 else f"about {bias:.0f} points"
