"""A reader's differences from the photos as SVG text (Bland and Altman 1986)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from jarvision.compare.agreement import LimitsOfAgreement
from jarvision.compare.compare import Comparison, ReaderResult, signed
from jarvision.core.units import decimals_of
from jarvision.pages.figures import nice_step
from jarvision.pages.markup import Markup, number, tag
from jarvision.pages.palette import (
    BY_HEIGHT,
    FILLS,
    HIGHLIGHT,
    INK,
    MUTED,
    PAPER,
    RULE,
    box,
    label,
    line,
    svg,
)
from jarvision.results.record import LAYERS

_LEFT, _RIGHT, _TOP, _FLOOR = 46.0, 352.0, 24.0, 252.0


@dataclass(frozen=True, slots=True)
class _PlotLimits:
    """Limits of the plot [mm] and where they fall on it; what lies beyond stands at the edge."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]

    def x(self, mm: float) -> float:
        return _placed(mm, self.x_mm, (_LEFT + 8, _RIGHT - 8))

    def y(self, mm: float) -> float:
        return _placed(mm, self.y_mm, (_FLOOR - 8, _TOP + 8))


def _placed(value: float, limits: tuple[float, float], places: tuple[float, float]) -> float:
    share = (min(max(value, limits[0]), limits[1]) - limits[0]) / (limits[1] - limits[0])
    return places[0] + share * (places[1] - places[0])


def agreement_plot(key: str, title: str, result: ReaderResult) -> Markup | None:
    """Draw a reader's differences over the mean of hand and photo (Bland and Altman 1986).

    Parameters
    ----------
    key, title : str
    result : ReaderResult

    Returns
    -------
    Markup or None
        None without a single difference in millimetres.
    """
    points = list(_points(result.comparisons))
    if not points:
        return None
    whole = result.tops_mm[3]
    frame = _frame(points, whole)
    said_of = f"{whole.count} differences with bias {signed(whole.bias)} mm"
    if math.isfinite(whole.sd):
        said_of += f" and limits of agreement {signed(whole.low)} to {signed(whole.high)} mm"
    return svg(
        key,
        title,
        f"{said_of}. The table below has the numbers.",
        400,
        326,
        box(_LEFT, _TOP, _RIGHT - _LEFT, _FLOOR - _TOP, fill=PAPER, stroke=RULE),
        list(_bands(frame, whole)),
        list(_scales(frame)),
        [_sign(p, frame) for p in points],
        list(_lines(frame, whole)),
        list(_legend(any(p.is_slip for p in points))),
    )


@dataclass(frozen=True, slots=True)
class _Point:
    layer: str
    mean_mm: float
    diff_mm: float
    is_slip: bool


def _points(comparisons: Iterable[Comparison]) -> Iterator[_Point]:
    for c in comparisons:
        values = zip(LAYERS, c.photo_tops_mm, c.diffs_mm, strict=True)
        for layer, photo, diff in values:
            if math.isfinite(diff):
                yield _Point(layer, photo + diff / 2, diff, c.is_slip)


def _frame(points: Sequence[_Point], whole: LimitsOfAgreement) -> _PlotLimits:
    """Choose limits by the points without slips, and by the lines."""
    kept = [p for p in points if not p.is_slip] or list(points)
    means, diffs = [p.mean_mm for p in kept], [p.diff_mm for p in kept]
    diffs += [v for v in (whole.low, whole.high) if math.isfinite(v)]
    low, high = min(0.0, *diffs), max(0.0, *diffs)
    pad = max(0.08 * (high - low), 1.0)
    wide = max(max(means) - min(means), 2.0)
    return _PlotLimits(
        (min(means) - 0.03 * wide, min(means) + 1.03 * wide),
        (low - pad, high + pad),
    )


def _bands(frame: _PlotLimits, whole: LimitsOfAgreement) -> Iterator[Markup]:
    for low, high in (whole.low_range, whole.bias_range, whole.high_range):
        if math.isfinite(low):
            top, foot = frame.y(high), frame.y(low)
            yield box(_LEFT, top, _RIGHT - _LEFT, foot - top, fill=HIGHLIGHT, stroke="none")


def _lines(frame: _PlotLimits, whole: LimitsOfAgreement) -> Iterator[Markup]:
    """Draw bias and limits, with their numbers kept apart at the right."""
    values = [v for v in (whole.high, whole.bias, whole.low) if math.isfinite(v)]
    below = -math.inf
    for value in values:
        y = frame.y(value)
        dash = None if value == whole.bias else "7 4"
        yield line(_LEFT, y, _RIGHT, y, stroke=BY_HEIGHT, stroke_width=2, stroke_dasharray=dash)
        below = max(y + 5, below + 16)
        words = signed(value)
        yield label(_RIGHT + 5, below, words, font_size=14, font_weight="bold", fill=BY_HEIGHT)


def _scales(frame: _PlotLimits) -> Iterator[Markup]:
    """Put numbers on both axes; a thin line marks no difference."""
    for tick, words in _ticks(frame.y_mm, 4, sign=True):
        y = frame.y(tick)
        yield line(_LEFT - 5, y, _LEFT, y, stroke=MUTED)
        yield label(_LEFT - 8, y + 5, words, text_anchor="end", fill=MUTED, font_size=13)
    for tick, words in _ticks(frame.x_mm, 5):
        x = frame.x(tick)
        yield line(x, _FLOOR, x, _FLOOR + 5, stroke=MUTED)
        yield label(x, _FLOOR + 19, words, text_anchor="middle", fill=MUTED, font_size=13)
    yield line(_LEFT, frame.y(0), _RIGHT, frame.y(0), stroke=MUTED, stroke_width=0.8)
    yield label(4, 15, "marks less photo, mm", font_size=14)
    middle = (_LEFT + _RIGHT) / 2
    yield label(middle, _FLOOR + 38, "mean of both, mm", text_anchor="middle", font_size=14)


def _ticks(
    limits: tuple[float, float], count: int, *, sign: bool = False
) -> Iterator[tuple[float, str]]:
    """Choose round numbers within limits, at steps of 1, 2 or 5."""
    step = nice_step(limits[1] - limits[0], count)
    decimals = decimals_of(step)
    for i in range(math.ceil(limits[0] / step), math.floor(limits[1] / step) + 1):
        value = i * step
        yield value, signed(value, decimals) if sign else f"{value:.{decimals}f}"


def _sign(point: _Point, frame: _PlotLimits) -> Markup:
    """Draw a point: a shape for each layer, a cross for a likely slip."""
    x, y = frame.x(point.mean_mm), frame.y(point.diff_mm)
    return _cross(x, y) if point.is_slip else _shape(point.layer, x, y)


def _cross(x: float, y: float) -> Markup:
    d = f"M{number(x - 5)} {number(y - 5)}l10 10m0 -10l-10 10"
    return tag("path", d=d, stroke=INK, stroke_width=1.8, fill="none")


def _shape(layer: str, x: float, y: float) -> Markup:
    fill = FILLS[layer]
    if layer == "sand":
        return tag("circle", cx=x, cy=y, r=5, fill=fill, stroke=INK)
    if layer == "silt":
        return box(x - 4.5, y - 4.5, 9, 9, fill=fill, stroke=INK, stroke_width=1)
    d = f"M{number(x)} {number(y - 6)}l5.5 10h-11z"
    return tag("path", d=d, fill=fill, stroke=INK)


def _legend(slips: bool) -> Iterator[Markup]:
    for i, layer in enumerate(LAYERS):
        x = 58.0 + 76 * i
        yield _shape(layer, x, 312)
        yield label(x + 11, 317, layer, font_size=14)
    if slips:
        yield _cross(292, 312)
        yield label(303, 317, "likely slip", font_size=14)
