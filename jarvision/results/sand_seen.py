"""What was seen of a jar's sand: its cells of `readings.csv`, and the line that says it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from jarvision.core.ranges import odds_in_words, pct_with_range
from jarvision.estimate.estimate import Estimated
from jarvision.estimate.jar_sand import JarSand
from jarvision.estimate.posterior import UNKNOWN_INTERVAL, Interval, interval_of
from jarvision.estimate.sand_classes import NAMED_FROM, PARENTS, SandClass
from jarvision.estimate.sand_grading import SandGrading
from jarvision.estimate.sand_parts import PART_LIMITS_UM, SAND_PARTS, UNKNOWN_PARTS, SandParts
from jarvision.estimate.texture import TextureClass
from jarvision.wall.measurement import SandGrain

_DIGITS = 6
_STORED_DRAWS = 200  # stored with a jar: ranges of sizes to a few per cent
_OPEN = (
    "It does not show for sure that its grains lie coarse below fine, as they settle; a nearer and "
    "sharper photo at 1 minute may, or rub the sand between your fingers."
)
_MOST = 0.5  # of the sand, from which one part of it is named alone; ours


@dataclass(frozen=True, slots=True)
class SandRow:
    """What a row of `readings.csv` says of a jar's sand; numbers that are unknown are NaN.

    Attributes
    ----------
    mean_mm : Interval
        Mean diameter of the sand's grains by mass [mm].
    finer_than_mm : float
        Where the grains are too fine to be told: the mean is less than this [mm].
    parts_pct : tuple of 5 Interval
        Very coarse, coarse, medium, fine and very fine sand [% of the fine earth by weight].
    sand_class : SandClass or None
        What the likeliest class by weight is most likely called by its sand.
    class_odds : float
        How likely the soil is that, 0 to 1.
    stones : int or None
        Grains over 2 mm at the glass; None where they were not looked for.
    """

    mean_mm: Interval
    finer_than_mm: float
    parts_pct: tuple[Interval, Interval, Interval, Interval, Interval]
    sand_class: SandClass | None
    class_odds: float
    stones: int | None


def sand_row(made: Estimated) -> SandRow | None:
    """Put what was seen of a jar's sand in a row; None where it was not looked at.

    What is not sure stays unknown: a wall whose pattern is no grain's must not become a number.

    Parameters
    ----------
    made : Estimated
        The jar's soil.
    """
    grain, sand = made.reading.measurement.sand_grain, made.sand
    if grain is None or not grain.photo or not made.reading.scaled:
        return None
    name, odds = None, math.nan
    if sand and sand.texture and made.weighed:
        kin = PARENTS.get(made.weighed.texture.likeliest, ())
        name = max(kin, key=sand.texture.odds_of, default=None)
        odds = sand.texture.odds_of(name) if name else math.nan
    parts = sure_parts(sand)
    found = [_rounded(part) for part in (sand.of_soil_pct if sand and parts else UNKNOWN_PARTS)]
    very_coarse, coarse, medium, fine, very_fine = found
    return SandRow(
        _rounded(parts.mean_mm) if parts else UNKNOWN_INTERVAL,
        round(sand.parts.finer_than_mm, _DIGITS) if sand else math.nan,
        (very_coarse, coarse, medium, fine, very_fine),
        name,
        round(odds, _DIGITS),
        grain.stones if math.isfinite(grain.stones_share) else None,
    )


def _rounded(of: Interval) -> Interval:
    return Interval(*(round(float(value), _DIGITS) for value in (of.value, of.lo, of.hi)))


def sure_parts(sand: JarSand | None) -> SandParts | None:
    """Give the parts of a jar's sand where they are told and sure, else None."""
    return sand.parts if sand and sand.parts.are_sure else None


def stored_sand(sand: JarSand | None) -> JarSand | None:
    """Give what is stored of a jar's sand: all but most of its draws."""
    if sand is None:
        return None
    every = max(1, len(sand.parts.shares) // _STORED_DRAWS)
    shares, finer = (a[::every][:_STORED_DRAWS] for a in (sand.parts.shares, sand.parts.finer))
    return replace(sand, parts=replace(sand.parts, shares=shares, finer=finer))


def shown_grain(sand: JarSand | None, grain: SandGrain | None) -> SandGrain | None:
    """Give the grains by height that may be shown: where they lie as settled, or all are bound."""
    is_bound = sand is not None and math.isfinite(sand.parts.finer_than_mm)
    return grain if is_bound or sure_parts(sand) else None


# --- in words -----------------------------------------------------------------------------------


def sand_line(sand: JarSand | None, soil: TextureClass | None) -> str:
    """Say in one line how coarse a jar's sand is; empty where that is not told.

    Parameters
    ----------
    sand : JarSand or None
        What is known of it.
    soil : TextureClass or None
        The likeliest class by weight.

    Notes
    -----
    Such as ``Of the sand 68 (55–80) % is fine, 0.1–0.25 mm; fine sandy loam, 7 in 10.``
    """
    if sand is None:
        return ""
    if math.isfinite(sand.parts.finer_than_mm):
        return f"Sand: finer than {sand.parts.finer_than_mm:.2g} mm on average."
    parts = sure_parts(sand)
    return f"Of the sand {_mostly(parts)}{_called(sand, soil)}." if parts else ""


def class_by_sand(sand: JarSand | None) -> SandClass | None:
    """Give what a soil is called by its sand, such as fine sandy loam, where that is settled.

    None too where its sand adds nothing to the texture class's name.
    """
    texture = sand.texture if sand else None
    first = next(iter(texture.ranked), None) if texture else None
    if texture is None or first is None or first in {plain for _, plain, *_ in PARENTS.values()}:
        return None
    return first if texture.odds_of(first) >= NAMED_FROM else None


def _called(sand: JarSand, soil: TextureClass | None) -> str:
    """Say what a soil is called by its sand, where that is clear and its headline does not."""
    name = sand.texture.named(soil) if sand.texture and soil else None
    if name is None or sand.texture is None or class_by_sand(sand):
        return ""
    return f"; {name}, {odds_in_words(sand.texture.odds_of(name))}"


def why_untold(sand: JarSand | None, grain: SandGrain | None) -> str:
    """Say why nothing is told of a sand whose grains were looked at; empty where it is, or doubted.

    Parameters
    ----------
    sand : JarSand or None
        What is known of it.
    grain : SandGrain or None
        What a photo shows of its grains.
    """
    if grain is not None and grain.why_not:
        return grain.why_not
    is_open = sand is not None and sand.parts.grading is SandGrading.UNTOLD
    return _OPEN if is_open and shown_grain(sand, grain) is None else ""


def _mostly(parts: SandParts) -> str:
    """Name the part that most of the sand is, else the two neighbours that most of it are."""
    last = int(parts.shares.mean(axis=0).argmax())
    first = last
    if parts.shares[:, last].mean() < _MOST:
        first = int((parts.shares[:, 1:] + parts.shares[:, :-1]).mean(axis=0).argmax())
        last = first + 1
    share = interval_of(100.0 * parts.shares[:, first : last + 1].sum(axis=1))
    said = pct_with_range(share.value, (share.lo, share.hi))
    if first < last:
        return f"{said} is {SAND_PARTS[first]} or {SAND_PARTS[last]}"
    high, low = (um / 1000 for um in PART_LIMITS_UM[first : first + 2])
    return f"{said} is {SAND_PARTS[first]}, {low:g}–{high:g} mm"
