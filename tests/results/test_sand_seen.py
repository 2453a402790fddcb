"""What was seen of a jar's sand: in its file and back, in the table, and in one line."""

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from sand_record import FINE, SAND_COLUMNS, measured, record

from jarvision.estimate.estimate import estimate
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.estimate.sand_classes import SandClass, SandTexture
from jarvision.estimate.sand_parts import CURVE_UM, PART_LIMITS_UM, SAND_PARTS
from jarvision.estimate.texture import Texture, TextureClass
from jarvision.results.card import jar_card
from jarvision.results.codec import JarFileError, json_of, record_from
from jarvision.results.from_reading import row_of
from jarvision.results.headline import soil_in_words, soil_odds
from jarvision.results.readings_table import readings_csv
from jarvision.results.recompute import recomputed
from jarvision.results.sand_seen import sand_line, shown_grain, why_untold
from jarvision.wall.measurement import GrainBand, SandGrain


def back(jar):
    return record_from(json_of(jar).encode(), "jar-5.json", "5")


def text_of(jar):
    return json.loads(json_of(jar))


# --- the file -----------------------------------------------------------------------------------


def test_the_sand_comes_back_as_it_was_written():
    jar = record(FINE)
    again = back(jar)
    was, now = jar.sand, again.sand
    assert now.parts.grading is was.parts.grading
    for field in ("value", "lo", "hi"):
        assert getattr(now.parts.mean_mm, field) == pytest.approx(
            getattr(was.parts.mean_mm, field), abs=1e-4
        )
        for old, new in zip(was.of_soil_pct, now.of_soil_pct, strict=True):
            assert getattr(new, field) == pytest.approx(getattr(old, field), abs=1e-3)
    assert now.texture.odds == pytest.approx(was.texture.odds, abs=1e-4)
    assert len(now.parts.shares) == 200
    assert now.parts.shares == pytest.approx(was.parts.shares, abs=2e-4)
    assert now.parts.shares.sum(axis=1) == pytest.approx(1.0)
    assert now.parts.finer == pytest.approx(was.parts.finer, abs=1e-4)
    assert now.parts.measured.finer.shape == (200, CURVE_UM.size)
    assert text_of(again)["sand"] == text_of(jar)["sand"]


def test_the_parts_are_the_curve_between_the_handbook_s_limits():
    """Limits of the Soil Survey Manual (USDA Agriculture Handbook 18, chapter 3)."""
    sand = back(record(FINE)).sand.parts
    at = [int(np.argmin(np.abs(CURVE_UM - um))) for um in (2000, 1000, 500, 250, 100, 50)]
    assert CURVE_UM[at] == pytest.approx(PART_LIMITS_UM)
    shares = -np.diff(sand.finer[:, at], axis=1)
    assert sand.shares == pytest.approx(shares, abs=1e-12)


def test_the_sand_is_worked_out_again_from_the_file():
    again = back(record(FINE))
    made = recomputed(again)
    assert repr(row_of(made)) == repr(again.row)
    assert made.sand.of_soil_pct == record(FINE).sand.of_soil_pct


def test_files_of_jars_whose_grains_were_not_looked_at_have_no_block():
    data = text_of(record(None))
    assert "sand" not in data
    assert data["row"]["sand"] is None
    assert back(record(None)).sand is None
    older = data | {"row": {k: v for k, v in data["row"].items() if k != "sand"}}
    older["measurement"].pop("sand_grain")
    found = record_from(json.dumps(older).encode(), "jar-5.json", "5")
    assert found.row.sand is None
    assert found.measurement.sand_grain is None


def test_what_could_not_be_told_comes_back_with_its_reason():
    why = "The photo is too small to show grains; take it closer."
    grain = SandGrain("0.jpg", why_not=why, px_per_mm=3.0)
    found = back(record(None, grain=grain))
    assert found.measurement.sand_grain.why_not == why
    assert found.sand is None


WRONG = (None, -1, 1e308, 10**400, "x", [], {}, True, [[]], [{}], 0.5, "x" * 100_000)


def places(data, path=()):
    """Every place in a JSON value, long lists by their first item only."""
    yield path
    items = data.items() if isinstance(data, dict) else enumerate(data[:1])
    for key, value in items if isinstance(data, (dict, list)) else ():
        if isinstance(value, (dict, list)):
            yield from places(value, (*path, key))
        else:
            yield (*path, key)


@pytest.mark.parametrize("block", [("sand",), ("measurement", "sand_grain"), ("row", "sand")])
def test_whatever_a_file_says_of_the_sand_leads_to_no_traceback(block):
    whole = text_of(record(FINE))
    del whole["by_weight"]["curve"]
    whole["by_weight"]["draws_pct"] = whole["by_weight"]["draws_pct"][:2]
    whole["by_height"]["draws_pct"] = whole["by_height"]["draws_pct"][:2]
    whole["sand"]["finer_pct"] = whole["sand"]["finer_pct"][:2]
    text, refused = json.dumps(whole), 0
    inner = whole
    for key in block:
        inner = inner[key]
    for place in places(inner):
        for value in WRONG if place else ():
            data = json.loads(text)
            at = data
            for key in (*block, *place)[:-1]:
                at = at[key]
            at[place[-1]] = value
            try:
                found = record_from(json.dumps(data).encode(), "jar-5.json", "5")
                sand_line(found.sand, TextureClass.SANDY_LOAM)
                readings_csv([found.row])
            except JarFileError as error:
                refused += 1
                assert "damaged" in str(error)  # noqa: PT017
    assert refused > 20


@pytest.mark.parametrize(
    "bands",
    [
        [GrainBand(0, 2, 0.3, 0.1)] * 2000,
        [GrainBand(2, 1, 0.3, 0.1)],
        [GrainBand(3, 4, 0.3, 0.1), GrainBand(0, 1, 0.3, 0.1)],
        [GrainBand(0, 1e5, 0.3, 0.1)],
        [GrainBand(0, 1, 1e-9, 0.1)],
        [GrainBand(0, 1, 0.3, 0.0)],
        [GrainBand(0, 1, 0.3)],
        [GrainBand(0, 1, finer_than_mm=1e4)],
    ],
)
def test_bands_that_cannot_be_are_refused(bands):
    data = text_of(record(FINE))
    numbers = [
        {k: None if v != v else v for k, v in zip(GrainBand.__slots__, values, strict=True)}
        for values in (tuple(getattr(b, n) for n in GrainBand.__slots__) for b in bands)
    ]
    data["measurement"]["sand_grain"]["bands"] = numbers
    with pytest.raises(JarFileError, match="damaged"):
        record_from(json.dumps(data).encode(), "jar-5.json", "5")


def test_hostile_bands_that_are_within_limits_can_be_worked_out():
    bands = (GrainBand(-9e3, -8e3, 0.001, 5.0), GrainBand(-1, 9e3, 99.0, 1e-6))
    data = json.loads(json_of(record(FINE)))
    jar = record_from(json.dumps(data).encode(), "jar-5.json", "5")
    hostile = replace(
        jar, measurement=replace(jar.measurement, sand_grain=SandGrain("0.jpg", bands))
    )
    assert recomputed(hostile).reading is not None


# --- the table ----------------------------------------------------------------------------------


def cells(row):
    [found] = csv.DictReader(io.StringIO(readings_csv([row])))
    assert list(found)[-len(SAND_COLUMNS) :] == SAND_COLUMNS
    return {name: found[name] for name in SAND_COLUMNS}


def test_the_table_s_last_columns():
    row = record(FINE, stones=2, stones_share=0.01).row
    found = cells(row)
    parts = [float(found[f"{p.replace(' ', '_')}_sand_wt_pct"]) for p in SAND_PARTS]
    # the parts of the fine earth make up its sand
    assert sum(parts) == pytest.approx(row.by_weight.pcts[0], abs=3)
    assert float(found["sand_mean_mm_lo"]) < float(found["sand_mean_mm"])
    assert found["sand_finer_than_mm"] == ""
    assert found["class_by_sand"] in set(map(str, SandClass))
    assert found["class_by_sand"].endswith(str(row.by_weight.texture_class))
    assert 0 < float(found["odds_by_sand"]) < 1
    assert found["stones_over_2_mm"] == "2"


def test_unknown_is_empty_and_never_0():
    assert set(cells(record(None).row).values()) == {""}
    told = cells(record(FINE).row)
    assert told["stones_over_2_mm"] == ""
    bound = SandGrain("0.jpg", tuple(GrainBand(i, i + 2, finer_than_mm=0.2) for i in (0, 2)))
    found = cells(record(None, grain=bound).row)
    assert found.pop("sand_finer_than_mm") == "0.200"
    assert set(found.values()) == {""}
    assert set(cells(record(FINE[::-1]).row).values()) == {""}  # lies as no sand settles


# --- the card -----------------------------------------------------------------------------------


def drawn(*shares, odds=None):
    """A sand of known parts, each with draws 5 points about it."""
    sand = record(FINE).sand
    rng = np.random.default_rng(0)
    draws = np.abs(np.array(shares) + 0.03 * rng.standard_normal((400, 5)))
    draws /= draws.sum(axis=1, keepdims=True)
    texture = SandTexture(tuple((odds or {}).get(name, 0.0) for name in SandClass))
    return replace(sand, parts=replace(sand.parts, shares=draws), texture=texture)


@pytest.mark.parametrize(
    ("shares", "said"),
    [
        ((0.02, 0.05, 0.13, 0.70, 0.10), "fine, 0.1–0.25 mm"),
        ((0.02, 0.03, 0.05, 0.20, 0.70), "very fine, 0.05–0.1 mm"),
        ((0.35, 0.40, 0.15, 0.05, 0.05), "very coarse or coarse"),
        ((0.05, 0.10, 0.40, 0.40, 0.05), "medium or fine"),
    ],
)
def test_the_line_names_what_most_of_the_sand_is(shares, said):
    line = sand_line(drawn(*shares), TextureClass.LOAM)
    assert line.endswith(f" % is {said}.")


def test_the_soil_is_called_by_its_sand_only_where_that_is_clear():
    fine, plain = SandClass.FINE_SANDY_LOAM, SandClass.SANDY_LOAM
    shares = (0.02, 0.05, 0.13, 0.70, 0.10)
    clear, open_ = (drawn(*shares, odds={fine: o, plain: 0.9 - o}) for o in (0.62, 0.5))
    assert sand_line(clear, TextureClass.SANDY_LOAM).endswith("; fine sandy loam, 6 in 10.")
    assert "loam" not in sand_line(open_, TextureClass.SANDY_LOAM)
    assert "loam" not in sand_line(clear, TextureClass.LOAM)
    assert "loam" not in sand_line(clear, None)


def test_a_soil_whose_sand_is_settled_is_called_by_it_and_its_line_says_it_once():
    fine, plain = SandClass.FINE_SANDY_LOAM, SandClass.SANDY_LOAM
    shares = (0.02, 0.05, 0.13, 0.70, 0.10)
    whole = Texture(tuple(0.9 if c is TextureClass.SANDY_LOAM else 0.1 / 11 for c in TextureClass))
    sure = drawn(*shares, odds={fine: 0.8, plain: 0.1})
    assert soil_in_words(whole, sure) == "fine sandy loam"
    assert soil_odds(whole, sure) == "fine sandy loam 8 in 10, any sandy loam 9 in 10"
    assert "loam" not in sand_line(sure, TextureClass.SANDY_LOAM)
    for other in (drawn(*shares, odds={fine: 0.6}), drawn(*shares, odds={plain: 0.9}), None):
        assert soil_in_words(whole, other) == "sandy loam"
        assert soil_odds(whole, other) == "9 in 10"


def test_the_card_has_one_line_where_something_was_told():
    jar = record(FINE)
    lines = [line for line in jar_card(jar).splitlines() if "Of the sand" in line]
    assert lines == [f"  {sand_line(jar.sand, jar.by_weight.shares.texture.likeliest)}"]
    assert len(lines[0]) <= 78
    why = SandGrain("0.jpg", why_not="Too small.")
    for other in (record(None), record(None, grain=why), record(FINE[::-1])):
        assert "Of the sand" not in jar_card(other)


def test_a_bound_is_said_as_a_bound():
    bound = SandGrain("0.jpg", tuple(GrainBand(i, i + 2, finer_than_mm=0.15) for i in (0, 2)))
    jar = record(None, grain=bound)
    assert "  Sand: finer than 0.15 mm on average." in jar_card(jar)
    assert math.isnan(jar.sand.parts.mean_mm.value)


TWO = SandGrain("0.jpg", (GrainBand(0, 12, 0.9, 0.3), GrainBand(12, 26, 0.8, 0.3)))


def test_what_is_not_sure_is_not_told():
    """A pattern that is no grain's must not become a number: these bands tell of no settling."""
    jar = record(None, grain=TWO)
    assert set(cells(jar.row).values()) == {""}
    assert "Of the sand" not in jar_card(jar)
    assert shown_grain(jar.sand, jar.measurement.sand_grain) is None
    assert "coarse below fine" in why_untold(jar.sand, jar.measurement.sand_grain)


def test_what_is_shown_of_the_grains():
    jar = record(FINE)
    assert shown_grain(jar.sand, jar.measurement.sand_grain) is jar.measurement.sand_grain
    assert why_untold(jar.sand, jar.measurement.sand_grain) == ""
    contrary = record(FINE[::-1])  # its doubt says why
    assert shown_grain(contrary.sand, contrary.measurement.sand_grain) is None
    assert why_untold(contrary.sand, contrary.measurement.sand_grain) == ""
    assert shown_grain(None, None) is None
    assert why_untold(None, SandGrain("0.jpg", why_not="Too small.")) == "Too small."


def test_without_millimetres_nothing_is_told():
    made = estimate("5", measured(FINE, scaled=False), Given(JarFacts(temp_c=20.0)))
    assert row_of(made).sand is None
