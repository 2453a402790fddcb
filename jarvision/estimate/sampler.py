"""Draws of whole invented jars that are as likely as the jar in hand makes them.

The mean of all weighted draws is printed, not of those picked, which alone scatters by 0.4 points
in the hardest development jar. There ten of 61,000 draws make 42 % of the variance: a third is of
clay drawn from anywhere, a third from the ends of its law, which is too narrow there. Learning
until 3000 draws count and not 900, also of the chances by which masses are drawn, halves the
variance for the same draws; 0.17 points in place of 0.26 cost 1.7 times the draws.

A draw takes some 28 µs: a third of it is settling, a fifth the cutting of boxes. Tried and left
out: fewer first draws; draws spread evenly within every box; draws given up halfway by the evidence
of the law solved so far (11 to 29 % less time at best, reckoned from what it foretells); two
threads, which take longer than one, since numpy's calls are short.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from jarvision.estimate.filled_jars import Cloud, explore
from jarvision.estimate.known import Evidence
from jarvision.estimate.mass_proposals import CHANCES
from jarvision.estimate.priors import PACKING, PRIORS
from jarvision.estimate.proposal_boxes import Boxes, cut, evenly, normal
from jarvision.estimate.topsoil import log_sum

Array = NDArray[np.float64]

_FIRST, _SECOND = 2048, 2046  # draws of the first two rounds
_MANY = 4092  # and at most of each other, since every round costs as much as some 400 draws
_FEWEST, _MORE = 600, 1.1  # draws of a round at least, and what is drawn over what seems missing
_MOST_ROUNDS, _LEARNING_ROUNDS = 15, 6
_HOPE_ROUNDS = 8  # after which those go on that have half of the draws already
_LEARNED, _LEARNED_ROUNDS = 3000.0, 2  # effective draws and rounds that have taught enough
_GOAL, _GOAL_SE = 1200.0, 0.0017  # effective draws, and error of the mean shares, that are enough

ENOUGH_DRAWS = 400.0
"""Effective draws under which a result is doubted."""

_LEARN_FROM = 100.0  # effective draws from which a round learns
_PARTS = 3  # cuts into boxes that a round draws from
_STRAY = 2.5  # what a draw teaches of where to draw ends at this, in the logarithm


def sample(evidence: Evidence, rng: np.random.Generator) -> tuple[Cloud, Array]:
    """Draw jars that explain the evidence.

    Parameters
    ----------
    evidence : Evidence
        The jar in hand.
    rng : numpy.random.Generator
        Where the draws come from.

    Returns
    -------
    Cloud, ndarray of shape (n,)
        The draws and the logarithm of their weights, which sum to 1.

    Notes
    -----
    Importance sampling in rounds, each learning from all before (Cornuet et al. 2012, Scand. J.
    Stat. 39:798-812, from memory), until the draws are worth 1200 independent ones and the mean
    shares are good to 0.17 points, or all rounds are done. A round draws from a few cuts of the
    unknowns, and of the chances by which masses are drawn, into boxes, each learned from all draws
    but a part, and that part is weighed by this cut alone: where draws were learned from, much will
    be drawn by chance, and they would count too little.
    """
    places = evenly(_FIRST, len(PRIORS) + CHANCES, rng)
    cloud = _explored(evidence, places)
    laws: list[list[Boxes]] = []
    counts, density = [_FIRST], np.ones((_FIRST, 1))
    log_w = _log_weights(cloud, density, counts)
    due = _SECOND
    for number in range(_MOST_ROUNDS):
        before, wanted = effective(log_w), _wanted(cloud, log_w)
        if before >= wanted or not np.isfinite(log_w).any():
            break
        if number >= _HOPE_ROUNDS and effective(log_w) < 0.5 * _GOAL:
            break
        learns = number < _LEARNING_ROUNDS and (number < _LEARNED_ROUNDS or before < _LEARNED)
        if learns:
            law, own = _learn(places, _worth(cloud, log_w), rng)
            laws, counts = [*laws, law], [*counts, 0]
            density = np.column_stack([density, own])
        new = np.concatenate([boxes.draw(due // _PARTS, rng) for boxes in laws[-1]])
        of_new = [np.mean([boxes.density(new) for boxes in law], axis=0) for law in laws]
        density = np.vstack([density, np.column_stack([np.ones(len(new)), *of_new])])
        counts[-1] += len(new)
        places = np.concatenate([places, new])
        cloud = _joined(cloud, _explored(evidence, new))
        log_w = _log_weights(cloud, density, counts)
        gained = max(effective(log_w) - before, 1.0) / len(new)
        missing = _wanted(cloud, log_w) - effective(log_w)
        due = int(np.clip(_MORE * missing / gained, _FEWEST, _MANY))
    return cloud, log_w


def _explored(evidence: Evidence, places: Array) -> Cloud:
    """Fill jars at places of the cube: its first axes are the unknowns, the last the masses'."""
    axes = len(PRIORS)
    return explore(evidence, normal(places[:, :axes]), places[:, axes:])


def _learn(places: Array, worth: Array, rng: np.random.Generator) -> tuple[list[Boxes], Array]:
    """Cut boxes from all draws but a part, for each part, and say what that one has there (n,)."""
    part = rng.permutation(len(places)) % _PARTS
    law, own = [], np.empty(len(places))
    for number in range(_PARTS):
        law.append(cut(places[part != number], worth[part != number]))
        own[part == number] = law[-1].density(places[part == number])
    return law, own


def _worth(cloud: Cloud, log_w: Array) -> Array:
    """Square of what each draw (n,) is worth over the density it was drawn with, for `cut`.

    Where few draws count, their weights are made more alike, and no draw counts without end.
    """
    power = _power(log_w, _LEARN_FROM)
    mean = log_sum(cloud.log_fit + log_w) - log_sum(log_w)
    log_worth = power * (log_w + np.minimum(cloud.log_fit - mean, _STRAY))
    return np.asarray(np.exp(log_worth - log_worth.max()))


def _wanted(cloud: Cloud, log_w: Array) -> float:
    """How many effective draws are enough for this spread of the shares."""
    weight = np.exp(log_w)
    shares = cloud.mass / cloud.mass.sum(axis=1, keepdims=True)
    variance = weight @ (shares - weight @ shares) ** 2
    return max(_GOAL, float(variance.max()) / _GOAL_SE**2)


def effective(log_w: Array) -> float:
    """How many independent draws weighted ones are worth; `log_w` (n,) sums to 1."""
    return float(np.exp(-log_sum(2.0 * log_w)))


def strain(cloud: Cloud, log_w: Array) -> float:
    """How far the layers' densities are together from what they should be, in sd; see `PACKING`."""
    columns = [list(PRIORS).index(name) for name in PACKING[:3]]
    return float(np.linalg.norm(np.exp(log_w) @ cloud.z[:, columns]))


def flattened(log_w: Array, least: float) -> Array:
    """Log weights (n,) made more alike until they are worth `least` draws."""
    flat = _power(log_w, least) * log_w
    return np.asarray(flat - log_sum(flat), dtype=np.float64)


def _power(log_w: Array, least: float) -> float:
    """Power at which weights are worth `least` draws."""
    for power in (1.0, 0.8, 0.65, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05):
        if effective(power * log_w - log_sum(power * log_w)) >= least:
            break
    return power


def resample(
    log_w: Array, rng: np.random.Generator, draws: int, *, places: Array | None = None
) -> NDArray[np.int64]:
    """Pick indices of equally likely draws, by systematic resampling in random order.

    Neighbours in `places` (n, 2) stand for each other, so that what is picked has the mean and the
    odds of all draws, nearly without an error of its own.
    """
    order = np.arange(log_w.size) if places is None else _along(places, log_w)
    ladder = (np.arange(draws) + rng.random()) / draws
    picked = np.searchsorted(np.cumsum(np.exp(log_w[order])), ladder)
    return rng.permutation(order[np.minimum(picked, log_w.size - 1)])


_STRIPS = 32


def _along(places: Array, log_w: Array) -> NDArray[np.int64]:
    """Order places (n, 2) along a line that goes to and fro over all of them."""
    first = np.argsort(places[:, 0])
    strip = np.empty(first.size, dtype=np.int64)
    strip[first] = np.minimum(_STRIPS * np.cumsum(np.exp(log_w[first])), _STRIPS - 1)
    return np.lexsort((np.where(strip % 2, -1.0, 1.0) * places[:, 1], strip))


def _log_weights(cloud: Cloud, density: Array, counts: Sequence[int]) -> Array:
    """Weights against the mixture of all that was drawn from (multiple importance sampling).

    `density` (n, R) is that of each round over the prior's. No weight is more than the n-th part
    times the root of n, lest a single stray draw counts for all (Ionides 2008, J. Comput. Graph.
    Stat. 17:295-311, from memory).
    """
    log_w = cloud.log_fit - np.log(density @ (np.array(counts) / sum(counts)))
    log_w = np.minimum(log_w - log_sum(log_w), -0.5 * math.log(log_w.size))
    return np.asarray(log_w - log_sum(log_w), dtype=np.float64)


def _joined(a: Cloud, b: Cloud) -> Cloud:
    names = Cloud.__slots__
    return Cloud(*(np.concatenate([getattr(a, n), getattr(b, n)]) for n in names))
