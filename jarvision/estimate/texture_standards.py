"""Texture classes of other countries: limits as data, one class for every soil, odds from draws."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jarvision.core.arrays import Array, Mask, Places
from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.packaged_files import calibration_text
from jarvision.core.text import plain_text

STANDARDS = ("usda", "uk", "fao", "german")
"""Names of the standards whose limits are known, as files of ``calibration/classes``.

The Australian triangle (silt up to 20 µm) is not among them: no published table of its sloping
limits was found.
"""

_POINT = 1_000_000_000
"""Shares are compared as whole billionths of a point: on a line means exactly on it."""

# Twice the weights of sand, silt and clay in each quantity that a limit may be on.
_QUANTITIES: Mapping[str, tuple[int, int, int]] = {
    "sand": (2, 0, 0),
    "silt": (0, 2, 0),
    "clay": (0, 0, 2),
    "silt+clay": (0, 2, 2),
    "silt+1.5clay": (0, 2, 3),
    "silt+2clay": (0, 2, 4),
}


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of a class's piece: weights of sand, silt, clay; `low` <= sum < `high`.

    The weights are doubled, so that they are whole numbers, and so are the ends, in billionths of a
    point.
    """

    weights: tuple[int, int, int]
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class StandardClass:
    """A texture class of a standard.

    Attributes
    ----------
    name, short : str
        In the standard's own language; `short` may be empty.
    label : str
        What stands in its field on the triangle, lines parted by ``|``.
    pieces : tuple of tuple of Limit
        A soil is in the class where all limits of any piece hold.
    """

    name: str
    short: str
    label: str
    pieces: tuple[tuple[Limit, ...], ...]


@dataclass(frozen=True, slots=True)
class Standard:
    """A country's texture classes.

    Attributes
    ----------
    key : str
        As in `STANDARDS`.
    title : str
        Whose it is.
    silt_to_um : float
        Upper limit of silt [µm].
    classes : tuple of StandardClass
    sources : tuple of str
    """

    key: str
    title: str
    silt_to_um: float
    classes: tuple[StandardClass, ...]
    sources: tuple[str, ...]


def find_standard(name: str) -> Standard:
    """Look up a standard by its name.

    Raises
    ------
    UsageError
        It is not one of `STANDARDS`.
    """
    asked = name.strip().casefold()
    if asked not in STANDARDS:
        known, typed = ", ".join(STANDARDS), plain_text(name)[:30]
        more = (
            " The limits of the Australian classes are not known to this program; the "
            "International fractions are shown with any of the others."
            if asked in ("australian", "australia", "isss", "international")
            else ""
        )
        msg = f"'{typed}' is no standard of texture classes; known are {known}.{more}"
        raise UsageError(msg)
    return _read(asked)


@cache
def _read(key: str) -> Standard:
    return standard_from_toml(key, calibration_text("classes", key))


def standard_from_toml(key: str, text: str) -> Standard:
    """Read a standard's limits from TOML, as ``calibration/classes`` has them.

    Raises
    ------
    ValueError
        The text is not such a file: a mistake of whoever changed it.
    """
    data = tomllib.loads(text)
    return Standard(
        key,
        str(data["title"]),
        float(data["silt_to_um"]),
        tuple(_class(row) for row in data["class"]),
        tuple(map(str, data["sources"])),
    )


def _class(row: Mapping[str, object]) -> StandardClass:
    name, short = str(row["name"]), str(row.get("short", ""))
    pieces = row["pieces"]
    if not isinstance(pieces, list):
        msg = f"the class {name} has no pieces"
        raise ValueError(msg)
    limits = tuple(tuple(_limit(q, ends) for q, ends in piece.items()) for piece in pieces)
    return StandardClass(name, short, str(row.get("label", short or name)), limits)


# Beyond what any share reaches, where there is no end.
_NO_LOW, _NO_HIGH = -1_000 * _POINT, 1_000 * _POINT


def _limit(quantity: str, ends: Mapping[str, float]) -> Limit:
    if quantity not in _QUANTITIES or not set(ends) <= {"from", "over", "below", "to"}:
        msg = f"a limit is on one of {', '.join(_QUANTITIES)}: from or over, below or to"
        raise ValueError(msg)
    at = {word: round(2 * _POINT * value) for word, value in ends.items()}
    low = at.get("from", at["over"] + 1 if "over" in at else _NO_LOW)
    high = at.get("below", at["to"] + 1 if "to" in at else _NO_HIGH)
    return Limit(_QUANTITIES[quantity], low, high)


def class_masks(standard: Standard, pcts: ArrayLike) -> Mask:
    """Tell which classes hold compositions, a row a class; exactly one does in a good standard.

    Parameters
    ----------
    pcts : array_like, shape (n, 3)
        Sand, silt and clay [%] at the standard's own limit of silt, each row 100 in all.

    Raises
    ------
    ValueRefusedError
        A row is not a composition.
    """
    shares = np.asarray(pcts, dtype=np.float64)
    sand, silt, clay = shares.T  # sums and least ones over three are slow
    totals, least = sand + silt + clay, np.minimum(np.minimum(sand, silt), clay)
    bad = ~np.isfinite(totals) | (np.abs(totals - 100) > 0.01) | (least < -1e-6)
    if bad.any():
        msg = "Sand, silt and clay must be percentages that add up to 100."
        raise ValueRefusedError(msg)
    silt, clay = (np.rint(np.maximum(own, 0) * _POINT).astype(np.int64) for own in (silt, clay))
    parts = (100 * _POINT - silt - clay, silt, clay)
    limits = [limit for each in standard.classes for piece in each.pieces for limit in piece]
    totals = {weights: _weighed(weights, parts) for weights in {own.weights for own in limits}}
    masks = np.zeros((len(standard.classes), len(shares)), dtype=bool)
    for row, each in zip(masks, standard.classes, strict=True):
        for piece in each.pieces:
            row |= np.logical_and.reduce([_holds(own, totals[own.weights]) for own in piece])
    return masks


def _weighed(
    weights: tuple[int, int, int], parts: Sequence[NDArray[np.int64]]
) -> NDArray[np.int64]:
    terms = [w * part for w, part in zip(weights, parts, strict=True) if w]
    return np.asarray(sum(terms), dtype=np.int64)


def _holds(limit: Limit, total: NDArray[np.int64]) -> Mask:
    if limit.low == _NO_LOW:
        return np.asarray(total < limit.high)
    if limit.high == _NO_HIGH:
        return np.asarray(total >= limit.low)
    return np.asarray((total >= limit.low) & (total < limit.high))


def classify_by(standard: Standard, pcts: ArrayLike) -> Places:
    """Find the class of many compositions: indices into the standard's classes, shape (n,)."""
    classes: Places = np.argmax(class_masks(standard, pcts), axis=0)
    return classes


@dataclass(frozen=True, slots=True)
class ClassOdds:
    """Which of a standard's classes a soil may be in.

    Attributes
    ----------
    odds : tuple of float
        Share of the draws in each class, in the standard's order; they add up to 1.
    ranked : tuple of int
        Indices of the classes with any draw, likeliest first.
    """

    odds: tuple[float, ...]
    ranked: tuple[int, ...]


def class_odds(standard: Standard, draws_pct: ArrayLike) -> ClassOdds:
    """Count in which of a standard's classes draws of a composition fall, shape (n, 3)."""
    found = classify_by(standard, draws_pct)
    odds = np.bincount(found, minlength=len(standard.classes)) / len(found)
    ranked = [int(i) for i in np.argsort(-odds, kind="stable") if odds[i] > 0]
    return ClassOdds(tuple(odds.tolist()), tuple(ranked))


# -- fields on the triangle -----------------------------------------------------------------------

Corner = tuple[float, float, float]
"""Sand, silt and clay [%]."""

_WHOLE: tuple[Corner, ...] = ((100.0, 0.0, 0.0), (0.0, 100.0, 0.0), (0.0, 0.0, 100.0))


def piece_corners(piece: Sequence[Limit]) -> tuple[Corner, ...]:
    """Cut the triangle by a piece's limits: its corners in order, none where it has no area."""
    corners: tuple[Corner, ...] = _WHOLE
    for limit in piece:
        corners = _cut(corners, limit, limit.low / _POINT, sign=1.0)
        corners = _cut(corners, limit, limit.high / _POINT, sign=-1.0)
    return corners if len(set(map(_rounded, corners))) > 2 else ()


def _cut(corners: Sequence[Corner], limit: Limit, end: float, *, sign: float) -> tuple[Corner, ...]:
    """Keep the part of a convex polygon on one side of a line (Sutherland and Hodgman 1974)."""

    def over(corner: Corner) -> float:
        return sign * (sum(w * c for w, c in zip(limit.weights, corner, strict=True)) - end)

    kept: list[Corner] = []
    for before, here in zip([*corners[-1:], *corners[:-1]], corners, strict=True):
        a, b = over(before), over(here)
        if a * b < 0:
            t = a / (a - b)
            sand, silt, clay = (p + t * (q - p) for p, q in zip(before, here, strict=True))
            kept.append((sand, silt, clay))
        if b >= 0:
            kept.append(here)
    return tuple(kept)


def class_borders(standard: Standard) -> tuple[tuple[Corner, Corner], ...]:
    """Lines between a standard's classes: sides of pieces that have another class beyond them."""
    pieces = [piece_corners(piece) for each in standard.classes for piece in each.pieces]
    corners = np.array([corner for piece in pieces for corner in piece])
    found: dict[tuple[Corner, Corner], None] = {}
    for piece in pieces:
        for start, end in zip(piece, [*piece[1:], *piece[:1]], strict=True):
            for part in _parts(start, end, corners):
                if _parts_two_classes(standard, part):
                    low, high = sorted((_rounded(part[0]), _rounded(part[1])))
                    found[low, high] = None
    return tuple(found)


def _rounded(corner: Corner) -> Corner:
    sand, silt, clay = (round(c, 6) for c in corner)
    return sand, silt, clay


def _parts(start: Corner, end: Corner, corners: Array) -> list[tuple[Corner, Corner]]:
    """Split a side where corners of other pieces lie on it."""
    a, b = np.array(start), np.array(end)
    along = b - a
    length2 = float(along @ along)
    if length2 < 1e-9:
        return []
    t = (corners - a) @ along / length2
    off = np.abs(corners - a - t[:, None] * along).max(axis=1)
    stops = np.unique(np.round(t[(off < 1e-6) & (t > 1e-9) & (t < 1 - 1e-9)], 9))
    points = [a + s * along for s in (0.0, *stops.tolist(), 1.0)]
    return [((p[0], p[1], p[2]), (q[0], q[1], q[2])) for p, q in pairwise(points)]


def _parts_two_classes(standard: Standard, part: tuple[Corner, Corner]) -> bool:
    """Tell whether two classes, or the triangle's edge, meet along a piece of line."""
    a, b = np.array(part[0]), np.array(part[1])
    middle, along = (a + b) / 2, b - a
    # At right angles to the line and to (1, 1, 1), so that the sum stays 100.
    away = np.cross(along, np.ones(3))
    away *= 1e-3 / np.abs(away).max()
    sides = np.array([middle + away, middle - away])
    if sides.min() < 0:
        return True
    first, second = classify_by(standard, sides).tolist()
    return bool(first != second)


# -- fractions ------------------------------------------------------------------------------------

FRACTIONS: Mapping[str, tuple[tuple[str, float, float], ...]] = {
    "WRB and ISO 14688": (("clay", 0, 2), ("silt", 2, 63), ("sand", 63, 2000)),
    "International (ISSS)": (
        ("clay", 0, 2),
        ("silt", 2, 20),
        ("fine sand", 20, 200),
        ("coarse sand", 200, 2000),
    ),
}
"""Fractions of other systems: name, lower and upper limit [µm].

WRB and ISO 14688-1 as used at a German university (read; clause from memory); ISSS as the
Australian field handbook prints it beside others (read in a vocabulary of it).
"""
