"""Invented jars with known soils, read and weighed: errors, coverage, odds, stress cases.

`python tests/support/weighing_study.py 200` prints the whole study for 200 jars a part.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from itertools import pairwise

import jar_simulator as sim
import numpy as np

from jarvision.estimate.dried import Finer
from jarvision.estimate.known import Horizon, JarFacts, Top, WaterState
from jarvision.estimate.posterior import weigh
from jarvision.estimate.reference import Reference, packing_of
from jarvision.estimate.topsoil import Origin

CLASSIC_S = (60.0, 7200.0, 172800.0)
MORE_S = (60.0, 300.0, 3600.0, 7200.0, 28800.0, 172800.0)
READING_SD_MM = 0.4
LOOSE_G_CM3 = 1.1


@dataclass(frozen=True)
class Case:
    """One invented jar, read and weighed; all in %."""

    state: str
    true: np.ndarray
    height: np.ndarray
    weight: np.ndarray
    low: np.ndarray
    high: np.ndarray
    height_odds: dict[str, float]
    weight_odds: dict[str, float]
    effective: float
    sd: np.ndarray
    doubts: tuple[str, ...]

    @property
    def true_class(self) -> str:
        return sim.texture_class(*self.true)


@dataclass(frozen=True)
class Told:
    """What is known of a jar besides three photos."""

    photos: bool = False
    grams: bool = False
    loose_mm: bool = False
    origin: Origin = Origin.TOPSOIL


def class_odds(percents: np.ndarray) -> dict[str, float]:
    found, counts = np.unique([sim.texture_class(*p) for p in percents], return_counts=True)
    return dict(zip(found.tolist(), (counts / len(percents)).tolist(), strict=True))


def shares_of(heights: np.ndarray) -> np.ndarray:
    rising = np.maximum.accumulate(np.maximum(heights, 0.0), axis=-1)
    return 100.0 * np.diff(rising, prepend=0.0, axis=-1) / rising[..., -1:]


def weigh_all(truth: sim.Truth, rng: np.random.Generator, ways: list[Told]) -> list[Case]:
    """Read one jar, whose photos are at `MORE_S`, and weigh it with each way of knowing it."""
    seen = sim.settle(truth)
    read = np.maximum(seen.tops_mm + rng.normal(0.0, READING_SD_MM, seen.tops_mm.size), 0.3)
    width_mm = rng.uniform(60.0, 90.0)
    facts = JarFacts(
        water_mm=truth.water_mm + rng.normal(0.0, 1.5),
        temp_c=truth.temp_c + rng.normal(0.0, 0.7),
        water_state=WaterState(seen.water_state),
        inside_diameter_mm=width_mm * (1.0 + rng.normal(0.0, 0.005)),
    )
    grams = truth.load_g_cm2 * np.pi * (width_mm / 20.0) ** 2
    soil_g = grams * np.exp(rng.normal(0.0, 0.03))
    soil_mm = 10.0 * truth.load_g_cm2 / LOOSE_G_CM3 * np.exp(rng.normal(0.0, 0.12))
    classic = [truth.moments_s.index(t) for t in CLASSIC_S]
    by_height = shares_of(read[classic])
    scatter = shares_of(read[classic] + rng.normal(0.0, READING_SD_MM, (400, 3)))
    cases = []
    for way in ways:
        told = replace(
            facts,
            soil_g=soil_g if way.grams else None,
            soil_mm=soil_mm if way.loose_mm else None,
            origin=way.origin,
        )
        used = range(read.size) if way.photos else classic
        tops = [Top(truth.moments_s[i], read[i], READING_SD_MM, Horizon.DEPOSIT) for i in used]
        result = weigh(tops, facts=told, rng=np.random.default_rng(7), draws=1000)
        parts = (result.sand_pct, result.silt_pct, result.clay_pct)
        cases.append(
            Case(
                seen.water_state,
                100.0 * truth.fractions,
                by_height,
                np.array([p.value for p in parts]),
                np.array([p.lo for p in parts]),
                np.array([p.hi for p in parts]),
                class_odds(scatter),
                class_odds(100.0 * result.fractions[:500]),
                result.effective_draws,
                100.0 * result.fractions.std(axis=0),
                tuple(str(d.name) for d in result.doubts),
            )
        )
    return cases


WAYS = {
    "three photos": Told(),
    "three photos, loose height": Told(loose_mm=True),
    "three photos, grams": Told(grams=True),
    "six photos": Told(photos=True),
    "six photos, grams": Told(photos=True, grams=True),
    "three photos, any soil as likely": Told(origin=Origin.ANYWHERE),
}


def study(count: int, seed: int, ways: dict[str, Told], **stress: float) -> dict[str, list[Case]]:
    """Weigh invented jars of real topsoils, half of which clear, in each way."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[Case]] = {name: [] for name in ways}
    for i in range(count):
        truth = make_jar(rng, i, **stress)
        for name, case in zip(ways, weigh_all(truth, rng, list(ways.values())), strict=True):
            found[name].append(case)
    return found


def make_jar(rng: np.random.Generator, index: int, **stress: float) -> sim.Truth:
    """One jar; `triangle` draws its soil from anywhere, `clear` fixes whether it clears."""
    anywhere = stress.pop("triangle", 0.0)
    soil = rng.dirichlet([1.0, 1.0, 1.0]) if anywhere else None
    clear = bool(stress.pop("clear", index % 2 == 0))
    return sim.invented_jar(rng, clear=clear, soil=soil, moments_s=MORE_S, **stress)


# -- a garden with a reference jar ---------------------------------------------------------------

UNLIKE = 0.06  # by how much the packing of one soil of a garden differs from another's; ours


def garden_jar(
    rng: np.random.Generator, packing: tuple[float, ...], soil: tuple[float, float, float]
) -> tuple[sim.Truth, list[Top], JarFacts]:
    """Read a jar whose layers pack nearly as the garden's do: three photos, grams known."""
    own = tuple(np.array(packing) * np.exp(UNLIKE * rng.standard_normal(3)))
    given = {"layer_g_cm3": own, "grams_l": 150.0, "clumps_at_s": 0.0}
    truth = sim.invented_jar(rng, clear=True, soil=np.array(soil), moments_s=CLASSIC_S, **given)
    seen = sim.settle(truth)
    read = np.maximum(seen.tops_mm + rng.normal(0.0, READING_SD_MM, 3), 0.3)
    grams = truth.load_g_cm2 * np.pi * 4.0**2 * np.exp(rng.normal(0.0, 0.03))
    facts = JarFacts(
        water_mm=truth.water_mm,
        temp_c=truth.temp_c,
        water_state=WaterState(seen.water_state),
        inside_diameter_mm=80.0,
        soil_g=grams,
    )
    tops = [Top(t, h, READING_SD_MM) for t, h in zip(CLASSIC_S, read, strict=True)]
    return truth, tops, facts


def reference_jar(
    rng: np.random.Generator,
    packing: tuple[float, ...],
    soil: tuple[float, float, float] = (0.3, 0.4, 0.3),
) -> Reference:
    """A jar of a clay loam that a laboratory read to two points."""
    truth, tops, facts = garden_jar(rng, packing, soil)
    lab = truth.fractions + rng.normal(0.0, 0.02, 3)
    lab /= lab.sum()
    finer = (Finer(2.0, lab[2], 0.02), Finer(50.0, lab[1] + lab[2], 0.02))
    return Reference("shed", finer, tuple(tops), replace(facts, origin=Origin.ANYWHERE))


def garden_study(count: int, seed: int) -> dict[str, np.ndarray]:
    """Errors and sd of sand, silt, clay [%] and whether covered, (count, 3, 3), of loams."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[np.ndarray]] = {}
    for _ in range(count):
        packing = sim.layers(rng, 1.0)
        learned = packing_of(reference_jar(rng, packing))
        truth, tops, facts = garden_jar(rng, packing, (0.4, 0.4, 0.2))
        bare = replace(facts, soil_g=None)
        for name, known in (("three photos", bare), ("three photos, grams", facts)):
            for more, reference in (("", None), (", reference", learned)):
                told = replace(known, reference=reference)
                result = weigh(tops, facts=told, rng=np.random.default_rng(7))
                parts = (result.sand_pct, result.silt_pct, result.clay_pct)
                true = 100.0 * truth.fractions
                row = [
                    100.0 * result.fractions.mean(axis=0) - true,
                    100.0 * result.fractions.std(axis=0),
                    [p.lo <= t <= p.hi for p, t in zip(parts, true, strict=True)],
                ]
                found.setdefault(name + more, []).append(np.array(row))
    return {name: np.array(rows) for name, rows in found.items()}


STRESS: dict[str, dict[str, float]] = {
    "loose clumped mud (0.16 g/cm³)": {"clear": 1, "fluff_g_cm3": 0.16, "clumps_at_s": 0.0},
    "clumped mud as dense as kaolin (0.45)": {"clear": 1, "fluff_g_cm3": 0.45},
    "sand's pores full of silt": {"pore_filling": 1.0},
    "nothing in the pores": {"pore_filling": 0.0},
    "heavy load (280 g/L)": {"grams_l": 280.0},
    "light load (45 g/L)": {"grams_l": 45.0},
    "dispersed, cloudy for days": {"clear": 0, "clumped": 0.0},
    "flocs that give way slowly": {"clear": 1, "fresh": 0.6, "gives_way_s": 40000.0},
    "soils from the whole triangle": {"triangle": 1},
}


def rms(cases: list[Case], kind: str) -> float:
    return float(np.sqrt(np.mean([(getattr(c, kind) - c.true) ** 2 for c in cases])))


def covers(cases: list[Case]) -> np.ndarray:
    """Share of the 90 % intervals of sand, silt and clay that hold the truth."""
    return np.mean([(c.low <= c.true) & (c.true <= c.high) for c in cases], axis=0)


def coverage(cases: list[Case]) -> float:
    return float(covers(cases).mean())


def bias(cases: list[Case]) -> np.ndarray:
    return np.mean([c.weight - c.true for c in cases], axis=0)


def brier(cases: list[Case], kind: str) -> float:
    """Sum over the classes of the squared odds error, mean over the jars: 0 best, 2 worst."""
    total = 0.0
    for case in cases:
        odds = getattr(case, f"{kind}_odds")
        hit = odds.get(case.true_class, 0.0)
        total += (1.0 - hit) ** 2 + sum(p**2 for p in odds.values()) - hit**2
    return total / len(cases)


def reliability(cases: list[Case], kind: str) -> list[tuple[float, float, float, int]]:
    """Rows of a reliability table of all class odds: from, mean odds, how often true, count."""
    pairs = np.array(
        [
            (odds, name == case.true_class)
            for case in cases
            for name, odds in getattr(case, f"{kind}_odds").items()
        ]
    )
    rows = []
    edges = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0001)
    for low, high in pairwise(edges):
        inside = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(inside):
            rows.append((low, inside[:, 0].mean(), inside[:, 1].mean(), len(inside)))
    return rows


def right_class(cases: list[Case], kind: str) -> float:
    best = [max(getattr(c, f"{kind}_odds").items(), key=lambda kv: kv[1])[0] for c in cases]
    return float(np.mean([b == c.true_class for b, c in zip(best, cases, strict=True)]))


def only(cases: list[Case], state: str) -> list[Case]:
    return [c for c in cases if c.state == state]


def row_text(name: str, cases: list[Case]) -> str:
    """One row of the table in DEVELOPERS.md."""
    height, weight = rms(cases, "height"), rms(cases, "weight")
    sds = np.sqrt(np.mean([c.sd**2 for c in cases], axis=0))
    said = "/".join(f"{100 * c:.0f}" for c in covers(cases))
    few = np.mean(["few_draws" in c.doubts for c in cases])
    odd = np.mean(["settling_misfit" in c.doubts for c in cases])
    return (
        f"| {name} | {len(cases)} | {height:.1f} | {weight:.1f} | {weight / height:.2f} | "
        f"{100 * coverage(cases):.0f} % ({said}) | {'/'.join(f'{b:+.1f}' for b in bias(cases))} | "
        f"{'/'.join(f'{s:.1f}' for s in sds)} | "
        f"{100 * right_class(cases, 'height'):.0f} → {100 * right_class(cases, 'weight'):.0f} % | "
        f"{brier(cases, 'height'):.2f} → {brier(cases, 'weight'):.2f} | "
        f"{np.quantile([c.effective for c in cases], 0.05):.0f} | {100 * few:.0f} | "
        f"{100 * odd:.0f} |"
    )


HEAD = (
    "| | jars | rms by height | by weight | ratio | covers (sand/silt/clay) | bias | posterior sd "
    "| class right | Brier | draws, 5 % under | few draws, % | misfit, % |\n" + "|---" * 13 + "|"
)


def print_study(count: int) -> None:
    """Print the tables of DEVELOPERS.md."""

    def say(text: str) -> None:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()

    say(HEAD)
    found = study(count, 5, WAYS)
    for name, cases in found.items():
        say(row_text(name, cases))
        for state in ("clear", "hazy", "cloudy"):
            if only(cases, state):
                say(row_text(f"… that ended {state}", only(cases, state)))
    for name in ("three photos", "six photos, grams"):
        say(f"\nReliability, {name}:\n| odds said | mean | came true | cases |\n|---|---|---|---|")
        for low, mean, true, cases_in in reliability(found[name], "weight"):
            say(f"| {low:.1f} | {mean:.2f} | {true:.2f} | {cases_in} |")
    say("\n" + HEAD)
    ways = {k: WAYS[k] for k in ("three photos", "six photos, grams")}
    for name, stress in STRESS.items():
        for way, cases in study(max(count // 3, 4), 11, ways, **stress).items():
            say(row_text(f"{name}: {way}", cases))
    say("\n| a garden's loam | rms sand/silt/clay | posterior sd | covers |\n|---|---|---|---|")
    for name, rows in garden_study(max(count // 5, 4), 13).items():
        rms_sd = ["/".join(f"{v:.1f}" for v in np.sqrt((rows[:, i] ** 2).mean(0))) for i in (0, 1)]
        say(f"| {name} | {rms_sd[0]} | {rms_sd[1]} | {100 * rows[:, 2].mean():.0f} % |")


if __name__ == "__main__":
    print_study(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
