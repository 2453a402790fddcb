"""What an overlay says: its lines with their labels, the headline, the doubts, the legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from jarvision.core.files import shown
from jarvision.core.ranges import Z90, odds_in_words, range_around, range_of_places, with_range
from jarvision.core.series import READING_TIMES
from jarvision.core.units import UnitSystem, inches_text
from jarvision.estimate.interim import InterimReading
from jarvision.estimate.reading import JarReading
from jarvision.pages.palette import CHALK, LINES, WATER_LINE, Bgr
from jarvision.results.doubt_order import gravest_first
from jarvision.results.headline import soil_in_words
from jarvision.results.readings_table import jar_title
from jarvision.wall.measurement import LAYERS, Boundary, GrainBand
from jarvision.wall.read import PhotoReading

FARTHEST_MM = 300.0
"""Nothing is drawn further than this from the floor."""
LEAST_ODDS = 0.05  # rarer places widen the range and stand in the file, not in the picture
_WORTH_SAYING_MM = 0.3
_NO_RANGE = (math.nan, math.nan)

Drawn: TypeAlias = JarReading | InterimReading
"""What a photo's lines belong to."""

Label: TypeAlias = tuple[str, str, str, str]
"""Title, value, range and note of a line."""


@dataclass(frozen=True, slots=True)
class LineMark:
    """One line on the wall, and what is said of it.

    Attributes
    ----------
    height_mm : float
        Height above the inside floor [mm].
    range_mm : tuple of (float, float)
        The heights that hold the true one 9 times in 10 [mm]; no band where NaN.
    colour : tuple of int
        Blue, green, red.
    style : str
        ``"own"``, ``"older"``, ``"rival"``, ``"floor"`` or ``"water"``.
    label : tuple of str
        Title, value, range and note; any may be empty.
    """

    height_mm: float
    range_mm: tuple[float, float]
    colour: Bgr
    style: str
    label: Label


def marks_of(
    photo: PhotoReading, reading: Drawn, system: UnitSystem = UnitSystem.METRIC
) -> list[LineMark]:
    """Everything to be drawn across the wall of one photo, the most important last."""
    marks = [_floor_mark(photo, reading, system)]
    if math.isfinite(reading.water_mm):
        value = f"about {_length(reading.water_mm, system, 0)}" if reading.scaled else ""
        by_hand = _by_hand("water", reading)
        label = ("water line", value, "", by_hand)
        marks.append(LineMark(reading.water_mm, _NO_RANGE, WATER_LINE, "water", label))
    for boundary in photo.boundaries:
        marks += _rivals(boundary)
    marks += [_boundary_mark(boundary, photo, reading, system) for boundary in photo.boundaries]
    return [m for m in marks if abs(m.height_mm) < FARTHEST_MM]


def _floor_mark(photo: PhotoReading, reading: Drawn, system: UnitSystem) -> LineMark:
    """Mark the inside floor, from which heights count, and say where the strip's zero is to it."""
    sd_mm, zero_mm = photo.floor.sd_mm, photo.floor.z_mm
    within = f"within {_length(max(Z90 * sd_mm, 0.1), system)}" if reading.scaled else ""
    side = "below" if zero_mm > 0 else "above"
    is_off = reading.scaled and abs(zero_mm) >= _WORTH_SAYING_MM
    note = f"strip's 0: {_length(abs(zero_mm), system)} {side}" if is_off else ""
    by_hand = _by_hand("floor", reading)
    label = ("inside floor", within, note, by_hand)
    return LineMark(0.0, range_around(0.0, sd_mm), CHALK, "floor", label)


def _by_hand(line: str, reading: Drawn) -> str:
    """Say that somebody put a line right, where somebody did."""
    measured = reading.measurement
    return "put right by hand" if measured and line in measured.put_right else ""


def _length(value_mm: float, system: UnitSystem, digits: int = 1) -> str:
    if system is UnitSystem.US:
        return f"{inches_text(value_mm)} in"
    return f"{value_mm:.{digits}f} mm"


def _rivals(boundary: Boundary) -> list[LineMark]:
    """Other places where a boundary could be."""
    whole = 1.0 + sum(w for _, w in boundary.alternatives)
    colour = LINES[boundary.layer]
    return [
        LineMark(
            h, _NO_RANGE, colour, "rival", (f"or here ({odds_in_words(w / whole)})", "", "", "")
        )
        for h, w in boundary.alternatives
        if w / whole >= LEAST_ODDS
    ]


def _boundary_mark(
    boundary: Boundary, photo: PhotoReading, reading: Drawn, system: UnitSystem
) -> LineMark:
    is_own = boundary is photo.boundaries[-1]
    ends = height_range_mm(boundary, photo, reading)
    label = boundary_label(boundary, photo, reading, system)
    colour = LINES[boundary.layer]
    return LineMark(boundary.top_mm, ends, colour, "own" if is_own else "older", label)


def height_range_mm(boundary: Boundary, photo: PhotoReading, reading: Drawn) -> tuple[float, float]:
    """Give the range of a boundary's height above the inside floor, other places among it [mm].

    For the boundary that the photo is there to show the spread is that of the jar's result.
    """
    if boundary is photo.boundaries[-1]:
        sd_mm = reading.tops[LAYERS.index(boundary.layer)].sd
    else:
        sd_mm = math.hypot(boundary.sd_mm, photo.floor.sd_mm)
    return range_of_places(boundary.top_mm, sd_mm, boundary.alternatives)


def boundary_label(
    boundary: Boundary,
    photo: PhotoReading,
    reading: Drawn,
    system: UnitSystem = UnitSystem.METRIC,
) -> Label:
    """Say what a line is, where it lies in this photo, and where all photos together put it.

    Returns
    -------
    title, value, range, note : str
        The range holds the true height 9 times in 10; without a scale both are parts of the
        deposit's height. The note is empty unless the jar's result differs from this photo.
    """
    top = reading.tops[LAYERS.index(boundary.layer)]
    here, ends = height_in_words(
        boundary.top_mm, height_range_mm(boundary, photo, reading), reading, system
    )
    joined, _ = height_in_words(top.value, range_around(top.value, top.sd), reading, system)
    is_own = boundary is photo.boundaries[-1]
    note = f"all photos: {joined}" if is_own and joined != here else ""
    if boundary.by_hand:
        note = _by_hand(boundary.layer, reading) or note
    return f"top of the {boundary.layer}", here, ends, note


def height_in_words(
    height_mm: float,
    range_mm: tuple[float, float],
    reading: Drawn,
    system: UnitSystem = UnitSystem.METRIC,
) -> tuple[str, str]:
    """Say a height, and its range; in per cent where there is no scale."""
    if reading.scaled and system is UnitSystem.US:
        low_in, high_in = (inches_text(max(end, 0.0)) for end in range_mm)
        is_known = all(map(math.isfinite, range_mm))
        return f"{inches_text(height_mm)} in", f"({low_in} to {high_in})" if is_known else ""
    part, unit = (1.0, "mm") if reading.scaled else (100 / deposit_mm(reading), "%")
    height = height_mm * part
    if unit == "%" and abs(height - 100) < 0.05:
        return "100 %", ""  # the deposit is measured in itself
    low, high = (end * part for end in range_mm)
    said = with_range(height, (low, high), finest=0.1, lowest=0.0)
    ends = said.partition(" ")[2].replace("–", " to ")  # the font has no dash of that length
    return f"{height:.1f} {unit}", ends


def deposit_mm(reading: Drawn) -> float:
    """Give the top of all that is known to be down above the inside floor [mm]."""
    return [top.value for top in reading.tops if math.isfinite(top.value)][-1]


def headline(photo: PhotoReading, reading: Drawn, soil: str = "") -> tuple[str, str, str]:
    """Say jar and time, the soil, photo.

    The soil is first what it is called by weight, where that is known; odds by height are left
    out, since they would cover only where the lines lie.
    """
    jar = jar_title(shown(reading.jar, longest=40))
    title = f"{jar}, reading at {READING_TIMES[photo.reading].spoken}"
    if isinstance(reading, InterimReading):
        return title, reading.verdict.short, shown(photo.name)
    glass = f"on the glass: {soil_in_words(reading.texture)}"
    words = f"{soil} (by weight); {glass}" if soil else glass
    return title, words, shown(photo.name)


def doubts_in_words(reading: Drawn) -> str:
    """Say that there is something to check; nothing where nothing is unusual.

    Not how much: what is doubted by weight is not known here.
    """
    return "something to check: see the report" if gravest_first(reading.doubts) else ""


_KEYS = {
    "own": "solid: what this photo is for",
    "older": "dashed: lower layers",
    "rival": "dotted: or here",
}


def grain_in_words(band: GrainBand) -> str:
    """Say the mean size of a band's grains [mm]; nothing where it is not told."""
    if band.is_measured:
        return f"{band.mean_mm:.2g}"
    return f"< {band.finer_than_mm:.2g}" if math.isfinite(band.finer_than_mm) else ""


def legend(marks: Sequence[LineMark], reading: Drawn, *, has_grains: bool = False) -> list[str]:
    """Phrases that explain the signs used."""
    styles = {m.style for m in marks}
    phrases = [text for style, text in _KEYS.items() if style in styles]
    phrases += ["band and brackets: right 9 times in 10", "gap: left open to judge by eye"]
    phrases += ["in the sand: size of its grains, mm"] if has_grains else []
    if not reading.scaled:
        return [*phrases, "%: of the deposit's height, as no strip gave a scale"]
    return [*phrases, "heights count from the inside floor, not from the strip's 0"]
