"""The classes of sands, loamy sands and sandy loams by their own sand: coarse, fine, very fine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array, Mask, Places
from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.texture import CLASSES, TextureClass, classify_many

SAND_CLASS_SOURCE = (
    "Soil Science Division Staff, Soil Survey Manual, USDA Agriculture Handbook 18 (2017), "
    "chapter 3, definitions of the soil texture classes"
)
"""Where the definitions come from.

Those of the sands and loamy sands were read in a copy of the Soil Science Society of America's
glossary, those of fine and very fine sandy loam as the Montana Department of Environmental Quality
prints the manual's (Circular DEQ-4, 2013); those of coarse sandy loam and sandy loam are from
memory. Where two of them hold (very fine sand from 30 %, with 15 to 30 % of medium sand and
coarser), the part of which there is more names the soil; ours. All percentages are of the fine
earth.
"""


class SandClass(StrEnum):
    """What sands, loamy sands and sandy loams are called by their own sand."""

    COARSE_SAND = "coarse sand"
    SAND = "sand"
    FINE_SAND = "fine sand"
    VERY_FINE_SAND = "very fine sand"
    LOAMY_COARSE_SAND = "loamy coarse sand"
    LOAMY_SAND = "loamy sand"
    LOAMY_FINE_SAND = "loamy fine sand"
    LOAMY_VERY_FINE_SAND = "loamy very fine sand"
    COARSE_SANDY_LOAM = "coarse sandy loam"
    SANDY_LOAM = "sandy loam"
    FINE_SANDY_LOAM = "fine sandy loam"
    VERY_FINE_SANDY_LOAM = "very fine sandy loam"


SAND_CLASSES: tuple[SandClass, ...] = tuple(SandClass)

PARENTS: Mapping[TextureClass, tuple[SandClass, ...]] = {
    TextureClass.SAND: SAND_CLASSES[:4],
    TextureClass.LOAMY_SAND: SAND_CLASSES[4:8],
    TextureClass.SANDY_LOAM: SAND_CLASSES[8:],
}
"""The texture classes that are parted, each into coarse, plain, fine and very fine."""

_COARSE, _PLAIN, _FINE, _VERY_FINE = range(4)

NAMED_FROM = 2 / 3
"""A soil is called by its sand where that is right 2 times in 3, given its texture class: the
odds at which one class alone is named in a headline. Else the plain class says all that is known.
"""


def sand_class_many(pcts: ArrayLike, sand_pcts: ArrayLike) -> Places:
    """Find the class of many soils by their sand.

    Parameters
    ----------
    pcts : array_like, shape (n, 3)
        Sand, silt and clay [%] in each row.
    sand_pcts : array_like, shape (n, 5)
        Very coarse, coarse, medium, fine and very fine sand [% of the fine earth], which add up to
        the sand.

    Returns
    -------
    ndarray of int, shape (n,)
        Indices into `SAND_CLASSES`; -1 for soils that are no sand, loamy sand or sandy loam.

    Raises
    ------
    ValueRefusedError
        A row is not a composition, or the parts do not add up to its sand within 0.5.
    """
    shares, parts = np.asarray(pcts, dtype=np.float64), np.asarray(sand_pcts, dtype=np.float64)
    parent = classify_many(shares)
    if not (np.abs(parts.sum(axis=1) - shares[:, 0]) <= 0.5).all() or parts.min(initial=0) < 0:
        msg = "The parts of the sand must be percentages of the soil that add up to its sand."
        raise ValueRefusedError(msg)
    found = np.full(len(shares), -1, dtype=np.intp)
    grades = {
        TextureClass.SAND: _of_sands(parts),
        TextureClass.LOAMY_SAND: _of_sands(parts),
        TextureClass.SANDY_LOAM: _of_sandy_loams(parts),
    }
    for first, (name, grade) in enumerate(grades.items()):
        inside = parent == CLASSES.index(name)
        found[inside] = 4 * first + grade[inside]
    return found


def _of_sands(parts: Array) -> Places:
    """Coarse to very fine for sands and loamy sands, 0 to 3."""
    coarse = parts[:, 0] + parts[:, 1]
    medium, fine, very_fine = parts[:, 2:].T
    rules: list[tuple[Mask, ArrayLike]] = [
        (very_fine >= 50, _VERY_FINE),
        (fine >= 50, _FINE),
        ((coarse >= 25) & (medium >= 50), _PLAIN),
        (coarse >= 25, _COARSE),
        (coarse + medium >= 25, _PLAIN),
    ]
    return _first_that_holds(rules, _FINE)


def _of_sandy_loams(parts: Array) -> Places:
    """Coarse to very fine for sandy loams, 0 to 3."""
    coarse = parts[:, 0] + parts[:, 1]
    medium, fine, very_fine = parts[:, 2:].T
    to_medium, finer = coarse + medium, fine + very_fine
    of_fines = np.where(very_fine > fine, _VERY_FINE, _FINE)
    rules: list[tuple[Mask, ArrayLike]] = [
        # With a quarter or more of coarse sand, any other part of half the soil rules.
        ((coarse >= 25) & (medium >= 50), _PLAIN),
        ((coarse >= 25) & (fine >= 50), _FINE),
        ((coarse >= 25) & (very_fine >= 50), _VERY_FINE),
        (coarse >= 25, _COARSE),
        ((to_medium >= 30) & (very_fine >= 50), _VERY_FINE),
        ((to_medium >= 30) & (very_fine >= 30), _COARSE),
        ((to_medium >= 30) & (fine >= 30), _FINE),
        (to_medium >= 30, _PLAIN),
        ((to_medium >= 15) & (very_fine >= 30), of_fines),
        (to_medium >= 15, _FINE),
        (finer > 40, of_fines),
        (very_fine >= 30, _VERY_FINE),
        (fine >= 30, _FINE),
    ]
    return _first_that_holds(rules, _PLAIN)


def _first_that_holds(rules: Sequence[tuple[Mask, ArrayLike]], otherwise: int) -> Places:
    found = np.select([rule for rule, _ in rules], [np.asarray(g) for _, g in rules], otherwise)
    return np.asarray(found, dtype=np.intp)


@dataclass(frozen=True, slots=True)
class SandTexture:
    """Which classes by its sand a soil may be in, and how likely each is.

    Attributes
    ----------
    odds : tuple of float
        Share of the draws in each class, 0 to 1, in the order of `SAND_CLASSES`; what is missing
        from 1 are draws of other textures.
    """

    odds: tuple[float, ...]

    @property
    def ranked(self) -> tuple[SandClass, ...]:
        """The classes with any draw, likeliest first."""
        order = sorted(range(len(self.odds)), key=lambda index: -self.odds[index])
        return tuple(SAND_CLASSES[index] for index in order if self.odds[index] > 0)

    def odds_of(self, name: SandClass) -> float:
        """Share of the draws in a class, 0 to 1."""
        return self.odds[SAND_CLASSES.index(name)]

    def named(self, parent: TextureClass) -> SandClass | None:
        """Give what a soil of a texture class is called by its sand; None where that is not clear.

        See `NAMED_FROM`.
        """
        if parent not in PARENTS:
            return None
        best = max(PARENTS[parent], key=self.odds_of)
        whole = sum(map(self.odds_of, PARENTS[parent]))
        return best if whole > 0 and self.odds_of(best) >= NAMED_FROM * whole else None


def sand_texture_of(draws_pct: ArrayLike, sand_pcts: ArrayLike) -> SandTexture:
    """Count in which classes by their sand the draws of a soil fall.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Draws of sand, silt and clay [%].
    sand_pcts : array_like, shape (n, 5)
        The same draws' parts of the sand [% of the fine earth], as `with_sand` gives them.
    """
    found = sand_class_many(draws_pct, sand_pcts)
    counts = np.bincount(found[found >= 0], minlength=len(SAND_CLASSES))
    return SandTexture(tuple((counts / len(found)).tolist()))


def with_sand(draws_pct: ArrayLike, sand_shares: ArrayLike, *, rng: np.random.Generator) -> Array:
    """Give each draw of a soil a draw of its sand's parts.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Draws of sand, silt and clay [%].
    sand_shares : array_like, shape (m, 5)
        Draws of the parts of the sand, very coarse first, shares that add up to 1; taken to know
        nothing of the others.
    rng : numpy.random.Generator
        Pairs the draws.

    Returns
    -------
    ndarray, shape (n, 5)
        Parts of the sand [% of the fine earth].
    """
    sand = np.asarray(draws_pct, dtype=np.float64)[:, :1]
    shares = np.asarray(sand_shares, dtype=np.float64)
    return np.asarray(sand * shares[rng.integers(len(shares), size=len(sand))])
