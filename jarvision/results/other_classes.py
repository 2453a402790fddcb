"""A soil in the texture classes and fractions of other countries, from its draws by weight."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.ranges import odds_in_words
from jarvision.core.tables import odds_cell, safe_cell, table_csv
from jarvision.estimate.central import central_pct
from jarvision.estimate.grain_curve import MeasuredSand, finer_pct, shares_at
from jarvision.estimate.texture_standards import FRACTIONS, Standard, class_odds, classify_by
from jarvision.wall.measurement import LAYERS

_SEED = 0  # the same draws give the same words, whichever jars stand beside them


@dataclass(frozen=True, slots=True, eq=False)
class InStandard:
    """A soil in one standard.

    Attributes
    ----------
    standard : Standard
    draws_pct : ndarray, shape (n, 3)
        Draws of sand, silt and clay at the standard's own limit of silt [%].
    pcts : tuple of 3 floats
        The composition to print [%]; it is of the class that is named.
    ranges_pct : tuple of 3 (float, float)
        90 % interval of each [%].
    texture_class, next_class : str
        The class of the shares, which is a likely one, and the likeliest of the others, empty
        where every draw is in one class.
    odds, next_odds : float
        How likely each is, 0 to 1; NaN where there is no next.
    """

    standard: Standard
    draws_pct: Array
    pcts: tuple[float, float, float]
    ranges_pct: tuple[tuple[float, float], ...]
    texture_class: str
    odds: float
    next_class: str
    next_odds: float


def in_standard(
    draws_pct: ArrayLike, standard: Standard, *, sand: MeasuredSand | None = None
) -> InStandard:
    """Put a soil into a standard's classes.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Draws by weight of sand, silt and clay [%], silt from 2 to 50 µm, n at least 1.
    standard : Standard
    sand : MeasuredSand or None
        The sand's sizes, where a photo of its grains tells them.
    """
    rng = np.random.default_rng(_SEED)
    draws = shares_at(draws_pct, standard.silt_to_um, rng=rng, sand=sand)
    found = class_odds(standard, draws)
    printed = central_pct(draws, classify=lambda pcts: classify_by(standard, pcts))
    pcts = printed.tolist()
    best = int(classify_by(standard, printed[np.newaxis])[0])
    others = [each for each in found.ranked if each != best]
    second = others[0] if others else None
    return InStandard(
        standard,
        draws,
        (pcts[0], pcts[1], pcts[2]),
        tuple(_range(column) for column in draws.T),
        _full_name(standard, best),
        found.odds[best],
        "" if second is None else _full_name(standard, second),
        math.nan if second is None else found.odds[second],
    )


def _full_name(standard: Standard, index: int) -> str:
    each = standard.classes[index]
    return f"{each.name} ({each.short})" if each.short else each.name


def _range(values: Array) -> tuple[float, float]:
    low, high = np.quantile(values, (0.05, 0.95)).tolist()
    return low, high


@dataclass(frozen=True, slots=True)
class Fraction:
    """A fraction of the fine earth between two sizes.

    Attributes
    ----------
    system, name : str
    pct, low_pct, high_pct : float
        Mean of the draws and their 90 % interval [%].
    """

    system: str
    name: str
    pct: float
    low_pct: float
    high_pct: float


def fractions_of(draws_pct: ArrayLike, *, sand: MeasuredSand | None = None) -> tuple[Fraction, ...]:
    """Split a soil into the fractions of WRB and of the International system.

    Parameters
    ----------
    draws_pct, sand
        As in `in_standard`.
    """
    limits = sorted({to for parts in FRACTIONS.values() for _, _, to in parts})
    finer = finer_pct(draws_pct, limits, rng=np.random.default_rng(_SEED), sand=sand)
    below = {0.0: np.zeros(len(finer)), **dict(zip(map(float, limits), finer.T, strict=True))}
    found = []
    for system, parts in FRACTIONS.items():
        for name, low, high in parts:
            share = below[float(high)] - below[float(low)]
            found.append(Fraction(system, name, float(share.mean()), *_range(share)))
    return tuple(found)


_WIDTH = 78


def classes_text(soil: Sequence[InStandard], fractions: Sequence[Fraction]) -> str:
    """Say a jar's classes and fractions in lines for a terminal, indented as on a card."""
    lines = ["  By weight, in other standards (90 % ranges):"]
    for each in soil:
        then = f"; next: {each.next_class} ({odds_in_words(each.next_odds)})"
        shares = zip(LAYERS, each.pcts, each.ranges_pct, strict=True)
        listed = ", ".join(_share_text(layer, pct, ends) for layer, pct, ends in shares)
        lines += _item(
            f"{each.standard.title}: {each.texture_class} ({odds_in_words(each.odds)})"
            f"{then if each.next_class else ''}; silt to {each.standard.silt_to_um:g} µm: "
            f"{listed} %"
        )
    for system in dict.fromkeys(part.system for part in fractions):
        parts = (part for part in fractions if part.system == system)
        listed = ", ".join(_share_text(p.name, p.pct, (p.low_pct, p.high_pct)) for p in parts)
        lines += _item(f"{system}: {listed} %")
    return "\n".join(lines) + "\n"


def _share_text(name: str, pct: float, ends: tuple[float, float]) -> str:
    return f"{name} {pct:.0f} ({ends[0]:.0f} to {ends[1]:.0f})"


def _item(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="  - ", subsequent_indent="    ")


_HEAD = (
    "jar",
    "standard",
    "silt_to_um",
    *(f"{layer}_wt_pct{end}" for layer in LAYERS for end in ("", "_lo", "_hi")),
    "texture_class",
    "class_odds",
    "next_class",
    "next_odds",
)


def classes_csv(jars: Sequence[tuple[str, Sequence[InStandard]]]) -> str:
    """Write jars' classes as CSV, a row for each jar and standard."""
    return table_csv(_HEAD, [_cells(jar, each) for jar, found in jars for each in found])


def _cells(jar: str, each: InStandard) -> list[str]:
    shares = [
        f"{value:.1f}"
        for pct, ends in zip(each.pcts, each.ranges_pct, strict=True)
        for value in (pct, *ends)
    ]
    return [
        safe_cell(jar),
        each.standard.key,
        f"{each.standard.silt_to_um:g}",
        *shares,
        each.texture_class,
        odds_cell(each.odds),
        each.next_class,
        odds_cell(each.next_odds),
    ]
