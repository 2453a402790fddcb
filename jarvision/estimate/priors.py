"""What is believed of a jar before it is looked at, with where each belief comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.special_functions import ndtr


def _array(values: ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


class _Law(StrEnum):
    """How a standard normal number becomes a value."""

    PLAIN = "plain"
    """centre + spread·z"""
    LOG = "log"
    """centre·exp(spread·z)"""
    EVEN_LOG = "even_log"
    """Evenly spread in the logarithm between centre and spread."""
    EVEN = "even"
    """Evenly spread between centre and spread."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed of one unknown before the jar is looked at.

    Attributes
    ----------
    centre, spread : float
        By `law`, in `unit`.
    unit : str
        Unit of the value.
    source : str
        Where it comes from.
    words : str
        What the photos cannot tell when this one rules the answer.
    """

    centre: float
    spread: float
    unit: str
    source: str
    words: str
    law: _Law = _Law.PLAIN


_PACKING = "how densely the {} of this soil packs"
_GRAINS = "how fine the grains within sand, silt and clay are"
_CLUMPS = "how much of the clay clumped and came down early"
_COLUMN = "how fast the grains fell"

PRIORS: Mapping[str, Prior] = {
    "sand_density": Prior(
        1.55,
        0.06,
        "g/cm³",
        "Lara & Pemberton 1963, submerged deposits (from memory); spread ours",
        _PACKING.format("sand"),
        _Law.LOG,
    ),
    "silt_density": Prior(
        1.12,
        0.13,
        "g/cm³",
        "Lara & Pemberton 1963, submerged deposits (from memory); spread ours",
        _PACKING.format("silt"),
        _Law.LOG,
    ),
    "clay_density": Prior(
        0.43,
        0.2,
        "g/cm³",
        "clay that did not clump: 0.416 of Lara & Pemberton 1963 (from memory) and 0.44-0.49 "
        "computed from a published hobby test of kaolin in quart jars (2004); spread ours. "
        "Clumped clay is looser: see _clay_g_cm3",
        _PACKING.format("clay"),
        _Law.LOG,
    ),
    "clump_fluff": Prior(
        0.0,
        0.5,
        "of a clumped layer's height in the first half hour more than at 48 h",
        "mud gels at 0.04-0.12 g/cm³ of dry mass and ends at 0.24-0.32 (estuary muds, secondary "
        "sources); how fast it gives way in a jar has no source",
        _CLUMPS,
        _Law.EVEN,
    ),
    "pore_filling": Prior(
        0.0,
        0.8,
        "share of the silt landing among sand that takes no room",
        "grains a few times finer than their neighbours go into the pores; no source for the "
        "share, which in theory lies between nothing and all",
        _PACKING.format("sand with silt in its pores"),
        _Law.EVEN,
    ),
    "clumped": Prior(0.0, 1.0, "share of clay", "no source: see _clumped", _CLUMPS),
    "floc_um": Prior(
        1.5,
        15.0,
        "µm of the quartz grain that falls as fast",
        "no source: clear-water speeds of 0.002 to 0.2 mm/s",
        _CLUMPS,
        _Law.EVEN_LOG,
    ),
    "clumps_at": Prior(0.0, 1.0, "s", "no source: see _clumps_at_s", _CLUMPS),
    "floc_density": Prior(
        1.0,
        3.0,
        "times the clay layer's",
        "no source: a layer is flocs that touch, so a floc is no looser than its layer",
        _CLUMPS,
        _Law.EVEN_LOG,
    ),
    "clay_tilt": Prior(0.0, 0.8, "-", "no source", _GRAINS),
    "silt_tilt": Prior(0.0, 0.6, "-", "no source", _GRAINS),
    "sand_tilt": Prior(0.0, 0.6, "-", "no source", _GRAINS),
    "smooth": Prior(0.0, 1.0, "-", "no source", _GRAINS, _Law.EVEN),
    "finest_um": Prior(
        0.04, 0.6, "µm", "no source: clay tables often end at 0.05", _GRAINS, _Law.LOG
    ),
    "speed": Prior(
        1.0, 0.05, "-", "grain densities 2600-2750 kg/m³ and grain shape", _COLUMN, _Law.LOG
    ),
    "exponent": Prior(
        5.0,
        0.5,
        "-",
        "4.48-5.6 in a review of Richardson & Zaki's law, arXiv 1710.09314",
        _COLUMN,
    ),
    "late_s": Prior(2.0, 3.0, "s", "no source: swirl after shaking, and the clock", _COLUMN),
    "temp": Prior(0.0, 1.0, "sd", "given, or 20 ± 4 °C", _COLUMN),
    "water": Prior(0.0, 1.0, "sd", "read, or guessed from the deposit", _COLUMN),
    "sinking": Prior(
        0.01, 0.008, "share of the height", "common practice, no source: 1-2 %", _COLUMN
    ),
    "scale": Prior(
        0.0, 1.0, "sd", "as wide as jars differ where no millimetres are known", _COLUMN
    ),
    "opaque_g_l": Prior(
        0.1,
        0.9,
        "g/L",
        "no source: clay in 8 cm of water dims a pattern behind it to a third at about this",
        "how much clay is still in the water",
        _Law.LOG,
    ),
    "sand_seen_um": Prior(
        50.0, 0.3, "µm", "no source: what the eye takes for sand", _GRAINS, _Law.LOG
    ),
    "silt_seen_um": Prior(
        3.5, 0.4, "µm", "no source: what the eye takes for silt", _GRAINS, _Law.LOG
    ),
}
"""Every unknown of a jar; independent of each other before the jar is looked at."""


class Detergent(StrEnum):
    """What went into the water to keep clay apart."""

    NONE = "none"
    LIQUID_SOAP = "liquid soap"
    """A surfactant: it wets, and does not keep clay apart."""
    WASHING_SODA = "washing soda"
    """Or dishwasher powder, which is mostly that."""
    POLYPHOSPHATE = "polyphosphate"
    """What laboratories use (sodium hexametaphosphate), and old water softeners."""


PACKING = ("sand_density", "silt_density", "clay_density", "pore_filling")
"""What soils of one garden have in common, and a reference jar tells of."""


@dataclass(frozen=True, slots=True)
class Packing:
    """How a garden's soils pack, by a reference jar (`jarvision.estimate.reference`).

    Attributes
    ----------
    name : str
        The reference's.
    mean : tuple of float
        Of the standard normal numbers behind `PACKING`.
    root : tuple of tuple of float
        Lower root of their covariance.
    detergent : Detergent or None
        What was in the reference's water.
    cleared : bool or None
        Whether that water cleared; None when not known.
    fits : bool
        Whether the reference's jar and its laboratory agree; where not, it says nothing.
    odd : bool
        Whether they agree only with layers packed unusually, so that one of the two may be wrong.
    """

    name: str
    mean: tuple[float, ...]
    root: tuple[tuple[float, ...], ...]
    detergent: Detergent | None = None
    cleared: bool | None = None
    fits: bool = True
    odd: bool = False


def draw_values(
    z: Array, *, detergent: Detergent | None, packing: Packing | None = None
) -> dict[str, Array]:
    """Turn standard normal numbers into the unknowns of N jars.

    Parameters
    ----------
    z : ndarray, shape (N, len(PRIORS))
        Independent standard normal numbers, in the order of `PRIORS`.
    detergent : Detergent or None
        What went into the water; None when not known.
    packing : Packing or None
        What a reference jar says, if it fits.

    Returns
    -------
    dict of str to ndarray, shape (N,)
        Values by name, in the units that `PRIORS` gives.
    """
    columns = dict(zip(PRIORS, z.T, strict=True))
    if packing is not None and packing.fits:
        own = np.stack([columns[name] for name in PACKING], axis=1)
        learned = np.array(packing.mean) + own @ np.array(packing.root).T
        columns.update(zip(PACKING, learned.T, strict=True))
    values = {name: _value(PRIORS[name], column) for name, column in columns.items()}
    values["clumped"] = _clumped(columns["clumped"], detergent)
    values["clumps_at"] = _clumps_at_s(columns["clumps_at"], detergent)
    values["clay_density"] = _clay_g_cm3(columns["clay_density"], values["clumped"])
    return values


def _value(prior: Prior, z: Array) -> Array:
    if prior.law is _Law.PLAIN:
        return _array(prior.centre + prior.spread * z)
    if prior.law is _Law.LOG:
        return _array(prior.centre * np.exp(prior.spread * z))
    if prior.law is _Law.EVEN:
        return _array(prior.centre + (prior.spread - prior.centre) * ndtr(z))
    return _array(prior.centre * np.exp(math.log(prior.spread / prior.centre) * ndtr(z)))


# By detergent: odds that no clay clumps, that all does, and that what clumps does so at once. The
# order follows what each does (a surfactant nothing, soda some, polyphosphate most); the numbers
# are ours, and hard tap water can undo any of them.
_CLUMPING = {
    Detergent.NONE: (0.10, 0.45, 0.7),
    Detergent.LIQUID_SOAP: (0.10, 0.45, 0.7),
    Detergent.WASHING_SODA: (0.25, 0.30, 0.45),
    Detergent.POLYPHOSPHATE: (0.40, 0.15, 0.3),
    None: (0.20, 0.30, 0.5),
}


def _clumped(z: Array, detergent: Detergent | None) -> Array:
    """Share of the clay that falls as flocs: none, all, or anything between.

    Jars go clear or stay cloudy for days, so both ends carry weight of their own.
    """
    none, every, _ = _CLUMPING[detergent]
    return _array(np.clip((ndtr(z) - none) / (1.0 - none - every), 0.0, 1.0))


def _clumps_at_s(z: Array, detergent: Detergent | None) -> Array:
    """When the clay clumps [s]: at once, as in hard water, or after an hour to a day and more."""
    once = _CLUMPING[detergent][2]
    part = np.clip((ndtr(z) - once) / (1.0 - once), 0.0, 1.0)
    return np.where(part > 0.0, 3600.0 * 30.0**part, 0.0)


# Clumped mud stops flowing at 0.24-0.32 g/cm³ of dry mass, and kaolin with Epsom salt settled to
# 0.27-0.40 (hobby test, computed); both secondary. In two days some mud is looser still: the middle
# stands at the loose end, and the spread is ours.
_CLUMPED_G_CM3 = 0.25
_CLUMPED_SPREAD = 0.38


def _clay_g_cm3(z: Array, clumped: Array) -> Array:
    """Dry density of the clay's layer [g/cm³]: the more of it clumped, the looser."""
    plain = PRIORS["clay_density"]
    middle = (1.0 - clumped) * math.log(plain.centre) + clumped * math.log(_CLUMPED_G_CM3)
    spread = plain.spread + clumped * (_CLUMPED_SPREAD - plain.spread)
    return _array(np.exp(middle + spread * z))
