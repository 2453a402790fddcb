"""Special functions of SciPy, which are loaded when the first of them is called.

That takes a fifth of a second; a run in which nothing has changed does without.
"""

from __future__ import annotations

from functools import cache
from types import ModuleType
from typing import Any

from numpy.typing import ArrayLike


@cache
def _special() -> ModuleType:
    import scipy.special

    return scipy.special  # type: ignore[no-any-return]


def ndtr(z: ArrayLike) -> Any:
    """Odds that a standard normal number is below z, of the shape of z."""
    return _special().ndtr(z)


def log_ndtr(z: ArrayLike) -> Any:
    """Logarithm of `ndtr`, good for any z, of the shape of z."""
    return _special().log_ndtr(z)


def ndtri(odds: ArrayLike) -> Any:
    """Give the standard normal numbers below which others are with these odds, of their shape."""
    return _special().ndtri(odds)


def j0(x: ArrayLike) -> Any:
    """Bessel function of the first kind of order 0, of the shape of x."""
    return _special().j0(x)


def logsumexp(logs: ArrayLike) -> Any:
    """Logarithm of the sum of what the logarithms are of, a single number."""
    return _special().logsumexp(logs)
