"""A jar's soil in one line, its doubts in order, its numbers with one kind of range."""

import math
from statistics import NormalDist

import numpy as np
import pytest

from jarvision.core.doubts import DoubtName
from jarvision.core.ranges import range_around, with_range
from jarvision.estimate.texture import CLASSES, Texture, TextureClass
from jarvision.results.doubt_order import USUAL, gravest_first, gravity, phrase, sentences
from jarvision.results.headline import classes_named, soil_in_words, soil_odds
from jarvision.results.record import NamedDoubt


def texture(**odds):
    given = {name.replace("_", " "): value for name, value in odds.items()}
    return Texture(tuple(given.get(str(name), 0.0) for name in CLASSES))


@pytest.mark.parametrize(
    ("odds", "words", "said"),
    [
        ({"loam": 0.97, "clay": 0.03}, "loam", "better than 19 in 20"),
        ({"loam": 0.7, "silt_loam": 0.3}, "loam", "7 in 10"),
        ({"loam": 0.5, "silt_loam": 0.5}, "loam or silt loam", "loam 5 in 10, silt loam 5 in 10"),
        (
            {"loam": 0.3, "silt_loam": 0.25, "clay_loam": 0.25, "clay": 0.2},
            "loam, silt loam or clay loam",
            "loam 3 in 10, silt loam 2 in 10, clay loam 2 in 10",
        ),
        (
            {"loam": 0.6, **dict.fromkeys(("clay", "silt", "sand", "silty_clay"), 0.09)},
            "loam",
            "6 in 10",
        ),
    ],
)
def test_the_soil_in_words(odds, words, said):
    assert soil_in_words(texture(**odds)) == words
    assert soil_odds(texture(**odds)) == said


def test_three_classes_at_most_and_the_likeliest_first():
    rng = np.random.default_rng(0)
    for odds in rng.dirichlet(np.full(12, 0.4), 200):
        named = classes_named(Texture(tuple(odds)))
        assert 1 <= len(named) <= 3
        assert named[0] == Texture(tuple(odds)).likeliest
        assert isinstance(named[0], TextureClass)


def test_every_doubt_has_its_place_and_its_phrase():
    assert set(DoubtName) > USUAL
    assert gravity("floor_unsure") < gravity("weak_boundary") < gravity("dim")
    assert gravity("weak_boundary") < gravity("not yet known") < gravity("dim")
    assert phrase("not_yet_known") == "not yet known"
    assert max(len(phrase(name)) for name in DoubtName) <= 28
    assert len({phrase(name) for name in DoubtName}) == len(DoubtName)


def test_the_gravest_doubt_comes_first_and_what_is_usual_is_none():
    doubts = [NamedDoubt(n, n) for n in ("water_state_unknown", "dim", "floor_unsure")]
    assert [d.name for d in gravest_first(doubts)] == ["floor_unsure", "dim"]


def test_one_cause_is_said_once():
    dark = [NamedDoubt("dim", f"{photo} is dark.") for photo in "abc"]
    lines = [NamedDoubt("weak_boundary", f"Check the {layer}.") for layer in ("sand", "silt")]
    assert sentences([*dark, *lines]) == [
        "a is dark. The same holds for 2 more photos.", "Check the sand.", "Check the silt.",
    ]  # fmt: skip
    photos = ["1.jpg", "11.jpg"]
    lines += [
        NamedDoubt("weak_boundary", f"Check the {layer} in {photo}.")
        for layer in ("sand", "silt")
        for photo in photos
    ]
    assert sentences(lines[2:], photos) == [
        "Check the sand in 1.jpg. The same holds for another photo.",
        "Check the silt in 1.jpg. The same holds for another photo.",
    ]


def test_ranges_hold_nine_in_ten():
    """90 % of a normal distribution lie between its 5 % and 95 % quantiles (standard library)."""
    low, high = range_around(10.0, 2.0)
    assert NormalDist(10, 2).cdf(high) - NormalDist(10, 2).cdf(low) == pytest.approx(0.9, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "ends", "finest", "printed"),
    [
        (24.4, (21.2, 27.6), 1.0, "24 (21–28) %"),
        (24.4, (24.3, 24.5), 1.0, "24 (23–25) %"),  # never narrower than its last digit
        (0.3, (-0.5, 1.0), 1.0, "0 (0–1) %"),
        (52.13, (51.5, 52.8), 0.1, "52.1 (51.5–52.8) %"),
        (52.13, (32.0, 72.0), 0.1, "52 (32–72) %"),
        (1.71, (1.51, 2.41), 0.01, "1.71 (1.51–2.41) %"),
        (1.71, (1.31, 2.41), 0.01, "1.7 (1.3–2.4) %"),
        (math.nan, (1, 2), 1.0, "unknown"),
        (8.0, (math.nan, math.nan), 1.0, "8 % (range unknown)"),
    ],
)
def test_values_with_their_ranges(value, ends, finest, printed):
    assert with_range(value, ends, "%", finest=finest, lowest=0.0) == printed
