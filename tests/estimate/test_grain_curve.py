"""Shares at other limits of silt, against published fractions and the curve's own rules."""

import numpy as np
import pytest

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.grain_curve import MeasuredSand, finer_pct, shares_at


def rng():
    return np.random.default_rng(4)


def many(sand, silt, clay, count=2000):
    return np.tile([sand, silt, clay], (count, 1)).astype(float)


def test_own_limits_give_the_draws_back():
    draws = np.random.default_rng(1).dirichlet([2, 2, 2], 50) * 100
    finer = finer_pct(draws, (2, 50, 2000), rng=rng())
    assert finer[:, 0] == pytest.approx(draws[:, 2])
    assert finer[:, 1] == pytest.approx(100 - draws[:, 0])
    assert finer[:, 2] == pytest.approx(100)
    assert np.array_equal(shares_at(draws, 50, rng=rng()), draws)


def test_curves_rise_and_shares_add_up():
    draws = np.random.default_rng(2).dirichlet([1, 1, 1], 300) * 100
    finer = finer_pct(draws, (2, 5, 20, 49, 50, 60, 63, 200, 1000, 2000), rng=rng())
    assert (np.diff(finer, axis=1) >= -1e-9).all()
    for limit in (20, 60, 63):
        shares = shares_at(draws, limit, rng=rng())
        assert shares.sum(axis=1) == pytest.approx(100)
        assert shares.min() >= -1e-9
        assert shares[:, 2] == pytest.approx(draws[:, 2])


def test_a_limit_of_63_moves_about_a_sixteenth_of_the_sand():
    """Even over the logarithm of size, 50 to 63 µm are ln(63/50)/ln(2000/50), 6 % of the sand."""
    loam = shares_at(many(40, 40, 20), 63, rng=rng())
    moved = 40 - loam[:, 0]
    assert np.median(moved) == pytest.approx(0.0626 * 40, abs=1.5)
    assert moved.min() > 0


# Sand, clay and very fine sand (50 to 100 µm) [%] of horizons in the US soil survey, as they stand
# in open soil files of an erosion model (University of Idaho) for two soils.
SURVEYED = [
    (93.9, 1.1, 5.8),
    (96.2, 0.7, 6.2),
    (90.5, 4.5, 6.1),
    (65.4, 15.0, 16.1),
    (42.0, 20.5, 12.1),
    (18.2, 52.5, 5.6),
    (23.1, 52.5, 7.0),
    (83.0, 8.0, 12.1),
    (65.9, 15.0, 10.4),
    (57.0, 25.0, 9.2),
]


def test_very_fine_sand_of_surveyed_soils_lies_in_the_ranges():
    inside = []
    for sand, clay, very_fine in SURVEYED:
        at_50, at_100 = finer_pct(many(sand, 100 - sand - clay, clay), (50, 100), rng=rng()).T
        low, high = np.quantile(at_100 - at_50, (0.05, 0.95))
        inside.append(low <= very_fine <= high)
    # 90 % ranges over ten horizons: seven or more inside is what chance allows (binomial, 1 %).
    assert sum(inside) >= 7


def test_what_the_limits_leave_open_widens_the_result():
    shares = shares_at(many(20, 60, 20), 20, rng=rng())
    assert np.ptp(np.quantile(shares[:, 1], (0.05, 0.95))) > 10
    narrow = shares_at(many(20, 60, 20), 49, rng=rng())
    assert np.ptp(np.quantile(narrow[:, 1], (0.05, 0.95))) < 2


def test_one_bend_a_draw_serves_all_limits():
    together = finer_pct(many(40, 40, 20, 20), (20, 63), rng=rng())
    apart = [finer_pct(many(40, 40, 20, 20), (limit,), rng=rng())[:, 0] for limit in (20, 63)]
    assert np.array_equal(together, np.column_stack(apart))


def test_pure_fractions_do_no_harm():
    for pcts in ((100, 0, 0), (0, 100, 0), (0, 0, 100)):
        assert np.isfinite(finer_pct(many(*pcts, 5), (20, 63), rng=rng())).all()


@pytest.mark.parametrize("limit", [1.0, 2500.0, float("nan")])
def test_sizes_out_of_range_are_refused(limit):
    with pytest.raises(ValueRefusedError, match="outside 2 to 2000 µm"):
        finer_pct(many(40, 40, 20, 3), (limit,), rng=rng())


# A sand of a sieve analysis: finer than 50, 100, 250, 500, 1000 and 2000 µm (our own numbers).
SIEVED = MeasuredSand(
    np.array([50.0, 100.0, 250.0, 500.0, 1000.0, 2000.0]),
    np.array([[0.0, 0.20, 0.70, 0.85, 0.95, 1.0]]),
)


def test_a_sieved_sand_is_given_back():
    """At a sieve the curve is the sieve's own; between two it is straight over log size."""
    finer = finer_pct(many(40, 40, 20), (50, 100, 250, 2000), rng=rng(), sand=SIEVED)
    assert finer == pytest.approx(np.tile([60, 60 + 8, 60 + 28, 100], (2000, 1)))
    [between] = np.unique(finer_pct(many(40, 40, 20), (70.7107,), rng=rng(), sand=SIEVED).round(4))
    assert between == pytest.approx(60 + 4, abs=1e-3)


def test_a_measured_sand_leaves_silt_as_it_was():
    plain = finer_pct(many(40, 40, 20), (2, 20, 50), rng=rng())
    assert np.array_equal(finer_pct(many(40, 40, 20), (2, 20, 50), rng=rng(), sand=SIEVED), plain)
    moved = 40 - shares_at(many(40, 40, 20), 63, rng=rng(), sand=SIEVED)[:, 0]
    assert moved == pytest.approx(40 * 0.20 * np.log(63 / 50) / np.log(2))
