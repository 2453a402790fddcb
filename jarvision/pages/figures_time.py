"""How the deposit rose in two days, and a bed's shares over the years, as SVG text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.ranges import Z90
from jarvision.core.units import decimals_of
from jarvision.pages.figures import known_sd, nice_step
from jarvision.pages.label_layout import spread_apart
from jarvision.pages.markup import Markup, join, points_of, tag
from jarvision.pages.palette import (
    BY_HEIGHT,
    BY_WEIGHT,
    FILLS,
    INK,
    MUTED,
    PAPER,
    RULE,
    label,
    line,
    svg,
)
from jarvision.results.record import LAYERS, Curve


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
    highs = [*(curve.hi_mm if curve else ()), *(top + Z90 * known_sd(sd) for _, top, sd in points)]
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
    step = nice_step(axes.high)
    digits = decimals_of(step)
    for tick in np.arange(0, axes.high, step).tolist():
        yield line(48, axes.y(tick), 468, axes.y(tick), stroke=RULE, stroke_width=0.6)
        yield label(
            42, axes.y(tick) + 4, f"{tick:.{digits}f}", text_anchor="end", fill=MUTED, font_size=11
        )
    yield label(258, 243, "time since shaking", text_anchor="middle", font_size=12)
    yield label(52, 24, f"top of the deposit, {unit}", font_size=12)


def _band(curve: Curve, axes: _Axes) -> Markup:
    def way(heights: Sequence[float]) -> list[tuple[float, float]]:
        return [(axes.x(t), axes.y(h)) for t, h in zip(curve.time_s, heights, strict=True)]

    band = points_of([*way(curve.hi_mm), *reversed(way(curve.lo_mm))])
    return join(
        tag("polygon", points=band, fill=BY_WEIGHT, fill_opacity=0.18),
        tag(
            "polyline",
            points=points_of(way(curve.mid_mm)),
            fill="none",
            stroke=BY_WEIGHT,
            stroke_width=2,
        ),
    )


def _curve_point(point: tuple[float, float, float], axes: _Axes) -> Markup:
    time_s, top, sd = point
    x = axes.x(time_s)
    return join(
        line(
            x,
            axes.y(top - Z90 * known_sd(sd)),
            x,
            axes.y(top + Z90 * known_sd(sd)),
            stroke_width=1.6,
        ),
        tag("circle", cx=x, cy=axes.y(top), r=4.4, fill=BY_HEIGHT, stroke=PAPER),
    )


# --- a bed over the years -------------------------------------------------------------------------


def bed_lines(
    key: str, title: str, points: Sequence[tuple[str, Sequence[tuple[float, float]]]]
) -> Markup:
    """Draw a bed's shares over the days of digging, a line a layer, with their 90 % ranges.

    Parameters
    ----------
    points : sequence of (str, sequence of 3 (float, float))
        Day, month or year of digging as ``2026-05-04``, and share [%] and standard deviation
        [points] of sand, silt and clay; in order of time, two or more.
    """
    years = [_year(dug) for dug, _ in points]
    span = max(years[-1] - years[0], 1e-3)
    xs = [56 + 330 * (year - years[0]) / span for year in years]
    said = "; ".join(
        f"{dug}: {', '.join(f'{k} {s:.0f} %' for k, (s, _) in zip(LAYERS, shares, strict=True))}"
        for dug, shares in points
    )
    days = [
        _day_label(dug, x, i, len(points))
        for i, ((dug, _), x) in enumerate(zip(points, xs, strict=True))
    ]
    tops = [[shares[i] for _, shares in points] for i in range(3)]
    return svg(
        key,
        title,
        f"Shares on the glass. {said}.",
        480,
        240,
        list(_share_axis()),
        days,
        [_share_line(i, xs, tops[i]) for i in range(3)],
        list(_line_names([line[-1][0] for line in tops], xs[-1])),
    )


def _year(dug: str) -> float:
    """Turn a day, month or year into a fractional year; its middle where it is not whole."""
    year, month, day = (*map(int, dug.split("-")), 0, 0)[:3]
    return year + ((month - 1 + (day - 1) / 31 if day else month - 0.5) / 12 if month else 0.5)


def _share_y(pct: float) -> float:
    return 200 - 1.84 * min(max(pct, 0.0), 100.0)


def _share_axis() -> Iterator[Markup]:
    for pct in range(0, 101, 20):
        y = _share_y(pct)
        yield line(48, y, 394, y, stroke=RULE, stroke_width=0.6)
        words = f"{pct} %" if pct == 100 else str(pct)
        yield label(42, y + 4, words, text_anchor="end", fill=MUTED, font_size=11)


def _day_label(dug: str, x: float, i: int, count: int) -> Markup | None:
    if 0 < i < count - 1 and count > 5:
        return None
    return label(x, 218 + 14 * (i % 2), dug, text_anchor="middle", fill=MUTED, font_size=11)


def _share_line(i: int, xs: Sequence[float], shares: Sequence[tuple[float, float]]) -> Markup:
    shift = 4.0 * (i - 1)
    places = [(x + shift, _share_y(pct)) for x, (pct, _) in zip(xs, shares, strict=True)]
    bars = [
        line(
            x,
            _share_y(pct - Z90 * known_sd(sd)),
            x,
            _share_y(pct + Z90 * known_sd(sd)),
            stroke_width=1.6,
        )
        for (x, _), (pct, sd) in zip(places, shares, strict=True)
    ]
    dash = (None, "7 3", "2 3")[i]
    dots = [tag("circle", cx=x, cy=y, r=4, fill=FILLS[LAYERS[i]], stroke=INK) for x, y in places]
    return join(
        tag(
            "polyline",
            points=points_of(places),
            fill="none",
            stroke=INK,
            stroke_width=1.2,
            stroke_dasharray=dash,
        ),
        bars,
        dots,
    )


def _line_names(lasts: Sequence[float], x: float) -> Iterator[Markup]:
    order = sorted(range(3), key=lambda i: -lasts[i])
    ys = spread_apart([_share_y(lasts[i]) for i in order], [15.0] * 3, 8.0, 208.0)
    for i, y in zip(order, ys, strict=True):
        yield label(x + 14, y + 4, LAYERS[i], font_size=13)


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
