"""One composition to print for a cloud of draws, so that shares and class never contradict."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array, Mask, Places
from jarvision.estimate.texture import classify_many

_PRINTED_DECIMALS = (1, 0)
"""Shares are printed with one decimal or none; the class has to survive both."""


def central_pct(
    draws_pct: ArrayLike,
    middle_pct: ArrayLike | None = None,
    *,
    classify: Callable[[ArrayLike], Places] = classify_many,
) -> Array:
    """Choose the composition to print: as central as its class allows, which is a likely one.

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
        The middle, where its class is the likeliest or nearly so; else the nearest place of such a
        class, among its draws and half a point inside it where that can be. A mean of a bent cloud
        can lie outside it, in a class that hardly any draw is in; and of classes that are as
        likely, the one nearest to the middle is taken, lest chance decides: a class further off has
        to be the likelier, so that where two are level either both are near or a third stands
        between.

    Raises
    ------
    ValueRefusedError
        There is no draw, or one of them is not a composition.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    classes = classify(draws)
    counts = np.bincount(classes)
    likely = np.flatnonzero(counts >= NEARLY * counts.max())
    middle = draws.mean(axis=0) if middle_pct is None else np.asarray(middle_pct, dtype=np.float64)
    places = [_nearest(middle, draws[classes == each], int(each), classify) for each in likely]
    away = np.array([np.linalg.norm(place - middle) for place in places])
    return places[int(np.argmax(counts[likely] * np.exp(-away / _AS_FAR)))]


NEARLY = 0.4
"""A class is likely with this part of the likeliest's odds; ours."""

_AS_FAR = 10.0  # points from the middle that cost a class as much as odds of a third; ours

_BESIDE = 1.0  # points from a draw at which a composition counts as among the draws; ours
_NEAR_PART = 0.5  # of the draws of a class, towards whose middle is gone


def _nearest(
    middle: Array, mine: Array, own: int, classify: Callable[[ArrayLike], Places]
) -> Array:
    """Give the place nearest to the middle, of a class and among its draws (n, 3)."""
    if _stays_in(middle[np.newaxis], own, classify)[0]:
        return middle
    by_distance = mine[np.argsort(((mine - middle) ** 2).sum(axis=1), kind="stable")]
    towards = by_distance[: max(1, round(_NEAR_PART * len(mine)))].mean(axis=0)
    line = middle + (towards - middle) * np.linspace(0.0, 1.0, 101)[:, np.newaxis]
    inside = _stays_in(line, own, classify)
    if (well := inside & _well_in(line, own, classify)).any():
        inside = well
    if inside.any():
        place: Array = line[int(np.argmax(inside))]
        if (((mine - place) ** 2).sum(axis=1) < _BESIDE**2).any():
            return place
    safe = by_distance[_stays_in(by_distance, own, classify)]
    drawn: Array = (safe if len(safe) else by_distance)[0]
    return drawn


def _stays_in(pcts: Array, texture_class: int, classify: Callable[[ArrayLike], Places]) -> Mask:
    """Tell which compositions are of a class as they are and as they are printed."""
    forms = [pcts, *(np.round(pcts, decimals) for decimals in _PRINTED_DECIMALS)]
    whole = [100.0 * form / form.sum(axis=1, keepdims=True) for form in forms]
    stays = np.array([classify(form) == texture_class for form in whole])
    return np.asarray(stays.all(axis=0), dtype=np.bool_)


_WELL = 0.5  # points by which a place that is gone to lies inside its class: as whole ones round

_WAYS = _WELL * np.array([(1, -1, 0), (-1, 1, 0), (1, 0, -1), (-1, 0, 1), (0, 1, -1), (0, -1, 1)])


def _well_in(pcts: Array, texture_class: int, classify: Callable[[ArrayLike], Places]) -> Mask:
    """Tell which compositions stay in a class with half a point of one share gone to another.

    Without this the place would hang on how its shares happen to round.
    """
    moved = np.maximum(pcts[np.newaxis] + _WAYS[:, np.newaxis], 0.0)
    moved *= 100.0 / moved.sum(axis=2, keepdims=True)
    stays = classify(moved.reshape(-1, 3)).reshape(moved.shape[:2]) == texture_class
    return np.asarray(stays.all(axis=0), dtype=np.bool_)
