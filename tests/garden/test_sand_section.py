"""What the sand's grain changes in the guide, against published tables."""

import re

import numpy as np
import pytest

from jarvision.core.sources import COMMON_PRACTICE, say
from jarvision.core.units import UnitSystem
from jarvision.estimate.sand_classes import SAND_CLASSES, SandClass
from jarvision.garden import class_tables as ct
from jarvision.garden.guide import guide_text, make_guide
from jarvision.garden.guide_request import GuideRequest, guide_from_request
from jarvision.garden.ribbon import Feel, read_ribbon, ribbon_statements
from jarvision.garden.runoff import erodibility_by_nomograph, runoff_of
from jarvision.garden.soil import soil_from_draws

# Very coarse to very fine, shares of the sand.
FINE = ((0.01, 0.04, 0.15, 0.60, 0.20),)
COARSE = ((0.15, 0.40, 0.25, 0.15, 0.05),)
VERY_FINE = ((0.0, 0.02, 0.05, 0.28, 0.65),)
UNCLEAR = (FINE[0], COARSE[0])


def rng():
    return np.random.default_rng(2)


def guide(shares, pcts=(65, 25, 10), system=UnitSystem.METRIC):
    origin = say("Invented.", COMMON_PRACTICE)
    soil = soil_from_draws([pcts] * 400, origin=origin, rng=rng(), om_pct=2.5, sand_shares=shares)
    return make_guide(soil, system=system, rng=rng())


def said(made, key="sand"):
    return " ".join(s.text for part in made.sections if part.key == key for s in part.statements)


def test_without_grains_nothing_is_said_of_them():
    made = guide(None)
    assert [part.key for part in made.sections][:2] == ["soil", "water"]
    assert "very fine sand and its crumbs" in said(made, "runoff")


def test_a_fine_sandy_loam_holds_half_as_much_again_as_a_coarse_one():
    """NRCS MO6 guide (2002): fine sandy loam 0.13-0.15 in/in, coarse sandy loam 0.08-0.11."""
    fine, coarse = guide(FINE), guide(COARSE)
    assert "it is fine sandy loam" in said(fine)
    assert "it is coarse sandy loam" in said(coarse)
    assert "80–110 mm/m of coarse sandy loam" in said(coarse).replace("draw on ", "")
    ratio = fine.planning_mm_per_m.high / coarse.planning_mm_per_m.high
    assert ratio == pytest.approx(1.4, abs=0.15)
    # NRCS by feel 1.3-1.7 and UC 1.25-1.75 in/ft; 1 in/ft is 83.3 mm/m
    assert "105–145 mm/m of fine sandy loam" in said(fine) or "105–150" in said(fine)


def test_both_unit_systems_name_the_same_water():
    us = said(guide(COARSE, system=UnitSystem.US))
    # 0.08 and 0.11 inch in an inch are 0.96 and 1.32 in a foot
    low, high = map(float, re.search(r"on ([\d.]+)–([\d.]+) in/ft of coarse", us).groups())
    assert low == pytest.approx(0.96, abs=0.02)
    assert high == pytest.approx(1.32, abs=0.03)
    assert "2 to 6 in/h" in us
    assert "86 tons an acre" in us
    assert "mm" not in us.replace("0.1 to 0.5 mm", "")


def test_where_the_photo_cannot_tell_both_are_named_and_plain_tables_stay():
    made = guide(UNCLEAR)
    assert "it may be" in said(made)
    assert "handbooks" not in said(made)
    plain = guide(None)
    assert made.planning_mm_per_m == plain.planning_mm_per_m


@pytest.mark.parametrize(
    ("pcts", "number", "tons_ha"),
    [((92, 5, 3), 1, 490), ((80, 15, 5), 2, 300), ((65, 25, 10), 3, 190)],
)
def test_wind_groups(pcts, number, tons_ha):
    """NSSH part 618: 220, 134 and 86 US tons an acre (907.185 kg on 0.404686 ha)."""
    text = said(guide(FINE, pcts))
    assert f"group {number} of 8" in text
    assert f"up to {tons_ha} t a hectare" in text


def test_wind_says_nothing_of_a_loam_nor_is_it_renamed():
    text = said(guide(VERY_FINE, (40, 40, 20)))
    assert "wind" not in text
    assert "keeps its name" in text
    assert "66 (65–67) %" in text  # 40 silt and 0.65 of 40: seals like silt


def test_measured_very_fine_sand_goes_into_the_nomograph():
    """Wischmeier & Smith 1978 (from memory): silt and very fine sand count alike."""
    soil = np.tile([65.0, 25.0, 10.0], (300, 1))
    common = {"om_pct": np.full(300, 2.0), "ksat_mm_h": np.full(300, 20.0), "classes": []}
    high, low = (
        runoff_of(soil, **common, rng=rng(), sand_pct=np.tile(np.array(s) * 65, (300, 1))).k_us
        for s in (VERY_FINE, COARSE)
    )
    # The equation by hand: fine = 25 + 42 or 25 + 3; om 2; structure 2 or 3; permeability 4.
    by_hand = [
        float(erodibility_by_nomograph(f, 10, 2, structure=3, permeability=4)) for f in (67, 28)
    ]
    assert by_hand[0] == pytest.approx((2.1e-3 * (67 * 90) ** 1.14 + 3.25 + 2.5) / 100)
    assert high.high == pytest.approx(by_hand[0], abs=0.03)
    assert low.high < high.high - 0.1


@pytest.mark.parametrize("table", [ct.AVAILABLE_BY_SAND, ct.PERMEABILITY_BY_SAND])
def test_every_class_by_its_sand_is_in_the_tables(table):
    for name in SAND_CLASSES:
        assert ct.matching(table, [name])


def test_finer_sand_holds_more_in_each_source():
    for source in {row.source for row in ct.AVAILABLE_BY_SAND}:
        rows = [row for row in ct.AVAILABLE_BY_SAND if row.source == source]
        for names in (SAND_CLASSES[:2], SAND_CLASSES[4:8], SAND_CLASSES[8:]):
            found = [ct.matching(rows, [name]) for name in names]
            lows = [row[0].low for row in found if row]
            assert lows == sorted(lows), source


def test_permeability_of_the_chart():
    """Coarse sand over 20 in/h, very fine sandy loam 0.6 to 2 in/h."""
    [coarse] = ct.matching(ct.PERMEABILITY_BY_SAND, [SandClass.COARSE_SAND])
    [very_fine] = ct.matching(ct.PERMEABILITY_BY_SAND, [SandClass.VERY_FINE_SANDY_LOAM])
    assert coarse.low == pytest.approx(508)
    assert (very_fine.low, very_fine.high) == (pytest.approx(15.24), pytest.approx(50.8))


def test_cautions_on_dust_stay():
    assert "dust" in " ".join(s.text for s in guide(FINE).cautions)


def test_a_request_for_a_jar_takes_its_sand():
    made = guide_from_request(
        GuideRequest(), rng=rng(), jar_draws_pct=[(65, 25, 10)] * 50, jar_sand_shares=FINE
    )
    assert "fine sandy loam" in guide_text(made)


@pytest.mark.parametrize(
    ("feel", "shares", "words"),
    [
        (Feel.GRITTY, (2, 5, 13, 50, 30), "seldom feels gritty"),
        (Feel.GRITTY, (15, 40, 25, 15, 5), "coarser grains are what feels gritty"),
        (Feel.SMOOTH, (2, 5, 13, 50, 30), "more sand than you feel"),
        (Feel.NEITHER, (15, 40, 25, 15, 5), "rub the pinch again"),
    ],
)
def test_the_ribbon_has_a_witness(feel, shares, words):
    ribbon = read_ribbon([15.0, 16.0, 14.0], feel=feel)
    system = UnitSystem.METRIC
    plain = ribbon_statements(ribbon, system=system)
    with_sand = ribbon_statements(ribbon, system=system, jar_sand=shares)
    [more] = [s for s in with_sand if s not in plain]
    assert words in more.text
