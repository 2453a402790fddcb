"""Falling grains and growing deposits against published times, `fluids`, and a second simulator."""

from dataclasses import replace

import jar_simulator as sim
import numpy as np
import pytest
from fluids.drag import v_terminal
from iapws import IAPWS95
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.known import JarFacts, Top, gather
from jarvision.estimate.settling import (
    Charge,
    Moment,
    Shape,
    cut_diameter_um,
    hindering,
    settle,
    share_down,
    steps_s,
    terminal_velocity_mm_s,
)

# USGS Open-File Report 00-358, chapter 1, table 2 (after Krumbein & Pettijohn 1938; Folk 1974):
# phi size, depth [cm], temperature [°C], draw time [s]. The 4 phi row is a convention there, and
# says so; it is left out.
USGS_DRAWS = [
    (5, 10, 20, 1 * 60 + 56),
    (6, 10, 20, 7 * 60 + 44),
    (7, 10, 20, 31 * 60),
    (8, 10, 20, 2 * 3600 + 3 * 60),
    (9, 5, 20, 4 * 3600 + 6 * 60),
    (5, 10, 24, 1 * 60 + 45),
    (6, 10, 24, 6 * 60 + 58),
    (7, 10, 24, 28 * 60),
    (8, 10, 24, 1 * 3600 + 51 * 60),
]


def fall_time_s(size_um, *, fall_mm, temp_c):
    """One grain alone, from the water line down."""
    return fall_mm / terminal_velocity_mm_s(size_um, temp_c)


@pytest.mark.parametrize(("phi", "depth_cm", "temp_c", "time_s"), USGS_DRAWS)
def test_published_pipette_draws(phi, depth_cm, temp_c, time_s):
    size_um = 1000.0 * 2.0**-phi
    ours = fall_time_s(size_um, fall_mm=10.0 * depth_cm, temp_c=temp_c)
    assert float(ours) == pytest.approx(time_s, rel=0.03)


def test_micro_pipette_reads_clay_at_two_hours():
    # Miller & Miller 1987 (abstract): 2.5 cm deep after about 2 h; room temperature.
    assert float(fall_time_s(2.0, fall_mm=25.0, temp_c=20.0)) == pytest.approx(7200, rel=0.05)


@pytest.mark.parametrize("temp_c", [19.0, 22.0, 25.0, 28.0, 30.0])
def test_hydrometer_reads_clay_at_six_to_eight_hours(temp_c):
    # A university laboratory's hydrometer sheet: 6-8 h by temperature, for 2 µm and about 10 cm.
    assert 6.0 <= float(fall_time_s(2.0, fall_mm=100.0, temp_c=temp_c)) / 3600.0 <= 8.0


SIZES_UM = np.geomspace(1.0, 2000.0, 45)


def fluids_speed_mm_s(temp_c: float) -> np.ndarray:
    water = IAPWS95(T=temp_c + 273.15, P=0.101325)
    return 1e3 * np.array(
        [v_terminal(D=d * 1e-6, rhop=2650.0, rho=water.rho, mu=water.mu) for d in SIZES_UM]
    )


@pytest.mark.parametrize("temp_c", [5.0, 20.0, 35.0])
def test_spheres_fall_as_the_fluids_library_says(temp_c):
    ours = terminal_velocity_mm_s(SIZES_UM, temp_c, shape=Shape.SPHERE)
    np.testing.assert_allclose(ours, fluids_speed_mm_s(temp_c), rtol=0.05)


@pytest.mark.parametrize("temp_c", [5.0, 20.0, 35.0])
def test_natural_grains_fall_as_spheres_while_fine_and_slower_when_coarse(temp_c):
    # Ferguson & Church 2004: angular sand meets more drag than spheres, more so the coarser.
    ratio = terminal_velocity_mm_s(SIZES_UM, temp_c) / fluids_speed_mm_s(temp_c)
    np.testing.assert_allclose(ratio[SIZES_UM <= 20.0], 1.0, atol=0.03)
    assert np.all((ratio[SIZES_UM <= 500.0] > 0.88) & (ratio[SIZES_UM <= 500.0] < 1.03))
    assert np.all((ratio[SIZES_UM > 500.0] > 0.6) & (ratio[SIZES_UM > 500.0] < 1.0))


def test_stokes_is_the_fine_limit_and_fails_for_sand():
    """Stokes' law by hand: (2650 - 998.2) g d^2 / (18 x 1.0016 mPa s), water of 20 °C (IAPWS)."""
    fine_m, coarse_m = 2e-6, 500e-6
    stokes = (2650.0 - 998.2) * 9.80665 / (18 * 1.0016e-3) * 1e3  # mm/s for each square metre
    fine = terminal_velocity_mm_s(2.0, 20.0) / (stokes * fine_m**2)
    coarse = terminal_velocity_mm_s(500.0, 20.0) / (stokes * coarse_m**2)
    assert float(fine) == pytest.approx(1.0, abs=0.002)
    assert float(coarse) < 0.5


@pytest.mark.parametrize("size_um", [0.0, -2.0, float("nan")])
def test_a_size_that_cannot_be_is_refused(size_um):
    with pytest.raises(ValueRefusedError, match="more than zero"):
        terminal_velocity_mm_s([10.0, size_um], 20.0)


def test_cut_diameter_undoes_the_fall_time():
    sizes = np.array([0.6, 2.0, 20.0, 50.0, 300.0])
    times = fall_time_s(sizes, fall_mm=117.0, temp_c=17.0)
    np.testing.assert_allclose(cut_diameter_um(times, fall_mm=117.0, temp_c=17.0), sizes, rtol=2e-3)


def test_cut_diameter_out_of_reach_is_unknown():
    assert np.isnan(cut_diameter_um(1e-4, fall_mm=100.0, temp_c=20.0))


# -- crowding ------------------------------------------------------------------------------------


def test_crowding_of_natural_sand():
    # Baldock et al. 2004, Coastal Eng. 51:91-100: at 15 % solids less than half the clear speed.
    assert float(hindering(0.15, 5.0)) < 0.5


def test_crowding_is_none_when_dilute_and_stops_at_a_packed_bed():
    # Exponents published for slow grains: 4.65 (Richardson & Zaki 1954, from memory), 4.48 and 5.6
    # (review, arXiv 1710.09314).
    exponents = np.array([4.48, 4.65, 5.6])
    np.testing.assert_array_equal(hindering(0.0, exponents), 1.0)
    np.testing.assert_array_equal(hindering(0.9, exponents), hindering(0.55, exponents))
    assert np.all(np.diff(hindering(0.1, exponents)) < 0)


# -- deposits ------------------------------------------------------------------------------------


def classes_column(fractions, finest_um=0.05, bins=160):
    """Sizes [µm] and masses of a soil spread evenly over the logarithm within each class."""
    spans = ((50.0, 2000.0), (2.0, 50.0), (finest_um, 2.0))
    middles = (np.arange(bins) + 0.5) / bins
    size = np.concatenate([a * (b / a) ** middles for a, b in spans])
    return size, np.repeat(fractions, bins) / bins / 100.0


# Worked tables: true sand/silt/clay, then marks at 1 min, 2 h and 48 h as shares.
# Mass basis: 10 cm unhindered; 15 cm with all speeds times 0.6. Height basis: layers of 1.55,
# 1.12 and 0.416 (or 0.29) g/cm³; the last column with all clay down. Computed by others with
# their own code from the same assumptions.
WORKED_TEXT = """
# true    10 cm     15 cm slow 10 cm    loose clay 15 cm slow all down
40/40/20  55/33/12  49/35/16  41/34/25  38/31/31  38/36/26  24/33/44
65/25/10  75/19/6   70/21/8   63/23/14  60/22/18  60/24/15  47/25/27
20/65/15  36/51/13  28/52/20  29/50/21  27/47/26  21/52/26  12/54/34
30/35/35  47/33/20  43/35/22  31/30/39  27/27/46  30/33/38  14/23/62
20/30/50  37/33/29  35/36/30  21/27/52  18/24/59  21/30/50  8/17/75
"""
WORKED = [
    [tuple(map(int, cell.split("/"))) for cell in line.split()]
    for line in WORKED_TEXT.splitlines()
    if "/" in line
]


def marks(true, *, fall_mm, slowed=1.0, layers=(1.0, 1.0, 1.0), all_down=False):
    """Shares [%] of the deposit's growth at the three marks, by the package's column."""
    size, mass = classes_column(true)
    speed = slowed * terminal_velocity_mm_s(size, 20.0)
    moments = (60.0, 7200.0, 172800.0)
    if all_down:  # each class whole in its own layer: speeds and waits so far apart that none mix
        speed = np.repeat([1e2, 1e-3, 1e-8], size.size // 3) * fall_mm
        moments = (1.0, 1e5, 1e10)
    column = (1e-5 * mass)[:, None]  # next to nothing: no crowding, no bed to speak of
    layer = np.repeat(layers, size.size // 3)[:, None]
    charge = Charge(
        speed[:, None], speed[:, None], np.zeros(1), column, layer, np.full_like(column, 2.65)
    )
    path = settle(
        charge,
        column_mm=np.array([fall_mm]),
        exponent=5.0,
        time_s=steps_s(*moments, first_s=0.5),
    )
    tops = np.array([path.at(t).bed_mm[0] for t in moments])
    return 100.0 * np.diff(tops, prepend=0.0) / tops[-1]


LAYERS = (1.55, 1.12, 0.416)


@pytest.mark.parametrize("row", WORKED, ids=lambda row: "/".join(map(str, row[0])))
def test_worked_tables_within_two_points(row):
    true, mass, slow_mass, height, loose, slow_height, down = row
    for expected, options in (
        (mass, {"fall_mm": 100.0}),
        (slow_mass, {"fall_mm": 150.0, "slowed": 0.6}),
        (height, {"fall_mm": 100.0, "layers": LAYERS}),
        (loose, {"fall_mm": 100.0, "layers": (1.55, 1.12, 0.29)}),
        (slow_height, {"fall_mm": 150.0, "slowed": 0.6, "layers": LAYERS}),
        (down, {"fall_mm": 100.0, "layers": LAYERS, "all_down": True}),
    ):
        np.testing.assert_allclose(marks(true, **options), expected, atol=2.0, err_msg=str(options))


def test_whole_deposit_is_the_sum_of_its_layers():
    mass = np.array([[0.4], [0.3], [0.2]])
    layer = np.array([[1.5], [1.0], [0.4]])
    speed = np.array([[5.0], [0.5], [0.01]])
    charge = Charge(speed, speed, np.zeros(1), mass, layer, np.full((3, 1), 2.65))
    path = settle(charge, column_mm=np.array([120.0]), exponent=5.0, time_s=steps_s(1e6))
    assert path.state.bed_mm[0, -1] == pytest.approx(10 * (0.4 / 1.5 + 0.3 + 0.5), rel=1e-6)
    assert path.solids[0, -1] == pytest.approx(0.0, abs=1e-7)
    assert np.all(np.diff(path.state.bed_mm[0]) >= -1e-5)  # single precision


def test_steps_are_fine_enough():
    truth = invented()
    coarse = package_tops(truth, ratio=4.0)
    fine = package_tops(truth, ratio=1.03)
    np.testing.assert_allclose(coarse, fine, rtol=0.004)


def test_steps_are_fine_enough_for_a_crowd_of_loose_flocs():
    # 0.9 g/cm² of clay in flocs of 0.35 g/cm³ fill a quarter of the water, and slow each other to
    # a fifth: the steepest change there is.
    speed = np.geomspace(0.005, 0.02, 3)[:, None]
    mass, loose = np.full((3, 1), 0.3), np.full((3, 1), 0.35)
    charge = Charge(speed, speed, np.zeros(1), mass, np.full((3, 1), 0.25), loose)
    times = (60.0, 7200.0, 172800.0)
    tops = []
    for first_s, ratio in ((8.0, 4.0), (2.0, 1.02)):
        steps = steps_s(*times, first_s=first_s, ratio=ratio)
        path = settle(charge, column_mm=np.array([120.0]), exponent=5.0, time_s=steps)
        tops.append([path.at(t).bed_mm[0] for t in times])
    np.testing.assert_allclose(*tops, rtol=0.03)


def tops_by_scipy(charge: Charge, column_mm: float, exponent: float, times: list[float]):
    """Tops [mm] of one column whose clay never turns, by general-purpose solvers."""
    mass, speed = charge.mass_g_cm2[:, 0], charge.speed_mm_s[:, 0]
    thick = 10.0 * mass / charge.layer_g_cm3[:, 0]
    space = 10.0 * mass / charge.bulk_g_cm3[:, 0]
    water = column_mm - space.sum()

    def bed(clear_s: float) -> tuple[float, float]:
        def stands(pore: float) -> tuple[float, float]:
            down = np.minimum(speed * clear_s / water + pore / water, 1.0)
            return float(down @ thick), float(down @ space)

        def gap(pore: float) -> float:
            top, grains = stands(pore)
            return top - grains - pore

        return stands(float(brentq(gap, 0.0, water, xtol=1e-9)) if gap(0.0) > 0 else 0.0)

    def rate(_: float, clear_s: np.ndarray) -> list[float]:
        top, grains = bed(float(clear_s[0]))
        return [(1.0 - (space.sum() - grains) / (column_mm - top)) ** exponent]

    path = solve_ivp(rate, (0.0, times[-1]), [0.0], t_eval=times, rtol=1e-6, max_step=2000.0)
    return [bed(float(clear_s))[0] for clear_s in path.y[0]]


@pytest.mark.parametrize("load_g_cm2", [0.4, 1.5, 3.0])
@pytest.mark.parametrize("shares", [(0.6, 0.3, 0.1), (0.1, 0.5, 0.4), (0.05, 0.15, 0.8)])
def test_few_steps_are_enough(load_g_cm2, shares):
    # Solved again by scipy (Dormand and Prince's rule, Brent's for the water between the grains),
    # with the steps that a jar of three photos gets.
    sand, silt, clay = load_g_cm2 * np.array(shares)
    mass = np.repeat([clay / 8, silt / 10, sand / 7], [8, 10, 7])[:, None]
    size = np.concatenate([np.geomspace(0.2, 1.8, 8), np.geomspace(2.5, 45, 10)])
    size = np.concatenate([size, np.geomspace(60.0, 1500.0, 7)])
    speed = terminal_velocity_mm_s(size, 20.0)[:, None]
    layer = np.repeat([0.4, 1.1, 1.5], [8, 10, 7])[:, None]
    charge = Charge(speed, speed, np.zeros(1), mass, layer, np.full_like(mass, 2.65))
    times = [60.0, 7200.0, 172800.0]
    facts = JarFacts(water_mm=150.0)
    photos = [Top(t, 10.0 * load_g_cm2, 0.3) for t in times]
    path = settle(
        charge, column_mm=np.array([150.0]), exponent=5.0, time_s=gather(photos, facts).steps_s
    )
    ours = [path.at(t).bed_mm[0] for t in times]
    expected = tops_by_scipy(charge, 150.0, 5.0, times)
    np.testing.assert_allclose(ours, expected, atol=0.02, rtol=0.001)


def test_clay_that_clumps_late_stays_up_until_then():
    speed, early = np.array([[0.05]]), np.array([[1e-6]])
    charge = Charge(
        speed, early, np.array([7200.0]), np.array([[0.1]]), np.array([[0.4]]), np.array([[2.65]])
    )
    path = settle(
        charge, column_mm=np.array([100.0]), exponent=5.0, time_s=steps_s(7200.0, 8200.0, 1e5)
    )
    assert path.at(7200.0).bed_mm[0] < 0.01
    halfway = 2.5 * 50.0 / 100.0  # 1000 s at 0.05 mm/s through 100 mm, of a layer of 2.5 mm
    assert path.at(8200.0).bed_mm[0] == pytest.approx(halfway, rel=0.05)
    down = share_down(charge, Moment(*np.full((4, 1), 1e9)), column_mm=np.array([100.0]))
    assert down[0, 0] == 1.0


# -- against the simulator, which shares no code -------------------------------------------------


def invented() -> sim.Truth:
    return sim.Truth(
        sizes_share=sim.bimodal_soil(np.random.default_rng(4)),
        load_g_cm2=1.3,
        water_mm=130.0,
        temp_c=18.0,
        layer_g_cm3=(1.5, 1.1, 0.4),
        clumped=0.0,
        floc_um=5.0,
        exponent=5.0,
        sinking=0.0,
    )


def package_column(truth: sim.Truth, *, ratio: float):
    size = sim.SIZES_UM
    sand, silt, clay = truth.layer_g_cm3
    layer = np.where(size < 2.0, clay, np.where(size < 50.0, silt, sand))[:, None]
    speed = terminal_velocity_mm_s(size, truth.temp_c, shape=Shape.SPHERE)[:, None]
    mass = truth.load_g_cm2 * truth.sizes_share[:, None]
    charge = Charge(speed, speed, np.zeros(1), mass, layer, np.full_like(mass, 2.65))
    times = steps_s(*truth.moments_s, ratio=ratio)
    column = np.array([truth.water_mm])
    return charge, settle(charge, column_mm=column, exponent=truth.exponent, time_s=times)


def package_tops(truth: sim.Truth, *, ratio: float) -> np.ndarray:
    _, path = package_column(truth, ratio=ratio)
    return np.array([path.at(t).bed_mm[0] for t in truth.moments_s])


@pytest.mark.parametrize("load_g_cm2", [0.2, 1.3, 2.6])
def test_mean_crowding_comes_near_to_parcels_crowded_where_they_are(load_g_cm2):
    truth = replace(invented(), load_g_cm2=load_g_cm2)
    seen = sim.settle(truth, starts=200, ratio=1.04, cells=100).tops_mm
    np.testing.assert_allclose(package_tops(truth, ratio=1.1), seen, rtol=0.03)


@pytest.mark.parametrize("load_g_cm2", [0.5, 2.6])
def test_fines_are_caught_as_the_pore_water_is(load_g_cm2):
    # Nearly all sand, and a trace of the finest clay, which cannot fall: what lies in the deposit
    # of it came with the water between the grains.
    share = np.zeros_like(sim.SIZES_UM)
    share[np.abs(np.log(sim.SIZES_UM / 300.0)) < 0.5] = 1.0
    share /= share.sum()
    share[0] = 1e-4
    truth = replace(invented(), sizes_share=share, load_g_cm2=load_g_cm2, moments_s=(60.0,))
    seen = sim.settle(truth, starts=300, ratio=1.03, cells=120)
    up_share = seen.suspended_g_l[0] * (truth.water_mm - seen.tops_mm[0]) / 1e4
    caught = 1.0 - up_share / (1e-4 * load_g_cm2)
    bed_mm = 10.0 * load_g_cm2 / truth.layer_g_cm3[0]
    grains_mm = 10.0 * load_g_cm2 / 2.65
    pores = (bed_mm - grains_mm) / (truth.water_mm - grains_mm)
    charge, path = package_column(truth, ratio=1.2)
    ours = share_down(charge, path.at(60.0), column_mm=np.array([truth.water_mm]))[0, 0]
    assert ours == pytest.approx(pores, rel=0.02)
    assert caught == pytest.approx(pores, rel=0.15)  # parcels, moved in steps


@pytest.mark.slow
def test_simulator_is_converged():
    truth = invented()
    usual = sim.settle(truth).tops_mm
    finer = sim.settle(truth, starts=300, ratio=1.02, cells=150).tops_mm
    np.testing.assert_allclose(usual, finer, rtol=0.01)
