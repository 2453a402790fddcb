"""What looks like a tag: AprilTags as OpenCV draws them, against stripes, edges and speckle."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from jarvision.jar.tag_texture import may_hold_tags

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def a_tag(size_px: int, *, paper: float, ink: float, number: int = 7) -> np.ndarray:
    """A grey picture with one tag and a tag's cell of white about it."""
    cells = cv2.aruco.generateImageMarker(FAMILY, number, 8)
    cells = cv2.copyMakeBorder(cells, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=255)
    tag = cv2.resize(cells, None, fx=size_px, fy=size_px, interpolation=cv2.INTER_NEAREST)
    side = round(10 * size_px / 8)
    tag = cv2.resize(tag, (side, side), interpolation=cv2.INTER_AREA)
    picture = np.full((600, 800), 0.5 * (paper + ink))
    picture[205 : 205 + side, 311 : 311 + side] = ink + (paper - ink) * (tag / 255.0)
    return picture.astype(np.uint8)


@pytest.mark.parametrize("number", [0, 7, 311, 584])
@pytest.mark.parametrize("size_px", [9, 15, 31, 60, 110])
@pytest.mark.parametrize(("paper", "ink"), [(235, 30), (60, 8)])
def test_a_tag_of_any_size_in_good_and_in_dim_light_is_seen(
    number: int, size_px: int, paper: float, ink: float
) -> None:
    assert may_hold_tags(a_tag(size_px, paper=paper, ink=ink, number=number))


def test_a_tag_on_its_side_or_in_the_mirror_is_seen() -> None:
    picture = a_tag(24, paper=220, ink=40)
    assert all(may_hold_tags(np.ascontiguousarray(np.rot90(picture, k))) for k in range(4))
    assert may_hold_tags(np.ascontiguousarray(picture[:, ::-1]))


def test_stripes_edges_and_speckled_sand_are_no_tags() -> None:
    rows, columns = np.mgrid[:600, :800]
    stripes = np.where(columns // 3 % 2, 230, 30).astype(np.uint8)
    jar = np.where((abs(columns - 400) < 120) & (rows > 150), 40, 220).astype(np.uint8)
    speckle = np.random.default_rng(3).normal(120.0, 15.0, (600, 800)).clip(0, 255)
    speckle[400:, 300:500] = 30.0  # else all of it is as light as through mist
    for picture in (stripes, jar, speckle.astype(np.uint8)):
        assert not may_hold_tags(picture)
        assert not may_hold_tags(np.ascontiguousarray(picture.T))
