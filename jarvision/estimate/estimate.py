"""One call from what was measured in a jar's photos to its soil, by height and by weight.

A line that somebody corrects by hand is a `Correction`: it takes the place of what was measured,
and everything after it is worked out again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from jarvision.core.errors import JarError, ValueRefusedError
from jarvision.core.series import Reading
from jarvision.estimate.by_weight import weigh_reading
from jarvision.estimate.given import Given
from jarvision.estimate.jar_sand import JarSand, sand_of, sand_seen
from jarvision.estimate.posterior import Weighed
from jarvision.estimate.reading import JarReading, work_out
from jarvision.wall.measurement import (
    LAYERS,
    Boundary,
    JarMeasurement,
    PhotoMeasurement,
    lowered,
)


@dataclass(frozen=True, slots=True)
class Estimated:
    """A jar's soil.

    Attributes
    ----------
    reading : JarReading
        By height.
    weighed : Weighed or None
        By weight, where it could be estimated.
    not_weighed : str
        Why it could not; empty where it could.
    sand : JarSand or None
        How coarse its sand is; None where no grains were told.
    """

    reading: JarReading
    weighed: Weighed | None
    not_weighed: str
    sand: JarSand | None = None


class JarLine(StrEnum):
    """A line on a jar that can be corrected."""

    SAND = "sand"
    SILT = "silt"
    CLAY = "clay"
    FLOOR = "floor"
    WATER = "water"


@dataclass(frozen=True, slots=True)
class Correction:
    """A line as somebody sees it.

    Attributes
    ----------
    line : JarLine
        Which line.
    value_mm, sd_mm : float
        Its height above the inside floor, and one standard deviation [mm, nominal where the jar
        has no scale]. The floor's own is above the floor that was measured.
    reading : Reading or None
        The photo in which a layer's top is corrected; None stands for all that show it.
    """

    line: JarLine
    value_mm: float
    sd_mm: float
    reading: Reading | None = None


def estimate(
    jar: str, measured: JarMeasurement, given: Given, *, corrections: Sequence[Correction] = ()
) -> Estimated:
    """Work out a jar's soil from what was measured in its photos.

    Parameters
    ----------
    jar : str
        Its name.
    measured : JarMeasurement
        What was measured.
    given : Given
        What is known besides.
    corrections : sequence of Correction
        Lines that were corrected by hand, the last of a line counts.

    Raises
    ------
    NoDepositError
        The tops leave no deposit.
    ValueRefusedError
        A correction that cannot be, or layers higher than the jar's profile was measured.
    """
    for correction in corrections:
        measured = corrected(measured, correction)
    return weighed_too(work_out(jar, measured, given))


def weighed_too(reading: JarReading) -> Estimated:
    """Add the sand's grain and the soil by weight; what stands against it becomes a sentence."""
    parts = sand_seen(reading)
    if parts is not None and parts.doubts:
        reading = replace(reading, doubts=(*reading.doubts, *parts.doubts))
    weighed, not_weighed = None, ""
    try:
        weighed = weigh_reading(reading, None if parts is None else parts.measured)
    except JarError as error:
        not_weighed = str(error)
    sand = None if parts is None else sand_of(parts, weighed, seed=reading.given.seed)
    return Estimated(reading, weighed, not_weighed, sand)


def corrected(measured: JarMeasurement, correction: Correction) -> JarMeasurement:
    """Put a line where somebody sees it.

    Raises
    ------
    ValueRefusedError
        A value that is no number, or an uncertainty that is not more than 0.
    """
    value, sd = correction.value_mm, correction.sd_mm
    if not (math.isfinite(value) and 0 < sd < math.inf):
        msg = "A corrected line needs its height and how sure it is, both in millimetres."
        raise ValueRefusedError(msg)
    if correction.line is JarLine.WATER:
        return replace(measured, water_mm=value, water_sd_mm=sd)
    if correction.line is JarLine.FLOOR:
        return replace(
            measured,
            sand_grain=measured.sand_grain and measured.sand_grain.lowered(value),
            photos=tuple(_with_floor(photo, value, sd) for photo in measured.photos),
            further=tuple(_with_floor(photo, value, sd) for photo in measured.further),
            water_mm=measured.water_mm - value,
            widened_to_mm=measured.widened_to_mm - value,
        )
    return replace(
        measured,
        photos=tuple(_with_top(photo, correction) for photo in measured.photos),
        further=tuple(_with_top(photo, correction) for photo in measured.further),
    )


def _with_floor(photo: PhotoMeasurement, value_mm: float, sd_mm: float) -> PhotoMeasurement:
    floor = replace(photo.floor, z_mm=photo.floor.z_mm + value_mm, sd_mm=sd_mm)
    boundaries = tuple(lowered(boundary, value_mm) for boundary in photo.boundaries)
    deposit = photo.deposit and lowered(photo.deposit, value_mm)
    return replace(photo, floor=floor, boundaries=boundaries, deposit=deposit)


def _with_top(photo: PhotoMeasurement, correction: Correction) -> PhotoMeasurement:
    """Correct a boundary in a photo that is meant: it has no rivals any more, and no two cues."""
    layer = LAYERS.index(correction.line)
    if correction.reading not in (None, photo.reading) or layer >= len(photo.boundaries):
        return photo
    by_hand = Boundary(
        LAYERS[layer],
        correction.value_mm,
        correction.sd_mm,
        colour_mm=math.nan,
        grain_mm=math.nan,
        contrast=math.nan,
        uneven_mm=math.nan,
        by_hand=True,
    )
    boundaries = (*photo.boundaries[:layer], by_hand, *photo.boundaries[layer + 1 :])
    return replace(photo, boundaries=boundaries)
