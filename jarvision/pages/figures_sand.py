"""How coarse a jar's sand is, as SVG text: its curve of sizes, and its grains by height."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.ranges import Z90, pct_with_range
from jarvision.core.units import decimals_of
from jarvision.estimate.sand_parts import CURVE_UM, PART_LIMITS_UM, SAND_PARTS
from jarvision.pages.figures import nice_step
from jarvision.pages.markup import Markup, join, points_of, tag
from jarvision.pages.palette import BY_WEIGHT, FILLS, INK, MUTED, RULE, box, label, line, svg
from jarvision.wall.measurement import GRAIN_SHARED_LOG_SD, GrainBand

_LIMITS_MM = tuple(um / 1000 for um in reversed(PART_LIMITS_UM))


@dataclass(frozen=True, slots=True)
class _Plot:
    """A plot's frame, with sizes of grains on a logarithmic axis."""

    right: float
    foot: float
    low_mm: float = _LIMITS_MM[0]
    high_mm: float = _LIMITS_MM[-1]
    left: float = 46.0
    top: float = 34.0

    def x(self, mm: float) -> float:
        """Place of a size; sizes beyond the axis stand at its end."""
        part = math.log(mm / self.low_mm) / math.log(self.high_mm / self.low_mm)
        return self.left + (self.right - self.left) * min(max(part, 0.0), 1.0)

    def y(self, part: float) -> float:
        """Place of a part of the axis upward, 0 to 1."""
        return self.foot - (self.foot - self.top) * part

    def sizes(self) -> Iterator[Markup]:
        """Draw the limits between the parts of sand, numbered."""
        for mm in _LIMITS_MM:
            x = self.x(mm)
            yield line(x, self.top, x, self.foot, stroke=RULE, stroke_width=0.8)
            yield label(x, self.foot + 15, f"{mm:g}", text_anchor="middle", fill=MUTED)

    def step(self, part: float, words: str) -> Markup:
        """Draw a level line with its number."""
        y = self.y(part)
        return join(
            line(self.left, y, self.right, y, stroke=RULE, stroke_width=0.6),
            label(self.left - 6, y + 4, words, text_anchor="end", fill=MUTED),
        )

    def finest(self, limit_mm: float) -> Markup | None:
        """Draw the finest size that the photo can tell; nothing where it tells all sand."""
        if not limit_mm > self.low_mm:
            return None
        x = self.x(limit_mm)
        return line(x, self.top, x, self.foot, stroke_width=1.4, stroke_dasharray="5 4")


def sand_curve(key: str, finer: Array, *, limit_mm: float = math.nan) -> Markup:
    """Draw how much of a sand is finer than each size, on a logarithmic axis.

    Parameters
    ----------
    finer : ndarray, shape (n, len(CURVE_UM))
        Draws of the share of the sand finer than each size of `CURVE_UM`.
    limit_mm : float
        The finest grains that the photo can tell [mm].
    """
    plot = _Plot(right=404.0, foot=224.0)
    xs = [plot.x(um / 1000) for um in CURVE_UM.tolist()]
    low, high = np.quantile(finer, (0.05, 0.95), axis=0).tolist()
    middle = finer.mean(axis=0).tolist()

    def way(parts: Sequence[float]) -> list[tuple[float, float]]:
        return [(x, plot.y(part)) for x, part in zip(xs, parts, strict=True)]

    ranges = (
        f"{um / 1000:g} mm {pct_with_range(100 * m, (100 * a, 100 * b))}"
        for um, m, a, b in zip(CURVE_UM.tolist(), middle, low, high, strict=True)
        if um in PART_LIMITS_UM[1:-1]
    )
    return svg(
        key,
        "Sizes of the sand's grains",
        f"Share of the sand that is finer than {', '.join(ranges)}.",
        420,
        262,
        list(plot.sizes()),
        [plot.step(pct / 100, str(pct)) for pct in range(0, 101, 20)],
        list(_part_names(plot)),
        tag(
            "polygon",
            points=points_of([*way(high), *reversed(way(low))]),
            fill=BY_WEIGHT,
            fill_opacity=0.18,
        ),
        tag(
            "polyline", points=points_of(way(middle)), fill="none", stroke=BY_WEIGHT, stroke_width=2
        ),
        plot.finest(limit_mm),
        label(10, 15, "% of the sand that is finer"),
        label(225, 257, "size of grains, mm", text_anchor="middle"),
    )


def _part_names(plot: _Plot) -> Iterator[Markup]:
    for name, high, low in zip(SAND_PARTS, PART_LIMITS_UM, PART_LIMITS_UM[1:], strict=False):
        x = (plot.x(high / 1000) + plot.x(low / 1000)) / 2
        yield label(x, plot.top - 5, name, text_anchor="middle", fill=MUTED, font_size=11)


def grains_by_height(
    key: str,
    bands: Sequence[GrainBand],
    *,
    limit_mm: float = math.nan,
    per_unit: float = 1.0,
    unit: str = "mm",
) -> Markup:
    """Draw the mean size of the grains by height, each band as wide as its 90 % range.

    Parameters
    ----------
    bands : sequence of GrainBand
        Lowest first; those of which nothing is told are left out.
    limit_mm : float
        The finest grains that the photo can tell [mm].
    per_unit : float
        Printed units of height a millimetre.
    unit : str
        What they are called.

    Raises
    ------
    ValueError
        Nothing is told.
    """
    told = [band for band in bands if band.is_told]
    if not told:
        msg = "a figure of grains needs bands"
        raise ValueError(msg)
    ends = [end for band in told for end in _ends_mm(band) if math.isfinite(end)]
    plot = _Plot(292.0, 224.0, min(_LIMITS_MM[0], *ends), max(_LIMITS_MM[-1], *ends))
    high = max(band.top_mm for band in told) * per_unit
    step = nice_step(high)
    digits = decimals_of(step)
    said = "; ".join(
        f"{band.bottom_mm * per_unit:.{digits + 1}f} to {band.top_mm * per_unit:.{digits + 1}f} "
        f"{unit}: {_size_said(band)}"
        for band in told
    )
    return svg(
        key,
        "Size of the sand's grains by height",
        f"Mean size of the grains above the floor: {said}.",
        310,
        262,
        list(plot.sizes()),
        [plot.step(at / high, f"{at:.{digits}f}") for at in np.arange(0, high, step).tolist()],
        [_band(band, plot, per_unit / high) for band in told],
        plot.finest(limit_mm),
        label(10, 15, f"height above the floor, {unit}"),
        label(169, 257, "mean size of grains, mm", text_anchor="middle"),
    )


def _ends_mm(band: GrainBand) -> tuple[float, float]:
    """Give the 90 % range of a band's mean size [mm]; its lower end is NaN where it is a bound."""
    if not band.is_measured:
        return math.nan, band.finer_than_mm
    reach = math.exp(Z90 * math.hypot(band.log_sd, GRAIN_SHARED_LOG_SD))
    return band.mean_mm / reach, band.mean_mm * reach


def _size_said(band: GrainBand) -> str:
    low, high = _ends_mm(band)
    if not band.is_measured:
        return f"finer than {high:.2g} mm"
    return f"{band.mean_mm:.2g} ({low:.2g}–{high:.2g}) mm"


def _band(band: GrainBand, plot: _Plot, per_mm: float) -> Markup:
    low, high = _ends_mm(band)
    left = plot.x(low) if band.is_measured else plot.left
    right = plot.x(high)
    top, foot = (plot.y(max(end * per_mm, 0.0)) for end in (band.top_mm, band.bottom_mm))
    body = box(left, top, right - left, foot - top, fill=FILLS["sand"], stroke="none")
    if band.is_measured:
        x = plot.x(band.mean_mm)
        return join(body, line(x, top, x, foot, stroke=INK, stroke_width=2.2))
    y = (top + foot) / 2
    return join(
        tag("g", body, opacity=0.5),
        line(right, top, right, foot, stroke=INK, stroke_width=1.4),
        tag(
            "polyline",
            points=points_of([(right - 7, y - 4), (right - 15, y), (right - 7, y + 4)]),
            fill="none",
            stroke=INK,
            stroke_width=1.4,
        ),
        line(right - 15, y, right, y, stroke=INK, stroke_width=1.4),
    )
