"""What speaks for one stack of layers: a hypothesis of all tops is measured as a whole.

A hypothesis says where sand, silt and clay end in the last photo. It is weighed by what the
picture must then look like: deposits are opaque, so that nothing of the room shows through them
and their colours change little from height to height; sand is coarser than silt, and clay has no
grain; the clay's top is level at the front wall and has an arched far rim above it at a height that
the camera's tilt foretells; clay has the hue of what hung in the water before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.core.arrays import Array, Places
from jarvision.jar.geometry import WALL_MM
from jarvision.jar.quick_arrays import lengths_of, median_of, sums_before
from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import BIN_MM, WallFeatures
from jarvision.wall.clay import Fronts, arch_odds, far_rim_mm, fronts_of, mirror_match
from jarvision.wall.water_line import WaterLine

NAMES = (
    "grain",  # how well grain and edges of all photos fit sand's and silt's tops
    "sand_edge",
    "silt_edge",
    "sand_step",
    "silt_step",
    "coarser",  # sand's grain over silt's
    "rougher",  # silt's grain over clay's
    "silt_thick",
    "clay_thick",
    "sand_thick",
    "front_edge",
    "front_step",
    "level",  # level like a front edge, not arched like a far rim
    "rim",  # an edge where the far rim should be
    "back",  # the edge over which the room is seen through the water, where it should be
    "back_rules",  # and it is the strongest of those above the surface
    "edges_in_clay",
    "edges_on_top",
    "high",
    "mirrored",
    "one_colour",
    "even_clay",
    "hue_below",
    "hue_above",
    "change_above",
    "soft",
    "merged",
    "thin",
    "plain_below",
)


@dataclass(frozen=True, slots=True)
class Stack:
    """One hypothesis: tops above the strip's zero [mm], and what kind of clay edge it takes.

    Attributes
    ----------
    sand_mm, silt_mm, clay_mm : float
        Tops [mm].
    cost : float
        How much worse grain and edges of all photos fit sand and silt here than at best.
    kind : str
        ``"edge"``, ``"soft"``, ``"merged"`` or ``"thin"``: how the clay's top shows.
    water : WaterLine or None
        The water line it was weighed with.
    """

    sand_mm: float
    silt_mm: float
    clay_mm: float
    cost: float
    kind: str = "edge"
    water: WaterLine | None = None


@dataclass(frozen=True, slots=True, eq=False)
class LastView:
    """What all hypotheses of a jar share: the last photo, its camera, and what came before."""

    last: WallFeatures
    jar: Jar
    water_mm: float
    photos: int
    mirrored: Sequence[float]
    suspension: Array | None  # (3,), CIE Lab of the cloudy water in earlier photos
    fronts: Fronts  # of the last photo
    run: Array  # (blocks, rows + 1, 3), cumulated colours of the last photo
    peaks: Array  # (n, 2), heights and strengths of level edges in the last photo
    arched: Array  # (n,)
    wide: Array  # (n,), log colour step of each between wide windows


def last_view_of(
    last: WallFeatures,
    jar: Jar,
    water_mm: float,
    earlier: Sequence[WallFeatures],
    mirrored: Sequence[float],
    deposit_mm: float,
    *,
    like: LastView | None = None,
) -> LastView:
    """Prepare a jar for weighing hypotheses.

    Parameters
    ----------
    last : WallFeatures
        The last photo.
    jar : Jar
        Its jar.
    water_mm : float
        Water line [mm].
    earlier : sequence of WallFeatures
        The photos before it.
    mirrored : sequence of float
        Distances of edges that earlier photos know as mirrored ones [mm].
    deposit_mm : float
        Rough top of the silt [mm].
    like : LastView, optional
        A view of the same jar with another water line, which most has been worked out for.
    """
    fronts = like.fronts if like else fronts_of(last, jar)
    run = like.run if like else sums_before(last.colour)
    peaks = np.array([e for e in fronts.level if 1.0 < e[0] < water_mm - 4.0]).reshape(-1, 2)
    known = dict(zip(like.peaks[:, 0], like.arched, strict=True)) if like else {}
    arched = np.array([known[h] if h in known else arch_odds(last, jar, h) for h in peaks[:, 0]])
    hue = _suspension(earlier, deposit_mm, water_mm)
    photos = len(earlier) + 1
    bare = LastView(last, jar, water_mm, photos, mirrored, hue, fronts, run, peaks, arched, arched)
    wide = _step(bare, peaks[:, 0], peaks[:, 0] - 4.0, peaks[:, 0] + 4.0)
    return replace(bare, wide=wide)


def _suspension(earlier: Sequence[WallFeatures], low_mm: float, high_mm: float) -> Array | None:
    """Colour of the cloudy water in the photo before the last [CIE Lab]."""
    if not earlier:
        return None
    photo = earlier[-1]
    rows = (photo.z_mm > low_mm + 3.0) & (photo.z_mm < min(low_mm + 25.0, high_mm - 12.0))
    if rows.sum() < 20:
        return None
    return np.asarray(np.median(photo.colour[:, rows], axis=(0, 1)))


def mean_colour(view: LastView, low_mm: ArrayLike, high_mm: ArrayLike) -> Array:
    """Mean colour of each block between pairs of heights, (blocks, pairs, 3)."""
    z0 = view.last.z_mm[0] - ROW_MM / 2
    top = view.run.shape[1] - 1
    first = np.rint((np.atleast_1d(low_mm) - z0) / ROW_MM).clip(0, top - 1).astype(int)
    last = np.rint((np.atleast_1d(high_mm) - z0) / ROW_MM).astype(int)
    last = np.minimum(np.maximum(last, first + 1), top)
    return np.asarray((view.run[:, last] - view.run[:, first]) / (last - first)[:, None])


def _size(colours: Array) -> Array:
    """Length of colour steps (..., 3)."""
    return np.asarray(np.sqrt((colours * colours).sum(axis=-1)))


def _step(view: LastView, at_mm: Array, below: ArrayLike, above: Array) -> Array:
    """Log colour step between wide windows under and over heights, agreed by the blocks."""
    lowest, highest = np.add(below, 0.3), np.subtract(above, 0.3)
    under = mean_colour(view, np.maximum(lowest, at_mm - _STEP_REACH_MM), at_mm - 0.4)
    over = mean_colour(view, at_mm + 0.4, np.minimum(highest, at_mm + _STEP_REACH_MM))
    return np.asarray(np.log(0.5 + _size(median_of(over - under))))


_STEP_REACH_MM = 3.5


def _grain(view: LastView, low_mm: ArrayLike, high_mm: Array) -> Array:
    """Median log grain between pairs of heights."""
    bins, half = view.last.bins_mm, BIN_MM / 2
    low, high = np.broadcast_arrays(low_mm, high_mm)
    first, last = (np.searchsorted(bins, at - half, side="right") for at in (low, high))
    middle = (low + high) / 2 - half
    thin = first >= last
    first = np.where(thin, np.searchsorted(bins, middle - 0.6), first)
    last = np.where(thin, np.searchsorted(bins, middle + 0.6), last)
    level = view.last.level
    return _of_each(first, last, lambda a, b: float(median_of(level[a:b])) if b > a else 0.0)


def _edge(view: LastView, at_mm: Array) -> Array:
    """Strongest level edge within a millimetre of heights."""
    edges = view.last.edges
    first, last = (np.searchsorted(view.last.edges_mm, at_mm + off) for off in (-1.0, 1.0))
    return _of_each(first, last, lambda a, b: float(edges[a:b].max()) if b > a else 0.0)


def _of_each(first: Places, last: Places, measure: Callable[[int, int], float]) -> Array:
    """Measure pieces of rows; many stacks share a piece, which is measured once."""
    pieces = list(zip(first.tolist(), last.tolist(), strict=True))
    known = {piece: measure(*piece) for piece in set(pieces)}
    return np.array([known[piece] for piece in pieces])


def features_of(views: Sequence[LastView], stacks: Sequence[Sequence[Stack]]) -> Array:
    """Measure hypotheses -> (stacks, len(NAMES)) numbers of the order of one.

    The views differ in the water line only, each with its own hypotheses; all that are measured
    come one view after the other.
    """
    every = [stack for own in stacks for stack in own]
    tops = np.array([(s.sand_mm, s.silt_mm, s.clay_mm, s.cost) for s in every])
    sand, silt, clay, cost = tops.reshape(-1, 4).T
    all_of = _Stacks(sand, silt, clay, cost, np.array([s.kind for s in every]))
    ends = np.cumsum([len(own) for own in stacks]).tolist()
    parts = [all_of.of(slice(end - len(own), end)) for end, own in zip(ends, stacks, strict=True)]
    by_line = [
        _of_suspension(view, part) | _of_surface(view, part)
        for view, part in zip(views, parts, strict=True)
    ]
    values = _of_sand_and_silt(views[0], all_of) | _of_clay(views[0], all_of)
    values |= {name: np.concatenate([line[name] for line in by_line]) for name in by_line[0]}
    return np.stack([values[name] for name in NAMES], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Stacks:
    """Hypotheses side by side, (stacks,) each."""

    sand: Array
    silt: Array
    clay: Array
    cost: Array
    kind: NDArray[np.str_]

    def of(self, some: slice) -> _Stacks:
        """Give some of them."""
        tops = (self.sand[some], self.silt[some], self.clay[some])
        return _Stacks(*tops, self.cost[some], self.kind[some])


def _of_sand_and_silt(view: LastView, stacks: _Stacks) -> dict[str, Array]:
    """Measure what lies under the clay."""
    sand, silt, clay = stacks.sand, stacks.silt, stacks.clay
    of_sand, of_silt = _grain(view, 1.5, sand), _grain(view, sand, silt)
    of_clay = _grain(view, silt + 0.6, np.maximum(clay, silt + 1.6))
    return {
        "grain": -np.minimum(stacks.cost, 80.0) / 10.0,
        "sand_edge": np.log(0.3 + _edge(view, sand)),
        "silt_edge": np.log(0.3 + _edge(view, silt)),
        "sand_step": _step(view, sand, 0.0, silt),
        "silt_step": _step(view, silt, sand, np.maximum(clay, silt + 1.0)),
        "coarser": (of_sand - of_silt).clip(-1.0, 1.5),
        "rougher": (of_silt - of_clay).clip(-1.0, 1.5),
        "sand_thick": np.minimum(np.log(np.maximum(sand, 0.5) / 10.0), 0.0),
        "silt_thick": np.minimum(np.log(np.maximum(silt - sand, 0.5) / 8.0), 0.0),
        "plain_below": -_grain(view, silt + 0.6, np.maximum(clay - 0.5, silt + 1.6)),
    }


def _of_clay(view: LastView, stacks: _Stacks) -> dict[str, Array]:
    """Measure the clay and its front edge."""
    silt, clay, thin = stacks.silt, stacks.clay, stacks.kind == "thin"
    within = mean_colour(view, silt + 0.5, silt + 3.0)
    change = _size(median_of(_under(view, stacks) - within))
    return {
        "clay_thick": np.where(thin, 0.0, np.log(np.maximum(clay - silt, 0.6) / 10.0)),
        "front_edge": np.where(thin, 0.0, np.log(0.3 + np.minimum(_edge(view, clay), 6.0))),
        "front_step": np.where(thin, 0.0, _step(view, clay, silt, clay + 6.0)),
        "high": -((np.maximum(clay - 55.0, 0.0) / 30.0) ** 2),
        "one_colour": np.where(thin, 0.0, -np.log(1.0 + change)),
        "even_clay": -_unevenness(view, silt, clay),
        "soft": (stacks.kind == "soft").astype(np.float64),
        "merged": (stacks.kind == "merged").astype(np.float64),
        "thin": thin.astype(np.float64),
    }


def _under(view: LastView, stacks: _Stacks) -> Array:
    """Mean colour under the clay's top, (blocks, stacks, 3)."""
    lowest = np.maximum(stacks.clay - 3.0, stacks.silt + 0.3)
    return mean_colour(view, lowest, np.maximum(stacks.clay - 0.4, stacks.silt + 0.6))


def _of_suspension(view: LastView, stacks: _Stacks) -> dict[str, Array]:
    """Measure what the clay has of the water before, and what stands over it."""
    clay, under = stacks.clay, _under(view, stacks)
    above = mean_colour(view, clay + 0.5, np.minimum(clay + 3.0, view.water_mm))
    mirrored = {at: mirror_match(view.jar, at, view.mirrored) for at in set(clay.tolist())}
    return {
        "mirrored": -np.array([mirrored[at] for at in clay.tolist()]),
        "hue_below": -_strange(view, under),
        "hue_above": _strange(view, above),
        "change_above": np.log(0.5 + _size(above - under).mean(axis=0)),
    }


def _of_surface(view: LastView, stacks: _Stacks) -> dict[str, Array]:
    """Measure the edges under, on and behind the clay's surface."""
    clay, peak_mm = stacks.clay, view.peaks[:, 0]
    far = far_rim_mm(view.jar, clay)
    behind = back_edge_mm(view.jar, clay, view.water_mm)
    rim, _ = _best_rim(view, clay, far, 0.2 * (far - clay) + 1.0)
    back, back_mm = _best_rim(view, clay, behind, _BACK_SD_MM)
    above = peak_mm - clay[:, None]  # (stacks, peaks)
    here = np.abs(above) < 0.6
    below = (peak_mm > stacks.silt[:, None] + 1.5) & (above < -0.6)
    inside = (above > 1.2) & (peak_mm < behind[:, None] + 4.0)
    on_top = (above > 0.6) & (peak_mm < back_mm[:, None] - 1.5)
    rests = np.minimum(np.log1p(view.peaks[:, 1]), np.exp(view.wide))
    strongest = np.where(inside, view.peaks[:, 1], 0.0).max(axis=1, initial=0.0)
    arched = np.where(here, view.arched, -np.inf).max(axis=1, initial=-np.inf)
    is_edge = np.isfinite(arched) & (stacks.kind == "edge")
    return {
        "level": np.where(is_edge, -arched / 4.0, 0.0),
        "rim": rim,
        "back": back,
        "back_rules": back / (0.3 + np.log1p(np.minimum(strongest, 10.0))),
        "edges_in_clay": -np.where(below, rests, 0.0).sum(axis=1),
        "edges_on_top": -np.where(on_top, rests, 0.0).sum(axis=1),
    }


# How far above a deposit's front edge the edge stands behind which the room begins, in jars with
# clear water: parts of the far rim's gap, fewer the deeper the water [1/mm], and of the inside
# diameter times the clay's height over the water's. Fitted on 29 rendered jars (sd 1.0 mm, tilts
# 1 to 30 degrees), which show it higher than the far rim alone would be; we do not know why. A real
# jar's rim has a feature of its own, `rim`, whose weight those photos leave near zero.
_BACK_GAP, _BACK_DEPTH, _BACK_ACROSS = 2.22, -0.0147, 0.268
_BACK_SD_MM = 1.5


def back_edge_mm(jar: Jar, clay_mm: Array, water_mm: float) -> Array:
    """Height on the front wall at which the room begins to show over a clay's surface [mm]."""
    gap = far_rim_mm(jar, clay_mm) - clay_mm
    across = 2 * (jar.view.outline.radius_mm - WALL_MM)
    above = gap * (_BACK_GAP + _BACK_DEPTH * (water_mm - clay_mm))
    return clay_mm + np.maximum(above + _BACK_ACROSS * across * clay_mm / water_mm, 2.0)


def _best_rim(
    view: LastView, clay_mm: Array, at_mm: Array, sd_mm: Array | float
) -> tuple[Array, Array]:
    """Find the edges that go best with expected ones -> their worth, their heights [mm].

    The worth is the log of an edge's strength less how far off it stands, 0 where there is none.
    """
    peak_mm = view.peaks[:, 0]
    if not len(peak_mm):
        return np.zeros_like(at_mm), at_mm
    size = np.log1p(np.minimum(view.peaks[:, 1], 10.0))
    square = ((peak_mm - at_mm[:, None]) / np.broadcast_to(sd_mm, at_mm.shape)[:, None]) ** 2
    # an edge that is a little off may still be it: the tilt is known to a degree or so
    worth = size * (0.7 * np.exp(-0.5 * square) + 0.3 * np.exp(-0.5 * square / 2.5**2))
    is_above = (peak_mm > clay_mm[:, None] + 1.2) & (peak_mm < view.water_mm - 6.0)
    worth = np.where(is_above, worth, 0.0)
    best = worth.max(axis=1)
    seen = best >= 0.05
    return np.where(seen, best, 0.0), np.where(seen, peak_mm[worth.argmax(axis=1)], at_mm)


_EVERY_ROW = 3  # rows lie closer than anything in clay


def _unevenness(view: LastView, silt_mm: Array, clay_mm: Array) -> Array:
    """How much the picture under the clay's top changes from height to height, each block apart."""
    first = np.searchsorted(view.last.z_mm, silt_mm + 0.8)
    last = np.searchsorted(view.last.z_mm, clay_mm - 0.5)
    channels = np.ascontiguousarray(np.moveaxis(view.last.colour, 2, 0))  # rows last: quick to sort

    def measured(first: int, last: int) -> float:
        if last - first < 8:
            return 0.0
        colour = channels[..., first:last:_EVERY_ROW]
        ranked, half = np.sort(colour, axis=2), colour.shape[2] // 2
        off = colour - ((ranked[..., half] + ranked[..., -half - 1]) / 2)[..., None]
        return math.log(0.3 + float(median_of(lengths_of(off).mean(axis=1))))

    return _of_each(first, last, measured)


def _strange(view: LastView, colours: Array) -> Array:
    """How far hues of colours (blocks, stacks, 3) are from the earlier suspension's [log ab]."""
    if view.suspension is None:
        return np.zeros(colours.shape[1])
    return np.asarray(np.log(1.0 + _size((median_of(colours) - view.suspension)[:, 1:])))
