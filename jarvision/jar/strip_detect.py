"""Find the printed strip in a picture: its tags, whose jar it is, and where its zero lies.

Tags are looked for at half size with one threshold, with more passes only where something looks
like tags (`tag_texture`); corners are then placed at working size, and moved outward by what blur
drew them inward (`_spread`). Looking in a picture that was halved in colours, shared with the count
of jars, was left out: corners move by 0.01 px, and a window's shine is then taken for a wall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from jarvision.core.arrays import Array, Grey, Picture
from jarvision.jar.colour import grey_halved, grey_of
from jarvision.jar.strip import MIN_TAG_PX, Strip
from jarvision.jar.strip_curved import find_bent_strip, find_strip_round_side
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.tag_code import family, read_squares
from jarvision.jar.tag_texture import may_hold_tags

_USUAL_INSET_PX, _MOST_INSET_PX = 0.45, 1.5  # how far corners are drawn inward by blur
_LEAST_PERIMETER_PX = 28.0  # of the smallest tag that decodes, in a picture of half size
_USUAL_PERIMETER_PX = 60.0  # of one a little smaller than shows 2 px a millimetre at full size
_SMALL_TAG_PX = 70.0  # where one tag is as small as this, others may be too small at half size
_MOST_MISSED = 12  # rows of squares that are looked at closely


def _options(*, tolerant: bool, quick: bool) -> cv2.aruco.DetectorParameters:
    """Give the options of a tag detector.

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
    return options


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Tags that were decoded, {id: corners (4, 2)}, and squares that were not, (n, 4, 2) [px]."""

    tags: dict[int, Array]
    unread: Array
    may_be_more: bool = True  # whether anything in the picture looks like a tag

    def enlarged(self) -> _Seen:
        """Give the same in the pixels of a picture twice the size."""
        tags = {i: 2.0 * corners + 0.5 for i, corners in self.tags.items()}
        return _Seen(tags, 2.0 * self.unread + 0.5)

    def with_more(self, more: _Seen) -> _Seen:
        """Add what another detector decoded."""
        return _Seen(self.tags | more.tags, self.unread)


def _detected(
    grey: Grey,
    *,
    tolerant: bool = False,
    quick: bool = False,
    least_px: float = _LEAST_PERIMETER_PX,
    jar: int | None = None,
) -> _Seen:
    """Detect tags and squares that might be some, of `least_px` about or more.

    Where one jar's strip is looked for, fewer codes need to be held against each square.
    """
    options = _options(tolerant=tolerant, quick=quick)
    # in a small, grainy picture every speck were a candidate, and all are compared with all
    options.minMarkerPerimeterRate = max(options.minMarkerPerimeterRate, least_px / max(grey.shape))
    if quick:
        read, refused = read_squares(grey, options)
    else:  # of several outlines of one square this tries each
        first, codes = (0, family()) if jar is None else _own_codes(jar)
        corners, ids, others = cv2.aruco.ArucoDetector(codes, options).detectMarkers(grey)
        numbers: list[int] = [] if ids is None else np.ravel(ids).astype(int).tolist()
        read = {first + i: np.asarray(c[0]) for i, c in zip(numbers, corners, strict=True)}
        refused = [np.asarray(c[0]) for c in others]
    unread = np.array(refused, dtype=np.float64).reshape(-1, 4, 2)
    count = strip_spec().tag_count
    return _Seen({i: np.asarray(c, np.float64) for i, c in read.items() if i < count}, unread)


def _own_codes(jar: int) -> tuple[int, cv2.aruco.Dictionary]:
    """Give the number of the first tag of a jar's strip, and the codes of its tags alone."""
    whole, first = family(), strip_spec().tag_id(jar, 0)
    own = whole.bytesList[first : first + strip_spec().tags_per_jar].copy()
    return first, cv2.aruco.Dictionary(own, whole.markerSize, whole.maxCorrectionBits)


@dataclass(frozen=True, slots=True, eq=False)
class StripSearch:
    """What a search for strips came to.

    Attributes
    ----------
    strips : tuple of Strip
        Those that were read, the one with most tags first.
    may_be_mirrored : bool
        Whether no tag was decoded, but squares stand above or beside each other as tags do.
    may_be_bent : bool
        Whether none was decoded, but something looks like tags; else there are none round a side.
    """

    strips: tuple[Strip, ...]
    may_be_mirrored: bool = False
    may_be_bent: bool = False


def find_strips(picture: Picture, *, bent: bool = True) -> tuple[Strip, ...]:
    """Find every strip in a picture.

    Parameters
    ----------
    picture : (h, w) or (h, w, 3) uint8 array
        The upright working picture, grey or in colours, which are made grey where they are needed.
    bent : bool
        Also look for tags that run round the side of a jar where no other strip is found, which
        takes longer.

    Returns
    -------
    tuple of Strip
        The strip with most tags first; empty where there is none.
    """
    found = search_strips(picture)
    return bent_strips(picture) if bent and found.may_be_bent else found.strips


def search_strips(picture: Picture) -> StripSearch:
    """Find every strip whose tags are squares, and tell what else the picture may hold."""
    seen = _seen_in(picture)
    strips = [_read_again(picture, strip) for strip in _gather(seen.tags)]
    if strips:
        strips += _missed_strips(picture, seen.unread, strips)
        return StripSearch(tuple(sorted(map(_spread, strips), key=lambda s: (-len(s.tags), s.jar))))
    squares = (seen.unread, seen.unread[..., ::-1])
    stand_so = any(_missed_columns(own, []) for own in squares)
    return StripSearch((), may_be_mirrored=stand_so, may_be_bent=seen.may_be_more)


def bent_strips(picture: Picture) -> tuple[Strip, ...]:
    """Look for a strip whose tags run round the side of a jar."""
    found = find_strip_round_side(grey_of(picture))
    return (found,) if found else ()


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


def _seen_in(picture: Picture) -> _Seen:
    """Detect tags as quickly as the picture allows."""
    half = grey_halved(picture)
    # specks of soil are many, and of a size with tags that show too small to be read well
    seen = _detected(half, quick=True, least_px=_USUAL_PERIMETER_PX).enlarged()
    if not seen.tags and not may_hold_tags(half):
        return _Seen({}, np.empty((0, 4, 2)), may_be_more=False)
    if len(seen.tags) < 3:
        seen = _detected(half, quick=True).enlarged()
    if len(seen.tags) < 3:
        seen = seen.with_more(_detected(half).enlarged())
    if not seen.tags:
        grey = grey_of(picture)
        whole = _detected(grey, tolerant=True)
        if not whole.tags:  # nor would a less tolerant detector read any
            return _Seen({}, np.concatenate([seen.unread, whole.unread]))
        return _Seen(_detected(grey).tags or whole.tags, seen.unread)
    tag_px = [np.linalg.norm(corners[0] - corners[3]) for corners in seen.tags.values()]
    if min(tag_px) < _SMALL_TAG_PX:  # of a row of jars the farther ones may be too small at half
        whole = _detected(grey_of(picture), quick=True)
        seen = _Seen(seen.tags | whole.tags, whole.unread)
    return seen


def _missed_strips(picture: Picture, unread: Array, known: list[Strip]) -> list[Strip]:
    """Look closely where squares stand above each other as tags do but none was decoded."""
    found: list[Strip] = []
    for x0, x1 in _missed_columns(unread, known):
        patch = _grey_patch(picture, (x0, 0), (x1, len(picture)))
        if min(patch.shape) < 32:
            continue
        others = {strip.jar for strip in [*known, *found]}
        fresh = [
            s for s in _gather(_detected(patch).tags) if len(s.tags) > 1 and s.jar not in others
        ]
        if not fresh:
            by_bend = find_bent_strip(patch, picture_px=max(picture.shape[:2]))
            fresh = [by_bend] if by_bend and by_bend.jar not in others else []
        shift = np.array([max(int(x0), 0), 0])
        found += [replace(strip, corners_px=strip.corners_px + shift) for strip in fresh]
    return found


def _missed_columns(unread: Array, known: list[Strip]) -> list[tuple[float, float]]:
    """Find upright rows of squares apart from the strips that are known -> their x ranges [px]."""
    size = np.linalg.norm(unread[:, [0, 1, 2]] - unread[:, [1, 2, 3]], axis=2).max(axis=1)
    middle = unread.mean(axis=1)
    free = size > MIN_TAG_PX
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
    each = np.stack(list(tags.values()))
    kept = {k: c for (k, c), is_one in zip(tags.items(), _are_squares(each), strict=True) if is_one}
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


def _are_squares(corners: Array) -> list[bool]:
    """Whether quadrilaterals (n, 4, 2) can be tags seen from the front of a jar."""
    x, y = np.moveaxis(corners[:, [0, 1, 2, 3]] - corners[:, [3, 0, 1, 2]], 2, 0)
    sides = np.sqrt(x * x + y * y)
    least, most = sides.min(axis=1), sides.max(axis=1)
    can_be: list[bool] = ((least > 0.25 * most) & (most > MIN_TAG_PX)).tolist()
    return can_be


def _grey_patch(picture: Picture, first: Sequence[float], last: Sequence[float]) -> Grey:
    """Columns and rows of a picture in grey, as many of them as there are."""
    (x0, y0), (x1, y1) = ([max(int(v), 0) for v in end] for end in (first, last))
    return grey_of(np.ascontiguousarray(picture[y0:y1, x0:x1]))


def _read_again(picture: Picture, strip: Strip) -> Strip:
    """Read a strip's tags once more at full working scale, close round the strip.

    Where none seems to be missing, only the corners are placed anew.
    """
    if _is_whole(strip):
        return _sharpened(picture, strip)
    foot, up = strip.axis_px()
    ends = np.stack([foot - 4 * up, foot + 156 * up])
    margin = 24 * strip.px_per_mm
    x0, y0 = np.floor(ends.min(axis=0) - np.array([margin, 0])).astype(int)
    x1, y1 = np.ceil(ends.max(axis=0) + np.array([margin, 0])).astype(int)
    x0, y0 = max(x0, 0), max(y0, 0)
    patch = _grey_patch(picture, (x0, y0), (x1, y1))
    if min(patch.shape) < 32:
        return strip
    for quick in (True, False):
        seen = _detected(patch, quick=quick, jar=strip.jar).tags
        found = {i: c + np.array([x0, y0]) for i, c in seen.items()}
        own = [s for s in _gather(found) if s.jar == strip.jar]
        if not quick or (own and _is_whole(own[0]) and set(own[0].tags) >= set(strip.tags)):
            break
    return own[0] if own and len(own[0].tags) >= len(strip.tags) else strip


def _is_whole(strip: Strip) -> bool:
    """Whether no tag seems to be missing."""
    return len(strip.tags) >= 4 and strip.tags[-1] == len(strip.tags) - 1


def _sharpened(picture: Picture, strip: Strip) -> Strip:
    """Place a strip's corners to a fraction of a pixel."""
    reach = int(np.clip(0.3 * 2.0 * strip.px_per_mm, 2, 6))  # a third of a cell: no other corner
    corners = strip.corners_px.reshape(-1, 1, 2)
    # corners stay within reach of where they were, and are seen within reach of where they are
    first = np.maximum(np.floor(corners.min(axis=(0, 1))) - 2 * reach - 4, 0)
    patch = _grey_patch(picture, first, corners.max(axis=(0, 1)) + 2 * reach + 5)
    moved = (corners - first).astype(np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.02)
    cv2.cornerSubPix(patch, moved, (reach, reach), (-1, -1), stop)
    return replace(strip, corners_px=(moved + first).reshape(-1, 4, 2).astype(np.float64))


# --- tags bent round the side of a jar ----------------------------------------------------------
