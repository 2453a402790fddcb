"""Strips whose tags run round the side of a jar, where no tag is a square."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.core.arrays import Array, Grey, Mask
from jarvision.jar.strip import MIN_TAG_PX, Strip
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.tag_code import family

_BENDS = np.linspace(-0.75, 0.75, 13)  # how cells crowd towards one side: s + bend s (1 - s)
_HIDDEN = np.linspace(0.0, 0.5, 11)  # part of the tag's width beyond the horizon
_LEAST_BITS = 18
_MOST_RAGGED = 0.04  # scatter of a side about its line, as a part of the patch's height
_MOST_PATCHES = 40
_MOST_WRONG = 0.045  # part of the visible cells that may be misread: two of a whole tag


@cache
def _codes() -> Mask:
    """Cells of every tag of the strips, white is true, (ids, 8, 8)."""
    ids = range(strip_spec().tag_count)
    return np.stack([cv2.aruco.generateImageMarker(family(), i, 8) > 127 for i in ids])


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


def _quad_of(contour: NDArray[Any], *, slack: float = 1.0) -> _Quad | None:
    """Fit sides to a dark patch's outline; None where it is no patch of a strip."""
    points = contour[:, 0].astype(np.float64)
    low, high = points.min(axis=0), points.max(axis=0)
    (width, height), middle = high - low, (low + high) / 2
    if height * slack < MIN_TAG_PX or not 0.25 / slack < width / height < 1.4 * slack:
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
    if max(ragged) > slack * (_MOST_RAGGED * height + 1.0):
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
    light: Array, seen: Mask, tries: list[tuple[int, float, float]]
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
    return _read_patches(grey, _dark_patches(grey, picture_px or max(grey.shape)))


def _dark_patches(grey: Grey, picture_px: int) -> list[NDArray[Any]]:
    """Give the outlines of dark patches."""
    dark = cv2.adaptiveThreshold(
        grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, int(picture_px / 20) | 1, 12
    )
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [np.asarray(c) for c in contours if len(c) > 50]


def _read_patches(grey: Grey, contours: Sequence[NDArray[Any]]) -> Strip | None:
    votes: dict[int, dict[int, tuple[float, _Quad, int, float]]] = {}
    patches = _stacked([quad for c in contours if (quad := _quad_of(c))])
    quads = sorted(patches, key=lambda q: -q.height)[:_MOST_PATCHES]
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


_STRETCH = 1.7  # tags two thirds round the front of a jar are about so much narrower than high


def find_strip_round_side(grey: Grey) -> Strip | None:
    """Find a strip round the side of a jar, or so far round that its tags are too narrow.

    A picture made wider is looked at only where patches made wider may be tags.
    """
    contours = [c for c in _dark_patches(grey, max(grey.shape)) if np.ptp(c[..., 1]) > _LOW_PX]
    if found := _read_patches(grey, contours):
        return found
    wider = [_quad_of(contour * [_STRETCH, 1.0], slack=_SLACK) for contour in contours]
    return find_strip_far_round(grey) if _stacked([quad for quad in wider if quad]) else None


_SLACK, _LOW_PX = 1.3, 0.7 * MIN_TAG_PX


def _stacked(quads: Sequence[_Quad]) -> list[_Quad]:
    """Keep patches over or under which another stands that may be of the same strip."""
    if not quads:
        return []
    middle, height = np.array([q.middle for q in quads]), np.array([q.height for q in quads])
    across, up = np.abs(middle[:, None] - middle).transpose(2, 0, 1)
    alike = height[:, None] < 1.6 * height
    beside = alike & alike.T & (up > height) & (across < 0.5 * up)
    return [quad for quad, partners in zip(quads, beside, strict=True) if partners.any()]


def find_strip_far_round(grey: Grey) -> Strip | None:
    """Find a strip far round the side of a jar, whose tags are too narrow to pass for squares."""
    wide = cv2.resize(grey, None, fx=_STRETCH, fy=1.0, interpolation=cv2.INTER_CUBIC)
    found = find_bent_strip(np.asarray(wide, dtype=np.uint8))
    if found is None:
        return None
    corners = found.corners_px.copy()
    corners[..., 0] = (corners[..., 0] + 0.5) / _STRETCH - 0.5
    return replace(found, corners_px=corners)
