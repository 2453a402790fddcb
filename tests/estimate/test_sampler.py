"""The sampler's parts: what a law learned from draws says of these draws themselves."""

import numpy as np
import pytest

from jarvision.estimate.sampler import _Learned, effective, flattened, resample
from jarvision.estimate.topsoil import log_sum


def learned_from(own, picked, width=0.3):
    """A law whose parts stand on some draws of two numbers."""
    return _Learned(np.eye(2), own[picked], width * np.eye(2), picked)


def test_draws_from_which_a_law_was_learned_seem_no_likelier_than_others():
    # Draws are alike and picked by chance, so on average as much was drawn where they lie.
    rng = np.random.default_rng(1)
    plain, fair, fresh = [], [], []
    for _ in range(200):
        own = rng.standard_normal((64, 2))
        picked = rng.integers(64, size=32)
        law = learned_from(own, picked)
        fair.append(np.exp(law.log_ratio(own, learned_from=True)[picked]).mean())
        plain.append(np.exp(law.log_ratio(own)[picked]).mean())
        fresh.append(np.exp(law.log_ratio(rng.standard_normal((64, 2)))).mean())
    error = np.hypot(np.std(fair), np.std(fresh)) / np.sqrt(200)
    assert abs(np.mean(fair) - np.mean(fresh)) < 4 * error
    assert np.mean(plain) > np.mean(fresh) + 8 * error


def test_density_of_a_law_is_that_of_its_parts():
    # One normal law of sd 0.3 at (1, 0) over the standard one, by the formula of the normal law.
    law = learned_from(np.array([[1.0, 0.0]]), np.array([0]))
    at = np.array([[1.3, 0.0], [0.0, -0.4]])
    parts = -0.5 * ((at - [1.0, 0.0]) ** 2).sum(axis=1) / 0.09 - 2 * np.log(0.3)
    expected = parts + 0.5 * (at**2).sum(axis=1)
    np.testing.assert_allclose(law.log_ratio(at), expected, rtol=1e-5)


@pytest.mark.parametrize("axis", [0, 1])
def test_log_sum_is_that_of_scipy(axis):
    from scipy.special import logsumexp

    logs = np.random.default_rng(0).normal(0.0, 300.0, (5, 7))
    logs[2] = -np.inf
    np.testing.assert_allclose(log_sum(logs, axis=axis), logsumexp(logs, axis=axis), rtol=1e-12)


def test_equally_likely_draws_are_worth_their_number_and_flat_ones_more():
    even = np.full(50, -np.log(50.0))
    assert effective(even) == pytest.approx(50.0)
    rng = np.random.default_rng(0)
    steep = rng.normal(0.0, 4.0, 500)
    steep -= log_sum(steep)
    assert effective(flattened(steep, 100.0)) >= 100.0 > effective(steep)
    picked = resample(even, rng, 200)
    assert np.all(np.bincount(picked, minlength=50) == 4)
