"""Pen lines and tape drawn on the outside of jars in pictures, at heights that are known.

The ink is a film on the glass: what shines through it is multiplied channel by channel (Beer and
Lambert), a little light comes back from its surface. Nothing here is imported from the module that
looks for such lines. Inks' and tapes' colours are our own judgement, no source.
"""

from __future__ import annotations

import csv
import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scenes import SAMPLES, Shot, outline_xy, seen_at

from jarvision.jar.view_fit import Jar

Place = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""From distances round the jar's outside and heights (n,) [mm] to picture positions (n, 2)."""

# Part of the light that passes a full stroke, and that comes back: blue, green, red, linear light.
INKS = {
    "black": ((0.07, 0.06, 0.06), (0.010, 0.010, 0.010)),
    "blue": ((0.45, 0.14, 0.06), (0.030, 0.012, 0.008)),
    "red": ((0.10, 0.07, 0.60), (0.008, 0.008, 0.030)),
    "green": ((0.16, 0.42, 0.09), (0.010, 0.024, 0.008)),
}
TAPES = {  # light that a tape sends back under light that makes white paper 0.8; opacity
    "masking": ((0.30, 0.48, 0.60), 0.9),
    "electrical": ((0.03, 0.03, 0.03), 1.0),
    "washi": ((0.50, 0.30, 0.55), 0.75),
}
_OVER = 4  # drawn at so many times the picture's size


@dataclass(frozen=True)
class Stroke:
    """A hand-drawn line: its middle's height and place, along and across [mm]."""

    z_mm: float
    arc_mm: float = 0.0
    length_mm: float = 25.0
    thick_mm: float = 1.0
    ink: str = "black"
    density: float = 1.0
    tilt: float = 0.01  # rise a millimetre
    wave_mm: float = 0.12
    shine: float = 0.0  # part of the light that a glossy spot on it mirrors
    shadow: float = 0.0  # part of the light that is missing where its shadow falls on the soil
    seed: int = 1


@dataclass(frozen=True)
class Tape:
    """A piece of tape: heights of its lower and upper edge, place and length [mm]."""

    low_mm: float
    high_mm: float
    arc_mm: float = 0.0
    length_mm: float = 25.0
    kind: str = "masking"
    tilt: float = 0.01
    seed: int = 1


@dataclass(frozen=True)
class Ridge:
    """A raised line of the glass itself: no ink, it only bends the light."""

    z_mm: float
    arc_mm: float = 0.0
    length_mm: float = 12.0
    thick_mm: float = 0.9
    strength: float = 0.25


def drawn_on(
    bgr: np.ndarray,
    place: Place,
    marks: Sequence[Stroke | Tape | Ridge],
    *,
    blur_px: float = 1.0,
    light: float = 0.6,
    noise: float = 0.8,
) -> np.ndarray:
    """Draw marks into a copy of a picture; `light` is that of white paper, in linear light."""
    picture = bgr.copy()
    for mark in marks:
        outline = _outline_of(mark)
        pad = 3.0 if isinstance(mark, Stroke) else 1.0
        corners = place(*_box(outline, pad))
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 6, 0)
        high = np.ceil(corners.max(axis=0)).astype(int) + 7
        window = picture[low[1] : high[1], low[0] : high[0]]
        if window.size == 0:
            continue
        linear = (window.astype(np.float64) / 255.0) ** 2.2
        out = _inked(linear, mark, outline, lambda a, z, o=low: place(a, z) - o, blur_px, light)
        rng = np.random.default_rng(_seed(mark) + 77)
        values = 255.0 * np.clip(out, 0.0, 1.0) ** (1 / 2.2)
        changed = np.abs(out - linear).max(axis=2, keepdims=True) > 1e-4
        values += np.where(changed, rng.normal(0.0, noise, values.shape), 0.0)
        window[:] = np.clip(np.where(changed, values, window) + 0.5, 0, 255).astype(np.uint8)
    return picture


def _seed(mark: Stroke | Tape | Ridge) -> int:
    return getattr(mark, "seed", 1)


def _outline_of(mark: Stroke | Tape | Ridge) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arc, lower and upper edge of a mark along it (n,) [mm]."""
    along = np.arange(-mark.length_mm / 2, mark.length_mm / 2 + 0.05, 0.1)
    if isinstance(mark, Tape):
        rise = mark.tilt * along
        return mark.arc_mm + along, mark.low_mm + rise, mark.high_mm + rise
    if isinstance(mark, Ridge):
        half = np.full(len(along), mark.thick_mm / 2)
        return mark.arc_mm + along, mark.z_mm - half, mark.z_mm + half
    rng = np.random.default_rng(mark.seed)
    middle = mark.tilt * along
    for period in (30.0, 13.0, 5.0):
        turn = 2 * np.pi * (along / period + rng.random())
        middle = middle + mark.wave_mm * (period / 30.0) ** 0.5 * np.sin(turn)
    middle += mark.z_mm - middle.mean()
    half = mark.thick_mm / 2 * (1.0 + 0.12 * _smooth(rng, len(along), 20))
    return mark.arc_mm + along, middle - half, middle + half


def _smooth(rng: np.random.Generator, count: int, size: float) -> np.ndarray:
    """Smooth noise of unit spread, (count,)."""
    kernel = np.exp(-0.5 * (np.arange(-3 * size, 3 * size + 1) / size) ** 2)
    raw = np.convolve(rng.standard_normal(count + len(kernel) - 1), kernel, mode="valid")
    return raw / np.sqrt((kernel**2).sum())


def _box(
    outline: tuple[np.ndarray, np.ndarray, np.ndarray], pad: float
) -> tuple[np.ndarray, np.ndarray]:
    arc, low, high = outline
    arc = np.concatenate([[arc[0] - pad], arc, [arc[-1] + pad]])
    ends = [np.full(len(arc), low.min() - pad), np.full(len(arc), high.max() + pad)]
    return np.concatenate([arc, arc]), np.concatenate(ends)


def _inked(
    linear: np.ndarray,
    mark: Stroke | Tape | Ridge,
    outline: tuple[np.ndarray, np.ndarray, np.ndarray],
    place: Place,
    blur_px: float,
    light: float,
) -> np.ndarray:
    """Linear light of a window with the mark on it."""
    rng = np.random.default_rng(_seed(mark) + 1)
    arc, low, high = outline
    if isinstance(mark, Tape):
        cover = _covered(linear.shape, place, arc, low, high, blur_px)[..., None]
        colour, opacity = TAPES[mark.kind]
        crepe = 1.0 + 0.05 * cv2.GaussianBlur(rng.standard_normal(linear.shape[:2]), (0, 0), 1.5)
        own = light * np.array(colour) * crepe[..., None] + (1 - opacity) * linear
        return linear * (1 - cover) + own * cover
    if isinstance(mark, Ridge):
        third = (high - low) / 2
        dark = _covered(linear.shape, place, arc, low, low + third, blur_px)[..., None]
        glint = _covered(linear.shape, place, arc, high - third, high, blur_px)[..., None]
        return linear * (1 - mark.strength * dark) * (1 + mark.strength * glint)
    passes, back = (np.array(v) for v in INKS[mark.ink])
    film = _film(linear.shape, place, mark, outline, blur_px, rng)[..., None]
    if mark.shadow:
        fall = 1.3  # light from above: its shadow on the soil behind the glass lies lower
        soft = _covered(linear.shape, place, arc, low - fall, high - fall, blur_px)
        soft = cv2.GaussianBlur(soft, (0, 0), 3.5)
        linear = linear * (1 - mark.shadow * soft[..., None])
    out = linear * passes**film + light * back * (1 - 0.1**film)
    if mark.shine:
        part = slice(len(arc) // 3, len(arc) // 3 + max(len(arc) // 4, 4))
        third = (high - low)[part] / 3
        glint = _covered(
            linear.shape, place, arc[part], low[part] + third, high[part] - third, 1.5 * blur_px
        )
        out = out + light * mark.shine * glint[..., None]
    return out


def _film(
    shape: tuple[int, ...],
    place: Place,
    mark: Stroke,
    outline: tuple[np.ndarray, np.ndarray, np.ndarray],
    blur_px: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Thickness of the ink, 1 for a full stroke: streaky, ragged at its ends, more at its rims."""
    arc, low, high = outline
    film = np.zeros(shape[:2])
    hairs = 5
    for k in range(hairs):
        first = int(rng.integers(0, max(1, min(12, len(arc) // 8))))
        last = len(arc) - int(rng.integers(0, max(1, min(18, len(arc) // 6))))
        part = slice(first, last)
        below = low + (high - low) * k / hairs
        above = low + (high - low) * (k + 1) / hairs
        cover = _covered(shape, place, arc[part], below[part], above[part], 0.0)
        film += (1.15 if k in (0, hairs - 1) else 0.95) * float(rng.normal(1.0, 0.1)) * cover
    along = 1.0 + 0.12 * cv2.GaussianBlur(rng.standard_normal(shape[:2]), (0, 0), 4.0) * 14.0
    film *= mark.density * np.clip(along, 0.5, 1.4)
    return cv2.GaussianBlur(film, (0, 0), blur_px)


def _covered(
    shape: tuple[int, ...],
    place: Place,
    arc: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    blur_px: float,
) -> np.ndarray:
    """How far each pixel is covered by what lies between two edges, 0 to 1."""
    ring = np.concatenate([place(arc, low), place(arc, high)[::-1]])
    ring = (ring + 0.5) * _OVER - 0.5
    big = np.zeros((shape[0] * _OVER, shape[1] * _OVER), np.uint8)
    cv2.fillPoly(big, [np.round(ring * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    small = cv2.resize(big, (shape[1], shape[0]), interpolation=cv2.INTER_AREA) / 255.0
    return cv2.GaussianBlur(small, (0, 0), blur_px) if blur_px else small


# --- where marks fall in pictures -----------------------------------------------------------------
@functools.lru_cache(maxsize=1)
def _sample_truth() -> dict[str, dict[str, str]]:
    with (SAMPLES / "truth.csv").open(newline="", encoding="utf-8") as file:
        return {row["photo"]: row for row in csv.DictReader(file)}


def on_photo(jar: Jar, row: dict[str, str]) -> Place:
    """Where heights above the inside floor fall on the outside of the jar in a rendered photo.

    Heights are pinned to the two points that the photo's truth gives on the outside of the glass,
    the floor's and the boundary's; only what lies between and beside them follows the view.
    """
    view = jar.view
    z = np.arange(-15.0, 150.0, 0.05)
    y = view.front_px(z)[:, 1]
    ends = np.interp([-float(row["floor_y_px"]), -float(row["top_y_px"])], -y, z)
    top = float(row["top_mm"])
    # two points near each other would stretch their own rounding
    stretch = (ends[1] - ends[0]) / top if top > 15.0 else 1.0
    azimuth = np.linspace(-1.4, 1.4, 2801)
    xy = np.stack(view.outline.points(azimuth), axis=-1)
    step = np.linalg.norm(np.diff(xy, axis=0), axis=1)
    arc = np.concatenate([[0.0], np.cumsum(step)])
    arc -= arc[len(arc) // 2]

    def place(arc_mm: np.ndarray, z_mm: np.ndarray) -> np.ndarray:
        return view.wall_px(np.interp(arc_mm, arc, azimuth), ends[0] + stretch * z_mm)

    return place


def sample_row(jar: str, reading: str) -> dict[str, str]:
    """The truth of a sample photo."""
    return _sample_truth()[f"jar-{jar}-{reading}.jpg"]


def on_shot(shot: Shot) -> Place:
    """Where heights above the inside floor fall on the outside of a drawn jar."""
    azimuth = np.linspace(-1.4, 1.4, 2801)
    xy = outline_xy(shot, azimuth)
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])
    arc -= arc[len(arc) // 2]

    def place(arc_mm: np.ndarray, z_mm: np.ndarray) -> np.ndarray:
        at = outline_xy(shot, np.interp(arc_mm, arc, azimuth))
        return seen_at(shot, np.column_stack([at, z_mm]))

    return place
