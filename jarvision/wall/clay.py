"""Find the clay's top: the edge at the front wall that goes with the far rim of the same surface.

Settled clay has no grain to tell it by. What can be taken for its top: the far rim of its surface,
which is often the strongest edge of all, the table mirrored in the glass, shades on the surface
itself. In the unrolled wall the front edge is level, while the far rim is arched: a sight line
that enters the wall beside the middle crosses a shorter chord of the jar, so the rim shows lower.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.jar.geometry import WALL_MM
from jarvision.jar.quick_arrays import highest_near, median_of, middle_near
from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import WallFeatures, edge_peaks

WATER_INDEX = 1.333  # water at 20 degC, sodium D line; handbook value, from memory


def far_rim_mm(jar: Jar, front_mm: Array) -> Array:
    """Heights at which far rims of level surfaces show on the front wall [mm]."""
    across = 2 * (jar.view.outline.radius_mm - WALL_MM)
    shown = front_mm
    for _ in range(4):
        slope = (np.sin(jar.view.elevation_rad(shown)) / WATER_INDEX).clip(-0.9, 0.9)
        shown = front_mm + across * np.tan(np.arcsin(slope))
    return shown


_THIN_CLAY_MM = 0.6  # where the top of clay is put that is too thin for an edge of its own
_TABLE_MM = -4.0  # height of the table against the inside floor; common practice, no source
_MIRROR_SD = 0.1  # log scatter of where the same mirrored edge is placed from different photos


def mirrored_edge_mm(jar: Jar, height_mm: float) -> float:
    """Tell how far off the edge stands that would be mirrored in the wall at a height [mm].

    A vertical wall mirrors the table behind the camera at an unchanged slope, so a height on the
    wall stands for a distance on the table. The table's edge keeps its distance from photo to
    photo, however the camera moves; a layer keeps its height. NaN above the camera.
    """
    camera, radius = jar.view.camera, jar.view.outline.radius_mm
    below = camera.height_mm - height_mm
    if below <= 1.0:
        return np.nan
    return (camera.distance_mm - radius) * (height_mm - _TABLE_MM) / below


def mirrored_edges(
    photos: Sequence[tuple[WallFeatures, Jar]], deposit_mm: float, water_mm: float
) -> list[float]:
    """Distances of edges mirrored in the cloudy water of earlier photos [mm]."""
    found = []
    for photo, jar in photos:
        for height, _ in edge_peaks(photo, deposit_mm + 2.0, water_mm - 12.0):
            found.append(mirrored_edge_mm(jar, height))
    return [distance for distance in found if distance > 0]


def mirror_match(jar: Jar, height_mm: float, mirrored: Sequence[float]) -> float:
    """How well an edge is where a mirrored one should be, 0 to 1."""
    distance = mirrored_edge_mm(jar, height_mm)
    if not mirrored or np.isnan(distance):
        return 0.0
    off = np.abs(np.log(distance / np.array(mirrored))).min()
    return float(np.exp(-0.5 * (off / _MIRROR_SD) ** 2))


@dataclass(frozen=True, slots=True)
class Fronts:
    """Edges of one photo that may be front edges of surfaces.

    Attributes
    ----------
    level : tuple of (float, float)
        Heights of level edges [mm], and their strengths.
    rims_mm : tuple of float
        Where a far rim would show over each [mm].
    soft_mm : tuple of float
        Heights of edges whose colour step turns round from one side of the jar to the other [mm].
    """

    level: tuple[tuple[float, float], ...]
    rims_mm: tuple[float, ...]
    soft_mm: tuple[float, ...]


def fronts_of(photo: WallFeatures, jar: Jar) -> Fronts:
    """Find edges of a photo that may be front edges of surfaces."""
    level = edge_peaks(photo, -np.inf, np.inf)
    rims = far_rim_mm(jar, np.array([height for height, _ in level])).tolist()
    return Fronts(tuple(level), tuple(rims), tuple(_soft_fronts(photo)))


def clay_edges(
    fronts: Fronts, silts_mm: Sequence[float], water_mm: float
) -> list[list[tuple[float, str]]]:
    """Give the heights where the clay's top can be [mm], and how it would show there.

    ``"edge"`` a level edge; ``"soft"`` one whose colours turn round from side to side; ``"merged"``
    a front edge and far rim seen as one; ``"thin"`` clay too thin for an edge of its own. A list
    for each top of the silt.
    """
    every = []
    for silt_mm in silts_mm:
        low_mm = _own_edge(fronts.level, silt_mm) + 1.0
        high_mm = water_mm - 6.0
        near = [low_mm < height < high_mm for height, _ in fronts.level]
        at = [height for (height, _), on in zip(fronts.level, near, strict=True) if on]
        found = [(height, "edge") for height in at]
        found += [
            (height, "soft")
            for height in fronts.soft_mm
            if low_mm < height < high_mm
            and all(abs(other - height) >= _SAME_EDGE_MM for other in at)
        ]
        far = [rim for rim, on in zip(fronts.rims_mm, near, strict=True) if on]
        found += [(height, "merged") for height in _merged_fronts(at, far)]
        every.append([*found, (silt_mm + _THIN_CLAY_MM, "thin")])
    return every


def _own_edge(level: Sequence[tuple[float, float]], silt_mm: float) -> float:
    """Height of the silt's own edge, which the search by grain may have put a little off [mm]."""
    near = [edge for edge in level if silt_mm - 2.0 < edge[0] < silt_mm + 2.0]
    return max(near, key=lambda e: e[1])[0] if near else silt_mm


def _soft_fronts(photo: WallFeatures) -> list[float]:
    """Find level edges whose colour step turns round from one side of the jar to the other."""
    size = _steps_any_way(photo)
    reach = round(1.25 / ROW_MM)
    is_peak = (size > _LEAST_SOFT) & (size >= highest_near(size, reach))
    return [float(height) for height in photo.edges_mm[is_peak]]


_LEAST_SOFT, _SAME_EDGE_MM = 0.5, 1.5  # CIE Lab, mm
_MERGED_MM = 2.8  # two edges as near as this are seen as one
_LEAST_GAP_MM = 0.7


def _merged_fronts(edges_mm: Sequence[float], rims_mm: Sequence[float]) -> list[float]:
    """Give the front edges of surfaces seen so flat that they and their far rims are one edge."""
    found = []
    for height, rim in zip(edges_mm, rims_mm, strict=True):
        gap = rim - height
        apart = not any(0.3 < height - other < gap + 1.0 for other in edges_mm)
        if _LEAST_GAP_MM < gap < _MERGED_MM and apart:
            found.append(height - gap)
    return found


def _steps_any_way(photo: WallFeatures) -> Array:
    """Mean colour step of the blocks at each row over what is usual around it.

    Which of surface and wall is the lighter may change from one side of the jar to the other.
    """
    mean = photo.steps.mean(axis=0)
    usual = middle_near(mean, round(4.0 / ROW_MM))
    return np.asarray(np.maximum(mean - usual, 0.0), dtype=np.float64)


_MOST_ARCH_ODDS = 4.0
_UNLEVEL_MM = 1.5  # how arched a front edge comes out where the outline is a little off
_LEAN = 1.5  # how a surface leans to a side [mm a rad of azimuth]
_GAP_SD = 0.35  # relative, of the distance between front edge and far rim


def arch_odds(photo: WallFeatures, jar: Jar, edge_mm: float) -> float:
    """Log odds that an edge is arched like a far rim, against level like a front edge."""
    gap = float(far_rim_mm(jar, np.array(edge_mm))) - edge_mm
    if gap < 2.0 or not jar.view.outline.is_round:
        return 0.0
    arch, sd = _arch(photo, edge_mm, bulge=_bulge(jar))
    if not np.isfinite(sd):
        return 0.0
    as_rim, as_front = np.hypot(sd, _GAP_SD * gap), np.hypot(sd, _UNLEVEL_MM)
    odds = np.log(_density(arch - gap, as_rim) / _density(arch, as_front))
    return float(np.clip(odds, -_MOST_ARCH_ODDS, _MOST_ARCH_ODDS))


def _density(off: float, sd: float) -> float:
    """Give a normal density, with a floor for edges that are neither."""
    return float(np.exp(-0.5 * (off / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)) + _NEITHER


_NEITHER = 0.001  # of arches anywhere within 50 mm, one edge in twenty


def _bulge(jar: Jar) -> float:
    """Outside over inside radius: so much farther does the glass turn a sight line to the side."""
    outside = jar.view.outline.radius_mm
    return outside / max(outside - WALL_MM, 0.5 * outside)


def _arch(photo: WallFeatures, edge_mm: float, *, bulge: float = 1.0) -> tuple[float, float]:
    """How far a far rim would stand over its front edge to be arched like this edge, and its sd.

    The chord under an azimuth is the diameter times the cosine of the angle of refraction.
    """
    height, step = _followed(photo, edge_mm)
    chord = np.sqrt(1.0 - (bulge * np.sin(photo.azimuth) / WATER_INDEX) ** 2) - 1.0
    basis = np.stack([np.ones_like(chord), photo.azimuth, chord], axis=1)
    sure = np.minimum(step / max(float(median_of(step)), 1e-6), 1.0)
    if len(height) < 6:
        return 0.0, np.inf
    weight, scale = sure, 0.3
    for _ in range(3):
        # few surfaces lean far to a side: else a lean would pass for half an arch
        normal = basis.T @ (basis * weight[:, None]) + np.diag([0.0, (scale / _LEAN) ** 2, 1e-6])
        fit = np.linalg.solve(normal, basis.T @ (weight * height))
        off = height - basis @ fit
        scale = max(1.4826 * float(median_of(np.abs(off))), 0.15)
        weight = sure / np.maximum(1.0, np.abs(off) / (1.5 * scale))
        normal = basis.T @ (basis * weight[:, None]) + np.diag([0.0, (scale / _LEAN) ** 2, 1e-6])
    return float(fit[2]), float(scale * np.sqrt(np.linalg.inv(normal)[2, 2]))


def _followed(photo: WallFeatures, edge_mm: float) -> tuple[Array, Array]:
    """Follow an edge from block to block -> its height in each [mm], and the step there."""
    z, steps = photo.edges_mm, photo.steps
    near = np.flatnonzero(np.abs(z - edge_mm) < 1.5)
    best = int(steps[:, near].max(axis=1).argmax())
    height, step = np.empty(len(steps)), np.empty(len(steps))
    for order in (range(best, len(steps)), range(best, -1, -1)):
        at_mm, reach_mm = edge_mm, 1.5
        for block in order:
            first = int(z.searchsorted(at_mm - reach_mm, side="right"))
            last = int(z.searchsorted(at_mm + reach_mm))
            row = first + int(steps[block, first:last].argmax())
            at_mm, reach_mm = float(z[row]), 1.0
            height[block], step[block] = at_mm, steps[block, row]
    return height, step
