"""Whole invented jars, filled and held against the jar in hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from jarvision.estimate.filling import fill
from jarvision.estimate.known import CLOUDY_FROM, HAZY_FROM, Evidence, JarFacts, WaterState
from jarvision.estimate.settling import hindering, steps_s
from jarvision.estimate.stacking import (
    MINUTE_S,
    Jars,
    charge_of,
    held_up,
    in_pores,
    landed_of,
    make_jars,
    seen,
    settled,
)
from jarvision.estimate.topsoil import log_prior

Array = NDArray[np.float64]

_CLOUDINESS_SD = 0.12  # how well an eye or a photo places the cloudiness; ours


def _array(values: ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


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
        Squared misfit of all that was measured, in units of their variances.
    clay_up : ndarray, shape (N,)
        Share of the clay still up at the last photo.
    slowed : ndarray, shape (N,)
        Speed in the crowd over speed alone at the first minute.
    settled_mm : ndarray, shape (N,)
        Top of the deposit once all is down [mm].
    """

    z: Array
    mass: Array
    log_fit: Array
    chi2: Array
    clay_up: Array
    slowed: Array
    settled_mm: Array


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
    mass, log_q = fill(evidence, jars, rng)
    charge = charge_of(jars, mass)
    path = settled(evidence, jars, charge)
    gap = evidence.values - seen(evidence, jars, mass, charge, path)
    chi2 = (gap**2 / evidence.variances).sum(axis=1)
    litres, clay_up = held_up(evidence, jars, charge, path)
    log_fit = (
        -0.5 * chi2
        - log_q
        + log_prior(mass, evidence.facts.origin)
        + _log_looks(evidence, jars, litres)
    )
    minute = min(int(np.searchsorted(path.time_s, MINUTE_S)), path.time_s.size - 1)
    slowed = hindering(path.solids[:, minute], jars.values["exponent"])
    landed = landed_of(evidence, jars, charge, path)
    hidden = in_pores(jars, charge, landed.minute)
    whole = 10.0 * (charge.mass_g_cm2 / charge.layer_g_cm3).sum(axis=0) - hidden
    whole /= jars.scale
    return Cloud(z, mass, log_fit, chi2, clay_up, slowed, whole)


_CURVE_RATIO = 1.8  # neighbouring times of a curve that is drawn


def rise(evidence: Evidence, z: Array, mass: Array) -> tuple[Array, Array]:
    """Give times since shaking (T,) [s], and the top of N jars' deposit at these (N, T) [mm].

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    z, mass : ndarray, shapes (N, D) and (N, 3)
        Draws, as in `Cloud`.
    """
    steps = evidence.steps_s
    finer = steps_s(*steps.tolist(), first_s=float(steps[0]), ratio=_CURVE_RATIO)
    jars = make_jars(evidence, z)
    charge = charge_of(jars, mass)
    path = settled(replace(evidence, steps_s=finer), jars, charge)
    hidden = in_pores(jars, charge, landed_of(evidence, jars, charge, path).minute)
    bed = np.maximum(path.state.bed_mm - hidden[:, None], 0.0)
    return finer, bed / jars.scale[:, None]


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
