"""Find the layer boundaries on unrolled walls: grain first, then colour, all photos together.

Two independent cues. *Grain*: sand, silt and what is still in suspension differ in how rough they
look at a few tenths of a millimetre; reflections change brightness but not roughness, so grain
decides which edge is a boundary. *Colour*: the step in CIE Lab places the boundary to a fraction of
a pixel. The clay has no grain of its own: see `jarvision.wall.clay`.

Log roughness in steps of half a millimetre is a staircase: sand, silt, then smooth. `coarse_tops`
searches all pairs of sand top and silt top, the costs of all photos summed, with a bonus for level
colour edges; runners-up keep a weight and become odds. `place` then splits colour and grain in
blocks of wall 5 mm wide, whose scatter is part of the sd. Costs were set on rendered photos.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Mask
from jarvision.jar.quick_arrays import median_of, sums_before
from jarvision.jar.unwrap import MAP_TOP_MM, ROW_MM, unroll
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import BIN_MM, WallFeatures, gather
from jarvision.wall.measurement import LAYERS, Boundary

_LEVEL_STEP = 0.075
_DRIFT = 0.08
_THIN_MM = 3.0  # a thinner silt layer is read only where much speaks for it
# A jar is a quarter to two thirds soil: where its layers usually end. Common practice, no source;
# wide enough to give way to what is seen.
_USUAL_SAND_MM, _SAND_SPREAD_MM = 35.0, 6.0
_USUAL_SILT_MM, USUAL_SPREAD_MM = 45.0, 30.0
_LEVELS = np.arange(-2.6, 1.5, _LEVEL_STEP)  # log grain levels tried
_TEMPER = 4.0  # rows of half a millimetre are not independent: costs count about a quarter
_COST_CAP = 120.0  # of a photo over its cheapest ways
_MOST_EDGE = 5.0  # CIE Lab: stronger edges speak no more for a boundary
_MOST_BONUS = 2.0 * math.log1p(_MOST_EDGE / 0.6)
_TOGETHER = 28  # rows of pairs that are worked out at once
_OTHER_COST = 2.0  # cost of a row that belongs to no layer: foam, glare
_CLEAR_COST = 1.1  # the same above settled clay: the deposit's surface, clear water
_ROW_CAP = 5.0
# Hypotheses that are handed on to be weighed: how far apart, how many, and of what cost at most.
_HYPOTHESES_APART_MM, _MOST_HYPOTHESES, _MOST_COST = 2.5, 60, 80.0
_FARTHEST_MM = 6.0  # of what places a boundary
_SEARCH_BINS = 220  # deposits are looked for up to 110 mm
_EDGE_SD_MM = (
    0.23  # what the edge of a deposit means to a quarter of a millimetre, seen on rendered jars
)
_FAINT_MM = 0.6  # added to the sd over the contrast: faint edges are placed less well


def _prefix_costs(level: Array) -> tuple[Array, float]:
    """Cumulated cost of calling rows a given level, (levels, bins + 1), and the rows' noise."""
    step = float(median_of(np.abs(np.diff(level))))
    # besides the rows' own noise, smooth layers drift by about this much with light and reflections
    noise = float(np.hypot(min(1.7 * step, 0.2), _DRIFT))
    cost = np.minimum(0.5 * ((level[None, :] - _LEVELS[:, None]) / noise) ** 2, _ROW_CAP)
    return sums_before(cost), noise


def _smooth_tail(prefix: Array, settled: int) -> Array:
    """Cost from each bin up: a smooth stretch of at least 3 mm, then rows of no layer.

    In cloudy water only foam and glare break the smooth stretch; over clay, clear water does.
    """
    bins, least = prefix.shape[1] - 1, 6
    other = _CLEAR_COST if settled == 3 else _OTHER_COST
    total = prefix + other * (bins - np.arange(bins + 1))
    best = np.minimum.accumulate(total[:, ::-1], axis=1)[:, ::-1]
    cost = np.full(prefix.shape, 1e6)
    cost[:, : bins + 1 - least] = best[:, least:] - prefix[:, : bins + 1 - least]
    return cost


def _gap(noise: float, least: float) -> int:
    """Count steps of `_LEVELS` by which layers differ: fewer where noise drowns the grain."""
    return max(2, round(min(least, max(2.5 * noise, 0.15)) / _LEVEL_STEP))


def _one_layer(prefix: Array, noise: float) -> Array:
    """Cost of each sand top in a photo where only sand is down, (bins + 1,)."""
    tail = np.minimum.accumulate(_smooth_tail(prefix, 1), axis=0)
    gap = _gap(noise, 0.4)
    return np.asarray((prefix[gap:] + tail[:-gap]).min(axis=0))


def _two_layers(prefix: Array, noise: float, settled: int) -> Array:
    """Cost of each pair of sand top and silt top, (bins + 1, bins + 1).

    Those that cost more than the cap over the cheapest, edges allowed for, are left high: levels
    that offer a stretch of sand no more than such pairs are not tried there.
    """
    sand = np.minimum.accumulate(prefix[::-1], axis=0)[::-1]
    tail = np.minimum.accumulate(_smooth_tail(prefix, settled), axis=0)
    bins = prefix.shape[1] - 1
    cost = np.full((bins + 1, bins + 1), 1e6, np.float32)
    high, low = _gap(noise, 0.3), 2
    last = len(_LEVELS) - high  # of the silt's levels
    of_sand = (sand[low + high :] - prefix[low:last]).astype(np.float32)
    of_silt = (prefix[low:last] + tail[: last - low]).astype(np.float32)
    above = np.minimum.accumulate(of_silt[:, ::-1], axis=1)[:, ::-1]  # least from each bin up
    cheapest = float((of_sand[:, :-2] + above[:, 2:]).min(initial=np.inf))
    worth = cheapest + _COST_CAP + 2 * _MOST_BONUS + 1.0  # rounding is far less than one
    for first in range(0, bins + 1, _TOGETHER):  # only what lies above the sand, and in the cache
        own = slice(first, first + _TOGETHER)
        levels = of_sand[:, own].min(axis=1) + above[:, first] < worth
        part = cost[own, first:]
        each = np.empty_like(part)
        for under, over in zip(of_sand[levels, own, None], of_silt[levels, first:], strict=True):
            np.add(under, over, out=each)
            np.minimum(part, each, out=part)
    cost[np.tri(bins + 1, k=1, dtype=np.bool_)] = 1e6
    return cost.astype(np.float64)


def _edge_bonus(photo: WallFeatures, start: int, bins: int) -> Array:
    """Weigh how a level colour edge at each bin speaks for a boundary, (bins + 1,)."""
    z, size = photo.edges_mm, photo.edges
    wide = cv2.dilate(size[None, :].astype(np.float32), np.ones((1, round(0.8 / ROW_MM)), np.uint8))
    at = photo.bins_mm[start] + BIN_MM * np.arange(bins + 1)
    strength = np.minimum(np.interp(at, z, wide[0], 0.0, 0.0), _MOST_EDGE)
    return np.asarray(2.0 * np.log1p(strength / 0.6))


@dataclass(frozen=True, slots=True)
class CoarsePlace:
    """One way in which sand and silt can lie: tops [mm], good to about a millimetre, and weight."""

    sand_mm: float
    silt_mm: float
    weight: float
    cost: float = 0.0  # natural log units over the best, all photos together


def coarse_tops(photos: Sequence[WallFeatures]) -> tuple[list[CoarsePlace], float]:
    """Search grain and colour of all photos together, from half a millimetre above zero.

    Returns
    -------
    places : list of CoarsePlace
        The best first, its weight 1; others that stand apart from it, with their weights.
    gain : float
        How much better, a photo, two layers explain the grain than none (natural log units).
    """
    start = [int(np.searchsorted(p.bins_mm, 0.45)) for p in photos]
    bins = min(min(len(p.level) - k, _SEARCH_BINS) for p, k in zip(photos, start, strict=True))
    plain = 0.0
    total = np.zeros((bins + 1, bins + 1))
    for photo, k in zip(photos, start, strict=True):
        prefix, noise = _prefix_costs(photo.level[k : k + bins])
        plain += float(_smooth_tail(prefix, photo.settled)[:, 0].min())
        bonus = _edge_bonus(photo, k, bins)
        if photo.settled == 1:
            cost = _one_layer(prefix, noise) - bonus
            total += np.minimum(cost, cost.min() + _COST_CAP)[:, None]
        else:
            pair = _two_layers(prefix, noise, photo.settled)
            pair -= bonus[:, None]
            pair -= bonus
            # a deposit sinks a little: a later photo may show it one bin lower
            lower = pair.copy()
            np.minimum(lower[1:], pair[:-1], out=lower[1:])
            np.minimum(lower[:, 1:], pair[:, :-1], out=lower[:, 1:])
            total += np.minimum(lower, lower.min() + _COST_CAP, out=lower)
    first = float(photos[0].bins_mm[start[0]])
    gain = (plain - float(total.min())) / len(photos)
    silt = first + BIN_MM * np.arange(bins + 1)
    total += len(photos) * (np.maximum(silt - _USUAL_SILT_MM, 0.0) / USUAL_SPREAD_MM)[None, :] ** 2
    thick = BIN_MM * np.arange(-bins, bins + 1)  # all that there are, thinnest first
    thin = len(photos) * 3.0 * np.maximum(_THIN_MM - np.maximum(thick, 0.0), 0.0)
    total += sliding_window_view(thin, bins + 1)[::-1]
    return _hypotheses(total, first), gain


def deposit_gain(bgr: NDArray[np.uint8], jar: Jar) -> float:
    """Tell how much better sand under silt explains a jar's wall than no layers do [nats]."""
    return coarse_tops([gather(unroll(bgr, jar, MAP_TOP_MM), settled=2)])[1]


def sand_tops(photo: WallFeatures) -> tuple[list[CoarsePlace], float]:
    """Search grain and colour of one photo in which only the sand is down.

    Returns
    -------
    places : list of CoarsePlace
        The best first, its weight 1, others that stand apart from it; silt is unknown.
    gain : float
        How much better a layer explains the grain than none (natural log units).
    """
    start = int(np.searchsorted(photo.bins_mm, 0.45))
    bins = min(len(photo.level) - start, _SEARCH_BINS)
    prefix, noise = _prefix_costs(photo.level[start : start + bins])
    cost = _one_layer(prefix, noise) - _edge_bonus(photo, start, bins)
    gain = float(_smooth_tail(prefix, 1)[:, 0].min() - cost.min())
    top = photo.bins_mm[start] + BIN_MM * np.arange(bins + 1)
    cost = cost + (np.maximum(top - _USUAL_SAND_MM, 0.0) / _SAND_SPREAD_MM) ** 2
    reach = round(_HYPOTHESES_APART_MM / BIN_MM)
    least = cv2.erode(cost[None, :], np.ones((1, 2 * reach + 1)))[0]
    lows = np.flatnonzero((cost == least) & (cost < cost.min() + _MOST_COST))
    lows = lows[np.argsort(cost[lows], kind="stable")][:_MOST_HYPOTHESES]
    more = cost[lows] - cost.min()
    return [
        CoarsePlace(float(top[at]), np.nan, float(np.exp(-extra / _TEMPER)), float(extra))
        for at, extra in zip(lows, more, strict=True)
    ], gain


def _hypotheses(total: Array, first_mm: float) -> list[CoarsePlace]:
    """Separate minima of the cost of pairs, best first."""
    apart = round(_HYPOTHESES_APART_MM / BIN_MM)
    over = (total - total.min()).ravel()
    near = np.flatnonzero(over <= _MOST_COST)
    cost, (sand, silt) = over[near], np.divmod(near, total.shape[1])
    found: list[CoarsePlace] = []
    while len(cost) and len(found) < _MOST_HYPOTHESES:
        best = int(cost.argmin())
        weight = float(np.exp(-cost[best] / _TEMPER))
        at = first_mm + BIN_MM * np.array([sand[best], silt[best]])
        found.append(CoarsePlace(float(at[0]), float(at[1]), weight, float(cost[best])))
        left = (np.abs(sand - sand[best]) > apart) | (np.abs(silt - silt[best]) > apart)
        cost, sand, silt = cost[left], sand[left], silt[left]
    return found


def _window(z: Array, low: float, high: float) -> Mask:
    """Rows between two heights."""
    return np.asarray((z > low) & (z < high))


def _sides(z: Array, at: float, below: float, above: float) -> tuple[Mask, Mask]:
    """Rows that stand for the layer under and over a boundary, kept off its neighbours."""
    low = _window(z, max(below + 0.6, at - 5.0), at - 1.0)
    high = _window(z, at + 1.0, min(above - 0.6, at + 5.0))
    if low.sum() < 4:
        low = _window(z, below + 0.2, at - 0.35)
    if high.sum() < 4:
        high = _window(z, at + 0.35, above - 0.2)
    return low, high


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Rows under, over and around a boundary."""

    low: Mask
    high: Mask
    span: Mask


def _crossings(features: Array, z: Array, rows: _Windows) -> Array:
    """Where features cross from one side to the other in each block, and step over noise.

    Features (blocks, rows, n) are projected on Fisher's discriminant of the two sides; the crossing
    is the split that best halves the transition, so a soft edge is read at its middle. Heights and
    steps by all features, by all but the last, and by the last: (blocks, 3) each, side by side.
    """
    below, above = features[:, rows.low], features[:, rows.high]
    under, over = (median_of(np.moveaxis(side, 1, 0)) for side in (below, above))
    rest = np.concatenate([below - under[:, None], above - over[:, None]], axis=1)
    spread = np.swapaxes(rest, 1, 2) @ rest / rest.shape[1]
    last = features.shape[2] - 1
    spread += 0.01 * np.eye(last + 1)
    gap = (over - under)[..., None]
    weights = np.zeros((*spread.shape[:2], 3))
    weights[..., 0] = np.linalg.solve(spread, gap)[..., 0]
    weights[:, :last, 1] = np.linalg.solve(spread[:, :last, :last], gap[:, :last])[..., 0]
    weights[:, last, 2] = gap[:, last, 0] / spread[:, last, last]
    step2 = np.maximum((weights * gap).sum(axis=1), 1e-12)
    middle = ((under + over) / 2)[:, None]
    signal = ((features[:, rows.span] - middle) @ weights) / step2[:, None]
    cost = sums_before(signal.clip(-0.5, 0.5))
    return np.concatenate(
        [z[rows.span][0] - ROW_MM / 2 + ROW_MM * cost.argmin(axis=1), np.sqrt(step2)], axis=1
    )


def place(
    photo: WallFeatures,
    layer: int,
    near_mm: float,
    below_mm: float,
    above_mm: float,
    reach_mm: float,
) -> Boundary | None:
    """Place one boundary of one photo near a coarse height; None where there is no room.

    Parameters
    ----------
    photo : WallFeatures
        The photo.
    layer : int
        Index of the layer whose top it is.
    near_mm, reach_mm : float
        Coarse height, and how far from it to look [mm].
    below_mm, above_mm : float
        Neighbouring boundaries, which are kept out [mm].
    """
    rows_near = slice(
        *np.searchsorted(photo.z_mm, [near_mm - _FARTHEST_MM, near_mm + _FARTHEST_MM])
    )
    z = photo.z_mm[rows_near]
    low, high = _sides(z, near_mm, below_mm, above_mm)
    bottom, top = max(below_mm + 0.3, near_mm - reach_mm), min(above_mm - 0.3, near_mm + reach_mm)
    rows = _Windows(low, high, _window(z, bottom, top))
    if min(low.sum(), high.sum()) < 2 or rows.span.sum() < 4:
        return None
    colour, grain = photo.colour[:, rows_near], photo.grain[:, rows_near]
    both = np.concatenate([colour, grain[..., None]], axis=2)
    return _combine(layer, _crossings(both, z, rows))


def _combine(layer: int, votes: Array) -> Boundary:
    """Join the votes of the blocks: heights by both cues, colour and grain, then their steps."""
    at, steps = votes[:, :3], votes[:, 3:]
    weight = np.minimum(steps, 8.0) ** 2 * (np.abs(at - median_of(at)) < 1.2) + 1e-9
    both, colour, grain = ((at * weight).sum(axis=0) / weight.sum(axis=0)).tolist()
    contrast = float(median_of(votes[:, 3]))
    spread = float(np.std(votes[:, 0]))
    sd = float(np.hypot(_EDGE_SD_MM + _FAINT_MM / max(contrast, 0.5), spread / np.sqrt(len(votes))))
    last = len(votes) - 1
    ends = np.interp([0.05 * last, 0.95 * last], np.arange(last + 1), np.sort(votes[:, 0]))
    uneven = float(ends[1] - ends[0])
    return Boundary(LAYERS[layer], both, sd, colour, grain, contrast, uneven)
