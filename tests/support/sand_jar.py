"""Invented jars whose sand lies as it fell, and what an eye would see of its grains by height.

Like `jar_simulator`, on whose parcels it stands, nothing here comes from the package under test but
the form of a band. Grains are mixed by an exponential kernel; the package believes in a normal one.
"""

import math
from dataclasses import replace
from itertools import pairwise

import jar_simulator
import numpy as np

from jarvision.wall.measurement import GrainBand

PART_LIMITS_UM = (2000.1, 1000.0, 500.0, 250.0, 100.0, 50.0)
_CELLS = 400


def laid_down(truth, *, until_s=60.0, starts=90, cells=60):
    """Sizes [µm], and the height [mm] that each adds in each of many short times, (T, K)."""
    kinds = jar_simulator._kinds(truth)
    flocs = kinds.speed.size - jar_simulator.SIZES_UM.size
    sizes = np.concatenate([jar_simulator.SIZES_UM, np.full(flocs, truth.floc_um)])
    height = np.tile((np.arange(starts) + 0.5) / starts * truth.water_mm, (sizes.size, 1))
    parcel = np.repeat(kinds.mass[:, None] / starts, starts, axis=1)
    thick, space = 10.0 * parcel / kinds.layer[:, None], parcel / kinds.bulk[:, None]
    takes_room = np.where(kinds.silt, 1.0 - truth.pore_filling, 1.0)
    up, bed, laid = np.ones_like(parcel, dtype=bool), 0.0, []
    clock = np.concatenate([[0.0], np.geomspace(0.05, until_s - truth.late_s, 200)])
    for step in np.diff(clock):
        where = np.clip((height / truth.water_mm * cells).astype(int), 0, cells - 1)
        cell_mm = truth.water_mm / cells
        room = np.clip((np.arange(1, cells + 1) * cell_mm - bed) / cell_mm, 0.2, 1) * cell_mm / 10
        held = np.bincount(where[up], weights=space[up], minlength=cells)
        flux = np.bincount(where[up], weights=(space * kinds.single[:, None])[up], minlength=cells)
        slip = (1.0 - np.minimum(held / room, 0.5)) ** (truth.exponent - 1.0)
        height = height - (kinds.speed[:, None] - (flux / room)[where]) * slip[where] * step
        height = np.minimum(height, truth.water_mm)
        landing = jar_simulator._landing(height, up, thick, bed)
        laid.append((thick * landing).sum(axis=1) * takes_room)
        bed += laid[-1].sum()
        up &= ~landing
    return sizes, np.array(laid)


def seen_bands(
    truth, rng, *, mixed_mm=1.5, unsorted=0.2, band_mm=2.5, noise=0.15, shared=0.05, limit_mm=0.0
):
    """Bands of mean diameter up the layer, each with its error, and the layer's top [mm]."""
    sizes, laid = laid_down(truth)
    top = laid.sum()
    steps = np.linspace(0.0, top, _CELLS + 1)
    reached = np.concatenate([[0.0], np.cumsum(laid.sum(axis=1))])
    sums = np.vstack([np.zeros(sizes.size), np.cumsum(laid, axis=0)])
    by_cell = np.diff([np.interp(steps, reached, column) for column in sums.T], axis=1).T
    middles = 0.5 * (steps[1:] + steps[:-1])
    reach = np.exp(-np.abs(middles[:, None] - middles) / mixed_mm)
    by_cell = (reach / reach.sum(axis=1, keepdims=True)) @ by_cell
    by_cell /= by_cell.sum(axis=1, keepdims=True)
    by_cell = (1.0 - unsorted) * by_cell + unsorted * by_cell.mean(axis=0)
    off = shared * rng.standard_normal()
    bands = []
    for rows in np.array_split(np.arange(_CELLS), max(1, round(top / band_mm))):
        mean_mm = 1e-3 * by_cell[rows].mean(axis=0) @ sizes
        mean_mm *= math.exp(off + noise * rng.standard_normal())
        ends = float(steps[rows[0]]), float(steps[rows[-1] + 1])
        if mean_mm < limit_mm:
            bands.append(GrainBand(*ends, finer_than_mm=limit_mm))
        else:
            bands.append(GrainBand(*ends, float(mean_mm), noise))
    return bands, float(top)


def true_parts(truth):
    """Very coarse to very fine, shares of the sand (Soil Survey Manual's limits)."""
    curve, sizes = truth.sizes_share, jar_simulator.SIZES_UM
    parts = np.array(
        [curve[(sizes >= low) & (sizes < high)].sum() for high, low in pairwise(PART_LIMITS_UM)]
    )
    return parts / parts.sum()


def sandy_jar(rng, *, least_sand=0.15):
    """Draw a jar of a real topsoil with enough sand to look at."""
    while True:
        truth = jar_simulator.invented_jar(rng, clear=True)
        if truth.fractions[0] >= least_sand:
            return truth


def jar_of_sand(rng):
    """Draw a jar that is more than half sand: one hump, two, or a slope over log size."""
    sizes = jar_simulator.SIZES_UM

    def hump(middle_um, spread):
        return np.exp(-0.5 * (np.log(sizes / middle_um) / spread) ** 2)

    kind = rng.integers(3)
    if kind == 0:
        sand = hump(np.exp(rng.normal(np.log(220.0), 0.6)), rng.uniform(0.35, 1.0))
    elif kind == 1:
        fine, coarse = np.exp(rng.uniform(np.log([70.0, 300.0]), np.log([200.0, 900.0])))
        sand = rng.uniform(0.3, 1) * hump(fine, 0.4) + rng.uniform(0.3, 1) * hump(coarse, 0.4)
    else:
        sand = sizes ** rng.uniform(-0.8, 0.8)
    is_sand = sizes >= PART_LIMITS_UM[-1]
    fines = jar_simulator.lognormal_soil(rng)
    parts = [np.where(rows, part, 0.0) for rows, part in ((is_sand, sand), (~is_sand, fines))]
    share = rng.uniform(0.55, 0.92)
    curve = share * parts[0] / parts[0].sum() + (1.0 - share) * parts[1] / parts[1].sum()
    load = rng.uniform(2.0, 5.0)
    return replace(
        jar_simulator.invented_jar(rng, clear=True),
        sizes_share=curve,
        load_g_cm2=load,
        water_mm=rng.uniform(90.0, 150.0) + 6.0 * load,
    )
