"""Least squares for small problems whose misfits are worked out for many parameter sets at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


def least_squares(
    residuals: Callable[[Array], Array], start: Array, free: NDArray[np.intp], sizes: Array
) -> tuple[Array, Array]:
    """Levenberg-Marquardt for residuals that take many parameter sets at once.

    A step and the whole Jacobian behind it are one call, which for these small problems is several
    times faster than a general solver. Returns the parameters and their residuals.
    """
    p, damping = start.copy(), 1e-3
    step = np.zeros((len(free) + 1, len(p)))
    step[np.arange(1, len(free) + 1), free] = 1e-5 * sizes[free]
    all_r = residuals(p + step)
    for _ in range(40):
        r = all_r[0]
        jacobian = ((all_r[1:] - r) / 1e-5).T  # per unit of each parameter's size
        normal, gradient = jacobian.T @ jacobian, jacobian.T @ r
        cost = float(r @ r)
        for _ in range(8):
            move = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -gradient)
            trial = p.copy()
            trial[free] += move * sizes[free]
            tried = residuals(trial + step)
            new = tried[0]
            if float(new @ new) < cost:
                break
            damping *= 6.0
        else:
            return p, r
        gained = cost - float(new @ new)
        p, r, all_r, damping = trial, new, tried, max(damping / 6.0, 1e-9)
        if gained < 1e-4 * cost + 1e-9:
            break
    return p, r
