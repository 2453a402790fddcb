"""The weights by which places of layers and of the water line are weighed.

They stand in `stack_weights.toml`, which a script of the tests writes from jars of known truth.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from jarvision.core.arrays import Array


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of one scorer by the name of what is measured [natural log units]."""

    by_name: Mapping[str, float]

    def of(self, names: Sequence[str]) -> Array:
        """Weights in the order of some names; a KeyError where one has none."""
        return np.array([self.by_name[name] for name in names])


@cache
def shipped(scorer: str) -> Weights:
    """Read the weights that come with the package.

    ``"stack"`` and ``"water"``, or for a single photo of clear water ``"last"`` and
    ``"water_clear"``.
    """
    text = resources.files("jarvision.wall").joinpath("stack_weights.toml").read_text("utf-8")
    return Weights(tomllib.loads(text)[scorer])
