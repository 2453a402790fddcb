"""Pictures of packed grains whose sizes are known, drawn by two laws that share nothing.

`packed_ellipses` lays ellipses one before the other, as grains lie against a pane: those in front
whole, those behind seen through the gaps and in shade. `cells` cuts the plane into the cells of a
power diagram (Aurenhammer 1987), each a facet of one mineral, with dark seams. Both give each
grain's own diameter, so that what a picture truly shows is counted, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class GrainPicture:
    """Grey levels from 0 to 1, and at each pixel its grain's intermediate diameter [px]."""

    grey: Array
    diameter_px: Array

    def mean_px(self, rows: slice = slice(None)) -> float:
        """Mean intermediate diameter by area [px]."""
        return float(self.diameter_px[rows].mean())


def log_normal_px(rng: np.random.Generator, mean_px: float, log_spread: float, count: int) -> Array:
    """Draw diameters by number whose area-weighted law is log-normal of that mean [px]."""
    # Weighing by area moves the logarithm's mean by twice its variance.
    middle = np.log(mean_px) - log_spread**2 / 2 - 2 * log_spread**2
    return np.exp(middle + log_spread * rng.standard_normal(count))


MINERALS = {  # grey of grains, its spread, and of the wet gaps between them
    "quartz": (0.62, 0.10, 0.30),
    "mixed": (0.50, 0.16, 0.22),
    "basalt": (0.24, 0.06, 0.10),
}


def _greys(rng: np.random.Generator, count: int, mineral: str) -> Array:
    level, spread, _ = MINERALS[mineral]
    grey = level + spread * rng.standard_normal(count)
    odd = rng.random(count) < 0.06  # a grain of another mineral, pale or dark
    grey[odd] = rng.choice([0.12, 0.85], odd.sum())
    return np.clip(grey, 0.03, 0.97)


def packed_ellipses(
    rng: np.random.Generator,
    shape: tuple[int, int],
    mean_px: float,
    *,
    log_spread: float = 0.35,
    mineral: str = "mixed",
    size_at: Array | None = None,
) -> GrainPicture:
    """Lay ellipses before one another.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : tuple of int
        Rows and columns.
    mean_px : float
        Mean diameter by area [px], where nothing hides anything.
    log_spread : float
        Standard deviation of the diameters' logarithm.
    mineral : str
        A key of `MINERALS`.
    size_at : (rows,) array, optional
        How much larger grains are at each row.
    """
    fine = int(np.clip(np.ceil(10.0 / mean_px), 1, 8))
    rows, columns = shape[0] * fine, shape[1] * fine
    mean = mean_px * fine
    labels = np.zeros((rows, columns), np.int32)
    in_front = np.zeros((rows, columns), np.uint8)
    kept: list[tuple[float, ...]] = [(0.0,) * 6]
    gap = MINERALS[mineral][2]
    # the area by number of such grains
    area = np.pi / 4 * mean**2 * np.exp(-3 * log_spread**2) * 1.3
    for is_front in (False, True):
        count = int((2.5 if is_front else 4.0) * rows * columns / area)
        b = log_normal_px(rng, mean, log_spread, count)
        if is_front:
            b = np.sort(b)[::-1]
        x, y = rng.random(count) * columns, rng.random(count) * rows
        if size_at is not None:
            b = b * np.repeat(size_at, fine)[y.astype(int)]
        a = b * np.exp(np.abs(0.25 * rng.standard_normal(count)) + 0.1)
        turn = rng.random(count) * np.pi
        grey = _greys(rng, count, mineral)
        ring = np.linspace(0, 2 * np.pi, 8, endpoint=False)
        for i in range(count):
            if is_front:
                c, s = np.cos(turn[i]), np.sin(turn[i])
                u, v = 0.42 * a[i] * np.cos(ring), 0.42 * b[i] * np.sin(ring)
                px = np.clip(np.append(x[i], x[i] + c * u - s * v), 0, columns - 1).astype(int)
                py = np.clip(np.append(y[i], y[i] + s * u + c * v), 0, rows - 1).astype(int)
                if in_front[py, px].any():
                    continue
            kept.append(
                (
                    b[i],
                    x[i],
                    y[i],
                    a[i],
                    turn[i],
                    grey[i] if is_front else gap + 0.6 * (grey[i] - gap),
                )
            )
            ellipse = ((x[i], y[i]), (a[i], b[i]), np.degrees(turn[i]))
            cv2.ellipse(labels, ellipse, len(kept) - 1, -1)
            if is_front:
                cv2.ellipse(in_front, ellipse, 1, -1)
    grain = np.array(kept)
    yy, xx = np.mgrid[:rows, :columns].astype(np.float32)
    own = grain[labels]
    c, s = np.cos(own[..., 4]), np.sin(own[..., 4])
    dx, dy = xx - own[..., 1], yy - own[..., 2]
    half_a, half_b = np.maximum(own[..., 3], 1e-6) / 2, np.maximum(own[..., 0], 1e-6) / 2
    from_middle = ((c * dx + s * dy) / half_a) ** 2 + ((c * dy - s * dx) / half_b) ** 2
    grey = own[..., 5] * (1 - 0.35 * np.clip(from_middle, 0, 1) ** 1.5)
    grey[labels == 0] = gap
    return GrainPicture(_shrunk(grey, fine), _shrunk(own[..., 0], fine) / fine)


def cells(
    rng: np.random.Generator,
    shape: tuple[int, int],
    mean_px: float,
    *,
    log_spread: float = 0.35,
    mineral: str = "mixed",
    size_at: Array | None = None,
) -> GrainPicture:
    """Cut the plane into the cells of a power diagram; parameters as in `packed_ellipses`."""
    fine = int(np.clip(np.ceil(8.0 / mean_px), 1, 8))
    rows, columns = shape[0] * fine, shape[1] * fine
    mean = mean_px * fine
    area = np.pi / 4 * mean**2 * np.exp(-3 * log_spread**2) * 1.1
    count = int(rows * columns / area * 1.6)
    d = log_normal_px(rng, mean, log_spread, count)
    x, y = rng.random(count) * columns, rng.random(count) * rows
    if size_at is not None:
        d = d * np.repeat(size_at, fine)[y.astype(int)]
    # the largest first; who would have his middle inside a larger one is dropped
    order = np.argsort(-d)
    d, points = d[order], np.column_stack([x, y])[order]
    tree = cKDTree(points)
    alive = np.ones(count, bool)
    for i in range(count):
        if alive[i]:
            near = np.array(tree.query_ball_point(points[i], 0.55 * d[i]))
            alive[near[near > i]] = False
    d, points = d[alive], points[alive]
    yy, xx = np.mgrid[:rows, :columns]
    pixels = np.column_stack([xx.ravel(), yy.ravel()])
    far, near = cKDTree(points).query(pixels, k=min(16, len(d)), workers=1)
    power = far**2 - (0.45 * d[near]) ** 2
    first_two = np.argpartition(power, 1, axis=1)[:, :2]
    two = np.take_along_axis(power, first_two, 1)
    swap = two[:, 0] > two[:, 1]
    first_two[swap] = first_two[swap][:, ::-1]
    cell = np.take_along_axis(near, first_two, 1)
    apart = np.linalg.norm(points[cell[:, 0]] - points[cell[:, 1]], axis=1)
    to_seam = np.abs(two[:, 0] - two[:, 1]) / (2 * np.maximum(apart, 1e-9))
    labels = cell[:, 0].reshape(rows, columns)
    own_grey = _greys(rng, len(d), mineral)[labels]
    tilt = rng.standard_normal((len(d), 2)) * 0.05  # a facet is not evenly lit
    own_grey = (
        own_grey
        + (tilt[labels, 0] * (xx - points[labels, 0]) + tilt[labels, 1] * (yy - points[labels, 1]))
        / mean
    )
    seam = np.exp(-to_seam.reshape(rows, columns) / (0.06 * d[labels]))
    gap = MINERALS[mineral][2]
    grey = own_grey + (gap - own_grey) * seam * 0.8
    return GrainPicture(
        _shrunk(grey, fine), _shrunk(_cell_diameters(labels, len(d))[labels], fine) / fine
    )


def _cell_diameters(labels: NDArray[np.int64], count: int) -> Array:
    """Intermediate diameter of each cell: the short axis of the ellipse of its moments."""
    flat = labels.ravel()
    yy, xx = np.mgrid[: labels.shape[0], : labels.shape[1]]
    n = np.maximum(np.bincount(flat, minlength=count), 1)
    mean = [np.bincount(flat, v.ravel(), count) / n for v in (xx, yy)]
    second = [
        np.bincount(flat, (u * v).ravel(), count) / n - mean[i] * mean[j]
        for i, j, u, v in ((0, 0, xx, xx), (1, 1, yy, yy), (0, 1, xx, yy))
    ]
    xx2, yy2, xy = second[0] + 1 / 12, second[1] + 1 / 12, second[2]
    least = (xx2 + yy2) / 2 - np.sqrt(((xx2 - yy2) / 2) ** 2 + xy**2)
    return np.asarray(4 * np.sqrt(np.maximum(least, 1 / 16)))


def _shrunk(picture: Array, by: int) -> Array:
    rows, columns = picture.shape[0] // by, picture.shape[1] // by
    return np.asarray(picture.reshape(rows, by, columns, by).mean(axis=(1, 3)))


def through_camera(
    grey: Array,
    rng: np.random.Generator,
    *,
    blur_px: float = 0.7,
    noise: float = 0.01,
    sharpen: float = 0.0,
    sharpen_px: float = 1.2,
    jpeg: int | None = None,
) -> Array:
    """Take a picture through a lens, a sensor, a phone's sharpening and JPEG."""
    seen = cv2.GaussianBlur(grey, (0, 0), blur_px) if blur_px else grey
    seen = seen + noise * rng.standard_normal(grey.shape)
    if sharpen:
        seen = seen + sharpen * (seen - cv2.GaussianBlur(seen, (0, 0), sharpen_px))
    levels = np.clip(np.round(255 * seen), 0, 255).astype(np.uint8)
    if jpeg is not None:
        _, raw = cv2.imencode(".jpg", levels, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        levels = np.asarray(cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
    return levels.astype(np.float64) / 255
