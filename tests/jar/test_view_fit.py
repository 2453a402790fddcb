"""Jars found: radius, distance and heights recovered from views that we made.

Corners and walls are projected by the drawn scenes' own optics (checked against OpenCV in
`test_optics`), with noise of the size that the fit claims to expect.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scipy.optimize
from flat_strip import homography, laid, table
from scenes import (
    STRIP_MM,
    Shot,
    draw,
    edge_points,
    seen_at,
    strip_picture,
    strip_points,
    tag_corners_mm,
)
from views import HEIGHTS_MM, height_errors

from jarvision.core.errors import NoJarError
from jarvision.jar.least_squares import least_squares, least_squares_each
from jarvision.jar.strip import CORNER_SD_PX, Strip
from jarvision.jar.strip_detect import find_strips
from jarvision.jar.unmarked import find_unmarked_jar
from jarvision.jar.view_fit import find_jars, scene_of
from jarvision.jar.view_residuals import Scene
from jarvision.jar.wall_edges import Wall


def corners(shot: Shot, tags: tuple[int, ...]) -> np.ndarray:
    return np.stack([seen_at(shot, strip_points(shot, *tag_corners_mm(k).T)) for k in tags])


def scene(
    shot: Shot,
    *,
    seed: int = 0,
    noise_px: float = CORNER_SD_PX,
    tags: tuple[int, ...] = (0, 1, 2, 3, 4),
    sides: tuple[int, ...] = (-1, 1),
    wall_mm: float = 0.4,
    focal_error: float = 0.0,
) -> Scene:
    """What a picture of this shot gives: corners and walls, both with noise."""
    rng = np.random.default_rng(seed)
    px = corners(shot, tags)
    px = px + rng.normal(0, noise_px, px.shape)
    strip = Strip(7, tags, px, np.stack([tag_corners_mm(k) for k in tags]))
    walls = []
    for side in sides:
        line = seen_at(shot, edge_points(shot, side, np.array([7.0, 48.0, 89.0])))
        line[:, 0] += rng.normal(0, wall_mm) * strip.px_per_mm
        walls.append(Wall(side, line, 1.0))
    focal = shot.focal_px * (1 + focal_error)
    known = focal_error == 0.0
    return Scene(strip, tuple(walls), focal, shot.size_px, known, strip.px_per_mm)


SHOTS = {
    "plain": Shot(),
    "left": Shot(strip_at=-0.55, radius=43.0, distance=410.0),
    "from above": Shot(height=200.0, pitch=0.42, distance=300.0),
    "from below": Shot(height=20.0, pitch=-0.08, roll=0.06),
    "near": Shot(distance=210.0, focal_px=1300.0, yaw=0.05),
    "strip set high": Shot(strip_up=3.0),
}


@pytest.mark.parametrize("name", SHOTS)
def test_a_round_jar_is_recovered(name: str) -> None:
    shot = SHOTS[name]
    found = [find_jars([scene(shot, seed=seed)])[0] for seed in range(8)]
    assert all(jar.scaled and jar.walls_seen == 2 for jar in found)
    for jar in found:
        assert jar.view.outline.is_round
        assert jar.view.outline.radius_mm == pytest.approx(shot.radius, abs=1.5)
        assert jar.view.camera.distance_mm == pytest.approx(shot.distance, rel=0.015)
        assert np.abs(height_errors(jar, shot)).max() < 0.6
    assert np.sqrt(np.mean([height_errors(jar, shot) ** 2 for jar in found])) < 0.25


def test_without_noise_everything_is_recovered() -> None:
    shot = SHOTS["left"]
    [jar] = find_jars([scene(shot, noise_px=1e-4, wall_mm=1e-4)])
    camera = jar.view.camera
    assert jar.view.outline.radius_mm == pytest.approx(shot.radius, abs=0.05)
    assert camera.distance_mm == pytest.approx(shot.distance, abs=0.5)
    assert camera.height_mm == pytest.approx(shot.height, abs=0.5)
    assert camera.roll_rad == pytest.approx(shot.roll, abs=1e-3)
    assert np.abs(height_errors(jar, shot)).max() < 0.05
    middle = np.mean(jar.strip_azimuths)
    assert middle == pytest.approx(shot.strip_at, abs=0.01)
    assert np.ptp(jar.strip_azimuths) == pytest.approx(STRIP_MM / shot.radius, abs=0.01)


def test_residuals_are_as_large_as_the_noise_that_was_put_in() -> None:
    shot = SHOTS["plain"]
    rms = [find_jars([scene(shot, seed=seed)])[0].fit_px for seed in range(25)]
    # Forty coordinates and some ten unknowns: least squares leaves the root of 30/40 of the noise
    # (degrees of freedom, any statistics textbook).
    assert np.sqrt(np.mean(np.square(rms))) == pytest.approx(CORNER_SD_PX * 0.87, rel=0.12)


@pytest.mark.parametrize("turn", [0.0, 0.1, -0.1])
def test_a_square_jar_is_told_from_a_round_one(turn: float) -> None:
    shot = Shot(exponent=5.0, radius=34.0, strip_at=0.5, turn=turn)
    jars = [find_jars([scene(shot, seed=seed)])[0] for seed in range(4)]
    assert not any(jar.view.outline.is_round for jar in jars)
    assert np.sqrt(np.mean([height_errors(jar, shot) ** 2 for jar in jars])) < 0.4


@pytest.mark.parametrize("exponent", [2.0, 5.0])
@pytest.mark.parametrize("creased_px", [2.0, 6.0])
def test_a_creased_tag_makes_no_round_jar_of_a_square_one(exponent, creased_px):
    """One tag of one photo is pushed aside, as by a crease: corners then fit no jar at all."""
    scenes = []
    for seed, at in enumerate((-0.5, 0.3, 0.6)):
        shot = Shot(exponent=exponent, radius=36.0, strip_at=at, distance=200.0, focal_px=1500.0)
        scenes.append(scene(shot, seed=seed))
    px = scenes[1].strip.corners_px.copy()
    px[2, :, 0] += creased_px
    scenes[1] = replace(scenes[1], strip=replace(scenes[1].strip, corners_px=px))
    outlines = [jar.view.outline for jar in find_jars(scenes)]
    assert {outline.is_round for outline in outlines} == {exponent == 2.0}
    assert [o.radius_mm for o in outlines] == pytest.approx([36.0] * 3, abs=2.5)


@pytest.mark.parametrize("error", [-0.25, 0.3])
def test_a_focal_length_that_is_not_known_is_fitted(error: float) -> None:
    shot = SHOTS["near"]
    for seed in range(4):
        [jar] = find_jars([scene(shot, seed=seed, focal_error=error)])
        # the strip's own millimetres carry the heights: a wrong lens tilts them only a little
        assert np.abs(height_errors(jar, shot)).max() < 1.0
        assert jar.view.camera.focal_px == pytest.approx(shot.focal_px, rel=0.35)


def test_photos_of_one_jar_share_its_shape() -> None:
    shots = [SHOTS["plain"], replace(SHOTS["plain"], distance=280.0, height=120.0, pitch=0.25)]
    alone, together = [], []
    for seed in range(6):
        scenes = [scene(shot, seed=10 * seed + i, wall_mm=1.0) for i, shot in enumerate(shots)]
        alone.append([find_jars([s])[0].view.outline.radius_mm for s in scenes])
        together.append([jar.view.outline.radius_mm for jar in find_jars(scenes)])
    assert np.abs(np.diff(together)).mean() < 0.8 * np.abs(np.diff(alone)).mean()
    truth = shots[0].radius
    assert np.std(np.array(together) - truth) < np.std(np.array(alone) - truth)


def test_one_wall_is_enough_where_the_strip_hides_the_other() -> None:
    shot = SHOTS["plain"]
    [jar] = find_jars([scene(shot, sides=(-1,))])
    assert jar.walls_seen == 1
    assert np.abs(height_errors(jar, shot)).max() < 1.0


@pytest.mark.parametrize("tags", [(0,), (4,), (1, 3)])
def test_few_tags_still_give_the_scale(tags: tuple[int, ...]) -> None:
    shot = SHOTS["plain"]
    for seed in range(4):
        [jar] = find_jars([scene(shot, seed=seed, tags=tags)])
        assert np.abs(height_errors(jar, shot)).max() < (4.0 if len(tags) == 1 else 1.0)


def test_no_scenes_no_jars() -> None:
    assert find_jars([]) == []


def test_a_misprinted_strip_stretches_every_length_alike() -> None:
    [jar] = find_jars([scene(SHOTS["plain"])])
    small = jar.stretched(0.975)
    px = jar.view.front_px(HEIGHTS_MM)
    np.testing.assert_allclose(small.view.front_px(0.975 * HEIGHTS_MM), px, atol=1e-6)
    assert small.view.outline.radius_mm == pytest.approx(0.975 * jar.view.outline.radius_mm)
    assert small.strip_azimuths == jar.strip_azimuths


# --- from whole pictures --------------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["round", "square", "from above"])
def test_the_jar_in_a_picture_is_found(kind: str) -> None:
    shot = {
        "round": Shot(strip_at=0.62),
        "square": Shot(strip_at=0.6, exponent=5.0, radius=34.0),
        "from above": Shot(strip_at=0.3, height=170.0, pitch=0.35),
    }[kind]
    picture = draw(shot)
    [strip] = find_strips(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
    [jar] = find_jars([scene_of(picture, strip, shot.focal_px)])
    assert jar.view.outline.is_round == (kind != "square")
    assert jar.view.outline.radius_mm == pytest.approx(shot.radius, abs=1.6)
    assert np.abs(height_errors(jar, shot)).max() < 0.4


def test_a_strip_on_the_table_is_no_jar() -> None:
    empty, finished = table(np.random.default_rng(2))
    picture = finished(laid(empty, strip_picture(7, px_per_mm=12), homography(scale=6.0)))
    colour = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
    [strip] = find_strips(picture)
    with pytest.raises(NoJarError, match="no jar behind it; photograph the whole jar"):
        scene_of(colour, strip, 2000.0)


@pytest.mark.parametrize("kind", ["round", "from above", "square"])
def test_a_bare_jar_keeps_its_proportions(kind: str) -> None:
    shot = {
        "round": Shot(jar=None),
        "from above": Shot(jar=None, height=120.0, pitch=0.2, radius=41.0),
        "square": Shot(jar=None, exponent=5.0, radius=34.0),
    }[kind]
    jar = find_unmarked_jar(draw(shot), shot.focal_px)
    assert not jar.scaled
    assert np.isnan(jar.strip_azimuths).all()
    read = HEIGHTS_MM + height_errors(jar, shot)
    bent = read - np.polyval(np.polyfit(HEIGHTS_MM, read, 1), HEIGHTS_MM)
    # only ratios count: heights may be stretched and moved, but hardly bent
    assert np.abs(bent).max() < 0.004 * np.ptp(read)
    assert abs(read[0]) < 4.0  # zero lies near the inside floor


def test_a_bare_jar_of_known_width_is_in_millimetres() -> None:
    shot = Shot(jar=None)
    jar = find_unmarked_jar(draw(shot), shot.focal_px, radius_mm=38.0)
    read = HEIGHTS_MM + height_errors(jar, shot)
    assert np.polyfit(HEIGHTS_MM, read, 1)[0] == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("picture", ["black", "fog", "table and wall"])
def test_pictures_without_a_jar_are_refused(picture: str) -> None:
    rng = np.random.default_rng(8)
    made = {
        "black": np.zeros((900, 700, 3)),
        "fog": rng.normal(120, 4, (900, 700, 3)),
        "table and wall": np.where(np.arange(900)[:, None, None] > 500, 90.0, 180.0)
        + rng.normal(0, 2, (900, 700, 3)),
    }
    with pytest.raises(NoJarError, match=r"photograph the whole jar"):
        find_unmarked_jar(np.clip(made[picture], 0, 255).astype(np.uint8), 2000.0)


# --- the solver -----------------------------------------------------------------------------------
@pytest.mark.parametrize("seed", range(5))
def test_the_solver_agrees_with_scipys(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 4, 40)
    y = 5.0 * np.exp(-0.7 * t) + 1.5 + rng.normal(0, 0.05, t.shape)

    def misfit(p: np.ndarray) -> np.ndarray:
        return (p[:, :1] * np.exp(-p[:, 1:2] * t) + p[:, 2:3] - y) / 0.05

    start = np.array([3.0, 0.3, 0.5])
    found, rest = least_squares(misfit, start, np.arange(3), np.ones(3))
    other = scipy.optimize.least_squares(lambda p: misfit(p[None])[0], start)
    np.testing.assert_allclose(found, other.x, rtol=2e-3)
    assert rest @ rest == pytest.approx(2 * other.cost, rel=1e-3)


def test_problems_solved_in_step_agree_with_scipys_each() -> None:
    """One of them is dropped as hopeless: it may end anywhere, the others not."""
    rng = np.random.default_rng(7)
    t = np.linspace(0, 4, 40)
    y = np.array([a * np.exp(-b * t) + 1.5 for a, b in ((5.0, 0.7), (2.0, 0.3), (9.0, 1.4))])
    y = np.concatenate([y + rng.normal(0, 0.05, y.shape), 10.0 * rng.choice([-1, 1], (1, t.size))])

    def misfit(p: np.ndarray, which: np.ndarray) -> np.ndarray:
        curve = p[..., :1] * np.exp(np.clip(-p[..., 1:2] * t, -30, 30)) + p[..., 2:3]
        return (curve - y[which, None]) / 0.05

    starts = np.tile([3.0, 0.3, 0.5], (len(y), 1))
    found, rest = least_squares_each(
        misfit, starts, np.arange(3), np.ones(3), in_running=lambda squares: squares < 1e6
    )
    for i in range(3):
        other = scipy.optimize.least_squares(
            lambda p, i=i: misfit(p[None, None], [i])[0, 0], starts[i]
        )
        np.testing.assert_allclose(found[i], other.x, rtol=5e-3)
        assert rest[i] @ rest[i] == pytest.approx(2 * other.cost, rel=1e-3)


def test_the_solver_leaves_fixed_parameters_alone() -> None:
    def misfit(p: np.ndarray) -> np.ndarray:
        return np.stack([p[:, 0] - 3.0, p[:, 1] - 4.0], axis=1)

    found, _ = least_squares(misfit, np.array([0.0, 0.5]), np.array([0]), np.ones(2))
    np.testing.assert_allclose(found, [3.0, 0.5], atol=1e-6)
