"""Soils as draws: uniform over a class by an independent geometry, and bad input in plain words."""

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.sources import COMMON_PRACTICE, say
from jarvision.estimate.sand_classes import SandClass
from jarvision.estimate.texture import CLASS_POLYGONS, CLASSES, Texture, TextureClass
from jarvision.garden.soil import (
    DRAWS,
    draws_of_class,
    find_class,
    joined,
    likely_classes,
    odds_text,
    soil_from_class,
    soil_from_draws,
    soil_from_percentages,
)

ORIGIN = say("From a test.", COMMON_PRACTICE)


def rng():
    return np.random.default_rng(5)


@pytest.mark.parametrize("name", CLASSES)
def test_class_draws_are_uniform_over_the_polygon(name):
    """Mean at the polygon's centroid and the right share in its left part, by shapely."""
    polygon = Polygon([(sand, clay) for sand, _, clay in CLASS_POLYGONS[name]])
    draws = draws_of_class(name, 4000, rng=rng())
    assert draws.sum(axis=1) == pytest.approx(np.full(4000, 100.0))
    centre = polygon.centroid
    # The standard error of a mean of 4000 draws that span at most 55 points is 0.3.
    assert draws[:, 0].mean() == pytest.approx(centre.x, abs=1.0)
    assert draws[:, 2].mean() == pytest.approx(centre.y, abs=1.0)
    near = polygon.buffer(1e-6)
    assert all(near.covers(Point(s, c)) for s, _, c in draws[:100])
    left, bottom, _, top = polygon.bounds
    part = polygon.intersection(
        Polygon([(left, bottom), (centre.x, bottom), (centre.x, top), (left, top)])
    )
    assert np.mean(draws[:, 0] < centre.x) == pytest.approx(part.area / polygon.area, abs=0.04)


def test_class_soil_is_certain_of_its_class():
    soil = soil_from_class(TextureClass.SILT, rng=rng())
    assert soil.texture.odds == 1.0
    assert not soil.om_known
    assert "every silt" in soil.origin.text


def test_typed_percentages_carry_a_laboratory_spread():
    """A commercial laboratory's method sheet: reproducible within ±8 %, taken as two sd."""
    soil = soil_from_percentages(40, 40, 20, rng=rng())
    assert soil.draws_pct.shape == (DRAWS, 3)
    assert np.std(soil.draws_pct[:, 0]) == pytest.approx(4, rel=0.1)
    assert np.std(soil.draws_pct[:, 2]) == pytest.approx(4, rel=0.1)
    assert [share.mid for share in soil.shares_pct] == pytest.approx([40, 40, 20], abs=0.4)
    # At 4 points a class is met about four times in five (uniform points, reference table: 85 %
    # at 3 points, 75 % at 5); this one sits well inside its class.
    assert 0.75 < soil.texture.odds < 0.99


def test_exact_percentages_on_request():
    soil = soil_from_percentages(40, None, 20, rng=rng(), sd_pct=0)
    assert np.all(soil.draws_pct == [40, 40, 20])
    assert "exact" in soil.origin.text


@pytest.mark.parametrize("parts", [(100, 0, 0), (0, 100, 0), (0, 0, 100)])
def test_corners_stay_inside_the_triangle(parts):
    soil = soil_from_percentages(*parts, rng=rng(), sd_pct=20)
    assert soil.draws_pct.min() >= 0
    assert soil.draws_pct.sum(axis=1) == pytest.approx(np.full(DRAWS, 100.0))


def test_draws_are_reproducible():
    first, second = (soil_from_percentages(40, 40, 20, rng=rng()) for _ in range(2))
    assert np.array_equal(first.draws_pct, second.draws_pct)


@pytest.mark.parametrize(
    ("parts", "sentence"),
    [
        ((40, 40, 30), "add up to 110, not 100"),
        ((40, 80, None), "below zero"),
        ((-5, 85, 20), "below zero"),
        ((float("nan"), 40, 20), "not a number"),
        ((float("inf"), None, 20), "not a number|below zero"),
        ((40, None, None), "at least two"),
        ((None, None, None), "at least two"),
    ],
)
def test_bad_percentages_get_one_sentence(parts, sentence):
    with pytest.raises(UsageError, match=sentence):
        soil_from_percentages(*parts, rng=rng())


@pytest.mark.parametrize("om", [-1, 101, float("nan")])
def test_bad_organic_matter(om):
    with pytest.raises(ValueRefusedError, match="Organic matter"):
        soil_from_percentages(40, 40, 20, rng=rng(), om_pct=om)


@pytest.mark.parametrize("sd", [-1, 30, float("nan")])
def test_bad_uncertainty(sd):
    with pytest.raises(ValueRefusedError, match="uncertainty"):
        soil_from_percentages(40, 40, 20, rng=rng(), sd_pct=sd)


@pytest.mark.parametrize("typed", ["Sandy-Loam", " sandy  loam ", "sandy_loam"])
def test_class_names_as_people_write_them(typed):
    assert find_class(typed) is TextureClass.SANDY_LOAM


def test_a_class_by_its_sand_is_known_and_its_sand_is_as_the_manual_defines_it():
    """Soil Survey Manual, ch. 3: loamy fine sand has half or more of fine sand, or less than 25 %
    of very coarse to medium sand and less than 50 % of very fine sand."""
    assert find_class("sand") is TextureClass.SAND
    named = find_class("Loamy  fine-sand")
    assert named is SandClass.LOAMY_FINE_SAND
    soil = soil_from_class(named, rng=rng())
    assert soil.texture.odds_of(TextureClass.LOAMY_SAND) == 1.0
    np.testing.assert_allclose(soil.sand_pct.sum(axis=1), soil.draws_pct[:, 0])
    coarser = soil.sand_pct[:, :3].sum(axis=1)
    fine, very_fine = soil.sand_pct[:, 3:].T
    assert ((fine >= 50) | ((coarser < 25) & (very_fine < 50))).all()
    assert soil.by_sand(TextureClass.LOAMY_SAND) is named
    assert not soil.sand_was_seen


def test_unknown_class_suggests_the_nearest():
    with pytest.raises(UsageError, match="did you mean silt loam"):
        find_class("silty loam")
    with pytest.raises(UsageError, match="very fine sandy loam"):
        find_class("veryfine sandyloam")
    with pytest.raises(UsageError, match="known are sand, loamy sand"):
        find_class("mud")


def test_no_draws_is_refused():
    with pytest.raises(ValueRefusedError):
        soil_from_draws(np.empty((0, 3)), origin=ORIGIN, rng=rng())


def test_odds_in_words():
    both = Texture(
        tuple({"loam": 0.7, "clay loam": 0.27, "clay": 0.03}.get(str(c), 0.0) for c in CLASSES)
    )
    assert odds_text(both) == "loam (7 in 10) or clay loam (3 in 10)"
    assert likely_classes(both) == (TextureClass.LOAM, TextureClass.CLAY_LOAM)


def test_joined():
    assert joined(["a"]) == "a"
    assert joined(["a", "b", "c"], "and") == "a, b and c"
