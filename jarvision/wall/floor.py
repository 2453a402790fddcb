"""The inside floor, where heights begin, and what is to be seen in the water.

The lowest deposit that shows through the wall stands a little above the inside floor, because the
jar's inside is rounded where wall and floor meet. The strip's zero, which the user lined up with
the floor, is the second witness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from jarvision.core.arrays import Array
from jarvision.jar.geometry import GLASS_INDEX
from jarvision.jar.wall_features import WallFeatures
from jarvision.wall.deposit_foot import find_foot
from jarvision.wall.measurement import Floor

# Inside, wall and floor meet in a fillet of about this radius: 5.2 ± 1.4 mm over 56 rendered photos
# of 22 jars; no published measure of jars' feet is known to us.
FILLET_MM, FILLET_SD_MM = 5.2, 1.4
_PLACED_SD_MM = 0.25  # how well the end of the deposit itself is placed
# Where no glass shows below the deposit, what is seen may be where the jar meets the table.
_NO_GLASS_SD_MM = 1.5
# How well people line a strip's zero up with the floor; common practice, no source.
STRIP_ZERO_SD_MM = 0.5
_BOTTOM_MM = 3.5  # jars' bottoms are seldom thicker; common practice, no source
_FAR_OFF_MM = 1.8  # a strip further off than this was not lined up with the floor


def seen_above_floor(elevation_rad: float) -> float:
    """Tell how far above the floor the deposit is seen to end, in radii of the fillet.

    The fillet is a quarter of a circle, under which the glass is the thicker the lower it is. A
    sight line that falls at an angle t within the glass (Snell) enters the wall higher than it
    meets the fillet, and meets it lowest where the slope of the fillet is that of the sight line:
    1 + tan t - sqrt(1 + tan² t) radii above the floor. Positive elevations look down.
    """
    fall = np.tan(np.arcsin(np.sin(max(elevation_rad, 0.0)) / GLASS_INDEX))
    return float(1.0 + fall - np.sqrt(1.0 + fall**2))


def seen_floor(
    photo: WallFeatures, first_top_mm: float, elevation_rad: float
) -> tuple[float, float]:
    """Find the floor by the foot of the deposit in one photo.

    Parameters
    ----------
    photo : WallFeatures
        The photo.
    first_top_mm : float
        Top of the lowest layer above the strip's zero [mm].
    elevation_rad : float
        Downward slope of the line of sight at the foot [rad].

    Returns
    -------
    z_mm, sd_mm : float
        The inside floor that the foot implies; NaN where no foot is seen.
    """
    foot = find_foot(photo, first_top_mm)
    if foot is None:
        return np.nan, np.nan
    above = seen_above_floor(elevation_rad)
    parts = [FILLET_SD_MM * above, _PLACED_SD_MM, foot.spread_mm / 2]
    if not foot.glass_seen:
        parts.append(_NO_GLASS_SD_MM)
    return foot.z_mm - FILLET_MM * above, math.hypot(*parts)


def join_floors(seen: Sequence[tuple[float, float]], *, has_strip: bool) -> Floor:
    """Join the feet seen in a jar's photos with the strip's zero.

    The fillet's shape is the same in all photos, so more photos do not average it out.
    """
    known = [(z, sd) for z, sd in seen if np.isfinite(z)]
    if has_strip:
        known = [(z, sd) for z, sd in known if abs(z) < _FAR_OFF_MM or _is_borne_out(z, known)]
    if not known:
        return Floor(0.0, 0.6 if has_strip else 1.5, np.nan)
    z, sd = _joined_feet(np.array(known))
    if not has_strip:
        # each photo's heights begin at a foot of its own: where they disagree, that stays
        apart = float(np.ptp([at for at, _ in known])) / 2
        return Floor(z, float(np.hypot(np.hypot(sd, 0.6), apart)), z)
    if abs(z) > _FAR_OFF_MM:
        return Floor(z, float(np.hypot(sd, 0.9)), z)
    # feet that look alike in glass and deposit mislead: the further off, the less they count
    sd = float(np.hypot(sd, 0.8 * max(abs(z) - 0.6, 0.0)))
    weight = sd**-2 / (sd**-2 + STRIP_ZERO_SD_MM**-2)
    joined = (sd**-2 + STRIP_ZERO_SD_MM**-2) ** -0.5
    return Floor(weight * z, float(joined), z)


def _joined_feet(known: Array) -> tuple[float, float]:
    """Weighted median of what photos say (n, 2), and its sd, widened where they disagree."""
    z, sd = known[known[:, 0].argsort()].T
    share = np.cumsum(sd**-2) - sd**-2 / 2
    middle = float(np.interp(0.5 * (sd**-2).sum(), share, z))
    apart = np.sqrt(np.average((z - middle) ** 2, weights=sd**-2))
    own = np.mean(sd**-2) ** -0.5
    return middle, float(np.hypot(own, apart / np.sqrt(len(z))))


def _is_borne_out(z: float, known: Sequence[tuple[float, float]]) -> bool:
    """Whether another photo sees the floor in the same odd place, and clearly.

    Where no glass shows below, that must be farther off than a jar's bottom is thick.
    """
    clear_sd = _NO_GLASS_SD_MM if abs(z) < _BOTTOM_MM else np.inf
    return sum(abs(other - z) < 0.6 and sd < clear_sd for other, sd in known) > 1


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
