"""Shares and class never contradict: what is printed is of the class that is named."""

import jar_simulator as sim
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.central import NEARLY, central_pct
from jarvision.estimate.texture import texture_of


def named(pcts, decimals) -> str:
    """The class of shares as they are printed, by rules of the simulator's own."""
    printed = np.round(np.asarray(pcts), decimals)
    return sim.texture_class(*(100.0 * printed / printed.sum()))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.floats(0.2, 40.0), min_size=3, max_size=3), min_size=1, max_size=3),
    st.integers(0, 10**6),
)
def test_printed_shares_are_of_the_class_that_is_named_which_is_a_likely_one(heaps, seed):
    rng = np.random.default_rng(seed)
    draws = 100.0 * np.vstack([rng.dirichlet(heap, 300) for heap in heaps])
    pcts = central_pct(draws)
    assert pcts.sum() == pytest.approx(100.0)
    for decimals in (0, 1, 6):
        assert named(pcts, decimals) == texture_of(draws, pcts).likeliest
    assert texture_of(draws, pcts).odds >= NEARLY * max(texture_of(draws).class_odds)


def test_of_classes_that_are_as_likely_the_one_at_the_middle_is_named_whatever_chance_says():
    # a loam and, nearly as likely, the silt loam and sandy loam on its two sides
    rng = np.random.default_rng(4)
    printed = []
    for more in (0, 40):  # draws that make one side the likeliest, then the other
        counts = (300 + more, 290, 340 - more)
        heaps = zip(counts, ([22, 60, 18], [42, 40, 18], [62, 22, 16]), strict=True)
        draws = np.vstack([100.0 * rng.dirichlet([20.0 * p for p in m], n) for n, m in heaps])
        printed.append(central_pct(draws))
        assert texture_of(draws).likeliest != "loam"
        assert texture_of(draws, printed[-1]).likeliest == "loam"
    assert np.abs(np.subtract(*printed)).max() < 4.0  # 40 of 930 draws stand 40 points apart


def test_mean_that_lies_in_the_likeliest_class_is_kept():
    draws = np.array([[40.0, 40.0, 20.0], [44.0, 36.0, 20.0], [20.0, 20.0, 60.0]])
    np.testing.assert_allclose(central_pct(draws[:2]), [42.0, 38.0, 20.0])
    # the mean of all three, 34.7/32/33.3, is clay loam, in which no draw is
    pcts = central_pct(draws)
    np.testing.assert_allclose(pcts, [40.0, 40.0, 20.0])


def test_bent_cloud_does_not_answer_with_a_soil_outside_it():
    # half the draws sand, half silt loam: the mean would be a sandy loam
    sand = np.tile([92.0, 5.0, 3.0], (50, 1))
    silty = np.tile([20.0, 65.0, 15.0], (51, 1))
    draws = np.vstack([sand, silty])
    np.testing.assert_allclose(central_pct(draws), [20.0, 65.0, 15.0])


def test_middle_of_ones_own_is_used_where_it_fits():
    draws = np.tile([40.0, 40.0, 20.0], (10, 1))
    np.testing.assert_allclose(central_pct(draws, [41.0, 40.0, 19.0]), [41.0, 40.0, 19.0])


def test_place_in_another_class_does_not_hang_on_how_its_shares_round():
    # loam and sandy loam meet at 52 % sand (USDA); the middle is a loam, the draws sandy loams
    draws = np.random.default_rng(2).dirichlet([56.0, 35.0, 9.0], 500) * 100.0
    draws = draws[[named(pcts, 6) == "sandy loam" for pcts in draws]]
    sand = []
    for more in np.linspace(0.0, 0.8, 9):
        pcts = central_pct(draws, [50.6 + more, 39.3 - more, 10.1])
        assert named(pcts, 6) == "sandy loam"
        sand.append(pcts[0])
    assert min(sand) >= 52.5
    assert max(sand) < 52.7


def test_no_draws_are_refused():
    with pytest.raises((ValueRefusedError, ValueError)):
        central_pct(np.zeros((0, 3)))
