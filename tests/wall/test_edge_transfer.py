"""How much detail comes through, against edges drawn with a known softness."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from jarvision.jar.strip import Strip
from jarvision.wall.edge_transfer import FREQUENCY, edge_transfer


def tag(
    blur_px: float, *, lean: float = 0.03, sharpen: float = 0.0, noise: float = 1.0
) -> tuple[NDArray[np.uint8], Strip]:
    """Draw a black square with leaning sides, ten times too fine, and let the pixels average it."""
    fine, side, at = 8, 200, 60
    size = side + 2 * at
    y, x = np.mgrid[: size * fine, : size * fine] / fine
    left, right = at + lean * (y - at), at + side + lean * (y - at)
    black = (x > left) & (x < right) & (y > at) & (y < at + side)
    level = cv2.resize(np.where(black, 30.0, 210.0), (size, size), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(level, (0, 0), blur_px)
    if sharpen:
        soft = soft + sharpen * (soft - cv2.GaussianBlur(soft, (0, 0), 1.2))
    soft = soft + noise * np.random.default_rng(1).standard_normal(soft.shape)
    corners = np.array(
        [
            [at, at],
            [at + side, at],
            [at + side + lean * side, at + side],
            [at + lean * side, at + side],
        ],
        dtype=np.float64,
    )
    strip = Strip(1, (0,), (corners - 0.5)[None], np.zeros((1, 4, 2)))
    return np.clip(soft, 0, 255).astype(np.uint8), strip


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.8])
@pytest.mark.parametrize("lean", [0.0, 0.03])
def test_a_known_blur_is_found(blur_px: float, lean: float) -> None:
    """A blur's transfer is its kernel's spectrum, the pixel's a sinc (any optics text)."""
    grey, strip = tag(blur_px, lean=lean)
    found = edge_transfer(grey, strip, 1.0)
    assert found is not None
    kernel = cv2.getGaussianKernel(31, blur_px).ravel()
    wave = np.exp(-2j * np.pi * FREQUENCY[:, None] * np.arange(31)) @ kernel
    true = np.abs(wave) * np.sinc(FREQUENCY)
    highest = (
        0.5 if lean else 0.2
    )  # an edge that stands upright falls on the same places in all rows
    seen = (true > 0.12) & (highest > FREQUENCY)
    assert np.abs(found - true)[seen].max() < 0.07


def test_sharpening_shows() -> None:
    plain, strip = tag(0.8)
    sharpened, _ = tag(0.8, sharpen=1.0)
    before, after = edge_transfer(plain, strip, 1.0), edge_transfer(sharpened, strip, 1.0)
    assert before is not None
    assert after is not None
    low = np.exp(-2 * (np.pi * 1.2 * FREQUENCY) ** 2)
    part = (FREQUENCY > 0.05) & (FREQUENCY < 0.3)
    assert np.abs(after / before - (2 - low))[part].max() < 0.12


def test_a_tag_that_is_cut_off_says_nothing() -> None:
    grey, strip = tag(0.8)
    assert edge_transfer(grey[:100, :100], strip, 1.0) is None
