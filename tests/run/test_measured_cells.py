"""Cells and options that say what was weighed or floated beside a jar."""

import pytest

from jarvision.core.tables import TableError
from jarvision.estimate.dried import HydrometerReading, Spoon
from jarvision.estimate.known import JarFacts
from jarvision.estimate.priors import Detergent
from jarvision.estimate.topsoil import Origin
from jarvision.run import measured_cells as cells
from jarvision.run.jars_table import parse_manifest


@pytest.mark.parametrize(
    ("text", "detergent"),
    [
        ("", None),
        ("no", Detergent.NONE),
        ("Liquid-Soap", Detergent.LIQUID_SOAP),
        ("dish soap", Detergent.LIQUID_SOAP),
        ("dishwasher powder", Detergent.WASHING_SODA),
        ("washing_soda", Detergent.WASHING_SODA),
        ("polyphosphate", Detergent.POLYPHOSPHATE),
    ],
)
def test_detergents_by_their_names(text, detergent):
    assert cells.detergent(text, "here") is detergent


@pytest.mark.parametrize("text", ["40 s 23; 7 h 12", "40s: 23, 7h: 12", "40 sec=23 / 420 min = 12"])
def test_hydrometer_however_it_is_written(text):
    wanted = (HydrometerReading(40.0, 23.0), HydrometerReading(25200.0, 12.0))
    assert cells.hydrometer_readings(text, "here") == wanted


@pytest.mark.parametrize("text", ["8 h, 50 mm, 10 ml, 0.12 g", "0,12 g; 5 cm; 10ml; 480 min"])
def test_spoon_however_it_is_written(text):
    assert cells.spoon(text, "here") == Spoon(28800.0, 50.0, 10.0, 0.12)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (cells.detergent, "yes"),
        (cells.detergent, "a bit"),
        (cells.origin, "the moon"),
        (cells.hydrometer_readings, "23 and 12"),
        (cells.hydrometer_readings, "40 s 23; soon 12"),
        (cells.spoon, "8 h, 50 mm, 10 ml"),
        (cells.spoon, "8 h, 50 mm, 10 ml, 0.12 oz"),
    ],
)
def test_what_is_not_understood_says_where_and_what_to_write(call, text):
    with pytest.raises(TableError, match="here: ") as caught:
        call(text, "here")
    assert "write" in str(caught.value)


def test_row_with_everything_weighed():
    [row] = parse_manifest(
        "jar;soil_g;sand_g;sediment_g;hydrometer;hydrometer_soil_g;blank;spoon;origin\n"
        '5;120;48;96;"40 s 23, 7 h 12";50;3;8 h, 50 mm, 10 ml, 0.12 g;anywhere\n'
    ).rows
    facts = row.facts(JarFacts(temp_c=18.0))
    assert (facts.soil_g, facts.sand_g, facts.sediment_g) == (120.0, 48.0, 96.0)
    assert facts.origin is Origin.ANYWHERE
    assert facts.hydrometer.readings[1] == HydrometerReading(25200.0, 12.0)
    assert (facts.hydrometer.soil_g, facts.hydrometer.blank_g_l) == (50.0, 3.0)
    assert facts.hydrometer.temp_c == 18.0
    assert facts.spoon == Spoon(28800.0, 50.0, 10.0, 0.12)
