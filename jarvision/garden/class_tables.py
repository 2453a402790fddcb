"""What published tables say of each texture class: the one home of every list of classes.

A row may name several classes; which row a class belongs to, where the table has broader groups,
is our reading and is said beside it. A new class is entered here and in `estimate.texture`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum

from jarvision.core.sources import FAO56_SOILS, NRCS_WATER, UC_WATER, Quality, Source
from jarvision.core.units import Span
from jarvision.estimate.sand_classes import SandClass
from jarvision.estimate.texture import TextureClass

_T, _S = TextureClass, SandClass
_MM_PER_M_IN_FT = 25.4 / 0.3048
"""Available water of 1 inch a foot [mm per m]."""


@dataclass(frozen=True, slots=True)
class ClassRange:
    """A published range for some texture classes; `high` is NaN for "more than `low`"."""

    classes: frozenset[TextureClass | SandClass]
    low: float
    high: float
    source: Source


def _rows(
    source: Source,
    *rows: tuple[tuple[TextureClass | SandClass, ...], float, float],
    factor: float = 1.0,
) -> tuple[ClassRange, ...]:
    return tuple(
        ClassRange(frozenset(classes), low * factor, high * factor, source)
        for classes, low, high in rows
    )


# Silt, sandy clay and silty clay are not in the NRCS list; sandy clay loam, sandy clay and clay
# loam are not in FAO's. UC's groups are broad, and putting the twelve classes into them is our
# reading: sandy clay stands with the clay loams, since half of it is sand that holds little (the
# equations of Saxton & Rawls give it 1.35 in/ft and clay 1.5).
AVAILABLE_MM_PER_M: tuple[ClassRange, ...] = (
    *_rows(
        NRCS_WATER,
        ((_T.SAND, _T.LOAMY_SAND), 0.6, 1.2),
        ((_T.SANDY_LOAM,), 1.3, 1.7),
        ((_T.SANDY_CLAY_LOAM, _T.LOAM, _T.SILT_LOAM), 1.5, 2.1),
        ((_T.CLAY, _T.CLAY_LOAM, _T.SILTY_CLAY_LOAM), 1.6, 2.4),
        factor=_MM_PER_M_IN_FT,
    ),
    *_rows(
        UC_WATER,
        ((_T.SAND, _T.LOAMY_SAND), 0.5, 1.0),
        ((_T.SANDY_LOAM,), 1.0, 1.5),
        (
            (
                _T.LOAM,
                _T.SILT_LOAM,
                _T.SILT,
                _T.SANDY_CLAY_LOAM,
                _T.CLAY_LOAM,
                _T.SILTY_CLAY_LOAM,
                _T.SANDY_CLAY,
            ),
            1.5,
            2.0,
        ),
        ((_T.SILTY_CLAY, _T.CLAY), 2.0, 2.5),
        factor=_MM_PER_M_IN_FT,
    ),
    # Water between field capacity and wilting point, m³ in m³: the table's third column. Its
    # silty clay begins at 0.13, but the paper's own Example 36 counts with 0.12.
    *_rows(
        FAO56_SOILS,
        ((_T.SAND,), 0.05, 0.11),
        ((_T.LOAMY_SAND,), 0.06, 0.12),
        ((_T.SANDY_LOAM,), 0.11, 0.15),
        ((_T.LOAM,), 0.13, 0.18),
        ((_T.SILT_LOAM,), 0.13, 0.19),
        ((_T.SILT,), 0.16, 0.20),
        ((_T.SILTY_CLAY_LOAM,), 0.13, 0.18),
        ((_T.SILTY_CLAY,), 0.12, 0.19),
        ((_T.CLAY,), 0.12, 0.20),
        factor=1000.0,
    ),
)
"""Handbook available water [mm per m of soil]."""

FAO_INTAKE = Source(
    Quality.SECOND_HAND,
    "Basic infiltration rates, FAO irrigation training manual, as quoted on a garden page "
    "(sand: from memory)",
)
STEADY_INTAKE = Source(
    Quality.SECOND_HAND, "Steady infiltration rates as taught in soil-physics lectures"
)
COLORADO_INTAKE = Source(Quality.PUBLISHED, "A Colorado table of drainage rates by texture class")
_CLAYS = (_T.SANDY_CLAY, _T.SILTY_CLAY, _T.CLAY)
_MM_PER_IN = 25.4

# FAO has five groups: sand, sandy loam, loam, clay loam, clay. Silty clay loam is finer than clay
# loam and may not soak faster, so it has the rows of clay loam and of clay.
INTAKE_MM_PER_H: tuple[ClassRange, ...] = (
    *_rows(
        FAO_INTAKE,
        ((_T.SAND, _T.LOAMY_SAND), 30, math.nan),
        ((_T.SANDY_LOAM,), 20, 30),
        ((_T.LOAM, _T.SILT_LOAM, _T.SILT), 10, 20),
        ((_T.SANDY_CLAY_LOAM, _T.CLAY_LOAM, _T.SILTY_CLAY_LOAM), 5, 10),
        ((*_CLAYS, _T.SILTY_CLAY_LOAM), 1, 5),
    ),
    *_rows(
        STEADY_INTAKE,
        ((_T.SAND, _T.LOAMY_SAND), 20, math.nan),
        ((_T.SANDY_LOAM,), 10, 20),
        ((_T.LOAM, _T.SILT_LOAM, _T.SILT), 5, 10),
        (_CLAYS, 1, 5),
    ),
    *_rows(
        COLORADO_INTAKE,
        ((_T.SAND,), 4, 8),
        ((_T.LOAMY_SAND,), 1.2, 2.4),
        ((_T.LOAM,), 0.5, 1.0),
        ((_T.SILT_LOAM,), 0.15, 0.30),
        ((_T.SANDY_CLAY_LOAM,), 0.1, 0.2),
        ((_T.CLAY_LOAM,), 0.05, 0.10),
        ((_T.SANDY_CLAY,), 0.03, 0.05),
        ((_T.SILTY_CLAY,), 0.02, 0.04),
        ((_T.CLAY,), 0.01, 0.02),
        factor=_MM_PER_IN,
    ),
)
"""Published intake of water [mm/h]."""


ERODIBILITY_BY_CLASS = Source(
    Quality.SECOND_HAND,
    "Stewart et al. 1975, Control of Water Pollution from Cropland, K by texture: the column of "
    "0.5 % organic matter read in a copy, that of 4 % from memory",
)

# From 4 % organic matter (low) to 0.5 % (high). The table gives clay as a range.
ERODIBILITY_US: tuple[ClassRange, ...] = _rows(
    ERODIBILITY_BY_CLASS,
    ((_T.SAND,), 0.02, 0.05),
    ((_T.LOAMY_SAND,), 0.08, 0.12),
    ((_T.SANDY_LOAM,), 0.19, 0.27),
    ((_T.LOAM,), 0.29, 0.38),
    ((_T.SILT_LOAM,), 0.33, 0.48),
    ((_T.SILT,), 0.42, 0.60),
    ((_T.SANDY_CLAY_LOAM,), 0.21, 0.27),
    ((_T.CLAY_LOAM,), 0.21, 0.28),
    ((_T.SILTY_CLAY_LOAM,), 0.26, 0.37),
    ((_T.SANDY_CLAY,), 0.12, 0.14),
    ((_T.SILTY_CLAY,), 0.19, 0.25),
    ((_T.CLAY,), 0.13, 0.29),
)
"""Published erodibility K by class [US customary units]."""


NRCS_SAND_WATER = Source(
    Quality.PUBLISHED,
    "USDA NRCS, MO6 guide for calculating available water capacity (2002), probable range by "
    "texture of the fine earth",
)
UC_SAND_WATER = Source(
    Quality.PUBLISHED,
    "University of California, drought management: available water-holding capacity by texture",
)

# The NRCS guide's figures are inches in an inch. Very fine sand and the loamy sands but the plain
# one have no row of their own with UC, and stand with its coarse, fine and loamy sands.
AVAILABLE_BY_SAND: tuple[ClassRange, ...] = (
    *_rows(
        NRCS_SAND_WATER,
        ((_S.COARSE_SAND,), 0.03, 0.06),
        ((_S.SAND, _S.FINE_SAND, _S.VERY_FINE_SAND, _S.LOAMY_SAND), 0.06, 0.08),
        ((_S.LOAMY_COARSE_SAND,), 0.05, 0.07),
        ((_S.LOAMY_FINE_SAND,), 0.08, 0.10),
        ((_S.LOAMY_VERY_FINE_SAND, _S.SANDY_LOAM), 0.09, 0.11),
        ((_S.COARSE_SANDY_LOAM,), 0.08, 0.11),
        ((_S.FINE_SANDY_LOAM,), 0.13, 0.15),
        ((_S.VERY_FINE_SANDY_LOAM,), 0.14, 0.16),
        factor=1000.0,
    ),
    *_rows(
        NRCS_WATER,
        ((_S.FINE_SAND, _S.LOAMY_FINE_SAND), 0.6, 1.2),
        ((_S.SANDY_LOAM, _S.FINE_SANDY_LOAM), 1.3, 1.7),
        factor=_MM_PER_M_IN_FT,
    ),
    *_rows(
        UC_SAND_WATER,
        (tuple(_S)[:8], 0.75, 1.25),
        ((_S.SANDY_LOAM, _S.FINE_SANDY_LOAM), 1.25, 1.75),
        ((_S.VERY_FINE_SANDY_LOAM,), 1.5, 2.3),
        factor=_MM_PER_M_IN_FT,
    ),
)
"""Handbook available water by the sand [mm per m of soil]."""

SAND_PERMEABILITY = Source(
    Quality.PUBLISHED,
    "University of California, Santa Cruz, Teaching Organic Farming and Gardening, unit 2.1, soil "
    "permeability chart",
)

# The chart has one row for sand and loamy sand; the finer ones stand there by our reading.
PERMEABILITY_BY_SAND: tuple[ClassRange, ...] = _rows(
    SAND_PERMEABILITY,
    ((_S.COARSE_SAND,), 20, math.nan),
    (tuple(_S)[1:8], 6, 20),
    ((_S.COARSE_SANDY_LOAM, _S.SANDY_LOAM, _S.FINE_SANDY_LOAM), 2, 6),
    ((_S.VERY_FINE_SANDY_LOAM,), 0.6, 2),
    factor=_MM_PER_IN,
)
"""Permeability by the sand, where the soil is not packed [mm/h]."""

WIND_GROUPS_SOURCE = Source(
    Quality.SECOND_HAND,
    "USDA NRCS, National Soil Survey Handbook, part 618, wind erodibility groups and index, as a "
    "Colorado mine's soil report prints them (2007)",
)

WIND_GROUPS: dict[TextureClass, tuple[int, float]] = {
    _T.SAND: (1, 220.0),
    _T.LOAMY_SAND: (2, 134.0),
    _T.SANDY_LOAM: (3, 86.0),
}
"""Wind erodibility group and index [US tons an acre and year] of soils that are mostly sand; the
group is the same for coarse and for fine. The groups go up to 8, which does not blow."""


class SoilGroup(StrEnum):
    """Coarse groups that gardeners' hints speak of."""

    SANDY = "sandy"
    LOAMY = "loamy"
    SILTY = "silty"
    CLAYEY = "clayey"


GROUPS: dict[SoilGroup, tuple[TextureClass, ...]] = {
    SoilGroup.SANDY: (_T.SAND, _T.LOAMY_SAND, _T.SANDY_LOAM),
    SoilGroup.LOAMY: (_T.LOAM, _T.SILT_LOAM),
    SoilGroup.SILTY: (_T.SILT,),
    SoilGroup.CLAYEY: (_T.SANDY_CLAY_LOAM, _T.CLAY_LOAM, _T.SILTY_CLAY_LOAM, *_CLAYS),
}
"""The groups of the USDA Soil Survey Manual, chapter 3 (from memory: coarse and moderately coarse,
medium, moderately fine and fine), silt taken out of the medium ones: it lacks the clay that holds
crumbs together."""


class RunoffGroup(StrEnum):
    """Hydrologic soil groups: how much of a rain runs off a wet soil, A least and D most."""

    A = "A"
    B = "B"
    C = "C"
    D = "D"


# Silt is in no list; it stands with silt loam. "Clayey textures" are the three clays.
RUNOFF_GROUPS: dict[RunoffGroup, tuple[TextureClass, ...]] = {
    RunoffGroup.A: (_T.SAND,),
    RunoffGroup.B: (_T.LOAMY_SAND, _T.SANDY_LOAM),
    RunoffGroup.C: (
        _T.LOAM,
        _T.SILT_LOAM,
        _T.SILT,
        _T.SANDY_CLAY_LOAM,
        _T.CLAY_LOAM,
        _T.SILTY_CLAY_LOAM,
    ),
    RunoffGroup.D: _CLAYS,
}
"""Textures that the groups typically have: NEH 630, chapter 7 (January 2009), group texts."""


def matching(
    table: Iterable[ClassRange], classes: Collection[TextureClass | SandClass]
) -> tuple[ClassRange, ...]:
    """Pick the rows of a table that speak of any of some classes."""
    return tuple(row for row in table if row.classes.intersection(classes))


def hull(rows: Iterable[ClassRange]) -> Span:
    """Cover published ranges that disagree: least low, greatest high, NaN when there are none.

    The middle is the geometric mean of the ends, as suits ranges over orders of magnitude.
    """
    rows = tuple(rows)
    ends = [end for row in rows for end in (row.low, row.high) if math.isfinite(end)]
    if not ends:
        return Span(math.nan, math.nan, math.nan)
    return Span(min(ends), math.sqrt(min(ends) * max(ends)), max(ends))
