"""The grain-size curve behind sand, silt and clay: shares at other limits than 2 and 50 µm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.settling import CLAY_LIMIT_UM, GRAVEL_LIMIT_UM, SAND_LIMIT_UM


@dataclass(frozen=True, slots=True)
class MeasuredSand:
    """What a photo of its grains tells of a sand's sizes.

    Attributes
    ----------
    sizes_um : ndarray, shape (T,)
        Sizes from 50 to 2000 µm, rising.
    finer : ndarray, shape (n, T)
        Equally likely draws of the share of the sand finer than each, the coarsest sand first.
    """

    sizes_um: Array
    finer: Array

    def at(self, sizes_um: ArrayLike, place: Array) -> Array:
        """Share of the sand finer than P sizes, (N, P), in draws at places from 0 to 1 (N,)."""
        logs = np.log(np.asarray(sizes_um, dtype=np.float64))
        known = np.log(self.sizes_um)
        step = np.clip(np.searchsorted(known, logs), 1, known.size - 1)
        part = (logs - known[step - 1]) / (known[step] - known[step - 1])
        row = np.minimum((place * len(self.finer)).astype(int), len(self.finer) - 1)[:, None]
        low, high = self.finer[row, step - 1], self.finer[row, step]
        return np.asarray(low + np.clip(part, 0.0, 1.0) * (high - low))

    def smoothed(self, count: int) -> MeasuredSand:
        """Give the same as so many draws, each the mean of neighbours."""
        groups = np.array_split(self.finer, min(count, len(self.finer)))
        return MeasuredSand(self.sizes_um, np.array([group.mean(axis=0) for group in groups]))


# How the curve bends within a class is not seen in a jar: the same laws as the settling model's
# grain sizes, `estimate.priors` (no source).
_TILT_SD = 0.6
_FINEST_UM = 0.04
_STEPS = 60


def finer_pct(
    draws_pct: ArrayLike,
    limits_um: Sequence[float],
    *,
    rng: np.random.Generator,
    sand: MeasuredSand | None = None,
) -> Array:
    """Work out how much of a soil is finer than given sizes.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Draws of sand, silt and clay [%] with silt from 2 to 50 µm, each adding up to 100.
    limits_um : sequence of float
        Sizes from 2 to 2000 [µm].
    rng : numpy.random.Generator
        Draws how the curve bends within silt and within sand, one bend a draw for all the limits.
    sand : MeasuredSand or None
        What is known of the sand's sizes, in place of a bend.

    Returns
    -------
    ndarray, shape (n, len(limits_um))
        Percent of the mass finer than each size; exactly the draws' own at 2 and 50 µm.

    Raises
    ------
    ValueRefusedError
        A size is outside 2 to 2000 µm.

    Notes
    -----
    The cumulative curve over the logarithm of size is drawn smoothly through its values at the
    class limits (Nemes et al. 1999, Geoderma 90:187-202, from memory), mixed with an even spread
    and tilted at random, as the settling model does: so what the two limits leave open widens the
    result.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    for limit in limits_um:
        if not CLAY_LIMIT_UM <= limit <= GRAVEL_LIMIT_UM:
            msg = f"A grain size of {limit:g} µm is outside 2 to 2000 µm; give one inside it."
            raise ValueRefusedError(msg)
    silt_part, sand_part = _cumulative(draws, rng)
    place = rng.random(len(draws)) if sand is not None else np.zeros(0)
    of_sand, silt, clay = draws.T
    columns = []
    for limit in limits_um:
        if limit <= SAND_LIMIT_UM:
            at = _place(limit, CLAY_LIMIT_UM, SAND_LIMIT_UM)
            columns.append(clay + silt * _read(silt_part, at))
        elif sand is not None:
            columns.append(clay + silt + of_sand * sand.at([limit], place)[:, 0])
        else:
            at = _place(limit, SAND_LIMIT_UM, GRAVEL_LIMIT_UM)
            columns.append(clay + silt + of_sand * _read(sand_part, at))
    return np.column_stack(columns)


def shares_at(
    draws_pct: ArrayLike,
    silt_to_um: float,
    *,
    rng: np.random.Generator,
    sand: MeasuredSand | None = None,
) -> Array:
    """Give sand, silt and clay where silt ends at another size than 50 µm.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        As in `finer_pct`.
    silt_to_um : float
        Upper limit of silt [µm], 2 to 2000.
    rng, sand
        As in `finer_pct`; not used at 50 µm.

    Returns
    -------
    ndarray, shape (n, 3)
        Sand, silt and clay [%]; clay stays what it is.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    if silt_to_um == SAND_LIMIT_UM:
        return draws
    [finer] = finer_pct(draws, (silt_to_um,), rng=rng, sand=sand).T
    clay = draws[:, 2]
    return np.column_stack([100.0 - finer, finer - clay, clay])


def _place(size_um: float, low_um: float, high_um: float) -> float:
    return math.log(size_um / low_um) / math.log(high_um / low_um)


def _cumulative(draws_pct: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Cumulative spread of silt and of sand over their own logarithm of size, (n, steps + 1)."""
    sand, silt, clay = np.maximum(draws_pct, 1e-4).T
    # Slopes of the curve: mass for each unit of the logarithm of size, mean of each class.
    fine = clay / math.log(CLAY_LIMIT_UM / _FINEST_UM)
    middle = silt / math.log(SAND_LIMIT_UM / CLAY_LIMIT_UM)
    coarse = sand / math.log(GRAVEL_LIMIT_UM / SAND_LIMIT_UM)
    at_2, at_50 = (2 * a * b / (a + b) for a, b in ((fine, middle), (middle, coarse)))
    smooth = rng.random(len(draws_pct))
    _silt_tilt, _sand_tilt = _TILT_SD * rng.standard_normal((2, len(draws_pct)))
    # The curve's coarse end is not known; it is a mild slope towards nothing.
    return (
        _spread(at_2, middle, at_50, smooth, _TILT_SD * rng.standard_normal(len(draws_pct))),
        _spread(
            at_50, coarse, 0.3 * coarse, smooth, _TILT_SD * rng.standard_normal(len(draws_pct))
        ),
    )


def _spread(start: Array, level: Array, end: Array, smooth: Array, tilt: Array) -> Array:
    """Integrate a cubic of given mean and end slopes, mixed with an even spread and tilted."""
    u = ((np.arange(_STEPS) + 0.5) / _STEPS)[:, None]
    cubic = 6 * (u - u**2) * level + (1 - 4 * u + 3 * u**2) * start + (3 * u**2 - 2 * u) * end
    density = smooth * np.maximum(cubic, 1e-3 * level) + (1 - smooth) * level
    density = density * np.exp((2 * u - 1) * tilt)
    whole = np.cumsum(density / density.sum(axis=0), axis=0)
    return np.vstack([np.zeros(whole.shape[1]), whole]).T


def _read(cumulative: Array, at: float) -> Array:
    """Read a cumulative spread at a place from 0 to 1."""
    step = min(int(at * _STEPS), _STEPS - 1)
    part = at * _STEPS - step
    low, high = cumulative[:, step], cumulative[:, step + 1]
    return np.asarray(low + part * (high - low), dtype=np.float64)
