"""How grains fall through a jar, and how the deposit grows under them.

Against steps of 5 % with five looks at each, the top of jars like the development ones is off by
0.005 to 0.04 mm rms at 1 minute, 0.03 to 0.32 at 2 hours and 0.01 to 0.03 at 48. What is left at 2
hours is crowds of loose flocs that come down within a step (0.55 and 1.0 mm in two).
Tried and left out: one correction a step in place of two; sums over kinds prepared beforehand and
chunks of other sizes, no quicker.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.water import density_kg_m3, viscosity_pa_s

Array = NDArray[np.float64]
_Single = NDArray[np.float32]
Reals = NDArray[np.floating[Any]]
"""In single or double precision."""

GRAVITY_M_S2 = 9.80665
"""Standard gravity (CGPM 1901)."""

GRAIN_DENSITY_KG_M3 = 2650.0
"""Density of quartz-like soil grains; the convention of sedimentation tables (from memory)."""

CLAY_LIMIT_UM = 2.0
SAND_LIMIT_UM = 50.0
GRAVEL_LIMIT_UM = 2000.0
"""USDA limits of clay, silt and sand [µm] (Soil Survey Manual, Agriculture Handbook 18)."""

# Above this share of solids the suspension is a packed bed, and the power law means nothing.
_MOST_SOLIDS = 0.55


class Shape(StrEnum):
    """What the falling grains look like."""

    NATURAL = "natural"
    SPHERE = "sphere"


def _metres(diameter_um: ArrayLike) -> Array:
    diameter = np.asarray(diameter_um, dtype=np.float64)
    if not np.all(diameter > 0):
        msg = "A grain's diameter must be more than zero micrometres."
        raise ValueRefusedError(msg)
    return diameter * 1e-6


def terminal_velocity_mm_s(
    diameter_um: ArrayLike,
    temp_c: ArrayLike,
    *,
    grain_density_kg_m3: ArrayLike = GRAIN_DENSITY_KG_M3,
    shape: Shape = Shape.NATURAL,
) -> Array:
    """Settling speed of one grain alone in still water, from clay to very coarse sand.

    Parameters
    ----------
    diameter_um : array_like
        Grain diameter [µm], up to 2000.
    temp_c : array_like
        Water temperature [°C].
    grain_density_kg_m3 : array_like
        Density of the grains [kg/m³].
    shape : Shape
        `NATURAL` sand by Ferguson & Church (2004), J. Sediment. Res. 74:933-937, with C1 = 18 and
        C2 = 1.0 (from memory); `SPHERE` by the drag law of Schiller & Naumann (1933), good to
        about 5 % while the Reynolds number stays under 800. Both become Stokes' law for fine
        grains.

    Returns
    -------
    ndarray
        Speed [mm/s], by the shape that the arguments broadcast to.

    Raises
    ------
    ValueRefusedError
        A diameter is zero, negative or not a number.
    """
    diameter = _metres(diameter_um)
    density = density_kg_m3(temp_c)
    lift = np.asarray(grain_density_kg_m3, dtype=np.float64) / density - 1.0
    kinematic = viscosity_pa_s(temp_c) / density
    if shape is Shape.SPHERE:
        return 1e3 * _sphere_speed(diameter, lift, kinematic)
    inertia = np.sqrt(0.75 * 1.0 * lift * GRAVITY_M_S2 * diameter**3)
    speed = lift * GRAVITY_M_S2 * diameter**2 / (18.0 * kinematic + inertia)
    return np.asarray(1e3 * speed, dtype=np.float64)


def _sphere_speed(diameter: Array, lift: Array, kinematic: Array) -> Array:
    """Solve 18 Re (1 + 0.15 Re^0.687) = Ar for the Reynolds number by Newton's steps in ln Re."""
    archimedes = lift * GRAVITY_M_S2 * diameter**3 / kinematic**2
    log_re = np.log(archimedes / 18.0)
    for _ in range(12):
        reynolds = np.exp(log_re)
        bend = 0.15 * reynolds**0.687
        gap = 18.0 * reynolds * (1.0 + bend) - archimedes
        log_re = log_re - gap / (18.0 * reynolds * (1.0 + 1.687 * bend))
    return np.asarray(np.exp(log_re) * kinematic / diameter, dtype=np.float64)


def hindering(solids: ArrayLike, exponent: ArrayLike) -> Array:
    """How much slower a crowd of grains falls than one alone.

    Parameters
    ----------
    solids : array_like
        Share of the suspension's volume taken by grains [-]; held at 0.55 above that.
    exponent : array_like
        Power of Richardson & Zaki (1954), Trans. Inst. Chem. Eng. 32:35-53: 4.65 for slow grains
        (from memory); a review of later data (arXiv 1710.09314) gives 5.6 ± 0.1 for Brownian and
        4.48 ± 0.04 for larger grains.

    Returns
    -------
    ndarray
        Speed in the crowd over speed alone [-].
    """
    share = np.clip(np.asarray(solids, dtype=np.float64), 0.0, _MOST_SOLIDS)
    return np.asarray((1.0 - share) ** np.asarray(exponent), dtype=np.float64)


def cut_diameter_um(
    clear_s: ArrayLike, *, fall_mm: ArrayLike, temp_c: float, shape: Shape = Shape.NATURAL
) -> Array:
    """Size of which the last grain, from the water's surface, is just down.

    Parameters
    ----------
    clear_s : array_like
        Time since shaking [s], counted in seconds of unhindered fall.
    fall_mm : array_like
        From the water line down to the deposit [mm].
    temp_c : float
        Water temperature [°C].
    shape : Shape
        Of the grains.

    Returns
    -------
    ndarray
        Diameter [µm]: all coarser grains are down. NaN outside 0.01 to 5000 µm.
    """
    sizes = np.geomspace(0.01, 5000.0, 2400)
    speeds = terminal_velocity_mm_s(sizes, temp_c, shape=shape)
    with np.errstate(divide="ignore"):
        wanted = np.log(np.asarray(fall_mm, dtype=np.float64) / np.asarray(clear_s))
    log_size = np.interp(wanted, np.log(speeds), np.log(sizes), left=np.nan, right=np.nan)
    return np.asarray(np.exp(log_size), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Charge:
    """What was shaken up in N columns, each as K kinds of grain.

    Attributes
    ----------
    speed_mm_s : ndarray, shape (K, N)
        Speed of each kind alone [mm/s], after the turn.
    early_mm_s : ndarray, shape (K, N)
        The same before the turn; another number for clay that has yet to clump.
    turn_s : ndarray, shape (N,)
        When the clay clumps [s]; 0 for at once.
    mass_g_cm2 : ndarray, shape (K, N)
        Dry mass of each kind over the jar's floor [g/cm²].
    layer_g_cm3 : ndarray, shape (K, N)
        Dry mass of each kind in a volume of its own deposit [g/cm³].
    bulk_g_cm3 : ndarray, shape (K, N)
        Dry mass in a volume of the falling grain or floc, with the water inside it [g/cm³].
    """

    speed_mm_s: Reals
    early_mm_s: Reals
    turn_s: Array
    mass_g_cm2: Reals
    layer_g_cm3: Reals
    bulk_g_cm3: Reals


@dataclass(frozen=True, slots=True)
class Moment:
    """N columns at one instant, or at T of them with another axis.

    Attributes
    ----------
    early_s, after_s : ndarray, shape (N,) or (N, T)
        Seconds of unhindered fall before and after the turn.
    bed_mm : ndarray, shape (N,) or (N, T)
        Top of the deposit above the floor [mm].
    pore_mm : ndarray, shape (N,) or (N, T)
        Water between the deposit's grains, as a height [mm].
    """

    early_s: Array
    after_s: Array
    bed_mm: Array
    pore_mm: Array


@dataclass(frozen=True, slots=True)
class Path:
    """How N columns settled.

    Attributes
    ----------
    time_s : ndarray, shape (T,)
        Time since shaking [s].
    state : Moment, shape (N, T)
        The columns at these times.
    solids : ndarray, shape (N, T)
        Share of the volume above the deposit that grains take [-].
    """

    time_s: Array
    state: Moment
    solids: Array

    def at(self, time_s: float) -> Moment:
        """Give the columns (N,) at one of the path's own times [s]."""
        index = int(np.searchsorted(self.time_s, time_s))
        state = self.state
        curves = (state.early_s, state.after_s, state.bed_mm, state.pore_mm)
        return Moment(*(curve[:, index] for curve in curves))


def share_down(charge: Charge, moment: Moment, *, column_mm: Array) -> _Single:
    """Share of each kind that lies on the bed at a moment.

    Parameters
    ----------
    charge : Charge
        K kinds in N columns.
    moment : Moment, shape (N,)
        How far the settling has come.
    column_mm : ndarray, shape (N,)
        Water line above the floor [mm].

    Returns
    -------
    ndarray, shape (K, N)
        Share [0-1].

    Notes
    -----
    Grains start evenly spread through the water, and the finest stay with it: what the deposit
    catches without their falling is its pore water's share, for the water that landing grains
    push aside carries fines up with it. So heights are counted in water, without the grains.
    """
    return shares_down(charge, [moment], column_mm=column_mm)[0]


def shares_down(charge: Charge, moments: Sequence[Moment], *, column_mm: Array) -> list[_Single]:
    """Give `share_down` at several moments."""
    reach = _reach(charge, column_mm)
    return [_share_down(reach, moment) for moment in moments]


@dataclass(frozen=True, slots=True)
class _Reach:
    """Share of the column's water that each kind falls in a second, and what changes before."""

    water_mm: _Single
    after: _Single
    rows: NDArray[np.intp]
    """Kinds whose speed changes at the turn."""
    more_early: _Single
    """What these fall more before it, (len(rows), N)."""


def _reach(charge: Charge, column_mm: Array) -> _Reach:
    grains_mm = 10.0 * (charge.mass_g_cm2 / charge.bulk_g_cm3).sum(axis=0)
    water_mm = np.maximum(column_mm - grains_mm, 0.2 * column_mm).astype(np.float32)
    rows = np.flatnonzero((charge.early_mm_s[:, :1] != charge.speed_mm_s[:, :1])[:, 0])
    more = (charge.early_mm_s[rows] - charge.speed_mm_s[rows]) / water_mm
    after = (charge.speed_mm_s / water_mm).astype(np.float32)
    return _Reach(water_mm, after, rows, more.astype(np.float32))


def _share_down(reach: _Reach, moment: Moment) -> _Single:
    early, after, pore = (
        each.astype(np.float32) for each in (moment.early_s, moment.after_s, moment.pore_mm)
    )
    share = reach.after * (early + after)
    if reach.rows.size:
        share[reach.rows] += reach.more_early * early
    share += pore / reach.water_mm
    np.minimum(share, np.float32(1.0), out=share)
    return share


def settle(
    charge: Charge,
    *,
    column_mm: Array,
    exponent: ArrayLike,
    time_s: Array,
    late_s: ArrayLike = 0.0,
) -> Path:
    """Let N columns settle, each size hindered by what is still up, on a rising bed.

    Parameters
    ----------
    charge : Charge
        What was shaken up, K kinds in N columns.
    column_mm : ndarray, shape (N,)
        Water line above the floor [mm].
    exponent : array_like, shape (N,) or scalar
        Power of Richardson & Zaki [-].
    time_s : ndarray, shape (T,)
        Rising times since shaking [s] at which the bed is wanted; they are also the steps of the
        calculation, so that neighbours should not differ by more than a factor of about 4.
    late_s : array_like, shape (N,) or scalar
        How much later than the clock says the settling began [s].

    Returns
    -------
    Path
        The columns at `time_s`.

    Notes
    -----
    The hindering is that of the mean concentration above the bed. A layer's height is its mass
    over its density, summed over the kinds. See `share_down` for what the rising bed catches.
    Each step is foreseen from the one before and then corrected by what that gives at its end
    (Adams, Bashforth and Moulton, from memory), all of it as if straight in the logarithm of time.
    Single precision, good to 0.001 mm of the bed, halves the time.
    """
    since = np.maximum(0.0, time_s[:, None] - np.reshape(late_s, (1, -1)))
    before = np.minimum(since, charge.turn_s)
    steps = np.stack([before, since - before]).astype(np.float32)
    steps[:, 1:] -= steps[:, :-1].copy()
    falling = _Falling(charge, column_mm)
    column = column_mm.astype(np.float32)
    all_space = 10.0 * (charge.mass_g_cm2 / charge.bulk_g_cm3).sum(axis=0)
    solids = (all_space / np.maximum(column_mm, 1.0)).astype(np.float32)
    space, power = all_space.astype(np.float32), np.asarray(exponent, dtype=np.float32)
    rows = np.empty((time_s.size, 5, column_mm.size), np.float32)
    clear_s, pore = np.zeros((2, column_mm.size), np.float32), np.zeros(column_mm.size, np.float32)
    slow = _slowed(solids, power)
    slow_before, pore_before = slow, pore
    for index, (mean, growth) in enumerate(zip(*_in_log_time(time_s), strict=True)):
        over_step = np.minimum(slow + mean * growth * (slow - slow_before), np.float32(1.0))
        pore_end = pore + growth * (pore - pore_before)
        slow_before, pore_before = slow, pore
        for _ in range(2):
            cleared = clear_s + over_step * steps[:, index]
            bed, down, pore_end = falling.fallen(cleared, pore_end)
            solids = (space - down) / np.maximum(column - bed, np.float32(1.0))
            slow = _slowed(solids, power)
            over_step = slow_before + mean * (slow - slow_before)
        clear_s, pore = cleared, pore_end
        rows[index, :2], rows[index, 2:] = clear_s, (bed, pore, solids)
        if index % 4 == 3:
            falling.forget_fallen()
    stacked = rows.transpose(1, 2, 0)
    return Path(time_s, Moment(*stacked[:4]), stacked[4])


def _slowed(solids: _Single, exponent: _Single) -> _Single:
    """Give `hindering` in single precision."""
    share = _within(solids, 0.0, np.float32(_MOST_SOLIDS))
    return np.asarray(np.exp(exponent * np.log(np.float32(1.0) - share)), dtype=np.float32)


def _within(values: _Single, low: float, high: _Single | np.float32) -> _Single:
    """Hold values between two: for few numbers much quicker than `numpy.clip`."""
    return np.minimum(np.maximum(values, np.float32(low)), high)


def _in_log_time(time_s: Array) -> tuple[_Single, _Single]:
    """Tell of each step (T,) where the mean lies of what goes straight, and its length.

    The mean over the step as a part of the way from its beginning to its end, and the step's
    length over that of the one before; 0.5 and 0 for the first, which begins at time 0.
    """
    length = np.log(time_s[1:] / time_s[:-1])
    ratio = np.exp(length)
    mean = ratio / (ratio - 1.0) - 1.0 / length
    growth = length[1:] / length[:-1]
    both = np.concatenate([[0.5], mean]), np.concatenate([[0.0], length[:1], growth])
    return both[0].astype(np.float32), both[1][: time_s.size].astype(np.float32)


class _Falling:
    """The kinds that have not come down everywhere, and what those that have take up.

    Quickest where those that come down first stand last: these are forgotten once they are down.
    """

    def __init__(self, charge: Charge, column_mm: Array) -> None:
        reach = _reach(charge, column_mm)
        self._water_mm, self._turning = reach.water_mm, reach.rows
        self._fall, self._more = reach.after, reach.more_early
        per_mass = [10.0 / charge.layer_g_cm3, 10.0 / charge.bulk_g_cm3]
        self._sizes = np.array([charge.mass_g_cm2 * each for each in per_mass], dtype=np.float32)
        self._all = self._sizes.sum(axis=1)
        self._share = np.empty_like(self._fall)
        self._limit = np.ones_like(self._water_mm)
        self._down = np.zeros_like(self._all)

    def fallen(self, clear_s: _Single, pore_mm: _Single) -> tuple[_Single, _Single, _Single]:
        """Height of the bed, space of the grains in it, and water between them, (N,) each [mm].

        The last is a better guess than the one handed in, on which all three hang: what the bed
        catches takes up water, which catches more (Newton's step; kinds on their way count by the
        part that is still up, which is a little less than what more water would catch of them).
        """
        caught = np.minimum(pore_mm / self._water_mm, np.float32(1.0))
        np.subtract(np.float32(1.0), caught, out=self._limit)
        np.multiply(self._fall, clear_s[0] + clear_s[1], out=self._share)
        if self._turning.size:
            self._share[self._turning] += self._more * clear_s[0]
        np.minimum(self._share, self._limit, out=self._share)
        sums = np.einsum("kn,jkn->jn", self._share, self._sizes)
        bed, down = self._down + sums + caught * self._all
        up = self._all - sums / np.maximum(self._limit, np.float32(0.05))
        catching = _within((up[0] - up[1]) / self._water_mm, 0.0, np.float32(0.9))
        missed = np.maximum(bed - down, np.float32(0.0)) - pore_mm
        better = pore_mm + missed / (np.float32(1.0) - catching)
        return bed, down, _within(better, 0.0, self._water_mm)

    def forget_fallen(self) -> None:
        """Add up the last kinds, as far as they are down in every column, where they stay."""
        left = np.asarray((self._share < self._limit).any(axis=1))
        left[self._turning] = True
        last = len(left) - int(np.argmax(left[::-1])) if left.any() else 0
        gone = self._sizes[:, last:].sum(axis=1)
        self._down += gone
        self._all -= gone
        self._fall, self._sizes = self._fall[:last], self._sizes[:, :last]
        self._share = self._share[:last]


def steps_s(*ends_s: float, first_s: float = 2.0, ratio: float = 1.6) -> Array:
    """Rising times that hold `ends_s` and leave no gap wider than `ratio`.

    Parameters
    ----------
    *ends_s : float
        Times that must be among them [s]; the largest is the last.
    first_s : float
        First time [s].
    ratio : float
        Largest ratio of neighbours.

    Returns
    -------
    ndarray, shape (T,)
        Times [s].
    """
    ends = np.unique([first_s, *ends_s, max(*ends_s, first_s * ratio)])
    counts = np.ceil(np.log(ends[1:] / ends[:-1]) / np.log(ratio) - 1e-9).astype(int)
    pairs = zip(ends[:-1], ends[1:], counts, strict=True)
    inner = [np.geomspace(start, end, count + 1)[:-1] for start, end, count in pairs]
    return np.concatenate([*inner, ends[-1:]])
