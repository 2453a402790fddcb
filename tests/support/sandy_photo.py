"""A photo of a jar whose sand is drawn grain by grain: the wall of a real picture, other grains.

The settling that grades them is worked out here and shares nothing with the package: speeds by
Ferguson and Church (2004, J. Sediment. Res. 74:933-937), every size at its own pace from an even
suspension. The wall's shade and light stay those of the photo; grains replace its texture.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from jarvision.jar.strip import Strip
from jarvision.photo.decode import Photo, open_photo
from jarvision.wall.edge_transfer import FREQUENCY, edge_transfer
from jarvision.wall.locate import Look, look_at_jar, orient
from tests.support.grain_pictures import GrainPicture, cells, packed_ellipses

Array = NDArray[np.float64]
LAWS = {"ellipses": packed_ellipses, "cells": cells}


def fall_mm_s(diameter_mm: Array) -> Array:
    """Speed of a lone quartz grain in water of 20 °C [mm/s] (C1 = 18, C2 = 1)."""
    d = np.asarray(diameter_mm) * 1e-3
    return np.asarray(1e3 * 1.65 * 9.81 * d**2 / (18 * 1.0e-6 + np.sqrt(0.75 * 1.65 * 9.81 * d**3)))


def graded_sizes(
    sizes_mm: Array, shares: Array, fall_mm: float, cells_up: int = 60
) -> tuple[Array, Array]:
    """Mean size by mass, and spread of its logarithm, in `cells_up` slices of a settled layer."""
    down_s = fall_mm / fall_mm_s(sizes_mm)
    time = np.concatenate([[0.0], np.geomspace(0.05, down_s.max(), 4000)])
    fallen = shares[:, None] * np.minimum(time / down_s[:, None], 1.0)
    height = fallen.sum(axis=0) / shares.sum()
    at = np.interp(np.linspace(0, 1, cells_up + 1), height, time)
    down = np.array([np.interp(at, time, f) for f in fallen])
    part = np.diff(down, axis=1)
    part = part / part.sum(axis=0)
    mean = (part * sizes_mm[:, None]).sum(axis=0)
    log = np.log(sizes_mm)[:, None]
    middle = (part * log).sum(axis=0)
    return mean, np.sqrt((part * (log - middle) ** 2).sum(axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class SandyPhoto:
    """A photo with drawn sand, and what its sand truly is.

    Attributes
    ----------
    look : Look
        What was found in the photo that it was drawn into, at the enlarged scale's working size.
    grey : (height, width) uint8 array
        The photo at full scale.
    height_mm, mean_mm : arrays
        True mean diameters by area, by height above the strip's zero.
    """

    look: Look
    strip: Strip | None
    grey: NDArray[np.uint8]
    height_mm: Array
    mean_mm: Array

    def true_mean_mm(self, bottom_mm: float, top_mm: float) -> float:
        """Mean diameter by area between two heights above the strip's zero [mm]."""
        inside = (self.height_mm >= bottom_mm) & (self.height_mm < top_mm)
        return float(self.mean_mm[inside].mean())


def looked_at(path: Path) -> tuple[Photo, Look, Strip | None]:
    """Open a photo and find its jar."""
    photo, strips = orient(open_photo(path))
    strip = strips[0] if strips else None
    looks, refused = look_at_jar({path: photo}, {path: strip})
    if refused:
        raise refused[path]
    return photo, looks[path], strip


def with_drawn_sand(
    seen: tuple[Photo, Look, Strip | None],
    *,
    floor_mm: float,
    sand_top_mm: float,
    sizes_mm: Array,
    shares: Array,
    fall_mm: float = 110.0,
    law: str = "ellipses",
    mineral: str = "mixed",
    enlarged: float = 2.0,
    blur_px: float = 0.8,
    noise: float = 0.008,
    jpeg: int = 92,
    graded: bool = True,
    seed: int = 1,
) -> SandyPhoto:
    """Draw sand into the wall of a photo, `enlarged` times as many pixels as its working picture.

    Parameters
    ----------
    seen : tuple
        As `looked_at` gives it.
    floor_mm, sand_top_mm : float
        Floor above the strip's zero, top of the sand above the floor [mm].
    sizes_mm, shares : (n,) arrays
        The sand's sieve curve: diameters and shares of its mass.
    fall_mm : float
        Height of the water [mm].
    law, mineral : str
        How grains are drawn.
    enlarged : float
        Pixels a working pixel.
    blur_px, noise, jpeg
        The camera, as `grain_pictures.through_camera` takes them; also of the strip's edges.
    graded : bool
        Whether grains lie as they settle; else the same all through.
    """
    photo, look, strip = seen
    rng = np.random.default_rng(seed)
    view = look.jar.view
    bgr = cv2.resize(photo.bgr, None, fx=enlarged, fy=enlarged, interpolation=cv2.INTER_LANCZOS4)
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.float64) / 255
    ends = view.front_px(np.array([10.0, 30.0])) * enlarged
    px_per_mm = float(np.linalg.norm(ends[1] - ends[0]) / 20)
    slices = 60
    if graded:
        mean, spread = graded_sizes(sizes_mm, shares, fall_mm, slices)
    else:
        whole = float((shares * sizes_mm).sum() / shares.sum())
        log = np.log(sizes_mm)
        middle = float((shares * log).sum() / shares.sum())
        wide = float(np.sqrt((shares * (log - middle) ** 2).sum() / shares.sum()))
        mean, spread = np.full(slices, whole), np.full(slices, wide)
    rows = round(sand_top_mm * px_per_mm)
    columns = round(2.7 * view.outline.radius_mm * px_per_mm)
    up = (np.arange(rows) + 0.5) / rows
    size_mm = np.interp(up, (np.arange(slices) + 0.5) / slices, mean)
    draw = LAWS[law]
    blocks: list[GrainPicture] = []
    for block in np.array_split(np.arange(rows), max(1, rows // round(4 * px_per_mm))):
        middle_mm = float(size_mm[block].mean())
        own_spread = float(np.interp(up[block].mean(), np.linspace(0, 1, slices), spread))
        blocks.append(
            draw(
                rng,
                (len(block), columns),
                middle_mm * px_per_mm,
                log_spread=float(np.clip(own_spread, 0.15, 0.6)),
                mineral=mineral,
                size_at=size_mm[block] / middle_mm,
            )
        )
    drawn = np.vstack(
        [b.grey[: len(i)] for b, i in zip(blocks, _split(rows, px_per_mm), strict=True)]
    )
    size_px = np.vstack([b.diameter_px for b in blocks])
    rows = len(drawn)
    # where in the drawn wall each pixel of the photo lies
    z = np.linspace(floor_mm, floor_mm + sand_top_mm, 80)
    arc = np.linspace(-1.3, 1.3, 100)
    at = (view.wall_px(arc[None, :], (z + view.glass_drop_mm(z))[:, None]) + 0.5) * enlarged - 0.5
    height, width = grey.shape
    left, right = int(at[..., 0].min()), int(at[..., 0].max()) + 1
    top, bottom = int(at[..., 1].min()), int(at[..., 1].max()) + 1
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, width), min(bottom, height)
    gx, gy = np.meshgrid(np.arange(left, right), np.arange(top, bottom))
    from scipy.interpolate import griddata

    source = at[::4, ::4].reshape(-1, 2)
    ij = np.array(np.meshgrid(z[::4], arc[::4], indexing="ij")).reshape(2, -1)
    zz, aa = (griddata(source, v, (gx, gy), method="cubic") for v in ij)
    inside = np.isfinite(zz) & (np.abs(aa) < 1.28) & (zz > floor_mm) & (zz < floor_mm + sand_top_mm)
    row = (zz - floor_mm) * px_per_mm - 0.5
    column = columns / 2 + aa * view.outline.radius_mm * px_per_mm
    texture = cv2.remap(
        drawn.astype(np.float32),
        np.nan_to_num(column).astype(np.float32),
        np.nan_to_num(row).astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )
    # As soft as the strip beside it; how well that is measured has a test of its own.
    soft = edge_transfer(np.round(255 * grey).astype(np.uint8), strip, enlarged) if strip else None
    texture = _softened(texture, soft if soft is not None else np.ones_like(FREQUENCY))
    patch = grey[top:bottom, left:right]
    shade = cv2.GaussianBlur(patch, (0, 0), 4 * px_per_mm)
    on_strip = _on_strip(look, strip, (gx / enlarged, gy / enlarged))
    patch[inside & ~on_strip] = (texture * shade / drawn.mean())[inside & ~on_strip]
    seen_px = cv2.GaussianBlur(grey, (0, 0), blur_px) + noise * rng.standard_normal(grey.shape)
    levels = np.clip(np.round(255 * seen_px), 0, 255).astype(np.uint8)
    _, raw = cv2.imencode(".jpg", levels, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
    levels = np.asarray(cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
    true = size_px.mean(axis=1)[:rows] / px_per_mm
    return SandyPhoto(look, strip, levels, floor_mm + up[:rows] * sand_top_mm, true)


def _softened(texture: Array, transfer: Array) -> Array:
    tall, wide = (cv2.getOptimalDFTSize(n) for n in texture.shape)
    k = np.hypot(np.fft.fftfreq(tall)[:, None], np.fft.rfftfreq(wide)[None, :])
    waves = np.fft.rfft2(texture, (tall, wide)) * np.interp(k, FREQUENCY, transfer, right=0.0)
    return np.asarray(np.fft.irfft2(waves, (tall, wide))[: texture.shape[0], : texture.shape[1]])


def _split(rows: int, px_per_mm: float) -> list[Array]:
    return np.array_split(np.arange(rows), max(1, rows // round(4 * px_per_mm)))


def _on_strip(look: Look, strip: Strip | None, at: tuple[Array, Array]) -> NDArray[np.bool_]:
    """Where the strip's paper hides the wall."""
    if strip is None:
        return np.zeros(at[0].shape, bool)
    left, right = look.jar.strip_azimuths
    z = np.array([-5.0, 60.0])
    edge = [look.jar.view.wall_px(np.full(2, a), z) for a in (left, right)]
    x = [np.interp(at[1], e[::-1, 1], e[::-1, 0]) for e in edge]
    return (at[0] > x[0]) & (at[0] < x[1])
