"""Draws of whole invented jars that are as likely as the jar in hand makes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtri
from scipy.stats import qmc

from jarvision.estimate.explore import Cloud, explore
from jarvision.estimate.known import Evidence
from jarvision.estimate.priors import PRIORS

Array = NDArray[np.float64]

_DRAWS = 2048  # of each round; a power of two, as the even points want it
_MOST_ROUNDS = 10
_GOAL = 2000.0  # effective draws after which no further round is made: means good to 1/45 sd

ENOUGH_DRAWS = 400.0
"""Effective draws under which a result is doubted."""

_KEEP_PRIOR = 256  # draws of later rounds still from the prior, so that nothing is missed
_WIDER = 1.15  # what is learned is drawn from with this much more variance
_LEARN_FROM = 8.0  # effective draws for each unknown from which a round learns


@dataclass(frozen=True, slots=True)
class _Proposal:
    """A normal law of the unknowns, used for `count` draws."""

    mean: Array
    root: Array
    count: int


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
    Stat. 39:798-812, from memory), until the draws are worth 2000 independent ones or 10 rounds are
    done. The points of a round are spread evenly (Sobol's, turned by chance).
    """
    size = len(PRIORS)
    plain = _Proposal(np.zeros(size), np.eye(size), _DRAWS)
    proposals = [plain]
    cloud = explore(evidence, _even_normals(_DRAWS, rng), rng)
    log_w = _log_weights(cloud, proposals)
    for _ in range(_MOST_ROUNDS - 1):
        if effective(log_w) >= _GOAL or not np.isfinite(log_w).any():
            break
        learned = _next_proposal(cloud, log_w)
        proposals += [_Proposal(plain.mean, plain.root, _KEEP_PRIOR), learned]
        z = _even_normals(_DRAWS, rng)
        z[_KEEP_PRIOR:] = learned.mean + z[_KEEP_PRIOR:] @ learned.root.T
        cloud = _joined(cloud, explore(evidence, z, rng))
        log_w = _log_weights(cloud, proposals)
    return cloud, log_w


def effective(log_w: Array) -> float:
    """How many independent draws weighted ones are worth; `log_w` (n,) sums to 1."""
    return float(np.exp(-logsumexp(2.0 * log_w)))


def flattened(log_w: Array, least: float) -> Array:
    """Log weights (n,) made more alike until they are worth `least` draws."""
    for power in (1.0, 0.8, 0.65, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05):
        flat = np.asarray(power * log_w - logsumexp(power * log_w), dtype=np.float64)
        if effective(flat) >= least:
            break
    return flat


def resample(log_w: Array, rng: np.random.Generator, draws: int) -> NDArray[np.int64]:
    """Pick indices of equally likely draws, by systematic resampling in random order."""
    ladder = (np.arange(draws) + rng.random()) / draws
    picked = np.searchsorted(np.cumsum(np.exp(log_w)), ladder)
    return rng.permutation(np.minimum(picked, log_w.size - 1))


def _even_normals(count: int, rng: np.random.Generator) -> Array:
    """Draw normal numbers (count, D), spread more evenly than by chance."""
    size = len(PRIORS)
    points = (qmc.Sobol(size, scramble=False).random(count) + rng.random(size)) % 1.0
    order = rng.permutation(count)
    return np.asarray(ndtri(np.clip(points[order], 1e-9, 1.0 - 1e-9)), dtype=np.float64)


def _log_normal_density(z: Array, proposal: _Proposal) -> Array:
    scaled = np.linalg.solve(proposal.root, (z - proposal.mean).T)
    log_det = np.log(np.diagonal(proposal.root)).sum()
    return np.asarray(-0.5 * (scaled**2).sum(axis=0) - log_det, dtype=np.float64)


def _log_weights(cloud: Cloud, proposals: Sequence[_Proposal]) -> Array:
    """Weights against the mixture of all that was drawn from (multiple importance sampling)."""
    count = sum(p.count for p in proposals)
    parts = [_log_normal_density(cloud.z, p) + math.log(p.count / count) for p in proposals]
    log_w = cloud.log_fit - 0.5 * (cloud.z**2).sum(axis=1) - logsumexp(parts, axis=0)
    return np.asarray(log_w - logsumexp(log_w), dtype=np.float64)


def _next_proposal(cloud: Cloud, log_w: Array) -> _Proposal:
    size = cloud.z.shape[1]
    weight = np.exp(flattened(log_w, _LEARN_FROM * size))
    mean = weight @ cloud.z
    away = cloud.z - mean
    spread = (away * weight[:, None]).T @ away
    spread = 0.85 * spread + 0.15 * np.diag(np.diagonal(spread)) + 0.02 * np.eye(size)
    root = np.linalg.cholesky(np.asarray(_WIDER * spread))
    return _Proposal(mean, root, _DRAWS - _KEEP_PRIOR)


def _joined(a: Cloud, b: Cloud) -> Cloud:
    names = Cloud.__slots__
    return Cloud(*(np.concatenate([getattr(a, n), getattr(b, n)]) for n in names))
