"""Strips and tags laid flat into a picture by a known map from millimetres to pixels."""

from __future__ import annotations

import cv2
import numpy as np
from scenes import strip_picture, tag_corners_mm

from jarvision.jar.strip import Strip

PX_PER_MM = 12


SIZE = (1500, 1100)


def homography(*, scale: float = 8.0, turn: float = 0.0, lean: float = 0.0) -> np.ndarray:
    """Strip [mm, z up] -> picture [px, y down]: turned, foreshortened, its foot near the bottom."""
    c, s = np.cos(turn), np.sin(turn)
    flat = np.array([[scale * c, -scale * s, 500.0], [-scale * s, -scale * c, 1360.0], [0, 0, 1.0]])
    return np.array([[1, 0, 0], [0, 1, 0], [lean, lean / 2, 1]]) @ flat


def mapped(h: np.ndarray, mm: np.ndarray) -> np.ndarray:
    q = np.concatenate([mm, np.ones((*mm.shape[:-1], 1))], axis=-1) @ h.T
    return q[..., :2] / q[..., 2:]


def laid(
    picture: np.ndarray, paper: np.ndarray, h: np.ndarray, *, px_per_mm: int = PX_PER_MM
) -> np.ndarray:
    """Lay a flat paper whose lower left is (0, 0) mm into a picture by a homography from mm."""
    rows = paper.shape[0]
    from_px = np.array([[1, 0, 0.5], [0, -1, rows - 0.5], [0, 0, px_per_mm]]) / px_per_mm
    size = picture.shape[::-1]
    soft = cv2.GaussianBlur(paper, (0, 0), 0.6)
    flat = cv2.warpPerspective(soft, h @ from_px, size, flags=cv2.INTER_AREA)
    on = cv2.warpPerspective(np.full_like(paper, 255), h @ from_px, size)
    return np.where(on > 127, flat, picture)


def table(rng: np.random.Generator, *, noise: float = 2.0, blur: float = 0.8):
    """An empty grey picture, and how to finish one."""

    def finished(picture: np.ndarray) -> np.ndarray:
        soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur)
        return np.clip(soft + rng.normal(0, noise, soft.shape), 0, 255).astype(np.uint8)

    return np.full(SIZE, 150, np.uint8), finished


def strip_in_picture(h: np.ndarray, *, jar: int = 7, seed: int = 1, **paper: object) -> np.ndarray:
    empty, finished = table(np.random.default_rng(seed))
    return finished(laid(empty, strip_picture(jar, px_per_mm=PX_PER_MM, **paper), h))


def corners_of(strip: Strip, h: np.ndarray) -> np.ndarray:
    """Where the corners of a strip's tags ought to be [px]."""
    return np.stack([mapped(h, tag_corners_mm(k)) for k in strip.tags])
