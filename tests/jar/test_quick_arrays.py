"""What lies near each place of a row of values, against SciPy's filters."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d, median_filter

from jarvision.jar.quick_arrays import highest_near, middle_near


@pytest.mark.parametrize("count", [1, 2, 7, 40, 700])
@pytest.mark.parametrize("reach", [0, 1, 10, 32])
def test_highest_and_middle_near_are_those_of_scipy(count, reach):
    values = np.random.default_rng(count).gamma(1.0, 1.0, count).round(1)  # with ties
    size = 2 * reach + 1
    assert np.array_equal(highest_near(values, reach), maximum_filter1d(values, size))
    usual = median_filter(values, size=size, mode="nearest")
    assert np.array_equal(middle_near(values, reach), usual)


def test_of_no_values_none_is_the_highest():
    assert highest_near(np.empty(0), 10).shape == (0,)


def test_a_step_is_seen_as_far_as_the_reach():
    values = np.array([0.0, 0.0, 0.0, 5.0, 0.0, 0.0, 0.0])
    assert highest_near(values, 2).tolist() == [0, 5, 5, 5, 5, 5, 0]
    assert middle_near(values, 2).tolist() == [0] * 7
