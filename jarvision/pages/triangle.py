"""The texture triangle as SVG text, with soils on it.

Clay is read on the left side, silt on the right, sand along the bottom, as the trade reads it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from jarvision.core.arrays import Array
from jarvision.estimate.texture import CLASS_POLYGONS, CLASSES, TextureClass
from jarvision.pages.markup import Attribute, Markup, join, number, points_of, tag
from jarvision.pages.palette import (
    BY_HEIGHT,
    BY_WEIGHT,
    HIGHLIGHT,
    INK,
    MUTED,
    PAPER,
    RULE,
    label,
    line,
    svg,
)

_SIDE, _LEFT, _FLOOR = 390.0, 50.0, 354.0
_HIGH = _SIDE * math.sqrt(3) / 2
_WIDE, _TALL = 490.0, 404.0

# Where each class's name stands (sand, silt, clay), set by hand so that it fits in its field.
_NAME_PLACES: dict[TextureClass, tuple[float, float, float, str]] = {
    TextureClass.SAND: (93.3, 4.4, 2.3, "sand"),
    TextureClass.LOAMY_SAND: (81, 14.5, 4.5, "loamy|sand"),
    TextureClass.SANDY_LOAM: (63.5, 25.5, 11, "sandy loam"),
    TextureClass.LOAM: (40, 41, 19, "loam"),
    TextureClass.SILT_LOAM: (20, 66, 14, "silt loam"),
    TextureClass.SILT: (7, 87.5, 5.5, "silt"),
    TextureClass.SANDY_CLAY_LOAM: (60, 13, 27, "sandy clay|loam"),
    TextureClass.CLAY_LOAM: (32.5, 34, 33.5, "clay loam"),
    TextureClass.SILTY_CLAY_LOAM: (10, 56.5, 33.5, "silty clay|loam"),
    TextureClass.SANDY_CLAY: (51.5, 6.5, 42, "sandy|clay"),
    TextureClass.SILTY_CLAY: (6.3, 46.5, 47.2, "silty|clay"),
    TextureClass.CLAY: (22, 20, 58, "clay"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One soil on the triangle.

    Attributes
    ----------
    label : str
        Short text beside the point; empty for none.
    pcts : tuple of 3 floats
        Sand, silt and clay [%].
    draws_pct : ndarray, shape (n, 3), or None
        Cloud of draws, or None for no cloud.
    by_weight : bool
        Drawn as a square diamond instead of a round point.
    """

    label: str
    pcts: tuple[float, float, float]
    draws_pct: Array | None = None
    by_weight: bool = False

    @property
    def colour(self) -> str:
        """Colour of the point and its cloud."""
        return BY_WEIGHT if self.by_weight else BY_HEIGHT


def place_on_triangle(sand: float, silt: float, clay: float) -> tuple[float, float]:
    """Find where a soil stands in the figure: clay upward, silt to the right, sand to the left."""
    total = sand + silt + clay
    return (
        _LEFT + _SIDE * (silt + clay / 2) / total,
        _FLOOR - _HIGH * clay / total,
    )


def triangle(
    key: str,
    title: str,
    description: str,
    marks: Sequence[Mark],
    *,
    highlight: Iterable[TextureClass] = (),
    most_dots: int = 500,
) -> Markup:
    """Draw the texture triangle: clay on the left side, silt on the right, sand along the bottom.

    Parameters
    ----------
    marks : sequence of Mark
        Soils to show; those with a cloud show it.
    highlight : iterable of TextureClass
        Classes whose field is tinted.
    most_dots : int
        Dots of each cloud at most.
    """
    tinted = set(highlight)
    sheet = Sheet(
        [_field(name, tinted=name in tinted) for name in CLASSES],
        [_field_lines(name) for name in CLASSES],
        [class_name(*place) for place in _NAME_PLACES.values()],
    )
    return triangle_of(key, title, description, sheet, marks, most_dots=most_dots)


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A printed triangle without soils: fields below the grid, their lines and names above it."""

    fields: Sequence[Markup]
    lines: Sequence[Markup]
    names: Sequence[Markup]


def triangle_of(
    key: str,
    title: str,
    description: str,
    sheet: Sheet,
    marks: Sequence[Mark],
    *,
    most_dots: int = 500,
) -> Markup:
    """Draw soils on any sheet of classes; parameters as in `triangle`."""
    clouds = (_cloud(m, most_dots) for m in marks if m.draws_pct is not None)
    return svg(
        key,
        title,
        description,
        _WIDE,
        _TALL,
        sheet.fields,
        _ruled(),
        sheet.lines,
        list(clouds),
        sheet.names,
        _named_sides(),
        [_point(mark) for mark in marks],
        list(_point_labels(marks)),
    )


def _path(corners: Iterable[tuple[float, float, float]]) -> str:
    return points_of(place_on_triangle(*corner) for corner in corners)


@cache
def _field(name: TextureClass, *, tinted: bool) -> Markup:
    return tag("polygon", points=_path(CLASS_POLYGONS[name]), fill=HIGHLIGHT if tinted else PAPER)


@cache
def _field_lines(name: TextureClass) -> Markup:
    return tag(
        "polygon",
        points=_path(CLASS_POLYGONS[name]),
        fill="none",
        stroke=MUTED,
        stroke_width=1.1,
        stroke_linejoin="round",
    )


@cache
def _ruled() -> Markup:
    """Draw what is the same on every sheet below the classes' lines."""
    return join(_grid())


@cache
def _named_sides() -> Markup:
    return join(_axis_names())


def _grid() -> Iterator[Markup]:
    """Lines and numbers each 10 %, numbered on the side where each part is read."""
    for pct in range(10, 100, 10):
        rest = 100 - pct
        sides = {
            "clay": ((rest, 0, pct), (0, rest, pct), (-6, 4, "end")),
            "silt": ((0, pct, rest), (rest, pct, 0), (6, 0, "start")),
            "sand": ((pct, rest, 0), (pct, 0, rest), (4, 15, "middle")),
        }
        for start, end, (dx, dy, anchor) in sides.values():
            (x1, y1), (x2, y2) = place_on_triangle(*start), place_on_triangle(*end)
            yield line(x1, y1, x2, y2, stroke=RULE, stroke_width=0.5)
            yield label(
                x1 + dx, y1 + dy, str(pct), text_anchor=anchor, fill=MUTED, class_="tri-tick"
            )


def _axis_names() -> Iterator[Markup]:
    """Name the three sides; the arrow points to more."""
    out = 40.0  # from the side's middle to the text
    dx, dy = out * math.cos(math.pi / 6), out * math.sin(math.pi / 6)
    middle = _FLOOR - _HIGH / 2 - dy
    sides = (
        ("clay, % →", _LEFT + _SIDE * 0.25 - dx, middle, -60),
        ("silt, % →", _LEFT + _SIDE * 0.75 + dx, middle, 60),
        ("← sand, %", _LEFT + _SIDE / 2, _FLOOR + out, 0),
    )
    for words, x, y, turn in sides:
        turned = f"rotate({turn} {number(x)} {number(y)})" if turn else None
        yield label(x, y, words, text_anchor="middle", transform=turned, class_="tri-axis")


@lru_cache(64)
def class_name(
    sand: float, silt: float, clay: float, name: str, *, font_size: float = 11
) -> Markup:
    """Write a class's name in its field, lines parted by ``|``; place in percent."""
    x, y = place_on_triangle(sand, silt, clay)
    lines = name.split("|")
    top = y + 4 - 6.5 * (len(lines) - 1)
    return tag(
        "text",
        [tag("tspan", part, x=x, y=top + 13 * i) for i, part in enumerate(lines)],
        text_anchor="middle",
        fill=INK,
        font_size=font_size,
        class_="tri-name",
    )


_LAYERS_OF_DOTS = 5


def _cloud(mark: Mark, most: int) -> Markup:
    """Draw the draws as dots (squares by weight), in a few paths so that crowds grow darker."""
    xy = _places(mark)
    xy = xy[:: max(1, -(-len(xy) // most))]
    cap = "butt" if mark.by_weight else "round"
    dot = "h3" if mark.by_weight else "h.01"  # a dash without length is not printed everywhere
    shift = 1.5 if mark.by_weight else 0.0
    paths = (
        "".join(f"M{x - shift:.1f} {y:.1f}{dot}" for x, y in xy[i::_LAYERS_OF_DOTS])
        for i in range(min(_LAYERS_OF_DOTS, len(xy)))
    )
    return tag(
        "g",
        [tag("path", d=d, stroke_opacity=0.35) for d in paths],
        stroke=mark.colour,
        stroke_width=3,
        stroke_linecap=cap,
        fill="none",
    )


def _places(mark: Mark) -> list[tuple[float, float]]:
    draws = np.empty((0, 3)) if mark.draws_pct is None else mark.draws_pct
    return [place_on_triangle(*row) for row in draws.tolist()]


def _point(mark: Mark) -> Markup:
    x, y = place_on_triangle(*mark.pcts)
    look: dict[str, Attribute] = {"fill": mark.colour, "stroke": PAPER, "stroke_width": 1.6}
    if mark.by_weight:
        d = f"M{number(x)} {number(y - 7)}l7 7l-7 7l-7 -7z"
        return tag("path", d=d, **look)
    return tag("circle", cx=x, cy=y, r=5.2, **look)


# Where a label may stand beside its point, best first: dx, dy of the text's start or end.
_LABEL_PLACES = (
    (9, 4, "start"),
    (-9, 4, "end"),
    (0, -10, "middle"),
    (0, 18, "middle"),
    (8, -8, "start"),
    (-8, -8, "end"),
    (8, 16, "start"),
    (-8, 16, "end"),
)
_LETTER, _LINE = 7.0, 13.0
_Rect = tuple[float, float, float, float]


def _point_labels(marks: Sequence[Mark]) -> Iterator[Markup]:
    """Write labels beside the points where they hide nothing; leave out those that find no room."""
    taken = [_around(*place_on_triangle(*mark.pcts)) for mark in marks]
    for mark in marks:
        x, y = place_on_triangle(*mark.pcts)
        for dx, dy, anchor in _LABEL_PLACES if mark.label else ():
            rect = _text_rect(x + dx, y + dy, mark.label, anchor)
            if (
                rect[0] > 0
                and rect[2] < _WIDE
                and not any(_overlap(rect, other) for other in taken)
            ):
                taken.append(rect)
                yield _halo(x + dx, y + dy, mark.label, anchor, mark.colour)
                break


def _around(x: float, y: float) -> _Rect:
    return x - 5, y - 5, x + 5, y + 5


def _text_rect(x: float, y: float, words: str, anchor: str) -> _Rect:
    width = _LETTER * len(words)
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
    return left, y - _LINE + 3, left + width, y + 3


def _overlap(a: _Rect, b: _Rect) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _halo(x: float, y: float, words: str, anchor: str, colour: str) -> Markup:
    """Write a label with a light rim, readable over lines and dots."""
    return label(
        x,
        y,
        words,
        text_anchor=anchor,
        fill=colour,
        stroke=PAPER,
        stroke_width=3,
        paint_order="stroke",
        font_weight="bold",
        class_="tri-mark",
    )
