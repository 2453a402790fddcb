"""How a jar of given grains stacks up, and which masses stack as the jar in hand did."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr, ndtr, ndtri

from jarvision.estimate.known import (
    CLOUDY_FROM,
    HAZY_FROM,
    LEAST_FALL_MM,
    Evidence,
    Horizon,
    JarFacts,
    WaterState,
)
from jarvision.estimate.priors import draw_values
from jarvision.estimate.settling import (
    CLAY_LIMIT_UM,
    GRAIN_DENSITY_KG_M3,
    GRAVEL_LIMIT_UM,
    SAND_LIMIT_UM,
    Charge,
    Moment,
    Path,
    hindering,
    settle,
    share_down,
    terminal_velocity_mm_s,
)

Array = NDArray[np.float64]

_CLOUDINESS_SD = 0.12  # how well an eye or a photo places the cloudiness; ours
_ORGANIC_SWELL = 0.01  # fines pack looser by this for each % of organic matter; no source
_BINS = (10, 11, 9)  # steps of grain size within clay, silt and sand
_UNCLUMPED_UM = 0.7  # falls like the mean of clay spread evenly over 0.05 to 2 µm (computed)
_FLOCS = np.exp(0.5 * np.array([-1.22, 0.0, 1.22]))  # sizes of flocs about their middle; ours
_OWNER = np.repeat([2, 1, 0, 2], [*_BINS, _FLOCS.size])
"""Class of each kind of grain: 0 sand, 1 silt, 2 clay; the flocs, which come last, are clay."""

_SINK_FROM_S, _SINK_TO_S = 60.0, 172800.0  # a layer sinks from the first minute to 48 h


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
    speed_mm_s, early_mm_s : ndarray, shape (K, N)
        Speed of each kind alone, after and before the clay clumps [mm/s].
    layer_g_cm3 : ndarray, shape (3, N)
        Dry density of the layers of sand, silt and clay [g/cm³].
    """

    values: Mapping[str, Array]
    column_mm: Array
    temp_c: Array
    speed_mm_s: Array
    early_mm_s: Array
    layer_g_cm3: Array


@dataclass(frozen=True, slots=True)
class Cloud:
    """N draws with their masses, and what the report needs of each.

    Attributes
    ----------
    z : ndarray, shape (N, D)
        The standard normal numbers behind each draw.
    mass : ndarray, shape (N, 3)
        Sand, silt and clay over the floor [g/cm²].
    log_fit : ndarray, shape (N,)
        Log likelihood and prior of the masses, less the log density they were drawn with.
    chi2 : ndarray, shape (N,)
        Squared misfit of the heights and of the soil put in, in units of their variances.
    bed_mm : ndarray, shape (N, T)
        Top of the deposit at the evidence's steps [mm].
    clay_up : ndarray, shape (N,)
        Share of the clay still up at the last photo.
    slowed : ndarray, shape (N,)
        Speed in the crowd over speed alone at the first minute.
    """

    z: Array
    mass: Array
    log_fit: Array
    chi2: Array
    bed_mm: Array
    clay_up: Array
    slowed: Array


# -- the forward model of N draws ------------------------------------------------------------------


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
    values = draw_values(z, dispersant=facts.dispersant)
    temp = np.clip(evidence.temp_c + evidence.temp_sd_c * values["temp"], 0.5, 45.0)
    column = evidence.water_mm + evidence.water_sd_mm * values["water"]
    column = np.maximum(column, evidence.top_mm.max() + 0.5 * LEAST_FALL_MM)
    speed = terminal_velocity_mm_s(_sizes_um(values), temp) * values["speed"]
    early = speed.copy()
    early[-_FLOCS.size :] = terminal_velocity_mm_s(_UNCLUMPED_UM, temp) * values["speed"]
    return Jars(values, column, temp, speed, early, _layers_g_cm3(facts, values))


def _middles(count: int) -> Array:
    return _array((np.arange(count) + 0.5) / count)


def _sizes_um(values: Mapping[str, Array]) -> Array:
    """Diameters of the kinds, (K, N)."""
    finest = values["finest_um"]
    clay = finest * (CLAY_LIMIT_UM / finest) ** _middles(_BINS[0])[:, None]
    silt = CLAY_LIMIT_UM * (SAND_LIMIT_UM / CLAY_LIMIT_UM) ** _middles(_BINS[1])
    sand = SAND_LIMIT_UM * (GRAVEL_LIMIT_UM / SAND_LIMIT_UM) ** _middles(_BINS[2])
    coarse = np.outer(np.concatenate([silt, sand]), np.ones_like(finest))
    return np.vstack([clay, coarse, np.outer(_FLOCS, values["floc_um"])])


def _layers_g_cm3(facts: JarFacts, values: Mapping[str, Array]) -> Array:
    swell = 1.0 + _ORGANIC_SWELL * (facts.organic_matter_pct or 0.0)
    fines = [values["silt_density"] / swell, values["clay_density"] / swell]
    return np.vstack([values["sand_density"], *fines])


def _shares(jars: Jars, mass: Array) -> Array:
    """Share of each kind in the mass of its class, (K, N).

    The cumulative curve is drawn smoothly through its values at the class limits, as is done to
    turn one system of limits into another (Nemes et al. 1999, Geoderma 90:187-202, from memory),
    then bent by the tilts; `smooth` mixes it with an even spread over the logarithm of size.
    """
    sand, silt, clay = np.maximum(mass, 1e-6 * mass.sum(axis=1, keepdims=True)).T
    clay = clay / np.log(CLAY_LIMIT_UM / jars.values["finest_um"])
    silt = silt / math.log(SAND_LIMIT_UM / CLAY_LIMIT_UM)
    sand = sand / math.log(GRAVEL_LIMIT_UM / SAND_LIMIT_UM)
    at_2, at_50 = _harmonic(clay, silt), _harmonic(silt, sand)
    # The curve's two far ends are not known; these are mild slopes towards nothing.
    shares = [
        _bent(jars, "clay", _BINS[0], (0.4 * clay, clay, at_2)),
        _bent(jars, "silt", _BINS[1], (at_2, silt, at_50)),
        _bent(jars, "sand", _BINS[2], (at_50, sand, 0.3 * sand)),
    ]
    clumped = jars.values["clumped"]
    shares[0] *= 1.0 - clumped
    return np.vstack([*shares, np.outer(np.full(_FLOCS.size, 1.0 / _FLOCS.size), clumped)])


def _harmonic(a: Array, b: Array) -> Array:
    return _array(2.0 * a * b / (a + b))


def _bent(jars: Jars, name: str, count: int, slopes: tuple[Array, Array, Array]) -> Array:
    """Spread of one class over its own steps of size, summing to 1, (count, N).

    `slopes` are those of the cumulative curve at the class's fine end, on average, and at its
    coarse end; the curve between is a cubic.
    """
    start, level, end = slopes
    u = _middles(count)[:, None]
    cubic = 6.0 * (u - u**2) * level + (1.0 - 4.0 * u + 3.0 * u**2) * start
    cubic += (3.0 * u**2 - 2.0 * u) * end
    blend = jars.values["smooth"]
    curve = blend * np.maximum(cubic, 1e-3 * level) + (1.0 - blend) * level
    curve *= np.exp((2.0 * u - 1.0) * jars.values[f"{name}_tilt"])
    return _array(curve / curve.sum(axis=0))


def _charge(jars: Jars, mass: Array) -> Charge:
    shares = _shares(jars, mass)
    bulk = np.full(shares.shape, GRAIN_DENSITY_KG_M3 / 1e3)
    bulk[-_FLOCS.size :] = jars.values["floc_density"] * jars.layer_g_cm3[2]
    return Charge(
        jars.speed_mm_s,
        jars.early_mm_s,
        jars.values["clumps_at"],
        mass.T[_OWNER] * shares,
        jars.layer_g_cm3[_OWNER],
        bulk,
    )


def _settle(evidence: Evidence, jars: Jars, charge: Charge) -> Path:
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
    span = math.log(_SINK_TO_S / _SINK_FROM_S)
    return _array(np.clip(np.log(_SINK_TO_S / time_s) / span, 0.0, 1.0))


def _heights(evidence: Evidence, jars: Jars, charge: Charge, path: Path) -> Array:
    """Millimetres of each height that sand, silt and clay make up, (N, T, 3)."""
    table = np.empty((jars.column_mm.size, evidence.time_s.size, 3))
    fresh = 1.0 + np.outer(jars.values["sinking"], _youth(evidence.time_s))
    thick = 10.0 * charge.mass_g_cm2 / charge.layer_g_cm3
    belongs = [np.flatnonzero(kind == _OWNER) for kind in range(3)]
    for index in range(evidence.time_s.size):
        moment = _moment(evidence, jars, path, index)
        down = share_down(charge, moment, column_mm=jars.column_mm)
        for kind, rows in enumerate(belongs):
            table[:, index, kind] = np.einsum("kn,kn->n", down[rows], thick[rows])
    table *= fresh[:, :, None]
    return table


# -- masses that stack as the jar did --------------------------------------------------------------


def _first_masses(evidence: Evidence, jars: Jars) -> Array:
    """Each class a third of the soil, to start from."""
    each = evidence.top_mm.max() / 10.0 / (1.0 / jars.layer_g_cm3).sum(axis=0)
    return np.tile(each[:, None], (1, 3))


@dataclass(frozen=True, slots=True)
class _Normal:
    """N normal laws of three masses, cut off at zero."""

    mean: Array
    precision: Array
    best: Array
    """Most likely masses that are not negative."""


def _solve(evidence: Evidence, table: Array, guess: Array, wide: Array) -> _Normal:
    """Masses given everything else: the heights are nearly linear in them."""
    weighted = table / evidence.var_mm2[None, :, None]
    precision = np.einsum("nti,ntj->nij", weighted, table)
    loose = 1.0 / wide**2
    precision += loose[:, None, None] * np.eye(3)
    pull = np.einsum("nti,t->ni", weighted, evidence.top_mm) + loose[:, None] * guess
    if not math.isnan(evidence.load_g_cm2):  # the masses sum to what was put in
        firm = 1.0 / (evidence.load_sd * evidence.load_g_cm2) ** 2
        precision += firm
        pull += firm * evidence.load_g_cm2
    mean = np.linalg.solve(precision, pull[..., None])[..., 0]
    return _Normal(mean, precision, _not_negative(precision, pull, np.maximum(mean, 0.0)))


def _not_negative(precision: Array, pull: Array, start: Array) -> Array:
    """Lowest point of the quadratic among masses of zero or more, by descent along each axis."""
    best = start.copy()
    for _ in range(8):
        for kind in range(3):
            slope = pull[:, kind] - np.einsum("ni,ni->n", precision[:, kind], best)
            best[:, kind] = np.maximum(0.0, best[:, kind] + slope / precision[:, kind, kind])
    return np.asarray(np.maximum(best, 1e-3 * best.sum(axis=1, keepdims=True)), dtype=np.float64)


_STRETCH = 1.2  # proposals are drawn this much wider than the normal law they stand for


def _draw(law: _Normal, rng: np.random.Generator) -> tuple[Array, Array]:
    """Masses over zero (N, 3) and the log density that they were drawn with (N,).

    One mass after the other from its normal law given the ones before, cut off at zero (the
    sampler of Geweke, Hajivassiliou and Keane, from memory).
    """
    root = _STRETCH * np.linalg.cholesky(np.linalg.inv(law.precision))
    mass, noise = np.empty_like(law.mean), np.zeros_like(law.mean)
    log_q = np.zeros(len(law.mean))
    for kind in range(3):
        centre = law.mean[:, kind] + np.einsum("nj,nj->n", root[:, kind], noise)
        sd = root[:, kind, kind]
        inside = np.clip(centre / sd, -30.0, 30.0)
        noise[:, kind] = -ndtri(rng.random(centre.size) * ndtr(inside))
        mass[:, kind] = centre + sd * noise[:, kind]
        log_q -= 0.5 * noise[:, kind] ** 2 + np.log(sd) + log_ndtr(inside)
    return mass, log_q


_ROUNDS = 4  # times that the masses are solved anew before they are drawn
_LEAP = 2.5  # most that one of these times changes a mass


def _propose(evidence: Evidence, jars: Jars) -> _Normal:
    start = mass = _first_masses(evidence, jars)
    wide = mass.sum(axis=1)
    for _ in range(_ROUNDS):
        charge = _charge(jars, mass)
        heights = _heights(evidence, jars, charge, _settle(evidence, jars, charge))
        law = _solve(evidence, heights / mass[:, None, :], start, wide)
        mass = np.clip(law.best, mass / _LEAP, mass * _LEAP)
    return law


def explore(evidence: Evidence, z: Array, rng: np.random.Generator) -> Cloud:
    """Fill N jars with masses that stack as the jar in hand did.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    z : ndarray, shape (N, D)
        Standard normal numbers in the order of `jarvision.estimate.priors.PRIORS`.
    rng : numpy.random.Generator
        For the masses.

    Returns
    -------
    Cloud
        The draws and how well each explains the jar.
    """
    jars = make_jars(evidence, z)
    law = _propose(evidence, jars)
    mass, log_q = _draw(law, rng)
    real = np.all(mass > 0, axis=1)  # the cut-off law runs out of digits 30 sd from zero
    mass = np.where(real[:, None], mass, law.best)
    charge = _charge(jars, mass)
    path = _settle(evidence, jars, charge)
    gap = evidence.top_mm - _heights(evidence, jars, charge, path).sum(axis=2)
    chi2 = (gap**2 / evidence.var_mm2).sum(axis=1)
    litres, clay_up = _held_up(evidence, jars, charge, path)
    log_fit = -0.5 * chi2 - log_q + _log_masses(evidence, mass) + _log_looks(evidence, jars, litres)
    minute = min(int(np.searchsorted(path.time_s, _SINK_FROM_S)), path.time_s.size - 1)
    slowed = hindering(path.solids[:, minute], jars.values["exponent"])
    log_fit = np.where(real, log_fit, -1e6)
    chi2 += _load_chi2(evidence, mass)
    return Cloud(z, mass, log_fit, chi2, path.state.bed_mm, clay_up, slowed)


def _held_up(evidence: Evidence, jars: Jars, charge: Charge, path: Path) -> tuple[Array, Array]:
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


def _log_masses(evidence: Evidence, mass: Array) -> Array:
    """Log prior of the masses, with what was put in.

    Any composition is as likely as any other, and any load as another of half or twice its size.
    """
    total = mass.sum(axis=1)
    log_p = -3.0 * np.log(total)
    return _array(log_p - 0.5 * _load_chi2(evidence, mass))


def _load_chi2(evidence: Evidence, mass: Array) -> Array:
    """Squared misfit of the soil put in, in units of its variance; 0 when it is not known."""
    if math.isnan(evidence.load_g_cm2):
        return np.zeros(mass.shape[0])
    return _array((np.log(mass.sum(axis=1) / evidence.load_g_cm2) / evidence.load_sd) ** 2)


def _log_looks(evidence: Evidence, jars: Jars, litres: Array) -> Array:
    """Log likelihood of the water's look in every photo."""
    load = litres / jars.values["opaque_g_l"][:, None]
    log_p = _log_end(evidence.facts, load[:, evidence.last])
    for index in np.flatnonzero(np.isfinite(evidence.cloudiness)):
        log_p += _log_look(float(evidence.cloudiness[index]), load[:, index])
    return log_p


def _log_look(cloudiness: float, load: Array) -> Array:
    """Log likelihood of a cloudiness; `load` is what is up over what dims to a third."""
    gap = cloudiness - (1.0 - np.exp(-load))
    return _array(-0.5 * (gap / _CLOUDINESS_SD) ** 2)


def _log_end(facts: JarFacts, load: Array) -> Array:
    """Log likelihood of the water's look at the end, as a number or a word."""
    if facts.cloudiness is not None:
        return _log_look(facts.cloudiness, load)
    look = 1.0 - np.exp(-load)
    limits = {
        WaterState.CLEAR: (-np.inf, HAZY_FROM),
        WaterState.HAZY: (HAZY_FROM, CLOUDY_FROM),
        WaterState.CLOUDY: (CLOUDY_FROM, np.inf),
        WaterState.UNKNOWN: (-np.inf, np.inf),
    }[facts.water_state]
    low, high = (ndtr((limit - look) / _CLOUDINESS_SD) for limit in limits)
    return np.asarray(np.log(np.maximum(high - low, 1e-12)), dtype=np.float64)
