"""Whether the sand's grains lie in the wall as sand settles: coarse below fine.

Where no order shows nothing is told: noise drawn on a wall has grains of one size too. Of such
noise 1 case in 100 passes for settled. Where coarse clearly lies above fine, or no curve fits the
bands, nothing is told, with a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from jarvision.core.series import MINUTE_S
from jarvision.estimate.settling import (
    CLAY_LIMIT_UM,
    SAND_LIMIT_UM,
    cut_diameter_um,
    terminal_velocity_mm_s,
)
from jarvision.wall.measurement import GrainBand

BAND_SD = 0.10
"""What a band's mean may be off besides its own error, as a logarithm: a jar is poured and
swirled, and the glass shows one side of it; ours."""

BOUND_SD = 0.2
"""How sharp a bound is, as a logarithm: it holds 19 times in 20; ours."""

_ONE_SIDED = 1.645  # normal deviate that is passed 1 time in 20
_CLEAR = 2.0  # and 1 time in 44: noise of one size is to pass for settled that seldom

# Between the foot and the top of a layer sizes fall by this factor at least. Ours: topsoils settled
# by a simulator of its own (`tests/support/jar_simulator.py`) fall by 3 to 38 in layers of three
# bands and more, and by 1.4 to 12 where up to 0.6 of the layer was mixed.
_LEAST_FALL = 1.5
_LEAST_BANDS = 2

# At the top a mean may pass the coarsest grain that could still fall by this factor, since a swirl
# lifts grains again. Ours.
_LIFTED = 2.0


class SandGrading(StrEnum):
    """What a layer's grains say of how it was laid down."""

    SETTLED = "settled"
    """Coarse below fine."""
    UNTOLD = "untold"
    """Too few bands, or too rough ones, to tell."""
    CONTRARY = "contrary"
    """The same all through, coarse above fine, or too coarse at the top."""


def grading_of(
    bands: Sequence[GrainBand],
    *,
    fall_mm: float,
    temp_c: float,
    silt_to_sand: float = math.nan,
) -> SandGrading:
    """Tell how the grains lie in a layer of sand.

    Parameters
    ----------
    bands : sequence of GrainBand
        Lowest first, up to the layer's top.
    fall_mm : float
        Water line above the floor [mm].
    temp_c : float
        Water temperature [°C].
    silt_to_sand : float
        Least mass of silt for one of sand that this soil may have; NaN where not known, and then
        the top is not held against what could still fall.

    Returns
    -------
    SandGrading
        `UNTOLD` where fewer than two bands say anything.

    Notes
    -----
    Grains shaken up evenly come down together, each size until the last of it has fallen from the
    water line; so what lies higher is finer. A straight line through the logarithms of the means
    says by how much: clearly more than nothing, clearly less than a settled layer has, or neither.
    A bound counts as a number, which makes a fall at the top less than it is.
    """
    told = [band for band in bands if band.is_told]
    if not any(band.is_measured for band in told):
        return SandGrading.UNTOLD
    limit = _coarsest_at_top_mm(told, fall_mm, temp_c, silt_to_sand)
    top = told[-1]
    if top.is_measured and math.log(top.mean_mm) - _ONE_SIDED * _sd(top) > math.log(limit):
        return SandGrading.CONTRARY
    if len(told) < _LEAST_BANDS:
        return SandGrading.UNTOLD
    fall, sd = _fall_of(told)
    least = math.log(_LEAST_FALL)
    if fall + _ONE_SIDED * sd < least:
        return SandGrading.CONTRARY
    is_clear = fall > max(_CLEAR * sd, least)
    return SandGrading.SETTLED if is_clear else SandGrading.UNTOLD


def rises_upward(bands: Sequence[GrainBand]) -> bool:
    """Tell whether coarse grains clearly lie above fine ones, as nothing that settles does."""
    told = [band for band in bands if band.is_told]
    if len(told) < _LEAST_BANDS:
        return False
    fall, sd = _fall_of(told)
    return fall < -_CLEAR * sd


def _sd(band: GrainBand) -> float:
    return math.hypot(BAND_SD, band.log_sd if band.is_measured else BOUND_SD)


def _fall_of(bands: Sequence[GrainBand]) -> tuple[float, float]:
    """By how much sizes fall from foot to top of the bands, as a logarithm, and its sd."""
    height = np.array([0.5 * (band.bottom_mm + band.top_mm) for band in bands])
    whole = max(band.top_mm for band in bands) - min(band.bottom_mm for band in bands)
    size = np.log([band.size_mm for band in bands])
    weight = np.array([_sd(band) ** -2 for band in bands])
    height = height - np.average(height, weights=weight)
    spread = float((weight * height**2).sum())
    if spread <= 0.0:
        return 0.0, math.inf
    slope = float((weight * height * size).sum()) / spread
    return -slope * whole, whole / math.sqrt(spread)


def _coarsest_at_top_mm(
    bands: Sequence[GrainBand], fall_mm: float, temp_c: float, silt_to_sand: float
) -> float:
    """Coarsest mean [mm] that the top band can have, where silt alone is enough to build it.

    Silt, spread evenly over the logarithm of size and packed no looser than sand, falls all the
    time: where what came down of it after some moment is thicker than the band, the whole band came
    down after that moment.
    """
    if not (silt_to_sand > 0 and fall_mm > 0 and math.isfinite(temp_c)):
        return math.inf
    part = 1.0 - bands[-1].bottom_mm / bands[-1].top_mm
    sizes = np.geomspace(CLAY_LIMIT_UM, SAND_LIMIT_UM, 40)
    since = np.linspace(0.0, MINUTE_S, 241)  # what is down by then is the sand
    speed = terminal_velocity_mm_s(sizes, temp_c)
    silt_down = np.minimum(1.0, np.outer(since, speed) / fall_mm).mean(axis=1)
    later = silt_to_sand * (silt_down[-1] - silt_down) / (1.0 + silt_to_sand * silt_down[-1])
    late_enough = np.flatnonzero(later >= part)
    if not (late_enough.size and late_enough[-1] > 0):
        return math.inf
    moment = float(since[late_enough[-1]])
    coarsest_um = float(cut_diameter_um(moment, fall_mm=fall_mm, temp_c=temp_c))
    return math.inf if math.isnan(coarsest_um) else 1e-3 * _LIFTED * coarsest_um
