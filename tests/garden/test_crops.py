"""Crops against FAO-56's table and worked examples."""

import math

import pytest

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.sources import Quality
from jarvision.core.units import Span
from jarvision.estimate.texture import texture_of
from jarvision.garden.class_tables import SoilGroup
from jarvision.garden.crops import (
    CROP_HINTS,
    CROPS,
    MULCH_SAVES,
    Crop,
    Verdict,
    days_with_mulch,
    depletion_fraction,
    find_crop,
    group_odds,
    hints_for,
    watering,
)

# Allen et al. 1998, FAO-56, Table 22: greatest rooting depth [m], depletion fraction. A second
# typing of the rows, from a copy that prints the range's middle and half-width.
FAO56_MIDDLES = """
broccoli .50 .10 .45; cabbage .65 .15 .45; carrot .75 .25 .35; cauliflower .55 .15 .45;
celery .40 .10 .20; garlic .40 .10 .30; lettuce .40 .10 .30; onion .45 .15 .30;
spinach .40 .10 .20; radish .40 .10 .30; beet .80 .20 .50; parsnip .75 .25 .40;
potato .50 .10 .35; sweet potato 1.25 .25 .65; turnip .75 .25 .50; tomato 1.10 .40 .40;
sweet pepper .75 .25 .30; eggplant .95 .25 .45; cucumber .95 .25 .50; squash .80 .20 .50;
winter squash 1.25 .25 .35; melon 1.15 .35 .40; cantaloupe 1.20 .30 .45;
watermelon 1.15 .35 .40; sweet corn 1.00 .20 .50; green bean .60 .10 .45; pea .80 .20 .35;
asparagus 1.50 .30 .45; strawberry .25 .05 .20; artichoke .75 .15 .45
"""
ROWS = [row.split() for row in FAO56_MIDDLES.replace("\n", " ").split(";")]


def exactly(value):
    return Span(value, value, value)


@pytest.mark.parametrize("row", ROWS, ids=" ".join)
def test_fao56_table_22(row):
    middle, half, depletion = (float(part) for part in row[-3:])
    crop = find_crop(" ".join(row[:-3]))
    assert crop.root_low_m == pytest.approx(middle - half)
    assert crop.root_high_m == pytest.approx(middle + half)
    assert crop.depletion == depletion
    assert crop.source.quality is Quality.PUBLISHED


def test_rows_that_were_not_read_say_so():
    read = {" ".join(row[:-3]) for row in ROWS}
    for crop in CROPS:
        assert (crop.source.quality is Quality.PUBLISHED) == (crop.name in read)
        assert 0 < crop.root_low_m < crop.root_high_m < 2
        assert 0.1 < crop.depletion < 0.8


# FAO-56, Example 36: readily available water [mm] of three soils with total available water of 90,
# 170 and 120 mm/m; the tomato row read in a copy, the others from memory.
@pytest.mark.parametrize(
    ("root_m", "depletion", "readily_mm"),
    [(0.4, 0.30, (11, 20, 14)), (0.8, 0.40, (29, 54, 38)), (1.2, 0.55, (59, 112, 79))],
    ids=["onion", "tomato", "maize"],
)
def test_fao56_example_36(root_m, depletion, readily_mm):
    crop = Crop("example", root_m, root_m + 0.1, depletion)
    for available, expected in zip((90, 170, 120), readily_mm, strict=True):
        found = watering(crop, exactly(available), daily_use_mm=5.0)
        assert found.net_mm.mid == pytest.approx(expected, abs=0.5)
        assert found.days.mid == pytest.approx(expected / 5, abs=0.1)


def test_depletion_is_adjusted_and_limited():
    """FAO-56, note to Table 22 (from memory): less at high demand, kept to 0.1–0.8."""
    tomato = find_crop("tomato")
    assert depletion_fraction(tomato, 5.0) == 0.40
    assert depletion_fraction(tomato, 3.0) == pytest.approx(0.48)
    assert depletion_fraction(tomato, 8.0) == pytest.approx(0.28)
    assert depletion_fraction(find_crop("celery"), 15.0) == 0.1
    assert depletion_fraction(Crop("x", 0.5, 1, 0.7), 0.5) == 0.8


def test_unknown_water_stays_unknown():
    found = watering(find_crop("pea"), exactly(math.nan), daily_use_mm=5.0)
    assert not found.net_mm.known
    assert math.isnan(found.deep_mm)


@pytest.mark.parametrize("daily", [0.0, -5.0, 40.0, math.nan, math.inf])
def test_daily_use_out_of_range(daily):
    with pytest.raises(ValueRefusedError, match="daily water use"):
        watering(find_crop("pea"), exactly(100), daily_use_mm=daily)


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("Carrots", "carrot"),
        ("tomatoes", "tomato"),
        ("radishes", "radish"),
        ("strawberries", "strawberry"),
        ("courgettes", "squash"),
        ("aubergine", "eggplant"),
        ("Sweet-Corn", "sweet corn"),
        ("corn", "sweet corn"),
        ("maize", "maize"),
        ("brussels sprouts", "brussels sprouts"),
        ("  green   beans ", "green bean"),
        ("asparagus", "asparagus"),
    ],
)
def test_crops_are_found_as_people_write_them(asked, found):
    assert find_crop(asked).name == found


def test_unknown_crop_suggests_the_nearest():
    with pytest.raises(UsageError, match="'carott'; did you mean carrot"):
        find_crop("carott")
    with pytest.raises(UsageError, match="known are artichoke, asparagus"):
        find_crop("xyzzy")
    with pytest.raises(UsageError) as caught:
        find_crop("<b>" + "z" * 5000 + "\x1b")
    assert str(caught.value).isprintable()


def test_no_name_means_two_crops():
    names = [name for crop in CROPS for name in (crop.name, *crop.aliases)]
    assert len(names) == len(set(names))


def test_mulch_by_fao56():
    """FAO-56 (from memory): plastic mulches cut a crop's whole water use by 10–30 %, which no loose
    mulch should beat."""
    full = MULCH_SAVES
    assert full.high == pytest.approx(0.5 * 0.5)
    assert 0 < full.low < full.mid < full.high <= 0.30
    stretched = days_with_mulch(6.0, full)
    assert 6 < stretched.low < stretched.mid < stretched.high < 9


def test_group_odds_add_up_the_classes():
    odds = group_odds(texture_of([[40, 40, 20], [25, 25, 50], [5, 90, 5], [60, 15, 25]]))
    # Soil Survey Manual, chapter 3: sandy clay loam is moderately fine, with the clay loams.
    assert odds == {
        SoilGroup.SANDY: 0,
        SoilGroup.LOAMY: 0.25,
        SoilGroup.SILTY: 0.25,
        SoilGroup.CLAYEY: 0.5,
    }


def test_every_crop_has_one_hint_for_each_group_and_none_claims_to_be_published():
    for crop in CROPS:
        for group in SoilGroup:
            assert len(hints_for(crop, [group])) == 1, (crop.name, group)
    assert {h.source.quality for h in CROP_HINTS} <= {Quality.SECOND_HAND, Quality.PRACTICE}
    known = {crop.name for crop in CROPS}
    assert all(name in known for hint in CROP_HINTS for name in hint.crops)


def test_what_the_guides_say():
    """Garden guides: roots fork in clay, brassicas like it; potato is disputed."""
    assert hints_for(find_crop("carrot"), [SoilGroup.CLAYEY])[0].verdict is Verdict.POORLY
    assert "fork" in hints_for(find_crop("carrot"), [SoilGroup.CLAYEY])[0].why
    assert hints_for(find_crop("cabbage"), [SoilGroup.CLAYEY])[0].verdict is Verdict.WELL
    assert "disagree" in hints_for(find_crop("potato"), [SoilGroup.CLAYEY])[0].why


def test_silt_is_not_praised_like_loam():
    carrot = hints_for(find_crop("carrot"), [SoilGroup.SILTY])[0]
    assert carrot.verdict is Verdict.MIXED
    assert "crust" in carrot.why
    assert "crusts" in hints_for(find_crop("cabbage"), [SoilGroup.SILTY])[0].why


def test_maize_is_not_sweet_corn():
    """FAO-56, Table 22, maize (grain) 1.0-1.7 m, 0.55, as Example 36 counts it."""
    maize = find_crop("maize")
    assert (maize.root_low_m, maize.root_high_m, maize.depletion) == (1.0, 1.7, 0.55)
