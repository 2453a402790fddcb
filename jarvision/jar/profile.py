"""The jar's inside shape: heights are turned into volumes where the walls are not straight.

Heights are millimetres above the lowest point that the inside of the wall reaches: the floor that
is seen through the glass. Volumes are millilitres (1 mL = 1000 mm³).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import UsageError, ValueRefusedError

_MM3_PER_ML = 1000.0

LEAST_MM, MOST_MM = 20, 1000  # outside measures of anything that may be called a jar

_MOST_POINTS = 200  # a point every 5 mm of the tallest jar

LARGEST_BYTES = 100_000

_SLACK_MM = 0.05  # A height read a hair above the measured part still counts as its top.


class CrossSection(StrEnum):
    """What the jar looks like from above."""

    ROUND = "round"
    SQUARE = "square"


class BottomShape(StrEnum):
    """What the inside of the bottom looks like; a dome or bowl is taken as a part of a sphere."""

    FLAT = "flat"
    DOMED = "domed"  # Pushed up in the middle, as most glass jars are a little.
    BOWL = "bowl"  # Lowest in the middle.


@dataclass(frozen=True, slots=True)
class JarProfile:
    """The inside of a jar, either by its radius or by the water poured into it.

    Attributes
    ----------
    name : str
        What the user calls it.
    height_mm : tuple of float
        Heights of the points that follow, from 0 upward.
    inside_radius_mm : tuple of float
        Inside radius at those heights (half the inside width of a square jar), straight between
        them; empty for a poured profile.
    volume_ml : tuple of float
        Water below those heights, for a jar measured by pouring; empty otherwise.
    section : CrossSection
        Round, or square with rounded corners.
    corner_radius_mm : float
        Inside radius of a square jar's corners.
    floor : BottomShape
        Shape of the bottom.
    floor_rise_mm : float
        How far a domed floor rises above the foot of the wall, or a bowl's wall begins above its
        lowest point.
    outside_height_mm, outside_diameter_mm : float
        Outside measures that can give a photo's scale; NaN where not measured.
    source : str
        Where the measures come from.
    """

    name: str
    height_mm: tuple[float, ...]
    inside_radius_mm: tuple[float, ...] = ()
    volume_ml: tuple[float, ...] = ()
    section: CrossSection = CrossSection.ROUND
    corner_radius_mm: float = 0.0
    floor: BottomShape = BottomShape.FLAT
    floor_rise_mm: float = 0.0
    outside_height_mm: float = math.nan
    outside_diameter_mm: float = math.nan
    source: str = ""

    def __post_init__(self) -> None:
        """Refuse measures that no jar has."""
        _check_profile(self)

    @property
    def top_mm(self) -> float:
        """The height up to which the profile was measured [mm]."""
        return self.height_mm[-1]


def volumes_from_heights(profile: JarProfile, heights_mm: ArrayLike) -> Array:
    """Turn heights above the inside floor into the volumes below them.

    Parameters
    ----------
    profile : JarProfile
        The jar's inside.
    heights_mm : array_like, any shape
        Heights [mm]; NaN where unknown.

    Returns
    -------
    array of the same shape
        Volumes [mL]; NaN where the height is NaN. A height below zero has no volume: 0.

    Raises
    ------
    ValueRefusedError
        A height lies above the part of the jar that was measured.

    Notes
    -----
    Between two points a round jar is a frustum of a cone, V = π h (r₁² + r₁ r₂ + r₂²) / 3, and a
    square one of a pyramid; a dome or bowl is a spherical cap, V = π h² (3 R − h) / 3 (Abramowitz &
    Stegun 1964 give the frustum; the cap is in any handbook of solids; from memory). All these
    have areas that are quadratic in height, for which Simpson's rule is exact. Poured volumes are
    joined by a smooth curve that never falls (Fritsch & Carlson 1980).
    """
    heights = np.asarray(heights_mm, dtype=np.float64)
    _check_heights(profile, heights)
    clipped = np.clip(heights, 0.0, profile.top_mm)
    volume = (
        _poured_volume(profile, clipped) if profile.volume_ml else _shape_volume(profile, clipped)
    )
    return np.where(np.isnan(heights), np.nan, volume)


def _shares(volume_below: Array) -> Array:
    parts = np.diff(volume_below, axis=-1, prepend=0.0)
    whole = volume_below[..., -1:]
    shares: Array = 100 * parts / np.where(whole > 0, whole, np.nan)
    return shares


def _check_heights(profile: JarProfile, heights_mm: Array) -> None:
    if np.any(heights_mm > profile.top_mm + _SLACK_MM):
        msg = (
            f"A layer's top at {np.nanmax(heights_mm):.0f} mm lies above the {profile.top_mm:.0f} "
            f"mm that the jar profile '{profile.name}' covers; measure the jar further up."
        )
        raise ValueRefusedError(msg)


def _poured_volume(profile: JarProfile, heights_mm: Array) -> Array:
    from scipy.interpolate import PchipInterpolator

    volume: Array = PchipInterpolator(profile.height_mm, profile.volume_ml)(heights_mm)
    return volume


def _shape_volume(profile: JarProfile, heights_mm: Array) -> Array:
    """Sum Simpson's rule over the pieces below each height."""
    volume = np.zeros_like(heights_mm)
    breaks = sorted({*profile.height_mm, *_floor_breaks(profile)})
    for low, high in pairwise(breaks):
        top = np.clip(heights_mm, low, high)
        ends = _area(profile, np.full_like(top, low), low, high) + _area(profile, top, low, high)
        middle = _area(profile, (low + top) / 2, low, high)
        volume += (top - low) * (ends + 4 * middle) / 6
    return volume / _MM3_PER_ML


def _floor_breaks(profile: JarProfile) -> tuple[float, ...]:
    return () if profile.floor is BottomShape.FLAT else (profile.floor_rise_mm,)


def _area(profile: JarProfile, heights_mm: Array, low_mm: float, high_mm: float) -> Array:
    """Inside area [mm²] at heights within one piece of the profile."""
    middle_mm = (low_mm + high_mm) / 2
    rise_mm = profile.floor_rise_mm
    within_floor = profile.floor is not BottomShape.FLAT and middle_mm < rise_mm
    if within_floor and profile.floor is BottomShape.BOWL:
        return _cap_area(heights_mm, rise_mm, float(_radius(profile, np.array(rise_mm))))
    area = _wall_area(profile, _radius(profile, heights_mm))
    if within_floor:
        area -= _cap_area(rise_mm - heights_mm, rise_mm, profile.inside_radius_mm[0])
    return area


def _radius(profile: JarProfile, heights_mm: Array) -> Array:
    return np.interp(heights_mm, profile.height_mm, profile.inside_radius_mm)


def _wall_area(profile: JarProfile, radius_mm: Array) -> Array:
    if profile.section is CrossSection.ROUND:
        return np.pi * radius_mm**2
    return 4 * radius_mm**2 - (4 - np.pi) * profile.corner_radius_mm**2


def _cap_area(from_pole_mm: Array, rise_mm: float, base_radius_mm: float) -> Array:
    """Area [mm²] across a spherical cap of this rise and base, at a distance from its pole."""
    sphere_mm = (base_radius_mm**2 + rise_mm**2) / (2 * rise_mm)
    return np.pi * (2 * sphere_mm * from_pole_mm - from_pole_mm**2)


def taper_bias_points(tops_mm: ArrayLike, *, width_ratio: float) -> Array:
    """Estimate how far shares by height are off those by volume where straight walls lean.

    Parameters
    ----------
    tops_mm : (..., layers) array_like
        Tops of the layers from the lowest up [mm].
    width_ratio : float
        Width of the jar at the top of the deposit over its width at the floor, as the outline in
        the photo shows it; below 1 where the jar narrows upward. From 0.5 to 2.

    Returns
    -------
    (..., layers) array
        Share by height less share by volume [percentage points].

    Raises
    ------
    ValueRefusedError
        A width ratio outside 0.5 to 2: that is no jar for this test.

    Notes
    -----
    With r = r₀ (1 + s z/H), the volume below z goes as z + s z²/H + s² z³/(3 H²), s the ratio less
    one and H the height of the deposit: a frustum. Square jars follow the same law.
    """
    if not 0.5 <= width_ratio <= 2:
        msg = (
            f"Walls that change the jar's width by a factor of {width_ratio:.2f} are too steep to "
            "correct; use a straight-sided jar."
        )
        raise ValueRefusedError(msg)
    tops = np.asarray(tops_mm, dtype=np.float64)
    part = tops / np.where(tops[..., -1:] > 0, tops[..., -1:], np.nan)
    lean = width_ratio - 1
    volume_below = part + lean * part**2 + lean**2 * part**3 / 3
    return _shares(tops) - _shares(volume_below)


def profile_from_pours(
    volumes_ml: Sequence[float], heights_mm: Sequence[float], *, name: str
) -> JarProfile:
    """Make a profile from known volumes of water poured into the jar.

    Pour a measured volume, note the water's height above the inside floor where it meets the wall,
    pour the next and note again, up past where soil will come: six steps of 100 mL do well. A
    kitchen scale is the best measure, 1 g of water to 1 mL.

    Parameters
    ----------
    volumes_ml, heights_mm : sequence of float
        Water in the jar in all [mL], and its height then [mm], from the first pour up.
    name : str
        What to call the jar.

    Returns
    -------
    JarProfile

    Raises
    ------
    UsageError
        Fewer than three pours, or volumes or heights that do not rise step by step.
    """
    if len(volumes_ml) != len(heights_mm):
        msg = f"'{name}' needs a height for each volume of water, and no more."
        raise UsageError(msg)
    pours = sorted(zip(heights_mm, volumes_ml, strict=True))
    if len(pours) < 3:
        msg = f"'{name}' has {len(pours)} pours of water; pour and note at least three."
        raise UsageError(msg)
    if pours[0] != (0.0, 0.0):
        pours.insert(0, (0.0, 0.0))
    heights, volumes = zip(*((float(h), float(v)) for h, v in pours), strict=True)
    return JarProfile(name, heights, volume_ml=volumes, source="measured with poured water")


_LEVEL_SD_MM = 0.5  # of a water level read against a ruler; common practice, no source


def remeasured(profile: JarProfile, rng: np.random.Generator) -> JarProfile:
    """Give a poured profile as another careful person might have measured it.

    Shares from many of these show how far the measuring of the jar leaves them unsure.

    Parameters
    ----------
    profile : JarProfile
        A jar measured by pouring; any other comes back as it is.
    rng : numpy.random.Generator
        Where the chance comes from.
    """
    if not profile.volume_ml:
        return profile
    height = np.array(profile.height_mm)
    height[1:] += rng.normal(0.0, _LEVEL_SD_MM, len(height) - 1)
    height = np.maximum.accumulate(np.maximum(height, 1e-3 * np.arange(len(height))))
    height += 1e-6 * np.arange(len(height))  # Levels that came out equal still rise.
    return replace(profile, height_mm=tuple(float(h) for h in height))


def _check_profile(profile: JarProfile) -> None:
    for problem, wrong in _problems(profile):
        if wrong:
            msg = f"The jar profile '{profile.name}' {problem}."
            raise UsageError(msg)


def _problems(profile: JarProfile) -> Iterator[tuple[str, bool]]:
    """Yield what can be wrong with a profile and whether it is, each check safe after the last."""
    height = np.array(profile.height_mm)
    given = np.array(profile.volume_ml or profile.inside_radius_mm)
    both = bool(profile.volume_ml and profile.inside_radius_mm)
    yield "needs either radii or poured volumes, not both", both or len(given) == 0
    uneven = len(height) < 2 or len(height) != len(given)
    yield "needs two heights or more, and a radius or volume for each", uneven
    yield f"has more than {_MOST_POINTS} points; a dozen are plenty", len(height) > _MOST_POINTS
    numbers = [*height, *given, profile.corner_radius_mm, profile.floor_rise_mm]
    yield "has a number that is none", not np.isfinite(numbers).all()
    falling = bool(height[0] != 0 or np.diff(height).min() <= 0)
    yield "must start at height 0 and rise from one to the next", falling
    yield "reaches higher than 1000 mm; give heights in millimetres", bool(height[-1] > 1000)
    outside = [profile.outside_height_mm, profile.outside_diameter_mm]
    odd = any(not math.isnan(mm) and not LEAST_MM <= mm <= MOST_MM for mm in outside)
    yield "has an outside measure that is not between 20 and 1000 mm", odd
    yield from _pour_problems(height, given) if profile.volume_ml else _shape_problems(profile)


def _shape_problems(profile: JarProfile) -> Iterator[tuple[str, bool]]:
    radius, rise, flat = (
        profile.inside_radius_mm,
        profile.floor_rise_mm,
        profile.floor is BottomShape.FLAT,
    )
    wide = min(radius) < 5 or max(radius) > 250
    yield "has a radius outside 5 to 250 mm; give half the inside width in millimetres", wide
    too_round = not 0 <= profile.corner_radius_mm <= min(radius)
    yield "has corners rounder than the jar is wide", too_round
    round_jar = profile.section is CrossSection.ROUND
    yield (
        "has rounded corners but is round; leave one out",
        (round_jar and profile.corner_radius_mm > 0),
    )
    yield "has a flat floor that rises; say floor = 'domed' or 'bowl'", flat and rise != 0
    yield "needs floor_rise_mm for its floor", not flat and rise <= 0
    at_wall = (
        float(_radius(profile, np.array(rise))) if profile.floor is BottomShape.BOWL else radius[0]
    )
    yield "has a floor that rises more than half the jar's width", rise > at_wall
    yield "ends within its floor; measure the jar further up", rise >= profile.top_mm
    square_bowl = profile.floor is BottomShape.BOWL and not round_jar
    yield "has a bowl for a floor, which is only known for round jars", square_bowl


def _pour_problems(height_mm: Array, volume_ml: Array) -> Iterator[tuple[str, bool]]:
    falling = bool(volume_ml[0] != 0 or np.diff(volume_ml).min() <= 0)
    yield "must start with no water and gain some at each pour", falling
    area_mm2 = _MM3_PER_ML * np.diff(volume_ml) / np.diff(height_mm)
    typical = float(np.median(area_mm2))
    odd = bool(area_mm2.min() < typical / 4 or area_mm2.max() > typical * 4)
    yield "has a pour that raised the water far more or less than the others; check it", odd
    unlikely = not np.pi * 5**2 < typical < 4 * 250**2
    yield "holds more or less than any jar; give volumes in mL and heights in mm", unlikely
