"""Simple drawings for the lesson of the jar test, as SVG text."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from jarvision.core.units import UnitSystem
from jarvision.pages.markup import Attribute, Markup, join, number, tag
from jarvision.pages.palette import (
    EARTH,
    FILLS,
    INK,
    MUTED,
    PAPER,
    RULE,
    STEEL,
    STRAW,
    WATER,
    box,
    label,
    line,
    svg,
)

_WIDE, _TALL = 260.0, 170.0


@dataclass(frozen=True, slots=True)
class _StripLengths:
    """Lengths as they are written into the drawings."""

    depth: str
    air: str
    away: str


# The same lengths as in the lesson's text.
_LENGTHS: Mapping[UnitSystem, _StripLengths] = {
    UnitSystem.METRIC: _StripLengths("10–15 cm", "2–3 cm", "30–50 cm"),
    UnitSystem.US: _StripLengths("4–6 in", "1 in", "12–20 in"),
}


def drawing(key: str, system: UnitSystem) -> Markup | None:
    """Draw the step of the lesson with a given key, or nothing where words are enough.

    Parameters
    ----------
    key : str
        Key of a section of `jarvision.garden.howto.howto_steps`.
    system : UnitSystem
        Units of the lengths in the drawing.
    """
    found = _DRAWINGS.get(key)
    if found is None:
        return None
    title, description, draw = found
    return svg(f"draw-{key}", title, description, _WIDE, _TALL, draw(_LENGTHS[system]))


def _path(d: str, **attributes: Attribute) -> Markup:
    given: dict[str, Attribute] = {
        "fill": "none",
        "stroke": INK,
        "stroke_width": 1.6,
        "stroke_linecap": "round",
        "stroke_linejoin": "round",
        **attributes,
    }
    return tag("path", d=d, **given)


def _upright_span(x: float, top: float, low: float) -> Markup:
    """Draw a bracket that shows a height."""
    return _path(f"M{number(x - 4)} {number(top)}h8m-4 0V{number(low)}m-4 0h8", stroke=MUTED)


def _table(y: float) -> Markup:
    return line(10, y, 250, y, stroke=MUTED, stroke_width=2)


def _jar(x: float, floor: float, *, wide: float = 64, tall: float = 112) -> Markup:
    """Draw a jar with its lid; x is its left wall, floor the foot of its inside."""
    top = floor - tall
    body = (
        f"M{number(x)} {number(top)}V{number(floor - 6)}q0 6 6 6h{number(wide - 12)}"
        f"q6 0 6 -6V{number(top)}"
    )
    lid = box(x - 3, top - 12, wide + 6, 12, fill=STEEL, stroke_width=1.6, rx=2)
    return join(_path(body, stroke_width=2), lid)


def _filling(x: float, floor: float, wide: float, *parts: tuple[float, str]) -> Markup:
    """Fill a jar from its floor upward with parts of a height and a colour."""
    drawn, y = [], floor
    for tall, fill in parts:
        y -= tall
        drawn.append(box(x, y, wide, tall, fill=fill, stroke="none"))
    return join(drawn)


# ------------------------------------------------------------------------------- the drawings


def _dig(lengths: _StripLengths) -> Markup:
    spade = join(
        line(58, 14, 96, 92, stroke_width=4),
        line(50, 18, 66, 10, stroke_width=4),
        _path("M88 90l16 -8l16 34q-3 12 -12 6z", fill=STEEL),
    )
    return join(
        box(0, 58, 260, 112, fill=EARTH, stroke="none"),
        tag("path", d="M72 58L84 138H146V58z", fill=PAPER),
        box(146, 58, 20, 80, fill=FILLS["sand"], stroke_width=1.6),
        _path("M0 58H72L84 138H146V58M166 58H260", stroke_width=2),
        _path("M8 56q12 -22 26 -12q14 -10 24 12z", fill=STRAW),
        spade,
        _upright_span(180, 58, 138),
        _words(188, 102, lengths.depth),
        _words(188, 118, "even slice"),
    )


def _words(x: float, y: float, words: str, **attributes: Attribute) -> Markup:
    """Write a label on a light ground, readable over any part of a drawing."""
    given: dict[str, Attribute] = {"stroke": PAPER, "stroke_width": 3, "paint_order": "stroke"}
    return label(x, y, words, **(given | attributes))


def _sieve(_: _StripLengths) -> Markup:
    mesh = "".join(f"M{80 + 10 * i} 64v10" for i in range(11)) + "M70 69H190"
    stones = ((98, 52, 11), (122, 54, 9), (148, 50, 12), (168, 56, 7))
    grains = ((92, 88), (106, 98), (118, 86), (131, 100), (142, 90), (156, 99), (168, 87))
    return join(
        [
            tag("ellipse", cx=x, cy=y, rx=r, ry=r * 0.75, fill=RULE, stroke=INK)
            for x, y, r in stones
        ],
        _path("M70 40V74H190V40", stroke_width=2),
        line(190, 46, 240, 38, stroke_width=4),
        _path(mesh, stroke=MUTED, stroke_width=1),
        [tag("circle", cx=x, cy=y, r=2, fill=INK) for x, y in grains],
        tag("path", d="M66 133q64 -36 128 0q-8 25 -34 25H100q-28 0 -34 -25z", fill=EARTH),
        _path("M60 114q4 44 40 44h60q36 0 40 -44", stroke_width=2),
        _path("M66 133q64 -36 128 0", stroke_width=1.2),
        _words(70, 26, "stones and roots stay"),
    )


def _fill(lengths: _StripLengths) -> Markup:
    return join(
        _filling(40, 146, 64, (33, EARTH), (57, WATER)),
        _jar(40, 146),
        _upright_span(120, 113, 146),
        _words(130, 132, "soil: a quarter"),
        _words(130, 147, "to a third"),
        _upright_span(120, 34, 56),
        _words(130, 50, f"{lengths.air} of air"),
    )


def _shake(_: _StripLengths) -> Markup:
    jar = join(
        _filling(98, 146, 64, (90, EARTH)),
        _jar(98, 146),
        [
            tag("circle", cx=104 + 13 * (i % 5), cy=66 + 17 * (i // 5), r=1.8, fill=INK)
            for i in range(22)
        ],
    )
    arrows = "M44 52q-20 34 0 68M36 112l8 9l6 -11M216 52q20 34 0 68M224 60l-8 -9l-6 11"
    return join(
        tag("g", jar, transform="rotate(14 130 90)"),
        _path(arrows, stroke_width=2.4),
        _words(86, 165, "5 minutes or more"),
    )


def _strip(_: _StripLengths) -> Markup:
    ticks = "".join(f"M78 {140 - 8 * i}h-{6 if i % 2 else 3}" for i in range(13))
    tags = [box(62, y, 11, 11, fill=INK, stroke="none") for y in (122, 92, 62)]
    return join(
        _filling(
            56, 144, 64, (34, FILLS["sand"]), (16, FILLS["silt"]), (12, FILLS["clay"]), (30, WATER)
        ),
        _jar(56, 144),
        box(60, 40, 18, 104, fill=PAPER),
        tags,
        _path(ticks, stroke_width=0.8),
        _table(151),
        line(30, 144, 150, 144, stroke_dasharray="4 3", stroke_width=1.4),
        _words(136, 122, "bottom edge level"),
        _words(136, 138, "with the inside floor"),
        _words(136, 64, "beside the layers,"),
        _words(136, 80, "not over the middle"),
    )


def _photos(lengths: _StripLengths) -> Markup:
    return join(
        box(232, 40, 20, 104, fill=RULE, stroke="none"),
        _filling(
            160, 137, 56, (30, FILLS["sand"]), (12, FILLS["silt"]), (8, FILLS["clay"]), (20, WATER)
        ),
        _jar(160, 137, wide=56, tall=78),
        _table(144),
        box(14, 78, 8, 50, fill=INK, rx=2),
        box(8, 128, 20, 16, fill=EARTH),
        line(23, 103, 160, 103, stroke_dasharray="6 4", stroke_width=1.6),
        _words(30, 96, "level with the layer"),
        _path("M22 154v8m0 -4H160m0 -4v8", stroke=MUTED),
        _words(91, 163, lengths.away, text_anchor="middle", stroke_width=5),
        _seen_from_above(),
    )


def _seen_from_above() -> Markup:
    """Draw phone, jar, light and background as they stand on the table."""
    return join(
        box(6, 4, 134, 64, fill=PAPER, stroke=RULE, rx=4),
        label(12, 16, "from above", font_size=11, fill=MUTED),
        box(16, 32, 6, 22, fill=INK),
        tag("circle", cx=92, cy=43, r=13, fill=EARTH, stroke=INK, stroke_width=1.6),
        box(122, 24, 8, 38, fill=RULE, stroke="none"),
        _path("M84 12h16l4 8h-24zM86 24l-2 5M92 24v5M98 24l2 5", stroke_width=1.3),
        label(107, 21, "light", font_size=11, fill=MUTED),
    )


def _ribbon(_: _StripLengths) -> Markup:
    return join(
        tag("circle", cx=48, cy=70, r=24, fill=EARTH, stroke=INK, stroke_width=1.6),
        _path("M82 70h26m-8 -7l9 7l-9 7", stroke_width=2),
        _path("M118 54h30q6 0 6 6v46q0 10 10 12l4 8q-30 4 -32 -20V74h-18z", fill=EARTH),
        _upright_span(186, 56, 128),
        _words(196, 90, "measure"),
        _words(196, 106, "the piece"),
        _words(28, 124, "a ball?"),
        _words(112, 154, "a ribbon, until it breaks"),
    )


_DRAWINGS: Mapping[str, tuple[str, str, Callable[[_StripLengths], Markup]]] = {
    "dig": (
        "Dig a cross-section",
        "A hole with mulch raked aside; an even slice is cut from its upright wall, as thick at "
        "the bottom as at the top.",
        _dig,
    ),
    "sieve": (
        "Crumble and sieve",
        "Crumbs fall through a sieve into a bowl; stones and roots stay in the sieve.",
        _sieve,
    ),
    "fill": (
        "Fill the jar",
        "A jar with soil up to a quarter or a third, water above it and some air under the lid.",
        _fill,
    ),
    "shake": ("Shake", "A closed jar of muddy water is shaken hard for minutes.", _shake),
    "strip": (
        "Stand the jar level and tape on the strip",
        "A jar on a level table; the strip stands upright left of its middle, its bottom edge "
        "level with the inside floor.",
        _strip,
    ),
    "photos": (
        "Take the photo",
        "From the side: a phone stands level with the layer, some distance from the jar; light "
        "comes from the side and the background is plain.",
        _photos,
    ),
    "ribbon": (
        "The ribbon test",
        "A ball of moist soil, and the ribbon pushed out of it, measured where it broke off.",
        _ribbon,
    ),
}
