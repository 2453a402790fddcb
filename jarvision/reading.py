"""The flow: photos of a jar -> boundaries -> shares -> texture, with every doubt on the way."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.composition import Candidate, Composition, compose, draw_tops
from jarvision.errors import JarError, NoDepositError, TimesError
from jarvision.floor import Floor, join_floors, seen_floor, water_line
from jarvision.grouping import READING_TIMES, Reading
from jarvision.jar import Jar, find_jar
from jarvision.layers import (
    LAYERS,
    Boundary,
    Evidence,
    clay_places,
    coarse_tops,
    gather,
    place,
)
from jarvision.measured import Doubt, DoubtName, Measured, doubt
from jarvision.photo import Photo
from jarvision.scale import find_strips
from jarvision.texture import Texture, texture_of
from jarvision.wallmap import WallMap, unroll

Array: TypeAlias = NDArray[np.float64]

SETTLED: Mapping[Reading, int] = {
    Reading.ONE_MINUTE: 1,
    Reading.TWO_HOURS: 2,
    Reading.TWO_DAYS: 3,
}
_DIAGONAL_35MM_MM = 43.2666  # diagonal of a 36 x 24 mm frame (CIPA DCG-001: equivalence by diagonal)
_USUAL_FOCAL_35MM_MM = 26.0  # main camera of most phones; common practice, no source
_MAP_TOP_MM = 150.0
_SCALE_SD = 0.004  # printing and tags together


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was found in one photo before its layers are read.

    Attributes
    ----------
    name : str
        The photo's file name, safe to print.
    number : int or None
        Jar number on the strip.
    jar : Jar
        The jar.
    wall : WallMap
        Its front wall, unrolled.
    size_px : tuple of int
        Height and width of the working picture.
    brightness, sharpness : float
        Median lightness of the wall (CIE L*), and steepness of the tags' edges against ideal.
    doubts : tuple of Doubt
        About the photo itself.
    """

    name: str
    number: int | None
    jar: Jar
    wall: WallMap
    size_px: tuple[int, int]
    brightness: float
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class PhotoReading:
    """One photo with the boundaries read in it, heights above the inside floor [mm]."""

    name: str
    reading: Reading
    look: Look = field(repr=False)
    boundaries: tuple[Boundary, ...]


@dataclass(frozen=True, slots=True)
class JarReading:
    """All that was read of one jar.

    Attributes
    ----------
    jar : str
        Its name.
    photos : tuple of PhotoReading
        The photos used, in order of time.
    scaled : bool
        Whether heights are millimetres (with a strip) or parts of the jar's radius.
    floor : Floor
        Inside floor against the strip's zero.
    tops : tuple of Measured
        Top of sand, silt and clay above the inside floor [mm], at the time of each one's photo.
    water_mm : float
        Water line above the inside floor [mm]; NaN where not seen.
    composition : Composition
        Shares by height.
    texture : Texture
        Class odds by height.
    doubts : tuple of Doubt
        Every doubt, once.
    """

    jar: str
    photos: tuple[PhotoReading, ...]
    scaled: bool
    floor: Floor
    tops: tuple[Measured, Measured, Measured]
    water_mm: float
    composition: Composition
    texture: Texture
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class Failure:
    """A jar that could not be read, and why."""

    jar: str
    photos: tuple[str, ...]
    error: JarError


def focal_px(photo: Photo) -> float:
    """Focal length [working px] from what the camera said; NaN where it said nothing usable."""
    if photo.cropped or math.isnan(photo.focal_35mm_mm):
        return math.nan
    return photo.focal_35mm_mm * math.hypot(*photo.bgr.shape[:2]) / _DIAGONAL_35MM_MM


def look_at(photo: Photo) -> Look:
    """Find strip, jar and wall in one photo.

    Raises
    ------
    NoJarError
        There is no jar to be seen.
    """
    grey = np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    strips = find_strips(grey)
    focal = focal_px(photo)
    doubts = []
    if math.isnan(focal):
        doubts.append(doubt(DoubtName.FOCAL_UNKNOWN, photo=photo.name))
        focal = _USUAL_FOCAL_35MM_MM * math.hypot(*grey.shape) / _DIAGONAL_35MM_MM
    strip = strips[0]
    jar = find_jar(photo.bgr, strip, focal)
    if len(strip.tags) < 3:
        doubts.append(doubt(DoubtName.FEW_TAGS, found=len(strip.tags), photo=photo.name))
    wall = unroll(photo.bgr, jar, _MAP_TOP_MM)
    brightness = float(np.median(wall.lab()[..., 0]))
    return Look(photo.name, strip.jar, jar, wall, grey.shape, brightness, tuple(doubts))


# How far a boundary sinks until a later photo, as a part of its height: mean and sd. Sand and silt
# beds give way by up to about 2 % under what settles on them; common practice, no source.
_SINK = {
    (0, Reading.TWO_HOURS): (0.007, 0.006),
    (0, Reading.TWO_DAYS): (0.012, 0.009),
    (1, Reading.TWO_DAYS): (0.010, 0.008),
}
_OWN_READING = (Reading.ONE_MINUTE, Reading.TWO_HOURS, Reading.TWO_DAYS)


def read_jar(jar: str, looks: Mapping[Reading, Look], *, seed: int = 0) -> JarReading:
    """Read one jar from the looks at its photos.

    Parameters
    ----------
    jar : str
        Its name.
    looks : mapping from Reading to Look
        One look a reading; the one at 48 hours is needed.
    seed : int
        Seed of the draws.

    Raises
    ------
    TimesError
        There is no photo at the end, so the clay's top is not known.
    NoDepositError
        No layers are seen.
    """
    if Reading.TWO_DAYS not in looks:
        msg = (
            "There is no photo from about 48 hours after shaking, so the clay cannot be read; "
            "add one, with 48h in its name."
        )
        raise TimesError(msg)
    order = [r for r in _OWN_READING if r in looks]
    photos = {r: gather(looks[r].wall, settled=SETTLED[r]) for r in order}
    sand, silt = coarse_tops(list(photos.values()), 0.0)
    water = water_line(list(photos.values()), silt)
    clay = _clay_of(photos[Reading.TWO_DAYS], looks[Reading.TWO_DAYS].jar, silt, water)
    coarse = (sand, silt, clay[0][0])
    floor = join_floors([seen_floor(p, coarse[0]) for p in photos.values()], has_strip=True)
    found = {r: _place_all(photos[r], coarse, clay, floor.z_mm) for r in order}
    tops, moved = _join(found, floor)
    alternatives = _alternatives(found[Reading.TWO_DAYS][2], floor)
    draws = draw_tops(
        [t.value for t in tops],
        [t.sd for t in tops],
        shared_sd_mm=floor.sd_mm,
        scale_sd=_SCALE_SD,
        rng=np.random.default_rng(seed),
        alternatives=((), (), alternatives),
    )
    composition = compose(draws)
    whole = tuple(
        Measured(t.value, math.hypot(t.sd, floor.sd_mm, _SCALE_SD * t.value), "mm") for t in tops
    )
    read = tuple(
        PhotoReading(looks[r].name, r, looks[r], _above(found[r], floor.z_mm)) for r in order
    )
    doubts = [d for r in order for d in looks[r].doubts] + moved
    doubts += _doubts_of(read, whole, floor, order)
    return JarReading(
        jar,
        read,
        True,
        floor,
        (whole[0], whole[1], whole[2]),
        water - floor.z_mm,
        composition,
        texture_of(composition.draws),
        tuple(dict.fromkeys(doubts)),
    )


def _clay_of(
    last: Evidence, jar: Jar, silt_mm: float, water_mm: float
) -> list[tuple[float, float]]:
    """Find where the clay's top can be in the last photo, best first."""
    places = clay_places(last, jar, silt_mm, water_mm if water_mm > silt_mm else _MAP_TOP_MM)
    if not places:
        msg = (
            "No top of a deposit was found in the last photo; take it level with the layers, "
            "with light from the side."
        )
        raise NoDepositError(msg)
    return places


def _place_all(
    photo: Evidence, coarse: Sequence[float], clay: list[tuple[float, float]], floor_mm: float
) -> list[Boundary]:
    """Place every boundary that a photo can show."""
    ends = [floor_mm + 0.3, *coarse, coarse[-1] + 200.0]
    placed = []
    for layer in range(photo.settled):
        above = ends[layer + 2] if layer + 1 < photo.settled else coarse[-1] + 200.0
        near, below = coarse[layer], ends[layer]
        first = place(photo, layer, near, below, above, 2.2)
        if first is None:
            msg = f"The {LAYERS[layer]} layer is too thin to be read in a photo."
            raise NoDepositError(msg)
        placed.append(place(photo, layer, first.top_mm, below, above, 1.6) or first)
    return placed


def _join(
    found: Mapping[Reading, list[Boundary]], floor: Floor
) -> tuple[list[Measured], list[Doubt]]:
    """Join what all photos say of each boundary, brought to the time of its own photo."""
    tops = []
    for layer in range(3):
        own = _OWN_READING[layer]
        says = []
        for reading, boundaries in found.items():
            if layer >= len(boundaries):
                continue
            height = boundaries[layer].top_mm - floor.z_mm
            sink, sink_sd = _SINK.get((layer, reading), (0.0, 0.0)) if reading != own else (0.0, 0.0)
            says.append((height * (1 + sink), math.hypot(boundaries[layer].sd_mm, sink_sd * height)))
        values, sds = np.array(says).T
        weight = sds**-2
        mean = float(np.average(values, weights=weight))
        sd = float(weight.sum() ** -0.5)
        spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
        tops.append(Measured(mean, max(sd, 0.2, spread), "mm"))
    return tops, []


def _alternatives(clay: Boundary, floor: Floor) -> tuple[Candidate, ...]:
    """Other places for the clay's top, above the floor."""
    return tuple(Candidate(h - floor.z_mm, clay.sd_mm, w) for h, w in clay.alternatives)


def _above(boundaries: list[Boundary], floor_mm: float) -> tuple[Boundary, ...]:
    """Bring boundaries from the strip's zero to the inside floor."""
    from dataclasses import replace

    return tuple(
        replace(
            b,
            top_mm=b.top_mm - floor_mm,
            colour_mm=b.colour_mm - floor_mm,
            grain_mm=b.grain_mm - floor_mm,
        )
        for b in boundaries
    )


def _doubts_of(
    read: Sequence[PhotoReading], tops: Sequence[Measured], floor: Floor, order: list[Reading]
) -> list[Doubt]:
    """Name what is doubtful about a reading."""
    return []
