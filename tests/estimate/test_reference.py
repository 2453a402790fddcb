"""Reference jars: what one soil of known texture tells of the others of its garden."""

import functools
import re
from dataclasses import replace
from pathlib import Path

import jar_simulator as sim
import numpy as np
import pytest
from weighing_study import garden_jar, garden_study, reference_jar

from jarvision.core.errors import UsageError
from jarvision.estimate.dried import Finer
from jarvision.estimate.known import WaterState
from jarvision.estimate.posterior import weigh
from jarvision.estimate.priors import PACKING, PRIORS, Detergent, Packing, draw_values
from jarvision.estimate.reference import ALIKE, find_reference, packing_of, reference_names

TEMPLATE = Path(__file__).parents[2] / "calibration" / "references" / "template.toml"
LOOSE = (1.55, 1.12, 0.20)  # dry densities of layers of sand, silt and clay [g/cm³]
TIGHT = (1.55, 1.12, 0.42)


def rng(seed=5):
    return np.random.default_rng(seed)


def names(result):
    return {str(d.name) for d in result.doubts}


def weighed(jar, reference):
    _, tops, facts = jar
    return weigh(tops, facts=replace(facts, reference=reference), rng=rng())


@functools.cache
def learned_of(packing):
    """What a reference jar with such layers tells; several tests look at it."""
    return packing_of(reference_jar(rng(), packing))


# -- what it does ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_reference_narrows_the_clay_of_other_jars_and_stays_true():
    found = garden_study(5, 2)
    clay_sd = {name: np.sqrt((rows[:, 1, 2] ** 2).mean()) for name, rows in found.items()}
    for known, left in (("three photos", 0.95), ("three photos, grams", 0.8)):
        assert clay_sd[f"{known}, reference"] < left * clay_sd[known]
        assert found[f"{known}, reference"][:, 2].mean() >= 0.8


@pytest.mark.slow
def test_loose_and_tight_mud_are_told_apart_by_their_references():
    loose, tight = learned_of(LOOSE), learned_of(TIGHT)
    assert loose.fits
    assert tight.fits
    clay = PACKING.index("clay_density")
    assert loose.mean[clay] < tight.mean[clay] - 0.5


@pytest.mark.slow
def test_one_soil_packs_unlike_another_however_well_the_reference_is_known():
    learned = learned_of(LOOSE)
    spread = np.array(learned.root) @ np.array(learned.root).T
    own = np.diag(spread)
    assert np.all(own > 1.0 - ALIKE**2)
    assert own[PACKING.index("clay_density")] < 0.5
    z = rng().standard_normal((20000, len(PRIORS)))
    plain = draw_values(z, detergent=None)
    narrowed = draw_values(z, detergent=None, packing=learned)
    assert narrowed["clay_density"].mean() < plain["clay_density"].mean()
    np.testing.assert_array_equal(narrowed["floc_um"], plain["floc_um"])


# -- whether it fits -------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_reference_whose_jar_and_laboratory_disagree_is_not_used():
    fine = reference_jar(rng(), LOOSE)
    sandy = replace(fine, finer=(Finer(2.0, 0.05, 0.02), Finer(50.0, 0.15, 0.02)))
    learned = packing_of(sandy)
    assert not learned.fits
    jar = garden_jar(rng(), LOOSE, (0.4, 0.4, 0.2))
    doubted = weighed(jar, learned)
    assert "reference_not_used" in names(doubted)
    np.testing.assert_array_equal(doubted.fractions, weighed(jar, None).fractions)


@pytest.mark.slow
def test_a_laboratory_that_is_20_points_off_is_mostly_noticed_and_a_right_one_seldom():
    noticed = {"right": 0, "wrong": 0}
    for seed in range(4):
        draws = rng(seed)
        right = reference_jar(draws, sim.layers(draws, 1.0))
        clay, fines = right.finer
        wrong = replace(right, finer=(replace(clay, share=clay.share - 0.2), fines))  # to silt
        for kind, reference in (("right", right), ("wrong", wrong)):
            learned = packing_of(reference)
            noticed[kind] += learned.odd or not learned.fits
    assert noticed["right"] <= 1  # 1 in 32 of all that were tried, one of these four
    assert noticed["wrong"] >= 3


def test_an_odd_reference_is_used_and_doubted():
    odd = Packing("shed", (0.0,) * 4, tuple(map(tuple, np.eye(4))), odd=True)
    jar = garden_jar(rng(1), TIGHT, (0.85, 0.1, 0.05))
    doubted = weighed(jar, odd)
    assert names(doubted) == {"reference_odd"}
    assert doubted.why.endswith("from the reference jar shed.")


def test_a_jar_whose_layers_must_pack_oddly_is_doubted_beside_its_reference():
    alike = Packing("shed", (0.0, 0.0, 0.0, 0.0), tuple(map(tuple, np.eye(4))))
    odd = weighed(garden_jar(rng(3), TIGHT, (0.85, 0.1, 0.05)), alike)
    assert {"reference_differs", "settling_misfit"} <= names(odd)
    fits = weighed(garden_jar(rng(1), TIGHT, (0.85, 0.1, 0.05)), alike)
    assert not names(fits)
    assert fits.why.endswith("from the reference jar shed.")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"water_state": WaterState.CLOUDY}, "did not clear"),
        ({"detergent": Detergent.NONE}, "went into the water"),
        ({}, ""),
    ],
)
def test_another_water_or_detergent_is_a_doubt(change, said):
    truth, tops, facts = garden_jar(rng(), TIGHT, (0.4, 0.4, 0.2))
    even = Packing(
        "shed", (0.0,) * 4, tuple(map(tuple, np.eye(4))), Detergent.POLYPHOSPHATE, cleared=True
    )
    found = weighed((truth, tops, replace(facts, **change)), even)
    sentences = [d.sentence for d in found.doubts if str(d.name) == "reference_differs"]
    assert bool(sentences) == bool(said)
    assert not said or said in sentences[0]


# -- its file --------------------------------------------------------------------------------------


def filled(**change):
    """The template as a user fills it in, with lines of one's own in the place of its."""
    text = re.sub(r"^#+ (?=[a-z_]+ = )", "", TEMPLATE.read_text("utf-8"), flags=re.MULTILINE)
    for key, value in change.items():
        text, count = re.subn(rf"^{key} = .*$", value, text, flags=re.MULTILINE)
        assert count == 1, key
    return text


def test_the_template_says_every_key_and_is_no_reference_itself(tmp_path):
    assert "template" not in reference_names()
    with pytest.raises(UsageError, match="template"):
        find_reference(str(TEMPLATE))
    (tmp_path / "my-garden.toml").write_text(filled(), "utf-8")
    found = find_reference("my-garden", [tmp_path])
    assert found == find_reference(str(tmp_path / "my-garden.toml"))
    assert found.finer == (Finer(2.0, 0.21, 0.02), Finer(50.0, pytest.approx(0.59), 0.02))
    assert [t.top_mm for t in found.tops] == [24.0, 37.5, 48.0]
    assert found.facts.soil_g == 120.0
    assert found.facts.detergent is Detergent.WASHING_SODA


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"name": ""}, "'name' is missing"),
        ({"clay_pct": "clay_pct = 31.0"}, "add up to 100"),
        ({"sd_pct": "sd_pct = 0"}, "between 0.2 and 20"),
        ({"water": 'water = "muddy"'}, "muddy"),
        ({"soil_g": "grams = 3"}, "'grams' is not known"),
        ({"top_mm": "top_mm = [24.0, 37.5]"}, "misspells"),
        ({"top_mm": "top_mm = [24.0, 37.5, 148.0]"}, "higher than the water line"),
        ({"elapsed_s": 'elapsed_s = ["1 min", 2, 3]'}, "misspells"),
        ({"name": 'name = "open'}, "is not written as TOML"),
    ],
)
def test_a_file_that_says_what_cannot_be_is_refused_in_a_sentence(change, match, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(filled(**change), "utf-8")
    with pytest.raises(UsageError, match=re.escape(match)) as caught:
        find_reference(str(path))
    assert "\n" not in str(caught.value)


def test_a_reference_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(UsageError, match="There is no reference jar"):
        find_reference("nowhere", [tmp_path])
