"""Pictures of numbers as SVG text: layers, odds, water, pores, settling.

Each figure carries a title and a description for those who cannot see it; the triangle has a module
of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.units import Span, about_text
from jarvision.estimate.texture import CLASSES, Texture, TextureClass
from jarvision.garden.soil_water import Pores, WaterSummary
from jarvision.pages.markup import Markup, join, number, tag
from jarvision.pages.palette import (
    AIR,
    BY_HEIGHT,
    BY_WEIGHT,
    FILLS,
    INK,
    MINERAL,
    MUTED,
    ON_FILLS,
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
from jarvision.results.jarfile import LAYERS, Curve, Shares
from jarvision.results.report import odds_in_words


def pct_text(value: float, sd: float) -> str:
    """Print a share with its standard deviation and no false digits: ``24 ± 1 %``."""
    if not math.isfinite(value):
        return "unknown"
    if not math.isfinite(sd):
        return f"{value:.0f} ± ? %"
    return f"{value:.0f} ± {max(sd, 1):.0f} %"


# --------------------------------------------------------------------------------- layer bars


def layer_bar(
    key: str,
    title: str,
    shares: Shares,
    *,
    tops: Sequence[tuple[float, float]] | None = None,
    unit: str = "mm",
) -> Markup:
    """Draw the layers as they lie in the jar, clay on top, with whiskers of ± 2 sd at each top.

    Parameters
    ----------
    shares : Shares
        What each layer's name and share say.
    tops : sequence of 3 (float, float), optional
        Top of sand, silt and clay with one standard deviation, in `unit`; without them the bar
        is of shares, 0 to 100 %.
    unit : str
        Unit of `tops`, as printed.
    """
    ends = list(tops) if tops else _ends_of(shares)
    axis = unit if tops else "%"
    pcts = [(m.value, m.sd) for m in shares.pcts]
    said = [f"{layer} {pct_text(*pct)}" for layer, pct in zip(LAYERS, pcts, strict=True)]
    high = max(top + 2 * _sd(sd) for top, sd in ends)
    scale = 200 / max(high, 1e-6)
    description = f"From the top down: {', '.join(reversed(said))} of the whole."
    if tops:
        described = (f"{t:.3g} {axis}" for t, _ in ends)
        description += f" Tops above the inside floor, sand first: {', '.join(described)}."
    return svg(
        key,
        title,
        description,
        330,
        248,
        list(_ruler(high, scale, axis)),
        list(_layers(ends, scale)),
        list(_glass()),
        list(_layer_names(ends, said, scale)),
        list(_whiskers(ends, scale)),
    )


_BAR_LEFT, _BAR_WIDE, _BAR_FLOOR = 62.0, 110.0, 226.0


def _sd(sd: float) -> float:
    return sd if math.isfinite(sd) else 0.0


def _ends_of(shares: Shares) -> list[tuple[float, float]]:
    """Upper ends of the shares stacked [%], with the standard deviation of each end."""
    sand, silt, clay = shares.pcts
    return [(sand.value, sand.sd), (sand.value + silt.value, clay.sd), (100.0, 0.0)]


def _layers(ends: Sequence[tuple[float, float]], scale: float) -> Iterator[Markup]:
    low = 0.0
    for layer, (top, _) in zip(LAYERS, ends, strict=True):
        top = max(top, low)
        yield box(
            _BAR_LEFT,
            _BAR_FLOOR - top * scale,
            _BAR_WIDE,
            (top - low) * scale,
            fill=FILLS[layer],
        )
        low = top


def _glass() -> Iterator[Markup]:
    """Draw the jar's wall around the layers, open at the top."""
    left, right, floor = _BAR_LEFT - 5, _BAR_LEFT + _BAR_WIDE + 5, _BAR_FLOOR + 5
    d = f"M{number(left)} 8V{number(floor - 8)}q0 8 8 8H{number(right - 8)}q8 0 8 -8V8"
    yield tag("path", d=d, fill="none", stroke=MUTED, stroke_width=2, stroke_linecap="round")


def _ruler(high: float, scale: float, axis: str) -> Iterator[Markup]:
    step = _nice_step(high)
    ticks = np.arange(0, high + step * 0.5, step).tolist()
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    for tick in ticks:
        y = _BAR_FLOOR - tick * scale
        if y < 6:
            continue
        yield line(40, y, 48, y, stroke=MUTED)
        yield label(36, y + 4, f"{tick:.{digits}f}", text_anchor="end", fill=MUTED, font_size=11)
    yield label(4, _BAR_FLOOR + 18, axis, fill=MUTED, font_size=11)


def _nice_step(high: float) -> float:
    """Choose a step of 1, 2 or 5 that gives some five ticks."""
    rough = high / 5
    power: float = 10.0 ** math.floor(math.log10(rough))
    return next(power * n for n in (1, 2, 5, 10) if power * n >= rough * 0.8)


def _layer_names(
    ends: Sequence[tuple[float, float]], said: Sequence[str], scale: float
) -> Iterator[Markup]:
    """Write the names at the right, apart from each other, each tied to its layer."""
    lows = [0.0, *(top for top, _ in ends[:-1])]
    middles = [
        _BAR_FLOOR - scale * (low + top) / 2 for low, (top, _) in zip(lows, ends, strict=True)
    ]
    spread = _apart(middles, 20.0, low=16.0, high=_BAR_FLOOR)
    x = _BAR_LEFT + _BAR_WIDE
    for words, middle, y in zip(said, middles, spread, strict=True):
        d = f"M{number(x)} {number(middle)}L{number(x + 12)} {number(y)}H{number(x + 18)}"
        yield tag("path", d=d, fill="none", stroke=MUTED, stroke_width=0.8)
        yield label(x + 22, y + 4, words, font_size=14)


def _apart(places: Sequence[float], gap: float, *, low: float, high: float) -> list[float]:
    """Push falling places apart to at least `gap`, inside limits."""
    out: list[float] = []
    for place in places:
        out.append(min(place, out[-1] - gap if out else high))
    if out and out[-1] < low:
        floor = low
        for i in range(len(out) - 1, -1, -1):
            out[i] = max(out[i], floor)
            floor = out[i] + gap
    return out


def _whiskers(ends: Sequence[tuple[float, float]], scale: float) -> Iterator[Markup]:
    for i, (top, sd) in enumerate(ends):
        if not math.isfinite(sd) or sd <= 0:
            continue
        x = _BAR_LEFT + 16 + 14 * i
        up, down = _BAR_FLOOR - (top + 2 * sd) * scale, _BAR_FLOOR - (top - 2 * sd) * scale
        strokes = (
            f"M{number(x)} {number(up)}V{number(down)}"
            f"M{number(x - 5)} {number(up)}h10M{number(x - 5)} {number(down)}h10"
        )
        yield tag("path", d=strokes, stroke=PAPER, stroke_width=4, fill="none")
        yield tag("path", d=strokes, stroke=INK, stroke_width=1.6, fill="none")


def share_strip(key: str, title: str, pcts: Sequence[float]) -> Markup:
    """Draw a slim bar of shares, sand first, for a table's cell."""
    said = ", ".join(f"{layer} {pct:.0f} %" for layer, pct in zip(LAYERS, pcts, strict=True))
    parts, x = [], 0.0
    for layer, pct in zip(LAYERS, pcts, strict=True):
        width = 120 * pct / 100
        parts.append(box(x, 0.5, width, 15, fill=FILLS[layer]))
        x += width
    return svg(key, title, said, 120, 16, parts)


def layer_column(key: str, title: str, pcts: Sequence[float], *, spread: Sequence[float]) -> Markup:
    """Draw a small upright bar of shares with their spread, clay on top.

    Parameters
    ----------
    spread : sequence of 3 floats
        Standard deviation of each share [points]; NaN where unknown.
    """
    said = ", ".join(
        f"{layer} {pct_text(pct, sd)}" for layer, pct, sd in zip(LAYERS, pcts, spread, strict=True)
    )
    parts: list[Markup] = []
    y = 118.0
    for layer, pct in zip(LAYERS, pcts, strict=True):
        tall = 112 * pct / 100
        y -= tall
        parts.append(box(4, y, 52, tall, fill=FILLS[layer]))
        if tall > 14:
            parts.append(
                label(
                    30, y + tall / 2 + 4, f"{pct:.0f}", text_anchor="middle", fill=ON_FILLS[layer]
                )
            )
    return svg(key, title, said, 60, 122, parts)


# ------------------------------------------------------------------------------------- odds


def odds_bar(key: str, title: str, texture: Texture, *, least: float = 0.01) -> Markup:
    """Draw a bar for each class that the soil may be, likeliest first, with the odds in words."""
    ranked = sorted(CLASSES, key=lambda name: -texture.odds_of(name))
    shown = [n for n in ranked if texture.odds_of(n) >= least] or ranked[:1]
    said = "; ".join(f"{name} {odds_in_words(texture.odds_of(name))}" for name in shown)
    rows = (_odds_row(name, texture.odds_of(name), 6 + 32 * i) for i, name in enumerate(shown))
    return svg(key, title, f"{said}.", 430, 10 + 32 * len(shown), list(rows))


def _odds_row(name: TextureClass, odds: float, y: float) -> Markup:
    return join(
        label(122, y + 17, str(name), text_anchor="end", font_size=13),
        box(130, y + 2, 140, 20, fill=PAPER, stroke=RULE),
        box(130, y + 2, max(140 * odds, 1.5), 20, fill=BY_HEIGHT, stroke=BY_HEIGHT),
        label(278, y + 17, odds_in_words(odds), font_size=13),
    )


# ------------------------------------------------------------------------------------- water


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


# ------------------------------------------------------------------------------------- pores


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


# ------------------------------------------------------------------------------- settling curve


def settling_curve(
    key: str, curve: Curve | None, points: Sequence[tuple[float, float, float]], *, unit: str = "mm"
) -> Markup:
    """Draw the deposit's top over time on a logarithmic axis.

    Parameters
    ----------
    curve : Curve or None
        The estimate with its 90 % band, in `unit`.
    points : sequence of (float, float, float)
        What the photos show: time since shaking [s], top and standard deviation in `unit`.
    unit : str
        Unit of the heights, as printed.

    Raises
    ------
    ValueError
        There is nothing to draw.
    """
    times = [*(curve.time_s if curve else ()), *(t for t, _, _ in points)]
    highs = [*(curve.hi_mm if curve else ()), *(top + 2 * _sd(sd) for _, top, sd in points)]
    if not times:
        msg = "a settling curve needs points"
        raise ValueError(msg)
    axes = _Axes(min(30.0, *times), max(2e5, *times), max(highs) * 1.05)
    said = "; ".join(f"{duration_text(t)}: {top:.3g} {unit}" for t, top, _ in points)
    return svg(
        key,
        "How the deposit rose",
        f"Top of the deposit above the floor at each photo: {said}.",
        480,
        250,
        list(_curve_axes(axes, unit)),
        _band(curve, axes) if curve else None,
        [_curve_point(point, axes) for point in points],
    )


@dataclass(frozen=True, slots=True)
class _Axes:
    first_s: float
    last_s: float
    high: float

    def x(self, time_s: float) -> float:
        span = math.log(self.last_s / self.first_s)
        return 48 + 420 * math.log(time_s / self.first_s) / span

    def y(self, top: float) -> float:
        return 208 - 194 * max(top, 0.0) / self.high


_TIMES_S = {"1 min": 60, "10 min": 600, "2 h": 7200, "8 h": 28_800, "48 h": 172_800}


def _curve_axes(axes: _Axes, unit: str) -> Iterator[Markup]:
    for words, time_s in _TIMES_S.items():
        yield line(axes.x(time_s), 12, axes.x(time_s), 208, stroke=RULE, stroke_width=0.6)
        yield label(axes.x(time_s), 224, words, text_anchor="middle", fill=MUTED, font_size=11)
    step = _nice_step(axes.high)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    for tick in np.arange(0, axes.high, step).tolist():
        yield line(48, axes.y(tick), 468, axes.y(tick), stroke=RULE, stroke_width=0.6)
        yield label(
            42, axes.y(tick) + 4, f"{tick:.{digits}f}", text_anchor="end", fill=MUTED, font_size=11
        )
    yield label(258, 243, "time since shaking", text_anchor="middle", font_size=12)
    yield label(52, 24, f"top of the deposit, {unit}", font_size=12)


def _band(curve: Curve, axes: _Axes) -> Markup:
    def points(heights: Sequence[float]) -> list[str]:
        pairs = zip(curve.time_s, heights, strict=True)
        return [f"{number(axes.x(t))},{number(axes.y(h))}" for t, h in pairs]

    band = " ".join([*points(curve.hi_mm), *reversed(points(curve.lo_mm))])
    return join(
        tag("polygon", points=band, fill=BY_WEIGHT, fill_opacity=0.18),
        tag(
            "polyline",
            points=" ".join(points(curve.mid_mm)),
            fill="none",
            stroke=BY_WEIGHT,
            stroke_width=2,
        ),
    )


def _curve_point(point: tuple[float, float, float], axes: _Axes) -> Markup:
    time_s, top, sd = point
    x = axes.x(time_s)
    return join(
        line(x, axes.y(top - 2 * _sd(sd)), x, axes.y(top + 2 * _sd(sd)), stroke_width=1.6),
        tag("circle", cx=x, cy=axes.y(top), r=4.4, fill=BY_HEIGHT, stroke=PAPER),
    )


def duration_text(time_s: float) -> str:
    """Say a time since shaking: ``50 s``, ``1 min``, ``2 h 6 min``, ``49 h``, ``6 days``."""
    if not math.isfinite(time_s):
        return "at an unknown time"
    if time_s < 55:
        return f"{time_s:.0f} s"
    minutes = round(time_s / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 12:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    hours = round(time_s / 3600)
    return f"{hours} h" if hours <= 96 else f"{round(hours / 24)} days"
