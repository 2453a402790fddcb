"""What helps where there is no strip, or the jar is no straight one: outline, jar's size, ruler.

A known width of the jar or a ruler in the picture gives millimetres without a strip, less surely
than a strip does. A jar's profile turns heights into volumes; the outline in the photo tells where
that is needed and no profile was given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import UsageError
from jarvision.core.measured import Doubt, DoubtName, doubt
from jarvision.jar.geometry import WALL_MM, View
from jarvision.jar.profile import (
    JarProfile,
    OutsideSize,
    find_profile,
    parse_jar_mm,
    remeasured,
    taper_bias_points,
    volumes_from_heights,
)
from jarvision.jar.ruler import RulerScale, RulerUnit, RulerUnreadError, read_ruler
from jarvision.jar.scale import Scale, ScaleSource
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.view_fit import Jar

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]
Picture: TypeAlias = NDArray[np.uint8]

STRIP_SCALE_SD = 0.004
"""Relative sd of the scale by a strip at true size, print and tags together."""

# Relative sd of the scale by the jar's width: on rendered round jars 1.5 %; on square ones 3.5 %,
# as the width that shows depends on how the jar is turned.
_ROUND_SCALE_SD, _SQUARE_SCALE_SD = 0.025, 0.04
_SHARED_SCALE_SD = 0.02  # a photo without a strip, the jar's width known from one with a strip


@dataclass(frozen=True, slots=True)
class ScaleAids:
    """What the user says of the jar and of what lies beside it.

    Attributes
    ----------
    size : OutsideSize
        The jar's outside, from `profiles.parse_jar_mm`.
    profile : JarProfile or None
        The jar's inside; None takes it as straight.
    ruler : RulerUnit or None
        Unit of a ruler that is in the photos; None lets its ticks tell.
    """

    size: OutsideSize = field(default_factory=OutsideSize)
    profile: JarProfile | None = None
    ruler: RulerUnit | None = None

    @property
    def outside_radius_mm(self) -> float:
        """Half the jar's outside width [mm], as measured; NaN where nobody measured it."""
        stated = self.size.outside_diameter_mm / 2
        if math.isnan(stated) and self.profile is not None:
            return self.profile.outside_diameter_mm / 2
        return stated


def stated_aids(*, jar_profile: str = "", jar_mm: Sequence[str] = (), ruler: str = "") -> ScaleAids:
    """Read what the user types of jar and ruler; empty words state nothing.

    Parameters
    ----------
    jar_profile : str
        Name of a profile that comes with the program, or a TOML file.
    jar_mm : sequence of str
        Outside measures, such as ``["height=180", "outside_diameter=86"]``.
    ruler : str
        ``"mm"`` or ``"inch"``.

    Raises
    ------
    UsageError
        A word that is not known, or a jar's height alone, which the photos cannot be held against.
    """
    size = parse_jar_mm(jar_mm) if jar_mm else OutsideSize()
    if jar_mm and math.isnan(size.outside_diameter_mm):
        msg = "A jar's height alone gives no scale; add its width, as in outside_diameter=86."
        raise UsageError(msg)
    if ruler and ruler.strip().casefold() not in set(RulerUnit):
        msg = "Say --ruler mm or --ruler inch."
        raise UsageError(msg)
    profile = find_profile(jar_profile) if jar_profile else None
    return ScaleAids(size, profile, RulerUnit(ruler.strip().casefold()) if ruler else None)


def scale_by_width(jar: Jar, *, with_strips: bool) -> Scale:
    """Tell how well a jar's width gives the scale; known from photos with strips, or stated."""
    if with_strips:
        return Scale(ScaleSource.JAR, _SHARED_SCALE_SD)
    round_jar = jar.view.outline.is_round
    return Scale(ScaleSource.JAR, _ROUND_SCALE_SD if round_jar else _SQUARE_SCALE_SD)


# --- shape ----------------------------------------------------------------------------------------

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
        again = remeasured(profile, rng=rng)
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


# --- the outline in the picture -------------------------------------------------------------------

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
    steps = [_steps_beside(bgr, jar, side) for side in (-1, 1)]
    return Sides(np.stack(steps).astype(np.float32), 2 * jar.view.outline.radius_mm)


def _steps_beside(bgr: Picture, jar: Jar, side: int) -> Array:
    z = np.arange(_LOWEST_MM, _HIGHEST_MM, _ROW_MM)
    offset = np.arange(-_REACH_MM, _REACH_MM + _COLUMN_MM / 2, _COLUMN_MM)
    edge = jar.view.wall_px(np.full(len(z), jar.view.edge_azimuth(side)), z)
    up = np.gradient(edge, _ROW_MM, axis=0)
    right = np.stack([-up[:, 1], up[:, 0]], axis=-1)
    grid = (edge[:, None] + offset[None, :, None] * right[:, None]).astype(np.float32)
    border = cv2.BORDER_CONSTANT
    seen = cv2.remap(bgr, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=border)
    lab = cv2.cvtColor(seen.astype(np.float32) / np.float32(255), cv2.COLOR_BGR2LAB)
    kernel = (np.concatenate([-np.ones(3), [0.0], np.ones(3)]) / 3).astype(np.float32)
    step = np.minimum(np.linalg.norm(cv2.filter2D(lab, -1, kernel[None]), axis=2), _STEP_CAP)
    step[:, :3] = step[:, -3:] = 0.0
    step[:, side * offset < _strip_reach(jar, side, edge[20], right[20])] = 0.0
    return np.asarray(step)


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


# --- a ruler in the picture -----------------------------------------------------------------------

_SEGMENT_PX, _BLUR_PX, _EACH_PX = 256, 5, 3
_BINS = slice(8, 80)  # ticks 3.2 to 32 px apart
_COMB = (
    2.7  # a comb over its surroundings, mean along the jar; rendered jars without stay under 2.4
)
_MOST_PATCHES = 3
# What is read beside the ticks, in widths of the jar: room for numbers, but a ruler's far edge may
# confuse them.
_PATCH_WIDTHS = np.array([0.14, 0.12, 0.2])
_LIKELY_RADIUS_MM = (20.0, 75.0)
_ON_WALL_SD = 0.03  # a ruler on the front of the jar may lean or stand off a little
_BESIDE_SD_RADII = 0.4  # how far from half way to the front a ruler beside the jar may stand
_PHOTOS_DISAGREE = 0.08


@dataclass(frozen=True, slots=True)
class RulerFound:
    """What a ruler tells of one photo.

    Attributes
    ----------
    radius_mm : float
        Outside radius of the jar by the ruler [mm].
    relative_sd : float
        Its relative standard deviation, mostly by how near the ruler stands.
    """

    radius_mm: float
    relative_sd: float


def ruler_beside(bgr: Picture, jar: Jar, *, unit: RulerUnit | None = None) -> RulerFound | None:
    """Find a ruler on or beside a jar that has no strip; None where none can be relied on.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    jar : Jar
        The jar in it, its radius of any unit.
    unit : RulerUnit, optional
        What the ruler is divided in.
    """
    grey = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    rows, columns, width = _around(jar, grey.shape)
    if rows.stop - rows.start < _SEGMENT_PX:
        return None
    found = []
    for first, last in _comb_columns(grey[rows, columns], width):
        for beside in (_PATCH_WIDTHS * width).astype(int):
            low = max(columns.start + first - int(beside), 0)
            patch = grey[rows, low : columns.start + last + int(beside)]
            try:
                ruler = read_ruler(patch, unit=unit)
            except RulerUnreadError:
                continue
            at = (ruler.centre_px[1] + low, ruler.centre_px[0] + rows.start)
            found.append(_by_ruler(jar.view, ruler, at))
            break
    likely = [f for f in found if _LIKELY_RADIUS_MM[0] < f.radius_mm < _LIKELY_RADIUS_MM[1]]
    return min(likely, key=lambda f: f.relative_sd, default=None)


def join_rulers(found: Sequence[RulerFound]) -> RulerFound | None:
    """Join what the photos of one jar say; None where there is nothing or they disagree.

    Rulers stand where they stood, so that more photos do not make the scale surer.
    """
    if not found:
        return None
    radii = np.array([f.radius_mm for f in found])
    weights = np.array([f.relative_sd**-2 for f in found])
    radius = float(np.average(radii, weights=weights))
    if np.abs(radii / radius - 1).max() > _PHOTOS_DISAGREE:
        return None
    spread = float(np.std(radii / radius))
    return RulerFound(radius, math.hypot(min(f.relative_sd for f in found), spread))


def _around(jar: Jar, shape: tuple[int, ...]) -> tuple[slice, slice, float]:
    """Rows and columns of a picture in which a ruler can stand, and the jar's width [px]."""
    radius = jar.view.outline.radius_mm
    sides = np.array([jar.view.edge_azimuth(-1), jar.view.edge_azimuth(1)])
    ends = jar.view.wall_px(sides[None, :], np.array([[-0.2 * radius], [4.0 * radius]]))
    left, right = ends[..., 0].min(), ends[..., 0].max()
    width = float(right - left)
    low, high = ends[..., 1].min(), ends[..., 1].max()
    rows = slice(max(int(low), 0), min(int(high), shape[0]))
    columns = slice(max(int(left - width), 0), min(int(right + width), shape[1]))
    return rows, columns, width


def _comb_columns(grey: Picture, width: float) -> list[tuple[int, int]]:
    """First and last columns of the likeliest upright combs of ticks."""
    smooth = cv2.blur(grey.astype(np.float32), (_BLUR_PX, 1))[:, _BLUR_PX // 2 :: _EACH_PX]
    fine = np.clip(np.diff(smooth, axis=0), -30.0, 30.0)
    window = np.hanning(_SEGMENT_PX).astype(np.float32)[:, None]
    starts = range(0, len(fine) - _SEGMENT_PX + 1, _SEGMENT_PX // 2)
    total = np.zeros((_BINS.stop - _BINS.start, fine.shape[1]))
    for start in starts:
        lines = np.abs(np.fft.rfft(fine[start : start + _SEGMENT_PX] * window, axis=0))
        total += _standing_out(lines[_BINS])
    score = (total / max(len(starts), 1)).max(axis=0)
    at = np.flatnonzero(score > _COMB)
    groups = np.split(at, np.flatnonzero(np.diff(at) * _EACH_PX > 0.12 * width) + 1)
    wide = [g for g in groups if len(g) >= 3]
    best = sorted(wide, key=lambda g: -float(score[g].max()))[:_MOST_PATCHES]
    return [(int(g[0]) * _EACH_PX, int(g[-1] + 1) * _EACH_PX) for g in best]


def _standing_out(lines: Array) -> Array:
    """Amplitudes (frequency, column) over those around them, a line's neighbours counted in."""
    around = cv2.blur(lines.astype(np.float32), (1, 25), borderType=cv2.BORDER_REFLECT) + 1.0
    wide = cv2.dilate(lines.astype(np.float32), np.ones((3, 1), np.uint8))
    return np.asarray(np.minimum(wide / around, 8.0), dtype=np.float64)


def _by_ruler(view: View, ruler: RulerScale, at_px: tuple[float, float]) -> RulerFound:
    """Compare a ruler's scale with the view's at the same place."""
    radius = view.outline.radius_mm
    z = np.linspace(-0.2, 4.0, 85) * radius
    side = [view.wall_px(np.full(len(z), view.edge_azimuth(s)), z) for s in (-1, 1)]
    left, right = (np.interp(-at_px[1], -line[:, 1], line[:, 0]) for line in side)
    on_wall = bool(left < at_px[0] < right)
    if on_wall:
        x, y = view.outline.points(np.full(len(z), _azimuth_at(view, at_px, z)))
    else:
        x = np.full(len(z), radius * (2 * at_px[0] - left - right) / (right - left))
        y = np.full(len(z), -0.5 * radius)
    line = view.camera.project(x, y, z)
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1) / np.diff(z)
    middles = (line[1:, 1] + line[:-1, 1]) / 2
    px_per_unit = float(np.interp(-at_px[1], -middles, steps))
    distance = view.camera.distance_mm
    depth_sd = _ON_WALL_SD if on_wall else _BESIDE_SD_RADII * radius / distance
    sd = math.hypot(depth_sd, 0.015, ruler.sd_px_per_mm / ruler.px_per_mm)
    return RulerFound(radius * px_per_unit / ruler.px_per_mm, sd)


def _azimuth_at(view: View, at_px: tuple[float, float], z: Array) -> float:
    """Azimuth of the front wall that shows at a place of the picture [rad]."""
    azimuth = np.linspace(view.edge_azimuth(-1), view.edge_azimuth(1), 61)
    wall = view.wall_px(azimuth[:, None], z[None, :])
    columns = [np.interp(-at_px[1], -line[:, 1], line[:, 0]) for line in wall]
    return float(np.interp(at_px[0], columns, azimuth))


# --- the strip's own ruler against its tags -------------------------------------------------------

# On 39 rendered photos of strips the ticks' pitch lies within 0.1 % of the tags' scale on round
# jars and 0.6 % on square ones, and the ticks carry more than half of the column's contrast.
_TICKS_OFF, _TICKS_CLEAR = 0.015, 0.45
_TICK_ROW_MM = 0.1


def tick_stretch(bgr: Picture, jar: Jar) -> float:
    """Measure how much longer the strip's printed millimetres are than its tags say.

    The column of ticks is unrolled in the tags' millimetres; a tick each millimetre is then a wave
    of one cycle a millimetre, and the drift of its phase is the stretch.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    jar : Jar
        The jar that carries the strip, its view in millimetres.

    Returns
    -------
    float
        0.02 where ten ticks take 10.2 mm; NaN where the ticks are not clear.
    """
    left, right = jar.strip_azimuths
    spec = strip_spec()
    x = np.arange(spec.width_mm - 1.7, spec.width_mm - 0.3, 0.2)
    z = np.arange(4.0, spec.lengths_mm[0] - 2.0, _TICK_ROW_MM)
    azimuth = left + (right - left) * x / spec.width_mm
    at = jar.view.wall_px(azimuth[None, :], z[:, None]).astype(np.float32)
    patch = cv2.remap(bgr, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    column = patch.mean(axis=(1, 2), dtype=np.float64)
    column -= np.convolve(column, np.full(21, 1 / 21), mode="same")
    window = np.hanning(101) / np.hanning(101).sum()
    wave = np.convolve(column * np.exp(-2j * np.pi * z), window, mode="same")[60:-60]
    size = np.sqrt(np.abs(np.convolve(column**2, window, mode="same")[60:-60]))
    if np.median(np.abs(wave) / (size + 1e-6)) < _TICKS_CLEAR:
        return math.nan
    slope = np.polyfit(z[60:-60], np.unwrap(np.angle(wave)), 1, w=np.abs(wave))[0]
    return float(-slope / (2 * np.pi) / (1 + slope / (2 * np.pi)))


def print_doubts(name: str, bgr: Picture, jar: Jar) -> list[Doubt]:
    """Doubt a strip whose ruler and tags were not printed to one scale."""
    stretch = tick_stretch(bgr, jar)
    if math.isnan(stretch) or abs(stretch) < _TICKS_OFF:
        return []
    percent = f"{100 * abs(stretch):.0f} %"
    return [doubt(DoubtName.PRINT_NOT_TO_SCALE, photo=name, percent=percent)]
