"""How much the photos narrowed what a soil can be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from jarvision.core.arrays import Array
from jarvision.estimate.sampler import resample
from jarvision.estimate.topsoil import Origin, log_density

NAMES = ("sand", "silt", "clay")
_LIMITS = (0.05, 0.95)
_LITTLE = 0.75  # a 90 % interval wider than this part of what it was beforehand; ours


@dataclass(frozen=True, slots=True)
class Narrowing:
    """90 % intervals of sand, silt and clay [%] before and after the photos.

    Attributes
    ----------
    before_pct, after_pct : tuple of 3 (float, float)
        Lower and upper limits.
    origin : Origin
        Where the soil is from, which sets the first.
    """

    before_pct: tuple[tuple[float, float], ...]
    after_pct: tuple[tuple[float, float], ...]
    origin: Origin

    @property
    def parts(self) -> tuple[float, ...]:
        """Width after over width before, for each of the three."""
        pairs = zip(self.after_pct, self.before_pct, strict=True)
        return tuple((a[1] - a[0]) / (b[1] - b[0]) for a, b in pairs)

    @property
    def least_narrowed(self) -> str:
        """The share that was hardly narrowed, or an empty word where all were."""
        worst = int(np.argmax(self.parts))
        return NAMES[worst] if self.parts[worst] > _LITTLE else ""

    @property
    def sentence(self) -> str:
        """One sentence for the reader."""
        soils = "any topsoil" if self.origin is Origin.TOPSOIL else "any soil"
        said = "; ".join(
            f"{name} {a[0]:.0f}–{a[1]:.0f} % ({soils} {b[0]:.0f}–{b[1]:.0f})"
            for name, b, a in zip(NAMES, self.before_pct, self.after_pct, strict=True)
        )
        return f"What this jar tells, nine times in ten: {said}."


def narrowing(fractions: Array, origin: Origin) -> Narrowing:
    """Compare draws with what was believed before the jar was looked at.

    Parameters
    ----------
    fractions : ndarray, shape (n, 3)
        Equally likely draws of sand, silt and clay, shares that sum to 1.
    origin : Origin
        Where the soil is from.
    """
    return Narrowing(_before(origin), _limits(100.0 * fractions), origin)


def _limits(pcts: Array) -> tuple[tuple[float, float], ...]:
    low, high = np.quantile(pcts, _LIMITS, axis=0)
    return tuple(zip(low.tolist(), high.tolist(), strict=True))


@lru_cache(maxsize=4)
def _before(origin: Origin) -> tuple[tuple[float, float], ...]:
    rng = np.random.default_rng(0)
    even = rng.dirichlet(np.ones(3), 40000)
    log_w = log_density(even.T, origin)
    picked = resample(log_w - np.logaddexp.reduce(log_w), rng, 20000)
    return _limits(100.0 * even[picked])
