"""Texture classes against published points and a second formulation, by polygons.

The second formulation is written here from the corner points of the printed USDA triangle (Soil
Survey Manual, Agriculture Handbook 18, chapter 3; the corners from memory), and the rule for
points on a line from the NRCS "Clarification of Soil Texture Class Boundaries" (Benham, Ahrens
and Nettleton): such a point goes to the class above or to the right on the triangle.
"""

import math
import pickle

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.errors import ExitCode, ValueRefusedError
from jarvision.estimate.texture import (
    CLASS_POLYGONS,
    CLASSES,
    Texture,
    TextureClass,
    classify,
    classify_many,
    texture_of,
)
from jarvision.estimate.texture_standards import class_masks, find_standard

USDA = find_standard("usda")

PUBLISHED = [
    # Garden bulletin TB1468, and primers
    (40, 40, 20, "loam"),
    # Agricultural engineering text, worked point of its figure 8.22
    (40, 35, 25, "loam"),
    # Worked example with the triangle, OnePlan (Idaho)
    (30, 40, 30, "clay loam"),
    # Saxton and Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578, table 3 (clay row from memory)
    (88, 7, 5, "sand"),
    (80, 15, 5, "loamy sand"),
    (65, 25, 10, "sandy loam"),
    (20, 65, 15, "silt loam"),
    (10, 85, 5, "silt"),
    (60, 15, 25, "sandy clay loam"),
    (30, 35, 35, "clay loam"),
    (10, 55, 35, "silty clay loam"),
    (10, 45, 45, "silty clay"),
    (50, 10, 40, "sandy clay"),
    (25, 25, 50, "clay"),
    # National Cooperative Soil Survey laboratory pedons MN175901, MN175904, MN175905
    (2.8, 44.2, 53.0, "silty clay"),
    (2.2, 50.8, 47.0, "silty clay"),
    (5.6, 55.8, 38.6, "silty clay loam"),
    # The same, KSUSS3690, 3691, 3692, 3694
    (28.5, 43.2, 28.3, "clay loam"),
    (22.6, 50.0, 27.4, "clay loam"),
    (14.8, 51.8, 33.4, "silty clay loam"),
    (3.9, 62.6, 33.5, "silty clay loam"),
]

# Corners as (clay, silt) on the printed triangle
TRIANGLE = {
    "clay": [(100, 0), (55, 0), (40, 15), (40, 40), (60, 40)],
    "silty clay": [(60, 40), (40, 40), (40, 60)],
    "sandy clay": [(55, 0), (35, 0), (35, 20)],
    "clay loam": [(40, 15), (27, 28), (27, 53), (40, 40)],
    "silty clay loam": [(40, 40), (27, 53), (27, 73), (40, 60)],
    "sandy clay loam": [(35, 0), (20, 0), (20, 28), (27, 28), (35, 20)],
    "loam": [(27, 28), (20, 28), (7, 41), (7, 50), (27, 50)],
    "silt loam": [(27, 50), (0, 50), (0, 80), (12, 80), (12, 88), (27, 73)],
    "silt": [(12, 80), (0, 80), (0, 100), (12, 88)],
    "sandy loam": [(20, 0), (15, 0), (0, 30), (0, 50), (7, 50), (7, 41), (20, 28)],
    "loamy sand": [(15, 0), (10, 0), (0, 15), (0, 30)],
    "sand": [(10, 0), (0, 0), (0, 15)],
}


def grid(step_pct: float) -> np.ndarray:
    count = round(100 / step_pct)
    silt, clay = np.meshgrid(np.arange(count + 1), np.arange(count + 1))
    inside = silt + clay <= count
    silt, clay = silt[inside] * step_pct, clay[inside] * step_pct
    return np.stack([100 - silt - clay, silt, clay], axis=1)


def by_polygons(points: np.ndarray) -> np.ndarray:
    """Index of the polygon strictly around each point; -1 on a line."""
    found = np.full(len(points), -1)
    for index, name in enumerate(CLASSES):
        polygon = shapely.Polygon(TRIANGLE[name]).buffer(-1e-7)
        shapely.prepare(polygon)
        found[shapely.contains_xy(polygon, points[:, 2], points[:, 1])] = index
    return found


@pytest.mark.parametrize(("sand", "silt", "clay", "name"), PUBLISHED)
def test_published_points(sand, silt, clay, name):
    assert classify(sand, silt, clay) == name


def test_agrees_with_polygons_away_from_the_lines():
    points = grid(0.5)
    expected = by_polygons(points)
    off_lines = expected >= 0
    assert off_lines.mean() > 0.9
    np.testing.assert_array_equal(classify_many(points)[off_lines], expected[off_lines])


def test_a_point_on_a_line_goes_above_or_to_the_right():
    points = grid(0.5)
    # Up is more clay and right is more silt, less sand: this step does both at once.
    stepped = points + np.array([-3e-4, 1e-4, 2e-4])
    possible = (by_polygons(points) < 0) & (stepped[:, 0] > 0)
    expected = by_polygons(stepped[possible])
    assert possible.sum() > 900
    assert (expected >= 0).all()
    np.testing.assert_array_equal(classify_many(points[possible]), expected)


def test_every_composition_of_a_fine_grid_has_exactly_one_class():
    masks = class_masks(USDA, grid(0.2))
    assert (masks.sum(axis=0) == 1).all()


@given(st.integers(0, 10**11), st.integers(0, 10**11))
def test_any_composition_has_exactly_one_class(first, second):
    low, high = sorted((first, second))
    shares = np.array([[low, high - low, 10**11 - high]]) / 1e9
    assert class_masks(USDA, shares).sum() == 1


@given(st.tuples(st.integers(0, 100), st.integers(0, 100)).map(sorted), st.floats(0.9951, 1.0049))
def test_shares_that_miss_100_by_a_little_are_scaled(cuts, scale):
    # Whole numbers, so that many of them lie exactly on a line, where rounding could tip them.
    shares = (cuts[0], cuts[1] - cuts[0], 100 - cuts[1])
    assert classify(*(share * scale for share in shares)) == classify(*shares)


def test_rounding_of_decimals_does_not_tip_a_point_off_its_line():
    # Exactly on the line silt + 1.5 clay = 15, but not in binary arithmetic.
    assert 6.6 + 1.5 * 5.6 < 15
    assert classify(87.8, 6.6, 5.6) == "loamy sand"


@pytest.mark.parametrize(
    ("shares", "sentence"),
    [
        ((40, 40, 13), "add up to 93, not 100; check the three percentages"),
        ((40, 40, 20.6), "add up to 100.6, not 100"),
        ((0.4, 0.4, 0.2), "add up to 1, not 100"),
        ((0, 0, 0), "add up to 0, not 100"),
        ((110, -20, 10), "cannot be below zero"),
        ((100, -1e-6, 1e-6), "cannot be below zero"),
        ((math.nan, 40, 60), "not a number; give all three"),
        ((math.inf, 40, 20), "not a number"),
        ((math.inf, -math.inf, 100), "not a number"),
        ((1e308, 1e308, 1e308), "not a number"),
    ],
)
def test_refusals(shares, sentence):
    with pytest.raises(ValueRefusedError, match=sentence) as refusal:
        classify(*shares)
    assert refusal.value.exit_code == ExitCode.WRONG_USAGE
    assert "Row" not in str(refusal.value)


def test_refusal_names_the_row():
    with pytest.raises(ValueRefusedError, match=r"^Row 3: Sand 50, silt 50 and clay 50 add up"):
        classify_many([[40, 40, 20], [0, 0, 100], [50, 50, 50]])


def test_half_a_point_off_is_accepted():
    assert classify(33.4, 33.3, 33.3) == classify(33.4, 33.3, 33.8) == "clay loam"
    assert classify(40.5, 40, 20) == classify(39.5, 40, 20) == "loam"


@pytest.mark.parametrize("wrong", [[40, 40, 20], [[40, 60]], [[[40, 40, 20]]]])
def test_wrong_shape_is_our_own_mistake(wrong):
    with pytest.raises(ValueError, match=r"expected shape \(n, 3\)"):
        classify_many(wrong)


def test_polygons_for_drawing_tile_the_triangle():
    drawn = {
        name: shapely.Polygon([(clay, silt) for _, silt, clay in corners])
        for name, corners in CLASS_POLYGONS.items()
    }
    assert set(drawn) == set(TextureClass)
    assert all(sum(corner) == 100 for corners in CLASS_POLYGONS.values() for corner in corners)
    assert all(polygon.is_valid for polygon in drawn.values())
    assert sum(polygon.area for polygon in drawn.values()) == pytest.approx(5000)
    whole = shapely.union_all(list(drawn.values()))
    assert whole.symmetric_difference(
        shapely.Polygon([(0, 0), (100, 0), (0, 100)])
    ).area == pytest.approx(0, abs=1e-6)
    for name, polygon in drawn.items():
        assert polygon.equals(shapely.Polygon(TRIANGLE[name])), name


def test_odds_are_shares_of_the_draws():
    loam, clay_loam, clay = (40, 40, 20), (30, 40, 30), (25, 25, 50)
    texture = texture_of([loam] * 7 + [clay_loam] * 2 + [clay])
    assert (texture.likeliest, texture.odds) == ("loam", 0.7)
    assert (texture.next_class, texture.next_odds) == ("clay loam", 0.2)
    assert texture.odds_of(TextureClass.CLAY) == 0.1
    assert texture.odds_of(TextureClass.SAND) == 0
    assert sum(texture.class_odds) == pytest.approx(1)


def test_no_next_class_when_all_draws_agree():
    texture = texture_of([(40, 40, 20)] * 3)
    assert (texture.likeliest, texture.odds) == ("loam", 1)
    assert texture.next_class is None
    assert math.isnan(texture.next_odds)


def test_odds_of_spread_draws_match_the_area_of_the_classes():
    # Even spread over the whole triangle: odds are shares of its area, here from the polygons.
    rng = np.random.default_rng(11)
    texture = texture_of(rng.dirichlet([1, 1, 1], size=40_000) * 100)
    for name in CLASSES:
        area = shapely.Polygon(TRIANGLE[name]).area / 5000
        assert texture.odds_of(name) == pytest.approx(area, abs=4 * math.sqrt(area / 40_000))


def test_no_draws_are_refused():
    with pytest.raises(ValueRefusedError, match="no composition"):
        texture_of(np.empty((0, 3)))


def test_texture_travels_between_processes():
    texture = texture_of([(40, 40, 20), (30, 40, 30)])
    assert pickle.loads(pickle.dumps(texture)) == texture
    assert isinstance(texture, Texture)


def test_the_classes_stand_in_the_order_of_their_limits():
    """An index into one is an index into the other."""
    assert [each.name for each in USDA.classes] == list(CLASSES)
