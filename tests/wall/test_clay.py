"""The clay's top told from its far rim, on unrolled walls that are drawn with both.

Where a far rim shows is traced ray by ray with the drawn scenes' optics, or worked by hand from
Snell's law: a sight line that enters the wall at 45 degrees goes on in water at an angle whose sine
is sin 45 / 1.333 = 0.5304, so it crosses the jar on a chord of cos = 0.8477 diameters, and the rim
stands 15 % less high over its front edge than in the middle.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scenes import GLASS, WATER, Layering, cylinder_hit, refracted, wall

from jarvision.jar.geometry import Camera, Outline, View
from jarvision.jar.unwrap import WallMap
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import WallFeatures, gather
from jarvision.wall.clay import arch_odds, far_rim_mm, mirrored_edge_mm
from jarvision.wall.layers import CoarsePlace
from jarvision.wall.stack_features import NAMES, features_of
from jarvision.wall.stacks import hypotheses, view_for
from jarvision.wall.weights import shipped

WALL_MM = 2.7
SILT, TOP, WATER_LINE = 37.0, 47.0, 105.0
JAR = Jar(
    View(Camera(1900.0, 590.0, 820.0, 330.0, 95.0, 0.0, 0.1, 0.0), Outline(38.0)),
    scaled=True,
    strip_azimuths=(0.3, 0.9),
    fit_px=0.3,
    walls_seen=2,
)
CLAY = Layering(
    tops_mm=(14.0, SILT, TOP),
    grain=(8.0, 3.0, 0.6, 0.3),
    light=(42.0, 52.0, 46.0, 64.0),
    hue=(14.0, 12.0, 11.0, 3.0),
)


def seen_from(height_mm: float) -> Jar:
    """The same jar from a camera at another height."""
    camera = replace(JAR.view.camera, height_mm=height_mm)
    return replace(JAR, view=replace(JAR.view, camera=camera))


def places_of(photo: WallFeatures, jar: Jar = JAR) -> list[tuple[float, float]]:
    """Where the clay's top can be, best first, each with its odds against the best."""
    view = view_for([photo], [jar], WATER_LINE, SILT)
    stacks = hypotheses(view, [CoarsePlace(14.0, SILT, 1.0)])
    score = features_of([view], [stacks]) @ shipped("last").of(NAMES)
    weighed = zip([s.clay_mm for s in stacks], np.exp(score - score.max()), strict=True)
    return sorted(((h, float(w)) for h, w in weighed), key=lambda place: -place[1])


def weight_near(
    places: list[tuple[float, float]], height_mm: float, reach_mm: float = 0.8
) -> float:
    """The largest weight of a place near a height; 0 where there is none."""
    return max((w for h, w in places if abs(h - height_mm) < reach_mm), default=0.0)


# --- where a far rim shows ------------------------------------------------------------------------
def traced_rim_mm(
    azimuth: np.ndarray, jar: Jar = JAR, top_mm: float = TOP, glass_mm: float = WALL_MM
) -> np.ndarray:
    """Where the far rim of a level surface shows on the inside of the front wall, by rays (n,)."""
    camera, radius = jar.view.camera, jar.view.outline.radius_mm
    eye = np.array([0.0, -camera.distance_mm, camera.height_mm])
    aim = np.linspace(top_mm - 3.0, camera.height_mm + 3.0, 300)
    heights = [_met_mm(a, aim, eye, (radius, radius - glass_mm)) for a in azimuth]
    return np.array([np.interp(top_mm, met, shown) for shown, met in heights])


def _met_mm(
    azimuth: float, aim: np.ndarray, eye: np.ndarray, radii: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """Heights at which rays pass the front wall's inside, and meet the far one's."""
    radius, inner = radii
    outward = np.array([np.sin(azimuth), -np.cos(azimuth), 0.0])
    entry = np.repeat(radius * outward[None], len(aim), 0)
    entry[:, 2] = aim
    glass = refracted(entry - eye, np.repeat(outward[None], len(aim), 0), 1 / GLASS)
    inside = entry + glass * cylinder_hit(entry, glass, inner)[:, None]
    normal = inside * (1.0, 1.0, 0.0) / inner
    water = refracted(glass, normal, GLASS / WATER)
    level = water[:, :2]
    across = -2 * (inside[:, :2] * level).sum(axis=1) / (level**2).sum(axis=1)
    return inside[:, 2], inside[:, 2] + across * water[:, 2]


# By hand: sin a / 1.333 = 0, 0.1942, 0.3751, 0.5305, 0.6497; the cosines of those angles.
BY_HAND_AT = np.radians([0.0, 15.0, 30.0, 45.0, 60.0])
BY_HAND = np.array([1.0, 0.9810, 0.9270, 0.8477, 0.7602])


def rim_by_hand_mm(azimuth: np.ndarray, jar: Jar = JAR, top_mm: float = TOP) -> np.ndarray:
    gap = traced_rim_mm(np.zeros(1), jar, top_mm)[0] - top_mm
    return top_mm + gap * np.interp(np.abs(azimuth), BY_HAND_AT, BY_HAND)


def level_rim_mm(azimuth: np.ndarray, jar: Jar = JAR, top_mm: float = TOP) -> np.ndarray:
    """What no far rim is: level, as high as one would stand in the middle."""
    return np.full(len(azimuth), traced_rim_mm(np.zeros(1), jar, top_mm)[0])


def test_the_arch_by_hand_is_that_of_traced_rays_from_afar() -> None:
    """Thin glass; 38 mm of a jar seen at a slope of one in fifty, from 50 m."""
    jar = replace(JAR, view=View(Camera(1e5, 0, 0, 5e4, 1e3, 0, 0, 0), Outline(38.0)))
    gap = traced_rim_mm(BY_HAND_AT, jar, top_mm=0.0, glass_mm=0.01)
    assert gap[0] == pytest.approx(76.0 / 50 / 1.333, rel=0.01)
    np.testing.assert_allclose(gap / gap[0], BY_HAND, atol=0.002)


# --- walls with a front edge and a far rim --------------------------------------------------------
def surface_wall(
    rim_mm: np.ndarray | None,
    *,
    front_step: float,
    seed: int = 1,
    lean_mm: float = 0.0,
    turns_round: bool = False,
) -> WallFeatures:
    """Clay under clear water whose surface differs from the wall below by `front_step` in L*.

    The water above the rim is lighter by 14. `lean_mm` is how much higher everything stands a
    radian to the right; where the step turns round, the surface is darker on the right.
    """
    surface = 46.0 + front_step
    drawn = {"columns": 290, "gap": (190, 235), "grain": (8.0, 3.0, 0.4, 0.4, 0.4), "seed": seed}
    tops, hue = (14.0, SILT, TOP, WATER_LINE), (14.0, 12.0, 11.0, 11.0, 6.0)
    light = (42.0, 52.0, 46.0, surface, 80.0)
    made = wall(Layering(tops_mm=tops, light=light, hue=hue, **drawn))
    if turns_round:
        darker = (42.0, 52.0, 46.0, 46.0 - front_step, 80.0)
        other = wall(Layering(tops_mm=tops, light=darker, hue=hue, **drawn))
        made = replace(made, bgr=np.where((made.azimuth > 0)[:, None], other.bgr, made.bgr))
    if rim_mm is not None:
        water = (42.0, 52.0, 46.0, surface + 14.0, 80.0)
        over = wall(Layering(tops_mm=tops, light=water, hue=(*hue[:3], 4.0, 6.0), **drawn))
        made = replace(
            made, bgr=np.where((over.z_mm[:, None] > rim_mm)[..., None], over.bgr, made.bgr)
        )
    return gather(leaning(made, lean_mm) if lean_mm else made, settled=3)


def leaning(made: WallMap, lean_mm: float) -> WallMap:
    """The same wall, each column moved up by the lean times its azimuth, to whole rows."""
    bgr, step = made.bgr.copy(), made.z_mm[1] - made.z_mm[0]
    for column, azimuth in enumerate(made.azimuth):
        bgr[:, column] = np.roll(bgr[:, column], round(lean_mm * azimuth / step), axis=0)
    return replace(made, bgr=bgr)


@cache
def azimuths() -> np.ndarray:
    return wall(Layering(columns=290, gap=(190, 235))).azimuth


def test_the_far_rim_shows_where_traced_rays_put_it() -> None:
    assert float(far_rim_mm(JAR, np.array(TOP))) == pytest.approx(
        traced_rim_mm(np.zeros(1))[0], abs=0.6
    )


@pytest.mark.parametrize("rim", [rim_by_hand_mm, traced_rim_mm], ids=["by hand", "traced"])
def test_a_far_rim_is_known_by_its_arch_and_a_front_edge_by_being_level(rim) -> None:
    arched = rim(azimuths())
    photo = surface_wall(arched, front_step=4.0)
    assert arch_odds(photo, JAR, TOP) < -1.0
    assert arch_odds(photo, JAR, float(arched.max()) - 0.5) > 1.0


def test_a_front_edge_that_turns_from_lighter_to_darker_is_among_the_places() -> None:
    photo = surface_wall(rim_by_hand_mm(azimuths()), front_step=3.0, turns_round=True)
    assert weight_near(places_of(photo), TOP) > 0.02


def test_seen_nearly_level_the_place_under_the_one_edge_is_among_the_places() -> None:
    """A far rim a millimetre and a half above its front edge makes one edge with it."""
    jar = seen_from(58.0)
    rim = traced_rim_mm(azimuths(), jar)
    assert 1.0 < rim.max() - TOP < 2.5
    places = places_of(surface_wall(rim, front_step=0.0), jar)
    assert weight_near(places, rim.max(), 0.6) > 0.0
    assert weight_near(places, TOP, 0.6) > 0.2


@pytest.mark.parametrize("front_step", [1.0, 4.0])
def test_mirrored_the_places_are_the_same(front_step: float) -> None:
    arched = rim_by_hand_mm(azimuths())
    photo = surface_wall(arched, front_step=front_step)
    turned = replace(
        photo,
        azimuth=-photo.azimuth[::-1],
        colour=photo.colour[::-1],
        grain=photo.grain[::-1],
        steps=photo.steps[::-1],
    )
    np.testing.assert_allclose(places_of(turned), places_of(photo), rtol=1e-3, atol=1e-3)


def test_a_rim_alone_is_not_believed_alone() -> None:
    """With no front edge to be seen the rim must not pass for the clay's top without a rival."""
    places = places_of(surface_wall(rim_by_hand_mm(azimuths()), front_step=0.0))
    rivals = [w for h, w in places if h < 52.0]
    assert max(rivals) > 0.2


# --- walls whose far rim is drawn level -----------------------------------------------------------
def clay_wall(*, rim: bool = True, extra: tuple[float, ...] = ()) -> WallFeatures:
    """Clay under clear water: its top, its far rim, further lines, the water line."""
    rims = [float(traced_rim_mm(np.zeros(1))[0])] if rim else []
    steps = [14.0, SILT, TOP, *rims, *extra, WATER_LINE]
    light = [42.0, 52.0, 46.0, *([54.0] if rim else [])]
    light += [64.0 - 7.0 * (i % 2) for i in range(len(extra) + 1)] + [80.0]
    made = replace(
        CLAY,
        tops_mm=tuple(steps),
        grain=(8.0, 3.0, *[0.4] * (len(steps) - 1)),
        light=tuple(light),
        hue=(14.0, 12.0, 11.0, *[6.0] * (len(steps) - 2)),
    )
    return gather(wall(made), settled=3)


def test_the_clays_top_is_the_edge_with_its_far_rim_above() -> None:
    places = places_of(clay_wall())
    assert places[0][0] == pytest.approx(TOP, abs=0.4)
    assert places[0][1] == 1.0
    assert [w for _, w in places] == sorted((w for _, w in places), reverse=True)


def test_a_line_in_the_water_is_at_best_a_rival() -> None:
    places = places_of(clay_wall(extra=(78.0,)))
    assert places[0][0] == pytest.approx(TOP, abs=0.4)


def test_without_edges_over_the_silt_the_clay_can_only_be_thin() -> None:
    smooth = Layering(tops_mm=(37.0,), grain=(3.0, 0.3), light=(52.0, 60.0), hue=(12.0, 4.0))
    places = places_of(gather(wall(smooth), settled=3))
    assert all(37.0 <= height < 38.5 for height, _ in places)


def test_a_mirrored_edge_stands_where_plane_geometry_puts_it() -> None:
    # A sight line that falls by 95 - 40 mm on its way of 292 mm to the wall goes on falling after
    # the mirror until it meets the table 4 mm under the floor: 44 mm at the same slope.
    assert mirrored_edge_mm(JAR, 40.0) == pytest.approx(292.0 / 55.0 * 44.0)
    assert np.isnan(mirrored_edge_mm(JAR, 95.0))
    assert np.isnan(mirrored_edge_mm(JAR, 120.0))
