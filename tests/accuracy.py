"""Read every photo of a folder that has a truth.csv, and print how far off the readings are.

    python tests/accuracy.py FOLDER

The folder's `truth.csv` has a row a photo: photo, jar, reading, top_mm (the boundary that the photo
is for) and sand_top_mm, silt_top_mm, clay_top_mm. The last line gives the figures in short.
"""

from __future__ import annotations

import csv
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from jarvision.estimate.reading import ORDER, JarReading
from jarvision.estimate.texture import classify
from jarvision.run.batch import Outcome, Settings, read_photos

LAYERS = ("sand", "silt", "clay")


def truth_of(folder: Path) -> dict[str, dict[str, dict[str, str]]]:
    """Rows of truth.csv by jar and reading."""
    jars: dict[str, dict[str, dict[str, str]]] = defaultdict(dict)
    with (folder / "truth.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            jars[row["jar"]][row["reading"]] = row
    return dict(jars)


def true_tops(rows: dict[str, dict[str, str]]) -> np.ndarray:
    """Top of each layer in its own photo [mm], or where it stood in the last one."""
    last = rows.get("48h") or list(rows.values())[-1]
    return np.array(
        [
            float(rows[r]["top_mm"]) if r in rows else float(last[f"{layer}_top_mm"])
            for r, layer in zip(("1min", "2h", "48h"), LAYERS, strict=True)
        ]
    )


def find_outcome(outcomes: tuple[Outcome, ...], rows: dict[str, dict[str, str]]) -> Outcome | None:
    """The outcome that read these photos."""
    names = {row["photo"] for row in rows.values()}
    for outcome in outcomes:
        if names & {t.name for t in outcome.photos.timed}:
            return outcome
    return None


class Tally:
    """Errors and claims, gathered jar by jar."""

    def __init__(self) -> None:
        self.mm: list[tuple[float, float, bool]] = []
        self.points: list[tuple[float, float]] = []
        self.classes: list[tuple[bool, bool]] = []
        self.unread = 0

    def add(self, jar: str, reading: JarReading, rows: dict[str, dict[str, str]]) -> None:
        truth = true_tops(rows)
        shares = np.diff(np.concatenate([[0.0], truth])) / truth[2] * 100
        c = reading.composition
        read = (c.sand_pct, c.silt_pct, c.clay_pct)
        doubted = bool(reading.doubts)
        for i, layer in enumerate(LAYERS):
            top = reading.tops[i]
            mm = f"{truth[i]:7.2f} {'':>15}"
            if reading.scaled:
                self.mm.append((top.value - truth[i], top.sd, doubted))
                mm = (
                    f"{truth[i]:7.2f} {top.value:7.2f} {top.value - truth[i]:+7.2f} ± {top.sd:4.2f}"
                )
            off = read[i].value - shares[i]
            self.points.append((off, read[i].sd))
            own = "own photo" if str(ORDER[i]) in rows else "later photo"
            print(
                f"{jar:>4} {layer:5} {own:11} {mm:31}  {shares[i]:5.1f} {read[i].value:5.1f} "
                f"{off:+5.1f} ± {read[i].sd:4.1f}"
            )
        true_class = classify(*shares)
        texture = reading.texture
        self.classes.append((texture.likeliest == true_class, texture.next_class == true_class))
        print(
            f"{jar:>4} class {true_class!s:16} read {texture.likeliest!s:16} "
            f"({texture.odds:.2f}), next {texture.next_class!s:16} "
            f"doubts: {';'.join(d.name for d in reading.doubts) or '-'}"
        )

    def figures(self) -> str:
        """One line of figures."""
        parts = [f"jars {len(self.classes)} read, {self.unread} not"]
        if self.mm:
            off, sd, doubted = np.array(self.mm).T
            silent = int(((np.abs(off) > 2) & (doubted == 0)).sum())
            parts.append(
                f"mm: median {np.median(np.abs(off)):.2f}, "
                f"90 % {np.percentile(np.abs(off), 90):.2f}, "
                f"worst {np.abs(off).max():.2f}, over 2 mm without a doubt {silent}, "
                f"rms of error/sd {np.sqrt(np.mean((off / sd) ** 2)):.2f}, "
                f"95 % covers {100 * np.mean(np.abs(off) < 1.96 * sd):.0f} %"
            )
        if self.points:
            off, sd = np.array(self.points).T
            parts.append(
                f"points: median {np.median(np.abs(off)):.2f}, "
                f"90 % {np.percentile(np.abs(off), 90):.2f}, worst {np.abs(off).max():.2f}, "
                f"rms of error/sd {np.sqrt(np.mean((off / sd) ** 2)):.2f}, "
                f"95 % covers {100 * np.mean(np.abs(off) < 1.96 * sd):.0f} %"
            )
        if self.classes:
            right = sum(r for r, _ in self.classes)
            near = sum(n for r, n in self.classes if not r)
            parts.append(f"class {right} of {len(self.classes)}, next {near}")
        return "; ".join(parts)


def measure(folder: Path) -> Tally:
    """Read a folder and tally its errors, printing a table on the way."""
    jars = truth_of(folder)
    photos = [folder / row["photo"] for rows in jars.values() for row in rows.values()]
    batch = read_photos(photos, Settings())
    tally = Tally()
    print(" jar layer read in        true mm  read mm   error ± sd      true %  read  error ± sd")
    for jar, rows in sorted(jars.items(), key=lambda item: int(item[0])):
        outcome = find_outcome(batch.outcomes, rows)
        if outcome is None or not isinstance(outcome.result, JarReading):
            tally.unread += 1
            why = "no outcome" if outcome is None else str(outcome.result.error)
            print(f"{jar:>4} not read: {why}")
            continue
        tally.add(jar, outcome.result, rows)
    print(tally.figures())
    return tally


if __name__ == "__main__":
    if len(sys.argv) != 2 or not (Path(sys.argv[1]) / "truth.csv").is_file():
        print("usage: python tests/accuracy.py FOLDER  (a folder of photos with its truth.csv)")
        sys.exit(2)
    measure(Path(sys.argv[1]))
