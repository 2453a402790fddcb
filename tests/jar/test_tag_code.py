"""Squares are read as OpenCV's own detector reads them."""

import cv2
import numpy as np
import pytest

from jarvision.jar.tag_code import family, read_squares

CELL = 9
TAGS = (0, 7, 123, 400, 584, 586)


def drawn(tag: int, *, turns: int = 0, wrong: int = 0) -> np.ndarray:
    """Draw a tag on white, turned, with so many cells of the other shade."""
    cells = np.zeros((8, 8), np.uint8)
    cells[1:-1, 1:-1] = cv2.aruco.Dictionary.getBitsFromByteList(family().bytesList[[tag]], 6)
    which = np.random.default_rng(tag).choice(36, wrong, replace=False)
    cells[1 + which // 6, 1 + which % 6] ^= 1
    picture = np.kron(np.pad(cells, 2, constant_values=1), np.ones((CELL, CELL), np.uint8))
    return np.ascontiguousarray(np.rot90(40 + 180 * picture, turns))


def options() -> cv2.aruco.DetectorParameters:
    made = cv2.aruco.DetectorParameters()
    made.errorCorrectionRate = 1.0
    made.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return made


@pytest.mark.parametrize("turns", range(4))
def test_same_tags_with_the_same_corners_as_the_detector(turns: int) -> None:
    row = [np.pad(drawn(tag, turns=turns), 3, constant_values=220) for tag in TAGS]
    noise = np.random.default_rng(turns).normal(0.0, 12.0, (len(row[0]), len(row[0]) * len(row)))
    picture = np.clip(cv2.GaussianBlur(np.hstack(row), (0, 0), 1.2) + noise, 0, 255)
    grey = picture.astype(np.uint8)
    corners, ids, _ = cv2.aruco.ArucoDetector(family(), options()).detectMarkers(grey)
    assert ids is not None
    expected = {int(i): c[0] for i, c in zip(np.ravel(ids), corners, strict=True)}
    assert set(expected) == set(TAGS)
    tags, _ = read_squares(grey, options())
    assert set(tags) == set(TAGS)
    for tag, own in tags.items():
        np.testing.assert_allclose(own, expected[tag], atol=1e-3)


def test_first_corner_is_the_upright_tags_top_left() -> None:
    tags, _ = read_squares(drawn(42, turns=1), options())  # a quarter turn to the left
    low, high = 2 * CELL, 10 * CELL
    np.testing.assert_allclose(tags[42][0], (low, high), atol=1.5)
    np.testing.assert_allclose(tags[42][1], (low, low), atol=1.5)


def test_five_wrong_cells_are_put_right_and_no_more() -> None:
    tags, _ = read_squares(drawn(300, wrong=5), options())
    assert set(tags) == {300}
    tags, unread = read_squares(drawn(300, wrong=6), options())
    assert not tags
    assert any(np.ptp(square[:, 0]) > 7 * CELL for square in unread)


def test_a_mirrored_tag_and_a_plain_square_are_none() -> None:
    plain = np.pad(np.full((72, 72), 30, np.uint8), 30, constant_values=220)
    for picture in (np.ascontiguousarray(drawn(9)[:, ::-1]), plain):
        tags, unread = read_squares(picture, options())
        assert not tags
        assert any(np.ptp(square[:, 0]) > 7 * CELL for square in unread)
