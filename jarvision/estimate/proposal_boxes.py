"""Where to draw from: boxes of the unknowns, cut finer where draws count more.

Tried in their place: sums of one to six normal laws (EM), and a regression of the weights on the
unknowns, both at most as good; screening the unknowns by a regression before they are filled, and
finer boxes, no better; control variates of the unknowns' squares and products, a sixth of the
variance at most. Within a draw's unknowns the shares spread by only 7 points of the 27 of the
hardest development jar, so the weights of the unknowns are the bottleneck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jarvision.core.special_functions import ndtri

Array = NDArray[np.float64]

_MOST_BOXES = 40
_LEAST_DRAWS = 25  # in a box
_CUTS = 10  # a box is cut at one of so many even steps
_MOST_AXES = 8  # in which a cube is cut: those in which the first cut would gain most
_FROM_PRIOR = 0.07  # part that is drawn from everywhere, so that nothing is missed


@dataclass(frozen=True, slots=True)
class Boxes:
    """A cut of the cube [0, 1]^D, in which the prior is even, into B boxes.

    Attributes
    ----------
    low, high : ndarray, shape (B, D)
        Their corners.
    odds : ndarray, shape (B,)
        How much of all draws is drawn in each, evenly within it.
    cuts : tuple of (int, int, int, float)
        In order: the box that was cut, the new box above the cut, the axis and the place.
    """

    low: Array
    high: Array
    odds: Array
    cuts: tuple[tuple[int, int, int, float], ...]

    def density(self, places: Array) -> Array:
        """Density (n,) of what is drawn over the prior's, at places (n, D) of the cube."""
        box = np.zeros(len(places), dtype=np.intp)
        for old, new, axis, at in self.cuts:
            box[(box == old) & (places[:, axis] >= at)] = new
        density: Array = (self.odds / np.prod(self.high - self.low, axis=1))[box]
        return density

    def draw(self, count: int, rng: np.random.Generator) -> Array:
        """Draw places (count, D): as many in each box as are due, spread evenly along each axis."""
        due = (np.arange(count) + rng.random()) / count
        box = np.minimum(np.searchsorted(np.cumsum(self.odds), due), len(self.odds) - 1)
        within = evenly(count, self.low.shape[1], rng)
        return np.asarray(self.low[box] + within * (self.high - self.low)[box], dtype=np.float64)


def evenly(count: int, axes: int, rng: np.random.Generator) -> Array:
    """Draw places (count, axes) of the cube, spread evenly along each axis (McKay et al. 1979)."""
    steps = np.tile(np.arange(count)[:, None], (1, axes))
    return np.asarray((rng.permuted(steps, axis=0) + rng.random(steps.shape)) / count)


def normal(places: Array) -> Array:
    """Turn places of the cube into standard normal numbers."""
    return np.asarray(ndtri(np.clip(places, 1e-12, 1.0 - 1e-12)), dtype=np.float64)


def cut(places: Array, worth: Array) -> Boxes:
    """Cut the cube so that draws within a box are worth about the same.

    Parameters
    ----------
    places : ndarray, shape (n, D)
        Draws in the cube.
    worth : ndarray, shape (n,)
        Square of what each is worth, over the density that it was drawn with.

    Notes
    -----
    What is drawn by boxes is best with odds as the root of the mean square of the worth, and the
    best cut is the one that lowers the sum of these odds the most (Jadach 2003, Comput. Phys.
    Commun. 152:55-100, from memory).
    """
    size = places.shape[1]
    rows = [np.arange(len(places))]
    corners = [(np.zeros(size), np.ones(size))]
    first = _gains(places, worth, *corners[0]).max(axis=1)
    axes = np.argsort(-first)[:_MOST_AXES]

    def best_cut(mine: NDArray[np.intp], low: Array, high: Array) -> tuple[float, int, float]:
        gains = _gains(places[np.ix_(mine, axes)], worth[mine], low[axes], high[axes])
        axis, step = np.unravel_index(int(np.argmax(gains)), gains.shape)
        own = int(axes[axis])
        at = low[own] + (step + 1) / _CUTS * (high[own] - low[own])
        # the volume along the other axes counts as well
        return float(gains[axis, step] * np.sqrt(np.prod(high - low))), own, float(at)

    best = [best_cut(rows[0], *corners[0])]
    cuts = []
    while len(rows) < _MOST_BOXES:
        old = max(range(len(best)), key=lambda index: best[index][0])
        gain, axis, at = best[old]
        if gain <= 0.0:
            break
        cuts.append((old, len(rows), axis, at))
        mine, (low, high) = rows[old], corners[old]
        above = places[mine, axis] >= at
        middle_high, middle_low = high.copy(), low.copy()
        middle_high[axis] = middle_low[axis] = at
        rows[old], corners[old] = mine[~above], (low, middle_high)
        rows.append(mine[above])
        corners.append((middle_low, high))
        best[old] = best_cut(rows[old], *corners[old])
        best.append(best_cut(rows[-1], *corners[-1]))
    low, high = (np.array(ends) for ends in zip(*corners, strict=True))
    volume = np.prod(high - low, axis=1)
    odds = np.sqrt(np.array([worth[mine].sum() for mine in rows]) * volume)
    total = odds.sum()  # nothing where the few draws that count were left out
    odds = odds / total if total > 0.0 else volume
    odds = (1.0 - _FROM_PRIOR) * odds + _FROM_PRIOR * volume
    return Boxes(low, high, odds, tuple(cuts))


def _gains(places: Array, worth: Array, low: Array, high: Array) -> Array:
    """Gain of each cut of a box (D, _CUTS - 1) over the root of its volume; 0 where too few are."""
    sums, counts = np.empty((2, low.size, _CUTS))
    for axis in range(low.size):  # one at a time: all at once would take much memory
        step = ((places[:, axis] - low[axis]) * (_CUTS / (high[axis] - low[axis]))).astype(np.intp)
        cell = np.minimum(step, _CUTS - 1)
        sums[axis] = np.bincount(cell, worth, minlength=_CUTS)
        counts[axis] = np.bincount(cell, minlength=_CUTS)
    sums, counts = np.cumsum(sums, axis=1), np.cumsum(counts, axis=1)
    part = np.arange(1, _CUTS) / _CUTS
    below, total = sums[:, :-1], sums[:, -1:]
    left = np.sqrt(below * part) + np.sqrt(np.maximum(total - below, 0.0) * (1.0 - part))
    few = np.minimum(counts[:, :-1], counts[:, -1:] - counts[:, :-1]) < _LEAST_DRAWS
    return np.where(few, 0.0, np.sqrt(total) - left)
