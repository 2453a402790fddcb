"""Percentages of sand, silt and clay -> USDA texture class, with odds from draws.

Where the limits come from: Soil Science Division Staff, Soil Survey Manual, USDA Agriculture
Handbook 18 (2017), chapter 3; points on a line: Benham, Ahrens and Nettleton, Clarification of Soil
Texture Class Boundaries, USDA-NRCS. The limits of sand, loamy sand, loam, clay loam and clay were
checked against a copy of the Soil Science Society of America's glossary. Those of the other seven,
and which side of a line is meant where the printed definitions leave it open, are from memory; they
are checked by the published example points, by the corner points of the triangle, and because the
twelve leave no gap and no overlap.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array, Mask, Places
from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.texture_standards import classify_by, find_standard

SUM_TOLERANCE_PCT = 0.5
"""How far from 100 the three may add up (rounded to whole percent, three shares can miss by 0.5
each way); within it they are scaled to 100, beyond it they are refused."""


class TextureClass(StrEnum):
    """The 12 USDA texture classes, coarse to fine."""

    SAND = "sand"
    LOAMY_SAND = "loamy sand"
    SANDY_LOAM = "sandy loam"
    LOAM = "loam"
    SILT_LOAM = "silt loam"
    SILT = "silt"
    SANDY_CLAY_LOAM = "sandy clay loam"
    CLAY_LOAM = "clay loam"
    SILTY_CLAY_LOAM = "silty clay loam"
    SANDY_CLAY = "sandy clay"
    SILTY_CLAY = "silty clay"
    CLAY = "clay"


CLASSES: tuple[TextureClass, ...] = tuple(TextureClass)
"""The classes in the order of the indices that `classify_many` returns."""

Corner = tuple[int, int, int]
"""Sand, silt and clay [%] of a corner on the triangle."""

# Corners for drawing: where the limits in `calibration/classes/usda.toml` meet, typed from memory
# of the printed triangle. The tests hold the two together: the fields tile the triangle and agree.
CLASS_POLYGONS: Mapping[TextureClass, tuple[Corner, ...]] = MappingProxyType(
    {
        TextureClass.SAND: ((100, 0, 0), (90, 0, 10), (85, 15, 0)),
        TextureClass.LOAMY_SAND: ((90, 0, 10), (85, 0, 15), (70, 30, 0), (85, 15, 0)),
        TextureClass.SANDY_LOAM: (
            (85, 0, 15),
            (80, 0, 20),
            (52, 28, 20),
            (52, 41, 7),
            (43, 50, 7),
            (50, 50, 0),
            (70, 30, 0),
        ),
        TextureClass.LOAM: ((52, 28, 20), (45, 28, 27), (23, 50, 27), (43, 50, 7), (52, 41, 7)),
        TextureClass.SILT_LOAM: (
            (23, 50, 27),
            (0, 73, 27),
            (0, 88, 12),
            (8, 80, 12),
            (20, 80, 0),
            (50, 50, 0),
        ),
        TextureClass.SILT: ((8, 80, 12), (0, 88, 12), (0, 100, 0), (20, 80, 0)),
        TextureClass.SANDY_CLAY_LOAM: (
            (80, 0, 20),
            (65, 0, 35),
            (45, 20, 35),
            (45, 28, 27),
            (52, 28, 20),
        ),
        TextureClass.CLAY_LOAM: ((45, 15, 40), (20, 40, 40), (20, 53, 27), (45, 28, 27)),
        TextureClass.SILTY_CLAY_LOAM: ((20, 40, 40), (0, 60, 40), (0, 73, 27), (20, 53, 27)),
        TextureClass.SANDY_CLAY: ((65, 0, 35), (45, 0, 55), (45, 20, 35)),
        TextureClass.SILTY_CLAY: ((20, 40, 40), (0, 40, 60), (0, 60, 40)),
        TextureClass.CLAY: ((45, 0, 55), (0, 0, 100), (0, 40, 60), (20, 40, 40), (45, 15, 40)),
    }
)
"""Corners of each class on the triangle, for drawing it; source as of the limits."""


@dataclass(frozen=True, slots=True)
class Texture:
    """Which classes the soil may be in, and how likely each is.

    Attributes
    ----------
    class_odds : tuple of float
        Share of the draws in each class, 0 to 1, in the order of `CLASSES`.
    of_shares : TextureClass or None
        The class of the shares that are printed, which may be another of those that are nearly as
        likely as the likeliest (`jarvision.estimate.central`); it comes first.
    """

    class_odds: tuple[float, ...]
    of_shares: TextureClass | None = None

    @property
    def likeliest(self) -> TextureClass:
        """The class that the soil is called: that of the shares, else the one with most draws."""
        return self.ranked[0]

    @property
    def odds(self) -> float:
        """Share of the draws in the class that the soil is called, 0 to 1."""
        return self.odds_of(self.ranked[0])

    @property
    def next_class(self) -> TextureClass | None:
        """The class with most draws of the others; None when every draw fell in one class."""
        second = self.ranked[1]
        return second if self.odds_of(second) > 0 else None

    @property
    def next_odds(self) -> float:
        """Share of the draws in the next class, 0 to 1; NaN when there is none."""
        share = self.odds_of(self.ranked[1])
        return share if share > 0 else math.nan

    def odds_of(self, texture_class: TextureClass) -> float:
        """Share of the draws in the given class, 0 to 1."""
        return self.class_odds[CLASSES.index(texture_class)]

    @property
    def ranked(self) -> list[TextureClass]:
        """All classes, that of the shares first, then by their draws, the coarser of two level."""
        return sorted(CLASSES, key=lambda each: (each != self.of_shares, -self.odds_of(each)))


def classify(sand_pct: float, silt_pct: float, clay_pct: float) -> TextureClass:
    """Name the USDA texture class of one composition.

    Parameters
    ----------
    sand_pct, silt_pct, clay_pct : float
        Shares [% by mass of the fine earth, under 2 mm]: sand 2 to 0.05 mm, silt 0.05 to
        0.002 mm, clay under 0.002 mm. They may add up to 100 ± 0.5.

    Returns
    -------
    TextureClass
        The one class; a point on a line belongs to the finer side, above or to the right of
        the line on the triangle.

    Raises
    ------
    ValueRefusedError
        A share is missing or negative, or the three do not add up to 100.
    """
    return CLASSES[int(classify_many(np.array([[sand_pct, silt_pct, clay_pct]]))[0])]


def classify_many(pcts: ArrayLike) -> Places:
    """Find the class of many compositions at once, by the rules of `classify`.

    Parameters
    ----------
    pcts : array_like, shape (n, 3)
        Sand, silt and clay [%] in each row.

    Returns
    -------
    ndarray of int, shape (n,)
        Indices into `CLASSES`.

    Raises
    ------
    ValueRefusedError
        A share is missing or negative, or a row does not add up to 100 ± 0.5.
    """
    shares = _checked(np.asarray(pcts, dtype=np.float64))
    return classify_by(find_standard("usda"), shares)


def texture_of(draws: ArrayLike, printed_pct: Sequence[float] | None = None) -> Texture:
    """Count in which classes the draws of a composition fall.

    Parameters
    ----------
    draws : array_like, shape (n, 3)
        Draws of sand, silt and clay [%], n at least 1.
    printed_pct : sequence of 3 floats, optional
        The shares that are printed [%], whose class is named first.

    Returns
    -------
    Texture
        Share of the draws in each class.

    Raises
    ------
    ValueRefusedError
        There are no draws, or one of them is not a composition (see `classify_many`).
    """
    classes = classify_many(draws)
    if classes.size == 0:
        msg = "There is no composition to name; give the percentages of sand, silt and clay."
        raise ValueRefusedError(msg)
    counts = np.bincount(classes, minlength=len(CLASSES))
    of_shares = None if printed_pct is None else classify(*printed_pct)
    return Texture(tuple((counts / classes.size).tolist()), of_shares)


def _checked(pcts: Array) -> Array:
    """Return rows that add up to 100, or say which row cannot be used and why."""
    if pcts.ndim != 2 or pcts.shape[1] != 3:
        msg = f"a composition is a row of sand, silt, clay: expected shape (n, 3), got {pcts.shape}"
        raise ValueError(msg)
    with np.errstate(invalid="ignore", over="ignore"):
        sand, silt, clay = pcts.T  # sums and least ones over three are slow
        totals: Array = sand + silt + clay
    _refuse(~np.isfinite(totals), pcts, _MISSING)
    _refuse(np.minimum(np.minimum(sand, silt), clay) < 0, pcts, _NEGATIVE)
    _refuse(np.abs(totals - 100) > SUM_TOLERANCE_PCT + 1e-9, pcts, _WRONG_SUM)
    scaled: Array = pcts * (100 / totals)[:, np.newaxis]
    return scaled


_MISSING = (
    "Sand {sand:g}, silt {silt:g}, clay {clay:g}: one of them is not a number; "
    "give all three percentages."
)
_NEGATIVE = (
    "Sand {sand:g}, silt {silt:g}, clay {clay:g}: a share cannot be below zero; "
    "check the three percentages."
)
_WRONG_SUM = (
    "Sand {sand:g}, silt {silt:g} and clay {clay:g} add up to {total:.4g}, not 100; "
    "check the three percentages."
)


def _refuse(bad: Mask, pcts: Array, sentence: str) -> None:
    """Raise the sentence about the first bad row, if there is one."""
    if not bad.any():
        return
    row = int(np.argmax(bad))
    sand, silt, clay = pcts[row].tolist()
    place = f"Row {row + 1}: " if len(pcts) > 1 else ""
    total = sand + silt + clay
    raise ValueRefusedError(place + sentence.format(sand=sand, silt=silt, clay=clay, total=total))
