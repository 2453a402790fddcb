"""Read every photo of a folder that has a truth.csv, and print how far off the readings are.

    python tests/accuracy.py FOLDER [--last-photo-only] [--only 1,2] [--leave-out 3,6]

The folder's `truth.csv` has a row for each jar in each photo: photo, jar, reading, top_mm (the
boundary that the photo is for) and sand_top_mm, silt_top_mm, clay_top_mm; where it has them also
kind, strip, water_mm, and floor_y_px and top_y_px, by which the scale is checked. A jar's name is
the number on its strip. The figures come for each kind and, in the last line, for all jars.
"""

from __future__ import annotations

import csv
import sys
from argparse import ArgumentParser
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import numpy as np

from jarvision.core.errors import JarError
from jarvision.estimate.reading import JarReading
from jarvision.estimate.texture import classify
from jarvision.photo.decode import probe_photo
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Outcome
from jarvision.run.settings import Settings
from jarvision.wall.measurement import ORDER

LAYERS = ("sand", "silt", "clay")
WRONG_MM = 2.0

Rows: TypeAlias = dict[str, dict[str, str]]
"""A jar's rows of truth.csv by reading."""


def truth_of(
    folder: Path,
    *,
    only: Collection[str] = (),
    leave_out: Collection[str] = (),
    last_photo_only: bool = False,
) -> dict[str, Rows]:
    """Rows of truth.csv by jar and reading."""
    jars: dict[str, Rows] = defaultdict(dict)
    with (folder / "truth.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["jar"] not in leave_out and (not only or row["jar"] in only):
                jars[row["jar"]][row["reading"]] = row
    if last_photo_only:
        return {jar: dict([list(rows.items())[-1]]) for jar, rows in jars.items()}
    return dict(jars)


def true_tops(rows: Rows) -> np.ndarray:
    """Top of each layer in its own photo [mm], or where it stood in the last one."""
    last = _last(rows)
    return np.array(
        [
            float(rows[r]["top_mm"]) if r in rows else float(last[f"{layer}_top_mm"])
            for r, layer in zip(("1min", "2h", "48h"), LAYERS, strict=True)
        ]
    )


def _last(rows: Rows) -> dict[str, str]:
    return rows.get("48h") or list(rows.values())[-1]


def find_outcome(
    outcomes: Iterable[Outcome], rows: Rows, *, shared: Collection[str] = ()
) -> Outcome | None:
    """Find what became of a jar's photos.

    Parameters
    ----------
    outcomes : iterable of Outcome
        What became of all photos.
    rows : mapping
        The jar's rows of truth.csv.
    shared : collection of str
        Photos that show several jars: there the strip's number must be the jar's.

    Returns
    -------
    Outcome or None
        The one that used most of its photos; one by its strip's number goes first.
    """
    names = {row["photo"] for row in rows.values()}
    number = _last(rows)["jar"]

    def rank(outcome: Outcome) -> tuple[bool, int]:
        own = str(outcome.photos.number) == number
        if not own and names & set(shared):
            return False, 0
        return own, len(names & {t.name for t in outcome.photos.timed})

    best = max(outcomes, key=rank, default=None)
    return best if best is not None and rank(best)[1] else None


def scale_error(reading: JarReading, rows: Rows, folder: Path) -> float:
    """Relative error of the scale at the front of the jar; NaN where it cannot be told.

    Truth gives the floor and the boundary on the outside of the glass, where nothing refracts.
    """
    errors = []
    for photo in reading.photos:
        row = rows.get(str(photo.reading), {})
        if not reading.scaled or not row.get("top_y_px"):
            continue
        try:
            shrunk = probe_photo(folder / row["photo"]).long_px / max(photo.look.size_px)
        except JarError:
            continue
        z = np.linspace(-20.0, 160.0, 361)
        y = photo.look.jar.view.front_px(z)[:, 1] * shrunk
        low, high = np.interp([-float(row["floor_y_px"]), -float(row["top_y_px"])], -y, z)
        errors.append((high - low) / float(row["top_mm"]) - 1)
    return float(np.median(errors)) if errors else np.nan


@dataclass(frozen=True)
class JarResult:
    """How far off one jar's reading is; empty lists where it was not read.

    Attributes
    ----------
    mm, points : list of (float, float)
        Errors and sds of the boundaries [mm], where there is a scale, and of the shares [points].
    places : tuple of bool
        Whether the likeliest class is the true one, and the next one.
    wrong : bool
        A line is more than `WRONG_MM` off, or a share by as much of the deposit.
    doubted : bool
        The reading carries a doubt.
    scale_off : float
        Relative error of the scale.
    has_scale : bool
        Heights are in millimetres.
    water_off : float
        Error of the water line [mm].
    """

    kind: str
    mm: list[tuple[float, float]] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)
    places: tuple[bool, bool] = (False, False)
    wrong: bool = True
    doubted: bool = False
    scale_off: float = np.nan
    has_scale: bool = False
    water_off: float = np.nan

    @property
    def is_read(self) -> bool:
        return bool(self.points)


class Tally:
    """Errors and claims, gathered jar by jar."""

    def __init__(self, results: Sequence[JarResult] = ()) -> None:
        self.results = list(results)

    @property
    def mm(self) -> list[tuple[float, float, bool]]:
        """Errors and sds of all boundaries [mm], and whether the jar is doubted."""
        return [(off, sd, r.doubted) for r in self.results for off, sd in r.mm]

    @property
    def points(self) -> list[tuple[float, float]]:
        """Errors and sds of all shares [points]."""
        return [p for r in self.results for p in r.points]

    @property
    def classes(self) -> list[tuple[bool, bool]]:
        """Of each jar that was read: likeliest class right, next class right."""
        return [r.places for r in self.results if r.is_read]

    @property
    def unread(self) -> int:
        """How many jars were not read."""
        return sum(not r.is_read for r in self.results)

    def kinds(self) -> dict[str, Tally]:
        """Give a tally of each kind of photo."""
        found: dict[str, Tally] = defaultdict(Tally)
        for result in self.results:
            found[result.kind].results.append(result)
        return dict(found)

    def row(self, kind: str) -> str:
        """Figures of a kind as a row of a table, see `HEADER`."""
        jars = len(self.results)
        wrong = sum(r.wrong for r in self.results)
        right = sum(r for r, _ in self.classes)
        two = sum(r or n for r, n in self.classes)
        sizes = [abs(off) for off, *_ in self.mm]
        claims = np.array([off / sd for off, sd, _ in self.mm] or [np.nan])
        cells = [
            f"{jars:4d}",
            f"{self.unread:6d}",
            f"{wrong:5d} {100 * wrong / jars:3.0f} %",
            f"{right:5d} {two:3d}",
            f"{np.median(sizes or [np.nan]):6.2f} {np.percentile(sizes or [np.nan], 90):6.2f}",
            f"{np.sqrt(np.mean(claims**2)):5.2f}",
            f"{100 * np.mean(np.abs(claims) < 1.96):4.0f} %" if sizes else "      ",
            f"{np.abs(claims).max():5.1f}",
            f"{self.silent:6d}",
        ]
        return f"{kind:12} " + "  ".join(cells)

    @property
    def silent(self) -> int:
        """How many boundaries are over 2 mm off in a reading without a doubt."""
        return sum(abs(off) > WRONG_MM and not doubted for off, _, doubted in self.mm)

    def figures(self) -> str:
        """One line of figures."""
        wrong = sum(r.wrong for r in self.results)
        parts = [
            f"jars {len(self.classes)} read, {self.unread} not, "
            f"{wrong} with a wrong line or unread ({100 * wrong / max(len(self.results), 1):.0f} %)"
        ]
        if self.mm:
            parts.append(f"mm: {_spread(self.mm)}, over 2 mm without a doubt {self.silent}")
        if self.points:
            parts.append(f"points: {_spread(self.points)}")
        if self.classes:
            right = sum(r for r, _ in self.classes)
            near = sum(n for r, n in self.classes if not r)
            parts.append(f"class {right} of {len(self.classes)}, next {near}")
        rulers = [r for r in self.results if r.kind == "ruler"]
        if rulers:
            off = [100 * abs(r.scale_off) for r in rulers if r.has_scale]
            worst = f", scale off by up to {max(off):.1f} %" if off else ""
            parts.append(f"rulers: {len(off)} of {len(rulers)} jars scaled{worst}")
        water = np.abs([r.water_off for r in self.results if not np.isnan(r.water_off)])
        if len(water):
            parts.append(
                f"water line: median {np.median(water):.1f} mm, over {WRONG_MM:.0f} mm off in "
                f"{int((water > WRONG_MM).sum())} of {len(water)} jars that tell it"
            )
        return "; ".join(parts)


HEADER = (
    f"{'kind':12} jars  unread  wrong or not  class, +next  median 90 % mm  rms e/sd  95 %  "
    "max e/sd  undoubted"
)


def _spread(values: Sequence[tuple[float, ...]]) -> str:
    off, sd = np.array([v[:2] for v in values]).T
    return (
        f"median {np.median(np.abs(off)):.2f}, 90 % {np.percentile(np.abs(off), 90):.2f}, "
        f"worst {np.abs(off).max():.2f}, rms of error/sd {np.sqrt(np.mean((off / sd) ** 2)):.2f}, "
        f"largest {np.abs(off / sd).max():.1f}, "
        f"95 % covers {100 * np.mean(np.abs(off) < 1.96 * sd):.0f} %"
    )


def result_of(jar: str, reading: JarReading, rows: Rows, folder: Path) -> JarResult:
    """Hold a reading against the truth, printing the jar's lines on the way."""
    truth = true_tops(rows)
    shares = np.diff(np.concatenate([[0.0], truth])) / truth[2] * 100
    c, last = reading.composition, _last(rows)
    read = (c.sand_pct, c.silt_pct, c.clay_pct)
    off_points = [r.value - s for r, s in zip(read, shares, strict=True)]
    off_mm = [t.value - h for t, h in zip(reading.tops, truth, strict=True)]
    for i, layer in enumerate(LAYERS):
        top = reading.tops[i]
        mm = f"{truth[i]:7.2f} {'':>15}"
        if reading.scaled:
            mm = f"{truth[i]:7.2f} {top.value:7.2f} {off_mm[i]:+7.2f} ± {top.sd:4.2f}"
        own = "own photo" if str(ORDER[i]) in rows else "later photo"
        print(
            f"{jar:>4} {layer:5} {own:11} {mm:31}  {shares[i]:5.1f} {read[i].value:5.1f} "
            f"{off_points[i]:+5.1f} ± {read[i].sd:4.1f}"
        )
    true_class, texture = classify(*shares), reading.texture
    scale_off = scale_error(reading, rows, folder)
    water_off = reading.water_mm - float(last.get("water_mm") or "nan")
    print(
        f"{jar:>4} class {true_class!s:16} read {texture.likeliest!s:16} "
        f"({texture.odds:.2f}), next {texture.next_class!s:16} "
        f"doubts: {';'.join(d.name for d in reading.doubts) or '-'}"
        + ("" if np.isnan(scale_off) else f"; scale {100 * scale_off:+.2f} %")
        + (f"; water {water_off:+.1f} mm" if reading.scaled and not np.isnan(water_off) else "")
    )
    off = off_mm if reading.scaled else [p / 100 * truth[2] for p in off_points]
    return JarResult(
        kind=last.get("kind") or "-",
        mm=[(e, t.sd) for e, t in zip(off_mm, reading.tops, strict=True) if reading.scaled],
        points=[(e, r.sd) for e, r in zip(off_points, read, strict=True)],
        places=(texture.likeliest == true_class, texture.next_class == true_class),
        wrong=max(map(abs, off)) > WRONG_MM,
        doubted=bool(reading.doubts),
        scale_off=scale_off,
        has_scale=reading.scaled,
        water_off=water_off if reading.scaled else np.nan,
    )


def measure(folder: Path, truth: Mapping[str, Rows] | None = None) -> Tally:
    """Read a folder and tally its errors, printing a table on the way."""
    jars = truth_of(folder) if truth is None else truth
    users: dict[str, list[str]] = defaultdict(list)
    for jar, rows in jars.items():
        for row in rows.values():
            users[row["photo"]].append(jar)
    shared = {photo for photo, its in users.items() if len(its) > 1}
    batch = read_photos([folder / photo for photo in users], Settings())
    tally = Tally()
    print(" jar layer read in        true mm  read mm   error ± sd      true %  read  error ± sd")
    for jar, rows in sorted(jars.items(), key=lambda item: int(item[0])):
        outcome = find_outcome(batch.outcomes, rows, shared=shared)
        if outcome is None or outcome.reading is None:
            tally.results.append(JarResult(_last(rows).get("kind") or "-"))
            why = "no outcome" if outcome is None else str(outcome.error)
            print(f"{jar:>4} not read: {why}")
            continue
        tally.results.append(result_of(jar, outcome.reading, rows, folder))
    kinds = tally.kinds()
    print(HEADER)
    for kind in sorted(kinds) if len(kinds) > 1 else ():
        print(kinds[kind].row(kind))
    print(tally.row("all"))
    print(tally.figures())
    return tally


def _numbers(text: str) -> frozenset[str]:
    return frozenset(part.strip() for part in text.split(",") if part.strip())


def main(arguments: Sequence[str]) -> int:
    """Measure what the command line names."""
    parser = ArgumentParser(description="Hold readings against a folder's truth.csv.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--last-photo-only", action="store_true")
    parser.add_argument("--only", type=_numbers, default=frozenset(), metavar="JARS")
    parser.add_argument("--leave-out", type=_numbers, default=frozenset(), metavar="JARS")
    chosen = parser.parse_args(arguments)
    if not (chosen.folder / "truth.csv").is_file():
        parser.error("name a folder of photos with its truth.csv")
    truth = truth_of(
        chosen.folder,
        only=chosen.only,
        leave_out=chosen.leave_out,
        last_photo_only=chosen.last_photo_only,
    )
    if not truth:
        parser.error("no jar is left to be read")
    measure(chosen.folder, truth)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
