"""The ruler that is already there: millimetres per pixel from the ticks of an ordinary ruler.

A ruler is a comb of ticks whose lengths repeat: every fifth and tenth is longer on a metric one,
every second, fourth and eighth on one in inches. The comb gives the pitch in pixels, the lengths
tell what the pitch is. Pixels are (row, col), y downward, the centre of pixel (0, 0) at the origin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Floats
from jarvision.core.errors import JarError
from jarvision.jar.ruler_comb import (
    find_combs,
    follow_comb,
    in_patch,
    is_complete,
    is_regular,
    line_of,
)
from jarvision.jar.ruler_divisions import CombCandidate, RulerUnit, best_candidate, candidates_of

# Rulers of the household kind are true to about this (our judgement, no source); it also covers
# ticks that are not quite square to the ruler's edge.
_RULER_RELATIVE_SD = 0.002

# What neighbouring ticks' places have in common, such as a slant left over [px, and of a pitch]:
# found by drawing rulers.
_SHARED_ERROR_PX, _SHARED_ERROR_OF_PITCH = 0.007, 0.001


class RulerUnreadError(JarError):
    """No ruler's ticks could be read, or what they measure cannot be told."""

    name = "ruler_unread"


@dataclass(frozen=True, slots=True)
class RulerScale:
    """The scale that a ruler's ticks give.

    Attributes
    ----------
    px_per_mm : float
        Pixels to a millimetre along the ruler, at `centre_px`.
    sd_px_per_mm : float
        Its standard deviation, with 0.2 % for the ruler itself.
    unit : RulerUnit
        What the ruler is divided in.
    division_mm : float
        From one tick to the next [mm].
    ticks : int
        Ticks that were used.
    slant_deg : float
        How far the ruler leans from the picture's columns; positive is clockwise.
    centre_px : tuple of float
        Row and column of the middle of the ticks used.
    stretch : float
        Change of the scale from the first tick used to the last, as a part of it: a camera that is
        tipped along the ruler.
    """

    px_per_mm: float
    sd_px_per_mm: float
    unit: RulerUnit
    division_mm: float
    ticks: int
    slant_deg: float
    centre_px: tuple[float, float]
    stretch: float


def read_ruler(grey: NDArray[Any], *, unit: RulerUnit | None = None) -> RulerScale:
    """Read the scale from the ticks of a ruler that stands about upright in a patch.

    Parameters
    ----------
    grey : (rows, cols) array
        Grey levels of a patch of the photo, 0 to 255; the ruler within 8 degrees of upright, at
        least 3.2 pixels from tick to tick. Turn the patch for a ruler that lies.
    unit : RulerUnit, optional
        What the ruler is divided in, where the user says so.

    Returns
    -------
    RulerScale

    Raises
    ------
    RulerUnreadError
        No comb of ticks, too few of them, or lengths that do not tell the unit.

    Notes
    -----
    A ruler in tenths of an inch looks the same as one in millimetres and is taken for it.
    """
    patch = _flattened(grey)
    combs = [ticks for comb in find_combs(patch) for ticks in follow_comb(patch, comb)]
    lines = [(ticks, line_of(ticks.row_px)) for ticks in combs if is_complete(ticks)]
    regular = [(ticks, line) for ticks, line in lines if is_regular(line)]
    candidates = [c for ticks, line in regular for c in candidates_of(ticks, line)]
    best = best_candidate(candidates, unit)
    if best is None:
        raise RulerUnreadError(_advice(seen_comb=bool(regular)))
    return _scale(best, patch.shape)


def _advice(*, seen_comb: bool) -> str:
    if seen_comb:
        return (
            "A ruler is there, but its ticks and numbers do not tell for sure what it is divided "
            "in; photograph more of it with its numbers in view, or say --ruler mm or --ruler inch."
        )
    return (
        "No ruler's ticks could be read; go closer, hold the phone square to the ruler, and let at "
        "least 6 cm (2 1/2 inches) of it show."
    )


def _flattened(grey: NDArray[Any]) -> Floats:
    """Take away slow shading and tame strong edges, so that only fine ink is left."""
    import cv2

    levels = np.asarray(grey, dtype=np.float32)
    if levels.ndim != 2 or min(levels.shape) < 24 or not np.isfinite(levels).all():
        raise RulerUnreadError(_advice(seen_comb=False))
    fine: Floats = np.clip(levels - cv2.GaussianBlur(levels, (0, 0), 25), -60.0, 60.0)
    return fine


def _scale(best: CombCandidate, shape: tuple[int, ...]) -> RulerScale:
    ticks, line, division = best.ticks, best.line, best.division
    pitch_px = float(line.coef[1])
    drift = (
        math.sqrt(12)
        * (_SHARED_ERROR_PX + _SHARED_ERROR_OF_PITCH * pitch_px)
        / (line.span * pitch_px)
    )
    fit_sd = math.hypot(line.sd_pitch_px / division.division_mm, drift * best.px_per_mm)
    middle_row, depth = float(line.coef[0]), float(line.coef[2]) * (line.span - 1) / 2
    longer = 1 / math.cos(math.radians(ticks.lean.slant_deg))  # Along the ruler, not along rows.
    return RulerScale(
        px_per_mm=best.px_per_mm * longer,
        sd_px_per_mm=math.hypot(fit_sd, _RULER_RELATIVE_SD * best.px_per_mm) * longer,
        unit=division.unit,
        division_mm=division.division_mm,
        ticks=line.used,
        slant_deg=ticks.lean.slant_deg,
        centre_px=in_patch((middle_row, ticks.col_px), ticks.lean, shape),
        stretch=(1 + depth) ** -2 - (1 - depth) ** -2,
    )
