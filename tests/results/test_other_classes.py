"""A jar's classes in other standards: text, table, and what is printed never contradicts."""

import csv
import io

import numpy as np
import pytest

from jarvision.estimate.central import NEARLY
from jarvision.estimate.texture_standards import FRACTIONS, STANDARDS, classify_by, find_standard
from jarvision.results.other_classes import classes_csv, classes_text, fractions_of, in_standard

DRAWS = np.random.default_rng(3).dirichlet([20, 18, 10], 500) * 100


@pytest.mark.parametrize("key", STANDARDS)
def test_the_shares_that_are_printed_are_of_the_class_that_is_named(key):
    standard = find_standard(key)
    rng = np.random.default_rng(8)
    for centre in rng.dirichlet([1, 1, 1], 20) * 30 + 0.3:
        found = in_standard(rng.dirichlet(centre, 300) * 100, standard)
        each = standard.classes[int(classify_by(standard, [found.pcts])[0])]
        assert found.texture_class.startswith(each.name)
        assert 0 < NEARLY * found.next_odds <= found.odds <= 1 or np.isnan(found.next_odds)
        for pct, (low, high) in zip(found.pcts, found.ranges_pct, strict=True):
            assert low <= high
            assert 0 <= pct <= 100


def test_odds_are_of_the_draws_at_the_standards_own_limit():
    for key in STANDARDS:
        standard = find_standard(key)
        found = in_standard(DRAWS, standard)
        classes = classify_by(standard, found.draws_pct)
        own = int(classify_by(standard, [found.pcts])[0])
        assert found.odds == pytest.approx(np.mean(classes == own))
        assert np.array_equal(found.draws_pct[:, 2], DRAWS[:, 2])


def test_a_loam_has_less_sand_in_germany():
    """Sand begins at 63 µm instead of 50: 2 to 3 points less at 40 % sand."""
    usda, german = (in_standard(DRAWS, find_standard(key)) for key in ("usda", "german"))
    less = usda.draws_pct[:, 0].mean() - german.draws_pct[:, 0].mean()
    assert 1.5 < less < 4.5


def test_fractions_add_up_and_have_the_systems_limits():
    """WRB: silt 2 to 63 µm. International: silt 2 to 20, fine sand 20 to 200, coarse to 2000."""
    found = fractions_of(DRAWS)
    wrb, isss = ({name: ends for name, *ends in parts} for parts in FRACTIONS.values())
    assert wrb == {"clay": [0, 2], "silt": [2, 63], "sand": [63, 2000]}
    assert isss["silt"] == [2, 20]
    assert isss["fine sand"] == [20, 200]
    assert isss["coarse sand"] == [200, 2000]
    for system in ("WRB", "Inter"):
        assert sum(f.pct for f in found if f.system.startswith(system)) == pytest.approx(100)
    assert all(f.low_pct <= f.pct <= f.high_pct for f in found)


def test_text_names_class_odds_limit_and_fractions():
    soil = [in_standard(DRAWS, find_standard(key)) for key in ("uk", "german")]
    text = classes_text(soil, fractions_of(DRAWS))
    flat = " ".join(text.split())
    assert "England and Wales: clay loam (6 in 10); next: sandy silt loam (3 in 10)" in flat
    assert "silt to 60 µm: sand" in flat
    assert "Germany:" in flat
    assert "International (ISSS): clay" in flat
    assert max(map(len, text.splitlines())) <= 78


def test_table_has_a_row_a_standard_and_is_safe_in_a_spreadsheet():
    soil = [in_standard(DRAWS, find_standard(key)) for key in ("uk", "fao")]
    rows = list(csv.DictReader(io.StringIO(classes_csv([("=1+1", soil), ("2", soil)]))))
    assert [(r["jar"], r["standard"]) for r in rows] == [
        ("'=1+1", "uk"),
        ("'=1+1", "fao"),
        ("2", "uk"),
        ("2", "fao"),
    ]
    assert float(rows[0]["silt_to_um"]) == 60
    assert float(rows[0]["sand_wt_pct_lo"]) < float(rows[0]["sand_wt_pct"])
    assert 0.01 <= float(rows[1]["class_odds"]) <= 0.99


def test_same_draws_same_words():
    standard = find_standard("german")
    assert in_standard(DRAWS, standard).pcts == in_standard(DRAWS, standard).pcts
