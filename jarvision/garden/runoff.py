"""How much of a rain runs off and how easily it takes soil along: runoff group, erodibility K."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array, Places
from jarvision.core.sources import Quality, Source
from jarvision.core.units import Span, span_of
from jarvision.estimate.texture import TextureClass
from jarvision.garden.class_tables import ERODIBILITY_US, RunoffGroup, hull, matching

RUNOFF_GROUP_RULES = Source(
    Quality.PUBLISHED,
    "USDA NRCS, National Engineering Handbook 630, chapter 7 (2009): group texts and conductivity "
    "limits of soils deeper than 1 m, read in copies",
)
ERODIBILITY_TEXTURE = Source(
    Quality.PUBLISHED,
    "Renard et al. 1997, USDA Agriculture Handbook 703: K from the geometric mean diameter, read "
    "in copies",
)
ERODIBILITY_NOMOGRAPH = Source(
    Quality.MEMORY,
    "Wischmeier & Smith 1978, USDA Agriculture Handbook 537: equation of the erodibility nomograph",
)

# Saturated conductivity of the least conductive layer within 1 m [µm/s], lower limit of each
# group, where rock and water table are deeper than 1 m: 1.42, 0.57 and 0.06 in/h in the handbook.
_LEAST_UM_S = ((RunoffGroup.A, 10.0), (RunoffGroup.B, 4.0), (RunoffGroup.C, 0.4))
_MM_H_PER_UM_S = 3.6


def runoff_group(ksat_mm_h: float) -> RunoffGroup:
    """Name the hydrologic soil group of a soil deeper than 1 m to rock and to the water table.

    Parameters
    ----------
    ksat_mm_h : float
        Saturated conductivity of its least conductive layer [mm/h], a number.

    Notes
    -----
    NEH 630, chapter 7 (2009), Table 7-1. With rock or a water table nearer than that the limits
    are higher, and within half a metre of rock every soil is in group D.
    """
    for group, least in _LEAST_UM_S:
        if ksat_mm_h > least * _MM_H_PER_UM_S:
            return group
    return RunoffGroup.D


def runoff_group_odds(ksat_mm_h: ArrayLike) -> dict[RunoffGroup, float]:
    """Share of a soil's draws of conductivity in each group; NaN draws left out, empty if all are.

    Parameters
    ----------
    ksat_mm_h : array_like, shape (n,)
        Draws of saturated conductivity [mm/h].
    """
    values = np.asarray(ksat_mm_h, dtype=np.float64)
    known = values[np.isfinite(values)].tolist()
    found = [runoff_group(value) for value in known]
    return {group: found.count(group) / len(found) for group in RunoffGroup} if found else {}


# Arithmetic means of the limits of clay, silt and sand [mm], as the handbook takes them.
_CLAY_MM, _SILT_MM, _SAND_MM = 0.001, 0.026, 1.025

US_PER_SI_K = 7.594
"""Erodibility in US customary units (ton acre hour per hundreds of acre foot ton inch) for each
t ha h / (ha MJ mm)."""


def erodibility_from_texture(pcts: ArrayLike) -> Array:
    """Erodibility K from the geometric mean diameter of the grains [US customary].

    Parameters
    ----------
    pcts : array_like, shape (n, 3)
        Sand, silt and clay [% by mass], with few stones.

    Returns
    -------
    ndarray, shape (n,)
        At most 0.333; knows nothing of organic matter, structure or very fine sand.
    """
    sand, silt, clay = np.asarray(pcts, dtype=np.float64).T
    logs = sand * math.log(_SAND_MM) + silt * math.log(_SILT_MM) + clay * math.log(_CLAY_MM)
    log_mm = 0.01 * logs / math.log(10)
    k_si = 0.0034 + 0.0405 * np.exp(-0.5 * ((log_mm + 1.659) / 0.7101) ** 2)
    return np.asarray(US_PER_SI_K * k_si, dtype=np.float64)


NOMOGRAPH_MOST_PCT = 70.0
"""Most silt and very fine sand that the nomograph's equation holds for [%]."""


def erodibility_by_nomograph(
    silt_and_very_fine_sand_pct: ArrayLike,
    clay_pct: ArrayLike,
    om_pct: ArrayLike,
    *,
    structure: ArrayLike,
    permeability: ArrayLike,
) -> Array:
    """Erodibility K by the nomograph's equation [US customary].

    Parameters
    ----------
    silt_and_very_fine_sand_pct, clay_pct : array_like
        Grains of 0.002 to 0.1 mm, and clay [% by mass].
    om_pct : array_like
        Organic matter [%], counted as 4 where it is more.
    structure : array_like
        Class 1 (very fine granular) to 4 (blocky, platy or massive).
    permeability : array_like
        Class 1 (rapid) to 6 (very slow), see `permeability_class`.

    Returns
    -------
    ndarray
        NaN with over 70 % of silt and very fine sand, where the equation leaves the nomograph.
    """
    fine = np.asarray(silt_and_very_fine_sand_pct, dtype=np.float64)
    om = np.minimum(np.asarray(om_pct, dtype=np.float64), 4.0)
    product = fine * (100 - np.asarray(clay_pct, dtype=np.float64))
    k = (
        2.1e-4 * (12 - om) * product**1.14
        + 3.25 * (np.asarray(structure, dtype=np.float64) - 2)
        + 2.5 * (np.asarray(permeability, dtype=np.float64) - 3)
    ) / 100
    return np.asarray(
        np.where(fine <= NOMOGRAPH_MOST_PCT, np.maximum(k, 0.0), np.nan), dtype=np.float64
    )


# Upper limits of the classes 6 to 2 [in/h], as the nomograph prints them.
_PERMEABILITY_IN_H = (0.06, 0.2, 0.6, 2.0, 6.0)
_MM_PER_IN = 25.4


def permeability_class(ksat_mm_h: ArrayLike) -> Places:
    """Class of the nomograph, 1 (rapid) to 6 (very slow), from conductivity [mm/h]."""
    rate_in_h = np.asarray(ksat_mm_h, dtype=np.float64) / _MM_PER_IN
    return np.asarray(6 - np.searchsorted(_PERMEABILITY_IN_H, rate_in_h), dtype=np.intp)


# What a jar does not tell: the part of the sand that is very fine, and a bed's structure (ours).
_VERY_FINE_SHARE = (0.05, 0.35)
_STRUCTURES = (2, 3)


@dataclass(frozen=True, slots=True)
class Runoff:
    """What rain does to a bare soil.

    Attributes
    ----------
    odds : dict of RunoffGroup to float
        By conductivity; empty where it is not known.
    k_us : Span
        Erodibility K in US customary units: by the nomograph, by the mean diameter and by the
        table of the likely classes, together.
    """

    odds: dict[RunoffGroup, float]
    k_us: Span


def runoff_of(
    draws_pct: ArrayLike,
    om_pct: ArrayLike,
    ksat_mm_h: ArrayLike,
    *,
    classes: Collection[TextureClass],
    rng: np.random.Generator,
    sand_pct: ArrayLike | None = None,
) -> Runoff:
    """Work out the runoff group and the erodibility of a soil's draws.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Sand, silt and clay [%].
    om_pct, ksat_mm_h : array_like, shape (n,)
        Organic matter [%] and saturated conductivity [mm/h], NaN where it is not known.
    classes : collection of TextureClass
        The likely ones, at least one.
    rng : numpy.random.Generator
        Draws the part of the sand that is very fine and the bed's structure.
    sand_pct : array_like, shape (n, 5), optional
        The sand in its parts, very fine last [%], where that was measured.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    ksat = np.asarray(ksat_mm_h, dtype=np.float64)
    very_fine = rng.uniform(*_VERY_FINE_SHARE, len(draws)) * draws[:, 0]
    if sand_pct is not None:
        very_fine = np.asarray(sand_pct, dtype=np.float64)[:, 4]
    fine = draws[:, 1] + very_fine
    by_nomograph = erodibility_by_nomograph(
        fine,
        draws[:, 2],
        om_pct,
        structure=rng.integers(_STRUCTURES[0], _STRUCTURES[1], len(draws), endpoint=True),
        permeability=permeability_class(np.where(np.isfinite(ksat), ksat, 0.0)),
    )
    table = hull(matching(ERODIBILITY_US, classes))
    spans = [
        span_of(by_nomograph),
        span_of(erodibility_from_texture(draws)),
        Span(table.low, (table.low + table.high) / 2, table.high),
    ]
    known = [span for span in spans if span.known]
    mid = math.fsum(span.mid for span in known) / len(known)
    both = Span(min(span.low for span in known), mid, max(span.high for span in known))
    return Runoff(runoff_group_odds(ksat), both)
