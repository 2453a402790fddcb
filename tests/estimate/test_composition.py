"""Shares by height against published-style tables, closed forms and real (simulated) error."""

import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from jarvision.core.errors import NoDepositError
from jarvision.estimate.composition import (
    MIN_DRAWS,
    Candidate,
    compose,
    draw_tops,
    spread_of,
)
from jarvision.estimate.texture import texture_of

MANY = 200_000


def rng(seed=7):
    return np.random.default_rng(seed)


def exact(tops_mm):
    """Draws without any spread."""
    return np.tile(np.asarray(tops_mm, dtype=float), (MIN_DRAWS, 1))


def values(composition):
    return [
        share.value for share in (composition.sand_pct, composition.silt_pct, composition.clay_pct)
    ]


def sds(composition):
    return [
        share.sd for share in (composition.sand_pct, composition.silt_pct, composition.clay_pct)
    ]


def test_tops_become_shares():
    # True 40/40/20 by the layers' thickness: 32, 32 and 16 mm.
    composition = compose(exact([32, 64, 80]))
    assert values(composition) == pytest.approx([40, 40, 20])
    assert sds(composition) == pytest.approx([0, 0, 0], abs=1e-9)
    assert composition.sand_pct.unit == "%"


def test_worked_example_of_shared_boundaries():
    # Layers of 38, 28 and 14 mm, each boundary (the floor too) 0.3 mm, scale 1 %: an earlier,
    # separate computation by direct draws gave sand ± 0.46 points; layers taken as independent
    # would give ± 0.89.
    tops = draw_tops([38, 66, 80], [0.3] * 3, shared_sd_mm=0.3, scale_sd=0.01, rng=rng(), n=MANY)
    sand = compose(tops).sand_pct
    assert sand.value == pytest.approx(47.5, abs=0.02)
    assert sand.sd == pytest.approx(0.46, abs=0.005 + 0.003)


# Computed separately by linear error propagation for a 40/40/20 loam: total [mm], sd of each
# boundary [mm], then sd of sand, silt and clay [points], printed to 0.1.
BOUNDARY_ERROR = [
    (30, 0.5, (1.8, 2.4, 2.1)),
    (30, 1, (3.6, 4.9, 4.3)),
    (30, 2, (7.2, 9.8, 8.5)),
    (30, 3, (10.8, 14.7, 12.8)),
    (50, 0.5, (1.1, 1.5, 1.3)),
    (50, 1, (2.2, 2.9, 2.6)),
    (50, 2, (4.3, 5.9, 5.1)),
    (50, 3, (6.5, 8.8, 7.7)),
    (80, 0.5, (0.7, 0.9, 0.8)),
    (80, 1, (1.3, 1.8, 1.6)),
    (80, 2, (2.7, 3.7, 3.2)),
    (80, 3, (4.0, 5.5, 4.8)),
]


@pytest.mark.parametrize(("total_mm", "sd_mm", "expected"), BOUNDARY_ERROR)
def test_boundary_error_becomes_points(total_mm, sd_mm, expected):
    tops = [0.4 * total_mm, 0.8 * total_mm, total_mm]
    draws = draw_tops(tops, [sd_mm] * 3, shared_sd_mm=0, scale_sd=0, rng=rng(), n=MANY)
    # Half a digit of rounding and 1 % of chance; linear propagation also lets the thinnest layer
    # go below nothing, which draws cannot, so they spread a little less once the error is more
    # than a quarter of it.
    slack = 0.10 if sd_mm > 0.25 * 0.2 * total_mm else 0.01
    error = np.abs(np.array(sds(compose(draws))) - expected)
    assert (error <= 0.05 + slack * np.array(expected)).all()


@pytest.mark.slow
def test_claimed_sd_is_the_real_error():
    # Truth, then a measurement that errs as said, then the claim about it: 500 jars.
    chance = rng(3)
    own_mm, floor_mm, scale_sd = np.array([0.3, 0.5, 0.8]), 0.4, 0.01
    ratios = []
    for _ in range(500):
        truth = np.cumsum(chance.uniform(8, 40, size=3))
        seen = (truth + own_mm * chance.normal(size=3) + floor_mm * chance.normal()) * (
            1 + scale_sd * chance.normal()
        )
        claim = compose(
            draw_tops(seen, own_mm, shared_sd_mm=floor_mm, scale_sd=scale_sd, rng=chance, n=1000)
        )
        real = np.diff(truth, prepend=0) / truth[2] * 100
        ratios.append((np.array(values(claim)) - real) / sds(claim))
    rms = np.sqrt(np.mean(np.square(ratios), axis=0))
    assert rms == pytest.approx([1, 1, 1], abs=0.12)
    assert np.mean(np.abs(ratios) < 1.96) == pytest.approx(0.95, abs=0.03)


def test_each_boundary_has_the_stated_sd_and_a_heavier_tail():
    draws = draw_tops([10, 20, 30], [0.2, 0.4, 0.8], shared_sd_mm=0, scale_sd=0, rng=rng(), n=MANY)
    error = (draws - [10, 20, 30]) / [0.2, 0.4, 0.8]
    assert error.std(axis=0) == pytest.approx([1, 1, 1], rel=0.02)
    assert np.corrcoef(error.T) == pytest.approx(np.eye(3), abs=0.02)
    # A normal spread has 4.6 % beyond 2 sd and 0.27 % beyond 3 sd (any table of it).
    assert np.mean(np.abs(error) > 2) == pytest.approx(0.05, abs=0.006)
    assert 0.006 < np.mean(np.abs(error) > 3) < 0.012


def test_an_error_in_the_floor_moves_all_tops_alike():
    draws = draw_tops([10, 20, 30], [0] * 3, shared_sd_mm=0.5, scale_sd=0, rng=rng(), n=MANY)
    np.testing.assert_allclose(np.diff(draws, axis=1), 10)
    assert draws[:, 0].std() == pytest.approx(0.5, rel=0.02)


def test_an_error_in_the_scale_leaves_the_shares_alone():
    draws = draw_tops([32, 64, 80], [0] * 3, shared_sd_mm=0, scale_sd=0.1, rng=rng(), n=MANY)
    assert np.log(draws[:, 2]).std() == pytest.approx(0.1, rel=0.02)
    assert sds(compose(draws)) == pytest.approx([0, 0, 0], abs=1e-9)


def test_a_place_that_goes_only_with_another_is_as_likely_as_its_weight_says():
    # silt at 40 fits only under clay at 50: each has odds of one in eleven by its own weight
    draws = draw_tops(
        (10, 20, 30),
        (0.1, 0.1, 0.1),
        shared_sd_mm=0,
        scale_sd=0,
        rng=rng(),
        n=MANY,
        alternatives=([], [Candidate(40, 0.1, 0.1)], [Candidate(50, 0.1, 0.1)]),
    )
    assert (draws[:, 1] > 30).mean() == pytest.approx(1 / 11, abs=0.005)
    assert (draws[:, 2] > 40).mean() == pytest.approx(1 / 11, abs=0.005)


@pytest.mark.parametrize(("part", "counts"), [(0.08, True), (0.03, False)])
def test_another_place_counts_in_the_sd_where_it_is_likely_enough(part, counts):
    draws = rng().normal(30.0, 0.4, (MANY, 1))
    draws[: int(part * MANY)] += 20.0
    # of a mixture of two: its own variance, and that of a coin that falls so (closed form)
    whole = math.sqrt(0.4**2 + part * (1 - part) * 20.0**2)
    assert spread_of(draws)[0] == pytest.approx(whole if counts else 0.4, rel=0.02)


def test_a_second_place_gives_honest_odds():
    # Main place: 30/45/25, a loam. Second place of the silt's top, one to four: 30/40/30, the
    # clay loam of a published worked example with the triangle (OnePlan, Idaho).
    second = Candidate(top_mm=56, sd_mm=0.2, weight=0.25)
    draws = draw_tops(
        [24, 60, 80],
        [0.2] * 3,
        shared_sd_mm=0.1,
        scale_sd=0.01,
        rng=rng(),
        n=20_000,
        alternatives=([], [second], []),
    )
    composition = compose(draws)
    texture = texture_of(composition.draws)
    assert (texture.likeliest, texture.next_class) == ("loam", "clay loam")
    assert texture.next_odds == pytest.approx(0.2, abs=0.015)
    # The value stays at the main place; the sd owns up to the second (5 points, one in five).
    assert composition.clay_pct.value == pytest.approx(25, abs=0.3)
    assert composition.clay_pct.sd == pytest.approx(math.sqrt(0.2 * 0.8) * 5, rel=0.05)


def test_places_that_cannot_lie_on_each_other_are_not_drawn_together():
    # The sand's second place, 50, lies above the silt's main place, 40, but under its second.
    draws = draw_tops(
        [20, 40, 80],
        [0.1] * 3,
        shared_sd_mm=0,
        scale_sd=0,
        rng=rng(),
        alternatives=([Candidate(50, 0.1, 1.0)], [Candidate(60, 0.1, 1.0)], []),
    )
    pairs = {tuple(pair) for pair in np.round(draws[:, :2], -1).tolist()}
    assert pairs == {(20, 40), (20, 60), (50, 60)}


def test_a_thin_layer_does_not_rule_its_own_place_out():
    # The clay's top came out 0.1 mm under the silt's, well within their errors.
    draws = draw_tops(
        [20, 40.1, 40],
        [0.3] * 3,
        shared_sd_mm=0,
        scale_sd=0,
        rng=rng(),
        alternatives=([], [], [Candidate(70, 0.3, 0.01)]),
    )
    assert np.mean(draws[:, 2] < 50) > 0.95


def test_tops_out_of_order_with_no_other_place_are_still_drawn():
    draws = draw_tops([40, 20, 60], [0.1] * 3, shared_sd_mm=0, scale_sd=0, rng=rng())
    assert np.median(draws, axis=0) == pytest.approx([40, 20, 60], abs=0.02)
    assert values(compose(draws)) == pytest.approx([200 / 3, 0, 100 / 3], abs=0.1)


def test_a_layer_thinner_than_nothing_is_empty():
    draws = exact([30, 25, 50])
    draws[1] = [-5, 20, 50]
    composition = compose(draws)
    assert composition.draws[0] == pytest.approx([60, 0, 40])
    assert composition.draws[1] == pytest.approx([0, 40, 60])


def test_unknown_draws_are_left_out():
    draws = np.concatenate([exact([32, 64, 80]), np.full((60, 3), math.nan)])
    draws[-1] = [math.inf, 1, 2]
    composition = compose(draws)
    assert len(composition.draws) == MIN_DRAWS
    assert values(composition) == pytest.approx([40, 40, 20])


@pytest.mark.parametrize(
    ("tops_mm", "sentence"),
    [
        ((math.nan, math.nan, math.nan), "could not all be placed"),
        ((20, math.nan, 40), "add the photo of the layer that is missing"),
        ((0, 0, 0), "No deposit could be measured"),
        ((-3, -2, -1), "foot and all of the soil in the picture"),
    ],
)
def test_nothing_to_compose(tops_mm, sentence):
    with pytest.raises(NoDepositError, match=sentence):
        compose(exact(tops_mm))


def test_too_few_draws():
    with pytest.raises(NoDepositError, match="could not all be placed"):
        compose(exact([32, 64, 80])[1:])
    mostly_unknown = np.concatenate([exact([32, 64, 80]), np.full((101, 3), math.nan)])
    with pytest.raises(NoDepositError, match="could not all be placed"):
        compose(mostly_unknown)
    mostly_empty = np.concatenate([exact([32, 64, 80]), np.zeros((101, 3))])
    with pytest.raises(NoDepositError, match="No deposit"):
        compose(mostly_empty)


def test_an_unknown_top_or_sd_stays_unknown():
    draws = draw_tops(
        [10, math.nan, 30], [0.1, 0.1, math.nan], shared_sd_mm=0.1, scale_sd=0, rng=rng()
    )
    assert np.isnan(draws[:, 1:]).all()
    assert np.isfinite(draws[:, 0]).all()


@pytest.mark.parametrize(
    "mistake",
    [
        {"sds_mm": [0.1, -0.1, 0.1]},
        {"shared_sd_mm": -1},
        {"scale_sd": -1},
        {"tops_mm": [1, 2], "sds_mm": [1, 2]},
        {"alternatives": ([], [], [Candidate(1, 1, -0.5)])},
        {"alternatives": ([], [], [Candidate(1, 1, math.nan)])},
    ],
)
def test_our_own_mistakes(mistake):
    options = {"tops_mm": [1, 2, 3], "sds_mm": [0.1] * 3, "shared_sd_mm": 0, "scale_sd": 0}
    with pytest.raises(ValueError, match=r"at least 0|zip"):
        draw_tops(**(options | mistake), rng=rng())


@pytest.mark.parametrize("wrong", [[1, 2, 3], [[1, 2]]])
def test_wrong_shape_is_our_own_mistake(wrong):
    with pytest.raises(ValueError, match=r"shape \(n, 3\)"):
        compose(wrong)


def test_same_seed_same_draws_and_nothing_else_touched():
    first, second = (
        draw_tops([10, 20, 30], [0.1] * 3, shared_sd_mm=0.1, scale_sd=0.01, rng=rng(5))
        for _ in range(2)
    )
    np.testing.assert_array_equal(first, second)
    kept = first.copy()
    compose(first)
    np.testing.assert_array_equal(first, kept)


def test_draws_are_read_only_and_travel_between_processes():
    composition = compose(exact([32, 64, 80]))
    with pytest.raises(ValueError, match="read-only"):
        composition.draws[0, 0] = 1
    copy = pickle.loads(pickle.dumps(composition))
    np.testing.assert_array_equal(copy.draws, composition.draws)


heights = arrays(np.float64, (MIN_DRAWS, 3), elements=st.floats(0.01, 300), fill=st.nothing())


@pytest.mark.slow
@given(heights, st.floats(1e-3, 1e3))
def test_shares_need_no_scale(draws, factor):
    here, there = compose(draws), compose(draws * factor)
    np.testing.assert_allclose(there.draws, here.draws, atol=1e-9)
    assert values(there) == pytest.approx(values(here), abs=1e-9)


@pytest.mark.slow
@given(heights)
def test_shares_add_up_and_are_never_negative(draws):
    composition = compose(draws)
    assert (composition.draws >= 0).all()
    np.testing.assert_allclose(composition.draws.sum(axis=1), 100)
    assert sum(values(composition)) == pytest.approx(100)
    texture_of(composition.draws)
