"""The sand's own parts, very coarse to very fine, from how its grains lie in the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.special_functions import log_ndtr, ndtr
from jarvision.estimate.grain_curve import MeasuredSand
from jarvision.estimate.posterior import UNKNOWN_INTERVAL, Interval, interval_of
from jarvision.estimate.sand_grading import (
    BAND_SD,
    BOUND_SD,
    SandGrading,
    grading_of,
    rises_upward,
)
from jarvision.estimate.settling import (
    CLAY_LIMIT_UM,
    SAND_LIMIT_UM,
    terminal_velocity_mm_s,
)
from jarvision.wall.measurement import GRAIN_SHARED_LOG_SD, GrainBand

SAND_PARTS = ("very coarse", "coarse", "medium", "fine", "very fine")
"""The parts of sand in the order of all that is told of them."""

PART_LIMITS_UM = (2000.0, 1000.0, 500.0, 250.0, 100.0, 50.0)
"""Their limits [µm] (USDA Soil Survey Manual, Agriculture Handbook 18, chapter 3)."""

_STEPS = (3, 4, 3, 3, 3)  # of size within each part, fine to coarse
_SILT_STEPS = 6


def _limits_um() -> Array:
    """Limits of the steps of size within sand, fine to coarse, (17,)."""
    ends = PART_LIMITS_UM[::-1]
    spans = zip(ends[:-1], ends[1:], _STEPS, strict=True)
    inner = [np.geomspace(low, high, steps + 1)[1:] for low, high, steps in spans]
    return np.concatenate([[SAND_LIMIT_UM], *inner])


CURVE_UM = _limits_um()
"""Sizes at which the curve is given [µm], rising."""


# What is believed of a sand before it is looked at: a bell over the logarithm of size, bent
# smoothly. The middle and its spread, the bell's own width and its spread, the bends' size and
# reach. Ours: wide enough for the sand of topsoils, dunes and builders alike.
_MIDDLE_UM, _MIDDLE_SD = 180.0, 0.9
_WIDTH, _WIDTH_SD = 1.0, 0.45
_BEND_SD, _BEND_REACH = 0.8, 0.6
_BENDS = 6

# How mixed a layer is: part of each grain's layer that lies evenly through all of it, from none to
# all, and the height over which neighbours are mixed. No source: pouring and swirling.
_MIXED_OVER_MM = (0.3, 0.8, 1.6, 3.2, 6.4)
_UNSORTED_POWER = 2.5  # of an even number: half the jars have less than 0.18 of it


# At the first minute's photo grains have fallen as far as this many seconds of a lone grain's
# fall: they were slowed by each other and by the swirl. What that is off counts with the silt.
_CLEAR_S_OF_MINUTE = 0.85
_SILT_AMOUNT_SD = 0.3
_SILT_TILT_SD = 0.6
_SILT_LOOSER = 1.55 / 1.12  # height of silt over that of as much sand, `estimate.priors`
_MOST_IN_PORES = 0.8  # of the silt among the sand that takes no room, `estimate.priors`

_CELLS = 24  # of height within the layer
_DRAWS = 1500
_UNKNOWNS = 2 + _BENDS + 6
_MISFIT = 3.0  # typical squared gap a band, in sd, from which the fit is doubted; ours


@dataclass(frozen=True, slots=True)
class SandParts:
    """How coarse a jar's sand is.

    Attributes
    ----------
    shares : ndarray, shape (n, 5)
        Equally likely draws of the parts in the order of `SAND_PARTS`, shares of the sand's mass
        that sum to 1; of shape (0, 5) where they are not told.
    finer : ndarray, shape (n, len(CURVE_UM))
        Share of the sand finer than each size of `CURVE_UM`, the same draws.
    of_sand_pct : tuple of 5 Interval
        The parts [% of the sand]; NaN where they are not told.
    mean_mm : Interval
        Mean diameter by mass [mm]; NaN where it is not told.
    finer_than_mm : float
        Where no band could be told, but all are bound: the mean is less than this [mm]; else NaN.
    grading : SandGrading
        Whether the grains lie as sand settles.
    doubts : tuple of Doubt
        What the reader should know.
    """

    shares: Array
    finer: Array
    of_sand_pct: tuple[Interval, ...]
    mean_mm: Interval
    finer_than_mm: float
    grading: SandGrading
    doubts: tuple[Doubt, ...] = ()

    @property
    def are_told(self) -> bool:
        """Whether there are numbers."""
        return bool(len(self.shares))

    @property
    def are_sure(self) -> bool:
        """Whether the numbers may change what is said of the soil."""
        return self.are_told and self.grading is SandGrading.SETTLED

    @property
    def measured(self) -> MeasuredSand | None:
        """The sand's sizes as evidence for other estimates; None where they are not sure."""
        if not self.are_sure:
            return None
        # The mean share that is finer is in the order of the mean of the logarithm of size.
        order = np.argsort(self.finer.mean(axis=1), kind="stable")
        return MeasuredSand(CURVE_UM, self.finer[order])


def shares_of(finer: Array) -> Array:
    """Shares of the five parts, (n, 5), of curves at the sizes of `CURVE_UM`."""
    ends = finer[:, np.cumsum([0, *_STEPS])]
    return np.asarray(np.diff(ends, axis=1)[:, ::-1])


UNKNOWN_PARTS = (UNKNOWN_INTERVAL,) * len(SAND_PARTS)


def _untold(
    grading: SandGrading, *, finer_than_mm: float = math.nan, doubts: tuple[Doubt, ...] = ()
) -> SandParts:
    empty = np.zeros((0, len(SAND_PARTS)))
    return SandParts(
        empty,
        np.zeros((0, CURVE_UM.size)),
        UNKNOWN_PARTS,
        UNKNOWN_INTERVAL,
        finer_than_mm,
        grading,
        doubts,
    )


def sand_parts(
    bands: Sequence[GrainBand],
    *,
    top_mm: float,
    fall_mm: float,
    temp_c: float,
    silt_to_sand: ArrayLike = math.nan,
    scale_sd: float = 0.0,
    seed: int = 0,
) -> SandParts:
    """Work out the sand's parts from the mean size of its grains by height.

    Parameters
    ----------
    bands : sequence of GrainBand
        Lowest first.
    top_mm : float
        Top of the layer that lay there at the first minute, above the floor [mm].
    fall_mm : float
        Water line above the floor [mm].
    temp_c : float
        Water temperature [°C].
    silt_to_sand : float or array_like
        Draws of the soil's mass of silt for one of sand; NaN where not known.
    scale_sd : float
        Relative standard deviation of the photo's scale.
    seed : int
        Of the draws; the same numbers and seed give the same result.

    Returns
    -------
    SandParts
        Told only where the bands show that grains lie as sand settles.

    Notes
    -----
    The soil is shaken up evenly, so each size comes down at a steady rate, its share times its
    speed over the height of the water, until the last of it has fallen from the water line. What
    lies at a height is what came down then; the silt that falls with it lies between the sand and
    on top of it. Each draw is a curve of sizes, an amount of silt, and how much the layer was
    mixed; it counts by how near its bands come to those measured. Draws are moved in steps from
    what is believed beforehand to what fits (Del Moral et al. 2006, J. R. Stat. Soc. B 68:411-436,
    from memory).
    """
    told = [band for band in bands if band.is_told]
    if not told:
        return _untold(SandGrading.UNTOLD)
    if not any(band.is_measured for band in told):
        most = max(band.finer_than_mm for band in told)
        return _untold(SandGrading.UNTOLD, finer_than_mm=most)
    ratio, ratio_sd = _ratio_law(silt_to_sand)
    least = ratio * math.exp(-2.0 * ratio_sd)
    grading = grading_of(told, fall_mm=fall_mm, temp_c=temp_c, silt_to_sand=least)
    if grading is not SandGrading.SETTLED and not rises_upward(told):
        return _untold(grading)  # what lies in no order may be no grain at all
    if grading is SandGrading.SETTLED:
        layer = _Layer(told, top_mm, fall_mm, temp_c, (ratio, ratio_sd), scale_sd)
        z, gap2 = _fitted(layer, np.random.default_rng(seed))
        if gap2 < _MISFIT * len(told) + 3.0:
            return _report(z, grading)
    return _untold(SandGrading.CONTRARY, doubts=(doubt(DoubtName.SAND_NOT_GRADED),))


def _ratio_law(silt_to_sand: ArrayLike) -> tuple[float, float]:
    """Middle of the silt for one of sand and the spread of its logarithm."""
    draws = np.atleast_1d(np.asarray(silt_to_sand, dtype=np.float64))
    logs = np.log(np.clip(draws[np.isfinite(draws)], 1e-3, 1e3))
    if not logs.size:
        return 1.0, 1.2
    return math.exp(float(np.median(logs))), float(np.std(logs))


def _report(z: Array, grading: SandGrading) -> SandParts:
    curve = _curves(z)
    finer = np.hstack([np.zeros((len(z), 1)), np.minimum(np.cumsum(curve, axis=1), 1.0)])
    finer[:, -1] = 1.0
    shares = shares_of(finer)
    return SandParts(
        shares,
        finer,
        tuple(interval_of(100.0 * column) for column in shares.T),
        interval_of(1e-3 * curve @ _SIZES_UM),
        math.nan,
        grading,
    )


# -- a layer's grains by height -------------------------------------------------------------------

_SIZES_UM = np.sqrt(CURVE_UM[1:] * CURVE_UM[:-1])
_SILT_UM = CLAY_LIMIT_UM * (SAND_LIMIT_UM / CLAY_LIMIT_UM) ** (
    (np.arange(_SILT_STEPS) + 0.5) / _SILT_STEPS
)


@cache
def _bend_ways() -> Array:
    """Give the smoothest ways in which a curve bends, each as far as is likely, (6, 16)."""
    logs = np.log(_SIZES_UM)
    kernel = np.exp(-0.5 * ((logs[:, None] - logs) / _BEND_REACH) ** 2)
    sizes, ways = np.linalg.eigh(kernel)
    most = np.argsort(-sizes)[:_BENDS]
    return np.asarray(_BEND_SD * (ways[:, most] * np.sqrt(sizes[most])).T)


def _curves(z: Array) -> Array:
    """Share of each step of size in the sand, (n, 16), each summing to 1."""
    middle = math.log(_MIDDLE_UM) + _MIDDLE_SD * z[:, :1]
    width = _WIDTH * np.exp(_WIDTH_SD * z[:, 1:2])
    log_density = -0.5 * ((np.log(_SIZES_UM) - middle) / width) ** 2
    log_density = (
        log_density + z[:, 2 : 2 + _BENDS] @ _bend_ways() + np.log(np.diff(np.log(CURVE_UM)))
    )
    share = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))


class _Layer:
    """The layer in hand: what a draw says of its bands, and how well that fits."""

    def __init__(
        self,
        bands: Sequence[GrainBand],
        top_mm: float,
        fall_mm: float,
        temp_c: float,
        ratio: tuple[float, float],
        scale_sd: float,
    ) -> None:
        self._ratio, self._ratio_sd = ratio[0], math.hypot(ratio[1], _SILT_AMOUNT_SD)
        self._shared_sd = math.hypot(GRAIN_SHARED_LOG_SD, scale_sd)
        top = max(top_mm, bands[-1].top_mm) if math.isfinite(top_mm) else bands[-1].top_mm
        sizes = np.concatenate([_SIZES_UM, _SILT_UM])
        self._sizes_mm = 1e-3 * sizes
        # Between the moments at which the last of a size is down, heights grow straight.
        speed = terminal_velocity_mm_s(sizes, temp_c)
        ends = fall_mm / speed
        last = 60.0 * _CLEAR_S_OF_MINUTE
        self._down = np.minimum(1.0, np.outer(speed, _moments(ends, last)) / fall_mm)
        self._to_bands = _cells_to_bands(bands, top)
        self._measured = np.array([band.is_measured for band in bands])
        self._log_mm = np.log([band.size_mm for band in bands])
        own = [band.log_sd if band.is_measured else BOUND_SD for band in bands]
        self._sd = np.hypot(own, BAND_SD)

    def _means(self, z: Array) -> Array:
        """Logarithm of the mean size in each band, (n, B)."""
        own = z[:, 2 + _BENDS :]
        silt = np.exp(_SILT_TILT_SD * own[:, 4:5] * np.linspace(-1.0, 1.0, _SILT_STEPS))
        amount = self._ratio * np.exp(self._ratio_sd * own[:, 3:4])
        seen = _SILT_LOOSER * (1.0 - _MOST_IN_PORES * ndtr(own[:, 5:6]))
        silt = amount * seen * silt / silt.sum(axis=1, keepdims=True)
        kinds = np.hstack([_curves(z), silt])
        height = kinds @ self._down
        moment = (kinds * self._sizes_mm) @ self._down
        edges = np.linspace(0.0, 1.0, _CELLS + 1) * height[:, -1:]
        size = np.diff(_interpolated(edges, height, moment), axis=1) / np.diff(edges, axis=1)
        unsorted = ndtr(own[:, :1]) ** _UNSORTED_POWER
        place = ndtr(own[:, 1]) * (len(_MIXED_OVER_MM) - 1)
        level = np.minimum(place.astype(int), len(_MIXED_OVER_MM) - 2)
        part = (place - level)[:, None]
        by_level = np.stack([size @ each for each in self._to_bands])
        rows = np.arange(len(z))
        sorted_mm = (1.0 - part) * by_level[level, rows] + part * by_level[level + 1, rows]
        mean = size.mean(axis=1, keepdims=True)
        shared = self._shared_sd * own[:, 2:3]
        return np.asarray(np.log((1.0 - unsorted) * sorted_mm + unsorted * mean) + shared)

    def gaps(self, z: Array) -> Array:
        """Tell how far what is measured lies over what draws say, in sd, (n, B)."""
        return np.asarray((self._log_mm - self._means(z)) / self._sd)

    def log_fit(self, z: Array) -> Array:
        """Logarithm of how well draws fit, (n,)."""
        gaps = self.gaps(z)
        of_bound = log_ndtr(gaps[:, ~self._measured]).sum(axis=1)
        return np.asarray(-0.5 * (gaps[:, self._measured] ** 2).sum(axis=1) + of_bound)

    def misfit(self, z: Array) -> float:
        """Typical sum of the squared gaps that count against a draw."""
        gaps = self.gaps(z)
        against = np.where(self._measured, gaps, np.minimum(gaps, 0.0))
        return float(np.median((against**2).sum(axis=1)))


def _moments(ends_s: Array, last_s: float) -> Array:
    return np.concatenate([[0.0], np.sort(ends_s[ends_s < last_s]), [last_s]])


def _interpolated(at: Array, x: Array, y: Array) -> Array:
    """Read N broken lines, each through its own points (N, T), at its own places (N, P)."""
    count, width = x.shape
    base = np.arange(count)[:, None] * width
    # one search for all: each row is moved past the one before
    shift = 2.0 * (1.0 + x[:, -1].max()) * np.arange(count)[:, None]
    after = np.searchsorted((x + shift).ravel(), (at + shift).ravel()).reshape(at.shape) - base
    after = np.clip(after, 1, width - 1) + base
    x_all, y_all = x.ravel(), y.ravel()
    x0, y0 = x_all[after - 1], y_all[after - 1]
    part = (at - x0) / np.maximum(x_all[after] - x0, 1e-12)
    return np.asarray(y0 + np.clip(part, 0.0, 1.0) * (y_all[after] - y0))


def _cells_to_bands(bands: Sequence[GrainBand], top_mm: float) -> list[Array]:
    """How much of each cell is seen in each band, (24, B), for each height of mixing."""
    edges = np.linspace(0.0, top_mm, _CELLS + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    low = np.array([min(band.bottom_mm, top_mm - 1e-3) for band in bands])
    high = np.array([min(band.top_mm, top_mm) for band in bands])
    shared = np.minimum(edges[1:, None], high) - np.maximum(edges[:-1, None], low)
    shared = np.maximum(shared, 0.0) + 1e-9
    shared = shared / shared.sum(axis=0)
    found = []
    for sigma in _MIXED_OVER_MM:
        reach = np.exp(-0.5 * ((middles[:, None] - middles) / sigma) ** 2)
        for wall in (0.0, 2.0 * top_mm):  # what would be mixed past floor and top stays inside
            reach += np.exp(-0.5 * ((wall - middles[:, None] - middles) / sigma) ** 2)
        found.append((reach / reach.sum(axis=0)) @ shared)
    return found


# -- draws ----------------------------------------------------------------------------------------

_MOST_STEPS = 14
_LEAST_PART = 0.5  # of the draws that each step's weights are worth at least
_MOVES = 2


def _fitted(layer: _Layer, rng: np.random.Generator) -> tuple[Array, float]:
    """Draws that fit the layer (n, D), and the misfit that is left."""
    z = rng.standard_normal((_DRAWS, _UNKNOWNS))
    fit = layer.log_fit(z)
    heat = 0.0
    for step in range(_MOST_STEPS):
        more = 1.0 - heat if step == _MOST_STEPS - 1 else _next_step(fit, 1.0 - heat)
        weight = np.exp(more * (fit - fit.max()))
        heat += more
        ladder = (np.arange(_DRAWS) + rng.random()) / _DRAWS
        picked = np.searchsorted(np.cumsum(weight / weight.sum()), ladder)
        picked = np.minimum(picked, _DRAWS - 1)
        z, fit = z[picked], fit[picked]
        for _ in range(_MOVES):
            z, fit = _moved(layer, z, fit, heat, rng)
        if heat >= 1.0:
            break
    for _ in range(_MOVES):
        z, fit = _moved(layer, z, fit, 1.0, rng)
    return z, layer.misfit(z)


def _next_step(fit: Array, most: float) -> float:
    """How much more the fit may count while the draws stay worth half of them."""

    def is_much(more: float) -> bool:
        weight = np.exp(more * (fit - fit.max()))
        return bool(weight.sum() ** 2 < _LEAST_PART * fit.size * (weight**2).sum())

    if not is_much(most):
        return most
    low, high = 0.0, most
    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if is_much(middle) else (middle, high)
    return max(low, 1e-4)


_STRIDE = 0.6  # part of a draw's place that a move renews


def _moved(
    layer: _Layer, z: Array, fit: Array, heat: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Move draws within the normal law that they follow themselves, kept or not by their fit."""
    middle = z.mean(axis=0)
    root = np.linalg.cholesky(np.cov(z.T) + 1e-3 * np.eye(z.shape[1]))
    tried = middle + math.sqrt(1.0 - _STRIDE**2) * (z - middle)
    tried = tried + _STRIDE * rng.standard_normal(z.shape) @ root.T
    tried_fit = layer.log_fit(tried)
    inverse = np.linalg.inv(root).T

    def law(at: Array, its_fit: Array) -> Array:
        own = (at - middle) @ inverse
        return np.asarray(heat * its_fit - 0.5 * (at**2).sum(axis=1) + 0.5 * (own**2).sum(axis=1))

    kept = np.log(rng.random(len(z))) < law(tried, tried_fit) - law(z, fit)
    return np.where(kept[:, None], tried, z), np.where(kept, tried_fit, fit)
