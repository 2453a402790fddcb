"""Whole invented jars, filled and held against the jar in hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from jarvision.estimate.known import Evidence
from jarvision.estimate.mass_proposals import fill
from jarvision.estimate.settling import hindering, steps_s
from jarvision.estimate.stacking import (
    MINUTE_S,
    charge_of,
    held_up,
    in_pores,
    landed_of,
    make_jars,
    seen,
    settled,
)
from jarvision.estimate.topsoil import log_prior
from jarvision.estimate.turbidity import log_looks

Array = NDArray[np.float64]


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


def explore(evidence: Evidence, z: Array, chances: Array) -> Cloud:
    """Fill N jars with masses that stack as the jar in hand did.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    z : ndarray, shape (N, D)
        Standard normal numbers in the order of `jarvision.estimate.priors.PRIORS`.
    chances : ndarray, shape (N, CHANCES)
        Numbers between 0 and 1 by which the masses are drawn; see `mass_proposals.fill`.

    Returns
    -------
    Cloud
        The draws and how well each explains the jar.
    """
    jars = make_jars(evidence, z)
    mass, log_q = fill(evidence, jars, chances)
    charge = charge_of(jars, mass)
    path = settled(evidence, jars, charge)
    gap = evidence.values[:, None] - seen(evidence, jars, mass, charge, path)
    chi2 = (gap**2 / evidence.variances[:, None]).sum(axis=0)
    litres, clay_up = held_up(evidence, jars, charge, path)
    log_fit = (
        -0.5 * chi2
        - log_q
        + log_prior(mass, evidence.facts.origin)
        + log_looks(evidence, jars, litres)
    )
    minute = min(int(np.searchsorted(path.time_s, MINUTE_S)), path.time_s.size - 1)
    slowed = hindering(path.solids[:, minute], jars.values["exponent"])
    landed = landed_of(evidence, jars, charge, path)
    hidden = in_pores(jars, charge, landed.minute)
    whole = 10.0 * (charge.mass_g_cm2 / charge.layer_g_cm3).sum(axis=0) - hidden
    whole /= jars.scale
    return Cloud(z, np.ascontiguousarray(mass.T), log_fit, chi2, clay_up, slowed, whole)


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
    charge = charge_of(jars, mass.T)
    path = settled(replace(evidence, steps_s=finer), jars, charge)
    hidden = in_pores(jars, charge, landed_of(evidence, jars, charge, path).minute)
    bed = np.maximum(path.state.bed_mm - hidden[:, None], 0.0)
    return finer, bed / jars.scale[:, None]
