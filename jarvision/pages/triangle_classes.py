"""The triangle of any country's texture classes as SVG, with soils on it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from jarvision.estimate.texture_standards import (
    Corner,
    Standard,
    StandardClass,
    class_borders,
    class_odds,
    piece_corners,
)
from jarvision.pages.markup import Markup, points_of, tag
from jarvision.pages.palette import HIGHLIGHT, MUTED, PAPER, line
from jarvision.pages.triangle import Mark, Sheet, class_name, place_on_triangle, triangle_of

_SHORT_NAME_PX, _NAME_PX = 9.5, 11.0
_TINTED_FROM = 0.2
"""Odds from which a class's field is tinted (ours)."""


def class_triangle(key: str, standard: Standard, marks: Sequence[Mark]) -> Markup:
    """Draw a standard's classes with soils at its own limit of silt.

    Parameters
    ----------
    key : str
        Short name, unique on its page.
    standard : Standard
    marks : sequence of Mark
        Soils; the fields that at least a fifth of their draws are in are tinted.
    """
    title = f"Texture classes: {standard.title}"
    said = [f"{mark.label or 'the soil'}: {_shares_text(mark.pcts)}" for mark in marks]
    description = (
        f"Triangle of clay, silt (2 to {standard.silt_to_um:g} µm) and sand. {'; '.join(said)}."
    )
    return triangle_of(key, title, description, _sheet(standard, _tinted(standard, marks)), marks)


def _shares_text(pcts: tuple[float, float, float]) -> str:
    sand, silt, clay = pcts
    return f"sand {sand:.0f} %, silt {silt:.0f} %, clay {clay:.0f} %"


def _tinted(standard: Standard, marks: Sequence[Mark]) -> set[int]:
    found = set()
    for mark in marks:
        if mark.draws_pct is not None and len(mark.draws_pct):
            odds = class_odds(standard, mark.draws_pct).odds
            found |= {i for i, chance in enumerate(odds) if chance >= _TINTED_FROM}
    return found


def _sheet(standard: Standard, tinted: set[int]) -> Sheet:
    fields = [
        _field(piece_corners(piece), HIGHLIGHT if i in tinted else PAPER)
        for i, each in enumerate(standard.classes)
        for piece in each.pieces
        if piece_corners(piece)
    ]
    lines = [
        line(*place_on_triangle(*a), *place_on_triangle(*b), stroke=MUTED, stroke_width=1.1)
        for a, b in class_borders(standard)
    ]
    return Sheet(fields, lines, [_name(each) for each in standard.classes])


def _field(corners: Sequence[Corner], fill: str) -> Markup:
    path = points_of(place_on_triangle(*corner) for corner in corners)
    # A rim of its own colour closes the hair between the pieces of one class.
    return tag("polygon", points=path, fill=fill, stroke=fill, stroke_width=0.5)


def _name(each: StandardClass) -> Markup:
    size = _SHORT_NAME_PX if each.short else _NAME_PX
    return class_name(*_middle(each), each.label, font_size=size)


def _middle(each: StandardClass) -> Corner:
    """Centre of a class's largest piece, by area."""
    best = max((piece_corners(piece) for piece in each.pieces), key=_area)
    corners = np.array(best)
    a, b = corners[0], corners[1:]
    weights = [_area([tuple(a), tuple(p), tuple(q)]) for p, q in itertools.pairwise(b)]
    centres = [(a + p + q) / 3 for p, q in itertools.pairwise(b)]
    sand, silt, clay = np.average(centres, axis=0, weights=weights).tolist()
    return sand, silt, clay


def _area(corners: Sequence[Corner]) -> float:
    """Area in the plane of silt and clay, enough to compare."""
    if len(corners) < 3:
        return 0.0
    x, y = np.array(corners)[:, 1], np.array(corners)[:, 2]
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)
