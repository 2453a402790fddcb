"""Which compositions a soil may have before its jar is looked at."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from jarvision.core.arrays import Array


class Origin(StrEnum):
    """Where the soil in the jar is from."""

    TOPSOIL = "topsoil"
    """From a bed, field, lawn: compositions are as common as among topsoils."""
    ANYWHERE = "anywhere"
    """A mixture, a subsoil, a bought clay: every composition is as likely as any other."""


@dataclass(frozen=True, slots=True)
class _Heap:
    """A normal law of ln(sand/silt) and ln(clay/silt)."""

    share: float
    middle: tuple[float, float]
    sd: tuple[float, float]
    correlation: float


# Fitted (maximum likelihood, zeros counted as 0.5 %) to the 2083 arable and grassland topsoils, 0
# to 20 cm, of GEMAS: Reimann, Birke, Demetriades, Filzmoser & O'Connor (eds., 2014), Chemistry of
# Europe's agricultural soils, Geologisches Jahrbuch B 102, as published in the open data of the R
# package robCompositions 2.4.2. Their sand begins at 63 µm, which shifts some two points from sand
# to silt, and they were read by infrared, which draws extremes inward; hence the even part below.
_GEMAS = (
    _Heap(0.137, (1.716, -0.932), (1.486, 1.055), 0.333),
    _Heap(0.710, (0.071, -0.744), (0.655, 0.441), 0.238),
    _Heap(0.153, (0.748, -2.635), (0.672, 0.837), 0.264),
)

EVEN_PART = 0.25
"""Share of topsoils that are allowed to be anything: heavy clays and silts are rarer in Europe's
fields than in gardens elsewhere; ours."""


def log_prior(mass: Array, origin: Origin) -> Array:
    """Tell how likely masses are, up to a constant: compositions as they are common, any load.

    Parameters
    ----------
    mass : ndarray, shape (3, ...)
        Sand, silt and clay, more than 0, in any one unit.
    origin : Origin
        Where the soil is from.

    Returns
    -------
    ndarray, shape (...)
        Logarithm of the density; a load is as likely as another of half or twice its size.
    """
    return np.asarray(log_density(mass, origin) - 3.0 * np.log(mass.sum(axis=0)))


def log_density(mass: Array, origin: Origin) -> Array:
    """Tell how common compositions are, against all being equally so.

    Parameters
    ----------
    mass : ndarray, shape (3, ...)
        Sand, silt and clay, more than 0, in any one unit.
    origin : Origin
        Where the soil is from.

    Returns
    -------
    ndarray, shape (...)
        Logarithm of the density over the triangle of shares, divided by an even one.
    """
    if origin is Origin.ANYWHERE:
        return np.zeros(mass.shape[1:])
    sand, silt, clay = np.maximum(mass / mass.sum(axis=0), 1e-9)
    log_silt = np.log(silt)
    x, y = np.log(sand) - log_silt, np.log(clay) - log_silt
    of_heaps = sum(_normal(x, y, heap) for heap in _GEMAS)
    # an even density over the triangle's area of 1/2 is 2; the ratios' Jacobian is 1/(s m c)
    mixed = EVEN_PART + (1.0 - EVEN_PART) / 2.0 * of_heaps / (sand * silt * clay)
    return np.asarray(np.log(mixed), dtype=np.float64)


def _normal(x: Array, y: Array, heap: _Heap) -> Array:
    """Give a heap's share times its density; no number is too small, since others are added."""
    x, y = ((each - m) / sd for each, m, sd in zip((x, y), heap.middle, heap.sd, strict=True))
    left = 1.0 - heap.correlation**2
    quadratic = (x * (x - 2.0 * heap.correlation * y) + y * y) / left
    scale = 2.0 * math.pi * heap.sd[0] * heap.sd[1] * math.sqrt(left)
    return np.asarray(heap.share / scale * np.exp(-0.5 * quadratic), dtype=np.float64)


def log_sum(logs: Array, axis: int = -1) -> Array:
    """Logarithm of a sum whose terms are given by their logarithms, along an axis.

    In the innermost loops some times as fast as `scipy.special.logsumexp`.
    """
    highest = np.maximum(logs.max(axis=axis, keepdims=True), -1e300)
    total = np.exp(logs - highest).sum(axis=axis, keepdims=True)
    with np.errstate(divide="ignore"):
        return np.asarray(np.squeeze(np.log(total) + highest, axis=axis))
