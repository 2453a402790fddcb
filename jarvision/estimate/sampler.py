"""Draws of whole invented jars that are as likely as the jar in hand makes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jarvision.estimate.explore import Cloud, explore
from jarvision.estimate.known import Evidence
from jarvision.estimate.priors import PRIORS
from jarvision.estimate.topsoil import log_sum

Array = NDArray[np.float64]

_FIRST, _DRAWS = 2048, 1024  # of the first round and of each other
_MOST_ROUNDS = 12
_GOAL, _GOAL_SE = 1500.0, 0.0045  # effective draws, and error of the mean shares, that are enough

ENOUGH_DRAWS = 400.0
"""Effective draws under which a result is doubted."""

_KEEP_PRIOR = 64  # draws of later rounds still from the prior, so that nothing is missed
_CENTRES = 128  # draws around which a round draws
_WIDER = 2.2  # variance of what is drawn around each, over what would be enough
_LEARN_FROM = 100.0  # effective draws from which a round learns
_MOST_WAYS = 8  # in which what was seen can narrow the unknowns; heights and the water's look


@dataclass(frozen=True, slots=True)
class _Learned:
    """What the unknowns are drawn from: a sum of normal laws in few directions, else the prior.

    Attributes
    ----------
    basis : ndarray, shape (D, R)
        The directions, of length 1 and square to each other.
    centres : ndarray, shape (C, R)
        Middles of the laws.
    root : ndarray, shape (R, R)
        Lower root of the covariance of each.
    picked : ndarray of int, shape (C,)
        The draws around which the middles lie.
    """

    basis: Array
    centres: Array
    root: Array
    picked: NDArray[np.int64]

    def moved(self, z: Array) -> Array:
        """Turn draws from the prior (N, D) into draws of this."""
        own = z @ self.basis
        drawn = self.centres[np.arange(len(z)) % len(self.centres)] + own @ self.root.T
        return np.asarray(z + (drawn - own) @ self.basis.T)

    def log_ratio(self, z: Array, *, learned_from: bool = False) -> Array:
        """Log density of draws (N, D) over the prior's.

        Each draw that this was `learned_from` leaves out the laws that stand around itself: else
        the draws that count most would seem to lie where most was drawn, and count too little.
        """
        own = z @ self.basis
        inverse = np.linalg.inv(self.root)
        place, centres = (x @ inverse.T for x in (own, self.centres))
        # single precision: over a distance of 13 sd the prior alone counts
        gap = (place.astype(np.float32) @ centres.T.astype(np.float32)).astype(np.float32)
        gap -= 0.5 * (place**2).sum(axis=1, dtype=np.float64)[:, None].astype(np.float32)
        gap -= 0.5 * (centres**2).sum(axis=1).astype(np.float32)
        density = np.exp(gap, out=gap).sum(axis=1, dtype=np.float64)
        others = np.full(len(z), float(len(self.centres)))
        if learned_from:
            np.subtract.at(density, self.picked, gap[self.picked, np.arange(len(self.picked))])
            np.subtract.at(others, self.picked, 1.0)
        density = np.maximum(density, 0.0) / np.maximum(others, 1.0)
        log_det = np.log(np.diagonal(self.root)).sum()
        log_q = np.log(np.maximum(density, 1e-37)) - log_det
        return np.asarray(log_q + 0.5 * (own**2).sum(axis=1))


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
    Stat. 39:798-812, from memory), until the draws are worth 1500 independent ones and the mean
    shares are good to half a point, or all rounds are done. What was seen narrows the unknowns in
    as many directions as there are numbers at most, so only there anything is learned. Points
    spread evenly (Sobol's, latin cubes) agree no better between seeds: what is drawn around the
    draws of earlier rounds is not even any more.
    """
    cloud = explore(evidence, rng.standard_normal((_FIRST, len(PRIORS))), rng)
    counts, ratios = [_FIRST], np.zeros((_FIRST, 1))
    learned: list[_Learned] = []
    log_w = _log_weights(cloud, ratios, counts)
    while len(learned) < _MOST_ROUNDS and not _is_enough(cloud, log_w):
        if not np.isfinite(log_w).any():
            break
        learned.append(_learn(cloud, log_w, rng))
        z = rng.standard_normal((_DRAWS, len(PRIORS)))
        z[_KEEP_PRIOR:] = learned[-1].moved(z[_KEEP_PRIOR:])
        counts = [counts[0] + _KEEP_PRIOR, *counts[1:], _DRAWS - _KEEP_PRIOR]
        of_new = np.stack([np.zeros(_DRAWS), *(each.log_ratio(z) for each in learned)], axis=1)
        of_old = np.column_stack([ratios, learned[-1].log_ratio(cloud.z, learned_from=True)])
        ratios = np.concatenate([of_old, of_new])
        cloud = _joined(cloud, explore(evidence, z, rng))
        log_w = _log_weights(cloud, ratios, counts)
    return cloud, log_w


def _is_enough(cloud: Cloud, log_w: Array) -> bool:
    draws = effective(log_w)
    if not draws >= _GOAL:
        return False
    weight = np.exp(log_w)
    shares = cloud.mass / cloud.mass.sum(axis=1, keepdims=True)
    variance = weight @ (shares - weight @ shares) ** 2
    return bool(variance.max() < _GOAL_SE**2 * draws)


def effective(log_w: Array) -> float:
    """How many independent draws weighted ones are worth; `log_w` (n,) sums to 1."""
    return float(np.exp(-log_sum(2.0 * log_w)))


def flattened(log_w: Array, least: float) -> Array:
    """Log weights (n,) made more alike until they are worth `least` draws."""
    for power in (1.0, 0.8, 0.65, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05):
        flat = np.asarray(power * log_w - log_sum(power * log_w), dtype=np.float64)
        if effective(flat) >= least:
            break
    return flat


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


def _log_weights(cloud: Cloud, ratios: Array, counts: Sequence[int]) -> Array:
    """Weights against the mixture of all that was drawn from (multiple importance sampling).

    None is more than the n-th part times the root of n, lest a single stray draw counts for all
    (Ionides 2008, J. Comput. Graph. Stat. 17:295-311, from memory).
    """
    parts = ratios + np.log(np.array(counts) / sum(counts))
    log_w = cloud.log_fit - log_sum(parts, axis=1)
    log_w = np.minimum(log_w - log_sum(log_w), -0.5 * math.log(log_w.size))
    return np.asarray(log_w - log_sum(log_w), dtype=np.float64)


def _learn(cloud: Cloud, log_w: Array, rng: np.random.Generator) -> _Learned:
    """Learn where to draw from what draws are worth.

    The directions are those in which weighted draws differ from the prior by more than so few
    draws do by chance; the centres are draws, moved together by what each spreads (West 1993, J.
    R. Stat. Soc. B 55:409-422, from memory).
    """
    flat = flattened(log_w, _LEARN_FROM)
    draws, weight = effective(flat), np.exp(flat)
    mean = weight @ cloud.z
    away = cloud.z - mean
    sizes, ways = np.linalg.eigh((away * weight[:, None]).T @ away)
    told = 0.5 * (sizes - 1.0 - np.log(np.maximum(sizes, 1e-6)) + (mean @ ways) ** 2)
    by_chance = len(mean) / draws
    basis = ways[:, [i for i in np.argsort(-told)[:_MOST_WAYS] if told[i] > by_chance]]
    rank = basis.shape[1]
    own = cloud.z @ basis
    middle = weight @ own
    spread = ((own - middle) * weight[:, None]).T @ (own - middle)
    width = (0.5 * (rank + 2) * min(draws, _CENTRES)) ** (-1.0 / (rank + 4))
    picked = resample(flat, rng, _CENTRES)
    centres = middle + math.sqrt(1.0 - min(width, 0.95) ** 2) * (own[picked] - middle)
    root = np.linalg.cholesky(_WIDER * width**2 * spread + 1e-4 * np.eye(rank))
    return _Learned(basis, centres, root, picked)


def _joined(a: Cloud, b: Cloud) -> Cloud:
    names = Cloud.__slots__
    return Cloud(*(np.concatenate([getattr(a, n), getattr(b, n)]) for n in names))
