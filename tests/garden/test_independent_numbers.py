"""Ten numbers of the guide, worked out again by other means and then looked for in its text.

Nothing here uses the package's formulas or constants: units by pint, figures from the sources
named, arithmetic written out. What is compared is what a gardener reads.
"""

import math
import re

import numpy as np
import pint
import pytest

from jarvision.core.units import UnitSystem
from jarvision.garden.guide import guide_text
from jarvision.garden.guide_request import GuideRequest, guide_from_request

Q = pint.UnitRegistry().Quantity
LB_FT3_PER_G_CM3 = Q(1, "g/cm**3").to("pound/foot**3").magnitude


def said(**request):
    made = guide_from_request(GuideRequest(**request), rng=np.random.default_rng(3))
    return " ".join(guide_text(made).split("\nSources\n")[0].split())


def number(text, pattern):
    found = re.search(pattern, text)
    assert found, pattern
    return float(found[1].replace(",", ""))


CLAY_BED = {"sand": 20, "silt": 30, "clay": 50, "sd": 0, "om": 2.5, "area": "100 sqft"}


def test_1_organic_matter_after_an_inch_of_compost():
    """Composts of 30 to 65 % organic matter, half water, 1,000 lb/yd3 (extension advice)."""
    soil_lb = 1.3 * LB_FT3_PER_G_CM3 * 50  # six inches under 100 square feet
    dry_lb = 1000 / 27 * (100 / 12) * 0.5
    ends = [(soil_lb * 2.5 + dry_lb * om) / (soil_lb + dry_lb) for om in (30, 65)]
    text = said(**CLAY_BED)
    assert number(text, r"1 in over .*?from 2\.5 to [\d.]+ \(([\d.]+)–") == pytest.approx(
        ends[0], abs=0.06
    )
    assert number(text, r"1 in over .*?from 2\.5 to [\d.]+ \([\d.]+–([\d.]+)\)") == pytest.approx(
        ends[1], abs=0.06
    )


def test_2_volume_of_an_inch_of_compost():
    """An inch over 100 square feet is 100/12 cubic feet, 100/324 cubic yards (leaflets)."""
    text = said(**CLAY_BED)
    assert number(text, r"1 in over 100 sq ft: ([\d.]+) cu ft") == pytest.approx(100 / 12, abs=0.05)
    assert number(text, r"1 in over [^(]*\(([\d.]+) cu yd") == pytest.approx(100 / 324, abs=0.005)


def test_3_sand_to_bring_a_clay_to_a_fifth_clay():
    """Clay stays, the whole grows: 50 parts of clay are a fifth of 250 parts."""
    soil_lb = 1.3 * LB_FT3_PER_G_CM3 * 50
    added_lb = soil_lb * (250 - 100) / 100
    text = said(**CLAY_BED)
    assert number(text, r"from 50 to 20 % clay: ([\d,]+) lb") == pytest.approx(added_lb, rel=0.01)
    assert "sandy clay loam (68 % sand, 12 % silt, 20 % clay)" in text  # 170, 30, 50 of 250


def test_4_a_tenth_of_the_soils_weight():
    """A tenth of half a foot of soil under 100 square feet, at 1.3 g/cm3 and at 93 lb/ft3."""
    text = said(**CLAY_BED)
    tenth = 0.1 * 1.3 * LB_FT3_PER_G_CM3 * 50
    assert number(text, r"tenth of the soil's weight, (\d+) lb") == pytest.approx(tenth, abs=1)
    assert number(text, r"the (\d+) lb that is usually printed") == pytest.approx(0.1 * 93 * 50)
    metric = said(sand=20, silt=30, clay=50, sd=0, om=2.5, area="10 m2")
    assert number(metric, r"tenth of the soil's weight, (\d+) kg") == pytest.approx(195, abs=1)


def test_5_ten_points_more_sand():
    """20 of 100 parts become 30 of 100 + x: x = 1000/70."""
    added_lb = 1.3 * LB_FT3_PER_G_CM3 * 50 * (1000 / 70) / 100
    found = number(said(**CLAY_BED), r"Ten points more sand .*?take (\d+) lb")
    assert found == pytest.approx(added_lb, rel=0.02)


def test_6_water_contents_of_a_loam():
    """Saxton & Rawls 2006, Table 3, loam at 2.5 % organic matter: 14, 28 and 46 %."""
    text = said(sand=40, silt=40, clay=20, sd=0, om=2.5)
    assert number(text, r"water fills (\d+) ") == pytest.approx(46, abs=1)
    assert number(text, r"\(saturation\), (\d+) ") == pytest.approx(28, abs=1)
    assert number(text, r"\(field capacity\), and (\d+) ") == pytest.approx(14, abs=1)


def test_7_a_watering_of_tomatoes():
    """FAO-56, Table 22: tomato 0.7 m, 0.40. Loam holds 125 (UC, NRCS) to 180 mm/m (Table 19)."""
    text = said(sand=40, silt=40, clay=20, sd=0, om=2.5, crops=("tomato",))
    low, high = 0.7 * 0.40 * 125, 0.7 * 0.40 * 180
    assert number(text, r"should bring \d+ \((\d+)–") == pytest.approx(low, abs=2.5)
    assert number(text, r"should bring \d+ \(\d+–(\d+)\) mm") == pytest.approx(high, abs=2.5)
    assert number(text, r"lasts (\d+\.?\d*) ") == pytest.approx((low + high) / 10, abs=0.6)


def test_8_exchange_capacity():
    """A water-quality text (CRC Press 2000): half a meq for each percent of clay, 2 of humus."""
    text = said(sand=44, silt=40, clay=16, sd=0, om=2)
    assert number(text, r"hold about (\d+) \(") == pytest.approx(12, abs=0.5)


def test_9_erodibility_of_a_silt_loam():
    """Handbook 703 from the mean diameter, Handbook 537's equation, Stewart's table: hull of all.

    Silt loam 20/60/20 at 2 % organic matter; its table row runs from 0.33 to 0.48. By diameter:
    exp(0.2 ln 1.025 + 0.6 ln 0.026 + 0.2 ln 0.001) = 0.0283 mm.
    """
    log_mm = (0.2 * math.log(1.025) + 0.6 * math.log(0.026) + 0.2 * math.log(0.001)) / math.log(10)
    by_diameter = 7.594 * (0.0034 + 0.0405 * math.exp(-0.5 * ((log_mm + 1.659) / 0.7101) ** 2))
    # 61 to 67 % silt and very fine sand; structure 2 or 3; permeability 3 (15 mm/h, 0.6 in/h).
    nomograph = [
        (2.1e-4 * 10 * (fine * 80) ** 1.14 + 3.25 * (s - 2) + 2.5 * (p - 3)) / 100
        for fine, s, p in ((61, 2, 3), (67, 3, 4))
    ]
    text = said(sand=20, silt=60, clay=20, sd=0, om=2)
    low = number(text, r"K is about [\d.]+ \(([\d.]+)–")
    high = number(text, r"K is about [\d.]+ \([\d.]+–([\d.]+);")
    assert low == pytest.approx(min(by_diameter, 0.33, *nomograph), abs=0.02)
    assert high == pytest.approx(max(by_diameter, 0.48, *nomograph), abs=0.02)


def test_10_days_that_a_mulch_adds():
    """FAO-56 (from memory): a full organic mulch halves evaporation; a tenth to half of the use."""
    text = said(sand=40, silt=40, clay=20, sd=0, om=2.5, crops=("tomato",))
    days = number(text, r"The (\d+\.?\d*) days of tomato")
    low, high = (days / (1 - 0.5 * share) for share in (0.1, 0.5))
    found = re.search(r"would become (\d+\.?\d*) to (\d+\.?\d*)", text)
    assert float(found[1]) == pytest.approx(low, rel=0.05)
    assert float(found[2]) == pytest.approx(high, rel=0.05)


def test_the_two_unit_systems_say_the_same_water():
    """1 in/ft is 83.3 mm/m."""
    metric, us = (
        said(sand=40, silt=40, clay=20, sd=0, om=2.5, units=system)
        for system in (UnitSystem.METRIC, UnitSystem.US)
    )
    mm_per_m = number(metric, r"and (\d+)–\d+ mm/m by the handbooks")
    in_per_ft = number(us, r"and ([\d.]+)–[\d.]+ in/ft by the handbooks")
    assert mm_per_m / in_per_ft == pytest.approx(83.3, rel=0.05)  # both are rounded
