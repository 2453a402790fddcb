"""All ways in which the layers can lie, and the odds of each.

Grain and colour of all photos offer ways for sand and silt; every level edge above the silt may be
the clay's top. Each pair of both is a hypothesis, weighed as a whole by `stack_features` with
weights that were fitted on jars of known truth (`stack_weights.toml` says which; how to fit anew:
`tests/support/fit_stacks.py`). The score is linear and the odds are its softmax, a conditional
logit; other places of tops and their sds come of the odds of all. Where the water line is open,
stacks are weighed under up to three lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.special_functions import logsumexp
from jarvision.jar.unwrap import MAP_TOP_MM
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import WallFeatures
from jarvision.wall.clay import clay_edges, mirrored_edges
from jarvision.wall.layers import CoarsePlace
from jarvision.wall.stack_features import NAMES, LastView, Stack, features_of, last_view_of
from jarvision.wall.water_line import NOWHERE, WaterLine, find_water_lines
from jarvision.wall.weights import shipped

_SAME_MM = (2.3, 2.3, 1.6)  # hypotheses whose tops are so near end up at the same edges
_APART_MM = (2.5, 2.5, 2.0)  # other places nearer than this are no other places
_LEAST_ODDS = 0.01
_MOST_LINES = 3  # water lines that are tried where they are not sure


@dataclass(frozen=True, slots=True)
class StackOdds:
    """One stack with its odds, and other places of its tops.

    Attributes
    ----------
    tops_mm : tuple of float
        Tops of sand, silt and clay above the strip's zero, good to about a millimetre [mm].
    odds : float
        Odds of this stack against all others.
    water : WaterLine
        The water line that goes with it.
    others : tuple of tuples of (float, float)
        For each layer other places of its top: height [mm] and weight against this one.
    """

    tops_mm: tuple[float, float, float]
    odds: float
    water: WaterLine
    others: tuple[tuple[tuple[float, float], ...], ...]


def weigh_stacks(
    photos: Sequence[WallFeatures], jars: Sequence[Jar], ways: Sequence[CoarsePlace]
) -> list[StackOdds]:
    """Weigh every stack of layers that photos allow.

    Parameters
    ----------
    photos : sequence of WallFeatures
        The photos in order of time; the last one shows all layers.
    jars : sequence of Jar
        Their jars.
    ways : sequence of CoarsePlace
        Ways in which sand and silt can lie, by grain and colour, the best first.

    Returns
    -------
    list of StackOdds
        The best first.
    """
    lines = find_water_lines(photos, ways[0].silt_mm)[:_MOST_LINES] or [NOWHERE]
    weights = shipped("stack" if len(photos) > 1 else "last").of(NAMES)
    views: list[LastView] = []
    stacks: list[list[Stack]] = []
    for line in lines:
        top_mm = MAP_TOP_MM if math.isnan(line.z_mm) else line.z_mm
        like = views[0] if views else None
        views.append(view_for(photos, jars, top_mm, ways[0].silt_mm, like=like))
        stacks.append(hypotheses(views[-1], ways, water=line))
    every = np.split(
        features_of(views, stacks) @ weights, np.cumsum([len(own) for own in stacks[:-1]])
    )
    scores = [
        score - logsumexp(score) + math.log(max(line.odds, 0.01))
        for line, score in zip(lines, every, strict=True)
    ]
    score = np.concatenate(scores)
    odds = np.exp(score - score.max())
    return _ranked([stack for own in stacks for stack in own], odds / odds.sum())


def hypotheses(
    view: LastView, ways: Sequence[CoarsePlace], *, water: WaterLine | None = None
) -> list[Stack]:
    """Give every stack that is worth weighing."""
    silts_mm = list(dict.fromkeys(way.silt_mm for way in ways))
    edges = clay_edges(view.fronts, silts_mm, view.water_mm)
    over = dict(zip(silts_mm, edges, strict=True))
    return [
        Stack(way.sand_mm, way.silt_mm, height, way.cost, kind, water)
        for way in ways
        for height, kind in over[way.silt_mm]
    ]


def view_for(
    photos: Sequence[WallFeatures],
    jars: Sequence[Jar],
    water_mm: float,
    silt_mm: float,
    *,
    like: LastView | None = None,
) -> LastView:
    """Prepare the last of several photos for weighing hypotheses; the others come before it.

    `like` is a view of the same photos with another water line, where there is one.
    """
    earlier = list(zip(photos[:-1], jars[:-1], strict=True))
    mirrored = mirrored_edges(earlier, silt_mm, water_mm)
    return last_view_of(photos[-1], jars[-1], water_mm, photos[:-1], mirrored, silt_mm, like=like)


def _ranked(stacks: Sequence[Stack], odds: Array) -> list[StackOdds]:
    """Join hypotheses that mean the same edges, and order them by their odds."""
    tops = np.array([(s.sand_mm, s.silt_mm, s.clay_mm) for s in stacks])
    same = np.ones((len(odds), len(odds)), dtype=bool)
    for at, apart_mm in zip(tops.T, _SAME_MM, strict=True):
        same &= np.abs(at[:, None] - at) < apart_mm
    left = np.ones(len(odds), dtype=bool)
    found: list[StackOdds] = []
    while left.any() and len(found) < 6:
        mass = np.where(left, same @ (odds * left), 0.0)
        # the likeliest of those that mean the same stands for them
        best = int(np.argmax(mass + 1e-3 * odds * left))
        group = left & same[best]
        top = int(np.argmax(np.where(group, odds, -1.0)))
        total = float(odds[group].sum())
        if found and total < _LEAST_ODDS:
            break
        others = tuple(_others(layer, tops, odds, tops[top]) for layer in range(3))
        at = (float(tops[top, 0]), float(tops[top, 1]), float(tops[top, 2]))
        found.append(StackOdds(at, total, stacks[top].water or NOWHERE, others))
        left &= ~group
    return found


def _others(layer: int, tops: Array, odds: Array, main: Array) -> tuple[tuple[float, float], ...]:
    """Other places of one layer's top, whatever the other layers do: height [mm] and weight."""
    at = tops[:, layer]
    own = np.abs(at - main[layer]) < _APART_MM[layer]
    base = max(float(odds[own].sum()), 1e-6)
    rest = ~own
    found = []
    while rest.any():
        best = int(np.argmax(np.where(rest, odds, -1.0)))
        group = rest & (np.abs(at - at[best]) < _APART_MM[layer])
        weight = float(odds[group].sum()) / base
        if weight > _LEAST_ODDS:
            found.append((float(at[best]), weight))
        rest &= ~group
    return tuple(sorted(found, key=lambda place: -place[1])[:6])
