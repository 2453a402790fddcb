"""Find the printed strip in a picture: its tags, whose jar it is, and where its zero lies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.jar.strip_spec import strip_spec

Array: TypeAlias = NDArray[np.float64]
Grey: TypeAlias = NDArray[np.uint8]

CORNER_SD_PX = 0.2  # of corners against one camera: found to 0.05, but paper may lie uneven
_USUAL_INSET_PX, _MOST_INSET_PX = 0.45, 1.5  # how far corners are drawn inward by blur
_LEAST_PERIMETER_PX = 28.0  # of the smallest tag that decodes, in a picture of half size
_SMALL_TAG_PX = 70.0  # where one tag is as small as this, others may be too small at half size
_MOST_MISSED = 12  # rows of squares that are looked at closely
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


def _detector(*, tolerant: bool, quick: bool) -> cv2.aruco.ArucoDetector:
    """Make a tag detector.

    A tolerant one takes tags bent round a corner or partly in glare; a quick one thresholds once,
    at a window that suits most pictures, and not at three.
    """
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # 36h11 keeps eleven bits between any two tags, so correcting five cannot confuse them
    # (Wang & Olson 2016).
    options.errorCorrectionRate = 1.0
    if quick:
        options.adaptiveThreshWinSizeMin = options.adaptiveThreshWinSizeMax = 15
    if tolerant:
        options.polygonalApproxAccuracyRate = 0.06
        options.perspectiveRemoveIgnoredMarginPerCell = 0.3
        options.perspectiveRemovePixelPerCell = 8
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, options)


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Tags that were decoded, {id: corners (4, 2)}, and squares that were not, (n, 4, 2) [px]."""

    tags: dict[int, Array]
    unread: Array

    def enlarged(self) -> _Seen:
        """Give the same in the pixels of a picture twice the size."""
        tags = {i: 2.0 * corners + 0.5 for i, corners in self.tags.items()}
        return _Seen(tags, 2.0 * self.unread + 0.5)

    def with_more(self, more: _Seen) -> _Seen:
        """Add what another detector decoded."""
        return _Seen(self.tags | more.tags, self.unread)


def _detected(grey: Grey, *, tolerant: bool = False, quick: bool = False) -> _Seen:
    """Detect tags and squares that might be some."""
    detector = _detector(tolerant=tolerant, quick=quick)
    options = detector.getDetectorParameters()
    # in a small, grainy picture every speck were a candidate, and all are compared with all
    options.minMarkerPerimeterRate = max(
        options.minMarkerPerimeterRate, _LEAST_PERIMETER_PX / max(grey.shape)
    )
    detector.setDetectorParameters(options)
    corners, ids, refused = detector.detectMarkers(grey)
    unread = np.array([c[0] for c in refused], dtype=np.float64).reshape(-1, 4, 2)
    if ids is None:
        return _Seen({}, unread)
    tags = {
        int(i): np.asarray(c[0], dtype=np.float64)
        for i, c in zip(np.ravel(ids), corners, strict=True)
        if int(i) < strip_spec().tag_count
    }
    return _Seen(tags, unread)


def _tags_in(grey: Grey, *, tolerant: bool = False) -> dict[int, Array]:
    """Detect tags -> {id: corners (4, 2)}."""
    return _detected(grey, tolerant=tolerant).tags


def find_strips(grey: Grey, *, bent: bool = True) -> tuple[Strip, ...]:
    """Find every strip in a picture.

    Parameters
    ----------
    grey : (h, w) uint8 array
        The upright working picture.
    bent : bool
        Also look for tags that run round the side of a jar where no other strip is found, which
        takes longer.

    Returns
    -------
    tuple of Strip
        The strip with most tags first; empty where there is none.
    """
    seen = _seen_in(grey)
    strips = [_read_again(grey, strip) for strip in _gather(seen.tags)]
    if strips:
        strips += _missed_strips(grey, seen.unread, strips)
    elif bent:
        found = find_bent_strip(grey)
        strips = [found] if found else []
    return tuple(sorted(map(_spread, strips), key=lambda s: (-len(s.tags), s.jar)))


def _spread(strip: Strip) -> Strip:
    """Move corners outward to where they are: blur rounds a black corner and draws it inward.

    How far is seen from the tags' size against their distance, which is printed.
    """
    if strip.bent:
        return strip
    corners = strip.corners_px
    outward = corners - np.roll(corners, 1, axis=1)  # along each side, to its end
    size = np.linalg.norm(outward, axis=2)
    outward = outward / size[..., None]
    inset_px = _USUAL_INSET_PX
    if len(strip.tags) > 1:
        height = size[:, [0, 2]].mean(axis=1)  # of the left and the right side
        apart = np.linalg.norm(np.diff(corners.mean(axis=1), axis=0), axis=1)
        spec = strip_spec()
        apart_mm = np.diff(strip.corners_mm[..., 1].mean(axis=1))
        expected = apart / apart_mm * spec.tag_size_mm
        inset_px = float(np.median(expected - (height[1:] + height[:-1]) / 2)) / 2
    inset_px = float(np.clip(inset_px, 0.0, _MOST_INSET_PX))
    moved = corners + inset_px * (outward - np.roll(outward, -1, axis=1))
    return replace(strip, corners_px=moved)


def _seen_in(grey: Grey) -> _Seen:
    """Detect tags as quickly as the picture allows."""
    small = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    half = np.asarray(small, dtype=np.uint8)
    seen = _detected(half, quick=True).enlarged()
    if len(seen.tags) < 3:
        seen = seen.with_more(_detected(half).enlarged())
    if not seen.tags:
        return _Seen(_tags_in(grey) or _tags_in(grey, tolerant=True), seen.unread)
    tag_px = [np.linalg.norm(corners[0] - corners[3]) for corners in seen.tags.values()]
    if min(tag_px) < _SMALL_TAG_PX:  # of a row of jars the farther ones may be too small at half
        whole = _detected(grey, quick=True)
        seen = _Seen(seen.tags | whole.tags, whole.unread)
    return seen


def _missed_strips(grey: Grey, unread: Array, known: list[Strip]) -> list[Strip]:
    """Look closely where squares stand above each other as tags do but none was decoded."""
    found: list[Strip] = []
    for x0, x1 in _missed_columns(unread, known):
        patch = np.ascontiguousarray(grey[:, max(int(x0), 0) : max(int(x1), 0)])
        if min(patch.shape) < 32:
            continue
        others = {strip.jar for strip in [*known, *found]}
        fresh = [s for s in _gather(_tags_in(patch)) if len(s.tags) > 1 and s.jar not in others]
        if not fresh:
            by_bend = find_bent_strip(patch, picture_px=max(grey.shape))
            fresh = [by_bend] if by_bend and by_bend.jar not in others else []
        shift = np.array([max(int(x0), 0), 0])
        found += [replace(strip, corners_px=strip.corners_px + shift) for strip in fresh]
    return found


def _missed_columns(unread: Array, known: list[Strip]) -> list[tuple[float, float]]:
    """Find upright rows of squares apart from the strips that are known -> their x ranges [px]."""
    size = np.linalg.norm(unread[:, [0, 1, 2]] - unread[:, [1, 2, 3]], axis=2).max(axis=1)
    middle = unread.mean(axis=1)
    free = size > _MIN_TAG_PX
    for strip in known:
        foot, up = strip.axis_px()
        lean = up[0] / up[1]
        beside = np.abs(middle[:, 0] - foot[0] - lean * (middle[:, 1] - foot[1]))
        free &= beside > 20.0 * strip.px_per_mm
    spec = strip_spec()
    step = spec.centre_step_mm / spec.tag_size_mm
    columns: list[tuple[float, float]] = []
    for (x, y), one in sorted(
        zip(middle[free].tolist(), size[free].tolist(), strict=True), key=lambda q: -q[1]
    ):
        steps = np.abs(middle[:, 1] - y) / (step * one)
        stacked = free & (steps > 0.5) & (np.abs(steps - np.round(steps)) < 0.2) & (steps < 4.5)
        stacked &= (np.abs(middle[:, 0] - x) < 0.8 * one) & (size > 0.65 * one) & (size < 1.5 * one)
        if stacked.any() and not any(x0 < x < x1 for x0, x1 in columns):
            columns.append((x - 1.6 * one, x + 1.6 * one))
    return columns[:_MOST_MISSED]


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
    corners_mm = np.stack([strip_spec().tag_corners_mm(k) for k in order])
    strip = Strip(jar, order, np.stack([kept[k] for k in order]), corners_mm)
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
    """Read a strip's tags once more at full working scale, close round the strip.

    Where none seems to be missing, only the corners are placed anew.
    """
    if len(strip.tags) >= 4 and strip.tags[-1] == len(strip.tags) - 1:
        return _sharpened(grey, strip)
    foot, up = strip.axis_px()
    ends = np.stack([foot - 4 * up, foot + 156 * up])
    margin = 24 * strip.px_per_mm
    x0, y0 = np.floor(ends.min(axis=0) - np.array([margin, 0])).astype(int)
    x1, y1 = np.ceil(ends.max(axis=0) + np.array([margin, 0])).astype(int)
    x0, y0 = max(x0, 0), max(y0, 0)
    patch = np.ascontiguousarray(grey[y0 : max(y1, 0), x0 : max(x1, 0)])
    if min(patch.shape) < 32:
        return strip
    found = {i: c + np.array([x0, y0]) for i, c in _tags_in(patch).items()}
    own = [s for s in _gather(found) if s.jar == strip.jar]
    return own[0] if own and len(own[0].tags) >= len(strip.tags) else strip


def _sharpened(grey: Grey, strip: Strip) -> Strip:
    """Place a strip's corners to a fraction of a pixel."""
    reach = int(np.clip(0.3 * 2.0 * strip.px_per_mm, 2, 6))  # a third of a cell: no other corner
    corners = strip.corners_px.reshape(-1, 1, 2).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.02)
    cv2.cornerSubPix(grey, corners, (reach, reach), (-1, -1), stop)
    return replace(strip, corners_px=corners.reshape(-1, 4, 2).astype(np.float64))


# --- tags bent round the side of a jar ----------------------------------------------------------

_BENDS = np.linspace(-0.75, 0.75, 13)  # how cells crowd towards one side: s + bend s (1 - s)
_HIDDEN = np.linspace(0.0, 0.5, 11)  # part of the tag's width beyond the horizon
_LEAST_BITS = 18
_MOST_RAGGED = 0.04  # scatter of a side about its line, as a part of the patch's height
_MOST_PATCHES = 40
_MOST_WRONG = 0.045  # part of the visible cells that may be misread: two of a whole tag


@cache
def _codes() -> NDArray[np.bool_]:
    """Cells of every tag of the strips, white is true, (ids, 8, 8)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    ids = range(strip_spec().tag_count)
    return np.stack([cv2.aruco.generateImageMarker(family, i, 8) > 127 for i in ids])


@dataclass(frozen=True, slots=True, eq=False)
class _Quad:
    """A dark patch with straight sides and bowed top and bottom, about its own middle.

    `left`, `right`: x = c1 y + c0; `top`, `bottom`: y = c2 x^2 + c1 x + c0.
    """

    left: Array
    right: Array
    top: Array
    bottom: Array
    middle: Array
    height: float

    @property
    def middle_y(self) -> float:
        """Height of the patch's middle in the picture [px, down]."""
        return float(self.middle[1])

    def at(self, u: Array, v: Array) -> Array:
        """Picture positions of u to the right, v down, both 0 to 1 over the visible patch."""
        y: Array = np.zeros_like(u + v)
        for _ in range(3):
            x0, x1 = np.polyval(self.left, y), np.polyval(self.right, y)
            x = x0 + u * (x1 - x0)
            y = (1 - v) * np.polyval(self.top, x) + v * np.polyval(self.bottom, x)
        return np.stack(np.broadcast_arrays(x, y), axis=-1) + self.middle


def _quad_of(contour: NDArray[np.int32]) -> _Quad | None:
    """Fit sides to a dark patch's outline; None where it is no patch of a strip."""
    points = contour[:, 0].astype(np.float64)
    low, high = points.min(axis=0), points.max(axis=0)
    (width, height), middle = high - low, (low + high) / 2
    if height < _MIN_TAG_PX or not 0.25 < width / height < 1.4:
        return None
    x, y = (points - middle).T
    inner_y, inner_x = np.abs(y) < 0.3 * height, np.abs(x) < 0.38 * width
    masks = (
        inner_y & (x < -0.15 * width),
        inner_y & (x > 0.15 * width),
        inner_x & (y < -0.1 * height),
        inner_x & (y > 0.1 * height),
    )
    if min(int(m.sum()) for m in masks) < 6:
        return None
    if min(len(np.unique(v)) for v in (y[masks[0]], y[masks[1]], x[masks[2]], x[masks[3]])) < 6:
        return None
    left, right = (np.polyfit(y[m], x[m], 1) for m in masks[:2])
    top, bottom = (np.polyfit(x[m], y[m], 2) for m in masks[2:])
    ragged = [
        np.std(x[m] - np.polyval(fit, y[m]))
        for m, fit in zip(masks[:2], (left, right), strict=True)
    ] + [
        np.std(y[m] - np.polyval(fit, x[m]))
        for m, fit in zip(masks[2:], (top, bottom), strict=True)
    ]
    if max(ragged) > _MOST_RAGGED * height + 1.0:
        return None
    return _Quad(left, right, top, bottom, middle, float(height))


def _read_bent(grey: Grey, quad: _Quad) -> list[tuple[float, int, int, float]]:
    """Try to decode a patch -> (mismatch, id, hidden side, hidden part), best first."""
    cells = (np.arange(8) + 0.5) / 8
    tries = []
    for side in (-1, 1):
        for hidden in _HIDDEN:
            if side > 0 and hidden == 0.0:
                continue
            for bend in _BENDS:
                tries.append((side, float(hidden), float(bend)))
    grids, seen = [], []
    for side, hidden, bend in tries:
        s = (cells - hidden) / (1 - hidden) if side < 0 else cells / (1 - hidden)
        grids.append(quad.at((s + bend * s * (1 - s))[None, :].clip(0, 1), cells[:, None]))
        seen.append((s > 0.02) & (s < 0.98))
    grid = np.stack(grids).astype(np.float32)
    flat = grid.reshape(-1, 8, 2)
    light = cv2.remap(grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(-1, 8, 8)
    return _best_codes(light.astype(np.float64), np.stack(seen), tries)


def _best_codes(
    light: Array, seen: NDArray[np.bool_], tries: list[tuple[int, float, float]]
) -> list[tuple[float, int, int, float]]:
    """Compare sampled cells with every code -> (mismatch, id, hidden side, hidden part)."""
    low, high = np.percentile(light, 10, axis=(1, 2)), np.percentile(light, 90, axis=(1, 2))
    white = light > ((low + high) / 2)[:, None, None]
    codes = _codes().reshape(-1, 64)
    found = []
    for i, (side, hidden, _) in enumerate(tries):
        use = np.repeat(seen[i][None, :], 8, axis=0).ravel()
        if high[i] - low[i] < 25 or int(seen[i][1:7].sum()) * 6 < _LEAST_BITS:
            continue
        wrong = (codes[:, use] != white[i].ravel()[use]).sum(axis=1)
        best = int(np.argmin(wrong))
        found.append((float(wrong[best]) / float(use.sum()), best, side, hidden))
    return sorted(found)[:6]


def find_bent_strip(grey: Grey, *, picture_px: int | None = None) -> Strip | None:
    """Read a strip whose tags run round the side of a jar, where square detectors fail.

    A single bent tag proves nothing; two or more in their right order on one strip do.

    Parameters
    ----------
    grey : (h, w) uint8 array
        An upright picture.
    picture_px : int, optional
        Long side of the whole picture, where `grey` is cut out of it.
    """
    size = int((picture_px or max(grey.shape)) / 20) | 1
    dark = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, size, 12
    )
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    votes: dict[int, dict[int, tuple[float, _Quad, int, float]]] = {}
    patches = [_quad_of(np.asarray(c, dtype=np.int32)) for c in contours if len(c) > 50]
    quads = sorted((q for q in patches if q), key=lambda q: -q.height)[:_MOST_PATCHES]
    for quad in quads:
        for wrong, tag_id, side, hidden in _read_bent(grey, quad):
            jar, k = strip_spec().jar_of_tag(tag_id)
            kept = votes.setdefault(jar, {}).get(k)
            if wrong <= _MOST_WRONG and (kept is None or wrong < kept[0]):
                votes[jar][k] = (wrong, quad, side, hidden)
    agreed = [(jar, tags) for jar, tags in votes.items() if _in_order(tags)]
    if not agreed:
        return None
    jar, tags = max(agreed, key=lambda j: (len(j[1]), -sum(t[0] for t in j[1].values())))
    return _bent_strip(jar, tags)


def _in_order(tags: dict[int, tuple[float, _Quad, int, float]]) -> bool:
    """Whether tags stand above each other as they are printed: size, step and line.

    Two are enough where they are neighbours and no cell is misread, else it takes three.
    """
    if len(tags) < 2:
        return False
    near = max(tags) - min(tags) == len(tags) - 1
    flawless = near and all(wrong == 0.0 for wrong, _, _, _ in tags.values())
    if len(tags) < (2 if flawless else 3):
        return False
    k = np.array(sorted(tags))
    quads = [tags[int(i)][1] for i in k]
    middle = np.array([q.middle for q in quads])
    height = np.array([q.height for q in quads])
    step = np.diff(middle, axis=0) / np.diff(k)[:, None]
    spec = strip_spec()
    expected = spec.centre_step_mm / spec.tag_size_mm * (height[1:] + height[:-1]) / 2
    even = np.abs(-step[:, 1] / expected - 1.0) < 0.2
    in_line = np.abs(step[:, 0]) < 0.35 * expected
    return bool(even.all() and in_line.all() and height.max() < 1.5 * height.min())


def _bent_strip(jar: int, tags: dict[int, tuple[float, _Quad, int, float]]) -> Strip:
    """Make a strip of bent tags; hidden corners stand where the paper leaves the view."""
    order = tuple(sorted(tags))
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    px, mm = [], []
    for k in order:
        _, quad, side, hidden = tags[k]
        px.append(quad.at(square[:, 0], square[:, 1]))
        corners = strip_spec().tag_corners_mm(k)
        lost = hidden * strip_spec().tag_size_mm
        corners[[0, 3] if side < 0 else [1, 2], 0] -= side * lost
        mm.append(corners)
    return Strip(jar, order, np.stack(px), np.stack(mm), bent=True)
