"""What fills a soil, as SVG text: water at its three marks, and minerals, humus, water and air."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import lru_cache

from jarvision.core.units import Span, about_text
from jarvision.garden.soil_water import Pores, WaterSummary
from jarvision.pages.markup import Markup, join, number, tag
from jarvision.pages.palette import (
    AIR,
    INK,
    MINERAL,
    MUTED,
    ORGANIC,
    PAPER,
    RULE,
    WATER,
    WATER_TIGHT,
    box,
    label,
    line,
    svg,
)

_WATER_LEFT, _WATER_WIDE = 12.0, 416.0


def water_bar(key: str, water: WaterSummary) -> Markup | None:
    """Draw how much of the soil's volume water can fill; None outside the equations' scope."""
    if not water.saturation_pct.known:
        return None
    levels = (
        ("plants wilt", water.wilting_pct),
        ("drained", water.field_capacity_pct),
        ("full", water.saturation_pct),
    )
    said = "; ".join(f"{name} at {about_text(span)} %" for name, span in levels)
    return svg(
        key,
        "Water in the soil",
        f"Water as a share of the soil's volume: {said}. Plants can use what lies between wilting "
        "and drained.",
        440,
        218,
        _hatches(key),
        [_level(i, name, span) for i, (name, span) in enumerate(levels)],
        _water_parts(key, [span.mid for _, span in levels]),
        list(_water_axis()),
        list(_water_legend(key)),
    )


def _at(pct: float) -> float:
    return _WATER_LEFT + _WATER_WIDE * min(max(pct, 0), 100) / 100


def _hatches(key: str) -> Markup:
    """Patterns that tell water, air and solids apart in grey."""
    tight = tag(
        "pattern",
        box(0, 0, 6, 6, fill=WATER_TIGHT, stroke="none"),
        tag("path", d="M0 6L6 0", stroke=PAPER, stroke_width=0.8),
        id=f"{key}-tight",
        width=6,
        height=6,
        patternUnits="userSpaceOnUse",
    )
    air = tag(
        "pattern",
        box(0, 0, 8, 8, fill=AIR, stroke="none"),
        tag("circle", cx=4, cy=4, r=1.5, fill="none", stroke=MUTED, stroke_width=0.8),
        id=f"{key}-air",
        width=8,
        height=8,
        patternUnits="userSpaceOnUse",
    )
    return tag("defs", tight, air)


def _water_parts(key: str, mids: Sequence[float]) -> Markup:
    ends = [0.0, *mids, 100.0]
    fills = (f"url(#{key}-tight)", WATER, f"url(#{key}-air)", MINERAL)
    return join(
        box(_at(low), 84, _at(high) - _at(low), 40, fill=fill)
        for low, high, fill in zip(ends[:-1], ends[1:], fills, strict=True)
    )


def _level(row: int, name: str, span: Span) -> Markup:
    """Draw the range of one water content over the bar, with its numbers."""
    y = 20 + 22 * row
    low, mid, high = (_at(v) for v in (span.low, span.mid, span.high))
    words = f"{name} {about_text(span)} %"
    return join(
        line(mid, y, mid, 84, stroke=MUTED, stroke_dasharray="2 2"),
        line(low, y, high, y, stroke_width=2),
        line(low, y - 4, low, y + 4, stroke_width=2),
        line(high, y - 4, high, y + 4, stroke_width=2),
        tag("circle", cx=mid, cy=y, r=3.2, fill=INK),
        _level_words(words, low, high, y + 4),
    )


def _level_words(words: str, low: float, high: float, y: float) -> Markup:
    """Write beside a range, on the side where there is room, over whatever lies under it."""
    right = high < 240
    return label(
        high + 8 if right else low - 8,
        y,
        words,
        font_size=13,
        text_anchor="start" if right else "end",
        stroke=PAPER,
        stroke_width=4,
        paint_order="stroke",
    )


def _water_axis() -> Iterator[Markup]:
    for pct in range(0, 101, 20):
        yield line(_at(pct), 124, _at(pct), 130, stroke=MUTED)
        anchor = "end" if pct == 100 else "middle"
        words = "100 %" if pct == 100 else str(pct)
        yield label(_at(pct), 143, words, text_anchor=anchor, fill=MUTED, font_size=11)


def _water_legend(key: str) -> Iterator[Markup]:
    parts = (
        (f"url(#{key}-tight)", "held too tight for roots"),
        (WATER, "for plants"),
        (f"url(#{key}-air)", "air once drained"),
        (MINERAL, "solid soil"),
    )
    for i, (fill, words) in enumerate(parts):
        x, y = (12, 190)[i % 2], 158 + 26 * (i // 2)
        yield box(x, y, 20, 14, fill=fill)
        yield label(x + 27, y + 12, words, font_size=13)


def pore_picture(key: str, pores: Pores, ideal: Pores) -> Markup | None:
    """Draw what fills 100 parts of the drained soil, beside the ideal; None when unknown."""
    if not all(map(math.isfinite, _parts(pores))):
        return None
    said = " and ".join(
        f"{name}: {p.mineral_pct:.0f} % mineral, {p.organic_pct:.0f} % organic matter, "
        f"{p.water_pct:.0f} % water, {p.air_pct:.0f} % air"
        for name, p in (("this soil", pores), ("the ideal", ideal))
    )
    names = ("mineral", "organic", "water", "air")
    return svg(
        key,
        "What fills the soil once it has drained",
        f"Each square is one part in a hundred. {said[0].upper()}{said[1:]}.",
        440,
        250,
        _waffle(12, _counts(pores), "this soil"),
        _waffle(228, _counts(ideal), "the ideal"),
        [_pore_key(12 + 108 * i, 232, name) for i, name in enumerate(names)],
    )


def _parts(pores: Pores) -> tuple[float, ...]:
    return pores.mineral_pct, pores.organic_pct, pores.water_pct, pores.air_pct


def _counts(pores: Pores) -> list[int]:
    """Round to whole parts that add up to 100, the largest remainders first."""
    parts = _parts(pores)
    counts = [math.floor(p) for p in parts]
    order = sorted(range(len(parts)), key=lambda i: counts[i] - parts[i])
    for i in order[: 100 - sum(counts)]:
        counts[i] += 1
    return counts


_CELL = 20.0


def _waffle(left: float, counts: Sequence[int], name: str) -> Markup:
    names = ("mineral", "organic", "water", "air")
    kinds = [n for n, count in zip(names, counts, strict=True) for _ in range(count)]
    cells = (
        _pore_cell(left + _CELL * (i % 10), 26 + 190 - 19 * (1 + i // 10), kind, _CELL, 19.0)
        for i, kind in enumerate(kinds)
    )
    return join(label(left, 18, name, font_size=14, font_weight="bold"), cells)


@lru_cache(1024)
def _pore_cell(x: float, y: float, kind: str, wide: float, tall: float) -> Markup:
    fills = {"mineral": MINERAL, "organic": ORGANIC, "water": WATER, "air": AIR}
    middle_x, middle_y = x + wide / 2, y + tall / 2
    wave = (
        f"M{number(x + 3)} {number(middle_y)}q{number(wide / 4 - 1.5)} -5 {number(wide / 2 - 3)} 0"
    )
    signs = {
        "water": tag("path", d=f"{wave}t{number(wide / 2 - 3)} 0", fill="none", stroke=INK),
        "air": tag("circle", cx=middle_x, cy=middle_y, r=3, fill="none", stroke=MUTED),
    }
    return join(
        box(x, y, wide, tall, fill=fills[kind], stroke=PAPER if kind != "air" else RULE),
        signs.get(kind),
    )


def _pore_key(x: float, y: float, name: str) -> Markup:
    return join(_pore_cell(x, y, name, 18, 14), label(x + 24, y + 12, name, font_size=13))
