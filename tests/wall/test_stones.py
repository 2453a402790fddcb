"""Stones of known number and size drawn into drawn sand."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from jarvision.wall.stones import find_stones
from tests.support.grain_pictures import cells, packed_ellipses, through_camera

PX_PER_MM = 10


def with_stones(grey: np.ndarray, count: int, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Lay stones of 3 to 6 mm on the sand; gives the picture and the share that they cover."""
    picture, placed = grey.copy(), []
    while len(placed) < count:
        d = rng.uniform(3, 6) * PX_PER_MM
        x, y = (rng.uniform(0.7 * d, side - 0.7 * d) for side in grey.shape[::-1])
        if any(np.hypot(x - a, y - b) < 0.7 * (d + e) for a, b, e in placed):
            continue
        placed.append((x, y, d))
        stone = cv2.ellipse(np.zeros(grey.shape, np.uint8), ((x, y), (1.2 * d, d), 30.0), 1, -1)
        picture[stone > 0] = rng.uniform(0.2, 0.75)
    return picture, sum(np.pi / 4 * 1.2 * d * d for _, _, d in placed) / grey.size


@pytest.mark.slow
@pytest.mark.parametrize("draw", [packed_ellipses, cells])
@pytest.mark.parametrize("count", [0, 1, 5])
def test_stones_are_counted(draw, count):
    rng = np.random.default_rng(count)
    sand = draw(rng, (24 * PX_PER_MM, 45 * PX_PER_MM), 0.35 * PX_PER_MM, log_spread=0.4)
    picture, share = with_stones(sand.grey, count, rng)
    seen = 255 * through_camera(picture, rng, blur_px=0.9, noise=0.012, jpeg=85)
    found = find_stones([seen], PX_PER_MM)
    assert abs(found.count - count) <= (count > 1)
    assert found.share == pytest.approx(share, abs=0.3 * share + 0.002)


def test_no_wall_no_share():
    assert np.isnan(find_stones([], PX_PER_MM).share)
