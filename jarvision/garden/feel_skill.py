"""How far texture by feel can be trusted: from what a chart reads to odds of the soil's class."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from functools import cache

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array
from jarvision.core.sources import Quality, Source
from jarvision.estimate.texture import CLASSES, Texture, TextureClass, classify_many

FEEL_SKILL = Source(
    Quality.PUBLISHED,
    "Salley et al. 2017, meeting abstract 48-6 (professionals 66 % exact, 91 % with neighbours); "
    "Turk & Young 2022, J. Geosci. Educ. 70:40–55 (beginners 20–27 % exact)",
)


@dataclass(frozen=True, slots=True)
class _FeelShares:
    """How often a class by feel is that of the laboratory, or borders on it, 0 to 1."""

    exact: float
    bordering: float


class Skill(Enum):
    """Whose hands they are.

    How often a beginner's miss is a bordering class is not published: it is taken to be as with
    professionals, 25 of 34 misses.
    """

    BEGINNER = _FeelShares(0.235, 0.765 * 25 / 34)
    TRAINED = _FeelShares(0.66, 0.25)


@cache
def neighbours() -> frozenset[frozenset[TextureClass]]:
    """Pairs of classes that share a side on the texture triangle (not only a corner)."""
    step = 0.5
    sand, clay = np.meshgrid(*(np.arange(step / 3, 100, step),) * 2, indexing="ij")
    grid = np.full(sand.shape, -1)
    inside = sand + clay < 100
    points = np.column_stack([sand[inside], 100 - sand[inside] - clay[inside], clay[inside]])
    grid[inside] = classify_many(points)
    pairs = np.concatenate([_pairs(grid[:-1], grid[1:]), _pairs(grid[:, :-1], grid[:, 1:])])
    found, counts = np.unique(pairs, axis=0, return_counts=True)
    return frozenset(
        frozenset(CLASSES[int(i)] for i in pair)
        for pair, count in zip(found, counts, strict=True)
        if count > 2
    )


def _pairs(first: NDArray[np.int_], second: NDArray[np.int_]) -> NDArray[np.int_]:
    """List the unequal classes on two sides of a grid step, shape (n, 2)."""
    apart = (first != second) & (first >= 0) & (second >= 0)
    return np.sort(np.column_stack([first[apart], second[apart]]), axis=1)


def soil_odds(chart: Texture, skill: Skill) -> Texture:
    """Spread what a chart reads over the classes that the soil may be in.

    Parameters
    ----------
    chart : Texture
        Odds of what the chart reads, such as `ribbon.Ribbon.texture`.
    skill : Skill
        Whose hands they are.

    Returns
    -------
    Texture
        For each class that the chart may read: the share of exact answers to it, the share of
        bordering ones alike to its neighbours, the rest alike to all others.
    """
    return Texture(tuple((_chances(skill) @ np.array(chart.class_odds)).tolist()))


def border_odds(chart: Texture, skill: Skill) -> float:
    """Odds that the soil is in a class that borders on the chart's likeliest, 0 to 1."""
    odds, read = soil_odds(chart, skill), chart.likeliest
    return math.fsum(odds.odds_of(name) for name in CLASSES if _bordering(name, read))


def _bordering(first: TextureClass, second: TextureClass) -> bool:
    return frozenset((first, second)) in neighbours() and first is not second


@cache
def _chances(skill: Skill) -> Array:
    """Chance of each class of the soil (row) for each class by feel (column), shape (12, 12)."""
    borders = np.array([[_bordering(a, b) for b in CLASSES] for a in CLASSES])
    same = np.eye(len(CLASSES), dtype=bool)
    far = ~(borders | same)
    shares = skill.value
    return np.asarray(
        shares.exact * same
        + shares.bordering * borders / borders.sum(axis=0)
        + (1 - shares.exact - shares.bordering) * far / far.sum(axis=0),
        dtype=np.float64,
    )
