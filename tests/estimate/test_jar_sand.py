"""A jar's sand from what was measured: parts of the soil, its class, and what they change."""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
from sand_record import FINE, measured

from jarvision.core.doubts import DoubtName
from jarvision.estimate.corrections import Correction, JarLine, put_right
from jarvision.estimate.estimate import estimate
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.estimate.sand_classes import SAND_CLASSES
from jarvision.wall.measurement import GrainBand, SandGrain


@functools.cache
def made(means_mm=None, *, scaled=True):
    return estimate("5", measured(means_mm, scaled=scaled), Given(JarFacts(temp_c=20.0)))


def test_a_jar_whose_grains_are_told():
    sand = made(FINE).sand
    assert sand.parts.are_sure
    of_sand = np.array([part.value for part in sand.parts.of_sand_pct])
    of_soil = np.array([part.value for part in sand.of_soil_pct])
    assert of_sand.sum() == pytest.approx(100)
    whole = 100 * made(FINE).weighed.fractions[:, 0].mean()
    assert of_soil.sum() == pytest.approx(whole, abs=0.5)
    assert of_soil == pytest.approx(of_sand * whole / 100, abs=1.5)
    fine = sum(sand.texture.odds[i] for i, c in enumerate(SAND_CLASSES) if "fine" in c)
    assert fine > 0.8 * sum(sand.texture.odds)


def test_the_same_measurement_gives_the_same_sand():
    again = estimate("5", measured(FINE), Given(JarFacts(temp_c=20.0)))
    assert again.sand.of_soil_pct == made(FINE).sand.of_soil_pct
    assert again.sand.texture == made(FINE).sand.texture


@pytest.mark.parametrize("grain", [None, SandGrain(why_not="The photo is too small.")])
def test_without_grains_everything_stays_as_it_was(grain):
    found = estimate("5", replace(measured(), sand_grain=grain), Given(JarFacts(temp_c=20.0)))
    assert found.sand is None
    assert np.array_equal(found.weighed.fractions, made().weighed.fractions)
    assert found.reading.doubts == made().reading.doubts


def test_grains_that_did_not_settle_are_doubted_and_change_nothing():
    found = made(FINE[::-1])
    assert DoubtName.SAND_NOT_GRADED in [doubt.name for doubt in found.reading.doubts]
    assert found.sand.texture is None
    assert math.isnan(found.sand.of_soil_pct[0].value)
    assert np.array_equal(found.weighed.fractions, made().weighed.fractions)


def test_bounds_alone_change_nothing():
    bands = (GrainBand(0, 13, finer_than_mm=0.2), GrainBand(13, 26, finer_than_mm=0.2))
    found = estimate(
        "5",
        replace(measured(), sand_grain=SandGrain("0.jpg", bands)),
        Given(JarFacts(temp_c=20.0)),
    )
    assert found.sand.parts.finer_than_mm == 0.2
    assert found.sand.texture is None
    assert np.array_equal(found.weighed.fractions, made().weighed.fractions)


def test_grains_without_millimetres_say_nothing():
    assert made(FINE, scaled=False).sand is None


def test_measured_sizes_move_the_soil_by_weight():
    """Of coarse sand all is down at a minute; of very fine sand some is not: 0.05 mm falls 2.2 mm/s
    by Stokes' law, 130 mm in a minute. So a layer as high of finer sand stands for more sand."""
    coarse = made(tuple(4 * size for size in FINE)).weighed.fractions[:, 0]
    fine = made(tuple(0.6 * size for size in FINE)).weighed.fractions[:, 0]
    assert fine.mean() > coarse.mean()
    assert coarse.std() < 1.2 * made().weighed.fractions[:, 0].std()


def test_a_floor_put_elsewhere_takes_the_bands_along():
    moved = put_right(measured(FINE), [Correction(JarLine.FLOOR, 1.5, 0.3)])
    before, after = (m.sand_grain.bands[2] for m in (measured(FINE), moved))
    assert after.top_mm == pytest.approx(before.top_mm - 1.5)
    assert after.mean_mm == before.mean_mm
