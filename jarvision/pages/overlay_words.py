"""What an overlay says: its lines with their labels, the headline, the doubts, the legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from jarvision.core.files import shown
from jarvision.core.series import READING_TIMES
from jarvision.estimate.reading import JarReading
from jarvision.pages.palette import CHALK, LINES, WATER_LINE, Bgr
from jarvision.results.report import odds_in_words
from jarvision.wall.layers import LAYERS
from jarvision.wall.measurement import Boundary
from jarvision.wall.read import PhotoReading

FARTHEST_MM = 300.0
"""Nothing is drawn further than this from the floor."""
LEAST_ODDS = 0.02


@dataclass(frozen=True, slots=True)
class LineMark:
    """One line on the wall, and what is said of it.

    Attributes
    ----------
    height_mm, sd_mm : float
        Height above the inside floor and one standard deviation [mm]; no band where NaN.
    colour : tuple of int
        Blue, green, red.
    style : str
        ``"own"``, ``"older"``, ``"rival"``, ``"floor"`` or ``"water"``.
    label : tuple of str
        Title, value and note; any may be empty.
    """

    height_mm: float
    sd_mm: float
    colour: Bgr
    style: str
    label: tuple[str, str, str]


def marks_of(photo: PhotoReading, reading: JarReading) -> list[LineMark]:
    """Everything to be drawn across the wall of one photo, the most important last."""
    floor_sd = photo.floor.sd_mm
    value = f"0 ± {floor_sd:.1f} mm" if reading.scaled else ""
    marks = [LineMark(0.0, floor_sd, CHALK, "floor", ("inside floor", value, ""))]
    if math.isfinite(reading.water_mm):
        value = f"about {reading.water_mm:.0f} mm" if reading.scaled else ""
        label = ("water line", value, "")
        marks.append(LineMark(reading.water_mm, math.nan, WATER_LINE, "water", label))
    for boundary in photo.boundaries:
        marks += _rivals(boundary)
    marks += [_boundary_mark(boundary, photo, reading) for boundary in photo.boundaries]
    return [m for m in marks if abs(m.height_mm) < FARTHEST_MM]


def _rivals(boundary: Boundary) -> list[LineMark]:
    """Other places where a boundary could be."""
    whole = 1.0 + sum(w for _, w in boundary.alternatives)
    colour = LINES[boundary.layer]
    return [
        LineMark(h, math.nan, colour, "rival", (f"or here ({odds_in_words(w / whole)})", "", ""))
        for h, w in boundary.alternatives
        if w / whole > LEAST_ODDS
    ]


def _boundary_mark(boundary: Boundary, photo: PhotoReading, reading: JarReading) -> LineMark:
    is_own = boundary is photo.boundaries[-1]
    sd_mm = height_sd_mm(boundary, photo, reading)
    label = boundary_label(boundary, photo, reading)
    colour = LINES[boundary.layer]
    return LineMark(boundary.top_mm, sd_mm, colour, "own" if is_own else "older", label)


def height_sd_mm(boundary: Boundary, photo: PhotoReading, reading: JarReading) -> float:
    """One standard deviation of a boundary's height above the inside floor [mm].

    For the boundary that the photo is there to show it is the one of the jar's result.
    """
    if boundary is photo.boundaries[-1]:
        return reading.tops[LAYERS.index(boundary.layer)].sd
    return math.hypot(boundary.sd_mm, photo.floor.sd_mm)


def boundary_label(
    boundary: Boundary, photo: PhotoReading, reading: JarReading
) -> tuple[str, str, str]:
    """Say what a line is, where it lies in this photo, and where all photos together put it.

    Returns
    -------
    title, value, note : str
        The value is in mm ± one standard deviation; without a scale it is in parts of the
        deposit's height. The note is empty unless the jar's result differs from this photo.
    """
    top = reading.tops[LAYERS.index(boundary.layer)]
    sd_mm = height_sd_mm(boundary, photo, reading)
    here, value = height_in_words(boundary.top_mm, sd_mm, reading)
    joined, _ = height_in_words(top.value, sd_mm, reading)
    is_own = boundary is photo.boundaries[-1]
    note = f"all photos together: {joined}" if is_own and joined != here else ""
    return f"top of the {boundary.layer}", value, note


def height_in_words(height_mm: float, sd_mm: float, reading: JarReading) -> tuple[str, str]:
    """Say a height alone, and with one standard deviation; in per cent where there is no scale."""
    part, unit = (1.0, "mm") if reading.scaled else (100 / reading.tops[-1].value, "%")
    height, sd = height_mm * part, sd_mm * part
    if unit == "%" and abs(height - 100) < 0.05:
        return "100", "100 %"  # the deposit is measured in itself
    if not math.isfinite(sd):
        return f"{height:.0f}", f"{height:.0f} ± ? {unit}"
    digits = 1 if sd < 3 else 0
    alone = f"{height:.{digits}f}"
    return alone, f"{alone} ± {max(sd, 0.1):.{digits}f} {unit}"


def headline(photo: PhotoReading, reading: JarReading) -> tuple[str, str, str]:
    """Say jar and time, texture, photo."""
    name = shown(reading.jar, longest=40)
    jar = name if name.casefold().startswith("jar") else f"Jar {name}"
    texture = reading.texture
    words = f"{texture.likeliest} ({odds_in_words(texture.odds)})"
    if texture.next_class is not None and texture.next_odds > LEAST_ODDS:
        words += f", or {texture.next_class} ({odds_in_words(texture.next_odds)})"
    return f"{jar}, reading at {READING_TIMES[photo.reading].spoken}", words, shown(photo.name)


def doubts_in_words(reading: JarReading) -> str:
    """Count the doubts; nothing where there are none."""
    count = len(reading.doubts)
    return f"{count} doubt{'s' if count > 1 else ''}: see the card" if count else ""


_KEYS = {
    "own": "solid line: what this photo is for",
    "older": "dashed: lower layers",
    "rival": "dotted: other places it could be",
}


def legend(marks: Sequence[LineMark], reading: JarReading) -> list[str]:
    """Phrases that explain the signs used."""
    styles = {m.style for m in marks}
    phrases = [text for style, text in _KEYS.items() if style in styles]
    phrases += ["band: 95 % range", "±: one standard deviation", "thin frame: glass that was read"]
    phrases += [] if reading.scaled else ["%: of the deposit's height, as no strip gave a scale"]
    return [*phrases, "gap in the lines: left bare to check by eye"]
