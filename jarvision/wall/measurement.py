"""What was measured in a jar's photos, in numbers: all that later stages need, without a pixel."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeVar

from jarvision.core.doubts import Doubt
from jarvision.core.series import Reading
from jarvision.jar.scale import Scale, ScaleSource

T = TypeVar("T")

LAYERS = ("sand", "silt", "clay")

Three: TypeAlias = tuple[float, float, float]
"""One number each for sand, silt and clay; NaN where unknown."""

UNKNOWN_THREE: Three = (math.nan, math.nan, math.nan)

ORDER = (Reading.ONE_MINUTE, Reading.TWO_HOURS, Reading.TWO_DAYS)
"""The readings in time; the reading at index i is the one that shows the top of layer i."""

WATER_SD_MM = 3.0  # how well the water line is seen in photos; our own judgement, no source
GRAIN_SHARED_LOG_SD = 0.09
"""How far all grain diameters of a jar are off together, as a logarithm: minerals and how grains
lie make packings look finer or coarser (two laws of drawn grains, three kinds of mineral)."""

_BESIDE_MM = 0.5  # a boundary so near a mark's edge may lie behind it


@dataclass(frozen=True, slots=True)
class Boundary:
    """One boundary in one photo.

    Attributes
    ----------
    layer : str
        The layer whose top this is.
    top_mm, sd_mm : float
        Height above the strip's zero and one standard deviation [mm].
    colour_mm, grain_mm : float
        Where colour alone and grain alone put it; NaN where a cue says nothing.
    contrast : float
        Colour step over the noise.
    uneven_mm : float
        Spread of the boundary along the front, 5 to 95 % [mm].
    alternatives : tuple of (float, float)
        Other places it could be: height [mm] and weight against the main one.
    by_hand : bool
        Whether somebody put it there, or where it lies follows from where they put it.
    """

    layer: str
    top_mm: float
    sd_mm: float
    colour_mm: float
    grain_mm: float
    contrast: float
    uneven_mm: float
    alternatives: tuple[tuple[float, float], ...] = ()
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Floor:
    """The inside floor in the strip's millimetres.

    Attributes
    ----------
    z_mm, sd_mm : float
        Height of the inside floor above the strip's zero, and one standard deviation [mm].
    seen_mm : float
        Where the foot of the deposit alone puts it; NaN where it was not seen.
    """

    z_mm: float
    sd_mm: float
    seen_mm: float


@dataclass(frozen=True, slots=True)
class PhotoMeasurement:
    """What was measured in one photo.

    Attributes
    ----------
    name : str
        File name, safe to print.
    reading : Reading
        Which reading it stands for, or for one that only confirms, the last that was due.
    floor : Floor
        Inside floor in this photo's heights.
    boundaries : tuple of Boundary
        Lowest first, heights above the inside floor [mm].
    scaled : bool
        Whether the photo's heights are millimetres; else they are nominal.
    scale : Scale
        What the millimetres come from, and their relative standard deviation.
    radius_mm : float
        Outside radius of the jar [mm, nominal without a scale].
    is_round : bool
        Whether the jar is round; else square with rounded corners.
    camera_distance_mm, camera_height_mm : float
        From the jar's axis to the camera, and its height above the strip's zero [mm, nominal
        without a scale].
    bow_mm : float
        How far heights may be off as lines bow or the strip is not flat [mm].
    width_ratio : float
        Width of the jar at the deposit's top over that at the floor; NaN where not seen.
    structure : tuple of float
        What is to be seen in the water, see `floor.water_structure`; NaN where not known.
    covered_mm : tuple of (float, float)
        Heights between which marks hide all of the glass, above the strip's zero [mm].
    doubts : tuple of Doubt
        About the picture itself.
    elapsed_s : float
        Time since shaking [s]; NaN where not known.
    deposit : Boundary or None
        In a further photo, the top of all that was down, above the inside floor; None where it
        was not seen clearly.
    """

    name: str
    reading: Reading
    floor: Floor
    boundaries: tuple[Boundary, ...]
    scaled: bool
    scale: Scale
    radius_mm: float
    is_round: bool
    camera_distance_mm: float = math.nan
    camera_height_mm: float = math.nan
    bow_mm: float = 0.0
    width_ratio: float = math.nan
    structure: tuple[float, float] = (math.nan, math.nan)
    covered_mm: tuple[tuple[float, float], ...] = ()
    doubts: tuple[Doubt, ...] = ()
    elapsed_s: float = math.nan
    deposit: Boundary | None = None

    @property
    def deposit_sd_mm(self) -> float:
        """How sure the deposit's height above the floor is, one standard deviation [mm]."""
        if self.deposit is None:
            return math.nan
        scale_mm = self.scale.relative_sd * self.deposit.top_mm
        return math.hypot(self.deposit.sd_mm, self.floor.sd_mm, scale_mm, self.bow_mm)

    def numbers(self) -> PhotoMeasurement:
        """Give the same without any picture."""
        return self

    @property
    def has_strip(self) -> bool:
        """Whether heights count from a strip's zero."""
        return self.scale.source is ScaleSource.STRIP

    def is_covered(self, boundary: Boundary) -> bool:
        """Whether a mark hides a boundary on all of the glass."""
        height = boundary.top_mm + self.floor.z_mm
        return any(is_behind(height, span) for span in self.covered_mm)


@dataclass(frozen=True, slots=True)
class GrainBand:
    """The grains in one band of the sand, as the wall shows them.

    Attributes
    ----------
    bottom_mm, top_mm : float
        Heights of the band above the inside floor [mm].
    mean_mm : float
        Mean intermediate diameter of its grains, each weighed by the area that it covers, which on
        a plane through a packing is its share of volume (Delesse) [mm]; NaN where they are too
        small to be told.
    log_sd : float
        One standard deviation of the natural logarithm of `mean_mm`, besides what all bands of a
        jar are off together (`GRAIN_SHARED_LOG_SD`); NaN with it.
    finer_than_mm : float
        Where they are too small to be told, the mean is less than this 19 times in 20 [mm]; else
        NaN.
    """

    bottom_mm: float
    top_mm: float
    mean_mm: float = math.nan
    log_sd: float = math.nan
    finer_than_mm: float = math.nan

    @property
    def is_measured(self) -> bool:
        """Whether there is a number, and not only a bound."""
        return math.isfinite(self.mean_mm)

    @property
    def is_told(self) -> bool:
        """Whether there is a number or a bound."""
        return self.is_measured or math.isfinite(self.finer_than_mm)

    @property
    def size_mm(self) -> float:
        """The mean size, or else its bound [mm]."""
        return self.mean_mm if self.is_measured else self.finer_than_mm


@dataclass(frozen=True, slots=True)
class SandGrain:
    """What a photo shows of the sand's own grains.

    Attributes
    ----------
    photo : str
        File name of the photo, safe to print; empty where none could be used.
    bands : tuple of GrainBand
        Lowest first; empty where nothing can be said.
    px_per_mm : float
        Pixels of the full-size photo a millimetre at the wall [1/mm].
    limit_mm : float
        The finest mean that this photo could tell [mm].
    stones : int
        How many grains over 2 mm lie at the wall in what was looked at.
    stones_share : float
        Share of the sand's wall that they cover; NaN where not looked for.
    why_not : str
        Where `bands` is empty, one plain sentence that says why and what to do.
    """

    photo: str = ""
    bands: tuple[GrainBand, ...] = ()
    px_per_mm: float = math.nan
    limit_mm: float = math.nan
    stones: int = 0
    stones_share: float = math.nan
    why_not: str = ""

    def lowered(self, floor_mm: float) -> SandGrain:
        """Give the same in heights above a floor that lies so much higher [mm]."""
        bands = (
            replace(b, bottom_mm=b.bottom_mm - floor_mm, top_mm=b.top_mm - floor_mm)
            for b in self.bands
        )
        return replace(self, bands=tuple(bands))


@dataclass(frozen=True, slots=True)
class JarMeasurement:
    """What was measured in all photos of one jar.

    Attributes
    ----------
    photos : tuple of PhotoMeasurement
        One a reading, in order of time; the last shows all three layers.
    further : tuple of PhotoMeasurement
        Photos that confirm or contradict, and show the deposit at other times.
    water_mm, water_sd_mm : float
        Water line above the inside floor, and one standard deviation [mm]; NaN where not seen.
    water_odds : float
        Odds that it is the water line and no other edge; NaN where not weighed.
    widened_to_mm : float
        Height above the inside floor up to which the photos' `width_ratio` counts [mm].
    doubts : tuple of Doubt
        What was doubtful before boundaries were placed: times, the photos' noise.
    put_right : tuple of str
        The lines that somebody put right by hand.
    sand_grain : SandGrain or None
        What its sand's grains look like; None where that was not looked at.
    """

    photos: tuple[PhotoMeasurement, ...]
    further: tuple[PhotoMeasurement, ...] = ()
    water_mm: float = math.nan
    water_sd_mm: float = WATER_SD_MM
    water_odds: float = math.nan
    widened_to_mm: float = math.nan
    doubts: tuple[Doubt, ...] = ()
    put_right: tuple[str, ...] = ()
    sand_grain: SandGrain | None = None

    def numbers(self) -> JarMeasurement:
        """Give the same without any picture."""
        return replace(
            self,
            photos=tuple(photo.numbers() for photo in self.photos),
            further=tuple(photo.numbers() for photo in self.further),
        )

    @property
    def scaled(self) -> bool:
        """Whether heights are millimetres; else only their ratios mean anything."""
        return all(photo.scaled for photo in self.photos)

    @property
    def all_doubts(self) -> list[Doubt]:
        """The doubts known so far, in the order in which they are told."""
        return [*self.doubts, *(d for photo in self.photos for d in photo.doubts)]


def three_of(values: Iterable[T]) -> tuple[T, T, T]:
    """Give what there is one of for sand, silt and clay."""
    sand, silt, clay = values
    return sand, silt, clay


def is_behind(top_mm: float, span: Sequence[float]) -> bool:
    """Whether a height may lie behind a mark that covers a span of heights [mm]."""
    return span[0] - _BESIDE_MM <= top_mm <= span[1] + _BESIDE_MM


def hidden_sd_mm(span: Sequence[float]) -> float:
    """Give one standard deviation of a boundary that may lie anywhere behind a mark [mm]."""
    return (span[1] - span[0] + 2 * _BESIDE_MM) / math.sqrt(12)


def lowered(boundary: Boundary, floor_mm: float) -> Boundary:
    """Give a boundary in heights above a floor that lies so much higher [mm]."""
    return replace(
        boundary,
        top_mm=boundary.top_mm - floor_mm,
        colour_mm=boundary.colour_mm - floor_mm,
        grain_mm=boundary.grain_mm - floor_mm,
        alternatives=tuple((h - floor_mm, w) for h, w in boundary.alternatives),
    )


def clearness_of(last: tuple[float, float], earlier: Sequence[tuple[float, float]]) -> str:
    """Tell clear water from cloudy: through clear water the far side of the jar is seen.

    Cloudy water shows only what the glass mirrors, as the earlier photos do. In between, or with
    nothing to compare with, it stays unknown. The limits are our own, from rendered pictures.
    """
    variety, step = last
    if math.isnan(variety):
        return "unknown"
    known = [e for e in earlier if not math.isnan(e[0])]
    if not known:
        return "clear" if step > 8.0 else "unknown"
    usual_variety, usual_step = (max(e[i] for e in known) for i in (0, 1))
    if variety > 2.0 * usual_variety or step > max(6.0, 2.0 * usual_step):
        return "clear"
    if variety < 1.4 * usual_variety and step < 1.4 * max(usual_step, 1.0):
        return "cloudy"
    return "unknown"
