"""Run-off and erodibility against the handbooks' limits and worked figures."""

import numpy as np
import pytest

from jarvision.garden.class_tables import RunoffGroup
from jarvision.garden.runoff import (
    erodibility_by_nomograph,
    erodibility_from_texture,
    permeability_class,
    runoff_group,
    runoff_group_odds,
    runoff_of,
)

MM_PER_IN = 25.4


@pytest.mark.parametrize(
    ("rate_in_h", "group"),
    [
        # NEH 630, chapter 7 (2009), deeper than 1 m to rock and water: A over 1.42 in/h, B from
        # 0.57 to 1.42, C from 0.06 to 0.57, D under 0.06.
        (5.67, "A"),
        (1.44, "A"),
        (1.40, "B"),
        (0.58, "B"),
        (0.56, "C"),
        (0.07, "C"),
        (0.05, "D"),
        (0.0, "D"),
    ],
)
def test_runoff_groups_by_conductivity(rate_in_h, group):
    assert runoff_group(rate_in_h * MM_PER_IN) == group


def test_runoff_odds_count_the_draws():
    odds = runoff_group_odds([100.0, 100.0, 20.0, np.nan, 1.0])
    assert odds == {"A": 0.5, "B": 0.25, "C": 0.0, "D": 0.25}
    assert runoff_group_odds([np.nan, np.nan]) == {}


def test_nomograph_example():
    """Agriculture Handbook 537, Figure 3: 65 % silt and very fine sand, 5 % sand, 2.8 % organic
    matter, structure 2, permeability 4: K = 0.31 (the soil read in a copy of the figure, the 0.31
    from memory)."""
    found = erodibility_by_nomograph(65, 30, 2.8, structure=2, permeability=4)
    assert found == pytest.approx(0.31, abs=0.005)


def test_nomograph_ends_where_its_equation_does():
    """Handbook 537: the equation is for silt and very fine sand up to 70 %."""
    assert np.isfinite(erodibility_by_nomograph(70, 20, 2, structure=2, permeability=3))
    assert np.isnan(erodibility_by_nomograph(71, 20, 2, structure=2, permeability=3))


@pytest.mark.parametrize(
    ("rate_in_h", "number"), [(8.0, 1), (4.0, 2), (1.0, 3), (0.4, 4), (0.1, 5), (0.01, 6)]
)
def test_permeability_classes_as_the_nomograph_prints_them(rate_in_h, number):
    """2 moderate to rapid 2-6 in/h, 3 moderate 0.6-2, 4 slow to moderate 0.2-0.6, 5 slow, 6 very
    slow under 0.06."""
    assert permeability_class(rate_in_h * MM_PER_IN) == number


def test_mean_diameter_peaks_where_the_handbook_says():
    """Agriculture Handbook 703: K is greatest, 0.0439 t ha h/(ha MJ mm), at 10^-1.659 mm."""
    # All silt is 0.026 mm, near that peak of 0.022 mm.
    silt = erodibility_from_texture([[0, 100, 0]])[0] / 7.594
    assert silt == pytest.approx(0.0439, abs=0.0003)
    coarse, fine = erodibility_from_texture([[100, 0, 0], [0, 0, 100]]) / 7.594
    assert coarse < 0.01 < fine < 0.0439


@pytest.mark.parametrize(
    ("soil", "low", "high"),
    [
        # Extension notes on the soil-loss equation (from memory): sandy 0.05-0.2, clay 0.05-0.15,
        # medium silt loams 0.25-0.4, soils rich in silt over 0.4.
        ((88, 7, 5), 0.05, 0.20),
        ((20, 65, 15), 0.25, 0.45),
        ((10, 85, 5), 0.40, 0.60),
    ],
)
def test_middle_of_the_range_is_of_the_published_size(soil, low, high):
    from jarvision.estimate.texture import classify

    rng = np.random.default_rng(1)
    draws = np.tile(np.array(soil, dtype=float), (500, 1))
    found = runoff_of(
        draws, np.full(500, 2.5), np.full(500, 20.0), classes=[classify(*soil)], rng=rng
    )
    assert low <= found.k_us.mid <= high
    assert found.k_us.low < found.k_us.mid < found.k_us.high
    assert set(found.odds) == set(RunoffGroup)
