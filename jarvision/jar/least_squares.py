"""Least squares for small problems whose residuals are worked out for many parameter sets at once.

Steps that follow the bend of a valley (geodesic acceleration) were tried for views: a quarter of
the turns, and lower minima, but two square jars whose strips run round their sides were then read
worse. Worth trying again when such jars' walls are told apart better.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from jarvision.core.arrays import Array, Mask, Places

_MOST_STEPS, _MOST_REFUSED, _LOOK_AFTER = 40, 8, 8
# Of the sum of squares: less by a step ends a problem. A promise of 1e-3 moves tops by 0.4 mm.
_LEAST_GAIN, _LEAST_PROMISE = 1e-4, 1e-7


def least_squares(
    residuals: Callable[[Array], Array], start: Array, free: Places, sizes: Array
) -> tuple[Array, Array]:
    """Solve one problem whose residuals take many parameter sets (sets, parameters) at once.

    Returns the parameters and their residuals.
    """
    p, r = least_squares_each(lambda p, _: residuals(p[0])[None], start[None], free, sizes)
    return p[0], r[0]


def least_squares_each(
    residuals: Callable[[Array, Places], Array],
    starts: Array,
    free: Places,
    sizes: Array,
    *,
    in_running: Callable[[Array], Mask] | None = None,
) -> tuple[Array, Array]:
    """Levenberg-Marquardt for several problems alike, each on its own, in step with each other.

    A step of all problems and the whole Jacobian behind it are one call, which for these small
    problems is many times faster than a general solver.

    Parameters
    ----------
    residuals : callable
        Takes parameters (problems, sets, parameters) and which problems they are of (problems,);
        gives residuals (problems, sets, residuals).
    starts : (problems, parameters) array
        Where to begin.
    free : (n,) array of int
        Parameters that are fitted.
    sizes : (parameters,) array
        Steps that matter.
    in_running : callable, optional
        Tells by their sums of squares which problems to go on with after a few steps.

    Returns
    -------
    p : (problems, parameters) array
    r : (problems, residuals) array
    """
    p, left = starts.copy(), np.arange(len(starts))
    damping, steps, refused = np.full(len(p), 1e-3), np.zeros(len(p), int), np.zeros(len(p), int)
    step = np.zeros((len(free) + 1, p.shape[1]))
    step[np.arange(1, len(free) + 1), free] = 1e-5 * sizes[free]
    all_r = residuals(p[:, None] + step, left)
    among = np.arange(len(free))
    for turn in range(_MOST_STEPS * _MOST_REFUSED):
        if in_running and turn == _LOOK_AFTER:
            left = left[in_running((all_r[:, 0] ** 2).sum(axis=1))[left]]
        if not len(left):
            break
        r = all_r[left, 0]
        slopes = (all_r[left, 1:] - r[:, None]) / 1e-5  # per unit of each parameter's size
        normal, cost = slopes @ slopes.transpose(0, 2, 1), (r**2).sum(axis=1)
        normal[:, among, among] += damping[left, None] * (normal[:, among, among] + 1e-9)
        uphill = (slopes @ r[..., None])[..., 0]
        move = np.linalg.solve(normal, -uphill[..., None])[..., 0]
        slack = normal[:, among, among] * (damping[left] / (1.0 + damping[left]))[:, None]
        promised = (move * (slack * move - uphill)).sum(axis=1)
        worth = promised >= _LEAST_PROMISE * cost + 1e-9
        if not worth.all():
            left, move, cost = left[worth], move[worth], cost[worth]
            if not len(left):
                break
        trial = p[left]
        trial[:, free] += move * sizes[free]
        tried = residuals(trial[:, None] + step, left)
        gained = cost - (tried[:, 0] ** 2).sum(axis=1)
        better = gained > 0
        moved, stayed = left[better], left[~better]
        p[moved], all_r[moved] = trial[better], tried[better]
        damping[moved], damping[stayed] = (
            np.maximum(damping[moved] / 6.0, 1e-9),
            6.0 * damping[stayed],
        )
        steps[moved] += 1
        refused[moved], refused[stayed] = 0, refused[stayed] + 1
        ended = np.where(better, gained < _LEAST_GAIN * cost + 1e-9, refused[left] == _MOST_REFUSED)
        left = left[~ended & (steps[left] < _MOST_STEPS)]
    return p, all_r[:, 0]
