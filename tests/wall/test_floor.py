"""The inside floor and the water line, on walls on which both were put at known heights."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scenes import Layering, wall

from jarvision.jar.geometry import GLASS_INDEX
from jarvision.jar.unwrap import WallMap
from jarvision.jar.wall_features import gather
from jarvision.wall.deposit_foot import find_foot
from jarvision.wall.floor import (
    FILLET_MM,
    STRIP_ZERO_SD_MM,
    join_floors,
    seen_above_floor,
    seen_floor,
    water_structure,
)
from jarvision.wall.measurement import Floor, clearness_of
from jarvision.wall.water_line import find_water_lines

LOOKING_DOWN = np.radians(20.0)
SAND = Layering(tops_mm=(14.0,), grain=(8.0, 0.6), light=(42.0, 58.0), hue=(14.0, 10.0))


def on_glass(foot_mm: float, **changes: Any) -> Layering:
    """Draw sand that ends at a height, and under it the bands of a jar's glass foot."""
    bands = (foot_mm - 1.2, foot_mm - 2.4)
    return replace(SAND, floor_mm=foot_mm, bands_mm=bands, band_light=-20.0, **changes)


@pytest.mark.parametrize("floor_mm", [-1.6, -0.5, 0.0, 0.7, 1.5])
@pytest.mark.parametrize("noise", [0.8, 4.0])
def test_the_foot_of_the_deposit_shows_the_floor(floor_mm: float, noise: float) -> None:
    for seed in range(3):
        made = on_glass(
            floor_mm + FILLET_MM * seen_above_floor(LOOKING_DOWN), noise=noise, seed=seed
        )
        z_mm, sd_mm = seen_floor(gather(wall(made), settled=1), 14.0, LOOKING_DOWN)
        assert z_mm == pytest.approx(floor_mm, abs=0.4)
        assert 0.3 < sd_mm < 1.0


@pytest.mark.parametrize("elevation_deg", [0.0, 10.0, 25.0, 45.0])
def test_the_fillet_hides_the_floor_as_traced_rays_say(elevation_deg: float) -> None:
    # Rays of one slope in the glass, each followed until it meets a quarter circle of radius 1
    # whose centre is at (1, 1); the wall's inside is x = 0 and the floor z = 0.
    fall = np.tan(np.arcsin(np.sin(np.radians(elevation_deg)) / GLASS_INDEX))
    lowest = np.inf
    for start in np.linspace(0.0, 1.2, 2401):
        x = np.linspace(0.0, 1.0, 2001)
        z = start - fall * x
        inside = (x - 1.0) ** 2 + (z - 1.0) ** 2 <= 1.0
        if (inside & (z < 1.0)).any():
            lowest = min(lowest, start)
    assert seen_above_floor(np.radians(elevation_deg)) == pytest.approx(lowest, abs=2e-3)


def shaded(made: WallMap, *, foot_mm: float, share: float) -> WallMap:
    """Darken a wall towards the foot, down to a share of its light, as a table does."""
    light = np.interp(made.z_mm, [foot_mm, foot_mm + 4.0], [share, 1.0])[:, None, None]
    return replace(made, bgr=(made.bgr * light).astype(np.uint8))


@pytest.mark.parametrize("share", [0.6, 0.45, 0.35])
def test_shade_at_the_foot_is_not_its_end(share: float) -> None:
    made = shaded(wall(on_glass(0.6)), foot_mm=0.6, share=share)
    foot = find_foot(gather(made, settled=1), 14.0)
    assert foot is not None
    assert foot.z_mm == pytest.approx(0.6, abs=0.4)


def test_glass_that_mirrors_the_sand_is_not_the_sand() -> None:
    made = wall(on_glass(0.6))
    under = made.z_mm < 0.6
    # speckled like the sand above it, but of another lightness, as bottoms of thick glass are
    copy = made.bgr[np.flatnonzero(~under)[: under.sum()][::-1]].astype(float)
    bgr = made.bgr.copy()
    bgr[under] = np.clip(1.5 * copy + 20.0, 0, 255)
    foot = find_foot(gather(replace(made, bgr=bgr), settled=1), 14.0)
    assert foot is not None
    assert foot.z_mm == pytest.approx(0.6, abs=0.4)


def test_where_no_glass_shows_the_foot_says_little() -> None:
    _, with_bands = seen_floor(gather(wall(on_glass(0.0)), settled=1), 14.0, LOOKING_DOWN)
    _, without = seen_floor(
        gather(wall(replace(SAND, floor_mm=0.0)), settled=1), 14.0, LOOKING_DOWN
    )
    assert without > 1.0 > with_bands


def test_a_thin_first_layer_still_shows_the_floor() -> None:
    made = replace(SAND, tops_mm=(3.4,), floor_mm=FILLET_MM * seen_above_floor(LOOKING_DOWN))
    z_mm, _ = seen_floor(gather(wall(made), settled=1), 3.4, LOOKING_DOWN)
    assert z_mm == pytest.approx(0.0, abs=0.6)


def test_where_deposit_goes_on_below_no_floor_is_seen() -> None:
    z_mm, sd_mm = seen_floor(
        gather(wall(replace(SAND, floor_mm=-6.0)), settled=1), 14.0, LOOKING_DOWN
    )
    assert np.isnan(z_mm)
    assert np.isnan(sd_mm)


# --- the strip's zero and what is seen ------------------------------------------------------------
def test_the_strip_alone_stands_for_the_floor() -> None:
    floor = join_floors([(np.nan, np.nan)] * 3, has_strip=True)
    assert floor.z_mm == 0.0
    assert floor.sd_mm >= STRIP_ZERO_SD_MM
    assert np.isnan(floor.seen_mm)


def test_both_witnesses_are_weighed_by_their_errors() -> None:
    # Gauss: independent errors weigh by their inverse squares.
    floor = join_floors([(0.5, 0.6)], has_strip=True)
    weight = 0.6**-2 / (0.6**-2 + STRIP_ZERO_SD_MM**-2)
    assert floor.z_mm == pytest.approx(0.5 * weight)
    assert floor.sd_mm == pytest.approx((0.6**-2 + STRIP_ZERO_SD_MM**-2) ** -0.5)
    assert floor.seen_mm == pytest.approx(0.5)


def test_more_photos_do_not_average_out_what_they_share() -> None:
    one = join_floors([(0.2, 0.45)], has_strip=True)
    many = join_floors([(0.2, 0.45)] * 9, has_strip=True)
    assert many.sd_mm > 0.6 * one.sd_mm


def test_a_strip_set_wrongly_is_overruled_only_by_two_photos() -> None:
    lone = join_floors([(-4.0, 0.4), (0.1, 0.4)], has_strip=True)
    both = join_floors([(-4.0, 0.4), (-4.1, 0.4)], has_strip=True)
    assert abs(lone.z_mm) < 0.3
    assert both.z_mm == pytest.approx(-4.05)
    assert both.sd_mm > lone.sd_mm


def test_without_a_strip_only_the_foot_counts() -> None:
    floor = join_floors([(2.6, 0.4)], has_strip=False)
    assert (floor.z_mm, floor.seen_mm) == (pytest.approx(2.6), pytest.approx(2.6))
    assert floor.sd_mm > join_floors([(0.1, 0.4)], has_strip=True).sd_mm
    assert join_floors([], has_strip=False).sd_mm > 1.0


def test_the_joined_floor_is_as_sure_as_it_claims() -> None:
    """Strips set with the error that is assumed of people, feet seen with the error of heels."""
    rng = np.random.default_rng(14)
    ratio = []
    for _ in range(600):
        strip_error = rng.normal(0, STRIP_ZERO_SD_MM)  # the floor above the strip's zero
        heel = rng.normal(0, 0.4)  # shared by all photos of a jar
        seen = [(strip_error + heel + rng.normal(0, 0.1), 0.42) for _ in range(3)]
        floor = join_floors(seen, has_strip=True)
        ratio.append((floor.z_mm - strip_error) / floor.sd_mm)
    assert 0.7 < np.sqrt(np.mean(np.square(ratio))) < 1.3


def test_floors_are_plain_values() -> None:
    assert Floor(0.1, 0.4, 0.2) == Floor(0.1, 0.4, 0.2)


# --- water ----------------------------------------------------------------------------------------
def with_water(
    line_mm: float, *, settled: int = 1, foam_mm: float = 0.0, clear: bool = False, seed: int = 0
):
    """A wall with air over water over sand; foam hangs under the line."""
    tops = [14.0, *([line_mm - foam_mm] if foam_mm else []), line_mm]
    foam = 1 if foam_mm else 0
    made = Layering(
        tops_mm=tuple(tops),
        grain=(8.0, 0.4, *[2.0] * foam, 0.3),
        light=(42.0, 50.0 if clear else 58.0, *[66.0] * foam, 78.0),
        hue=(14.0, 3.0 if clear else 10.0, *[6.0] * foam, 2.0),
        seed=seed,
    )
    return gather(wall(made, top_mm=140.0), settled=settled)


@pytest.mark.parametrize("line_mm", [70.0, 104.0, 126.0])
def test_the_water_line_is_found(line_mm: float) -> None:
    photos = [with_water(line_mm, seed=s, settled=s + 1) for s in (0, 1)]
    assert find_water_lines(photos, 14.0)[0].z_mm == pytest.approx(line_mm, abs=0.8)


def test_foam_is_not_taken_for_the_water_line() -> None:
    photos = [with_water(104.0, foam_mm=5.0), with_water(104.0, settled=3, clear=True)]
    assert find_water_lines(photos, 14.0)[0].z_mm == pytest.approx(104.0, abs=1.0)


def test_without_a_line_the_water_is_unknown() -> None:
    smooth = gather(wall(SAND, top_mm=140.0), settled=1)
    assert not find_water_lines([smooth, smooth], 14.0)


def test_clear_water_shows_what_is_behind_it() -> None:
    cloudy = with_water(110.0)
    behind = Layering(
        tops_mm=(14.0, 40.0, 75.0, 110.0),
        grain=(8.0, 0.4, 0.4, 0.3),
        light=(42.0, 48.0, 70.0, 60.0, 78.0),
        hue=(14.0, 4.0, 12.0, 2.0, 2.0),
        seed=3,
    )
    behind = replace(behind, grain=(8.0, 0.4, 0.4, 0.4, 0.3))
    clear = gather(wall(behind, top_mm=140.0), settled=3)
    earlier = [water_structure(cloudy, 14.0, 110.0)]
    assert clearness_of(water_structure(clear, 14.0, 110.0), earlier) == "clear"
    assert (
        clearness_of(water_structure(with_water(110.0, seed=5), 14.0, 110.0), earlier) == "cloudy"
    )


def test_too_little_water_tells_nothing() -> None:
    structure = water_structure(with_water(30.0), 14.0, 30.0)
    assert np.isnan(structure).all()
    assert clearness_of(structure, [(1.0, 1.0)]) == "unknown"
