"""From a jar that was read to a soil by weight: which heights, times and facts go into it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from jarvision.core.series import READING_TIMES
from jarvision.estimate.grain_curve import MeasuredSand
from jarvision.estimate.known import Horizon, JarFacts, Top
from jarvision.estimate.posterior import Weighed, weigh
from jarvision.estimate.reading import JarReading
from jarvision.jar.geometry import WALL_MM
from jarvision.jar.profile import JarProfile, volumes_from_heights
from jarvision.wall.measurement import ORDER, PhotoMeasurement

_CLOUDINESS = {"clear": 0.05, "cloudy": 0.9}
_HORIZONS = (Horizon.SAND, Horizon.SILT, Horizon.DEPOSIT)


_NOMINAL_SD = (
    0.18  # jars are some 60 to 95 mm wide, where 76 is assumed; common practice, no source
)


def weigh_reading(reading: JarReading, sand: MeasuredSand | None = None) -> Weighed:
    """Estimate a jar's soil by weight from its reading.

    Parameters
    ----------
    reading : JarReading
        The reading. A photo of unknown time counts as taken at the usual time of its reading. The
        water line and the water's state are filled in from the photos where the user did not give
        them. Without millimetres the jar counts as 76 mm wide, give or take a fifth. With a
        profile, heights count as those of a straight jar that holds as much up to the water.
    sand : MeasuredSand or None
        The sand's sizes, where a photo tells them.

    Returns
    -------
    Weighed
        Its curve is in the reading's own millimetres, nominal without a scale.

    Raises
    ------
    JarError
        A value cannot be, as `posterior.weigh` says.
    """
    times = [_elapsed(p) for p in reading.photos]
    tops = [
        _own_top(reading, i, t) for i, (p, t) in enumerate(zip(reading.photos, times, strict=True))
    ]
    own = {ORDER.index(p.reading) for p in reading.photos}
    later = [
        top
        for p, t in zip(reading.photos, times, strict=True)
        for top in _older_tops(p, t, seen=own)
    ]
    between = [t for p in reading.measurement.further for t in _deposit_top(p)]
    in_time = sorted([*tops, *later, *between], key=lambda top: top.elapsed_s)
    facts = _filled(reading.given.facts, reading)
    if reading.given.profile is not None and reading.scaled:
        in_time, facts = _straightened(in_time, facts, reading.given.profile)
    return weigh(in_time, facts=facts, sand=sand, rng=np.random.default_rng(reading.given.seed))


def _straightened(
    tops: list[Top], facts: JarFacts, profile: JarProfile
) -> tuple[list[Top], JarFacts]:
    """Turn heights into those of a straight jar that holds as much up to the same water line."""
    highest = max(top.top_mm for top in tops)
    water = min(facts.water_mm or 2.0 * highest, profile.top_mm)
    whole_ml = float(volumes_from_heights(profile, [water])[0])
    mean_cm2 = whole_ml / (water / 10.0)

    def straight(height_mm: float) -> float:
        within = min(max(height_mm, 0.0), profile.top_mm)
        return 10.0 * float(volumes_from_heights(profile, [within])[0]) / mean_cm2

    def straight_top(top: Top) -> Top:
        spread = straight(top.top_mm + top.sd_mm) - straight(top.top_mm - top.sd_mm)
        return replace(top, top_mm=max(straight(top.top_mm), 0.1), sd_mm=max(0.5 * spread, 0.1))

    width_mm = 20.0 * math.sqrt(mean_cm2 / math.pi)
    return [straight_top(top) for top in tops], replace(facts, inside_diameter_mm=width_mm)


def _elapsed(photo: PhotoMeasurement) -> float:
    known = photo.elapsed_s
    return READING_TIMES[photo.reading].nominal_s if math.isnan(known) else known


def _own_top(reading: JarReading, index: int, elapsed_s: float) -> Top:
    """Give the top of all that was down in a photo, at the time it was taken."""
    photo = reading.photos[index]
    top = reading.tops[ORDER.index(photo.reading)]
    is_last = index == len(reading.photos) - 1
    cloudiness = _CLOUDINESS.get(reading.water_state) if is_last else None
    return Top(elapsed_s, top.value, max(top.sd, 0.1), Horizon.DEPOSIT, cloudiness)


def _deposit_top(photo: PhotoMeasurement) -> list[Top]:
    """Give what was down in a further photo, where its time and its top are known."""
    deposit = photo.deposit
    if deposit is None or not (photo.elapsed_s > 0 and deposit.top_mm > 0):
        return []
    sd_mm = max(photo.deposit_sd_mm, 0.1)
    return [Top(photo.elapsed_s, deposit.top_mm, sd_mm, Horizon.DEPOSIT)]


def _older_tops(photo: PhotoMeasurement, elapsed_s: float, *, seen: set[int]) -> list[Top]:
    """Give the tops seen in a photo that no photo of their own shows."""
    return [
        Top(elapsed_s, b.top_mm, max(math.hypot(b.sd_mm, photo.floor.sd_mm), 0.1), horizon)
        for i, (b, horizon) in enumerate(zip(photo.boundaries[:-1], _HORIZONS, strict=False))
        if b.top_mm > 0 and i not in seen
    ]


def _filled(facts: JarFacts, reading: JarReading) -> JarFacts:
    """Fill in what the photos show and the user did not say."""
    if facts.water_mm is None and not math.isnan(reading.water_mm):
        facts = replace(
            facts, water_mm=reading.water_mm, water_sd_mm=reading.measurement.water_sd_mm
        )
    if not reading.scaled:
        return replace(facts, scale_sd=_NOMINAL_SD, inside_diameter_mm=None)
    if facts.inside_diameter_mm is None:
        radius = reading.photos[-1].radius_mm - WALL_MM
        facts = replace(facts, inside_diameter_mm=2 * radius)
    return facts
