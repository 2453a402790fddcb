"""How grains fall through a jar, and how the deposit grows under them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.water import density_kg_m3, viscosity_pa_s

Array = NDArray[np.float64]

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


def stokes_mm_s(
    diameter_um: ArrayLike, temp_c: ArrayLike, *, grain_density_kg_m3: ArrayLike = 2650.0
) -> Array:
    """Settling speed by Stokes' law.

    Parameters
    ----------
    diameter_um : array_like
        Grain diameter [µm]; within 3 % of a sphere's speed up to 50 µm, far too fast for sand.
    temp_c : array_like
        Water temperature [°C].
    grain_density_kg_m3 : array_like
        Density of the grains [kg/m³].

    Returns
    -------
    ndarray
        Speed [mm/s], by the shape that the three broadcast to.

    Raises
    ------
    ValueRefusedError
        A diameter is zero, negative or not a number.
    """
    excess = np.asarray(grain_density_kg_m3, dtype=np.float64) - density_kg_m3(temp_c)
    speed = GRAVITY_M_S2 * excess * _metres(diameter_um) ** 2 / (18.0 * viscosity_pa_s(temp_c))
    return np.asarray(1e3 * speed, dtype=np.float64)


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

    speed_mm_s: Array
    early_mm_s: Array
    turn_s: Array
    mass_g_cm2: Array
    layer_g_cm3: Array
    bulk_g_cm3: Array


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


def share_down(charge: Charge, moment: Moment, *, column_mm: Array) -> Array:
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


def shares_down(charge: Charge, moments: Sequence[Moment], *, column_mm: Array) -> list[Array]:
    """Give `share_down` at several moments."""
    reach = _reach(charge, column_mm)
    return [_share_down(reach, moment) for moment in moments]


@dataclass(frozen=True, slots=True)
class _Reach:
    """Share of the column's water that each kind falls in a second, and what changes before."""

    water_mm: Array
    after: Array
    rows: NDArray[np.intp]
    """Kinds whose speed changes at the turn."""
    more_early: Array
    """What these fall more before it, (len(rows), N)."""


def _reach(charge: Charge, column_mm: Array) -> _Reach:
    grains_mm = 10.0 * (charge.mass_g_cm2 / charge.bulk_g_cm3).sum(axis=0)
    water_mm = np.maximum(column_mm - grains_mm, 0.2 * column_mm)
    rows = np.flatnonzero((charge.early_mm_s[:, :1] != charge.speed_mm_s[:, :1])[:, 0])
    more = (charge.early_mm_s[rows] - charge.speed_mm_s[rows]) / water_mm
    return _Reach(water_mm, charge.speed_mm_s / water_mm, rows, more)


def _share_down(reach: _Reach, moment: Moment) -> Array:
    share = reach.after * (moment.early_s + moment.after_s)
    if reach.rows.size:
        share[reach.rows] += reach.more_early * moment.early_s
    share += moment.pore_mm / reach.water_mm
    np.minimum(share, 1.0, out=share)
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
        calculation, so that neighbours should not differ by more than a factor of about 1.6.
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
    """
    since = np.maximum(0.0, time_s[:, None] - np.reshape(late_s, (1, -1)))
    before = np.minimum(since, charge.turn_s)
    early_steps, after_steps = before.copy(), since - before
    early_steps[1:] -= before[:-1]
    after_steps[1:] -= after_steps[:-1].copy()
    falling = _Falling(charge, column_mm)
    all_space = 10.0 * (charge.mass_g_cm2 / charge.bulk_g_cm3).sum(axis=0)
    rows = np.empty((5, time_s.size, column_mm.size))
    early, after, bed, pore = np.zeros((4, column_mm.size))
    solids = all_space / np.maximum(column_mm, 1.0)
    for index in range(time_s.size):
        slow = hindering(solids, exponent)
        early = early + slow * early_steps[index]
        after = after + slow * after_steps[index]
        bed, down = falling.fallen(early, early + after, pore)
        pore = np.maximum(bed - down, 0.0)
        up = all_space - down
        solids = up / np.maximum(column_mm - bed, 1.0)
        for row, now in zip(rows, (early, after, bed, pore, solids), strict=True):
            row[index] = now
        if index % 3 == 2:
            falling.forget_fallen()
    stacked = rows.transpose(0, 2, 1)
    return Path(time_s, Moment(*stacked[:4]), stacked[4])


class _Falling:
    """The kinds that have not come down everywhere, and what those that have take up.

    Single precision, good to 0.001 mm of the bed, halves the time of this innermost loop.
    """

    def __init__(self, charge: Charge, column_mm: Array) -> None:
        reach = _reach(charge, column_mm)
        self._water_mm = reach.water_mm
        self._fall, self._more = reach.after.astype(np.float32), reach.more_early.astype(np.float32)
        self._turning = reach.rows
        per_mass = [10.0 / charge.layer_g_cm3, 10.0 / charge.bulk_g_cm3]
        self._sizes = np.array([charge.mass_g_cm2 * each for each in per_mass], dtype=np.float32)
        self._share = np.empty_like(self._fall)
        self._down = np.zeros((2, column_mm.size))

    def fallen(self, early_s: Array, fallen_s: Array, pore_mm: Array) -> Array:
        """Height of the bed and space of the grains in it [mm], (2, N); see `_share_down`."""
        np.multiply(self._fall, fallen_s.astype(np.float32), out=self._share)
        if self._turning.size:
            self._share[self._turning] += self._more * early_s.astype(np.float32)
        self._share += (pore_mm / self._water_mm).astype(np.float32)
        np.minimum(self._share, 1.0, out=self._share)
        sums = [np.einsum("kn,kn->n", self._share, size) for size in self._sizes]
        return np.asarray(self._down + sums)

    def forget_fallen(self) -> None:
        """Add up the kinds that are down in every column, which stay there."""
        left = self._share.min(axis=1) < 1.0
        left[self._turning] = True
        if left.all():
            return
        self._down += self._sizes[:, ~left].sum(axis=1)
        self._turning = np.searchsorted(np.flatnonzero(left), self._turning)
        self._fall, self._sizes = self._fall[left], self._sizes[:, left]
        self._share = np.empty_like(self._fall)


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
    last = max(*ends_s, first_s * ratio)
    count = int(np.ceil(np.log(last / first_s) / np.log(ratio))) + 1
    return np.unique(np.concatenate([np.geomspace(first_s, last, count), np.asarray(ends_s)]))
