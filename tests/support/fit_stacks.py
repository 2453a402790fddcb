"""Fit the weights by which stacks of layers and water lines are weighed, and say how good they are.

    python -m tests.support.fit_stacks FOLDER... [--out FILE] [--leave-out photos:3,hard-photos:16]

Each folder holds photos and their truth.csv. Jars are read three times (three photos, two, the
last alone), each as it is and with walls that are cut, brightened, blurred and made noisy. The
odds are those of a conditional logit: weights are penalised by their squares, by as much as
predicts jars best that were left out of the fit, eight groups of whole jars in turn.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from jarvision.core.errors import JarError
from jarvision.jar.unwrap import WallMap
from jarvision.jar.wall_features import gather
from jarvision.photo.decode import open_photo
from jarvision.wall import stack_features, water_line
from jarvision.wall.floor import join_floors, seen_floor
from jarvision.wall.layers import coarse_tops
from jarvision.wall.locate import Look, look_at_jar, orient
from jarvision.wall.stacks import hypotheses, view_for

READINGS = ("1min", "2h", "48h")
VARIANTS = 6


@dataclass(frozen=True)
class Example:
    """One choice: what was measured of each candidate, and which of them are right."""

    jar: str
    scorer: str
    variant: int
    table: np.ndarray  # (candidates, features)
    right: np.ndarray  # (candidates,)


def rows_by_jar(folder: Path) -> dict[str, list[dict[str, str]]]:
    jars: dict[str, list[dict[str, str]]] = defaultdict(list)
    with (folder / "truth.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            jars[row["jar"]].append(row)
    return dict(jars)


def looks_of(folder: Path, rows: Sequence[dict[str, str]]) -> dict[str, Look]:
    photos, strips, others = {}, {}, {}
    for row in rows:
        photo, found = orient(open_photo(folder / row["photo"]))
        own = [s for s in found if s.jar == int(row["jar"])] or list(found[:1])
        key = row["reading"]
        photos[key] = photo
        strips[key] = own[0] if own else None
        others[key] = tuple(s for s in found if s is not strips[key])
    try:
        return look_at_jar(photos, strips, others=others)[0]
    except JarError:
        return {}


def varied(wall: WallMap, rng: np.random.Generator, seed: int) -> WallMap:
    """A part of a wall, otherwise lit, blurred, noisy, sharpened, or under a veil of shine."""
    bgr = wall.bgr.astype(np.float32)
    width = int(bgr.shape[1] * rng.uniform(0.6, 0.95))
    first = int((bgr.shape[1] - width) * rng.uniform())
    bgr = bgr[:, first : first + width]
    blur = rng.choice([0.0, 0.6, 1.0])
    if blur:
        bgr = cv2.GaussianBlur(bgr, (0, 0), blur)
    elif rng.uniform() < 0.5:  # as phones do
        smooth = cv2.bilateralFilter(bgr, 5, 15.0, 2.0)
        bgr = smooth + rng.uniform(0.5, 1.2) * (smooth - cv2.GaussianBlur(smooth, (0, 0), 2.0))
        bgr = bgr.clip(0, 255)
    if rng.uniform() < 0.3:
        veil = rng.uniform(0.05, 0.25) * np.linspace(*rng.permutation(2), width)[:, None]
        bgr = bgr * (1 - veil) + 230 * veil
    bgr = 255 * (bgr / 255) ** rng.uniform(0.75, 1.3) * rng.uniform(0.7, 1.15)
    noise = np.random.default_rng(seed).normal(0, rng.uniform(0, 3), bgr.shape)
    return replace(
        wall,
        azimuth=wall.azimuth[first : first + width],
        bgr=np.clip(bgr + noise, 0, 255).astype(np.uint8),
    )


def examples_of(job: tuple[str, str]) -> list[Example]:
    """All examples of one jar."""
    cv2.setNumThreads(1)
    folder, jar = Path(job[0]), job[1]
    rows = rows_by_jar(folder)[jar]
    # without a strip heights are not known well enough to say which edge is right
    looks = {r: look for r, look in looks_of(folder, rows).items() if look.has_strip}
    name = f"{folder.name}:{jar}"
    found = []
    for variant in range(VARIANTS):
        for scorer, readings in (
            ("stack", READINGS),
            ("stack", ("1min", "48h")),
            ("last", ("48h",)),
            ("water", READINGS),
            ("water", ("1min", "2h")),
            ("water", ("1min",)),
            ("water_clear", ("48h",)),
        ):
            if all(r in looks for r in readings):
                example = example_of(name, scorer, variant, rows, {r: looks[r] for r in readings})
                found += [] if example is None else [example]
    return found


def example_of(
    name: str, scorer: str, variant: int, rows: list[dict[str, str]], looks: dict[str, Look]
) -> Example | None:
    seed = [int(name.split(":")[1]), variant]
    walls = {r: look.wall for r, look in looks.items()}
    if variant:
        rngs = {r: np.random.default_rng(seed) for r in walls}
        walls = {r: varied(w, rngs[r], variant) for r, w in walls.items()}
    if min(len(w.azimuth) for w in walls.values()) < 50:
        return None
    photos = [gather(w, settled=READINGS.index(r) + 1) for r, w in walls.items()]
    jars = [look.jar for look in looks.values()]
    ways, _ = coarse_tops(photos)
    last = next(row for row in rows if row["reading"] == "48h")
    truth = np.array([float(last[f"{n}_top_mm"]) for n in ("sand", "silt", "clay")])
    water = float(last["water_mm"])
    if scorer.startswith("water"):
        silt = min(ways[0].silt_mm if len(photos) > 1 else ways[0].sand_mm, truth[1] + 5.0)
        lines = water_line.water_lines(photos, silt)
        if not len(lines.at_mm):
            return None
        off = np.abs(lines.at_mm - water)
        right = off < (2.0 if (off < 2.0).any() else 3.2)
        return Example(name, scorer, variant, water_line.water_features(photos, lines, silt), right)
    view = view_for(photos, jars, water + 0.5, ways[0].silt_mm)
    stacks = hypotheses(view, ways)
    tops = np.array([(s.sand_mm, s.silt_mm, s.clay_mm) for s in stacks])
    tilts = [float(jar.view.elevation_rad(np.array(0.0))) for jar in jars]
    feet = [seen_floor(p, truth[0], t) for p, t in zip(photos, tilts, strict=True)]
    floor = join_floors(feet, has_strip=True)
    off = np.minimum(np.abs(tops - truth), np.abs(tops - truth - floor.z_mm))
    right = (off < (2.3, 2.3, 1.6)).all(axis=1)
    if not right.any():
        right = (off < (2.8, 2.8, 2.6)).all(axis=1)
    return Example(name, scorer, variant, stack_features.features_of([view], [stacks]), right)


def fitted(examples: Sequence[Example], penalty: float) -> np.ndarray:
    """Weights that predict best; each jar counts the same however many variants it has."""
    usable = [e for e in examples if e.right.any()]
    scale = np.concatenate([e.table for e in usable]).std(axis=0) + 1e-6
    counts: dict[str, int] = defaultdict(int)
    for e in usable:
        counts[e.jar] += 1

    def cost(weights: np.ndarray) -> tuple[float, np.ndarray]:
        total, slope = 0.0, np.zeros(len(weights))
        for e in usable:
            score = e.table @ weights
            odds = np.exp(score - score.max())
            chosen = odds * e.right
            total += (np.log(odds.sum()) - np.log(chosen.sum())) / counts[e.jar]
            slope += e.table.T @ (odds / odds.sum() - chosen / chosen.sum()) / counts[e.jar]
        total += 0.5 * penalty * float(((weights * scale) ** 2).sum())
        return total, slope + penalty * weights * scale**2

    start = np.zeros(usable[0].table.shape[1])
    return np.asarray(minimize(cost, start, jac=True, method="L-BFGS-B").x)


def left_out(examples: Sequence[Example], penalty: float, folds: int = 8) -> Iterator[tuple]:
    """Predict each jar by weights that were fitted without it -> (example, scores)."""
    jars = sorted({e.jar for e in examples})
    order = np.random.default_rng(0).permutation(len(jars))
    for fold in range(folds):
        out = {jars[i] for i in order[fold::folds]}
        weights = fitted([e for e in examples if e.jar not in out], penalty)
        for e in examples:
            if e.jar in out and e.variant == 0:
                yield e, e.table @ weights


def figures(predicted: Sequence[tuple], temper: float = 1.0) -> tuple[float, float]:
    """Mean cost of what was right [nats], and share of wrong first choices."""
    cost, wrong = 0.0, 0
    for e, score in predicted:
        odds = np.exp(temper * (score - score.max()))
        cost -= float(np.log(max((odds * e.right).sum() / odds.sum(), 1e-4)))
        wrong += not e.right[int(odds.argmax())]
    return cost / len(predicted), wrong / len(predicted)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--leave-out", default="")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    kept_out = set(filter(None, args.leave_out.split(",")))
    jobs = [(str(f), jar) for f in args.folders for jar in rows_by_jar(f)]
    with ProcessPoolExecutor(args.workers) as pool:
        examples = [e for found in pool.map(examples_of, jobs) for e in found]
    lines = [
        "# Weights of what is measured of stacks of layers and of water lines, in natural log",
        "# units. Written by tests/support/fit_stacks.py; figures are of jars left out of the fit.",
    ]
    for scorer in ("stack", "last", "water", "water_clear"):
        names = stack_features.NAMES if scorer in ("stack", "last") else water_line.NAMES
        own = [e for e in examples if e.scorer == scorer]
        used = [e for e in own if e.jar not in kept_out]
        tried = {p: list(left_out(used, p)) for p in (0.5, 1.0, 2.0)}
        penalty = min(tried, key=lambda p: figures(tried[p])[0])
        temper = min((0.5, 0.6, 0.7, 0.8, 0.9, 1.0), key=lambda t: figures(tried[penalty], t)[0])
        cost, wrong = figures(tried[penalty], temper)
        weights = fitted(used, penalty) * temper
        said = f"{scorer}: {len({e.jar for e in used})} jars, penalty {penalty}, tempered by "
        said += f"{temper}; left out in turn: {cost:.2f} nats, {100 * wrong:.0f} % wrong"
        rest = [(e, e.table @ weights) for e in own if e.jar in kept_out and e.variant == 0]
        if rest:
            cost, wrong = figures(rest)
            said += f"; never used ({len(rest)}): {cost:.2f} nats, {100 * wrong:.0f} % wrong"
        sys.stdout.write(said + "\n")
        lines += ["", f"# {said}", f"[{scorer}]"]
        lines += [f"{n} = {w:.4f}" for n, w in zip(names, weights, strict=True)]
    if args.out:
        args.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
