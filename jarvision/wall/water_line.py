"""The water line: a level edge at one height in every photo, over foam and under lid and rim.

Every level edge above the deposit is weighed: how strong it is in the cloudy photos and in the
last one, how quiet it is below it, whether foam clings under it, how much the picture changes
across it. The weights were fitted on jars of known truth, see `stack_weights.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.jar.quick_arrays import median_of, sums_before
from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.wall_features import WallFeatures, edge_peaks
from jarvision.wall.weights import shipped

NAMES = (
    "cloudy_edge",
    "last_edge",
    "quiet_cloudy",
    "quiet_last",
    "foam_cloudy",
    "foam_last",
    "step_cloudy",
    "step_last",
    "like_below",
    "unlike_above",
    "high",
    "higher",
    "first_strong",
    "low",  # jars are filled higher than this
    "opaque",  # cloudy water looks the same from the deposit up to the foam
)
_SAME_MM = 1.4  # edges of different photos that are so near are one line
_FOAM_MM = 10.0  # foam clings this far under the water line
_ONE_LINE_MM = 2.5  # edges so near each other are one line and its shine
_LEAST_ODDS = 0.05
_LEAST_SD_MM = 0.7
_TOP_MM = 148.0
_FILLED_MM = 80.0  # jars for the test are filled at least so high; common practice, no source


@dataclass(frozen=True, slots=True)
class WaterLine:
    """Where the water ends, above the strip's zero.

    Attributes
    ----------
    z_mm, sd_mm : float
        Height and one standard deviation, other places included [mm]; NaN where none is seen.
    odds : float
        Odds that this edge is the water line and no other one.
    """

    z_mm: float
    sd_mm: float
    odds: float


NOWHERE = WaterLine(math.nan, math.nan, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Candidates: heights (n,), and the edges of each photo near them."""

    at_mm: Array
    peaks: tuple[Array, ...]  # (m, 2) a photo


def find_water_lines(photos: Sequence[WallFeatures], deposit_mm: float) -> list[WaterLine]:
    """Find the edges that may be the water line in all photos of a jar, the likeliest first.

    Parameters
    ----------
    photos : sequence of WallFeatures
        In order of time.
    deposit_mm : float
        Rough top of the silt above the strip's zero [mm].
    """
    lines = water_lines(photos, deposit_mm)
    if not len(lines.at_mm):
        return []
    clear = all(photo.settled == 3 for photo in photos)
    weights = shipped("water_clear" if clear else "water").of(NAMES)
    score = water_features(photos, lines, deposit_mm) @ weights
    odds = np.exp(score - score.max())
    odds /= odds.sum()
    left = np.ones(len(odds), dtype=bool)
    found: list[WaterLine] = []
    while left.any():
        best = int(np.argmax(np.where(left, odds, -1.0)))
        group = left & (np.abs(lines.at_mm - lines.at_mm[best]) < _ONE_LINE_MM)
        own = float(odds[group].sum())
        if found and own < _LEAST_ODDS:
            break
        z = _joined(lines, float(lines.at_mm[best]))
        spread = math.sqrt(float(odds @ (lines.at_mm - z) ** 2))
        found.append(WaterLine(z, max(_LEAST_SD_MM, spread), own))
        left &= ~group
    return found


def water_lines(photos: Sequence[WallFeatures], deposit_mm: float) -> _Lines:
    """Give the edges that may be the water line, those of all photos joined."""
    peaks = tuple(
        np.array(edge_peaks(p, deposit_mm + 10.0, _TOP_MM)).reshape(-1, 2) for p in photos
    )
    every = np.concatenate(peaks)
    every = every[every[:, 1] > 1.0]
    at: list[float] = []
    for height, _ in every[np.argsort(-every[:, 1])]:
        if all(abs(height - other) > _SAME_MM for other in at):
            at.append(float(height))
    return _Lines(np.array(sorted(at)), peaks)


def _joined(lines: _Lines, at_mm: float) -> float:
    """Mean height of a line over the photos that show it."""
    heights = [p[np.abs(p[:, 0] - at_mm) < _SAME_MM] for p in lines.peaks]
    best = [h[h[:, 1].argmax()] for h in heights if len(h)]
    if not best:
        return at_mm
    table = np.array(best)
    return float(np.average(table[:, 0], weights=np.minimum(table[:, 1], 15.0)))


def water_features(photos: Sequence[WallFeatures], lines: _Lines, deposit_mm: float) -> Array:
    """Measure every candidate -> (candidates, len(NAMES))."""
    at = lines.at_mm
    each: dict[bool, list[Array]] = {True: [], False: []}
    for photo, peaks in zip(photos, lines.peaks, strict=True):
        each[photo.settled == 3].append(_seen(photo, peaks, at, deposit_mm))
    cloudy, last = (
        np.mean(each[settled], axis=0) if each[settled] else np.zeros((len(at), 7))
        for settled in (False, True)
    )
    alone = 0.0 if each[False] else 1.0
    table = np.stack(
        [
            cloudy[:, 0],
            last[:, 0],
            cloudy[:, 1],
            alone * last[:, 1],
            cloudy[:, 2],
            last[:, 2],
            cloudy[:, 3],
            last[:, 3],
            cloudy[:, 4],
            cloudy[:, 5],
            -((np.maximum(at - 125.0, 0.0) / 15.0) ** 2),
            -at / 20.0,
            np.zeros(len(at)),
            -np.maximum(_FILLED_MM - at, 0.0) / 20.0,
            cloudy[:, 6],
        ],
        axis=1,
    )
    strong = np.flatnonzero(table[:, 0] + table[:, 1] > 0.6 * (table[:, 0] + table[:, 1]).max())
    table[strong[0], NAMES.index("first_strong")] = 1.0
    return table


def _seen(photo: WallFeatures, peaks: Array, at_mm: Array, deposit_mm: float) -> Array:
    """Measure lines in a photo: edge, unrest, foam, step, likeness below, above, all along.

    (lines, 7)
    """
    peak_mm, size = peaks.T
    near = np.abs(peak_mm - at_mm[:, None]) < _SAME_MM
    edge = np.where(near, size, 0.0).max(axis=1, initial=0.0)
    under = (peak_mm > deposit_mm + 10.0) & (peak_mm < at_mm[:, None] - _FOAM_MM - 1.0)
    unrest = np.where(under, np.log1p(size), 0.0).sum(axis=1)
    water = _level(photo, np.full_like(at_mm, deposit_mm + 5.0), at_mm - 12.0)
    foam = _level(photo, at_mm - 5.0, at_mm - 0.3) - water
    run = sums_before(photo.colour)
    low, high = (
        _colour(photo, run, at_mm + below, at_mm + above)
        for below, above in ((-15.0, -10.0), (2.0, 6.0))
    )
    inside = _colour(photo, run, np.array([deposit_mm + 8.0]), np.array([deposit_mm + 16.0]))
    strange = _strangest(photo, run, inside, deposit_mm + 8.0, at_mm - _FOAM_MM)
    return np.stack(
        [
            np.log(0.3 + np.minimum(edge, 20.0)),
            -unrest,
            foam.clip(-1.5, 2.0),
            np.log(1.0 + np.linalg.norm(median_of(high - low), axis=1)),
            -np.log(1.0 + np.linalg.norm(median_of(low - inside), axis=1)),
            np.log(1.0 + np.linalg.norm(median_of(high - inside), axis=1)),
            -np.log(1.0 + strange),
        ],
        axis=1,
    )


def _strangest(
    photo: WallFeatures, run: Array, inside: Array, low_mm: float, high_mm: Array
) -> Array:
    """Tell how far the picture gets from a colour between one height and others [CIE Lab]."""
    per = round(4.0 / ROW_MM)
    first = int(np.searchsorted(photo.z_mm, low_mm))
    counts = (np.searchsorted(photo.z_mm, high_mm) - first) // per
    most = max(int(counts.max()), 0)
    ends = run[:, first : first + most * per + 1 : per]
    off = np.linalg.norm(median_of(np.diff(ends, axis=1) / per - inside), axis=1)
    farthest = np.concatenate([[0.0], np.maximum.accumulate(off)])
    return np.asarray(farthest[np.maximum(counts, 0)])


def _level(photo: WallFeatures, low_mm: Array, high_mm: Array) -> Array:
    """Mean log grain between heights, (heights,); 0 where there is none."""
    first = np.searchsorted(photo.bins_mm, low_mm, side="right")
    last = np.maximum(np.searchsorted(photo.bins_mm, high_mm), first)
    run = np.concatenate([[0.0], np.cumsum(photo.level)])
    return np.asarray((run[last] - run[first]) / np.maximum(last - first, 1))


def _colour(photo: WallFeatures, run: Array, low_mm: Array, high_mm: Array) -> Array:
    """Mean colour of each block between heights, (blocks, heights, 3), from summed colours."""
    first = np.minimum(np.searchsorted(photo.z_mm, low_mm), len(photo.z_mm) - 1)
    last = np.maximum(np.searchsorted(photo.z_mm, high_mm), first + 1)
    return np.asarray((run[:, last] - run[:, first]) / (last - first)[:, None])
