"""Shares and class never contradict: what is printed is of the class that is named."""

import jar_simulator as sim
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.central import central_pct
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
def test_printed_shares_are_of_the_likeliest_class(heaps, seed):
    rng = np.random.default_rng(seed)
    draws = 100.0 * np.vstack([rng.dirichlet(heap, 300) for heap in heaps])
    pcts = central_pct(draws)
    assert pcts.sum() == pytest.approx(100.0)
    for decimals in (0, 1, 6):
        assert named(pcts, decimals) == texture_of(draws).likeliest


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


def test_no_draws_are_refused():
    with pytest.raises((ValueRefusedError, ValueError)):
        central_pct(np.zeros((0, 3)))
