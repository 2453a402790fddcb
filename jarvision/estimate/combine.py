"""What was measured in a jar's photos -> its tops, shares and class; numbers only, no pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.doubts import Doubt, DoubtName
from jarvision.core.measured import Measured
from jarvision.core.series import Reading
from jarvision.estimate.composition import Candidate, Composition, compose, draw_tops, spread_of
from jarvision.estimate.texture import Texture, texture_of
from jarvision.jar.profile import JarProfile
from jarvision.jar.taper import volumes_of
from jarvision.wall.measurement import JarMeasurement, PhotoMeasurement

_UNMARKED_SCALE_SD = 0.03  # scatter of the jar's width and tilt between photos without a strip

# Photos share the glass and the camera's model, so a boundary is never known better than this by
# joining them: on the rendered development photos, no source.
_LEAST_SD_MM = 0.22

# How far a boundary sinks until a later photo, as a part of its height: mean and sd. Beds give way
# by up to about 2 % under what settles on them: so on the rendered development photos, no source.
_SINK = {
    (0, Reading.TWO_HOURS): (0.007, 0.006),
    (0, Reading.TWO_DAYS): (0.012, 0.009),
    (1, Reading.TWO_DAYS): (0.010, 0.008),
}

# In a picture that is dark or soft a line may be lost without a trace: one time in four is allowed
# for that, with a place known only to this (mm). Our own judgement.
_LOST_SD_MM, _LOST_WEIGHT = 9.0, 0.3
_HARD_TO_SEE = {DoubtName.DIM, DoubtName.SOFT_PHOTO, DoubtName.NOISY, DoubtName.SMOOTHED}


@dataclass(frozen=True, slots=True)
class Combined:
    """All photos of a jar taken together.

    Attributes
    ----------
    tops : tuple of Measured
        Top of sand, silt and clay above the inside floor [mm], at the time of each one's photo.
    composition : Composition
        Shares by height; of volume where there is a profile.
    texture : Texture
        Class odds by height.
    """

    tops: tuple[Measured, Measured, Measured]
    composition: Composition
    texture: Texture


def combine(measured: JarMeasurement, *, profile: JarProfile | None, seed: int) -> Combined:
    """Join what all photos say, with the errors that they share.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured in the photos.
    profile : JarProfile or None
        The jar's inside, by which shares are of volume; without it walls count as straight.
    seed : int
        Seed of the draws; the same numbers and seed give the same result.

    Raises
    ------
    NoDepositError
        The tops leave no deposit, or are not known in most draws.
    ValueRefusedError
        The layers reach higher than the profile was measured.
    """
    read, last = measured.photos, measured.photos[-1]
    own = [joined_top(layer, read) for layer in range(3)]
    rivals = [
        [Candidate(h, top.sd, w) for h, w in boundary.alternatives]
        for top, boundary in zip(own, last.boundaries, strict=True)
    ]
    if _is_hard_to_see(measured.all_doubts):
        for top, others, boundary in zip(own, rivals, last.boundaries, strict=True):
            if boundary.by_hand:
                continue  # somebody saw it
            others.append(Candidate(top.value, _LOST_SD_MM, _LOST_WEIGHT))
    rng = np.random.default_rng(seed)
    draws = draw_tops(
        [top.value for top in own],
        [top.sd for top in own],
        shared_sd_mm=math.hypot(last.floor.sd_mm, max(p.bow_mm for p in read)),
        scale_sd=max(p.scale.relative_sd for p in read) if measured.scaled else 0.0,
        rng=rng,
        alternatives=rivals,
    )
    unit_mm = math.nan if measured.scaled else last.radius_mm
    composition = compose(
        draws if profile is None else volumes_of(draws, profile, rng=rng, radius_mm=unit_mm)
    )
    # the spread of the draws holds the floor, the scale and the odds of other places
    spread = spread_of(draws).tolist()
    sand, silt, clay = (Measured(t.value, sd, "mm") for t, sd in zip(own, spread, strict=True))
    return Combined(
        (sand, silt, clay), composition, texture_of(composition.draws, composition.pcts)
    )


def _is_hard_to_see(doubts: Sequence[Doubt]) -> bool:
    """Whether any photo is so dark or soft that lines can be lost in it."""
    return any(doubt.name in _HARD_TO_SEE for doubt in doubts)


def sink_of(layer: int, reading: Reading) -> tuple[float, float]:
    """How far a top has sunk in a later reading than its own, as a part of its height: mean, sd."""
    return _SINK.get((layer, reading), (0.0, 0.0))


def said_of(layer: int, photos: Sequence[PhotoMeasurement]) -> list[tuple[float, float]]:
    """Gather what each photo says of a top at its own photo's time: height and sd [mm].

    Parameters
    ----------
    layer : int
        Index of the layer whose top it is.
    photos : sequence of PhotoMeasurement
        Those in which the layer was not down yet say nothing.
    """
    says = []
    for photo in photos:
        if layer < len(photo.boundaries):
            boundary = photo.boundaries[layer]
            sink, sd = sink_of(layer, photo.reading)
            height = boundary.top_mm * (1 + sink)
            own_scale = 0.0 if photo.has_strip else _UNMARKED_SCALE_SD
            says.append((height, math.hypot(boundary.sd_mm, sd * height, own_scale * height)))
    return says


def joined_top(layer: int, photos: Sequence[PhotoMeasurement]) -> Measured:
    """Join what all photos say of a top [mm], without the floor's and the scale's error."""
    values, sds = np.array(said_of(layer, photos)).T
    weight = sds**-2
    mean = float(np.average(values, weights=weight))
    spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
    return Measured(mean, max(float(weight.sum() ** -0.5), _LEAST_SD_MM, spread), "mm")
