"""Labels moved apart so that none hides another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def spread_apart(
    middles: Sequence[float], sizes: Sequence[float], low: float, high: float
) -> list[float]:
    """Move labels apart as little as possible (least squares) -> middles that do not overlap.

    This is isotonic regression of the middles less what must lie between them.
    """
    from scipy.optimize import isotonic_regression

    half = np.asarray(sizes) / 2
    between = np.concatenate([[0.0], np.cumsum(half[1:] + half[:-1])])
    fit = isotonic_regression(np.asarray(middles) - between).x
    least, most = low + half[0], high - half[-1] - between[-1]
    return [float(v) for v in np.clip(fit, least, max(most, least)) + between]
