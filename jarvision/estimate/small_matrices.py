"""Algebra of N small symmetric matrices at once, the N last, where numpy is quick."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


_LEAST = 1e-12  # of what is on the diagonal, may be left there: rounding may leave less than none


def lower_root(matrix: Array) -> Array:
    """Lower roots (F, F, N) of N positive matrices (F, F, N): Cholesky's."""
    root = np.zeros_like(matrix)
    for row in range(len(matrix)):
        for column in range(row):
            left = matrix[row, column] - (root[row, :column] * root[column, :column]).sum(axis=0)
            root[row, column] = left / root[column, column]
        left = matrix[row, row] - (root[row, :row] ** 2).sum(axis=0)
        root[row, row] = np.sqrt(np.maximum(left, _LEAST * matrix[row, row]))
    return root


def inverse(matrix: Array) -> Array:
    """Inverses (F, F, N) of N positive matrices (F, F, N)."""
    root = lower_root(matrix)
    back = np.zeros_like(matrix)
    for column in range(len(matrix)):
        back[column, column] = 1.0 / root[column, column]
        for row in range(column + 1, len(matrix)):
            known = (root[row, column:row] * back[column:row, column]).sum(axis=0)
            back[row, column] = -known / root[row, row]
    return np.asarray(np.einsum("kin,kjn->ijn", back, back))


def solved(matrix: Array, wanted: Array) -> Array:
    """Vectors (F, N) that N positive matrices (F, F, N) turn into those wanted (F, N)."""
    root, found = lower_root(matrix), wanted.copy()
    for row in range(len(root)):
        found[row] -= (root[row, :row] * found[:row]).sum(axis=0)
        found[row] /= root[row, row]
    for row in reversed(range(len(root))):
        found[row] -= (root[row + 1 :, row] * found[row + 1 :]).sum(axis=0)
        found[row] /= root[row, row]
    return found
