"""Boundaries on unrolled walls whose layers were put there: where they are, and how sure.

Walls are made in CIE Lab with grain of known size, noise, glare and false bands; the truth is the
height at which the layers were parted. No wall is square, so rows and columns cannot be mistaken.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scenes import Layering, wall

from jarvision.jar.wall_features import WallFeatures, edge_peaks, gather, pieces
from jarvision.wall.layers import coarse_tops, place
from jarvision.wall.measurement import Boundary
from jarvision.wall.read import _LEAST_GAIN

SAND = Layering(tops_mm=(14.0,), grain=(8.0, 0.6), light=(42.0, 58.0), hue=(14.0, 10.0))
SILT = Layering(
    tops_mm=(14.0, 37.0), grain=(8.0, 3.0, 0.6), light=(42.0, 52.0, 58.0), hue=(14.0, 12.0, 10.0)
)
CLAY = Layering(
    tops_mm=(14.0, 37.0, 47.0),
    grain=(8.0, 3.0, 0.6, 0.3),
    light=(42.0, 52.0, 46.0, 64.0),
    hue=(14.0, 12.0, 11.0, 3.0),
)


def photos(sand: float, silt: float, clay: float, *, seed: int = 0, **changes: object):
    """WallFeatures of the three photos of one jar."""
    layerings = (
        replace(SAND, tops_mm=(sand,), seed=seed, **changes),
        replace(SILT, tops_mm=(sand, silt), seed=seed + 1000, **changes),
        replace(CLAY, tops_mm=(sand, silt, clay), seed=seed + 2000, **changes),
    )
    return [gather(wall(each), settled=i + 1) for i, each in enumerate(layerings)]


def placed(photo: WallFeatures, layer: int, near: float, below: float, above: float) -> Boundary:
    """A boundary placed twice, as the reader does."""
    first = place(photo, layer, near, below, above, 2.2)
    assert first is not None
    return place(photo, layer, first.top_mm, below, above, 1.6) or first


# --- where sand and silt lie, roughly -------------------------------------------------------------
SCENES: dict[str, dict[str, object]] = {
    "plain": {},
    "noisy": {"noise": 5.0},
    "glare": {"glare": 18.0},
    "false bands": {"bands_mm": (6.0, 24.0, 61.0, 83.0)},
    "dark false bands": {"bands_mm": (6.0, 24.0, 61.0), "band_light": -9.0},
    "uneven": {"uneven_mm": 1.5},
    "narrow": {"columns": 81, "gap": None},
    "no strip": {"gap": None},
}


@pytest.mark.slow
@pytest.mark.parametrize("scene", SCENES)
def test_sand_and_silt_are_found(scene: str) -> None:
    rng = np.random.default_rng(11)
    for seed in range(3):
        sand, silt = float(rng.uniform(6, 22)), float(rng.uniform(30, 46))
        ways, gain = coarse_tops(photos(sand, silt, silt + 9, seed=seed, **SCENES[scene]))
        assert ways[0].weight == 1.0
        assert ways[0].sand_mm == pytest.approx(sand, abs=1.6)
        assert ways[0].silt_mm == pytest.approx(silt, abs=1.6)
        assert gain > 2 * _LEAST_GAIN


@pytest.mark.parametrize("taken", [(2,), (0, 2), (1, 2)], ids=["last", "first, last", "2h, last"])
def test_fewer_photos_are_enough_where_they_are_plain(taken: tuple[int, ...]) -> None:
    for seed in range(4):
        three = photos(15.0, 38.0, 48.0, seed=seed)
        ways, _ = coarse_tops([three[i] for i in taken])
        assert ways[0].sand_mm == pytest.approx(15.0, abs=1.6)
        assert ways[0].silt_mm == pytest.approx(38.0, abs=1.6)


def test_a_deposit_that_sinks_a_little_is_still_found() -> None:
    one, two, three = photos(20.0, 42.0, 52.0), photos(19.7, 42.0, 52.0), photos(19.6, 41.4, 52.0)
    ways, _ = coarse_tops([one[0], two[1], three[2]])
    assert ways[0].sand_mm == pytest.approx(20.0, abs=1.6)
    assert ways[0].silt_mm == pytest.approx(41.8, abs=1.6)


NOTHING = {
    "clear water": Layering(tops_mm=(), grain=(0.3,), light=(64.0,), hue=(3.0,)),
    "cloudy water": Layering(tops_mm=(), grain=(0.6,), light=(58.0,), hue=(10.0,), noise=2.0),
    "gravel to the top": Layering(tops_mm=(), grain=(8.0,), light=(42.0,), hue=(14.0,)),
    "bands of paint": Layering(
        tops_mm=(20.0, 40.0), grain=(0.5, 0.5, 0.5), light=(30.0, 70.0, 50.0), hue=(20.0, 2.0, 9.0)
    ),
    "glare": Layering(tops_mm=(), grain=(0.5,), light=(55.0,), hue=(8.0,), glare=25.0),
}


@pytest.mark.parametrize("kind", NOTHING)
def test_without_layers_there_is_little_to_gain(kind: str) -> None:
    walls = [wall(replace(NOTHING[kind], seed=seed)) for seed in range(3)]
    for seen in (walls, walls[2:]):
        settled = (1, 2, 3) if len(seen) == 3 else (3,)
        _, gain = coarse_tops([gather(w, settled=s) for w, s in zip(seen, settled, strict=True)])
        assert gain < _LEAST_GAIN


# --- placed to a fraction of a millimetre ---------------------------------------------------------
@pytest.mark.slow
@pytest.mark.parametrize("scene", SCENES)
def test_boundaries_are_placed(scene: str) -> None:
    rng = np.random.default_rng(12)
    off, claimed = [], []
    for seed in range(5):
        tops = (float(rng.uniform(8, 20)), float(rng.uniform(30, 40)), float(rng.uniform(46, 56)))
        for settled, photo in enumerate(photos(*tops, seed=seed, **SCENES[scene])):
            edges = (0.3, *tops[: settled + 1], 200.0)
            near = tops[settled] + float(rng.uniform(-0.8, 0.8))
            found = placed(photo, settled, near, edges[settled], edges[settled + 2])
            off.append(found.top_mm - tops[settled])
            claimed.append(found.sd_mm)
            assert found.contrast > 3.0
            assert found.colour_mm == pytest.approx(tops[settled], abs=0.6)
    assert np.abs(off).max() < 0.5
    # what is claimed holds the glass's own errors too, so on walls without glass it is the larger
    assert np.sqrt(np.mean(np.square(off) / np.square(claimed))) < 1.0


def faint(rng: np.random.Generator, seed: int) -> tuple[float, WallFeatures]:
    """A wall on which two layers differ little, and in lightness and grain only."""
    top = float(rng.uniform(12, 30))
    layering = Layering(
        tops_mm=(top,),
        grain=(float(rng.uniform(5, 8)), float(rng.uniform(2, 4))),
        light=(44.0, 44.0 + float(rng.uniform(4, 9)) * (-1) ** seed),
        hue=(12.0, 12.0),
        noise=float(rng.uniform(1, 5)),
        uneven_mm=float(rng.uniform(0, 3)),
        columns=int(rng.integers(60, 190)),
        gap=None,
        seed=seed,
    )
    return top, gather(wall(layering, top_mm=60.0), settled=1)


@pytest.mark.slow
def test_the_claimed_error_is_the_real_one_on_faint_boundaries() -> None:
    rng = np.random.default_rng(13)
    ratio = []
    for seed in range(60):
        top, photo = faint(rng, seed)
        found = placed(photo, 0, top + float(rng.uniform(-0.8, 0.8)), 0.3, 55.0)
        ratio.append((found.top_mm - top) / found.sd_mm)
    assert 0.6 < np.sqrt(np.mean(np.square(ratio))) < 1.4


def test_an_uneven_boundary_says_so() -> None:
    level, wavy = (
        placed(gather(wall(replace(SAND, uneven_mm=mm)), settled=1), 0, 14.0, 0.3, 90.0)
        for mm in (0.0, 6.0)
    )
    assert level.uneven_mm < 0.5
    # waves shorter than the five millimetres of wall that vote together average out
    assert level.uneven_mm + 0.5 < wavy.uneven_mm < 6.0
    assert wavy.sd_mm > level.sd_mm


def test_the_two_cues_are_told_apart() -> None:
    """Grain ends at 14 mm and colour at 16: each cue must say what it sees."""
    by_grain = replace(SAND, light=(50.0, 50.0), hue=(12.0, 12.0))
    two = wall(by_grain)
    stained = wall(
        replace(by_grain, hue=(12.0, 25.0), tops_mm=(16.0,), grain=(0.0, 0.0), noise=0.0)
    )
    plain = wall(replace(by_grain, hue=(12.0, 12.0), grain=(0.0, 0.0), noise=0.0))
    shift = stained.bgr.astype(int) - plain.bgr
    mixed = replace(two, bgr=np.clip(two.bgr + shift, 0, 255).astype(np.uint8))
    found = place(gather(mixed, settled=1), 0, 15.0, 0.3, 90.0, 2.2)
    assert found is not None
    assert found.grain_mm == pytest.approx(14.0, abs=0.6)
    assert found.colour_mm == pytest.approx(16.0, abs=0.6)


@pytest.mark.parametrize(("below", "above"), [(13.9, 14.1), (5.0, 5.2), (13.5, 14.2)])
def test_a_layer_without_room_is_not_placed(below: float, above: float) -> None:
    assert place(gather(wall(SAND), settled=1), 0, 14.0, below, above, 2.2) is None


def test_the_strip_parts_the_wall_in_two() -> None:
    left, right = pieces(wall(SAND))
    assert (len(left), len(right)) == (120, 47)
    assert len(pieces(wall(replace(SAND, gap=None)))) == 1


def test_a_sliver_of_glass_has_no_vote_beside_wider_glass() -> None:
    whole = wall(SAND)
    for columns, parts in ((10, 1), (16, 2)):
        keep = np.r_[0:120, 140 : 140 + columns]
        narrow = replace(whole, azimuth=whole.azimuth[keep], bgr=whole.bgr[:, keep])
        assert len(pieces(narrow)) == parts


def test_edges_are_listed_once_each() -> None:
    peaks = edge_peaks(gather(wall(CLAY), settled=3), 3.0, 100.0)
    heights = [height for height, _ in peaks]
    assert min(np.diff(heights)) > 1.25
    strongest = sorted(peaks, key=lambda peak: -peak[1])[:3]
    assert sorted(h for h, _ in strongest) == pytest.approx([14.0, 37.0, 47.0], abs=0.6)


# --- what must not matter -------------------------------------------------------------------------
def turned_round(layering: Layering) -> WallFeatures:
    made = wall(layering)
    other = replace(made, bgr=made.bgr[:, ::-1].copy(), azimuth=-made.azimuth[::-1])
    return gather(other, settled=1)


def exposed(layering: Layering, factor: float) -> WallFeatures:
    made = wall(layering)
    brighter = np.clip(made.bgr * factor + 0.5, 0, 255).astype(np.uint8)
    return gather(replace(made, bgr=brighter), settled=1)


@pytest.mark.parametrize(
    "change",
    [turned_round, lambda s: exposed(s, 0.6), lambda s: exposed(s, 1.25)],
    ids=["mirrored", "darker", "brighter"],
)
def test_mirror_and_exposure_do_not_move_a_boundary(
    change: Callable[[Layering], WallFeatures],
) -> None:
    plain = placed(gather(wall(SAND), settled=1), 0, 14.3, 0.3, 90.0)
    changed = placed(change(SAND), 0, 14.3, 0.3, 90.0)
    assert changed.top_mm == pytest.approx(plain.top_mm, abs=0.13)  # a row of the wall
