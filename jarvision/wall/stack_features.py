"""What speaks for one stack of layers: a hypothesis of all tops is measured as a whole.

A hypothesis says where sand, silt and clay end in the last photo. It is weighed by what the
picture must then look like: deposits are opaque, so that nothing of the room shows through them
and their colours change little from height to height; sand is coarser than silt, and clay has no
grain; the clay's top is level at the front wall and has an arched far rim above it at a height that
the camera's tilt foretells; clay has the hue of what hung in the water before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.jar.geometry import WALL_MM
from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import BIN_MM, WallFeatures, edge_peaks
from jarvision.wall.clay import arch_odds, far_rim_mm, mirror_match
from jarvision.wall.surface import median_of
from jarvision.wall.water_line import WaterLine

Array: TypeAlias = NDArray[np.float64]

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
    """
    zero = np.zeros_like(last.colour[:, :1])
    run = np.concatenate([zero, np.cumsum(last.colour, axis=1)], axis=1)
    peaks = np.array(edge_peaks(last, 1.0, water_mm - 4.0)).reshape(-1, 2)
    arched = np.array([arch_odds(last, jar, h) for h in peaks[:, 0]])
    hue = _suspension(earlier, deposit_mm, water_mm)
    bare = LastView(
        last, jar, water_mm, len(earlier) + 1, mirrored, hue, run, peaks, arched, arched
    )
    wide = np.array([_step(bare, h, h - 4.0, h + 4.0) for h in peaks[:, 0]])
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


def mean_colour(view: LastView, low_mm: float, high_mm: float) -> Array:
    """Mean colour of each block between two heights, (blocks, 3)."""
    z0 = view.last.z_mm[0] - ROW_MM / 2
    top = view.run.shape[1] - 1
    first = min(max(round((low_mm - z0) / ROW_MM), 0), top - 1)
    last = min(max(round((high_mm - z0) / ROW_MM), first + 1), top)
    return np.asarray((view.run[:, last] - view.run[:, first]) / (last - first))


def _step(view: LastView, at_mm: float, below: float, above: float, reach: float = 3.5) -> float:
    """Colour step between wide windows under and over a height, agreed by the blocks."""
    under = mean_colour(view, max(below + 0.3, at_mm - reach), at_mm - 0.4)
    over = mean_colour(view, at_mm + 0.4, min(above - 0.3, at_mm + reach))
    return math.log(0.5 + float(np.linalg.norm(median_of(over - under))))


def _grain(view: LastView, low_mm: float, high_mm: float) -> float:
    """Median log grain between two heights."""
    bins, half = view.last.bins_mm, BIN_MM / 2
    first, last = np.searchsorted(bins, [low_mm - half, high_mm - half], side="right")
    if first >= last:
        middle = (low_mm + high_mm) / 2 - half
        first, last = np.searchsorted(bins, [middle - 0.6, middle + 0.6])
    return float(median_of(view.last.level[first:last])) if last > first else 0.0


def _edge(view: LastView, at_mm: float) -> float:
    """Strongest level edge within a millimetre of a height."""
    first, last = np.searchsorted(view.last.edges_mm, [at_mm - 1.0, at_mm + 1.0])
    return float(view.last.edges[first:last].max()) if last > first else 0.0


def features_of(view: LastView, stack: Stack) -> Array:
    """Measure one hypothesis -> (len(NAMES),) numbers of the order of one."""
    values = _of_sand_and_silt(view, stack) | _of_clay(view, stack) | _of_surface(view, stack)
    return np.array([float(values[name]) for name in NAMES])


def _of_sand_and_silt(view: LastView, stack: Stack) -> dict[str, float]:
    """Measure what lies under the clay."""
    sand, silt, clay = stack.sand_mm, stack.silt_mm, stack.clay_mm
    grains = [
        _grain(view, 1.5, sand),
        _grain(view, sand, silt),
        _grain(view, silt + 0.6, max(clay, silt + 1.6)),
    ]
    return {
        "grain": -min(stack.cost, 80.0) / 10.0,
        "sand_edge": math.log(0.3 + _edge(view, sand)),
        "silt_edge": math.log(0.3 + _edge(view, silt)),
        "sand_step": _step(view, sand, 0.0, silt),
        "silt_step": _step(view, silt, sand, max(clay, silt + 1.0)),
        "coarser": min(max(grains[0] - grains[1], -1.0), 1.5),
        "rougher": min(max(grains[1] - grains[2], -1.0), 1.5),
        "sand_thick": min(math.log(max(sand, 0.5) / 10.0), 0.0),
        "silt_thick": min(math.log(max(silt - sand, 0.5) / 8.0), 0.0),
        "plain_below": -_grain(view, silt + 0.6, max(clay - 0.5, silt + 1.6)),
    }


def _of_clay(view: LastView, stack: Stack) -> dict[str, float]:
    """Measure the clay and its front edge."""
    silt, clay, thin = stack.silt_mm, stack.clay_mm, stack.kind == "thin"
    within = mean_colour(view, silt + 0.5, silt + 3.0)
    under = mean_colour(view, max(clay - 3.0, silt + 0.3), max(clay - 0.4, silt + 0.6))
    above = mean_colour(view, clay + 0.5, min(clay + 3.0, view.water_mm))
    change = float(np.linalg.norm(median_of(under - within)))
    hues = _hues(view, under, above)
    return {
        "clay_thick": 0.0 if thin else math.log(max(clay - silt, 0.6) / 10.0),
        "front_edge": 0.0 if thin else math.log(0.3 + min(_edge(view, clay), 6.0)),
        "front_step": 0.0 if thin else _step(view, clay, silt, clay + 6.0),
        "high": -((max(clay - 55.0, 0.0) / 30.0) ** 2),
        "mirrored": -mirror_match(view.jar, clay, view.mirrored),
        "one_colour": 0.0 if thin else -math.log(1.0 + change),
        "even_clay": -_unevenness(view, silt, clay),
        "hue_below": hues[0],
        "hue_above": hues[1],
        "change_above": math.log(0.5 + float(np.linalg.norm(above - under, axis=1).mean())),
        "soft": float(stack.kind == "soft"),
        "merged": float(stack.kind == "merged"),
        "thin": float(thin),
    }


def _of_surface(view: LastView, stack: Stack) -> dict[str, float]:
    """Measure the edges under, on and behind the clay's surface."""
    clay, peak_mm = stack.clay_mm, view.peaks[:, 0]
    far = far_rim_mm(view.jar, clay)
    behind = back_edge_mm(view.jar, clay, view.water_mm)
    rim, _ = _best_rim(view, clay, far, 0.2 * (far - clay) + 1.0)
    back, back_mm = _best_rim(view, clay, behind, _BACK_SD_MM)
    here = np.abs(peak_mm - clay) < 0.6
    below = (peak_mm > stack.silt_mm + 1.5) & (peak_mm < clay - 0.6)
    inside = (peak_mm > clay + 1.2) & (peak_mm < behind + 4.0)
    on_top = (peak_mm > clay + 0.6) & (peak_mm < back_mm - 1.5)
    rests = np.minimum(np.log1p(view.peaks[:, 1]), np.exp(view.wide))
    strongest = float(view.peaks[inside, 1].max()) if inside.any() else 0.0
    is_edge = bool(here.any()) and stack.kind == "edge"
    return {
        "level": -float(view.arched[here].max()) / 4.0 if is_edge else 0.0,
        "rim": rim,
        "back": back,
        "back_rules": back / (0.3 + math.log1p(min(strongest, 10.0))),
        "edges_in_clay": -float(rests[below].sum()),
        "edges_on_top": -float(rests[on_top].sum()),
    }


# How far above a deposit's front edge the edge stands behind which the room begins, in jars with
# clear water: parts of the far rim's gap, fewer the deeper the water [1/mm], and of the inside
# diameter times the clay's height over the water's. Fitted on 29 rendered jars (sd 1.0 mm, tilts
# 1 to 30 degrees), which show it higher than the far rim alone would be.
_BACK_GAP, _BACK_DEPTH, _BACK_ACROSS = 2.22, -0.0147, 0.268
_BACK_SD_MM = 1.5


def back_edge_mm(jar: Jar, clay_mm: float, water_mm: float) -> float:
    """Height on the front wall at which the room begins to show over a clay's surface [mm]."""
    gap = far_rim_mm(jar, clay_mm) - clay_mm
    across = 2 * (jar.view.outline.radius_mm - WALL_MM)
    above = gap * (_BACK_GAP + _BACK_DEPTH * (water_mm - clay_mm))
    return clay_mm + max(above + _BACK_ACROSS * across * clay_mm / water_mm, 2.0)


def _best_rim(view: LastView, clay_mm: float, at_mm: float, sd_mm: float) -> tuple[float, float]:
    """Find the edge that goes best with an expected one -> its worth, its height [mm].

    The worth is the log of its strength less how far off it stands, 0 where there is none.
    """
    peak_mm = view.peaks[:, 0]
    size = np.log1p(np.minimum(view.peaks[:, 1], 10.0))
    off = (peak_mm - at_mm) / sd_mm
    # an edge that is a little off may still be it: the tilt is known to a degree or so
    worth = size * (0.7 * np.exp(-0.5 * off**2) + 0.3 * np.exp(-0.5 * (off / 2.5) ** 2))
    worth = np.where((peak_mm > clay_mm + 1.2) & (peak_mm < view.water_mm - 6.0), worth, 0.0)
    if not len(worth) or worth.max() < 0.05:
        return 0.0, at_mm
    best = int(worth.argmax())
    return float(worth[best]), float(peak_mm[best])


_EVERY_ROW = 3  # rows lie closer than anything in clay


def _unevenness(view: LastView, silt_mm: float, clay_mm: float) -> float:
    """How much the picture under the clay's top changes from height to height, each block apart."""
    first, last = np.searchsorted(view.last.z_mm, [silt_mm + 0.8, clay_mm - 0.5])
    if last - first < 8:
        return 0.0
    colour = view.last.colour[:, first:last:_EVERY_ROW]
    middle = median_of(np.moveaxis(colour, 1, 0))
    off = np.linalg.norm(colour - middle[:, None], axis=2)
    return math.log(0.3 + float(median_of(off.mean(axis=1))))


def _hues(view: LastView, under: Array, above: Array) -> tuple[float, float]:
    """How far hues under and over the clay's top are from the earlier suspension's [CIE ab]."""
    if view.suspension is None:
        return 0.0, 0.0
    far = [
        math.log(1.0 + float(np.linalg.norm((median_of(c) - view.suspension)[1:])))
        for c in (under, above)
    ]
    return -far[0], far[1]
