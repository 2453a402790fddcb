"""Cation exchange against a laboratory's grouping and a published regression."""

import math

import pytest

from jarvision.core.units import Span
from jarvision.garden.nutrients import (
    NUTRIENTS,
    Feeding,
    cec_from_parts,
    feeding_of,
)


def exactly(value):
    return Span(value, value, value)


OM_PCT = Span(1.0, 2.5, 4.0)


@pytest.mark.parametrize(
    ("clay_pct", "low", "high"),
    [
        # Handbook ranges of whole soils by class (from memory), at the clay of Saxton & Rawls 2006,
        # Table 3: sand, sandy loam, loam, silt loam, clay loam; clay has no upper end.
        (5, 1, 5),
        (10, 5, 10),
        (20, 5, 15),
        (15, 10, 25),
        (35, 15, 30),
        (50, 30, 50),
        # A Northern-Plains laboratory's grouping of the same: sandy, coarse loam, fine loam.
        (10, 0, 10),
        (15, 11, 20),
        (35, 21, 30),
    ],
)
def test_range_meets_the_handbooks(clay_pct, low, high):
    span = cec_from_parts(clay_pct, OM_PCT)
    assert span.low < high
    assert span.high > low


def test_middle_is_a_published_worked_example():
    """A water-quality text (CRC Press 2000): 2 % organic matter and 16 % clay are 12 meq/100 g."""
    assert cec_from_parts(16.0, exactly(2.0)).mid == pytest.approx(12)


def test_humus_against_helling_1964():
    """Helling et al. 1964, as quoted: OM × (−311 + 268 pH) mmolc/kg, OM a fraction."""
    for ph in (6.0, 7.0):
        mmol = 0.02 * (-311 + 268 * ph)
        ours = cec_from_parts(0.0, exactly(2.0))
        assert ours.low <= mmol / 10 <= ours.high


def test_ends_are_those_of_clay_minerals():
    """Brady & Weil 2002, Table 8.1, and a like table: kaolinite 3-15, smectite 60-150."""
    ours = cec_from_parts(100.0, exactly(0.0))
    assert ours.low == 3
    assert 60 <= ours.high <= 150


def test_feeding_goes_from_split_to_single():
    assert feeding_of(cec_from_parts(5, OM_PCT)) is Feeding.SPLIT
    assert feeding_of(cec_from_parts(20, OM_PCT)) is Feeding.EITHER
    assert feeding_of(cec_from_parts(50, OM_PCT)) is Feeding.SINGLE
    assert feeding_of(exactly(math.nan)) is Feeding.EITHER


def test_nitrate_leaches_and_phosphate_does_not():
    leaches = {n.name: n.leaches for n in NUTRIENTS}
    assert leaches["nitrate"]
    assert not leaches["phosphate"]


def test_phosphate_on_sand_manured_for_years_moves():
    """Nelson et al. 2005, J. Environ. Qual. 34: over 18 mg/L 45 cm down in such sands."""
    note = next(n.note for n in NUTRIENTS if n.name == "phosphate")
    assert "sand that was manured" in note
