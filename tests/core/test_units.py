"""Units against pint (a general-purpose library), and against what a gardener may type."""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.units import (
    Quantity,
    Span,
    UnitSystem,
    about_text,
    area_m2,
    length_mm,
    plain,
    range_text,
    show,
    show_about,
    show_range,
    span_of,
    system_of,
    unit_of,
)

REGISTRY = pint.UnitRegistry()

# The unit that the code holds and the one printed, as pint spells them.
PINT_UNITS = {
    (Quantity.WATER_DEPTH, UnitSystem.METRIC): ("mm", "mm"),
    (Quantity.WATER_DEPTH, UnitSystem.US): ("mm", "inch"),
    (Quantity.SOIL_DEPTH, UnitSystem.METRIC): ("mm", "cm"),
    (Quantity.SOIL_DEPTH, UnitSystem.US): ("mm", "inch"),
    (Quantity.ROOT_DEPTH, UnitSystem.METRIC): ("mm", "m"),
    (Quantity.ROOT_DEPTH, UnitSystem.US): ("mm", "foot"),
    (Quantity.AREA, UnitSystem.METRIC): ("m**2", "m**2"),
    (Quantity.AREA, UnitSystem.US): ("m**2", "foot**2"),
    (Quantity.VOLUME, UnitSystem.METRIC): ("m**3", "m**3"),
    (Quantity.VOLUME, UnitSystem.US): ("m**3", "yard**3"),
    (Quantity.LOOSE_VOLUME, UnitSystem.METRIC): ("m**3", "liter"),
    (Quantity.LOOSE_VOLUME, UnitSystem.US): ("m**3", "foot**3"),
    (Quantity.WATER_VOLUME, UnitSystem.METRIC): ("liter", "liter"),
    (Quantity.WATER_VOLUME, UnitSystem.US): ("liter", "gallon"),
    (Quantity.MASS, UnitSystem.METRIC): ("kg", "kg"),
    (Quantity.MASS, UnitSystem.US): ("kg", "pound"),
    (Quantity.AVAILABLE_WATER, UnitSystem.METRIC): ("mm/m", "mm/m"),
    (Quantity.AVAILABLE_WATER, UnitSystem.US): ("mm/m", "inch/foot"),
    (Quantity.RATE, UnitSystem.METRIC): ("mm/hour", "mm/hour"),
    (Quantity.RATE, UnitSystem.US): ("mm/hour", "inch/hour"),
    (Quantity.DAILY, UnitSystem.METRIC): ("mm/day", "mm/day"),
    (Quantity.DAILY, UnitSystem.US): ("mm/day", "inch/day"),
}


@pytest.mark.parametrize("quantity", Quantity)
@pytest.mark.parametrize("system", UnitSystem)
def test_printed_units_agree_with_pint(quantity, system):
    held, printed = PINT_UNITS[quantity, system]
    expected = REGISTRY.Quantity(1.0, held).to(printed).magnitude
    assert unit_of(quantity, system).per_base == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("name", ["mm", "cm", "m", "in", "inch", "ft", "foot", "yd"])
@given(number=st.floats(0, 1e6))
def test_lengths_agree_with_pint(name, number):
    expected = REGISTRY.Quantity(float(f"{number:.3f}"), name).to("mm").magnitude
    assert length_mm(f"{number:.3f} {name}") == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "pint_unit"),
    [
        ("{} sqft", "foot**2"),
        ("{} sq ft", "foot**2"),
        ("{} sq. ft.", "foot**2"),
        ("{}ft2", "foot**2"),
        ("{} ft^2", "foot**2"),
        ("{} square feet", "foot**2"),
        ("{} m2", "m**2"),
        ("{}m²", "m**2"),
        ("{} square metres", "m**2"),
        ("{} yd2", "yard**2"),
        ("{} ha", "hectare"),
    ],
)
def test_areas_agree_with_pint(text, pint_unit):
    expected = REGISTRY.Quantity(12.5, pint_unit).to("m**2").magnitude
    assert area_m2(text.format("12.5")) == pytest.approx(expected, rel=1e-12)


def test_acre():
    # An acre is 43,560 square feet; pint's is the survey acre, 4 parts in a million larger.
    expected = REGISTRY.Quantity(43_560, "foot**2").to("m**2").magnitude
    assert area_m2("1 acre") == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ('1 1/2"', 38.1),
        ("1½ in", 38.1),
        ("½ inch", 12.7),
        ("3/4 in", 19.05),
        (".5in", 12.7),
        ("2,5 cm", 25.0),
        ("2.5CM", 25.0),
        ("0 cm", 0.0),
        ("4 in.", 101.6),
        ("1 ft", 304.8),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    assert length_mm(text) == pytest.approx(mm)


def test_sides_give_an_area():
    expected = REGISTRY.Quantity(40, "foot**2").to("m**2").magnitude
    for text in ("10 x 4 ft", "10 ft x 4 ft", "10ft×4ft", "10' x 4'", "120 in x 4 ft"):
        assert area_m2(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("3", "Say the unit"),
        ("abc", "not a number with a unit"),
        ("", "not a number with a unit"),
        ("nan cm", "not a number with a unit"),
        ("inf cm", "not a number with a unit"),
        ("1e400 cm", "not a length unit"),
        ("3 kg", "not a length unit"),
        ("1,000 mm", "without the comma"),
        ("1/0 in", "divides by zero"),
        ("-1 cm", "negative"),
        ("9" * 400 + " cm", "not a number with a unit"),
        ("3 \x1b[31m", "not a length unit"),
    ],
)
def test_bad_lengths_get_one_sentence(text, sentence):
    with pytest.raises(UsageError, match=sentence) as caught:
        length_mm(text)
    message = str(caught.value)
    assert message.endswith(".")
    assert message.isprintable()
    assert len(message) < 160


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("9", "Say the unit"),
        ("3 m", "not an area unit"),
        ("-3 m2", "more than 0"),
        ("0 sqft", "more than 0"),
        ("10 x 4", "Say the unit"),
        ("x", "not a number"),
        ("-2 m x -2 m", "negative"),
        ("2 m2 x 3 m2", "not a length unit"),
    ],
)
def test_bad_areas_get_one_sentence(text, sentence):
    with pytest.raises(UsageError, match=sentence):
        area_m2(text)


def test_negative_is_a_refused_value():
    with pytest.raises(ValueRefusedError):
        length_mm("-2 in")


def test_default_unit_applies_only_where_none_is_given():
    assert length_mm("3", default_unit="cm") == 30.0
    assert length_mm("3 mm", default_unit="cm") == 3.0


@pytest.mark.parametrize(
    ("text", "system"),
    [
        ("100 sqft", UnitSystem.US),
        ("1 acre", UnitSystem.US),
        ("10' x 4'", UnitSystem.US),
        ("2 in", UnitSystem.US),
        ("9 m2", UnitSystem.METRIC),
        ("9m²", UnitSystem.METRIC),
        ("2 ha", UnitSystem.METRIC),
        ("3 cm", UnitSystem.METRIC),
    ],
)
def test_system_is_told_from_the_unit(text, system):
    assert system_of(text) is system


@given(low=st.floats(0.001, 1e6), width=st.floats(0.001, 1e6))
def test_a_range_keeps_its_ends_within_a_tenth_of_its_width(low, width):
    step_error = width / 10 + 1e-9 * low
    ends = range_text(low, low + width).split("–")
    first, last = float(ends[0].replace(",", "")), float(ends[-1].replace(",", ""))
    assert abs(first - low) <= step_error
    assert abs(last - low - width) <= step_error


def test_ranges_have_no_false_decimals():
    assert range_text(74.2, 209.7) == "70–210"
    assert range_text(9.31, 18.74) == "9–19"
    assert range_text(5, 5) == "5"
    assert about_text(Span(74.2, 141.3, 209.7)) == "140 (70–210)"


def test_unknown_is_said_and_never_zero():
    nothing = span_of([math.nan])
    assert not nothing.known
    for system in UnitSystem:
        assert show_range(nothing, Quantity.MASS, system) == "unknown"
        assert show_about(nothing, Quantity.MASS, system) == "unknown"
        assert show(math.nan, Quantity.MASS, system) == "unknown"


def test_given_numbers_are_printed_as_they_are():
    assert show(25.4, Quantity.SOIL_DEPTH, UnitSystem.US) == "1 in"
    assert show(9.290304, Quantity.AREA, UnitSystem.US) == "100 sq ft"
    assert show(0.2359, Quantity.LOOSE_VOLUME, UnitSystem.METRIC, digits=2) == "240 litres"
    assert show(0.2359, Quantity.VOLUME, UnitSystem.METRIC, digits=2) == "0.24 m³"
    assert show(0.0, Quantity.VOLUME, UnitSystem.METRIC) == "0 m³"
    assert show(9.0, Quantity.AREA, UnitSystem.METRIC) == "9 m²"


def test_user_text_is_made_plain():
    assert plain("north\x1b[31m bed\n\n x") == "north [31m bed x"
    assert len(plain("a" * 500)) == 60
