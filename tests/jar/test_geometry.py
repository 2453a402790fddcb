"""Where the wall falls in the picture, against other people's formulas and plain ray tracing.

Projection is checked against OpenCV's own `projectPoints` with rotations built by SciPy; refraction
against a ray traced surface by surface with Snell's law in vector form (Glassner, An Introduction
to Ray Tracing, 1989; from memory); outlines against the superellipse's implicit equation (Lame).
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import cylinder_hit, refracted
from scipy.spatial.transform import Rotation

from jarvision.jar.geometry import GLASS_INDEX, WALL_MM, Camera, Outline, View, rotation_of

angles = st.floats(-0.5, 0.5)


def camera(**changes: float) -> Camera:
    usual = {
        "focal_px": 2400.0,
        "centre_x_px": 811.0,
        "centre_y_px": 1043.0,
        "distance_mm": 320.0,
        "height_mm": 75.0,
        "yaw_rad": 0.04,
        "pitch_rad": 0.11,
        "roll_rad": -0.03,
    }
    return Camera(**(usual | changes))


def by_opencv(c: Camera, points: np.ndarray) -> np.ndarray:
    """Project points (n, 3) of the jar's frame with OpenCV; turns about axes fixed in space."""
    turn = Rotation.from_euler("yxz", [-c.yaw_rad, c.pitch_rad, -c.roll_rad])
    upright = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # right, away, up -> right, down, away
    world = turn.as_matrix() @ upright
    place = -world @ np.array([0.0, -c.distance_mm, c.height_mm])
    lens = np.array([[c.focal_px, 0, c.centre_x_px], [0, c.focal_px, c.centre_y_px], [0, 0, 1]])
    found, _ = cv2.projectPoints(points, cv2.Rodrigues(world)[0], place, lens, None)
    return found[:, 0]


@given(yaw=angles, pitch=angles, roll=angles, height=st.floats(-50, 250))
def test_projection_is_opencvs(yaw: float, pitch: float, roll: float, height: float) -> None:
    c = camera(yaw_rad=yaw, pitch_rad=pitch, roll_rad=roll, height_mm=height)
    points = np.random.default_rng(3).uniform([-45, -45, -5], [45, 45, 150], (40, 3))
    np.testing.assert_allclose(c.project(*points.T), by_opencv(c, points), atol=1e-6)


@given(yaw=angles, pitch=angles, roll=angles)
def test_rotations_turn_and_neither_stretch_nor_mirror(
    yaw: float, pitch: float, roll: float
) -> None:
    turn = rotation_of(yaw, pitch, roll)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("name", "moved"),
    [("yaw_rad", (-1, 0)), ("pitch_rad", (0, -1))],
    ids=["a camera turned right sees the jar to the left", "tilted down sees it above"],
)
def test_turns_go_the_way_that_they_are_named(name: str, moved: tuple[int, int]) -> None:
    still = camera(yaw_rad=0.0, pitch_rad=0.0, roll_rad=0.0)
    turned = camera(**({"yaw_rad": 0.0, "pitch_rad": 0.0, "roll_rad": 0.0} | {name: 0.1}))
    ahead = (np.array(0.0), np.array(0.0), np.array(75.0))
    shift = turned.project(*ahead) - still.project(*ahead)
    assert np.sign(np.round(shift, 6)).tolist() == list(moved)


def test_what_is_straight_ahead_falls_on_the_principal_point() -> None:
    c = camera(yaw_rad=0.0, pitch_rad=0.0, roll_rad=0.0)
    seen = c.project(np.array(0.0), np.array(0.0), np.array(c.height_mm))
    np.testing.assert_allclose(seen, [c.centre_x_px, c.centre_y_px])


@given(
    radius=st.floats(20, 80), exponent=st.floats(2, 12), turn=st.floats(-0.7, 0.7)
)  # of a superellipse: |u|^n + |v|^n = r^n in its own axes
def test_outlines_are_superellipses(radius: float, exponent: float, turn: float) -> None:
    azimuth = np.linspace(-math.pi, math.pi, 41)
    x, y = Outline(radius, exponent, turn).points(azimuth)
    u = x * math.cos(turn) + y * math.sin(turn)
    v = y * math.cos(turn) - x * math.sin(turn)
    whole = (np.abs(u / radius) ** exponent + np.abs(v / radius) ** exponent) ** (1 / exponent)
    np.testing.assert_allclose(whole, 1.0, atol=1e-9)
    np.testing.assert_allclose(np.arctan2(x, -y)[1:-1], azimuth[1:-1], atol=1e-9)


def test_a_turned_circle_is_the_same_circle() -> None:
    azimuth = np.linspace(-1.5, 1.5, 31)
    plain, turned = Outline(38.0).points(azimuth), Outline(38.0, 2.0, 0.4).points(azimuth)
    np.testing.assert_allclose(plain, turned, atol=1e-9)


# --- the edge of the jar --------------------------------------------------------------------------
def widest_tangent(outline: Outline, distance_mm: float, side: int) -> float:
    """Largest sideways slope of a sight line that meets the outline, tried all round it."""
    x, y = outline.points(np.linspace(-math.pi, math.pi, 400_001))
    return float((side * x / (y + distance_mm)).max())


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("distance_mm", [150.0, 320.0, 900.0])
def test_a_round_jar_is_grazed_where_the_tangent_touches(side: int, distance_mm: float) -> None:
    view = View(camera(distance_mm=distance_mm), Outline(38.0))
    # Euclid: the tangent from outside meets the radius at a right angle. Steps are 0.01 rad.
    assert view.edge_azimuth(side) == pytest.approx(side * math.acos(38.0 / distance_mm), abs=0.006)


@pytest.mark.slow
@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("exponent", [2.5, 4.0, 6.0, 8.0])
@pytest.mark.parametrize("turn", [-0.12, 0.0, 0.12])
def test_a_square_jar_is_grazed_where_it_looks_widest(
    side: int, exponent: float, turn: float
) -> None:
    outline, distance_mm = Outline(36.0, exponent, turn), 320.0
    view = View(camera(distance_mm=distance_mm), outline)
    x, y = outline.points(np.array(view.edge_azimuth(side)))
    found = side * float(x) / (float(y) + distance_mm)
    # a slope of 1e-4 is 0.03 mm at this distance, under a third of a pixel
    assert found == pytest.approx(widest_tangent(outline, distance_mm, side), abs=1e-4)


# --- refraction -----------------------------------------------------------------------------------
def traced_drop_mm(view: View, z_mm: float, azimuth: float, wall_mm: float) -> float:
    """How far a sight line falls between the outside and the inside of the wall, traced."""
    eye = np.array([0.0, -view.camera.distance_mm, view.camera.height_mm])
    radius = view.outline.radius_mm
    normal = np.array([math.sin(azimuth), -math.cos(azimuth), 0.0])
    entry = radius * normal + np.array([0.0, 0.0, z_mm])
    inside = refracted((entry - eye)[None], normal[None], 1.0 / GLASS_INDEX)
    hit = entry + cylinder_hit(entry[None], inside, radius - wall_mm)[0] * inside[0]
    return float(entry[2] - hit[2])


@pytest.mark.parametrize("height_mm", [-40.0, 0.0, 60.0, 150.0, 260.0])
@pytest.mark.parametrize("wall_mm", [2.0, WALL_MM, 3.5])
def test_glass_lowers_the_line_of_sight_as_a_traced_ray(height_mm: float, wall_mm: float) -> None:
    view = View(camera(height_mm=height_mm), Outline(38.0))
    for z_mm in (0.0, 45.0, 120.0):
        drop = float(view.glass_drop_mm(np.array(z_mm), wall_mm))
        assert drop == pytest.approx(traced_drop_mm(view, z_mm, 0.0, wall_mm), abs=1e-9)


@pytest.mark.parametrize("azimuth", [-0.75, -0.4, 0.2, 0.75])
def test_the_drop_hardly_changes_along_the_front(azimuth: float) -> None:
    # Off the middle the way through the wall is longer. With the camera 15 cm above the layer,
    # which is a steep view, that is some tenths of a millimetre at 43 degrees.
    for height_mm, most_mm in ((60.0, 0.06), (195.0, 0.25)):
        view = View(camera(height_mm=height_mm), Outline(38.0))
        drop = float(view.glass_drop_mm(np.array(45.0)))
        assert drop == pytest.approx(traced_drop_mm(view, 45.0, azimuth, WALL_MM), abs=most_mm)


def test_a_level_line_of_sight_is_not_lowered() -> None:
    view = View(camera(height_mm=45.0), Outline(38.0))
    assert float(view.glass_drop_mm(np.array(45.0))) == 0.0
    assert float(view.elevation_rad(np.array(45.0))) == 0.0


def test_elevation_is_the_slope_to_the_nearest_wall() -> None:
    view = View(camera(height_mm=145.0, distance_mm=138.0), Outline(38.0))
    assert float(view.elevation_rad(np.array(45.0))) == pytest.approx(math.pi / 4)


def test_front_is_the_wall_at_azimuth_nought() -> None:
    view = View(camera(), Outline(36.0, 5.0, 0.1))
    z_mm = np.array([0.0, 30.0, 90.0])
    nearest = np.array([[0.0, view.outline.points(np.array(0.0))[1], z] for z in z_mm], dtype=float)
    np.testing.assert_allclose(view.front_px(z_mm), by_opencv(view.camera, nearest), atol=1e-6)
