"""Find the printed strip in a picture: its tags, whose jar it is, and where its zero lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.stripdata import strip_spec

Array: TypeAlias = NDArray[np.float64]
Grey: TypeAlias = NDArray[np.uint8]

CORNER_SD_PX = 0.35  # rms of sub-pixel corners against one camera, seen on rendered pictures
_MIN_TAG_PX = 14.0  # under about 1.7 px a module a 36h11 tag does not decode safely


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
    """

    jar: int
    tags: tuple[int, ...]
    corners_px: Array

    @property
    def corners_mm(self) -> Array:
        """The same corners on the strip, (n, 4, 2): x from its left edge, z above its zero."""
        return np.stack([strip_spec().tag_corners_mm(k) for k in self.tags])

    @property
    def px_per_mm(self) -> float:
        """Pixels a millimetre along the strip, at its middle."""
        left = np.linalg.norm(self.corners_px[:, 0] - self.corners_px[:, 3], axis=1)
        right = np.linalg.norm(self.corners_px[:, 1] - self.corners_px[:, 2], axis=1)
        return float(np.median(np.concatenate([left, right])) / strip_spec().tag_size_mm)

    def axis_px(self) -> tuple[Array, Array]:
        """Straight line up the middle of the tags: its foot at z = 0 [px], and px a mm upward."""
        z = self.corners_mm[..., 1].mean(axis=1)
        centre = self.corners_px.mean(axis=1)
        if len(z) == 1:
            up = (self.corners_px[0, :2].mean(0) - self.corners_px[0, 2:].mean(0)) / 16.0
            return centre[0] - up * z[0], up
        slope, foot = np.polyfit(z, centre, 1)
        return np.asarray(foot), np.asarray(slope)


def _detector(*, tolerant: bool) -> cv2.aruco.ArucoDetector:
    """Make a tag detector; a tolerant one takes tags bent round a corner or partly in glare."""
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # 36h11 keeps eleven bits between any two tags, so correcting five cannot confuse them
    # (Wang & Olson 2016).
    options.errorCorrectionRate = 1.0
    if tolerant:
        options.polygonalApproxAccuracyRate = 0.06
        options.perspectiveRemoveIgnoredMarginPerCell = 0.3
        options.perspectiveRemovePixelPerCell = 8
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, options)


def _tags_in(grey: Grey, *, tolerant: bool = False) -> dict[int, Array]:
    """Detect tags -> {id: corners (4, 2)}."""
    corners, ids, _ = _detector(tolerant=tolerant).detectMarkers(grey)
    if ids is None:
        return {}
    return {
        int(i): np.asarray(c[0], dtype=np.float64)
        for i, c in zip(np.ravel(ids), corners, strict=True)
        if int(i) < strip_spec().tag_count
    }


def find_strips(grey: Grey) -> tuple[Strip, ...]:
    """Find every strip in a picture.

    Parameters
    ----------
    grey : (h, w) uint8 array
        The upright working picture.

    Returns
    -------
    tuple of Strip
        The strip with most tags first; empty where there is none.
    """
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    seen = {i: 2.0 * c + 0.5 for i, c in _tags_in(np.asarray(half, dtype=np.uint8)).items()}
    if not seen:
        seen = _tags_in(grey) or _tags_in(grey, tolerant=True)
    strips = [_read_again(grey, strip) for strip in _gather(seen)]
    return tuple(sorted(strips, key=lambda s: (-len(s.tags), s.jar)))


def _gather(seen: dict[int, Array]) -> list[Strip]:
    """Put tags together by jar and drop those that do not lie on their strip."""
    by_jar: dict[int, dict[int, Array]] = {}
    for tag_id, corners in seen.items():
        jar, k = strip_spec().jar_of_tag(tag_id)
        by_jar.setdefault(jar, {})[k] = corners
    strips = [_strip(jar, tags) for jar, tags in by_jar.items()]
    return [s for s in strips if s is not None]


def _strip(jar: int, tags: dict[int, Array]) -> Strip | None:
    """Make a strip of tags that agree on one line and one scale."""
    kept = {k: c for k, c in tags.items() if _is_upright_square(c)}
    if not kept:
        return None
    order = tuple(sorted(kept))
    strip = Strip(jar, order, np.stack([kept[k] for k in order]))
    if len(order) > 1:
        foot, up = strip.axis_px()
        z = strip.corners_mm[..., 1].mean(axis=1)
        off = np.linalg.norm(strip.corners_px.mean(axis=1) - foot - z[:, None] * up, axis=1)
        near = off < 3.0 * strip.px_per_mm
        if not near.all() or abs(np.linalg.norm(up) / strip.px_per_mm - 1) > 0.25:
            good = {k: kept[k] for k, ok in zip(order, near, strict=True) if ok}
            return _strip(jar, good) if 0 < len(good) < len(order) else None
    return strip


def _is_upright_square(corners: Array) -> bool:
    """Whether a quadrilateral can be a tag seen from the front of a jar."""
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    return bool(sides.min() > 0.25 * sides.max() and sides.max() > _MIN_TAG_PX)


def _read_again(grey: Grey, strip: Strip) -> Strip:
    """Read a strip's tags once more at full working scale, close round the strip."""
    foot, up = strip.axis_px()
    ends = np.stack([foot - 4 * up, foot + 156 * up])
    margin = 24 * strip.px_per_mm
    x0, y0 = np.floor(ends.min(axis=0) - [margin, 0]).astype(int)
    x1, y1 = np.ceil(ends.max(axis=0) + [margin, 0]).astype(int)
    x0, y0 = max(x0, 0), max(y0, 0)
    patch = np.ascontiguousarray(grey[y0 : max(y1, 0), x0 : max(x1, 0)])
    if min(patch.shape) < 32:
        return strip
    found = {i: c + [x0, y0] for i, c in _tags_in(patch).items()}
    own = [s for s in _gather(found) if s.jar == strip.jar]
    return own[0] if own and len(own[0].tags) >= len(strip.tags) else strip
