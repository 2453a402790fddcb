"""Pictures of a jar's numbers as SVG text: layers, shares, class odds.

Each figure carries a title and a description for those who cannot see it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from jarvision.core.ranges import odds_in_words, pct_with_range
from jarvision.core.units import Span, decimals_of
from jarvision.estimate.texture import Texture, TextureClass
from jarvision.pages.label_layout import spread_apart
from jarvision.pages.markup import Markup, join, number, tag
from jarvision.pages.palette import (
    BY_HEIGHT,
    FILLS,
    INK,
    MUTED,
    ON_FILLS,
    PAPER,
    RULE,
    box,
    label,
    line,
    svg,
)
from jarvision.results.numbers import share_text
from jarvision.results.record import LAYERS, Shares

# --------------------------------------------------------------------------------- layer bars


def layer_bar(
    key: str,
    title: str,
    shares: Shares,
    *,
    tops: Sequence[tuple[float, tuple[float, float]]] | None = None,
    unit: str = "mm",
) -> Markup:
    """Draw the layers as they lie in the jar, clay on top, with each top's 90 % range.

    Parameters
    ----------
    shares : Shares
        What each layer's name and share say.
    tops : sequence of 3 (float, (float, float)), optional
        Top of sand, silt and clay with its 90 % range, in `unit`; without them the bar is of
        shares, 0 to 100 %.
    unit : str
        Unit of `tops`, as printed.
    """
    ends = list(tops) if tops else _ends_of(shares)
    axis = unit if tops else "%"
    said = [f"{layer} {share_text(shares, i)}" for i, layer in enumerate(LAYERS)]
    high = max(max([top, *filter(math.isfinite, reach)]) for top, reach in ends)
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


def known_sd(sd: float) -> float:
    """Take an unknown standard deviation as none, for drawing."""
    return sd if math.isfinite(sd) else 0.0


def _ends_of(shares: Shares) -> list[tuple[float, tuple[float, float]]]:
    """Upper ends of the shares stacked [%], with the range of each end."""
    sand, silt, _ = shares.pcts
    low_clay, high_clay = shares.ranges_pct[2]
    return [
        (sand.value, shares.ranges_pct[0]),
        (sand.value + silt.value, (100.0 - high_clay, 100.0 - low_clay)),
        (100.0, (100.0, 100.0)),
    ]


def _layers(ends: Sequence[tuple[float, tuple[float, float]]], scale: float) -> Iterator[Markup]:
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
    step = nice_step(high)
    ticks = np.arange(0, high + step * 0.5, step).tolist()
    digits = decimals_of(step)
    for tick in ticks:
        y = _BAR_FLOOR - tick * scale
        if y < 6:
            continue
        yield line(40, y, 48, y, stroke=MUTED)
        yield label(36, y + 4, f"{tick:.{digits}f}", text_anchor="end", fill=MUTED, font_size=11)
    yield label(4, _BAR_FLOOR + 18, axis, fill=MUTED, font_size=11)


def nice_step(span: float, count: int = 5) -> float:
    """Choose a step of 1, 2 or 5 that gives some five ticks, or another count of them."""
    rough = span / count
    power: float = 10.0 ** math.floor(math.log10(rough))
    return next(power * n for n in (1, 2, 5, 10) if power * n >= rough * 0.8)


def _layer_names(
    ends: Sequence[tuple[float, tuple[float, float]]], said: Sequence[str], scale: float
) -> Iterator[Markup]:
    """Write the names at the right, apart from each other, each tied to its layer."""
    lows = [0.0, *(top for top, _ in ends[:-1])]
    middles = [
        _BAR_FLOOR - scale * (low + top) / 2 for low, (top, _) in zip(lows, ends, strict=True)
    ]
    spread = spread_apart(middles[::-1], [20.0] * len(middles), 6.0, _BAR_FLOOR + 10.0)[::-1]
    x = _BAR_LEFT + _BAR_WIDE
    for words, middle, y in zip(said, middles, spread, strict=True):
        d = f"M{number(x)} {number(middle)}L{number(x + 12)} {number(y)}H{number(x + 18)}"
        yield tag("path", d=d, fill="none", stroke=MUTED, stroke_width=0.8)
        yield label(x + 22, y + 4, words, font_size=14)


def _whiskers(ends: Sequence[tuple[float, tuple[float, float]]], scale: float) -> Iterator[Markup]:
    for i, (_, (low, above)) in enumerate(ends):
        if not math.isfinite(above - low) or above <= low:
            continue
        x = _BAR_LEFT + 16 + 14 * i
        up, down = _BAR_FLOOR - above * scale, _BAR_FLOOR - low * scale
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


def layer_column(key: str, title: str, shares_pct: Sequence[Span]) -> Markup:
    """Draw a small upright bar of shares, clay on top, and say their ranges [%]."""
    named = list(zip(LAYERS, shares_pct, strict=True))
    said = ", ".join(f"{layer} {pct_with_range(p.mid, (p.low, p.high))}" for layer, p in named)
    parts: list[Markup] = []
    y = 118.0
    for layer, share in named:
        pct = share.mid
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


def odds_bar(key: str, title: str, texture: Texture) -> Markup:
    """Draw a bar for each class that the soil may be, likeliest first, with the odds in words."""
    shown = [n for n in texture.ranked if texture.odds_of(n) >= 0.01 or n is texture.likeliest]
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
