"""Invented jars with known soils, settled by a code path of their own.

Nothing here comes from the package under test. Water is IAPWS-95 (`iapws`), the speed of a
single grain comes from `fluids`, and the column is followed as some thousands of parcels that
start at their own heights, are slowed by the concentration *where they are* and are lifted there
by the water that other grains push aside (Masliyah 1979; Lockett & Bassoon 1979, from memory).
The package uses one mean concentration and a closed form. The soils are log-normal and two-humped
curves; the package's prior is neither.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from fluids.drag import v_terminal
from iapws import IAPWS95

CLASS_LIMITS_UM = (2.0, 50.0)
SIZES_UM = np.geomspace(0.01, 2000.0, 110)


@dataclass(frozen=True)
class Truth:
    """One invented jar; masses in g/cm², lengths in mm, densities in g/cm³."""

    sizes_share: np.ndarray
    load_g_cm2: float
    water_mm: float
    temp_c: float
    layer_g_cm3: tuple[float, float, float]  # sand, silt, clay
    clumped: float  # share of the clay that falls as flocs
    floc_um: float  # size of the quartz grain that falls as fast as the middling floc does
    floc_spread: float = 0.4  # of the logarithm of that size
    floc_g_cm3: float = 2.65  # clay within a floc; less makes flocs crowd each other
    grain_kg_m3: float = 2650.0
    exponent: float = 5.0
    pore_filling: float = 0.0  # share of the silt among landing sand that hides in its pores
    sinking: float = 0.01  # by how much an earlier top stands higher than it does at 48 h
    late_s: float = 0.0
    clumps_at_s: float = 0.0  # until then all the clay falls as single grains
    fresh: float = 0.0  # by how much a layer of flocs stands higher at first than in the end
    gives_way_s: float = 7200.0  # in which time that falls to a third
    moments_s: tuple[float, ...] = (60.0, 7200.0, 172800.0)

    @property
    def fractions(self) -> np.ndarray:
        """Sand, silt and clay as shares of the mass."""
        clay = self.sizes_share[CLASS_LIMITS_UM[0] > SIZES_UM].sum()
        sand = self.sizes_share[CLASS_LIMITS_UM[1] <= SIZES_UM].sum()
        return np.array([sand, 1.0 - sand - clay, clay])


@dataclass(frozen=True)
class Seen:
    """What a perfect eye would see of a jar."""

    tops_mm: np.ndarray
    suspended_g_l: np.ndarray

    @property
    def cloudiness(self) -> np.ndarray:
        """Light lost through a jar some 8 cm wide at each photo; 0.15 g/L invented here."""
        return 1.0 - np.exp(-self.suspended_g_l / 0.15)

    @property
    def water_state(self) -> str:
        """The water at the last photo in a word."""
        last = self.cloudiness[-1]
        return "clear" if last < 0.2 else "hazy" if last < 0.8 else "cloudy"


@lru_cache(maxsize=256)
def _speeds(temp_c: float, grain_kg_m3: float) -> np.ndarray:
    water = IAPWS95(T=temp_c + 273.15, P=0.101325)
    return 1e3 * np.array(
        [v_terminal(D=d * 1e-6, rhop=grain_kg_m3, rho=water.rho, mu=water.mu) for d in SIZES_UM]
    )


@dataclass(frozen=True)
class _Kinds:
    """Each kind of grain or floc: mm/s, g/cm², g/cm³ of its layer and within it, whether silt."""

    speed: np.ndarray
    single: np.ndarray  # the same before the clay has clumped
    mass: np.ndarray
    layer: np.ndarray
    bulk: np.ndarray
    silt: np.ndarray


def _kinds(truth: Truth) -> _Kinds:
    """Every size, and every clay size once more for the part of it that clumps."""
    speed = _speeds(round(truth.temp_c, 1), truth.grain_kg_m3)
    mass = truth.load_g_cm2 * truth.sizes_share
    is_clay = CLASS_LIMITS_UM[0] > SIZES_UM
    is_sand = CLASS_LIMITS_UM[1] <= SIZES_UM
    sand, silt, fluff = truth.layer_g_cm3
    layer = np.where(is_clay, fluff, np.where(is_sand, sand, silt))
    count = int(is_clay.sum())
    scatter = np.random.default_rng(0).standard_normal(count)  # which floc a clay size ends in
    floc_um = truth.floc_um * np.exp(truth.floc_spread * scatter)
    floc_speed = np.maximum(np.interp(floc_um, SIZES_UM, speed), speed[is_clay])
    bulk = truth.grain_kg_m3 / 1e3
    return _Kinds(
        np.append(speed, floc_speed),
        np.append(speed, speed[is_clay]),
        np.append(
            np.where(is_clay, mass * (1.0 - truth.clumped), mass), truth.clumped * mass[is_clay]
        ),
        np.append(layer, np.full(count, fluff)),
        np.append(np.full(SIZES_UM.size, bulk), np.full(count, min(bulk, truth.floc_g_cm3))),
        np.append(~is_clay & ~is_sand, np.zeros(count, dtype=bool)),
    )


def settle(truth: Truth, *, starts: int = 90, ratio: float = 1.08, cells: int = 60) -> Seen:
    """Follow parcels of every size from `starts` heights until the last photo."""
    kinds = _kinds(truth)
    height = np.tile((np.arange(starts) + 0.5) / starts * truth.water_mm, (kinds.speed.size, 1))
    parcel = np.repeat(kinds.mass[:, None] / starts, starts, axis=1)
    thick = 10.0 * parcel / kinds.layer[:, None]
    space = parcel / kinds.bulk[:, None]
    up = np.ones_like(parcel, dtype=bool)
    bed, before, tops, held_up = 0.0, truth.late_s, [], []
    is_floc = np.arange(kinds.speed.size) >= SIZES_UM.size
    young = 0.0  # what flocs that are down stand higher than they will, each from its own landing
    edges = np.linspace(0.0, truth.water_mm, cells + 1)
    for now in _clock(truth.moments_s, ratio):
        step = max(0.0, now - max(before, truth.late_s))
        before = max(now, truth.late_s)
        where = np.clip((height / truth.water_mm * cells).astype(int), 0, cells - 1)
        speed = kinds.single if now < truth.clumps_at_s else kinds.speed
        held = np.bincount(where[up], weights=space[up], minlength=cells)
        flux = np.bincount(where[up], weights=(space * speed[:, None])[up], minlength=cells)
        room = np.clip((edges[1:] - bed) / (edges[1] - edges[0]), 0.2, 1.0) * edges[1] / 10.0
        slip = (1.0 - np.minimum(held / room, 0.5)) ** (truth.exponent - 1.0)
        fall = (speed[:, None] - (flux / room)[where]) * slip[where] * step
        height = np.where(up, np.minimum(height - fall, truth.water_mm), height)
        landing = _landing(height, up, thick, bed)
        filling = truth.pore_filling * (now < truth.late_s + 60.0)
        bed += (thick * landing).sum() - filling * (thick * landing * kinds.silt[:, None]).sum()
        up &= ~landing
        young *= np.exp(-step / truth.gives_way_s)
        young += truth.fresh * (thick * landing)[is_floc].sum()
        if np.any(np.isclose(now, truth.moments_s)):
            tops.append(bed * (1.0 + truth.sinking * _youth(now)) + young)
            held_up.append(1e4 * parcel[up].sum() / (truth.water_mm - bed))
    return Seen(np.array(tops), np.array(held_up))


def _landing(height: np.ndarray, up: np.ndarray, thick: np.ndarray, bed: float) -> np.ndarray:
    """Parcels that the bed meets in this step, with the bed rising as they land."""
    ranked = np.argsort(height[up])
    order = height[up][ranked]
    level = bed + np.cumsum(thick[up][ranked])
    above = order > level
    count = int(np.argmax(above)) if above.any() else order.size
    if count == 0:
        return np.zeros_like(up)
    return up & (height <= order[count - 1])


def _clock(moments_s: tuple[float, ...], ratio: float) -> np.ndarray:
    last = max(moments_s)
    count = int(np.log(last / 0.5) / np.log(ratio)) + 2
    return np.unique(np.concatenate([np.geomspace(0.5, last, count), np.array(moments_s)]))


def _youth(now_s: float) -> float:
    """1 at the first minute, 0 at 48 h, straight in the logarithm of time."""
    return float(np.clip(np.log(172800.0 / now_s) / np.log(172800.0 / 60.0), 0.0, 1.0))


# -- soils ---------------------------------------------------------------------------------------


def _bell(centre_um: float, spread: float) -> np.ndarray:
    share = np.exp(-0.5 * (np.log(SIZES_UM / centre_um) / spread) ** 2)
    return share / share.sum()


def lognormal_soil(rng: np.random.Generator) -> np.ndarray:
    """One broad bell, cut off at 2 mm."""
    return _bell(np.exp(rng.uniform(np.log(0.7), np.log(300.0))), rng.uniform(1.2, 3.0))


def bimodal_soil(rng: np.random.Generator) -> np.ndarray:
    """A fine hump and a coarse one."""
    fine = _bell(np.exp(rng.uniform(np.log(0.3), np.log(15.0))), rng.uniform(0.7, 1.6))
    coarse = _bell(np.exp(rng.uniform(np.log(20.0), np.log(500.0))), rng.uniform(0.5, 1.2))
    part = rng.uniform(0.05, 0.95)
    return part * fine + (1.0 - part) * coarse


def soil_near(target: np.ndarray, rng: np.random.Generator, *, tries: int = 4000) -> np.ndarray:
    """Draw curves until one's fractions lie within 2.5 points of a wanted sand, silt and clay."""
    best, best_gap = None, np.inf
    for attempt in range(tries):
        make = bimodal_soil if attempt % 2 else lognormal_soil
        curve = make(rng)
        clay = curve[CLASS_LIMITS_UM[0] > SIZES_UM].sum()
        sand = curve[CLASS_LIMITS_UM[1] <= SIZES_UM].sum()
        gap = max(abs(sand - target[0]), abs(clay - target[2]))
        if gap < best_gap:
            best, best_gap = curve, gap
        if gap < 0.025:
            break
    return best


@lru_cache(maxsize=1)
def topsoils() -> np.ndarray:
    """Sand, silt and clay of 400 real topsoils, shares (n, 3); the file names its source."""
    rows = np.loadtxt(
        Path(__file__).with_name("topsoils.csv"), delimiter=",", skiprows=3, dtype=float
    )
    return rows / rows.sum(axis=1, keepdims=True)


def layers(rng: np.random.Generator, clumped: float) -> tuple[float, float, float]:
    """Dry densities of sand, silt and clay [g/cm³]; clay that clumped packs looser.

    Flow of clumped mud stops at 0.24-0.32 g/cm³ (secondary sources); kaolin settled to 0.44-0.49
    without and 0.27-0.40 with Epsom salt (hobby test, computed).
    """
    alone, flocs = rng.uniform(0.33, 0.55), rng.uniform(0.17, 0.40)
    fluff = 1.0 / (clumped / flocs + (1.0 - clumped) / alone)  # volumes add up
    return rng.uniform(1.40, 1.70), rng.uniform(0.90, 1.35), fluff


def invented_jar(
    rng: np.random.Generator,
    *,
    clear: bool,
    soil: np.ndarray | None = None,
    moments_s: tuple[float, ...] = (60.0, 7200.0, 172800.0),
    **stress: float,
) -> Truth:
    """A jar of a real topsoil, 8-16 cm of fall, 10-28 °C, light or heavy load.

    `soil` is another composition, as shares of sand, silt and clay; `stress` sets fields of the
    truth, `fluff_g_cm3` the density of the clay's layer and `grams_l` the load.
    """
    given = topsoils()[rng.integers(len(topsoils()))] if soil is None else soil
    curve = soil_near(given, rng)
    fall_mm = rng.uniform(80.0, 160.0)
    clumped = 1.0 if clear else float(rng.choice([0.0, rng.uniform(0.0, 0.8)]))
    packed = layers(rng, clumped)
    fluff = stress.pop("fluff_g_cm3", packed[2])
    grams_l = stress.pop("grams_l", np.exp(rng.uniform(np.log(40.0), np.log(300.0))))
    truth = Truth(
        sizes_share=curve,
        load_g_cm2=1.0,
        water_mm=fall_mm,
        temp_c=round(rng.uniform(10.0, 28.0), 1),
        layer_g_cm3=(*packed[:2], fluff),
        clumped=clumped,
        floc_um=float(np.exp(rng.uniform(np.log(1.5), np.log(12.0)))),
        clumps_at_s=float(rng.choice([0.0, np.exp(rng.uniform(np.log(7200), np.log(72000)))])),
        floc_spread=rng.uniform(0.2, 0.6),
        floc_g_cm3=fluff * rng.uniform(1.0, 2.0),
        grain_kg_m3=float(rng.choice([2600.0, 2650.0, 2700.0])),
        exponent=rng.uniform(4.5, 5.6),
        pore_filling=rng.uniform(0.0, 0.7),
        sinking=rng.uniform(0.0, 0.02),
        late_s=rng.uniform(0.0, 5.0),
        fresh=rng.uniform(0.0, 0.5),
        gives_way_s=float(np.exp(rng.uniform(np.log(1800.0), np.log(43200.0)))),
        moments_s=moments_s,
    )
    truth = replace(truth, **stress)
    load = grams_l * 1e-3 * fall_mm / 10.0 * 1.25
    thickness = 10.0 * load * (truth.fractions / np.array(truth.layer_g_cm3)).sum()
    if thickness > 0.45 * fall_mm:  # nobody's jar ends with more mud than water
        load *= 0.45 * fall_mm / thickness
    return replace(truth, load_g_cm2=load, water_mm=fall_mm + min(thickness, 0.45 * fall_mm))


# -- classes, from the published definitions, for scoring only ------------------------------------


def texture_class(sand: float, silt: float, clay: float) -> str:
    """USDA class of percentages (Soil Survey Manual, Agriculture Handbook 18, chapter 3)."""
    s, m, c = sand, silt, clay
    rules = (
        ("sand", m + 1.5 * c < 15),
        ("loamy sand", m + 1.5 * c >= 15 and m + 2 * c < 30),
        ("sandy loam", (7 <= c < 20 and s > 52 and m + 2 * c >= 30)),
        ("sandy loam", c < 7 and m < 50 and m + 2 * c >= 30),
        ("loam", 7 <= c < 27 and 28 <= m < 50 and s <= 52),
        ("silt loam", (m >= 50 and 12 <= c < 27) or (50 <= m < 80 and c < 12)),
        ("silt", m >= 80 and c < 12),
        ("sandy clay loam", 20 <= c < 35 and m < 28 and s > 45),
        ("clay loam", 27 <= c < 40 and 20 < s <= 45),
        ("silty clay loam", 27 <= c < 40 and s <= 20),
        ("sandy clay", c >= 35 and s > 45),
        ("silty clay", c >= 40 and m >= 40),
        ("clay", c >= 40 and s <= 45 and m < 40),
    )
    return next(name for name, holds in rules if holds)
