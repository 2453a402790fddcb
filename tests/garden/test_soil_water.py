"""Soil water against the published class table, a second published copy, and handbooks."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.texture import classify
from jarvision.garden.soil_water import (
    IDEAL_PORES,
    MINERAL_G_CM3,
    pores_of,
    saxton_rawls,
    summarize_water,
    with_fit_error,
)

# Saxton & Rawls 2006, Table 3 (2.5 % organic matter): sand, clay | wilting point, field capacity,
# saturation [% by volume], saturated conductivity [mm/h]. The last two rows are from memory.
CLASS_TABLE = {
    "sand": (88, 5, 5, 10, 46, 108.1),
    "loamy sand": (80, 5, 5, 12, 46, 96.7),
    "sandy loam": (65, 10, 8, 18, 45, 50.3),
    "loam": (40, 20, 14, 28, 46, 15.5),
    "silt loam": (20, 15, 11, 31, 48, 16.1),
    "silt": (10, 5, 6, 30, 48, 22.0),
    "sandy clay loam": (60, 25, 17, 27, 43, 11.3),
    "clay loam": (30, 35, 22, 36, 48, 4.3),
    "silty clay loam": (10, 35, 22, 38, 51, 5.7),
    "silty clay": (10, 45, 27, 41, 52, 3.7),
    "sandy clay": (50, 40, 25, 36, 44, 1.4),
    "clay": (25, 50, 30, 42, 50, 1.1),
}

# EPA, Storm Water Management Model Reference Manual Vol. I, Table 5-8: porosity, field capacity,
# wilting point [volume fraction], saturated conductivity [in/h]. It does not print its class
# centres.
SWMM_TABLE = {
    "sand": (0.463, 0.094, 0.050, 4.49),
    "loamy sand": (0.457, 0.121, 0.057, 3.59),
    "sandy loam": (0.450, 0.179, 0.081, 1.98),
    "loam": (0.458, 0.267, 0.126, 0.73),
    "silt loam": (0.482, 0.321, 0.137, 0.48),
    "sandy clay loam": (0.432, 0.283, 0.183, 0.31),
    "clay loam": (0.472, 0.350, 0.213, 0.18),
    "silty clay loam": (0.510, 0.379, 0.210, 0.23),
    "sandy clay": (0.440, 0.371, 0.260, 0.03),
    "silty clay": (0.532, 0.416, 0.278, 0.15),
    "clay": (0.488, 0.420, 0.299, 0.03),
}


@pytest.mark.parametrize("name", CLASS_TABLE)
def test_class_table_within_its_rounding(name):
    sand, clay, wilting, held, full, ksat = CLASS_TABLE[name]
    water = saxton_rawls(sand, clay, 2.5)
    # Printed to whole percent; half a percent of rounding, and a hair for the decimal tie.
    assert 100 * water.wilting == pytest.approx(wilting, abs=0.51)
    assert 100 * water.field_capacity == pytest.approx(held, abs=0.51)
    assert 100 * water.saturation == pytest.approx(full, abs=0.51)
    assert water.ksat_mm_h == pytest.approx(ksat, abs=0.051)


@pytest.mark.parametrize("name", SWMM_TABLE)
def test_second_published_copy_is_met_by_a_whole_percent_soil_of_the_class(name):
    """Two unknowns, four printed numbers: a wrong equation could not meet all to their rounding."""
    full, held, wilting, ksat_in_h = SWMM_TABLE[name]
    points = np.array([(s, c) for s in range(101) for c in range(61) if s + c <= 100])
    water = saxton_rawls(points[:, 0], points[:, 1], 2.5)
    misses = [
        np.abs(water.saturation - full) / 0.0006,
        np.abs(water.field_capacity - held) / 0.0006,
        np.abs(water.wilting - wilting) / 0.0006,
        np.abs(water.ksat_mm_h / 25.4 - ksat_in_h) / 0.006,
    ]
    worst = np.max(misses, axis=0)
    sand, clay = points[int(np.argmin(worst))].tolist()
    assert worst.min() <= 1
    assert classify(sand, 100 - sand - clay, clay) == name


def test_loamy_and_silty_soils_hold_an_inch_and_a_half_to_over_two_a_foot():
    """Common practice, no source: 1½ to over 2 inches of water a foot; clays up to 2½."""
    in_per_ft = {
        name: float(saxton_rawls(row[0], row[1], 2.5).available_mm_per_m) * 12 / 1000
        for name, row in CLASS_TABLE.items()
    }
    assert all(1.5 <= in_per_ft[n] <= 3 for n in ("loam", "silt loam", "silt", "silty clay loam"))
    assert max(in_per_ft["silt loam"], in_per_ft["silt"]) > 2
    assert all(in_per_ft[n] <= 2.5 for n in ("clay", "silty clay", "sandy clay", "clay loam"))


def test_organic_matter_goes_in_as_percent():
    """As a fraction the loam would get 12.2, 25.3, 39.5 % (the reference's trap 8)."""
    wrong = saxton_rawls(40, 20, 0.025)
    assert 100 * wrong.field_capacity == pytest.approx(25.3, abs=0.05)
    assert 100 * saxton_rawls(40, 20, 2.5).field_capacity == pytest.approx(28.0, abs=0.05)


def test_organic_matter_helps_loam_a_little_and_clay_not():
    """Far from the folk figure of 20,000 gallons an acre (0.74 in) for each percent."""
    loam = saxton_rawls(40, 20, [0.5, 5.0]).available_mm_per_m * 12 / 1000
    clay = saxton_rawls(25, 50, [0.5, 5.0]).available_mm_per_m * 12 / 1000
    assert 0 < (loam[1] - loam[0]) / 4.5 < 0.1
    assert clay[1] <= clay[0]


def test_outside_the_scope_is_unknown_not_a_number():
    for sand, clay, om in ((10, 65, 2.5), (40, 20, 9.0), (40, 20, math.nan)):
        water = saxton_rawls(sand, clay, om)
        assert all(
            np.isnan(part)
            for part in (water.wilting, water.field_capacity, water.saturation, water.ksat_mm_h)
        )
    assert np.isfinite(saxton_rawls(10, 60, 8.0).saturation)


def density_g_cm3(water):
    return (1 - water.saturation) * MINERAL_G_CM3


@given(
    clay=st.floats(0, 60),
    share=st.floats(0, 1),
    om=st.floats(0, 8),
    density_factor=st.floats(0.9, 1.1),
)
def test_contents_are_possible_all_over_the_scope(clay, share, om, density_factor):
    water = saxton_rawls((100 - clay) * share, clay, om, density_factor=density_factor)
    assert 0 < water.wilting < water.field_capacity <= water.saturation < 1
    assert 0 <= water.ksat_mm_h < 2000
    assert 0.5 < density_g_cm3(water) < 2.0


def test_compaction_takes_air_and_not_much_water():
    loose, packed = (saxton_rawls(40, 20, 2.5, density_factor=f) for f in (1.0, 1.1))
    # Density scales by definition: 1.43 g/cm³ for this class in the published table's terms.
    assert density_g_cm3(loose) == pytest.approx(1.43, abs=0.01)
    assert density_g_cm3(packed) == pytest.approx(1.1 * density_g_cm3(loose))
    assert packed.air_pct < loose.air_pct
    assert packed.ksat_mm_h < loose.ksat_mm_h
    with pytest.raises(ValueRefusedError, match=r"0\.9 to 1\.3"):
        saxton_rawls(40, 20, 2.5, density_factor=2.0)


def test_fit_error_keeps_the_order_of_the_water_contents():
    rng = np.random.default_rng(3)
    clay = rng.uniform(0, 60, 3000)
    sand = rng.uniform(0, 1, 3000) * (100 - clay)
    spread = with_fit_error(saxton_rawls(sand, clay, 2.5), rng=rng)
    assert np.all(spread.wilting > 0)
    assert np.all(spread.wilting < spread.field_capacity)
    assert np.all(spread.field_capacity <= spread.saturation)
    assert np.all(spread.saturation < 1)


def test_fit_error_has_the_published_size():
    """Saxton & Rawls 2006, Table 1 (from memory): 0.02, 0.05 and 0.04."""
    exact = saxton_rawls(np.full(4000, 20.0), np.full(4000, 15.0), 2.5)
    spread = with_fit_error(exact, rng=np.random.default_rng(4))
    assert np.std(spread.wilting) == pytest.approx(0.02, rel=0.05)
    assert np.std(spread.field_capacity) == pytest.approx(0.05, rel=0.05)
    assert np.std(spread.saturation) == pytest.approx(0.04, rel=0.05)


def test_summary_is_reproducible_and_says_what_is_outside():
    draws = np.tile([20.0, 65.0], (500, 1))
    water = saxton_rawls(draws[:, 0], draws[:, 1], 2.5)
    nothing = summarize_water(water, rng=np.random.default_rng(0))
    assert nothing.outside_share == 1
    assert not nothing.available_mm_per_m.known
    assert math.isnan(nothing.waterlogging_odds)
    loam = saxton_rawls(np.full(500, 40.0), np.full(500, 20.0), 2.5)
    first, second = (summarize_water(loam, rng=np.random.default_rng(0)) for _ in range(2))
    assert first == second
    assert first.outside_share == 0


def test_clay_is_likelier_to_waterlog_than_sand():
    odds = [
        summarize_water(
            saxton_rawls(np.full(500, row[0]), np.full(500, row[1]), 2.5),
            rng=np.random.default_rng(0),
        ).waterlogging_odds
        for row in (CLASS_TABLE["sand"], CLASS_TABLE["loam"], CLASS_TABLE["clay"])
    ]
    assert odds == sorted(odds)
    assert odds[0] < 0.01
    assert odds[2] > 0.5


def test_pores_fill_the_soil():
    for row in CLASS_TABLE.values():
        pores = pores_of(saxton_rawls(np.full(9, row[0]), np.full(9, row[1]), 2.5), 2.5)
        parts = (pores.mineral_pct, pores.organic_pct, pores.water_pct, pores.air_pct)
        assert sum(parts) == pytest.approx(100)
        assert min(parts) > 0


def test_ideal_organic_volume_is_about_as_much_by_mass():
    """45 mineral and 5 organic by volume at 2.65 and 1.3 g/cm³ are 5.2 % organic by mass."""
    by_mass = 100 * 5 * 1.3 / (5 * 1.3 + 45 * 2.65)
    assert by_mass == pytest.approx(5.2, abs=0.05)
    water = saxton_rawls(np.full(3, 40.0), np.full(3, 20.0), by_mass)
    pores = pores_of(water, by_mass)
    organic_of_solid = pores.organic_pct / (pores.organic_pct + pores.mineral_pct)
    assert organic_of_solid == pytest.approx(5 / 50, rel=1e-6)
    assert sum(getattr(IDEAL_PORES, name) for name in IDEAL_PORES.__slots__) == 100


def test_pores_are_unknown_out_of_scope():
    pores = pores_of(saxton_rawls(np.full(3, 10.0), np.full(3, 70.0), 2.5), 2.5)
    assert all(math.isnan(getattr(pores, name)) for name in pores.__slots__)
