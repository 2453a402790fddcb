"""Stones in the sand: patches over 2 mm without the speckle of sand, counted and not sized."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from jarvision.core.arrays import Array, Floats

GRAVEL_MM = 2.0  # sand's upper limit (USDA): what is larger is no fine earth
_SPECKLE_MM = 0.3  # how far the speckle is smoothed, and felt beside a stone's edge
_EDGES_MM = 1.0  # so much of a stone's width lies beside its quiet patch: drawn stones
_QUIET = 0.45  # a stone has so much less of it than the sand about
_LEAST_FILL = 0.55  # of the ellipse about a patch, where it is one stone
_LONGEST = 3.0  # times as long as wide at most: longer ones are shade or a scratch
_PX_A_MM = 8.0  # fine enough for 2 mm; the same in all photos


@dataclass(frozen=True, slots=True)
class Stones:
    """Stones at a wall.

    Attributes
    ----------
    count : int
        How many show.
    share : float
        Share of the wall that they cover.
    """

    count: int
    share: float


def find_stones(stretches: Sequence[Array], px_per_mm: float) -> Stones:
    """Count stones in stretches of a wall.

    Parameters
    ----------
    stretches : sequence of (rows, columns) arrays
        Grey levels of all the sand, free of glare.
    px_per_mm : float
        Their pixels a millimetre.

    Notes
    -----
    Only for sand whose own grains are much smaller than stones: a millimetre's grain shows none.
    """
    count, covered, whole = 0, 0.0, 0.0
    for level in stretches:
        by = _PX_A_MM / px_per_mm
        size = (max(round(level.shape[1] * by), 8), max(round(level.shape[0] * by), 8))
        small = cv2.resize(level.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        areas_mm2 = _patches_mm2(np.asarray(small, dtype=np.float32))
        count += len(areas_mm2)
        covered += sum(areas_mm2)
        whole += small.size / _PX_A_MM**2
    return Stones(count, covered / whole if whole else math.nan)


def _patches_mm2(level: Floats) -> list[float]:
    reach = _SPECKLE_MM * _PX_A_MM
    speckle = level - cv2.GaussianBlur(level, (0, 0), reach)
    power = cv2.GaussianBlur(speckle * speckle, (0, 0), reach)
    quiet = (np.sqrt(power) < _QUIET * math.sqrt(float(np.median(power)))).astype(np.uint8)
    contours, _ = cv2.findContours(quiet, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour in contours:
        if len(contour) < 5:
            continue
        _, (a, b), _ = cv2.fitEllipse(contour)
        short_mm, long_mm = (side / _PX_A_MM + _EDGES_MM for side in sorted((a, b)))
        fill = cv2.contourArea(contour) / max(math.pi / 4 * a * b, 1e-9)
        if short_mm >= GRAVEL_MM and long_mm < _LONGEST * short_mm and fill > _LEAST_FILL:
            found.append(math.pi / 4 * short_mm * long_mm)
    return found
