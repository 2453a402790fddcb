"""JPEG decoded quickly: the pixels are held against OpenCV's own, whose bytes are the reference."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from scenes import sample

from jarvision.photo.jpeg import quick_jpeg

REDUCED = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}


def encoded(mode: str, size: tuple[int, int], *, progressive: bool, subsampling: int) -> bytes:
    file = io.BytesIO()
    with Image.open(sample("02", "48h")) as image:
        part = image.crop((300, 300, 300 + size[0], 300 + size[1])).convert(mode)
    part.save(file, "JPEG", quality=85, progressive=progressive, subsampling=subsampling)
    return file.getvalue()


@pytest.mark.parametrize("size", [(303, 401), (640, 480), (77, 130)])
@pytest.mark.parametrize("mode", ["RGB", "L"])
@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("subsampling", [0, 1, 2])
def test_pixels_are_those_of_opencv(size, mode, progressive, subsampling):
    raw = encoded(mode, size, progressive=progressive, subsampling=subsampling)
    data = np.frombuffer(raw, np.uint8)
    for reduction, flag in REDUCED.items():
        found = quick_jpeg(raw, size, reduction)
        assert found is not None
        np.testing.assert_array_equal(found, cv2.imdecode(data, flag))
    grey = quick_jpeg(raw, size, 1, grey=True)
    assert grey is not None
    np.testing.assert_array_equal(grey, cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))


def test_a_file_with_a_fault_is_left_to_who_tells_what_it_is():
    raw = encoded("RGB", (303, 401), progressive=False, subsampling=2)
    for faulty in (raw[: len(raw) // 2], raw[:300] + raw[320:], b"", raw[:2]):
        assert quick_jpeg(faulty, (303, 401), 2) is None
    assert quick_jpeg(raw, (606, 802), 1) is None  # the header told another size
