"""Which one fact more would narrow a jar's soil most, worked out from its own draws."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array
from jarvision.estimate.filled_jars import Cloud
from jarvision.estimate.known import Evidence, WaterState
from jarvision.estimate.priors import PRIORS

_TRIALS = 32  # draws that are taken for the truth in turn
_WORTH = 0.93  # a fact that leaves more of the spread than this is not worth naming; ours
_HEIGHT_SD_MM, _HEIGHT_SD = 0.5, 0.015  # of a height that is still to be read, and its share
_NEAR = 1.4  # a photo within this factor of a time shows it already
_PHOTOS = ((300.0, "5 minutes"), (3600.0, "1 hour"), (28800.0, "8 hours"))


@dataclass(frozen=True, slots=True)
class NextFact:
    """The fact that would narrow a jar most.

    Attributes
    ----------
    name : str
        For example ``"soil_g"``.
    left : float
        Share of the limits' width that would be left, 0 to 1.
    sentence : str
        For the gardener.
    """

    name: str
    left: float
    sentence: str


@dataclass(frozen=True, slots=True)
class _Fact:
    """A fact that is not known: what to do for it, and what each draw says that it is."""

    name: str
    advice: str
    values: Array
    sd: Array


def narrows_most(
    evidence: Evidence,
    cloud: Cloud,
    picked: NDArray[np.int64],
    rising: tuple[Array, Array],
    rng: np.random.Generator,
) -> NextFact | None:
    """Find the one fact that is not known yet and would narrow the shares most.

    Parameters
    ----------
    evidence : Evidence
        What is known.
    cloud : Cloud
        Draws.
    picked : ndarray of int, shape (n,)
        Indices of equally likely ones.
    rising : tuple of ndarray, shapes (T,) and (n, T)
        Times [s] and the deposit's top at these [mm], as `filled_jars.rise` gives them.
    rng : numpy.random.Generator
        For the trials.

    Returns
    -------
    NextFact or None
        None where nothing simple would narrow them by a tenth or so.

    Notes
    -----
    Each of some draws is taken for the truth in turn, the fact is read with its error, and the
    draws are weighed by how well they agree: the mean of what spread is left (preposterior
    analysis, from memory).
    """
    mass = cloud.mass[picked]
    shares = mass / mass.sum(axis=1, keepdims=True)
    before = shares.var(axis=0).sum()
    best: NextFact | None = None
    for fact in _unknown(evidence, cloud, picked, rising):
        left = math.sqrt(_left(shares, fact, rng) / before)
        if left < (best.left if best else _WORTH):
            narrower = 5 * round(20 * (1.0 - left))
            said = f"{fact.advice}; the limits by weight would be some {narrower} % narrower."
            best = NextFact(fact.name, left, f"What would tell most more of this soil: {said}")
    return best


def _left(shares: Array, fact: _Fact, rng: np.random.Generator) -> float:
    """Mean variance left, summed over the shares."""
    total = 0.0
    for index in rng.integers(len(shares), size=_TRIALS):
        read = fact.values[index] + fact.sd[index] * rng.standard_normal()
        log_w = -0.5 * ((read - fact.values) / fact.sd) ** 2 - np.log(fact.sd)
        weight = np.exp(log_w - log_w.max())
        weight /= weight.sum()
        middle = weight @ shares
        total += float((weight @ (shares - middle) ** 2).sum())
    return total / _TRIALS


def _unknown(
    evidence: Evidence, cloud: Cloud, picked: NDArray[np.int64], rising: tuple[Array, Array]
) -> Iterator[_Fact]:
    """List the simple facts that are not known of this jar."""
    facts = evidence.facts
    same = np.ones(len(picked))
    mass = cloud.mass[picked]
    z = dict(zip(PRIORS, cloud.z[picked].T, strict=True))
    if facts.soil_g is None:
        advice = "next time, weigh the dry soil before it goes into the jar"
        yield _Fact("soil_g", advice, np.log(mass.sum(axis=1)), 0.04 * same)
    log_steps, bed = np.log(rising[0]), rising[1]
    for time_s, spoken in _PHOTOS:
        apart = np.abs(np.log(evidence.time_s / time_s))
        if apart.min() > math.log(_NEAR) and time_s < evidence.time_s.max():
            after = max(int(np.searchsorted(log_steps, math.log(time_s))), 1)
            start, end = log_steps[after - 1 : after + 1]
            part = max((math.log(time_s) - start) / (end - start), 0.0)
            height = bed[:, after - 1] + part * (bed[:, after] - bed[:, after - 1])
            sd = np.hypot(_HEIGHT_SD_MM, _HEIGHT_SD * height)
            yield _Fact(
                f"photo_{time_s:.0f}_s", f"next time, a photo {spoken} after shaking", height, sd
            )
    if float(cloud.clay_up[picked].mean()) > 0.05:
        advice = "leave the jar until the water is clear, and take one photo more then"
        whole = cloud.settled_mm[picked]
        yield _Fact("photo_when_clear", advice, whole, np.hypot(_HEIGHT_SD_MM, 0.02 * whole))
    if facts.water_mm is None:
        yield _Fact("water_mm", "measure how high the water stands", z["water"], 0.1 * same)
    if facts.temp_c is None:
        yield _Fact("temp_c", "measure the water's temperature", z["temp"], 0.25 * same)
    if facts.scale_sd > 0:
        advice = "measure how wide the jar is"
        yield _Fact("jar_mm", advice, z["scale"], 0.1 * same)
    if evidence.state is WaterState.UNKNOWN:
        advice = "say whether the water had cleared at the last photo"
        yield _Fact("water_state", advice, cloud.clay_up[picked], 0.1 * same)
