"""What was weighed beside a jar: arithmetic against published examples, and what it does."""

from dataclasses import replace

import jar_simulator as sim
import numpy as np
import pytest

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.dried import (
    Hydrometer,
    HydrometerReading,
    Spoon,
    decanted_share,
    effective_depth_cm,
    hydrometer_shares,
    sieved_share,
)
from jarvision.estimate.known import JarFacts, Top, WaterState
from jarvision.estimate.posterior import weigh


def test_share_up_is_that_of_a_published_example():
    # A soil laboratory's published worked example of ASTM D422: reading 38.0, composite
    # correction 7.5, 81.09 g of soil of 2.65 g/cm³ (a = 1.00): P = 37.6 %.
    test = Hydrometer((HydrometerReading(120.0, 38.0),), 81.09, 7.5)
    [finer] = hydrometer_shares(test)
    assert 100 * finer.share == pytest.approx(37.6, abs=0.05)


@pytest.mark.parametrize(("reading", "depth_cm"), [(0, 16.3), (30, 11.4), (50, 8.1), (60, 6.5)])
def test_effective_depth_is_that_of_the_standards_table(reading, depth_cm):
    # ASTM D422, table 2, hydrometer 152H (from memory; the bulb's and stem's lengths give the same)
    assert effective_depth_cm(reading) == pytest.approx(depth_cm, abs=0.06)


@pytest.mark.parametrize(("temp_c", "k"), [(16.0, 0.01435), (20.0, 0.01365), (25.0, 0.01286)])
def test_size_is_that_of_the_standards_constant(temp_c, k):
    # D = K sqrt(L/T), D in mm, L in cm, T in minutes; K for grains of 2.65 g/cm³ from table 3 of
    # ASTM D422 (from memory).
    for minutes, reading in ((0.667, 24.0), (120.0, 15.0), (420.0, 10.0)):
        test = Hydrometer((HydrometerReading(60 * minutes, reading),), 50.0, 3.0, temp_c)
        [finer] = hydrometer_shares(test)
        expected_mm = k * np.sqrt((16.3 - 0.164 * reading) / minutes)
        assert finer.size_um == pytest.approx(1e3 * expected_mm, rel=0.01)


def test_usual_hours_are_two_micrometres():
    # At 40 s a hydrometer reads near 50 µm, at 6-8 h near 2 µm: why laboratories use these times.
    readings = (HydrometerReading(40.0, 25.0), HydrometerReading(8 * 3600.0, 10.0))
    coarse, fine = hydrometer_shares(Hydrometer(readings, 50.0))
    assert 45.0 < coarse.size_um < 65.0
    assert 1.9 < fine.size_um < 2.6


def test_dried_shares():
    sand = sieved_share(48.0, 120.0)
    assert (sand.size_um, sand.share) == (50.0, pytest.approx(0.6))
    assert 0.02 <= sand.sd < 0.03  # under 2 points against the pipette (Kettler et al. 2001)
    clay = decanted_share(96.0, 120.0)
    assert (clay.size_um, clay.share) == (2.0, pytest.approx(0.2))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: sieved_share(130.0, 120.0), "cannot weigh more than the soil"),
        (lambda: sieved_share(0.0, 120.0), "more than zero grams"),
        (lambda: decanted_share(float("nan"), 120.0), "more than zero grams"),
        (lambda: hydrometer_shares(Hydrometer((HydrometerReading(40, 80),), 50.0)), "does not fit"),
        (lambda: hydrometer_shares(Hydrometer((HydrometerReading(2, 20),), 50.0)), "10 seconds"),
        (lambda: hydrometer_shares(Hydrometer((HydrometerReading(40, 20),), 1.0)), "5 to 200 g"),
    ],
)
def test_what_cannot_be_is_refused(call, words):
    with pytest.raises(ValueRefusedError, match=words) as caught:
        call()
    assert str(caught.value).endswith(".")


# -- on a jar --------------------------------------------------------------------------------------

MARKS_S = (60.0, 7200.0, 172800.0)


@pytest.fixture(scope="module")
def jar():
    """An invented loam whose clay stays up: what an eye would see of it, and its truth."""
    rng = np.random.default_rng(4)
    truth = sim.invented_jar(
        rng, clear=False, soil=np.array([0.4, 0.38, 0.22]), clumped=0.0, grams_l=90.0
    )
    return truth, sim.settle(truth)


def weighed(jar, **facts):
    truth, seen = jar
    tops = [Top(t, h, 0.4) for t, h in zip(MARKS_S, seen.tops_mm, strict=True)]
    known = JarFacts(
        water_mm=truth.water_mm,
        temp_c=truth.temp_c,
        water_state=WaterState(seen.water_state),
        inside_diameter_mm=80.0,
    )
    return weigh(tops, facts=replace(known, **facts), rng=np.random.default_rng(1))


def off(result, jar, index):
    part = (result.sand_pct, result.silt_pct, result.clay_pct)[index]
    return abs(part.value - 100 * jar[0].fractions[index])


def spread(result, index):
    return 100 * result.fractions[:, index].std()


def grams(truth):
    return truth.load_g_cm2 * np.pi * 4.0**2


def test_dried_sand_measures_the_sand(jar):
    soil_g = grams(jar[0])
    result = weighed(jar, soil_g=soil_g, sand_g=soil_g * jar[0].fractions[0])
    assert spread(result, 0) < 3.0
    assert off(result, jar, 0) < 4.0
    assert spread(result, 0) < 0.6 * spread(weighed(jar, soil_g=soil_g), 0)


def test_decanted_sediment_measures_the_clay(jar):
    soil_g = grams(jar[0])
    result = weighed(jar, soil_g=soil_g, sediment_g=soil_g * (1 - jar[0].fractions[2]))
    assert spread(result, 2) < 3.5
    assert off(result, jar, 2) < 5.0


def test_hydrometer_measures_both(jar):
    sizes, share = sim.SIZES_UM, jar[0].sizes_share
    temp_c = jar[0].temp_c
    readings = []
    for elapsed_s in (40.0, 7 * 3600.0):
        reading = 20.0
        for _ in range(40):  # a reading that agrees with the depth at which it is taken
            test = Hydrometer((HydrometerReading(elapsed_s, reading),), 50.0, 0.0, temp_c)
            [finer] = hydrometer_shares(test)
            reading = 50.0 * share[sizes < finer.size_um].sum()
        readings.append(HydrometerReading(elapsed_s, reading))
    result = weighed(jar, hydrometer=Hydrometer(tuple(readings), 50.0, 0.0, temp_c))
    assert max(spread(result, i) for i in range(3)) < 5.0
    assert max(off(result, jar, i) for i in range(3)) < 7.0


def test_spoon_of_a_cloudy_jar_narrows_its_clay(jar):
    # After 8 h, 5 cm down, only grains under about 1.4 µm are left (Stokes, 20 °C).
    truth = jar[0]
    left = (
        1.4 * np.sqrt(sim._speeds(20.0, 2650.0)[0] / sim._speeds(round(truth.temp_c, 1), 2650.0)[0])
        > sim.SIZES_UM
    )
    g_l = 1e4 * truth.load_g_cm2 * truth.sizes_share[left].sum() / truth.water_mm
    spoon = Spoon(8 * 3600.0, 50.0, 10.0, g_l * 0.01)
    result = weighed(jar, spoon=spoon)
    assert spread(result, 2) < spread(weighed(jar), 2)
    assert off(result, jar, 2) < 10.0


def test_dried_sand_without_the_soils_weight_is_refused(jar):
    with pytest.raises(ValueRefusedError, match="without the weight of the dry soil"):
        weighed(jar, sand_g=20.0)


@pytest.mark.slow
def test_dried_weights_that_contradict_the_heights_are_doubted(jar):
    soil_g = grams(jar[0])
    result = weighed(jar, soil_g=soil_g, sand_g=0.95 * soil_g)
    assert "settling_misfit" in {str(d.name) for d in result.doubts}
