"""Lengths and temperatures as people type them. 1 in is 25.4 mm and 68 °F is 20 °C, exactly."""

import pytest

from jarvision.cli.measures import celsius, millimetres
from jarvision.core.errors import UsageError


@pytest.mark.parametrize(
    ("text", "mm"),
    [("110", 110), ("4in", 101.6), ("11 cm", 110), ("4 1/2 in", 114.3), ("110mm", 110)],
)
def test_lengths(text, mm):
    assert millimetres(text) == pytest.approx(mm)


@pytest.mark.parametrize(
    ("text", "temp_c"),
    [("20", 20), ("68F", 20), ("68 °F", 20), ("20 C", 20), ("20,5", 20.5), ("59 fahrenheit", 15)],
)
def test_temperatures(text, temp_c):
    assert celsius(text) == pytest.approx(temp_c)


@pytest.mark.parametrize("text", ["68", "warm", "", "20 K", "nan"])
def test_what_is_no_temperature_is_refused(text):
    with pytest.raises(UsageError, match=r"68F|like 20 C"):
        celsius(text)


@pytest.mark.parametrize("text", ["wide", "4 parsecs", ""])
def test_what_is_no_length_is_refused(text):
    with pytest.raises(UsageError):
        millimetres(text)
