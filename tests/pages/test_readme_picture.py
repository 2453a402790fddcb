"""The overlay that the README shows says what is read today."""

import numpy as np
import pytest
from PIL import Image
from samples_read import SamplesRead
from scenes import ROOT

SHOWN = ROOT / "sample_images" / "overlay-example.jpg"
HEAD_PX = 170  # jar, soil and what to check, in words


def head(path) -> np.ndarray:
    with Image.open(path) as picture:
        return np.asarray(picture.convert("L"), dtype=float)[:HEAD_PX]


@pytest.mark.slow
@pytest.mark.photo
def test_the_picture_says_what_is_read_today(samples_read: SamplesRead) -> None:
    """Where it does not, copy this run's overlay of jar 9 at 48 hours over it, and look at it."""
    drawn, shown = (head(path) for path in (samples_read.out / "overlay-9-48h.jpg", SHOWN))
    assert drawn.shape == shown.shape
    assert np.abs(drawn - shown).mean() < 0.5  # grey levels; other words differ by 0.7 to 10


def test_the_picture_says_nothing_of_who_took_it() -> None:
    with Image.open(SHOWN) as picture:
        assert picture.size == (1110, 1522)
        assert not picture.getexif()
