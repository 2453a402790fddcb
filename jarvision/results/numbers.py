"""A jar's heights and shares as they are printed everywhere: a value with its 90 % range."""

from __future__ import annotations

import math

from jarvision.core.ranges import pct_with_range, range_of_places, with_range
from jarvision.core.units import UnitSystem, inches_text
from jarvision.results.record import LAYERS, JarRecord, Shares

_FINEST_IN_MM = 25.4 / 32


def printed_unit(system: UnitSystem) -> tuple[float, str]:
    """Say how many printed units a millimetre is, and what they are called."""
    return (1 / 25.4, "in") if system is UnitSystem.US else (1.0, "mm")


def top_text(jar: JarRecord, layer: int, system: UnitSystem) -> str:
    """Print how high a layer's top is above the inside floor; empty without a scale.

    Parameters
    ----------
    layer : int
        0 sand, 1 silt, 2 clay.
    """
    top = jar.tops[layer] if jar.tops and jar.scaled else None
    if top is None or math.isnan(top.value):
        return ""
    low, high = top_range_mm(jar, layer)
    if system is UnitSystem.METRIC or not math.isfinite(low + high):
        return with_range(top.value, (low, high), "mm", finest=0.1, lowest=0.0)
    low, high = max(min(low, top.value - _FINEST_IN_MM), 0.0), max(high, top.value + _FINEST_IN_MM)
    return f"{inches_text(top.value)} ({inches_text(low)}–{inches_text(high)}) in"


def top_range_mm(jar: JarRecord, layer: int) -> tuple[float, float]:
    """Give the range of a layer's top above the inside floor, other places among it [mm]."""
    if jar.tops is None:
        return math.nan, math.nan
    top = jar.tops[layer]
    return range_of_places(top.value, top.sd, _other_places(jar, layer))


def _other_places(jar: JarRecord, layer: int) -> tuple[tuple[float, float], ...]:
    """Where else a layer's top could be: height [mm] and weight against the main place."""
    if jar.measurement is None:
        return ()
    own = [p.boundaries[-1] for p in jar.measurement.photos if p.boundaries]
    every = [b for p in jar.measurement.photos for b in p.boundaries]
    found = [b for b in (*own, *reversed(every)) if b.layer == LAYERS[layer]]
    return found[0].alternatives if found else ()


def share_text(shares: Shares, layer: int, unit: str = "%") -> str:
    """Print a layer's share."""
    return pct_with_range(shares.pcts[layer].value, shares.ranges_pct[layer], unit)
