"""Cation exchange against a laboratory's grouping and a published regression."""

import math

import pytest

from jarvision.core.sources import Quality
from jarvision.core.units import Span
from jarvision.estimate.texture import CLASSES, TextureClass
from jarvision.garden.nutrients import (
    CEC_CMOL_PER_KG,
    NUTRIENTS,
    Feeding,
    cec_by_class,
    cec_from_parts,
    feeding_of,
)

T = TextureClass


def exactly(value):
    return Span(value, value, value)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # A Northern-Plains laboratory's grouping: to 10 sandy, 11–20 coarse loam, 21–30 fine
        # loam, over 30 clayey.
        (T.SAND, 0, 10),
        (T.SANDY_LOAM, 0, 10),
        (T.SILT_LOAM, 11, 20),
        (T.CLAY_LOAM, 20, 30),
        (T.CLAY, 30, 100),
    ],
)
def test_class_ranges_meet_a_laboratory_grouping(name, low, high):
    span = cec_by_class([name])
    assert span.low < high
    assert span.high > low


def test_humus_against_helling_1964():
    """Helling et al. 1964, as quoted: OM × (−311 + 268 pH) mmolc/kg, OM a fraction."""
    for ph in (6.0, 7.0):
        mmol = 0.02 * (-311 + 268 * ph)
        ours = cec_from_parts(0.0, exactly(2.0))
        assert ours.low <= mmol / 10 <= ours.high


def test_clay_minerals_of_a_worked_example():
    """A worked example: kaolinite about 10, smectite 25–100 cmolc/kg."""
    ours = cec_from_parts(100.0, exactly(0.0))
    assert ours.low == 10
    assert 25 <= ours.high <= 100


def test_every_class_has_a_range_marked_as_from_memory():
    for name in CLASSES:
        assert cec_by_class([name]).known
    assert {row.source.quality for row in CEC_CMOL_PER_KG} == {Quality.MEMORY}


def test_feeding_goes_from_split_to_single():
    assert feeding_of(cec_by_class([T.SAND])) is Feeding.SPLIT
    assert feeding_of(cec_by_class([T.SILT_LOAM])) is Feeding.EITHER
    assert feeding_of(cec_by_class([T.CLAY])) is Feeding.SINGLE
    assert feeding_of(exactly(math.nan)) is Feeding.EITHER


def test_nitrate_leaches_and_phosphate_does_not():
    leaches = {n.name: n.leaches for n in NUTRIENTS}
    assert leaches["nitrate"]
    assert not leaches["phosphate"]
