"""The inside floor, where heights begin, and the water line.

The lowest deposit that shows through the wall stands a little above the inside floor, because the
jar's inside is rounded where wall and floor meet. The strip's zero, which the user lined up with
the floor, is the second witness.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.wall_features import WallFeatures
from jarvision.wall.measurement import Floor

Array: TypeAlias = NDArray[np.float64]

# The floor fillet: how far the lowest visible deposit stands above the floor, since the inside is
# rounded where wall and floor meet. 1.1 ± 0.4 mm over 35 rendered photos of twelve jars;
# no published measure of the rounding of jars' feet is known to us.
FILLET_MM, FILLET_SD_MM = 1.1, 0.4
# How well people line a strip's zero up with the floor; common practice, no source.
STRIP_ZERO_SD_MM = 0.5
_LEAST_STEP = 0.5  # a step in deposit likeness under this is no edge
_FAR_OFF_MM = 1.8  # a strip further off than this was not lined up with the floor


def _unlikeness(features: Array, reference: NDArray[np.bool_]) -> Array:
    """Distance (blocks, rows) of each row's features from the deposit's, in its own spreads."""
    middle = np.median(features[:, reference], axis=1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(features[:, reference] - middle), axis=1, keepdims=True)
    scaled = (features - middle) / (spread + np.array([1.0, 0.5, 0.5, 0.6]))
    return np.asarray(np.sqrt((scaled**2).mean(axis=2)))


def _foot_of(unlike: Array, z: Array) -> tuple[float, float]:
    """Split rows (ascending) into glass below and deposit above -> height, strength."""
    size = np.clip(unlike, 0.0, 4.0) - 1.9
    run = np.concatenate([[0.0], np.cumsum(size)])
    back = round(2.0 / ROW_MM)
    at = np.arange(len(size) + 1)
    below = run[at] - run[np.maximum(at - back, 0)]
    best = int(np.argmax(below - (run[-1] - run)))
    if best < back // 2:
        return np.nan, 0.0
    return float(z[0] - ROW_MM / 2 + ROW_MM * best), float(below[best] / back)


def seen_floor(photo: WallFeatures, first_top_mm: float) -> tuple[float, float]:
    """Find the foot of the deposit in one photo.

    Parameters
    ----------
    photo : WallFeatures
        The photo.
    first_top_mm : float
        Top of the lowest layer above the strip's zero [mm].

    Returns
    -------
    z_mm, sd_mm : float
        The inside floor that the foot implies; NaN where no foot is seen.
    """
    z = photo.z_mm
    high = min(6.5, first_top_mm - 0.4)
    low = min(2.2, max(1.2, high - 1.2))
    reference = (z > low) & (z < high)
    span = (z > -4.5) & (z < low + 0.6)
    if reference.sum() < 3:
        return np.nan, np.nan
    features = np.concatenate([photo.colour, photo.grain[..., None]], axis=2)
    rows = reference | span
    unlike = _unlikeness(features[:, rows], reference[rows])
    feet = [_foot_of(block[span[rows]], z[span]) for block in unlike]
    found = np.array([f for f in feet if f[1] > _LEAST_STEP])
    if len(found) < 3:
        return np.nan, np.nan
    spread = float(np.subtract(*np.percentile(found[:, 0], [75, 25]))) / 1.35
    return float(np.median(found[:, 0])) - FILLET_MM, float(np.hypot(FILLET_SD_MM, spread / 2))


def join_floors(seen: Sequence[tuple[float, float]], *, has_strip: bool) -> Floor:
    """Join the feet seen in a jar's photos with the strip's zero.

    The fillet's shape is the same in all photos, so more photos do not average it out.
    """
    known = [(z, sd) for z, sd in seen if np.isfinite(z)]
    if has_strip:
        known = [(z, sd) for z, sd in known if abs(z) < _FAR_OFF_MM or _is_borne_out(z, known)]
    if not known:
        return Floor(0.0, 0.6 if has_strip else 1.5, np.nan)
    weights = np.array([sd**-2 for _, sd in known])
    z = float(np.average([z for z, _ in known], weights=weights))
    sd = float(max(FILLET_SD_MM, weights.mean() ** -0.5 / np.sqrt(min(len(known), 2))))
    if not has_strip:
        return Floor(z, float(np.hypot(sd, 0.6)), z)
    if abs(z) > _FAR_OFF_MM:
        return Floor(z, float(np.hypot(sd, 0.9)), z)
    # feet that look alike in glass and deposit mislead: the further off, the less they count; how
    # much less was set on the rendered development photos, no source
    sd = float(np.hypot(sd, 0.8 * max(abs(z) - 0.6, 0.0)))
    weight = sd**-2 / (sd**-2 + STRIP_ZERO_SD_MM**-2)
    joined = (sd**-2 + STRIP_ZERO_SD_MM**-2) ** -0.5
    return Floor(weight * z, float(joined), z)


def _is_borne_out(z: float, known: Sequence[tuple[float, float]]) -> bool:
    """Whether another photo sees the floor in the same odd place."""
    return sum(abs(other - z) < 0.6 for other, _ in known) > 1


def water_line(photos: Sequence[WallFeatures], deposit_top_mm: float) -> float:
    """Find the water line above the strip's zero [mm]; NaN where no photo shows it.

    In cloudy water the first strong level edge above the deposit is the foot of the foam or the
    water line itself; foam is at most about 9 mm thick. In clear water alone it is the strongest.
    """
    cloudy = [p for p in photos if p.settled < 3] or list(photos)
    total: Array | None = None
    z = np.empty(0)
    for photo in cloudy:
        z, size = photo.edges_mm, photo.edges
        wide = np.convolve(np.log1p(size), np.ones(9) / 9, mode="same")
        total = wide if total is None else total[: len(wide)] + wide[: len(total)]
    if total is None:
        return np.nan
    z = z[: len(total)]
    free = np.flatnonzero(z > deposit_top_mm + 10.0)
    if not len(free) or total[free].max() < 0.6 * len(cloudy):
        return np.nan
    strong = free[total[free] > 0.55 * total[free].max()]
    if cloudy[0].settled == 3:
        return float(z[free[np.argmax(total[free])]])
    near = strong[z[strong] < z[strong[0]] + 9.0]
    return _without_foam(photos, float(z[strong[0]]), float(z[near[np.argmax(total[near])]]))


def _without_foam(photos: Sequence[WallFeatures], foot_mm: float, line_mm: float) -> float:
    """Take the water line from the last photo, where the foam is gone, if it shows one there."""
    for photo in photos:
        near = (photo.edges_mm > foot_mm - 3.0) & (photo.edges_mm < foot_mm + 10.0)
        if photo.settled == 3 and near.any() and photo.edges[near].max() > 3.0:
            return float(photo.edges_mm[near][int(photo.edges[near].argmax())])
    return line_mm


def water_structure(
    photo: WallFeatures, deposit_top_mm: float, water_mm: float
) -> tuple[float, float]:
    """Measure what is to be seen in the water above where the deposit ends.

    Returns
    -------
    variety, step : float
        Spread of the colours (CIE Lab) over that part of the wall, and the largest change between
        rows 2.5 mm apart; NaN where there is too little water.
    """
    rows = (photo.z_mm > deposit_top_mm + 3.0) & (photo.z_mm < water_mm - 14.0)
    if rows.sum() < 60:
        return np.nan, np.nan
    colour = photo.colour[:, rows]
    variety = float(np.sqrt(colour.var(axis=(0, 1)).sum()))
    level = colour.mean(axis=0)[::20]
    return variety, float(np.abs(np.diff(level, axis=0)).sum(axis=1).max())


def clearness_of(last: tuple[float, float], earlier: Sequence[tuple[float, float]]) -> str:
    """Tell clear water from cloudy: through clear water the far side of the jar is seen.

    Cloudy water shows only what the glass mirrors, as the earlier photos do. In between, or with
    nothing to compare with, it stays unknown. The limits are our own, from rendered pictures.
    """
    variety, step = last
    if np.isnan(variety):
        return "unknown"
    known = [e for e in earlier if not np.isnan(e[0])]
    if not known:
        return "clear" if step > 8.0 else "unknown"
    usual_variety, usual_step = (max(e[i] for e in known) for i in (0, 1))
    if variety > 2.0 * usual_variety or step > max(6.0, 2.0 * usual_step):
        return "clear"
    if variety < 1.4 * usual_variety and step < 1.4 * max(usual_step, 1.0):
        return "cloudy"
    return "unknown"
