"""From a jar that was read to its sand: how coarse it is, in parts of the soil and as a class."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.estimate.posterior import Interval, Weighed, interval_of
from jarvision.estimate.priors import PRIORS
from jarvision.estimate.reading import JarReading
from jarvision.estimate.sand_classes import SandTexture, sand_texture_of, with_sand
from jarvision.estimate.sand_parts import UNKNOWN_PARTS, SandParts, sand_parts

_USUAL_TEMP_C = 20.0
_USUAL_FALL = 2.5  # times the deposit's height, where the water line was not seen: `JarFacts`

# The top of the silt is where it is at 2 hours, when some clay lies with it: what its layer says of
# its mass is off by so much, as a logarithm. Ours.
_BY_HEIGHT_SD = 0.5


@dataclass(frozen=True, slots=True)
class JarSand:
    """The sand of a jar whose grains were looked at.

    Attributes
    ----------
    parts : SandParts
        Its parts as shares of the sand.
    of_soil_pct : tuple of 5 Interval
        The parts in the order of `SAND_PARTS` [% of the fine earth by weight]; NaN where they, or
        the soil by weight, are not told.
    texture : SandTexture or None
        Odds of the classes by their sand; None where the parts are not sure, or there is no soil by
        weight.
    """

    parts: SandParts
    of_soil_pct: tuple[Interval, ...]
    texture: SandTexture | None


def sand_seen(reading: JarReading) -> SandParts | None:
    """Work out the sand's parts from its grains by height.

    Parameters
    ----------
    reading : JarReading
        A jar that was read.

    Returns
    -------
    SandParts or None
        None where no grains were looked at or told, or where there are no millimetres.

    Notes
    -----
    How much silt lies with the sand comes from the layers' heights, roughly. Walls count as
    straight.
    """
    grain = reading.measurement.sand_grain
    if grain is None or not grain.bands or not reading.scaled:
        return None
    fall_mm = reading.water_mm
    if math.isnan(fall_mm):
        fall_mm = _USUAL_FALL * reading.tops[-1].value
    temp_c = reading.given.facts.temp_c
    scales = {photo.name: photo.scale.relative_sd for photo in reading.photos}
    return sand_parts(
        grain.bands,
        top_mm=reading.tops[0].value,
        fall_mm=fall_mm,
        temp_c=_USUAL_TEMP_C if temp_c is None else temp_c,
        silt_to_sand=_silt_to_sand(reading),
        scale_sd=scales.get(grain.photo, max(scales.values())),
        seed=reading.given.seed,
    )


def _silt_to_sand(reading: JarReading) -> Array:
    """Draws of the mass of silt for one of sand, by the heights of their layers."""
    sand, silt, _ = np.maximum(reading.composition.draws, 0.1).T
    spread = np.random.default_rng(reading.given.seed).standard_normal(len(sand))
    looser = PRIORS["silt_density"].centre / PRIORS["sand_density"].centre
    return np.asarray(silt / sand * looser * np.exp(_BY_HEIGHT_SD * spread))


def sand_of(parts: SandParts, weighed: Weighed | None, *, seed: int) -> JarSand:
    """Put the sand's parts into the soil by weight.

    Parameters
    ----------
    parts : SandParts
        Shares of the sand.
    weighed : Weighed or None
        The soil by weight, where it could be estimated.
    seed : int
        Of the draws' pairing.
    """
    if weighed is None or not parts.are_told:
        return JarSand(parts, UNKNOWN_PARTS, None)
    draws = 100.0 * weighed.fractions
    of_soil = with_sand(draws, parts.shares, rng=np.random.default_rng(seed))
    texture = sand_texture_of(draws, of_soil) if parts.are_sure else None
    return JarSand(parts, tuple(interval_of(column) for column in of_soil.T), texture)
