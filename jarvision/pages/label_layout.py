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
    half = np.asarray(sizes) / 2
    between = np.concatenate([[0.0], np.cumsum(half[1:] + half[:-1])])
    fit = np.array(_never_falling((np.asarray(middles) - between).tolist()))
    least, most = low + half[0], high - half[-1] - between[-1]
    return [float(v) for v in np.clip(fit, least, max(most, least)) + between]


def _never_falling(values: Sequence[float]) -> list[float]:
    """Fit values that never fall, by least squares: neighbours that would fall share their mean.

    Pool adjacent violators (Barlow et al. 1972). SciPy has it too, in a part that takes a tenth of
    a second to load before the first result is shown.
    """
    pools: list[tuple[float, int]] = []
    for value in values:
        total, count = value, 1
        while pools and pools[-1][0] / pools[-1][1] >= total / count:
            before, many = pools.pop()
            total, count = before + total, many + count
        pools.append((total, count))
    return [total / count for total, count in pools for _ in range(count)]
