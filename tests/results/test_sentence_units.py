"""Sentences in one system of units, heights as a tape shows them, and no flag in what is read."""

from __future__ import annotations

import ast
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import jar_dict, weight_dict, write_jar
from scenes import ROOT

from jarvision.core.units import UnitSystem, inches_text, length_mm
from jarvision.results.card import jar_card
from jarvision.results.jar_folder import read_jar_file
from jarvision.results.sentence_units import in_units, spoken_in

US, METRIC = UnitSystem.US, UnitSystem.METRIC


@pytest.mark.parametrize(
    ("mm", "text"),
    [(25.4, "1"), (12.7, "1/2"), (46.0, "1 13/16"), (101.6, "4"), (0.79375, "1/32"), (0.2, "1/64")],
)
def test_inches_are_those_of_a_tape(mm: float, text: str) -> None:
    """The international inch is 25.4 mm; a tape is divided in halves of halves."""
    assert inches_text(mm) == text


@given(st.floats(1.0, 500.0))
def test_what_is_printed_can_be_typed(mm: float) -> None:
    assert abs(length_mm(f"{inches_text(mm)} in") - mm) <= 25.4 / 64 + 1e-9
    last = inches_text(mm).split()[-1]
    assert "/" not in last or Fraction(last).denominator in {2, 4, 8, 16, 32}


def test_a_sentence_is_in_one_system() -> None:
    both = "The grains fell 6 cm (2.3 in) in water of 20 °C (68 °F); off by 3.2 mm."
    assert in_units(both, METRIC) == "The grains fell 6 cm in water of 20 °C; off by 3.2 mm."
    assert in_units(both, US) == "The grains fell 2.3 in in water of 68 °F; off by 1/8 in."
    assert in_units(in_units(both, US), US) == in_units(both, US)


def test_a_card_in_us_units_holds_no_metric_one(tmp_path) -> None:
    floor = {"name": "floor_unsure", "sentence": "Every height may be off by the same 0.8 mm."}
    weight = weight_dict(why="The grains fell 6 cm (2.3 in) in water 20 °C (68 °F) warm.")
    data = jar_dict("5") | {"doubts": [floor], "by_weight": weight}
    jar = read_jar_file(write_jar(tmp_path, data, pictures=False))
    card = jar_card(jar, US)
    assert "the same 1/32 in" in card
    assert not re.search(r"\d ?(mm|cm|°C)\b", card)
    assert not re.search(r"\d in(?! 10)|°F", jar_card(jar))  # odds are "9 in 10"
    assert spoken_in(jar, US).tops == jar.tops


_READ_BY_GARDENERS = (
    *(f"estimate/{name}" for name in ("interim", "judge", "next_fact", "posterior", "narrowing")),
    "core/doubts",
    "wall/photo_faults",
    "results/doubt_order",
)


@pytest.mark.parametrize("module", _READ_BY_GARDENERS)
def test_no_option_stands_in_what_gardeners_read(module: str) -> None:
    tree = ast.parse((ROOT / "jarvision" / f"{module}.py").read_text("utf-8"))
    texts = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)]
    assert not [t for t in texts if isinstance(t, str) and re.search(r"(?<![-\w])--[a-z]{2}", t)]
