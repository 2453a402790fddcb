"""What `read --classes` adds: the classes of other countries, printed, as a table and drawn."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from jarvision.cli.console import say

if TYPE_CHECKING:
    from jarvision.estimate.texture_standards import Standard

CLASSES_TABLE = "classes.csv"
_SVG_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<!-- drawn by jarvision -->'


def standards_named(names: Sequence[str]) -> tuple[Standard, ...]:
    """Look up the standards of ``--classes``; several stand in one word, parted by commas.

    Raises
    ------
    UsageError
        One of them is not known.
    """
    from jarvision.estimate.texture_standards import find_standard

    asked = [part for name in names for part in name.replace(",", " ").split()]
    return tuple(dict.fromkeys(find_standard(name) for name in asked))


def say_classes(out: Path, jars: Collection[str], standards: Sequence[Standard]) -> None:
    """Print the classes of the jars of a run, and write them as a table and as drawings.

    Parameters
    ----------
    out : Path
        Folder with the jars' results.
    jars : collection of str
        Names of the run's jars; others in the folder are left alone.
    standards : sequence of Standard

    Raises
    ------
    WriteError
        A file could not be written.
    """
    from jarvision.core.files import safe_name, shown
    from jarvision.core.own_files import write_result
    from jarvision.pages.triangle import Mark
    from jarvision.pages.triangle_classes import class_triangle
    from jarvision.results.jar_folder import read_jar_folder
    from jarvision.results.other_classes import classes_csv, classes_text, fractions_of, in_standard

    rows = []
    for jar in read_jar_folder(out).jars:
        if jar.jar not in jars or jar.by_height is None:
            continue
        name = shown(jar.jar)
        if jar.by_weight is None:
            say(f"Jar {name}: other standards are by weight, and this jar has no weights.")
            continue
        draws = jar.by_weight.shares.draws_pct
        sand = jar.sand.parts.measured if jar.sand else None
        found = [in_standard(draws, standard, sand=sand) for standard in standards]
        say(f"Jar {name}\n{classes_text(found, fractions_of(draws, sand=sand))}")
        rows.append((jar.jar, found))
        for each in found:
            mark = Mark(name, each.pcts, each.draws_pct, by_weight=True)
            drawn = class_triangle(f"classes-{each.standard.key}", each.standard, [mark])
            target = out / f"triangle-{safe_name(jar.stem)}-{each.standard.key}.svg"
            write_result(target, f"{_SVG_HEAD}\n{drawn}\n")
    write_result(out / CLASSES_TABLE, classes_csv(rows))
    if rows:
        say(f"They are in {CLASSES_TABLE} too, and drawn in triangle-*.svg.")
