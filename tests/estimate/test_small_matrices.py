"""Algebra of many small matrices against numpy's of one at a time."""

import numpy as np
import pytest

from jarvision.estimate.small_matrices import inverse, lower_root, solved


@pytest.mark.parametrize("size", [2, 3])
def test_as_numpy_does_one_by_one(size):
    rng = np.random.default_rng(size)
    some = rng.normal(size=(50, size, size))
    matrices = some @ some.transpose(0, 2, 1) + 0.1 * np.eye(size)
    wanted = rng.normal(size=(50, size))
    last = matrices.transpose(1, 2, 0)
    for found, expected in (
        (lower_root(last), np.linalg.cholesky(matrices).transpose(1, 2, 0)),
        (inverse(last), np.linalg.inv(matrices).transpose(1, 2, 0)),
        (solved(last, wanted.T), np.linalg.solve(matrices, wanted[..., None])[..., 0].T),
    ):
        np.testing.assert_allclose(found, expected, rtol=1e-8, atol=1e-10)


def test_rounding_never_leaves_less_than_nothing():
    almost = np.array([[1.0, 1.0 + 1e-15], [1.0 + 1e-15, 1.0]])[..., None]
    assert np.isfinite(lower_root(almost)).all()
    assert np.isfinite(inverse(almost)).all()
