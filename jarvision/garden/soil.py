"""The soil that a guide is about: draws of its composition, from a jar, percentages or a class."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.ranges import odds_in_words
from jarvision.core.sources import COMMON_PRACTICE, LAB_SPREAD, Quality, Source, Statement, say
from jarvision.core.units import Span, plain
from jarvision.estimate.sand_classes import (
    PARENTS,
    SAND_CLASSES,
    SandClass,
    SandTexture,
    sand_class_many,
    sand_texture_of,
    with_sand,
)
from jarvision.estimate.texture import (
    CLASS_POLYGONS,
    CLASSES,
    Texture,
    TextureClass,
    classify,
    classify_many,
    texture_of,
)

DRAWS = 2000
"""How many draws stand for a soil: the odds are then good to about 1 point."""

TYPED_SD_PCT = 4.0
"""Standard deviation given to typed percentages [points]: routine hydrometer laboratories call
themselves reproducible within ±8."""

OM_UNKNOWN = Span(1.0, 2.5, 4.0)
"""Organic matter taken where it is not given [% by mass] (common practice)."""

LIKELY = 0.2
"""A class counts as possible from these odds on (ours)."""

CLASS_LIMITS = Source(
    Quality.PUBLISHED,
    "USDA Soil Survey Manual (Agriculture Handbook 18), texture classes; the limits of five of the "
    "twelve checked against a copy, the others from memory",
)


@dataclass(frozen=True, slots=True, eq=False)
class Soil:
    """A soil as draws, so that everything said of it carries its uncertainty.

    Attributes
    ----------
    draws_pct : ndarray, shape (n, 3)
        Draws of sand, silt and clay [% by mass of the fine earth].
    shares_pct : tuple of 3 Span
        Sand, silt and clay as they are printed, each with its 90 % range [%].
    texture : Texture
        Class odds of the draws.
    om_pct : ndarray, shape (n,)
        Draws of organic matter [% by mass].
    om_known : bool
        Whether organic matter was given; if not, `om_pct` is an assumption.
    origin : Statement
        Where the composition comes from, for the reader.
    sand_pct : ndarray, shape (n, 5), or None
        The sand of each draw in its parts, very coarse first [% of the fine earth]; None where
        that is not known.
    sand_was_seen : bool
        Whether a photo showed the sand's grains; if not, its parts follow from the class's name.
    """

    draws_pct: Array
    shares_pct: tuple[Span, ...]
    texture: Texture
    om_pct: Array
    om_known: bool
    origin: Statement
    sand_pct: Array | None = None
    sand_was_seen: bool = True

    @property
    def sand_texture(self) -> SandTexture | None:
        """Odds of the classes by the sand; None where that is not known."""
        return None if self.sand_pct is None else sand_texture_of(self.draws_pct, self.sand_pct)

    def by_sand(self, name: TextureClass) -> SandClass | None:
        """Give what a soil of a class is called by its sand; None where that is not clear."""
        texture = self.sand_texture
        return texture.named(name) if texture else None

    @property
    def om_span(self) -> Span:
        """Range of organic matter [%]."""
        given = float(self.om_pct[0])
        return Span(given, given, given) if self.om_known else OM_UNKNOWN


def soil_from_draws(
    draws_pct: ArrayLike,
    *,
    origin: Statement,
    rng: np.random.Generator,
    om_pct: float | None = None,
    texture: Texture | None = None,
    shares_pct: Sequence[Span] | None = None,
    sand_shares: ArrayLike | None = None,
) -> Soil:
    """Make a soil from draws of its composition, as a jar's reading has them.

    Parameters
    ----------
    draws_pct : array_like, shape (n, 3)
        Sand, silt and clay [%], n at least 1.
    origin : Statement
        Where they come from.
    rng : numpy.random.Generator
        Draws organic matter where it is not given.
    om_pct : float, optional
        Organic matter [% by mass], 0 to 100.
    texture : Texture, optional
        Odds of its classes, where they are known; else they are counted.
    shares_pct : sequence of 3 Span, optional
        Its sand, silt and clay as they are printed elsewhere [%], so that nobody is told two
        numbers for one thing; else the draws' means and 5 and 95 % points.
    sand_shares : array_like, shape (m, 5), optional
        Draws of the sand's parts, where a photo of its grains tells them for sure: shares of the
        sand, very coarse first.

    Raises
    ------
    ValueRefusedError
        A draw is not a composition, or organic matter is outside 0 to 100.
    """
    draws = np.asarray(draws_pct, dtype=np.float64)
    texture = texture or texture_of(draws)
    if om_pct is None:
        om = rng.uniform(OM_UNKNOWN.low, OM_UNKNOWN.high, len(draws))
    else:
        om = np.full(len(draws), _checked_om(om_pct))
    sand = None if sand_shares is None else with_sand(draws, sand_shares, rng=rng)
    shares = _shares_of(draws) if shares_pct is None else tuple(shares_pct)
    return Soil(draws, shares, texture, om, om_pct is not None, origin, sand)


def _shares_of(draws_pct: Array) -> tuple[Span, ...]:
    low, high = np.quantile(draws_pct, (0.05, 0.95), axis=0).tolist()
    return tuple(map(Span, low, draws_pct.mean(axis=0).tolist(), high))


def _checked_om(om_pct: float) -> float:
    if not 0 <= om_pct <= 100:
        msg = f"Organic matter of {om_pct:g} % is not possible; give 0 to 100 % of the dry mass."
        raise ValueRefusedError(msg)
    return float(om_pct)


def soil_from_percentages(
    sand_pct: float | None,
    silt_pct: float | None,
    clay_pct: float | None,
    *,
    rng: np.random.Generator,
    sd_pct: float = TYPED_SD_PCT,
    om_pct: float | None = None,
) -> Soil:
    """Make a soil from typed percentages; one of the three may be left out.

    Parameters
    ----------
    sand_pct, silt_pct, clay_pct : float or None
        Shares [% by mass].
    sd_pct : float
        Standard deviation of sand and of clay [points], 0 for exact, at most 20.

    Raises
    ------
    ValueRefusedError
        They are not a composition, or the standard deviation is outside its range.
    UsageError
        Fewer than two were given.
    """
    given = _completed([sand_pct, silt_pct, clay_pct])
    classify(*given)  # refuses what is not a composition, in its own words
    if not 0 <= sd_pct <= 20:
        msg = f"An uncertainty of {sd_pct:g} points is not usable; give 0 to 20."
        raise ValueRefusedError(msg)
    centre = np.array(given) * 100 / math.fsum(given)
    return soil_from_draws(
        _spread(centre, sd_pct, rng), origin=_typed(sd_pct), rng=rng, om_pct=om_pct
    )


def _typed(sd_pct: float) -> Statement:
    if sd_pct == 0:
        return say("The percentages were typed in and are taken as exact.", CLASS_LIMITS)
    return say(
        f"The percentages were typed in and are taken to be good to about ±{2 * sd_pct:g} points.",
        LAB_SPREAD,
    )


def _completed(parts: list[float | None]) -> tuple[float, float, float]:
    known = [part for part in parts if part is not None]
    if len(known) < 2:
        msg = "Give at least two of sand, silt and clay, in percent."
        raise UsageError(msg)
    # Rounded, so that 100 − 33.3 − 33.3 does not print with a tail of digits.
    rest = round(100 - math.fsum(known), 6)
    sand, silt, clay = (rest if part is None else float(part) for part in parts)
    return sand, silt, clay


def _spread(centre: Array, sd_pct: float, rng: np.random.Generator) -> Array:
    """Draw around a composition, inside the triangle: sand and clay err, silt is what is left."""
    if sd_pct == 0:
        return np.tile(centre, (DRAWS, 1))
    kept = np.empty((0, 3))
    while len(kept) < DRAWS:
        sand, clay = (part + sd_pct * rng.standard_normal(DRAWS) for part in centre[[0, 2]])
        drawn = np.column_stack([sand, 100 - sand - clay, clay])
        kept = np.concatenate([kept, drawn[(drawn >= 0).all(axis=1)]])
    return kept[:DRAWS]


def find_class(name: str) -> TextureClass | SandClass:
    """Look up a texture class by its name, also one that is named by its sand.

    Raises
    ------
    UsageError
        There is no such class; the message suggests the nearest.
    """
    asked = " ".join(name.casefold().replace("-", " ").replace("_", " ").split())
    if asked in set(CLASSES):
        return TextureClass(asked)
    if asked in set(SAND_CLASSES):
        return SandClass(asked)
    known = [str(each) for each in (*CLASSES, *SAND_CLASSES)]
    near = get_close_matches(asked[:40], known, n=2, cutoff=0.6)
    advice = f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(CLASSES)}."
    msg = f"'{plain(name, limit=30)}' is not a texture class; {advice}"
    raise UsageError(msg)


def soil_from_class(
    named: TextureClass | SandClass, *, rng: np.random.Generator, om_pct: float | None = None
) -> Soil:
    """Make a soil of which only the class is known: draws uniform over all that are called so."""
    origin = say(
        f"Only the class was given, so the ranges cover every {named} there is.", CLASS_LIMITS
    )
    if isinstance(named, TextureClass):
        draws = draws_of_class(named, DRAWS, rng=rng)
        return soil_from_draws(draws, origin=origin, rng=rng, om_pct=om_pct)
    draws, sand_pct = _draws_by_sand(named, DRAWS, rng=rng)
    soil = soil_from_draws(draws, origin=origin, rng=rng, om_pct=om_pct)
    return replace(soil, sand_pct=sand_pct, sand_was_seen=False)


def _draws_by_sand(
    named: SandClass, count: int, *, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draw compositions and the parts of their sand, uniformly over all that are called so."""
    [parent] = [each for each, kin in PARENTS.items() if named in kin]
    soils, sands = np.empty((0, 3)), np.empty((0, 5))
    while len(soils) < count:
        drawn = draws_of_class(parent, 4 * count, rng=rng)
        parts = drawn[:, :1] * rng.dirichlet(np.ones(5), len(drawn))
        so_called = sand_class_many(drawn, parts) == SAND_CLASSES.index(named)
        soils = np.concatenate([soils, drawn[so_called]])
        sands = np.concatenate([sands, parts[so_called]])
    return soils[:count], sands[:count]


def draws_of_class(texture_class: TextureClass, count: int, *, rng: np.random.Generator) -> Array:
    """Draw compositions uniformly over a class's polygon on the triangle, shape (count, 3) [%]."""
    corners = np.array(CLASS_POLYGONS[texture_class], dtype=np.float64)
    low, high = corners.min(axis=0), corners.max(axis=0)
    kept = np.empty((0, 3))
    while len(kept) < count:
        sand, clay = (rng.uniform(low[i], high[i], 2 * count) for i in (0, 2))
        drawn = np.column_stack([sand, 100 - sand - clay, clay])
        drawn = drawn[drawn[:, 1] >= 0]
        kept = np.concatenate([kept, drawn[classify_many(drawn) == CLASSES.index(texture_class)]])
    return kept[:count]


def likely_classes(texture: Texture) -> tuple[TextureClass, ...]:
    """Classes with odds of at least 1 in 5, likeliest first; the likeliest always counts."""
    return tuple(
        n for n in texture.ranked if texture.odds_of(n) >= LIKELY or n is texture.likeliest
    )


def odds_text(texture: Texture) -> str:
    """Print the classes that matter with their odds: ``loam (7 in 10) or clay loam (3 in 10)``."""
    # Anything under 1 in 20 is noise to a gardener, unless nothing is left.
    named = [n for n in texture.ranked if texture.odds_of(n) >= 0.05 or n is texture.likeliest]
    return joined(f"{name} ({odds_in_words(texture.odds_of(name))})" for name in named)


def assumed_om() -> Statement:
    """Say what was taken for organic matter where it is not known."""
    return say(
        f"Organic matter is not known; {OM_UNKNOWN.low:g} to {OM_UNKNOWN.high:g} % is assumed, "
        "and a laboratory's figure would narrow what follows.",
        COMMON_PRACTICE,
    )


def joined(words: Iterable[str], last: str = "or") -> str:
    """Join words as prose does: ``a, b or c``."""
    parts = list(words)
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"
