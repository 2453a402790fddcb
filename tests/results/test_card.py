"""A jar's card on the terminal: golden texts, and names that try to be something else."""

import unicodedata

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from report_samples import jar_dict, unread_dict, weight_dict, write_jar

from jarvision.core.units import UnitSystem
from jarvision.results.card import jar_card
from jarvision.results.jar_folder import read_jar_file


def card_of(folder, data, system=UnitSystem.METRIC):
    return jar_card(read_jar_file(write_jar(folder, data, stem="x", pictures=False)), system)


# 20, 40 and 50 mm with sd 0.5 mm, and shares of sd 2: 90 % of a normal distribution lie within
# 1.645 sd (normal tables), so 0.8 mm and 3 points.
GOLDEN = """\
Jar 5, Anna, north bed: loam

  By weight, estimated: 9 in 10.
  On the glass, by height: loam.

  layer   top above the floor   on the glass   by weight
  clay    50.0 (49.2–50.8) mm   20 (17–23) %   11 (5–19) %
  silt    40.0 (39.2–40.8) mm   40 (37–43) %   38 (31–45) %
  sand    20.0 (19.2–20.8) mm   40 (37–42) %   50 (43–57) %

  Ranges in brackets hold the true value about 9 times in 10.

  Check
  - The floor is hidden.
  - a.jpg is dark. The same holds for another photo.

  The water had cleared.
  Mostly assumption.

  Left out c.jpg: Soft.

  Read from 5 1min.jpg, 5 2h.jpg, 5 48h.jpg
"""


def test_golden_card(tmp_path):
    doubts = [
        {"name": "dim", "sentence": "a.jpg is dark."},
        {"name": "dim", "sentence": "b.jpg is dark."},
        {"name": "floor_unsure", "sentence": "The floor is hidden."},
    ]
    data = jar_dict(
        "5",
        name="Anna",
        bed="north bed",
        doubts=doubts,
        left_out=[{"photo": "c.jpg", "sentence": "Soft."}],
        by_weight=weight_dict(prior_note="Mostly assumption."),
    )
    assert card_of(tmp_path, data) == GOLDEN


def test_inches(tmp_path):
    """20 mm are 0.787 in (25.4 mm to the inch, exactly)."""
    assert "sand    25/32 (3/4–13/16) in" in card_of(tmp_path, jar_dict(), UnitSystem.US)


def test_without_scale_and_weight_there_are_no_such_columns(tmp_path):
    card = card_of(tmp_path, jar_dict("08", scaled=False))
    assert "mm" not in card
    assert "by weight" not in card
    assert "Nothing unusual." in card


def test_unread(tmp_path):
    assert card_of(tmp_path, unread_dict("7")) == (
        "Jar 7: not read\n\n  No top of a deposit was found.\n\n"
        "  Left out IMG_1.HEIC: This photo is too soft.\n"
    )


@pytest.mark.parametrize("system", UnitSystem)
def test_lines_are_short(tmp_path, system):
    name = "x" * 250 + ".jpg"
    data = jar_dict(name, name=name, bed=name, by_weight=weight_dict(why="word " * 100))
    assert all(len(line) <= 78 for line in card_of(tmp_path, data, system).splitlines()[1:])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(st.text(max_size=60), st.text(min_size=1, max_size=60))
def test_any_name_is_safe_on_a_terminal(tmp_path, jar, sentence):
    doubts = [{"name": "dim", "sentence": sentence}]
    for data in (
        jar_dict(jar or "5", name=sentence, bed=jar, doubts=doubts),
        unread_dict(jar or "5") | {"unread": {"reason": "x", "sentence": sentence}},
    ):
        shown = card_of(tmp_path, data)
        shown.encode("utf-8")
        steering = {"Cc", "Cf", "Cs", "Zl", "Zp"}
        found = {mark for mark in shown if unicodedata.category(mark) in steering}
        assert found <= {"\n", "\u200c", "\u200d"}
