"""The strip's measures against its written design and against OpenCV's own tags."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.errors import ValueRefusedError
from jarvision.jar.strip_spec import strip_spec

SPEC = strip_spec()


def test_measures_are_those_of_the_design():
    # The design's own numbers, typed here by hand: a slip in the data file must not pass.
    assert (SPEC.width_mm, SPEC.tag_size_mm, SPEC.tag_left_mm) == (26.0, 16.0, 2.0)
    assert [SPEC.tag_centre_mm(k)[1] for k in range(5)] == [15.0, 45.0, 75.0, 105.0, 135.0]
    assert (SPEC.tick_mm, SPEC.tick_5_mm, SPEC.tick_10_mm) == (2.2, 3.5, 5.0)
    assert (SPEC.lengths_mm, SPEC.check_line_mm) == ((120.0, 150.0), 100.0)


@pytest.mark.parametrize(("length_mm", "tags"), [(150.0, 5), (120.0, 4), (24.9, 0), (500.0, 5)])
def test_tags_on_a_length(length_mm, tags):
    assert SPEC.tags_on(length_mm) == tags


def test_the_family_has_enough_tags():
    # 587 tags in 36h11: Wang & Olson 2016, and OpenCV's dictionary.
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, SPEC.tag_family))
    assert len(family.bytesList) == 587
    assert SPEC.tag_count == 585


@pytest.mark.parametrize(
    ("tag_id", "jar", "k"), [(0, 1, 0), (4, 1, 4), (5, 2, 0), (57, 12, 2), (584, 117, 4)]
)
def test_jar_of_tag(tag_id, jar, k):
    assert SPEC.jar_of_tag(tag_id) == (jar, k)


@given(st.integers(1, 117), st.integers(0, 4))
def test_ids_go_there_and_back(jar, k):
    assert SPEC.jar_of_tag(SPEC.tag_id(jar, k)) == (jar, k)


@pytest.mark.parametrize("tag_id", [-1, 585, 586])
def test_tags_of_no_strip_are_refused(tag_id):
    with pytest.raises(ValueRefusedError, match="not from one of our strips"):
        SPEC.jar_of_tag(tag_id)


@pytest.mark.parametrize(("jar", "k"), [(0, 0), (118, 0), (1, 5), (1, -1)])
def test_strips_that_do_not_exist_are_refused(jar, k):
    with pytest.raises(ValueRefusedError, match="There is no"):
        SPEC.tag_id(jar, k)


def test_corners_come_in_the_detectors_order():
    # A tall strip drawn at 10 px a mm by OpenCV alone; x and z must not be swapped.
    px_per_mm, length_mm = 10, 150
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, SPEC.tag_family))
    picture = np.full((length_mm * px_per_mm, 26 * px_per_mm), 255, np.uint8)
    for k in range(5):
        top_px = (length_mm - (15 + 30 * k) - 8) * px_per_mm
        tag = cv2.aruco.generateImageMarker(family, SPEC.tag_id(3, k), 16 * px_per_mm)
        picture[top_px : top_px + 160, 20:180] = tag
    detector = cv2.aruco.ArucoDetector(family, cv2.aruco.DetectorParameters())
    corners, ids, _ = detector.detectMarkers(picture)
    assert sorted(ids.ravel()) == [10, 11, 12, 13, 14]
    for found_px, tag_id in zip(corners, ids.ravel(), strict=True):
        x_mm, z_mm = SPEC.tag_corners_mm(SPEC.jar_of_tag(tag_id)[1]).T
        expected_px = np.column_stack([x_mm, length_mm - z_mm]) * px_per_mm
        # 1.5 px: the detector returns the outermost dark pixels, not the edges between pixels.
        np.testing.assert_allclose(found_px[0], expected_px, rtol=0, atol=1.5)
