"""How jars of given grains stack up: the forward model of N draws."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.core.special_functions import ndtr
from jarvision.estimate.dried import Spoon
from jarvision.estimate.grain_curve import MeasuredSand
from jarvision.estimate.known import LEAST_FALL_MM, Evidence, Horizon, JarFacts
from jarvision.estimate.priors import PRIORS, draw_values
from jarvision.estimate.settling import (
    CLAY_LIMIT_UM,
    GRAIN_DENSITY_KG_M3,
    GRAVEL_LIMIT_UM,
    SAND_LIMIT_UM,
    Charge,
    Moment,
    Path,
    Reals,
    settle,
    share_down,
    shares_down,
    terminal_velocity_mm_s,
)

Array = NDArray[np.float64]

_ORGANIC_SWELL = 0.01  # fines pack looser by this for each % of organic matter; no source
_BINS = (8, 10, 7)  # steps of grain size within clay, silt and sand
_UNCLUMPED_UM = 0.7  # falls like the mean of clay spread evenly over 0.05 to 2 µm (computed)
_FLOCS = np.exp(0.5 * np.array([-1.22, 0.0, 1.22]))  # sizes of flocs about their middle; ours
_OWNER = np.repeat([2, 2, 1, 0], [_FLOCS.size, *_BINS])
"""Class of each kind of grain: 0 sand, 1 silt, 2 clay; the flocs, which come first, are clay."""

_BELONGS = [np.flatnonzero(kind == _OWNER) for kind in range(3)]

MINUTE_S, _SINK_TO_S = 60.0, 172800.0  # a layer sinks from the first minute to 48 h


def _array(values: ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Jars:
    """N draws of everything but the masses, for K kinds of grain.

    Attributes
    ----------
    values : mapping of str to ndarray, shape (N,)
        The unknowns by name, as in `jarvision.estimate.priors.PRIORS`.
    column_mm, temp_c : ndarray, shape (N,)
        Water line [mm] and temperature [°C].
    scale : ndarray, shape (N,)
        True millimetres in one of those that were measured.
    speed_mm_s, early_mm_s : ndarray, shape (K, N)
        Speed of each kind alone, after and before the clay clumps [mm/s].
    layer_g_cm3 : ndarray, shape (3, N)
        Dry density of the layers of sand, silt and clay [g/cm³].
    layers_g_cm3, bulk_g_cm3 : ndarray, shape (K, N)
        Dry mass of each kind in a volume of its layer, and of its falling grain or floc [g/cm³].
    bends : mapping of str to ndarray
        By how much the tilts bend the curves of clay, silt and sand at each step of size.
    sand : ndarray, shape (7, N), or None
        Spread of the sand over its steps of size, where a photo tells it.
    """

    values: Mapping[str, Array]
    column_mm: Array
    temp_c: Array
    scale: Array
    speed_mm_s: Reals
    early_mm_s: Reals
    layer_g_cm3: Array
    layers_g_cm3: Reals
    bulk_g_cm3: Reals
    bends: Mapping[str, Reals]
    sand: Reals | None = None


def make_jars(evidence: Evidence, z: Array) -> Jars:
    """Turn standard normal numbers into N jars that have yet to be filled.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    z : ndarray, shape (N, D)
        Standard normal numbers in the order of `jarvision.estimate.priors.PRIORS`.

    Returns
    -------
    Jars
        All but the masses.
    """
    facts = evidence.facts
    values = draw_values(z, detergent=facts.detergent, packing=facts.reference)
    temp = np.clip(evidence.temp_c + evidence.temp_sd_c * values["temp"], 0.5, 45.0)
    column = evidence.water_mm + evidence.water_sd_mm * values["water"]
    scale = np.exp(facts.scale_sd * values["scale"])
    column = scale * np.maximum(column, evidence.top_mm.max() + 0.5 * LEAST_FALL_MM)
    speed = terminal_velocity_mm_s(_sizes_um(values), temp) * values["speed"]
    early = speed.copy()
    early[: _FLOCS.size] = terminal_velocity_mm_s(_UNCLUMPED_UM, temp) * values["speed"]
    layer = _layers_g_cm3(facts, values)
    bulk = np.full(speed.shape, GRAIN_DENSITY_KG_M3 / 1e3)
    bulk[: _FLOCS.size] = values["floc_density"] * layer[2]
    bends = {
        name: _single(np.exp((2.0 * _middles(count)[:, None] - 1.0) * values[f"{name}_tilt"]))
        for name, count in zip(("clay", "silt", "sand"), _BINS, strict=True)
    }
    return Jars(
        values,
        column,
        temp,
        scale,
        _single(speed),
        _single(early),
        layer,
        _single(layer[_OWNER]),
        _single(bulk),
        bends,
        None if evidence.sand is None else _measured_sand(evidence.sand, values),
    )


def _single(values: Array) -> Reals:
    """Single precision, in which what is summed over kinds of grain takes half the time."""
    return values.astype(np.float32)


_SAND_DRAWS = 32  # curves of sand from which a jar is drawn: few, so that neighbours are alike


def _measured_sand(sand: MeasuredSand, values: Mapping[str, Array]) -> Reals:
    """Spread of a measured sand over its steps of size: the tilt's number says which draw."""
    place = ndtr(values["sand_tilt"] / PRIORS["sand_tilt"].spread)
    ends = np.geomspace(SAND_LIMIT_UM, GRAVEL_LIMIT_UM, _BINS[2] + 1)
    return _single(np.diff(sand.smoothed(_SAND_DRAWS).at(ends, place), axis=1).T)


def _middles(count: int) -> Array:
    return _array((np.arange(count) + 0.5) / count)


def _sizes_um(values: Mapping[str, Array]) -> Array:
    """Diameters of the kinds, (K, N)."""
    finest = values["finest_um"]
    clay = finest * (CLAY_LIMIT_UM / finest) ** _middles(_BINS[0])[:, None]
    silt = CLAY_LIMIT_UM * (SAND_LIMIT_UM / CLAY_LIMIT_UM) ** _middles(_BINS[1])
    sand = SAND_LIMIT_UM * (GRAVEL_LIMIT_UM / SAND_LIMIT_UM) ** _middles(_BINS[2])
    coarse = np.outer(np.concatenate([silt, sand]), np.ones_like(finest))
    return np.vstack([np.outer(_FLOCS, values["floc_um"]), clay, coarse])


def _layers_g_cm3(facts: JarFacts, values: Mapping[str, Array]) -> Array:
    swell = 1.0 + _ORGANIC_SWELL * (facts.organic_matter_pct or 0.0)
    fines = [values["silt_density"] / swell, values["clay_density"] / swell]
    return np.vstack([values["sand_density"], *fines])


def _curves(jars: Jars, mass: Array) -> list[Reals]:
    """Spread of clay, silt and sand over their own steps of size, each summing to 1.

    The cumulative curve is drawn smoothly through its values at the class limits, as is done to
    turn one system of limits into another (Nemes et al. 1999, Geoderma 90:187-202, from memory),
    then bent by the tilts; `smooth` mixes it with an even spread over the logarithm of size.
    """
    sand, silt, clay = _single(np.maximum(mass, 1e-6 * mass.sum(axis=0)))
    clay = clay / _single(np.log(CLAY_LIMIT_UM / jars.values["finest_um"]))
    silt = silt / math.log(SAND_LIMIT_UM / CLAY_LIMIT_UM)
    sand = sand / math.log(GRAVEL_LIMIT_UM / SAND_LIMIT_UM)
    at_2, at_50 = _harmonic(clay, silt), _harmonic(silt, sand)
    # The curve's two far ends are not known; these are mild slopes towards nothing.
    return [
        _bent(jars, "clay", _BINS[0], (0.4 * clay, clay, at_2)),
        _bent(jars, "silt", _BINS[1], (at_2, silt, at_50)),
        _bent(jars, "sand", _BINS[2], (at_50, sand, 0.3 * sand))
        if jars.sand is None
        else jars.sand,
    ]


def _shares(jars: Jars, mass: Array) -> Reals:
    """Share of each kind in the mass of its class, (K, N)."""
    clay, silt, sand = _curves(jars, mass)
    clumped = _single(jars.values["clumped"])
    flocs = np.tile(clumped / np.float32(_FLOCS.size), (_FLOCS.size, 1))
    return np.vstack([flocs, clay * (np.float32(1.0) - clumped), silt, sand])


def finer_share(jars: Jars, mass: Array, size_um: float) -> Array:
    """Share of the mineral mass in grains finer than a size, clumped or not.

    Parameters
    ----------
    jars : Jars
        N draws.
    mass : ndarray, shape (3, N)
        Their sand, silt and clay, in any one unit.
    size_um : float
        Limit [µm].

    Returns
    -------
    ndarray, shape (N,)
        0 to 1, from the grain-size curve of each draw, straight within a step of size.
    """
    curves = _curves(jars, mass)
    finest = jars.values["finest_um"]
    ends = (
        (finest, np.full_like(finest, CLAY_LIMIT_UM)),
        (np.full_like(finest, CLAY_LIMIT_UM), np.full_like(finest, SAND_LIMIT_UM)),
        (np.full_like(finest, SAND_LIMIT_UM), np.full_like(finest, GRAVEL_LIMIT_UM)),
    )
    finer = np.zeros_like(finest)
    for curve, (low, high), own in zip(curves, ends, mass[::-1], strict=True):
        steps = curve.shape[0] * np.log(size_um / low) / np.log(high / low)
        part = np.clip(steps - np.arange(curve.shape[0])[:, None], 0.0, 1.0)
        finer += own * (curve * part).sum(axis=0)
    return _array(finer / mass.sum(axis=0))


def _harmonic(a: Reals, b: Reals) -> Reals:
    return np.asarray(2.0 * a * b / (a + b))


def _bent(jars: Jars, name: str, count: int, slopes: tuple[Reals, Reals, Reals]) -> Reals:
    """Spread of one class over its own steps of size, summing to 1, (count, N).

    `slopes` are those of the cumulative curve at the class's fine end, on average, and at its
    coarse end; the curve between is a cubic.
    """
    start, level, end = slopes
    u = _single(_middles(count)[:, None])
    cubic = 6.0 * (u - u**2) * level + (1.0 - 4.0 * u + 3.0 * u**2) * start
    cubic += (3.0 * u**2 - 2.0 * u) * end
    blend = _single(jars.values["smooth"])
    curve = blend * np.maximum(cubic, 1e-3 * level) + (1.0 - blend) * level
    curve *= jars.bends[name]
    return np.asarray(curve / curve.sum(axis=0))


def charge_of(jars: Jars, mass: Array) -> Charge:
    """Fill N jars with sand, silt and clay (3, N) [g/cm²]."""
    return Charge(
        jars.speed_mm_s,
        jars.early_mm_s,
        jars.values["clumps_at"],
        _single(mass)[_OWNER] * _shares(jars, mass),
        jars.layers_g_cm3,
        jars.bulk_g_cm3,
    )


def settled(evidence: Evidence, jars: Jars, charge: Charge) -> Path:
    """Let N filled jars settle until the last photo."""
    return settle(
        charge,
        column_mm=jars.column_mm,
        exponent=np.maximum(jars.values["exponent"], 2.4),
        time_s=evidence.steps_s,
        late_s=jars.values["late_s"],
    )


def _moment(evidence: Evidence, jars: Jars, path: Path, index: int) -> Moment:
    """When the top of an observation was the top of the deposit."""
    horizon = evidence.horizon[index]
    if horizon is Horizon.DEPOSIT:
        return path.at(float(evidence.time_s[index]))
    seen = jars.values["sand_seen_um" if horizon is Horizon.SAND else "silt_seen_um"]
    speed = terminal_velocity_mm_s(seen, jars.temp_c) * jars.values["speed"]
    return _when_down(path.state, speed, jars.column_mm)


def _when_down(state: Moment, speed: Array, column_mm: Array) -> Moment:
    """Moment at which the last grain of a given speed lands; the end if it does not."""
    fallen = speed[:, None] * (state.early_s + state.after_s)
    gap = fallen + state.bed_mm - column_mm[:, None]
    after = np.where((gap >= 0).any(axis=1), np.argmax(gap >= 0, axis=1), gap.shape[1] - 1)
    after = np.maximum(after, 1)
    rows = np.arange(gap.shape[0])
    low, high = gap[rows, after - 1], gap[rows, after]
    part = np.clip(-low / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    first, second = (
        [c[rows, at] for c in (state.early_s, state.after_s, state.bed_mm, state.pore_mm)]
        for at in (after - 1, after)
    )
    return Moment(*(a + part * (b - a) for a, b in zip(first, second, strict=True)))


def _youth(time_s: Array) -> Array:
    """1 at the first minute and 0 at 48 h: how much a layer has yet to sink."""
    span = math.log(_SINK_TO_S / MINUTE_S)
    return _array(np.clip(np.log(_SINK_TO_S / time_s) / span, 0.0, 1.0))


@dataclass(frozen=True, slots=True)
class Landed:
    """What part of each kind stands in each height, as fresh as its layer is then."""

    at: tuple[Reals, ...]
    """Share of each kind by height, looseness of flocs included, T arrays (K, N)."""
    minute: Reals
    """Share of each kind at the first minute, (K, N)."""
    fresh: Array
    """By how much the deposit stands higher than it will, (T, N)."""


def landed_of(evidence: Evidence, jars: Jars, charge: Charge, path: Path) -> Landed:
    """Tell what stands in each height of N settled jars."""
    youth = _youth(evidence.time_s)
    moments = [_moment(evidence, jars, path, index) for index in range(evidence.time_s.size)]
    moments.append(path.at(MINUTE_S))
    *at, minute = shares_down(charge, moments, column_mm=jars.column_mm)
    for down, young in zip(at, youth, strict=True):
        down[: _FLOCS.size] *= _single(1.0 + jars.values["clump_fluff"] * min(1.0, 1.4 * young))
    return Landed(tuple(at), minute, 1.0 + np.outer(youth, jars.values["sinking"]))


def heights_of(jars: Jars, charge: Charge, landed: Landed) -> Array:
    """Each height as it was measured, (T, N) [mm]."""
    thick = 10.0 * charge.mass_g_cm2 / charge.layer_g_cm3
    silt = _BELONGS[1]
    hidden = in_pores(jars, charge, landed.minute)
    tops = np.empty_like(landed.fresh)
    for top, down in zip(tops, landed.at, strict=True):
        top[:] = np.einsum("kn,kn->n", down, thick)
        top -= np.minimum(hidden, np.einsum("kn,kn->n", down[silt], thick[silt]))
    return _array(tops * landed.fresh / jars.scale)


_PORES = 0.35  # of the sand's height, what finer grains can take up: 1 - 1.55/2.65, less a little


def in_pores(jars: Jars, charge: Charge, down: Reals) -> Array:
    """Height [mm] that silt would take which landed among the sand and lies in its pores (N,)."""
    thick = 10.0 * charge.mass_g_cm2 / charge.layer_g_cm3
    sand, silt = (np.einsum("kn,kn->n", down[rows], thick[rows]) for rows in _BELONGS[:2])
    return _array(np.minimum(jars.values["pore_filling"] * silt, _PORES * sand))


def held_up(evidence: Evidence, jars: Jars, charge: Charge, path: Path) -> tuple[Array, Array]:
    """Grams a litre still up at each height's time (N, T), and the share of the clay at the end."""
    litres = np.full((jars.column_mm.size, evidence.time_s.size), np.nan)
    wanted = [*np.flatnonzero(np.isfinite(evidence.cloudiness)), evidence.last]
    for index in dict.fromkeys(wanted):
        moment = path.at(float(evidence.time_s[index]))
        down = share_down(charge, moment, column_mm=jars.column_mm)
        held = charge.mass_g_cm2 * (1.0 - down)
        water_mm = np.maximum(jars.column_mm - moment.bed_mm, 1.0)
        litres[:, index] = 1e4 * held.sum(axis=0) / water_mm
    clay = _OWNER == 2
    return litres, held[clay].sum(axis=0) / charge.mass_g_cm2[clay].sum(axis=0)


def seen(evidence: Evidence, jars: Jars, mass: Array, charge: Charge, path: Path) -> Array:
    """Give all that was measured of the jar as N draws have it, in the order of `values`.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    jars, mass, charge, path
        N jars, their masses (3, N) [g/cm²], and how they settled.

    Returns
    -------
    ndarray, shape (S, N)
        As `Evidence.values`.
    """
    landed = landed_of(evidence, jars, charge, path)
    heights = heights_of(jars, charge, landed)
    others = [] if math.isnan(evidence.load_g_cm2) else [np.log(mass.sum(axis=0))]
    others += [finer_share(jars, mass, each.size_um) for each in evidence.finer]
    if evidence.facts.spoon is not None:
        others.append(_spoon_g_l(evidence.facts.spoon, jars, charge, path))
    return np.vstack([heights, *others])


_STEP_LOG_SPEED = 0.35  # half the width of a step of size, in the logarithm of speed


def _spoon_g_l(spoon: Spoon, jars: Jars, charge: Charge, path: Path) -> Array:
    """Dry mass in a litre of water at the spoon's depth and time (N,)."""
    moment = path.at(spoon.elapsed_s)
    fallen = charge.speed_mm_s * moment.after_s + charge.early_mm_s * moment.early_s
    ahead = np.log(spoon.depth_mm / np.maximum(fallen, 1e-9)) / (2.0 * _STEP_LOG_SPEED)
    still = np.clip(0.5 + ahead, 0.0, 1.0)
    return _array(1e4 * (charge.mass_g_cm2 * still).sum(axis=0) / jars.column_mm)
