"""Which photo shows the sand's grains best, opened at full scale for them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from jarvision.core.errors import JarError
from jarvision.core.ranges import Z90, with_range
from jarvision.core.series import Reading
from jarvision.estimate.sand_grading import SandGrading, grading_of
from jarvision.jar.strip import Strip
from jarvision.photo.decode import Photo
from jarvision.run.album import Album
from jarvision.wall.locate import Look
from jarvision.wall.measurement import GRAIN_SHARED_LOG_SD, ORDER, JarMeasurement, SandGrain
from jarvision.wall.sand_grain import sand_grain

_NO_SCALE = "Without a strip or ruler in the photo nobody knows how large the sand's grains are"


def with_sand_grain(
    measured: JarMeasurement,
    looks: Mapping[Reading, Look],
    pictures: Mapping[Reading, tuple[Path, Photo, Strip | None]],
    album: Album,
) -> JarMeasurement:
    """Add what the earliest photo shows of the sand's grains: cloudy water hides what is behind.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured of the jar.
    looks : mapping from Reading to Look
        What was found in each photo.
    pictures : mapping from Reading to (Path, Photo, Strip or None)
        The photos themselves.
    album : Album
        Opens them at full scale.
    """
    reading = next((r for r in ORDER if r in looks), None)
    photo = next((p for p in measured.photos if p.reading is reading), None)
    if reading is None or photo is None or not photo.boundaries:
        return measured
    sand = photo.boundaries[0]
    if math.isnan(sand.top_mm):
        return measured
    path, picture, strip = pictures[reading]
    try:
        grey = album.full_grey(path, picture)
    except JarError:  # it was there a moment ago
        return measured
    if grey is None:
        return measured
    grain = sand_grain(
        looks[reading],
        strip,
        grey,
        floor_mm=photo.floor.z_mm,
        sand_top_mm=sand.top_mm - sand.sd_mm,
    )
    return replace(measured, sand_grain=grain if photo.scaled else _without_scale(grain))


def _without_scale(grain: SandGrain) -> SandGrain:
    """Give the grains in pixels, where they lie as settled; in millimetres nothing is known."""
    words = f"{_NO_SCALE}."
    if grading_of(grain.bands, fall_mm=math.nan, temp_c=math.nan) is SandGrading.SETTLED:
        told = [band for band in grain.bands if band.is_measured]
        logs, sds = np.log([b.mean_mm for b in told]), np.array([b.log_sd for b in told])
        log, sd = float(logs.mean()), math.hypot(sds.mean(), GRAIN_SHARED_LOG_SD)
        middle, *ends = (grain.px_per_mm * math.exp(log + z * sd) for z in (0.0, -Z90, Z90))
        size = with_range(middle, (ends[0], ends[1]), "pixels", finest=0.1)
        words = f"{_NO_SCALE}; in the photo's full size they are {size} wide."
    return SandGrain(grain.photo, why_not=words)
