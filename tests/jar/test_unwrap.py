"""The unrolled wall: the same heights look the same, however many of them are asked for."""

from pathlib import Path

import numpy as np
import pytest

from jarvision.jar.unwrap import ROW_MM, unroll
from jarvision.photo.decode import open_photo
from jarvision.wall.locate import look_at_jar, strips_in

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture(scope="module")
def seen():
    photo = open_photo(SAMPLES / "jar-02-48h.jpg")
    looks, _ = look_at_jar({0: photo}, {0: strips_in(photo)[0]})
    return photo.bgr, looks[0].jar


@pytest.mark.parametrize("rows", [2, 19, 20, 21, 22, 40, 41, 61])
def test_the_last_rows_are_seen_as_in_a_higher_wall(seen, rows):
    high = unroll(*seen, 60.0, bottom_mm=0.0).bgr.astype(int)
    low = unroll(*seen, (rows - 0.5) * ROW_MM, bottom_mm=0.0).bgr.astype(int)
    assert len(low) == rows
    # positions between the few that are worked out differ by hundredths of a pixel
    assert np.abs(low - high[:rows]).max() <= 6
