"""How likely the water's look in every photo is, by what is still up."""

from __future__ import annotations

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.special_functions import ndtr
from jarvision.estimate.known import CLOUDY_FROM, HAZY_FROM, Evidence, JarFacts, WaterState
from jarvision.estimate.stacking import Jars

_CLOUDINESS_SD = 0.12  # how well an eye or a photo places the cloudiness; ours


def log_looks(evidence: Evidence, jars: Jars, litres: Array) -> Array:
    """Log likelihood (N,) of the water's look in every photo.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    jars : Jars
        N draws.
    litres : ndarray, shape (N, T)
        Grams a litre still up at each height's time; NaN where no look is known.
    """
    load = litres / jars.values["opaque_g_l"][:, None]
    log_p = _log_end(evidence.facts, load[:, evidence.last])
    for index in np.flatnonzero(np.isfinite(evidence.cloudiness)):
        log_p += _log_look(float(evidence.cloudiness[index]), load[:, index])
    return log_p


def _log_look(cloudiness: float, load: Array) -> Array:
    """Log likelihood of a cloudiness; `load` is what is up over what dims to a third."""
    gap = cloudiness - (1.0 - np.exp(-load))
    return np.asarray(-0.5 * (gap / _CLOUDINESS_SD) ** 2, dtype=np.float64)


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
