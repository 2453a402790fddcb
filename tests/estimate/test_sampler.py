"""The sampler's parts, and a sum whose answer is known: where it draws from, and what comes out."""

import numpy as np
import pytest

from jarvision.estimate import sampler
from jarvision.estimate.filled_jars import Cloud
from jarvision.estimate.priors import PRIORS
from jarvision.estimate.proposal_boxes import cut, normal
from jarvision.estimate.sampler import effective, flattened, resample, sample
from jarvision.estimate.topsoil import log_sum


def boxes_of(seed):
    """A cut that was learned from even draws, of which those in a corner count."""
    rng = np.random.default_rng(seed)
    places = rng.random((3000, 12))
    worth = np.exp(-((places[:, 0] - 0.8) ** 2 + (places[:, 3] - 0.1) ** 2) / 0.02)
    return cut(places, worth), rng


def test_boxes_fill_the_cube_and_are_drawn_from_as_they_say():
    boxes, rng = boxes_of(1)
    assert len(boxes.odds) > 10
    np.testing.assert_allclose(np.prod(boxes.high - boxes.low, axis=1).sum(), 1.0)
    drawn, even = boxes.draw(20000, rng), rng.random((20000, 12))
    assert boxes.density(even).mean() == pytest.approx(1.0, abs=0.1)
    for axis in range(12):  # what is drawn, and even draws that count by the density, are alike
        mean = np.average(even[:, axis], weights=boxes.density(even))
        assert drawn[:, axis].mean() == pytest.approx(mean, abs=0.03)
    assert (drawn[:, 0] > 0.6).mean() > 0.75
    assert boxes.density(drawn).min() >= 0.07


def test_where_no_draw_counts_all_are_drawn_from_the_prior():
    rng = np.random.default_rng(3)
    boxes = cut(rng.random((300, 12)), np.zeros(300))
    np.testing.assert_allclose(boxes.density(boxes.draw(90, rng)), 1.0)


def test_draws_along_each_axis_are_even_within_the_boxes():
    boxes, rng = boxes_of(2)
    drawn = boxes.draw(500, rng)
    uncut = [axis for axis in range(12) if axis not in {axis for _, _, axis, _ in boxes.cuts}]
    assert uncut
    for axis in uncut:  # one draw in each five-hundredth
        assert np.all(np.sort((500 * drawn[:, axis]).astype(int)) == np.arange(500))
    assert np.all(np.isfinite(normal(np.array([0.0, 0.5, 1.0]))))


def test_means_are_those_of_the_normal_law(monkeypatch):
    """Three unknowns of sd 1 are read with errors: what follows is known in closed form.

    An unknown that is read as x with variance v has the mean x/(1 + v) and variance v/(1 + v)
    (normal prior and normal error; any textbook on Bayes' rule).
    """
    read, variance = np.array([2.0, -1.0, 0.5]), np.array([0.1, 0.1, 0.3])

    def toy(_evidence, z, _rng):
        log_fit = (-0.5 * (z[:, :3] - read) ** 2 / variance).sum(axis=1)
        mass = np.column_stack([np.ones(len(z)), np.exp(0.1 * z[:, :2])])
        return Cloud(z, mass, log_fit, *(np.zeros(len(z)) for _ in range(4)))

    monkeypatch.setattr(sampler, "explore", toy)
    means, spreads = [], []
    for seed in range(12):
        cloud, log_w = sample(None, np.random.default_rng(seed))
        weight = np.exp(log_w)
        means.append(weight @ cloud.z[:, :4])
        spreads.append(weight @ (cloud.z[:, :4] - means[-1]) ** 2)
        assert effective(log_w) >= 1500
        assert len(log_w) < 20000
    assert cloud.z.shape[1] == len(PRIORS)
    expected = np.append(read / (1.0 + variance), 0.0)
    error = np.std(means, axis=0) / np.sqrt(12)
    assert np.all(np.abs(np.mean(means, axis=0) - expected) < 4 * error + 0.002)
    np.testing.assert_allclose(
        np.mean(spreads, axis=0), np.append(variance / (1.0 + variance), 1.0), rtol=0.04
    )


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


def test_what_is_picked_by_places_has_the_mean_of_all():
    rng = np.random.default_rng(0)
    places = rng.normal(size=(3000, 2)) * [20.0, 10.0]
    log_w = rng.normal(size=3000)
    log_w -= log_sum(log_w)
    off = [places[resample(log_w, rng, 500, places=places)].mean(axis=0) for _ in range(20)]
    off -= np.exp(log_w) @ places
    assert np.all(np.std(off, axis=0) < 0.15 * np.array([20.0, 10.0]) / np.sqrt(500))
