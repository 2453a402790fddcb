"""Jars that differ from their bed: Grubbs' published tables, and false alarms counted."""

import numpy as np
import pytest

from jarvision.compare.outlying import CHANCE, LEAST_JARS, outlying, spread_of

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 (from memory): eight mass
# spectrometer measurements of a uranium isotope, of which Grubbs' test finds the last.
URANIUM = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)

# Grubbs & Beck 1972, Technometrics 14:847-854, two-sided 5 % points (from memory).
CRITICAL = {8: 2.126, 10: 2.290, 20: 2.709}


def column(values):
    return np.asarray(values, dtype=float)[:, None]


def test_the_handbooks_outlier_is_found_and_no_other():
    [found] = outlying(column(URANIUM), np.zeros((8, 1)))
    assert (found.place, found.pct) == (7, 245.57)
    assert found.others_pct == pytest.approx(200.84, abs=0.01)
    assert outlying(column(URANIUM[:7]), np.zeros((7, 1))) == []


@pytest.mark.parametrize(("count", "critical"), CRITICAL.items())
def test_the_limit_is_the_published_one(count, critical):
    """A value is moved until Grubbs' G = |x - mean| / sd stands just beside the table's."""
    rest = np.linspace(-1, 1, count - 1)

    def grubbs(far):
        values = np.append(rest, far)
        return abs(far - values.mean()) / values.std(ddof=1)

    grid = np.linspace(1.1, 8, 20_000)
    far = grid[np.argmin([abs(grubbs(x) - critical) for x in grid])]
    for factor, found in ((0.97, 0), (1.03, 1)):
        values = column(np.append(rest, far * factor))
        assert len(outlying(values, np.zeros_like(values))) == found


def test_equal_jars_are_accused_no_more_often_than_is_said():
    rng = np.random.default_rng(3)
    beds = 600
    alarms = 0
    for _ in range(beds):
        shares = rng.dirichlet([160, 160, 80], 20) * 100
        alarms += bool(outlying(shares, np.full((20, 3), 0.5)))
    assert alarms / beds <= CHANCE + 2 * np.sqrt(CHANCE / beds)


def test_a_strange_jar_is_found_among_twenty():
    rng = np.random.default_rng(4)
    shares = rng.dirichlet([160, 160, 80], 20) * 100
    shares[11] += [-18, 0, 18]
    assert [one.place for one in outlying(shares, np.full((20, 3), 0.5))] == [11]


def test_no_jar_is_accused_within_its_own_uncertainty():
    shares = np.array([[40.0, 40, 20]] * 5 + [[41.0, 39.5, 19.5]])
    assert outlying(shares, np.full((6, 3), 1.0)) == []
    assert len(outlying(shares, np.full((6, 3), 0.01))) == 1


def test_few_jars_tell_nothing():
    shares = np.array([[40.0, 40, 20], [40.1, 39.9, 20], [80, 10, 10]])
    assert len(shares) < LEAST_JARS
    assert outlying(shares, np.full((3, 3), 0.1)) == []


def test_spread():
    spread = spread_of(np.array([[40.0, 40, 20], [44, 36, 20]]), np.full((2, 3), 0.5))
    assert spread.mean_pct == (42, 38, 20)
    assert spread.low_pct == (40, 36, 20)
    assert spread.high_pct == (44, 40, 20)
    assert spread.sd_points == pytest.approx((8**0.5, 8**0.5, 0))
    assert np.isnan(spread_of(np.array([[40.0, 40, 20]]), np.ones((1, 3))).sd_points).all()
