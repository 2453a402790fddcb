"""Classes of other countries: one for every soil, against published examples and statements."""

import numpy as np
import pytest
from shapely.geometry import Point, Polygon
from shapely.ops import unary_union

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.estimate.texture import CLASSES, classify_many
from jarvision.estimate.texture_standards import (
    STANDARDS,
    class_borders,
    class_masks,
    class_odds,
    classify_by,
    find_standard,
    piece_corners,
    standard_from_toml,
)


def every_tenth():
    """All compositions in steps of 0.1 %, 501,501 of them."""
    silt, clay = np.meshgrid(np.arange(1001), np.arange(1001))
    inside = silt + clay <= 1000
    silt, clay = silt[inside], clay[inside]
    return np.column_stack([1000 - silt - clay, silt, clay]) / 10


EVERY = every_tenth()


def name_of(key, sand, silt, clay):
    standard = find_standard(key)
    each = standard.classes[int(classify_by(standard, [[sand, silt, clay]])[0])]
    return each.short or each.name


@pytest.mark.parametrize("key", STANDARDS)
def test_exactly_one_class_everywhere(key):
    assert (class_masks(find_standard(key), EVERY).sum(axis=0) == 1).all()


@pytest.mark.parametrize("key", STANDARDS)
def test_exactly_one_class_off_the_grid_and_beside_lines(key):
    rng = np.random.default_rng(5)
    loose = rng.dirichlet([1, 1, 1], 20_000) * 100
    beside = EVERY[::50] + 1e-9 * np.array([-2, 1, 1])
    for pcts in (loose, beside[beside.min(axis=1) >= 0]):
        assert (class_masks(find_standard(key), pcts).sum(axis=0) == 1).all()


def test_the_american_limits_are_those_of_the_classifier():
    usda = find_standard("usda")
    assert [each.name for each in usda.classes] == list(CLASSES)
    assert (classify_by(usda, EVERY) == classify_many(EVERY)).all()


@pytest.mark.parametrize(
    ("sand", "silt", "clay", "name"),
    [
        # A British glossary of turf soils (turfai.co.uk, science of soils): "an example of a ...
        # soil is one that contains the following".
        (60, 25, 15, "sandy loam"),
        (30, 55, 15, "sandy silt loam"),
        (5, 82, 13, "silt loam"),
        (40, 25, 35, "clay loam"),
        (15, 50, 35, "silty clay loam"),
        (10, 45, 45, "silty clay"),
        (20, 20, 60, "clay"),
    ],
)
def test_british_examples(sand, silt, clay, name):
    assert name_of("uk", sand, silt, clay) == name


@pytest.mark.parametrize(
    ("sand", "silt", "clay", "name"),
    [
        # wissen.de, Bodenart: the worked point of its diagram, "schluffiger Lehm".
        (20, 55, 25, "Lu"),
        # A riding-meadow adviser's worked example (pferdegruenland.de): "tonig, sandiger Lehm".
        (45, 25, 30, "Lts"),
    ],
)
def test_german_examples(sand, silt, clay, name):
    assert name_of("german", sand, silt, clay) == name


def test_german_classes_are_31():
    """Bavaria's environment agency and Halle university: 31 classes."""
    german = find_standard("german")
    assert len(german.classes) == len({each.short for each in german.classes}) == 31
    assert len(set(classify_by(german, EVERY).tolist())) == 31


def test_fao_classes_add_up_to_the_three_of_the_soil_map():
    """Canadian Soil Information Service: coarse under 18 % clay and over 65 % sand; fine over 35 %
    clay; medium under 35 % clay and under 65 % sand, or to 82 % with at least 18 % clay."""
    fao = find_standard("fao")
    names = np.array([each.name for each in fao.classes])[classify_by(fao, EVERY)]
    sand, _, clay = EVERY.T
    off_lines = (clay != 35) & (sand != 65)
    coarse = (clay < 18) & (sand > 65)
    fine = clay > 35
    medium = (clay < 35) & ((sand < 65) | (clay >= 18))
    assert (np.isin(names, ["fine", "very fine"]) == fine)[off_lines].all()
    assert ((names == "coarse") == coarse)[off_lines].all()
    assert (np.isin(names, ["medium", "medium fine"]) == medium)[off_lines].all()


def shapes_of(each):
    corners = filter(None, map(piece_corners, each.pieces))
    return [Polygon([(sand, clay) for sand, _, clay in piece]) for piece in corners]


@pytest.mark.parametrize("key", STANDARDS)
def test_fields_tile_the_triangle_by_an_independent_geometry(key):
    standard = find_standard(key)
    shapes = [(i, shape) for i, each in enumerate(standard.classes) for shape in shapes_of(each)]
    assert sum(shape.area for _, shape in shapes) == pytest.approx(5000)
    assert unary_union([shape for _, shape in shapes]).area == pytest.approx(5000)
    rng = np.random.default_rng(6)
    for sand, silt, clay in rng.dirichlet([1, 1, 1], 300) * 100:
        [mine] = classify_by(standard, [[sand, silt, clay]])
        assert all(i == mine for i, shape in shapes if shape.contains(Point(sand, clay)))


@pytest.mark.parametrize("key", STANDARDS)
def test_borders_run_round_each_class_and_nowhere_else(key):
    standard = find_standard(key)
    drawn = sum(np.hypot(a[0] - b[0], a[2] - b[2]) for a, b in class_borders(standard))
    outlines = 0.0
    for each in standard.classes:
        outlines += unary_union([part.buffer(1e-9) for part in shapes_of(each)]).exterior.length
    whole = Polygon([(100, 0), (0, 0), (0, 100)]).exterior.length
    # Every line between two classes is in two outlines, the triangle's own sides in one.
    assert drawn == pytest.approx((outlines + whole) / 2, rel=1e-4)


def test_odds_count_the_draws():
    fao = find_standard("fao")
    found = class_odds(fao, [[80, 10, 10], [80, 10, 10], [20, 50, 30], [10, 20, 70]])
    assert found.odds == (0.5, 0.25, 0, 0, 0.25)
    assert found.ranked == (0, 1, 4)


def test_silt_limits_are_those_of_the_standards():
    """USDA and FAO 50, England and Wales 60, Germany 63 µm."""
    assert {key: find_standard(key).silt_to_um for key in STANDARDS} == {
        "usda": 50,
        "uk": 60,
        "fao": 50,
        "german": 63,
    }
    assert all(find_standard(key).sources for key in STANDARDS)


def test_unknown_standards_are_refused_in_a_sentence():
    with pytest.raises(UsageError, match="known are usda, uk, fao, german"):
        find_standard("french")
    with pytest.raises(UsageError, match="limits of the Australian classes are not known"):
        find_standard("Australian")
    with pytest.raises(UsageError) as caught:
        find_standard("x" * 500 + "\x1b[2J")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("bad", [[50, 50, 50], [np.nan, 50, 50], [-5, 55, 50]])
def test_what_is_no_composition_is_refused(bad):
    with pytest.raises(ValueRefusedError, match="add up to 100"):
        classify_by(find_standard("uk"), [bad])


def test_a_mistake_in_the_data_is_noticed():
    text = 'title = "x"\nsilt_to_um = 50\nsources = []\n[[class]]\nname = "a"\n'
    with pytest.raises(ValueError, match="a limit is on one of"):
        standard_from_toml("x", text + "pieces = [{ loam = { from = 3 } }]")
    with pytest.raises(ValueError, match="no pieces"):
        standard_from_toml("x", text + 'pieces = "none"')
