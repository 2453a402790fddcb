"""Labels and rulers drawn on walls whose layers are known.

The drawn walls and labels are our own; that the soil's boundaries run round the jar and paper on
the glass hides them is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scenes import Layering, wall

from jarvision.jar.unwrap import WallMap
from jarvision.jar.wall_features import gather
from jarvision.wall.layers import coarse_tops
from jarvision.wall.stuck_on import Cover, find_covers, free_columns, uncovered

SOIL = Layering(tops_mm=(14.0, 37.0), gap=None, columns=220)
PAPER = (214, 222, 226)


def labelled(
    made: WallMap, left: int, right: int, low_mm: float, high_mm: float, *, turn: float = 0.0
) -> WallMap:
    """The wall with a sheet of paper on it, written on, turned by so many rows a column."""
    bgr = made.bgr.copy()
    for column in range(left, right):
        first, last = (made.row(z) + round(turn * (column - left)) for z in (low_mm, high_mm))
        bgr[first:last, column] = PAPER
    middle = (left + 12, made.row((low_mm + high_mm) / 2))
    bgr = np.ascontiguousarray(bgr)
    cv2.putText(bgr, "bed", middle, cv2.FONT_HERSHEY_SIMPLEX, 1.0, (40, 40, 40), 2)
    return replace(made, bgr=bgr)


@pytest.mark.parametrize("turn", [0.0, 0.05])
@pytest.mark.parametrize(("left", "right"), [(40, 150), (0, 110)])
def test_a_label_is_found_where_it_is(left: int, right: int, turn: float) -> None:
    made = wall(SOIL)
    covers = find_covers(labelled(made, left, right, 20.0, 50.0, turn=turn))
    assert covers
    for cover in covers:
        assert cover.left_rad == pytest.approx(made.azimuth[left], abs=0.03)
        assert cover.right_rad == pytest.approx(made.azimuth[right], abs=0.03)
        assert cover.low_mm == pytest.approx(20.0, abs=2.0)
        assert cover.high_mm == pytest.approx(50.0, abs=2.0)
        assert not cover.is_tall


def test_something_tall_before_the_jar_is_found() -> None:
    made = wall(SOIL)
    cover = find_covers(labelled(made, 0, 60, -5.9, 119.0))[0]
    assert cover.is_tall
    free = free_columns(made, [cover])
    assert not free[:60].any()
    assert free[75:].all()


@pytest.mark.parametrize("seed", range(4))
def test_on_glass_without_a_label_none_is_found(seed: int) -> None:
    assert not find_covers(wall(replace(SOIL, seed=seed, glare=12.0, bands_mm=(60.0,))))


def test_with_a_label_layers_are_where_they_were() -> None:
    """Once with much glass beside the label, once with a strip of 3 mm only."""
    for left, right in ((0, 100), (0, 200)):
        walls = [labelled(wall(replace(SOIL, seed=s)), left, right, 20.0, 50.0) for s in range(2)]
        seen = []
        for made, settled in zip(walls, (2, 3), strict=True):
            free = uncovered(made, find_covers(made), 8.0)
            assert free is not None
            seen.append(gather(free, settled=settled))
        best = coarse_tops(seen)[0][0]
        assert best.sand_mm == pytest.approx(14.0, abs=1.0)
        assert best.silt_mm == pytest.approx(37.0, abs=1.0)


def test_a_cover_all_round_leaves_no_wall() -> None:
    made = wall(SOIL)
    whole = Cover(float(made.azimuth[0]), float(made.azimuth[-1]), 20.0, 50.0)
    assert uncovered(made, [whole], 8.0) is None


def test_a_ruler_that_leaves_too_little_glass_is_not_filled_in() -> None:
    made = wall(SOIL)
    tall = Cover(float(made.azimuth[0]), float(made.azimuth[-20]), -5.0, 115.0)
    assert uncovered(made, [tall], 8.0) is None
