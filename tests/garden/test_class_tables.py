"""Tables by texture class against the published lists, and against each other."""

import math

import pytest

from jarvision.estimate.texture import CLASSES, TextureClass
from jarvision.garden.class_tables import (
    AVAILABLE_MM_PER_M,
    ERODIBILITY_US,
    GROUPS,
    INTAKE_MM_PER_H,
    RUNOFF_GROUPS,
    hull,
    matching,
)
from jarvision.garden.soil_water import saxton_rawls

T = TextureClass
MM_PER_M_IN_FT = 1000 / 12

# FAO-56, Table 19, as an open dataset of the table prints it: field capacity and wilting point
# [m3/m3], low and high of each.
FAO56_TABLE_19 = {
    T.SAND: (0.07, 0.17, 0.02, 0.07),
    T.LOAMY_SAND: (0.11, 0.19, 0.03, 0.10),
    T.SANDY_LOAM: (0.18, 0.28, 0.06, 0.16),
    T.LOAM: (0.20, 0.30, 0.07, 0.17),
    T.SILT_LOAM: (0.22, 0.36, 0.09, 0.21),
    T.SILT: (0.28, 0.36, 0.12, 0.22),
    T.SILTY_CLAY_LOAM: (0.30, 0.37, 0.17, 0.24),
    T.SILTY_CLAY: (0.30, 0.42, 0.17, 0.29),
    T.CLAY: (0.32, 0.40, 0.20, 0.24),
}


@pytest.mark.parametrize(
    ("texture_class", "low", "high"),
    [
        # USDA NRCS, Estimating Soil Moisture by Feel and Appearance: inches per foot.
        ("loamy sand", 0.6, 1.2),
        ("sandy loam", 1.3, 1.7),
        ("sandy clay loam", 1.5, 2.1),
        ("loam", 1.5, 2.1),
        ("silt loam", 1.5, 2.1),
        ("clay", 1.6, 2.4),
        ("clay loam", 1.6, 2.4),
        ("silty clay loam", 1.6, 2.4),
    ],
)
def test_handbook_rows_hold_the_nrcs_ranges(texture_class, low, high):
    rows = matching(AVAILABLE_MM_PER_M, [TextureClass(texture_class)])
    printed = {(round(r.low / MM_PER_M_IN_FT, 3), round(r.high / MM_PER_M_IN_FT, 3)) for r in rows}
    assert (low, high) in printed


def fao_row(name):
    [row] = [r for r in matching(AVAILABLE_MM_PER_M, [name]) if "Table 19" in r.source.citation]
    return row


@pytest.mark.parametrize("name", FAO56_TABLE_19)
def test_fao56_available_water_lies_between_its_own_columns(name):
    """The third column must be possible from the two that were read, and hold their middles."""
    wet_low, wet_high, dry_low, dry_high = FAO56_TABLE_19[name]
    row = fao_row(name)
    assert row.low >= 1000 * max(wet_low - dry_high, 0)
    assert row.high <= 1000 * (wet_high - dry_low)
    middle = 1000 * ((wet_low + wet_high) - (dry_low + dry_high)) / 2
    assert row.low - 10 <= middle <= row.high


@pytest.mark.parametrize(
    ("name", "available"), [(T.LOAMY_SAND, 90), (T.SILT, 170), (T.SILTY_CLAY, 120)]
)
def test_fao56_example_36_lies_in_its_rows(name, available):
    """FAO-56, Example 36: 0.15 - 0.06, 0.32 - 0.15 and 0.35 - 0.23, "from Table 19"."""
    assert fao_row(name).low <= available <= fao_row(name).high


def test_how_many_sources_of_water_each_class_has():
    """FAO-56 lacks the mixed loams, NRCS silt and two clays; only one list speaks of sandy clay."""
    counts = {
        name: len({row.source for row in matching(AVAILABLE_MM_PER_M, [name])}) for name in CLASSES
    }
    two = {T.SILT, T.SILTY_CLAY, T.SANDY_CLAY_LOAM, T.CLAY_LOAM}
    assert counts == {n: 1 if n is T.SANDY_CLAY else 2 if n in two else 3 for n in CLASSES}


def test_sandy_clay_does_not_hold_more_than_clay():
    """Saxton & Rawls 2006, Table 3: sandy clay holds 11 %, clay 12 %."""
    sandy, clay = (hull(matching(AVAILABLE_MM_PER_M, [n])) for n in (T.SANDY_CLAY, T.CLAY))
    equations = [float(saxton_rawls(*p, 2.5).available_mm_per_m) for p in ((50, 40), (25, 50))]
    assert equations[0] < equations[1]
    assert sandy.high < clay.high


@pytest.mark.parametrize("table", [AVAILABLE_MM_PER_M, INTAKE_MM_PER_H, ERODIBILITY_US])
def test_every_class_is_in_a_handbook_and_ranges_run_upward(table):
    for row in table:
        assert row.low > 0
        assert math.isnan(row.high) or row.high > row.low
    for name in CLASSES:
        assert matching(table, [name])


def test_intake_falls_from_sand_to_clay_in_each_source():
    order = (T.SAND, T.LOAM, T.CLAY)
    for source in {row.source for row in INTAKE_MM_PER_H}:
        rows = [row for row in INTAKE_MM_PER_H if row.source == source]
        lows = [matching(rows, [name])[0].low for name in order]
        assert lows == sorted(lows, reverse=True)


def test_intake_of_clay_is_an_order_of_magnitude():
    """Colorado's clay, 0.01 in/h, and the lecture tables' 5 mm/h are both within the range."""
    span = hull(matching(INTAKE_MM_PER_H, [T.CLAY]))
    assert span.low == pytest.approx(0.254)
    assert span.high == 5


def test_silty_clay_loam_does_not_soak_faster_than_clay_loam():
    """FAO's clay loam 5-10 and clay 1-5 mm/h: it lies between them."""
    finer, coarser = (
        hull(matching(INTAKE_MM_PER_H, [n])) for n in (T.SILTY_CLAY_LOAM, T.CLAY_LOAM)
    )
    assert (finer.low, finer.high) == (1, 10)
    assert finer.low < coarser.low
    assert finer.high <= coarser.high


@pytest.mark.parametrize("groups", [GROUPS, RUNOFF_GROUPS])
def test_groups_hold_each_class_once(groups):
    assert sorted(name for names in groups.values() for name in names) == sorted(CLASSES)


@pytest.mark.parametrize(
    ("name", "poor_in_om"),
    [
        # Stewart et al. 1975 by way of a GIS's copy: K at under 0.5 % organic matter.
        (T.SAND, 0.05),
        (T.LOAMY_SAND, 0.12),
        (T.SANDY_LOAM, 0.27),
        (T.LOAM, 0.38),
        (T.SILT_LOAM, 0.48),
        (T.SILT, 0.60),
        (T.SANDY_CLAY_LOAM, 0.27),
        (T.CLAY_LOAM, 0.28),
        (T.SILTY_CLAY_LOAM, 0.37),
        (T.SANDY_CLAY, 0.14),
        (T.SILTY_CLAY, 0.25),
        (T.CLAY, 0.29),
    ],
)
def test_erodibility_of_soils_poor_in_organic_matter(name, poor_in_om):
    assert hull(matching(ERODIBILITY_US, [name])).high == poor_in_om
