"""A strip as it stands in one picture: whose it is, and its tags' corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.jar.strip_spec import strip_spec

MIN_TAG_PX = 14.0  # under about 1.7 px a module a 36h11 tag does not decode safely
CORNER_SD_PX = 0.2  # of corners against one camera: found to 0.05, but paper may lie uneven


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """The tags of one jar's strip as they stand in one picture.

    Attributes
    ----------
    jar : int
        Number of the jar.
    tags : tuple of int
        Which tags were read, 0 is the lowest.
    corners_px : (n, 4, 2) array
        Their corners, top-left, top-right, bottom-right, bottom-left of the upright tag [px].
    corners_mm : (n, 4, 2) array
        The same on the strip: x from its left edge, z above its zero [mm]. Of a tag that runs
        round the side of the jar these are the corners of the part that shows.
    bent : bool
        Whether the tags were read round a bend, where corners are less sharp.
    """

    jar: int
    tags: tuple[int, ...]
    corners_px: Array
    corners_mm: Array
    bent: bool = False

    @property
    def px_per_mm(self) -> float:
        """Pixels a millimetre along the strip, at its middle."""
        sides = self.corners_px[:, :2] - self.corners_px[:, [3, 2]]
        ranked = np.sort(np.linalg.norm(sides, axis=2), axis=None)  # quicker than a median
        half = len(ranked) // 2
        return float((ranked[half - 1] + ranked[half]) / 2 / strip_spec().tag_size_mm)

    def axis_px(self) -> tuple[Array, Array]:
        """Straight line up the middle of the tags: its foot at z = 0 [px], and px a mm upward."""
        z = self.corners_mm[..., 1].mean(axis=1)
        centre = self.corners_px.mean(axis=1)
        if len(z) == 1:
            up = (self.corners_px[0, :2].mean(0) - self.corners_px[0, 2:].mean(0)) / 16.0
            return centre[0] - up * z[0], up
        mean_mm = z.mean()
        from_mean = z - mean_mm
        up = from_mean @ centre / (from_mean @ from_mean)
        return np.asarray(centre.mean(axis=0) - mean_mm * up), np.asarray(up)


_LEAST_ON_SHEET = 3
_AT_MM = 75.0  # half-way up a strip
_BESIDE = (0.8, 1.15)  # distance of neighbours in a strip's width; a tilted sheet looks narrower


def are_on_sheet(strips: Sequence[Strip]) -> bool:
    """Tell whether strips still lie edge to edge on the printed sheet, on no jar.

    No jar is so narrow that three strips on jars stand one strip's width apart.
    """
    if len(strips) < _LEAST_ON_SHEET:
        return False
    axes = [strip.axis_px() for strip in strips]
    ends = np.array([[foot, foot + _AT_MM * up] for foot, up in axes])
    across = np.ptp(ends[:, 0], axis=0).argmax()
    order = np.argsort(ends[:, 0, across])
    scales = np.array([strip.px_per_mm for strip in strips])[order]
    steps = np.linalg.norm(np.diff(ends[order], axis=0), axis=2)
    widths = strip_spec().width_mm * (scales[1:] + scales[:-1]) / 2
    beside = (steps > _BESIDE[0] * widths[:, None]) & (steps < _BESIDE[1] * widths[:, None])
    return int(beside.all(axis=1).sum()) >= _LEAST_ON_SHEET - 1
