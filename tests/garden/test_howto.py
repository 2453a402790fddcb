"""The lesson says what published protocols and cautions ask for, in one unit system at a time."""

import re

import pytest

from jarvision.core.units import UnitSystem
from jarvision.garden.howto import howto_steps, howto_text


def step_text(key, system=UnitSystem.METRIC):
    step = next(s for s in howto_steps(system) if s.key == key)
    return " ".join(s.text for s in step.statements)


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("get", ("straight sides", "Distilled", "without bleach", "strip")),
        ("dig", ("10–15 cm", "cross-section", "not the surface")),
        ("sieve", ("2 mm",)),
        # Hindered settling: a third of a jar, 250–400 g/L, falls at 0.40–0.64 of its speed.
        ("fill", ("a quarter to a third", "4–6 cm", "half their own speed")),
        ("shake", ("five minutes", "level", "don't move")),
        ("strip", ("inside floor", "ruler")),
        # Extension protocols: 1 minute, 2 hours, 48 hours. USGS OF 00-358: 3.9 µm at
        # 10 cm after 2 h 3 min.
        (
            "photos",
            (
                "1 minute",
                "2 hours",
                "48 hours",
                "about 4 µm",
                "from the side",
                "plain background",
                "height of the layer",
                "cloudy",
            ),
        ),
        ("ribbon", ("ball", "ribbon", "gritty, smooth")),
        ("mistakes", ("Moving", "hard water", "floats", "Taking the strip off")),
        ("cautions", ("silica", "plastic jar", "alkaline", "811", "lead", "septic")),
    ],
)
def test_each_part_says_what_it_must(key, words):
    text = step_text(key)
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    ("system", "foreign"),
    [
        (UnitSystem.METRIC, r"\d ?(in|inch|inches|ft|quart|lb)\b"),
        (UnitSystem.US, r"\d ?(mm|cm|m|litres?|ml|kg)\b"),
    ],
)
def test_one_unit_system(system, foreign):
    body = howto_text(system).split("\nSources\n")[0]
    assert not re.search(foreign, body)
    assert "{" not in body


def test_everything_is_marked_and_listed():
    for line in re.split(r"\n- ", howto_text().split("\nSources\n")[0])[1:]:
        assert re.search(r"\[[PQMCJ]\d+(, [PQMCJ]\d+)*\]", line.split("\n\n")[0])


def test_width_suits_a_terminal():
    assert max(map(len, howto_text().splitlines())) <= 92
