"""Classes by their sand, against the manual's definitions as others print them."""

import itertools

import numpy as np
import pytest

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.sand_classes import (
    PARENTS,
    SAND_CLASSES,
    SandClass,
    SandTexture,
    sand_class_many,
    sand_texture_of,
    with_sand,
)
from jarvision.estimate.texture import TextureClass


def class_of(parts, clay):
    sand = sum(parts)
    [found] = sand_class_many([[sand, 100 - sand - clay, clay]], [parts])
    return SAND_CLASSES[found] if found >= 0 else None


# Points well inside a definition, as the Soil Survey Manual words it (Agriculture Handbook 18,
# chapter 3; sands and loamy sands as in the glossary of the Soil Science Society of America, fine
# and very fine sandy loam as in Montana's Circular DEQ-4, the other two from memory).
# Very coarse, coarse, medium, fine, very fine sand [% of the fine earth], clay, class.
DEFINED = [
    ((10, 30, 30, 15, 5), 3, "coarse sand"),
    ((2, 8, 35, 35, 12), 3, "sand"),
    ((10, 18, 55, 5, 4), 3, "sand"),
    ((0, 2, 15, 60, 15), 3, "fine sand"),
    ((0, 2, 10, 41, 40), 3, "fine sand"),
    ((0, 0, 3, 25, 64), 3, "very fine sand"),
    ((8, 22, 25, 18, 7), 5, "loamy coarse sand"),
    ((2, 10, 28, 30, 10), 5, "loamy sand"),
    ((1, 3, 14, 52, 10), 5, "loamy fine sand"),
    ((0, 1, 4, 20, 56), 5, "loamy very fine sand"),
    ((10, 22, 15, 10, 5), 10, "coarse sandy loam"),
    ((3, 12, 22, 20, 8), 10, "sandy loam"),
    ((1, 5, 14, 34, 11), 10, "fine sandy loam"),
    ((1, 4, 15, 25, 20), 10, "fine sandy loam"),
    ((0, 2, 8, 30, 22), 10, "fine sandy loam"),
    ((0, 1, 4, 20, 40), 10, "very fine sandy loam"),
    ((0, 1, 4, 26, 29), 10, "very fine sandy loam"),
]


@pytest.mark.parametrize(("parts", "clay", "name"), DEFINED)
def test_soils_inside_a_definition(parts, clay, name):
    assert class_of(parts, clay) == name


def test_the_manuals_limits_hold_on_themselves():
    """25 % or more of coarse sand, 50 % or more of another grade: "or more" counts the line."""
    assert class_of((0, 25, 49, 10, 6), 3) is SandClass.COARSE_SAND
    assert class_of((0, 24.9, 49, 10, 6.1), 3) is SandClass.SAND
    assert class_of((0, 0, 24.9, 49, 16.1), 3) is SandClass.FINE_SAND
    assert class_of((0, 0, 25, 49, 16), 3) is SandClass.SAND
    assert class_of((0, 0, 20, 20, 50), 3) is SandClass.VERY_FINE_SAND


def as_worded(parts, name):
    """Which sandy loams' and sands' definitions hold, word by word."""
    very_coarse, coarse, medium, fine, very_fine = parts
    c, m3 = very_coarse + coarse, very_coarse + coarse + medium
    if name == "sands":
        return {
            0: c >= 25 and max(medium, fine, very_fine) < 50,
            1: (m3 >= 25 and c < 25 and fine < 50 and very_fine < 50) or (c >= 25 and medium >= 50),
            2: (fine >= 50 and fine > very_fine) or (m3 < 25 and very_fine < 50),
            3: very_fine >= 50,
        }
    return {
        0: (c >= 25 and max(medium, fine, very_fine) < 50) or (m3 >= 30 and 30 <= very_fine < 50),
        1: (m3 >= 30 and c < 25 and fine < 30 and very_fine < 30)
        or (m3 <= 15 and fine < 30 and very_fine < 30 and fine + very_fine <= 40)
        or (c >= 25 and medium >= 50),
        2: (fine >= 30 and very_fine < 30 and c < 25)
        or (15 <= m3 <= 30 and c < 25)
        or (fine + very_fine > 40 and fine >= very_fine and m3 <= 15)
        or (c >= 25 and fine >= 50),
        3: (very_fine >= 30 and c < 25)
        or (fine + very_fine > 40 and very_fine >= fine and m3 < 15)
        or very_fine >= 50,
    }


def test_every_soil_has_one_class_whose_words_hold():
    """All sands, loamy sands and sandy loams on a grid of 5 points: no gap, nothing that is not."""
    steps = range(0, 101, 5)
    rows = [p for p in itertools.product(steps, repeat=5) if 45 <= sum(p) <= 100]
    parts = np.array(rows, dtype=float)
    sand = parts.sum(axis=1)
    seen = set()
    for clay in (0.0, 5.0, 10.0, 18.0):
        fits = sand + clay <= 100
        soils = np.column_stack([sand, 100 - sand - clay, np.full_like(sand, clay)])[fits]
        found = sand_class_many(soils, parts[fits])
        for row, index in zip(parts[fits], found.tolist(), strict=True):
            if index < 0:
                continue
            seen.add(index)
            words = as_worded(row, "sands" if index < 8 else "loams")
            assert words[index % 4], (row, SAND_CLASSES[index])
    assert seen == set(range(12))


def test_other_textures_have_no_class_by_their_sand():
    soils = [[40, 40, 20], [20, 30, 50], [60, 10, 30]]
    parts = [[8] * 5, [4] * 5, [12] * 5]
    assert sand_class_many(soils, parts).tolist() == [-1, -1, -1]


@pytest.mark.parametrize("parts", [[10, 10, 10, 10, 10], [-5, 25, 20, 20, 5]])
def test_parts_that_are_not_the_sand_are_refused(parts):
    with pytest.raises(ValueRefusedError, match="parts of the sand"):
        sand_class_many([[65, 25, 10]], [parts])


def test_odds_are_shares_of_all_draws():
    rng = np.random.default_rng(0)
    loam_too = [[65, 25, 10]] * 300 + [[40, 40, 20]] * 100
    parts = with_sand(loam_too, [[0.02, 0.08, 0.2, 0.55, 0.15]], rng=rng)
    assert parts.sum(axis=1) == pytest.approx(np.array(loam_too)[:, 0])
    found = sand_texture_of(loam_too, parts)
    assert found.odds_of(SandClass.FINE_SANDY_LOAM) == pytest.approx(0.75)
    assert found.ranked == (SandClass.FINE_SANDY_LOAM,)


def test_a_soil_is_called_by_its_sand_only_where_that_is_clear():
    def texture(coarse, plain, fine, very_fine):
        return SandTexture((0.0,) * 8 + (coarse, plain, fine, very_fine))

    loam = TextureClass.SANDY_LOAM
    assert texture(0.0, 0.1, 0.5, 0.0).named(loam) is SandClass.FINE_SANDY_LOAM
    assert texture(0.0, 0.3, 0.5, 0.0).named(loam) is None
    assert texture(0.0, 0.3, 0.5, 0.0).named(TextureClass.LOAM) is None
    assert texture(0.0, 0.0, 0.0, 0.0).named(loam) is None


def test_every_parent_has_four():
    assert [len(names) for names in PARENTS.values()] == [4, 4, 4]
    for parent, names in PARENTS.items():
        assert names[1] == parent.value
