"""The full-scale grey picture is the working picture's own, however that was turned."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from jarvision.photo.decode import open_photo
from jarvision.photo.full_resolution import full_grey


@pytest.fixture
def path(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    rough = cv2.resize(rng.uniform(30, 220, (15, 11, 3)).astype(np.uint8), (2200, 3000))
    file = tmp_path / "jar.jpg"
    cv2.imwrite(str(file), rough, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return file


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_it_is_turned_as_the_working_picture(path: Path, quarters: int, mirrored: bool) -> None:
    photo = open_photo(path, longest_px=1500)
    assert photo.reduction == 2
    bgr = np.rot90(photo.bgr, quarters)
    bgr = np.ascontiguousarray(bgr[:, ::-1] if mirrored else bgr)
    grey = full_grey(path, replace(photo, bgr=bgr))
    assert grey is not None
    assert grey.shape == (2 * bgr.shape[0], 2 * bgr.shape[1])
    small = cv2.resize(grey, bgr.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert np.abs(small.astype(int) - cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)).mean() < 2.0


def test_another_picture_is_told(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.jpg"
    rng = np.random.default_rng(9)
    rough = cv2.resize(rng.uniform(30, 220, (9, 13, 3)).astype(np.uint8), (2200, 3000))
    cv2.imwrite(str(other), rough)
    assert full_grey(other, open_photo(path, longest_px=1500)) is None


def test_a_small_photo_is_not_decoded_again(path: Path, tmp_path: Path) -> None:
    photo = open_photo(path, longest_px=3000)
    grey = full_grey(tmp_path / "gone.jpg", photo)
    assert grey is not None
    assert grey.shape == photo.bgr.shape[:2]
