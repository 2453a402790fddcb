"""The foot of the deposit: the lowest line of grains that shows through the wall.

Grains speckle the wall however dim the light is down there, so that speckle is measured across
the wall, where level lines of the glass do not count, and in parts of the lightness. Under the
deposit stands the glass of the foot, with bands and reflections of its own; the deposit ends at
the first place from above where colour breaks off or speckle ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array, Places
from jarvision.jar.quick_arrays import lengths_of, median_of, sums_before
from jarvision.jar.unwrap import ROW_MM
from jarvision.jar.wall_features import WallFeatures

_LOWEST_MM, _OVER_REFERENCE_MM = -4.5, 0.6
_REFERENCE_MM = 6.5  # the deposit is known by what lies below this, and over the highest foot
_LESS_SPECKLED, _SOFTLY = 0.45, 0.4  # log units by which glass is less speckled than deposit
_OVER_MM, _UNDER_MM = 4.0, 1.5  # so much above the foot must look like deposit, below unlike it
_OTHER_COLOUR = 6.0  # Lab distance at which rows are as likely glass as deposit
_STEP, _STEP_ROWS = 10.0, 5  # a Lab step from which an edge is no more an edge than before
_FOR_STEP, _FOR_STEP_ABOVE = 6.0, 12.0  # rows of likeness that such a step is worth
_ENDS = 4.0  # rows of unlikeness below some place without which the deposit goes on
_CLEAR_MM = 0.9  # so far from the foot another edge stands apart from it
_DISSENT = 12.0  # rows of likeness beyond which a block's dissent counts no more
_AGREE_MM, _NEAR_MM = 0.5, 0.8  # blocks agree within the first, and are asked within the second
_LOOKED_AT_ABOVE = 12  # rows above a foot's that its steps and its deposit are taken from
_GLASS_MM, _BANDS = 4.0, 2.0  # so far below, lightness in glass goes up and down by so much


@dataclass(frozen=True, slots=True)
class Foot:
    """Where the deposit ends below.

    Attributes
    ----------
    z_mm : float
        Its height above the strip's zero [mm].
    spread_mm : float
        Standard deviation of it between strips of wall.
    glass_seen : bool
        Whether bands of the jar's own foot show below it. Where they do not, the line may be
        where the jar meets the table.
    """

    z_mm: float
    spread_mm: float
    glass_seen: bool


def find_foot(photo: WallFeatures, first_top_mm: float) -> Foot | None:
    """Find the foot of the deposit in one photo.

    Parameters
    ----------
    photo : WallFeatures
        The photo.
    first_top_mm : float
        Top of the lowest layer above the strip's zero [mm].

    Returns
    -------
    Foot or None
        None where the deposit is too thin to be known, or does not end.
    """
    z = photo.z_mm
    high = min(_REFERENCE_MM, first_top_mm - 0.4)
    low = min(2.2, max(1.2, high - 1.2))
    reference = np.flatnonzero((z > low) & (z < high))
    at = np.flatnonzero((z > _LOWEST_MM) & (z < low + _OVER_REFERENCE_MM))
    if len(reference) < 3 or len(at) < 3:
        return None
    rows = slice(int(max(reference[-1] + 1, at[-1])) + _LOOKED_AT_ABOVE)
    colour = photo.colour[:, rows]
    likeness = _likeness(photo.speckle[:, rows], colour, reference)
    steps = _steps(colour, at)
    under = _under(likeness, colour, at)
    score = _over(likeness, at, int(reference[-1]) + 1) + under
    score += _FOR_STEP * steps - _FOR_STEP_ABOVE * _most_above(steps)
    ends = under.max(axis=1) > _ENDS
    if ends.sum() < 3:
        return None
    feet = _feet(score[ends], z[at] - ROW_MM / 2)
    last = len(feet) - 1
    quarters = np.interp([0.25 * last, 0.75 * last], np.arange(last + 1), np.sort(feet))
    spread = float(quarters[1] - quarters[0]) / 1.35
    foot = float(median_of(feet))
    below = (z > foot - _GLASS_MM) & (z < foot - 0.2)
    return Foot(foot, spread, _has_bands(photo.colour[:, below, 0]))


def _has_bands(light: Array) -> bool:
    """Whether lightness goes up and down, as in glass, and not one way, as a shadow fades."""
    level = median_of(_smooth(light)[:, ::3])
    there_and_back = np.abs(np.diff(level)).sum() - abs(level[-1] - level[0])
    return bool(there_and_back > _BANDS)


def _likeness(speckle: Array, colour: Array, reference: Places) -> Array:
    """How much each row of each block is speckled as the deposit is, -1 to 1."""
    speckle = np.log(_smooth(speckle) + 0.05) - np.log(_smooth(colour[..., 0]) + 2.0)
    level = median_of(speckle[:, reference].T)[:, None]
    return np.asarray(np.clip((speckle - level + _LESS_SPECKLED) / _SOFTLY, -1.0, 1.0))


def _smooth(rows: Array) -> Array:
    """Mean of three rows."""
    at = np.arange(rows.shape[1])
    below, above = np.maximum(at - 1, 0), np.minimum(at + 1, at[-1])
    return np.asarray((rows[:, below] + rows + rows[:, above]) / 3)


def _over(likeness: Array, at: Places, top: int) -> Array:
    """Likeness summed over what lies above each row, up to the top of the reference."""
    run = sums_before(likeness)
    return run[:, np.minimum(at + round(_OVER_MM / ROW_MM), top)] - run[:, at]


def _under(likeness: Array, colour: Array, at: Places) -> Array:
    """Unlikeness, by speckle or by colour, summed over what lies below each row."""
    run = sums_before(colour)
    above = np.moveaxis(run[:, at + 10] - run[:, at + 2], 2, 0).copy() / 8
    channels = np.moveaxis(colour, 2, 0).copy()  # several times quicker than channels last
    total = np.zeros(above.shape[1:])
    for back in range(1, round(_UNDER_MM / ROW_MM) + 1):
        rows = np.maximum(at - back, 0)
        off = channels[..., rows] - above
        likely = np.minimum(np.maximum(1 - lengths_of(off) / _OTHER_COLOUR, -1.0), 1.0)
        total -= np.minimum(likeness[:, rows], likely)
    return total


def _steps(colour: Array, at: Places) -> Array:
    """Colour step at each row, 0 to 1."""
    run, n = sums_before(colour), _STEP_ROWS
    over = run[:, at + 1 + n] - run[:, at + 1]
    under = run[:, np.maximum(at - 1, n)] - run[:, np.maximum(at - 1, n) - n]
    return np.asarray(np.minimum(np.linalg.norm(over - under, axis=2) / n / _STEP, 1.0))


def _most_above(steps: Array) -> Array:
    """Give the strongest step that stands apart above each row."""
    most = np.maximum.accumulate(steps[:, ::-1], axis=1)[:, ::-1]
    apart = round(_CLEAR_MM / ROW_MM)
    return np.pad(most, ((0, 0), (0, apart)), mode="edge")[:, apart:]


def _feet(score: Array, z: Array) -> Array:
    """Each block's foot near the one on which most agree."""
    ways = np.maximum(score - score.max(axis=1, keepdims=True), -_DISSENT)
    reach = round(_AGREE_MM / ROW_MM)
    padded = np.pad(ways, ((0, 0), (reach, reach)), mode="edge")
    shifted = [padded[:, i : i + len(z)] for i in range(2 * reach + 1)]
    agreed = np.max(shifted, axis=0).mean(axis=0)
    middle = z[agreed >= agreed.max() - 1e-9].mean()
    near = np.abs(z - middle) <= _NEAR_MM
    return np.asarray(z[near][ways[:, near].argmax(axis=1)])
