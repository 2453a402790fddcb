"""The renderer of rows of jars, against published optics and other people's projection.

Sources: Snell's law, critical and Brewster angles, Fresnel's equations, the focal length of a ball
(or rod) lens, n r / (2 (n - 1)) from its centre, and Bouguer's law as in Hecht, Optics (from
memory); projection by OpenCV's `projectPoints` with rotations by SciPy; tags found by OpenCV's own
detector. Expected numbers are worked by hand from those.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rows import (
    READINGS,
    Box,
    Camera,
    Finish,
    Murk,
    RowJar,
    RowScene,
    Soil,
    Strip,
    Window,
    bend,
    boundary_mm,
    facing,
    light_of,
    render,
    seen_at,
    strip_corners,
    truth,
    write,
)
from rows import _primary as primary
from rows import _stage as stage_of
from rows import _to_heel as way_to_heel
from scenes import camera_of
from scipy.spatial.transform import Rotation

pytestmark = pytest.mark.slow

CLEAR = Murk(per_mm=(0.0, 0.0, 0.0), scum_mm=(0.0, 0.0, 0.0))
PLAIN = Soil(contrast=(0.0, 0.0, 0.0), mixed_mm=0.0, uneven_mm=0.0, compaction=0.0)
angles = st.floats(-0.5, 0.5)


def at_angle(degrees: float) -> np.ndarray:
    """A ray that falls on level ground at an angle from the upright, (3, 1)."""
    a = math.radians(degrees)
    return np.array([[math.sin(a)], [0.0], [-math.cos(a)]])


UP = np.array([[0.0], [0.0], [1.0]])


# --- surfaces -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("degrees", "n1", "n2", "expected"),
    [
        (30, 1.0, 1.333, 22.03),
        (30, 1.0, 1.52, 19.20),
        (45, 1.333, 1.0, 70.49),
        (60, 1.52, 1.333, 80.93),
    ],
)
def test_rays_bend_by_snells_law(degrees: float, n1: float, n2: float, expected: float) -> None:
    onward, _, _ = bend(at_angle(degrees), UP, n1 / n2)
    assert math.degrees(math.asin(onward[0, 0])) == pytest.approx(expected, abs=0.01)
    assert np.linalg.norm(onward) == pytest.approx(1.0)


@pytest.mark.parametrize(("n", "critical"), [(1.52, 41.14), (1.333, 48.61)])
def test_light_is_shut_in_beyond_the_critical_angle(n: float, critical: float) -> None:
    inside, beyond = (bend(at_angle(critical + e), UP, n)[2][0] for e in (-0.05, 0.05))
    assert inside < 1.0
    assert beyond == 1.0


@pytest.mark.parametrize(
    ("n", "degrees", "share"),
    [
        (1.5, 0.0, 0.0400),
        (1.52, 0.0, 0.0426),
        (1.333, 0.0, 0.0204),
        (1.5, 56.31, 0.0740),
        (1.5, 60, 0.0892),
    ],
)
def test_glass_mirrors_fresnels_share(n: float, degrees: float, share: float) -> None:
    """At Brewster's angle only the crosswise half is left: ((n2 - 1) / (n2 + 1))2 / 2, n2 = n n."""
    _, back, found = bend(at_angle(degrees), UP, 1.0 / n)
    assert found[0] == pytest.approx(share, abs=1e-4)
    np.testing.assert_allclose(back[:, 0], at_angle(degrees)[:, 0] * (1, 1, -1), atol=1e-12)


# --- projection -----------------------------------------------------------------------------------
def by_opencv(camera: Camera, points: np.ndarray) -> np.ndarray:
    turn = Rotation.from_euler("yxz", [-camera.yaw, camera.pitch, -camera.roll]).as_matrix()
    upright = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # right, away, up -> right, down, away
    world = turn @ upright
    h, w = camera.size_px
    f = camera.focal_px
    lens = np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1]])
    place = -world @ np.array([camera.x, camera.y, camera.z])
    return cv2.projectPoints(points, cv2.Rodrigues(world)[0], place, lens, None)[0][:, 0]


@given(yaw=angles, pitch=angles, roll=angles, height=st.floats(30, 250))
def test_points_fall_where_opencv_projects_them(
    yaw: float, pitch: float, roll: float, height: float
) -> None:
    camera = Camera(x=14, y=-500, z=height, yaw=yaw, pitch=pitch, roll=roll)
    points = np.random.default_rng(4).uniform([-300, -50, 0], [300, 90, 170], (30, 3))
    np.testing.assert_allclose(seen_at(camera, points), by_opencv(camera, points), atol=1e-6)


def test_a_phones_lens_of_26_mm_sees_67_degrees_across() -> None:
    """2 atan(21.63 / 26) = 79.5 degrees over the diagonal; 4:3 gives 67.3 along the long side."""
    camera = Camera(focal_35mm=26.0, size_px=(900, 1200))
    assert math.degrees(2 * math.atan(600 / camera.focal_px)) == pytest.approx(67.3, abs=0.1)


def test_every_tag_is_found_by_opencv_where_opencv_projects_it() -> None:
    row = (
        RowJar(x=-52, strip=Strip(3, azimuth=0.3, up_mm=0.8, length_mm=120)),
        RowJar(x=45, y=20, radius_mm=37, strip=Strip(58, azimuth=-0.4, length_mm=120), seed=3),
    )
    camera = Camera(x=10, y=-330, z=130, yaw=0.03, pitch=0.12, roll=0.03, size_px=(900, 1200))
    scene = RowScene(row, camera=camera, reading="2h", finish=Finish(vignette=0.0))
    picture = render(scene, np.random.default_rng(1))
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    how = cv2.aruco.DetectorParameters()
    how.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(family, how).detectMarkers(picture)
    found = dict(zip(ids.ravel().tolist(), corners, strict=True))
    middles = []
    for jar in row:
        for k in range(4):
            off = found.pop(5 * (jar.strip.number - 1) + k)[0] - by_opencv(
                camera, strip_corners(jar, k)
            )
            middles.append(off.mean(axis=0))
            # Light spreads over a dark corner and the display's curve favours it: it is cut short.
            assert np.abs(off).max() < 1.6
    assert np.abs(middles).max() < 0.35
    assert np.abs(np.mean(middles, axis=0)).max() < 0.1
    assert not found


# --- a jar as a lens ------------------------------------------------------------------------------
def level(**changes: object) -> RowScene:
    """A clear jar of thin glass with water, and a camera that looks straight at it, level."""
    jar = RowJar(wall_mm=0.02, murk=CLEAR, soil=replace(PLAIN, tops_mm=(6.0, 12.0, 18.0)))
    jar = replace(jar, water_mm=110.0, tint_per_mm=(0.0, 0.0, 0.0))
    camera = Camera(y=-900, z=70, pitch=0.0, focal_35mm=60.0, size_px=(240, 320))
    usual = RowScene((jar,), camera=camera, windows=(), samples=1, table="plain")
    return replace(usual, **changes)


@pytest.mark.parametrize("aside_mm", [-14.0, 9.0])
def test_water_in_a_jar_is_the_rod_lens_of_the_handbook(aside_mm: float) -> None:
    """Focal length n r / (2 (n - 1)) = 80 mm from the axis for r = 40 mm, n = 1.333.

    A ray at height h over the lens has slope h / 900 before it and h / 900 - h / f behind it, so
    that it meets x = h (1 + Y / 900 - Y / f) at Y = 300 mm behind: turned about, and smaller.
    """
    post = Box(aside_mm, 301.0, 4.0, 2.0, 300.0, colour=(0.9, 0.0, 0.0))
    scene = level(boxes=(post,), wall_y=500.0)
    row = light_of(scene)[120]
    red = np.flatnonzero((row[:, 0] > 3 * row[:, 1]) & (np.abs(np.arange(320) - 159.5) < 25))
    focal = 1.333 * 40.0 / (2 * 0.333)
    h = aside_mm / (1 + 300 / 900 - 300 / focal)
    assert len(red)
    assert (red.mean() - 159.5) / scene.camera.focal_px * 900 == pytest.approx(h, abs=0.35)


def test_light_fades_through_cloudy_water_by_bouguers_law() -> None:
    """Over the inner diameter of 79.96 mm at 0.01 / mm, exp(-0.7996) = 0.4495 is left."""
    dark = replace(CLEAR, per_mm=(0.0, 0.0, 0.01), colour=(0.0, 0.0, 0.0))
    clear, murky = level(), level()
    murky = replace(murky, jars=(replace(murky.jars[0], murk=dark),))
    # What the wall mirrors does not pass the water: it is the same in both, a few hundredths.
    a, b = (light_of(s)[110:130, 158:162].mean() for s in (clear, murky))
    assert b / a == pytest.approx(0.4495, abs=0.03)


# --- boundaries -----------------------------------------------------------------------------------
def edge_row(scene: RowScene) -> float:
    """Row of the lowest edge between plain layers straight in front, to a part of a pixel."""
    column = light_of(scene)[:, scene.camera.size_px[1] // 2]
    first = int(truth(scene)[0].floor_px[1]) - 20
    share = (column[:, 0] / column.sum(axis=1))[first - 120 : first][::-1]
    low, high = share[0], share[-1]
    part = (share - low) / (high - low)
    k = int(np.argmax(part > 0.5))
    return first - k - float((0.5 - part[k - 1]) / (part[k] - part[k - 1]))


BANDS = ((0.1, 0.3, 0.1), (0.3, 0.1, 0.1), (0.3, 0.1, 0.1))


@pytest.mark.parametrize(
    ("height_mm", "apparent_mm"), [(45.0, 40.0), (145.0, 40.352), (245.0, 40.677)]
)
def test_a_boundary_is_seen_where_glass_lets_it_be_seen(
    height_mm: float, apparent_mm: float
) -> None:
    """Straight in front, a layer 40 mm up behind 2.5 mm of glass, seen from 460 mm, level or above.

    From 100 mm above the ray falls 460 tan a + 2.5 tan b with sin a = 1.52 sin b: a = 12.22
    degrees, b = 8.01, so that it meets the outside 2.5 x 0.1406 = 0.352 mm over the boundary.
    From 200 mm above a = 23.43, b = 15.17: 2.5 x 0.2711 = 0.678 mm.
    """
    jar = RowJar(soil=replace(PLAIN, tops_mm=(40.0, 80.0, 90.0), colours=BANDS), murk=CLEAR)
    camera = Camera(y=-500, z=height_mm, pitch=0.0, focal_35mm=26, size_px=(1600, 400))
    scene = RowScene((jar,), camera=camera, windows=(), samples=4, table="plain")
    seen = by_opencv(camera, np.array([[0.0, -40.0, 5.0 + apparent_mm]]))[0, 1]
    assert edge_row(scene) == pytest.approx(seen, abs=0.35)


def test_the_foot_of_the_inside_is_a_quarter_of_a_circle() -> None:
    """Level 1.6 mm up, a rounding of 4 mm stands 4 - sqrt(16 - 2.4 x 2.4) = 0.8 mm in.

    From the outside at 40 mm through 2.5 mm of wall that makes 3.3 mm of way in the glass. Lower
    than the floor or higher than the rounding nothing of it is met.
    """
    level_at = np.array([[0.0] * 3, [-40.0] * 3, [1.6, -0.5, 4.5]], dtype=np.float32)
    along = np.array([[0.0] * 3, [1.0] * 3, [0.0] * 3], dtype=np.float32)
    rays = primary(Camera(), np.zeros(3), np.zeros(3)).turned(level_at, along, np.ones((3, 3)))
    rays.jar = np.zeros(3, dtype=np.int64)
    first, last = np.full(3, 2.5, dtype=np.float32), np.full(3, 77.5, dtype=np.float32)
    found = way_to_heel(stage_of(RowScene((RowJar(heel_mm=4.0),))), rays, first, last)
    assert found[0] == pytest.approx(3.3, abs=0.03)
    assert (found[1:] > 1e8).all()


def test_truth_is_the_mean_over_the_front_that_faces_the_camera() -> None:
    jar = RowJar(x=120, y=0, soil=Soil(uneven_mm=2.0), seed=8)
    scene = RowScene((jar,), camera=Camera(x=-380, y=-500))
    assert facing(jar, scene.camera) == pytest.approx(-math.pi / 4)
    # On the diagonal the front runs from a quarter turn to the left up to straight ahead.
    by_mean = boundary_mm(jar, "48h", np.linspace(-math.pi / 2, 0, 100_001)).mean(axis=1)
    np.testing.assert_allclose(truth(scene)[0].tops_mm, by_mean, atol=0.01)
    whole = boundary_mm(jar, "48h", np.linspace(-math.pi, math.pi, 721))[2]
    assert 0.2 < np.ptp(whole) <= 2.0


def test_layers_sink_a_little_and_in_order() -> None:
    scene = RowScene((RowJar(soil=Soil(compaction=0.01, uneven_mm=0.0)),))
    tops = np.array([truth(replace(scene, reading=r))[0].tops_mm for r in READINGS])
    assert (np.diff(tops, axis=1) > 0).all()
    sand = tops[:, 0]
    np.testing.assert_allclose(sand[1:] / sand[:-1], 0.99)
    assert tops[1, 1] > tops[2, 1]


@pytest.mark.parametrize(("reading", "settled"), [("1min", 1), ("2h", 2), ("48h", 3)])
def test_only_what_has_settled_is_drawn(reading: str, settled: int) -> None:
    """Layers of pure red, green and blue under black murk: as many colours as have settled."""
    soil = replace(
        PLAIN,
        tops_mm=(25.0, 50.0, 75.0),
        colours=((0.5, 0.0, 0.0), (0.0, 0.5, 0.0), (0.0, 0.0, 0.5)),
    )
    murk = Murk(per_mm=(2.0, 2.0, 2.0), colour=(0.0, 0.0, 0.0), scum_mm=(0.0, 0.0, 0.0))
    jar = RowJar(soil=soil, murk=murk)
    camera = Camera(y=-400, z=45, pitch=0.0, size_px=(320, 160))
    scene = RowScene((jar,), reading, camera=camera, windows=(), samples=1)
    column = light_of(scene)[:, 80]
    heights = jar.base_mm + np.array([12.0, 37.0, 62.0])
    rows = seen_at(camera, np.array([[0.0, -40.0, z] for z in heights]))[:, 1]
    for k, row in enumerate(np.round(rows).astype(int)):
        colour = column[row]
        if k < settled:
            assert colour.argmax() == k
            assert colour[k] > 3 * np.delete(colour, k).max()
        else:
            assert colour.max() < 0.5 * column[round(rows[0])].max()


# --- neighbours -----------------------------------------------------------------------------------
RED = replace(PLAIN, tops_mm=(60.0, 80.0, 100.0), colours=((0.8, 0.02, 0.02),) * 3)
NEAR = Camera(y=-420, z=80, pitch=0.0, size_px=(300, 400))


def redness(light: np.ndarray, camera: Camera, jar: RowJar) -> np.ndarray:
    """Red less green within a jar's outline between 30 and 90 mm up, (rows, columns)."""
    r = jar.radius_mm
    corners = seen_at(camera, np.array([[jar.x - r, jar.y, 90.0], [jar.x + r, jar.y, 30.0]]))
    (x0, y0), (x1, y1) = np.round(corners).astype(int)
    part = light[y0:y1, x0:x1]
    return part[..., 0] - part[..., 1]


def test_a_jar_behind_is_seen_through_the_water_in_front() -> None:
    front = RowJar(murk=CLEAR, soil=replace(PLAIN, tops_mm=(8.0, 12.0, 16.0)))
    behind = RowJar(x=8, y=130, soil=RED)
    alone, both = (
        redness(light_of(RowScene(jars, camera=NEAR, samples=1)), NEAR, front)
        for jars in ((front,), (front, behind))
    )
    assert np.mean(both > 0.1) > 0.15
    assert np.mean(alone > 0.1) < 0.02


def test_a_jar_beside_is_mirrored_in_the_glass_near_the_edge_toward_it() -> None:
    """A ray that grazes the glass is mirrored strongly (Fresnel), and onward to the neighbour."""
    thick = replace(CLEAR, per_mm=(2.0, 2.0, 2.0), colour=(0.0, 0.0, 0.0))
    dark = replace(PLAIN, colours=((0.0, 0.0, 0.0),) * 3)
    left, right = RowJar(x=-20, murk=thick, soil=dark), RowJar(x=72, y=-25, soil=RED)
    light = light_of(RowScene((left, right), "1min", camera=NEAR, samples=1))
    red = redness(light, NEAR, replace(left, radius_mm=36.0))
    near, far = red[:, -red.shape[1] // 5 :], red[:, : red.shape[1] // 2]
    assert near.max() > 0.02
    assert far.max() < 0.25 * near.max()


# --- pictures -------------------------------------------------------------------------------------
def test_the_window_shines_in_the_glass_on_its_side() -> None:
    """Seen and lit level, the glass mirrors where its normal halves the angle to the window."""
    thick = replace(CLEAR, per_mm=(2.0, 2.0, 2.0))
    jar = RowJar(murk=thick, soil=PLAIN)
    window = Window(azimuth=1.2, elevation=0.0, half_wide=0.1, half_high=0.5, bars=0)
    camera = replace(NEAR, y=-900.0, z=95.0, focal_35mm=70.0)
    scene = RowScene((jar,), "1min", camera=camera, windows=(window,), samples=1)
    row = light_of(scene)[150].sum(axis=1)
    # The normal stands at half of 1.2, less a little for the camera's nearness: 40 sin 0.58 = 22.
    x = (int(row[100:300].argmax()) + 100 - 199.5) / camera.focal_px * 865
    assert x == pytest.approx(22.0, abs=2.0)


def test_a_picture_is_the_same_for_the_same_seed_and_noise_is_the_callers() -> None:
    scene = RowScene((RowJar(),), camera=replace(NEAR, size_px=(90, 120)), samples=1)
    one, same, other = (render(scene, np.random.default_rng(k)) for k in (1, 1, 2))
    assert one.dtype == np.uint8
    assert one.shape == (90, 120, 3)
    np.testing.assert_array_equal(one, same)
    assert 0 < np.abs(one.astype(int) - other).mean() < 4


def test_a_written_photo_tells_its_time_and_lens(tmp_path: Path) -> None:
    scene = RowScene((RowJar(),), "2h", camera=replace(NEAR, size_px=(60, 80)), samples=1)
    path = write(scene, tmp_path, "bench", shaken=datetime(2026, 5, 4, 9, 0))
    assert path.name == "bench-2h.jpg"
    assert camera_of(path) == (datetime(2026, 5, 4, 11, 0), 26.0)


def test_truth_names_each_jar_and_where_its_front_stands() -> None:
    row = (RowJar(x=-50, strip=Strip(9)), RowJar(x=50))
    scene = RowScene(row, camera=replace(NEAR, yaw=0.02))
    first, second = truth(scene)
    assert (first.number, second.number) == (9, None)
    assert first.inside_diameter_mm == 75.0
    away = math.hypot(50, 420)
    front = np.array([[50 - 40 * 50 / away, -40 * 420 / away, 5.0]])
    np.testing.assert_allclose([second.floor_px], by_opencv(scene.camera, front), atol=1e-6)
    assert second.top_px[1] < second.floor_px[1]
