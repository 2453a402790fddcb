"""One composition to print for a cloud of draws, so that shares and class never contradict."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.estimate.texture import classify_many

Array = NDArray[np.float64]

_PRINTED_DECIMALS = (1, 0)
"""Shares are printed with one decimal or none; the class has to survive both."""


def central_pct(
    draws_pct: ArrayLike,
    middle_pct: ArrayLike | None = None,
    *,
    classify: Callable[[ArrayLike], NDArray[np.intp]] = classify_many,
) -> Array:
    """Choose the composition to print: in the likeliest class, and as central as that allows.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Equally likely draws of sand, silt and clay [%], each adding up to 100; n at least 1.
    middle_pct : array_like, shape (3,), optional
        The middle of the cloud [%]; the draws' mean where it is not given.
    classify : callable
        Gives the class of each row of compositions; the USDA's twelve classes by default.

    Returns
    -------
    ndarray, shape (3,)
        The middle, where it is of the class that most draws are in; else the draw of that class
        that lies nearest to it. A mean of a bent cloud can lie outside it, in a class that hardly
        any draw is in.

    Raises
    ------
    ValueRefusedError
        There is no draw, or one of them is not a composition.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    classes = classify(draws)
    likeliest = int(np.argmax(np.bincount(classes)))  # the coarser of two that are level
    middle = draws.mean(axis=0) if middle_pct is None else np.asarray(middle_pct, dtype=np.float64)
    if _stays_in(middle[np.newaxis], likeliest, classify)[0]:
        return middle
    mine = draws[classes == likeliest]
    safe = mine[_stays_in(mine, likeliest, classify)]
    pool = safe if len(safe) else mine
    nearest: Array = pool[int(np.argmin(((pool - middle) ** 2).sum(axis=1)))]
    return nearest


def _stays_in(
    pcts: Array, texture_class: int, classify: Callable[[ArrayLike], NDArray[np.intp]]
) -> NDArray[np.bool_]:
    """Tell which compositions are of a class as they are and as they are printed."""
    forms = [pcts, *(np.round(pcts, decimals) for decimals in _PRINTED_DECIMALS)]
    whole = [100.0 * form / form.sum(axis=1, keepdims=True) for form in forms]
    stays = np.array([classify(form) == texture_class for form in whole])
    return np.asarray(stays.all(axis=0), dtype=np.bool_)
