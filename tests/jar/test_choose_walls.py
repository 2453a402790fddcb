"""A jar's own walls told from what stands beside it: bright bands, another jar, its strip.

Jars are drawn by code, so that radius and heights are known. Two jars beside each other are two
drawings from the same camera turned to either side, joined in the background between the jars.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import STRIP_MM, Shot, draw, edge_points, seen_at
from views import beside, height_errors, of_shot

from jarvision.wall.locate import Look, look_at_jar, orient

RADIUS_OFF_MM, HEIGHT_OFF_MM = 1.6, 0.4
SMALL = Shot(size_px=(1230, 885), focal_px=1425.0)


# --- a bright or dark band beside a jar -----------------------------------------------------------
def banded(shot: Shot, side: int, off_mm: float, grey: int, *, wide_mm: float = 6.0) -> np.ndarray:
    """A drawing with an upright band painted beside the jar's wall, from the lid to the table."""
    picture = draw(shot).copy()
    heights = np.linspace(170.0, -30.0, 2 * len(picture))
    edge = seen_at(shot, edge_points(shot, side, heights))
    px_per_mm = np.linalg.norm(edge[0] - edge[-1]) / 200.0
    row = np.round(edge[:, 1]).astype(int)
    for y, x in zip(row, edge[:, 0], strict=True):
        ends = x + side * np.array([off_mm, off_mm + wide_mm]) * px_per_mm
        first, last = np.clip(np.round(np.sort(ends)), 0, picture.shape[1]).astype(int)
        if 0 <= y < len(picture):
            picture[y, first:last] = grey
    return picture


@pytest.mark.slow
@pytest.mark.parametrize("side", [-1, 1], ids=["left", "right"])
@pytest.mark.parametrize("off_mm", [8.0, 20.0])
@pytest.mark.parametrize("grey", [20, 250], ids=["dark", "bright"])
def test_a_strong_band_beside_the_jar_is_not_its_wall(side: int, off_mm: float, grey: int) -> None:
    one, strips = orient(replace(of_shot(SMALL), bgr=banded(SMALL, side, off_mm, grey)))
    looks, _ = look_at_jar({1: one}, {1: strips[0]})
    outline = looks[1].jar.view.outline
    assert outline.is_round
    assert outline.radius_mm == pytest.approx(SMALL.radius, abs=RADIUS_OFF_MM)
    assert np.abs(height_errors(looks[1].jar, SMALL)).max() < HEIGHT_OFF_MM


# --- two jars beside each other -------------------------------------------------------------------


def check(look: Look, shot: Shot, *, height_mm: float = HEIGHT_OFF_MM) -> None:
    assert look.number == shot.jar
    assert look.jar.view.outline.is_round
    assert look.jar.view.outline.radius_mm == pytest.approx(shot.radius, abs=RADIUS_OFF_MM)
    assert np.abs(height_errors(look.jar, shot)).max() < height_mm


MURKY = (("cloud", (170.0, 165.0, 160.0)), ("glass", (180.0, 172.0, 168.0)))
DARK = (("cloud", (40.0, 50.0, 60.0)), ("glass", (60.0, 60.0, 60.0)))
A = Shot(jar=7)
B = Shot(jar=12, seed=9, radius=42.0)
PAIRS = {
    "both on the right": (replace(A, strip_at=0.5), replace(B, strip_at=0.5), 4.0),
    "strips side by side": (replace(A, strip_at=0.6), replace(B, strip_at=-0.6), 3.0),
    "strips far apart": (replace(A, strip_at=-0.6), replace(B, strip_at=0.6), 10.0),
    "a strip beside the neighbour's wall": (
        replace(A, strip_at=-0.4),
        replace(B, strip_at=-0.8),
        6.0,
    ),
    "a strip beside a wide neighbour": (
        replace(A, strip_at=0.4, radius=42.0),
        replace(B, strip_at=-0.8, radius=34.0),
        3.0,
    ),
    "a faint jar beside a dark one": (
        replace(A, strip_at=-0.4, settled=1, colours=MURKY),
        replace(B, strip_at=-0.8, settled=1, colours=DARK),
        6.0,
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", PAIRS)
def test_each_of_two_jars_has_its_own_walls(name: str) -> None:
    pair = beside(*PAIRS[name])
    assert set(pair.strips) == {7, 12}
    for shot in (pair.left, pair.right):
        check(pair.look(shot), shot)


@pytest.mark.slow
def test_the_neighbours_strip_is_no_wall() -> None:
    """The edges of the neighbour's strip are by far the strongest beside this jar."""
    pair = beside(*PAIRS["a strip beside the neighbour's wall"])
    strip, jar = pair.strips[12], pair.look(pair.left).jar
    wall = jar.view.wall_px(np.full(2, jar.view.edge_azimuth(1)), np.array([20.0, 90.0]))
    # the strip's paper begins 2 mm left of its tags
    paper = strip.corners_px[:, 0, 0].min() - 2.0 * strip.px_per_mm
    assert wall[:, 0].max() < paper


# --- strips with bent tags beside strips that read straight ---------------------------------------
@pytest.mark.slow
@pytest.mark.parametrize(("at", "first"), [(1.0, False), (1.0, True), (1.05, True)])
def test_a_strip_turned_far_away_is_found_beside_one_that_faces(at: float, first: bool) -> None:
    """Its tags run round the jar's side: no detector of squares reads them."""
    bent, straight = Shot(jar=7, strip_at=at), Shot(jar=12, strip_at=0.4, radius=40.0, seed=9)
    pair = beside(*((bent, straight) if first else (straight, bent)), 8.0)
    assert set(pair.strips) == {7, 12}
    assert pair.strips[7].bent
    assert len(pair.strips[7].tags) >= 4
    shot = pair.left if first else pair.right
    assert shot.jar == 7
    check(pair.look(shot), shot, height_mm=0.8)


@pytest.mark.slow
def test_tags_that_run_round_a_side_are_where_they_were_drawn() -> None:
    bent, straight = Shot(jar=7, strip_at=1.0), Shot(jar=12, strip_at=0.4, radius=40.0, seed=9)
    pair = beside(straight, bent, 8.0)
    look = pair.look(pair.right)
    assert np.mean(look.jar.strip_azimuths) == pytest.approx(1.0, abs=0.08)
    assert np.ptp(look.jar.strip_azimuths) == pytest.approx(STRIP_MM / 38.0, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("inset_mm", [4.0, 6.0])
@pytest.mark.parametrize("side", [-1, 1], ids=["left", "right"])
def test_a_window_s_shine_on_the_glass_is_not_its_wall(side: int, inset_mm: float) -> None:
    """A bright band inside the jar's outline, from shoulder to foot, as strong as the wall."""
    picture = banded(SMALL, side, -inset_mm - 4.0, 230, wide_mm=4.0)
    one, strips = orient(replace(of_shot(SMALL), bgr=picture))
    looks, _ = look_at_jar({1: one}, {1: strips[0]})
    assert looks[1].jar.view.outline.radius_mm == pytest.approx(SMALL.radius, abs=1.5)
