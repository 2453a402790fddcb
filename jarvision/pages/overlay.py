"""Draw on a photo what was read in it: floor, boundaries and how sure they are, wall used, scale.

The photo stands in a pane, cut close round the jar; words stand beside it on a plain plate, so that
they can be read whatever is in the photo. All lines follow the wall as the camera saw it: heights
are those of the inside of the wall, drawn where the line of sight to them enters the glass.
"""

from __future__ import annotations

import functools
import math
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from jarvision.core.files import shown
from jarvision.core.series import READING_TIMES
from jarvision.estimate.reading import JarReading, PhotoReading
from jarvision.jar.wall_features import pieces
from jarvision.results.report import odds_in_words
from jarvision.wall.layers import LAYERS, Boundary

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]
Colour: TypeAlias = tuple[int, int, int]  # blue, green, red

_PANE_W, _PANE_H = 770, 1180
_PANEL_W, _HEAD_H, _FOOT_H = 340, 172, 140
_WIDTH, _HEIGHT = _PANE_W + _PANEL_W, _PANE_H + _HEAD_H + _FOOT_H
_PAD = 24
_QUALITY = 88

_PLATE: Colour = (43, 37, 32)
_INK: Colour = (232, 241, 244)
_QUIET: Colour = (178, 176, 168)
_WARN: Colour = (110, 200, 250)
_EDGE: Colour = (22, 18, 15)
# Told apart by lightness as much as by hue, so also by eyes that do not see red or green.
_COLOURS: dict[str, Colour] = {
    "sand": (80, 225, 250),
    "silt": (235, 175, 80),
    "clay": (110, 95, 240),
}
_WATER: Colour = (235, 225, 190)

_Z95 = 1.96  # standard deviations to each side that hold 95 % of a normal distribution
_SIDE_MM, _BELOW_MM, _ABOVE_MM = 11.0, 13.0, 13.0  # shown beyond the jar, the floor and the water
_FARTHEST_MM = 300.0  # nothing is drawn further than this from the floor
_LEAST_ODDS = 0.02
_CURVE_POINTS = 51  # along each piece of wall: far finer than the eye sees
_LEAST_WINDOW_PX = 140.0
_SHRINK_FIRST = 0.7
_DARK = 0.32  # value of the wall under which a photo is brightened to it
_SUBPIXEL = 4  # bits of fraction in OpenCV's line coordinates
_BANDS = {"own": 0.4, "older": 0.2, "floor": 0.25}  # how strongly the 95 % range is tinted
_WIDE_MM = 6.0
_DASHES = {"older": (16.0, 10.0), "rival": (3.0, 9.0), "water": (26.0, 8.0)}  # on, off [px]

_TITLE_PX, _VALUE_PX, _NOTE_PX, _SMALL_PX = 30, 38, 23, 25
_LABEL_PX = (36.0, 42.0, 30.0)  # room for title, value and note
_IN_FONT = frozenset("±°·…")  # what Pillow's bundled font has beyond ASCII, of what is needed


# --- what is said -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mark:
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
    colour: Colour
    style: str
    label: tuple[str, str, str]


def marks_of(photo: PhotoReading, reading: JarReading) -> list[Mark]:
    """Everything to be drawn across the wall of one photo, the most important last."""
    floor_sd = photo.floor.sd_mm
    value = f"0 ± {floor_sd:.1f} mm" if reading.scaled else ""
    marks = [Mark(0.0, floor_sd, _INK, "floor", ("inside floor", value, ""))]
    if math.isfinite(reading.water_mm):
        value = f"about {reading.water_mm:.0f} mm" if reading.scaled else ""
        label = ("water line", value, "")
        marks.append(Mark(reading.water_mm, math.nan, _WATER, "water", label))
    for boundary in photo.boundaries:
        marks += _rivals(boundary)
    marks += [_boundary_mark(boundary, photo, reading) for boundary in photo.boundaries]
    return [m for m in marks if abs(m.height_mm) < _FARTHEST_MM]


def _rivals(boundary: Boundary) -> list[Mark]:
    """Other places where a boundary could be."""
    whole = 1.0 + sum(w for _, w in boundary.alternatives)
    colour = _COLOURS[boundary.layer]
    return [
        Mark(h, math.nan, colour, "rival", (f"or here ({odds_in_words(w / whole)})", "", ""))
        for h, w in boundary.alternatives
        if w / whole > _LEAST_ODDS
    ]


def _boundary_mark(boundary: Boundary, photo: PhotoReading, reading: JarReading) -> Mark:
    is_own = boundary is photo.boundaries[-1]
    sd_mm = height_sd_mm(boundary, photo, reading)
    label = boundary_label(boundary, photo, reading)
    colour = _COLOURS[boundary.layer]
    return Mark(boundary.top_mm, sd_mm, colour, "own" if is_own else "older", label)


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


def _headline(photo: PhotoReading, reading: JarReading) -> tuple[str, str, str]:
    """Jar and time, texture, photo."""
    name = shown(reading.jar, longest=40)
    jar = name if name.casefold().startswith("jar") else f"Jar {name}"
    texture = reading.texture
    words = f"{texture.likeliest} ({odds_in_words(texture.odds)})"
    if texture.next_class is not None and texture.next_odds > _LEAST_ODDS:
        words += f", or {texture.next_class} ({odds_in_words(texture.next_odds)})"
    return f"{jar}, reading at {READING_TIMES[photo.reading].spoken}", words, shown(photo.name)


def _doubts_in_words(reading: JarReading) -> str:
    count = len(reading.doubts)
    return f"{count} doubt{'s' if count > 1 else ''}: see the card" if count else ""


_KEYS = {
    "own": "solid line: what this photo is for",
    "older": "dashed: lower layers",
    "rival": "dotted: other places it could be",
}


def _legend(marks: Sequence[Mark], reading: JarReading) -> list[str]:
    """Phrases that explain the signs used."""
    styles = {m.style for m in marks}
    phrases = [text for style, text in _KEYS.items() if style in styles]
    phrases += ["band: 95 % range", "±: one standard deviation", "thin frame: glass that was read"]
    phrases += [] if reading.scaled else ["%: of the deposit's height, as no strip gave a scale"]
    return [*phrases, "gap in the lines: left bare to check by eye"]


# --- where it goes ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Frame:
    """How the photo lies in the pane: pane = scale * (photo + 0.5) - 0.5 - offset, in pixels."""

    scale: float
    x_px: float
    y_px: float

    def at(self, points_px: Array) -> Array:
        """Photo positions (..., 2) -> pane positions [px]."""
        offset = np.array([self.x_px, self.y_px])
        return np.asarray(self.scale * (points_px + 0.5) - 0.5 - offset, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """What all parts of one overlay need to know.

    Attributes
    ----------
    marks : tuple of Mark
        The lines, the most important last.
    parts : tuple of array
        Azimuths along each free piece of wall [rad].
    strokes : tuple of array
        The same without the window that lines leave open.
    top_mm : float
        How far up the wall frame and scale go, above the inside floor [mm].
    is_right : bool
        Words stand to the right of the pane, else to its left.
    """

    photo: PhotoReading
    reading: JarReading
    marks: tuple[Mark, ...]
    frame: Frame
    parts: tuple[Array, ...]
    strokes: tuple[Array, ...]
    top_mm: float
    is_right: bool

    @property
    def pane_x(self) -> int:
        """Left edge of the pane in the canvas [px]."""
        return 0 if self.is_right else _PANEL_W

    def line(self, azimuth: Array, height_mm: float | Array) -> Array:
        """Pane positions (n, 2) of a height above the floor."""
        return self.frame.at(_wall_line(self.photo, azimuth, height_mm))

    def end(self, side: int) -> float:
        """Azimuth [rad] of the outermost free wall, left (-1) or right (+1)."""
        return side * max(side * float(a) for part in self.parts for a in (part[0], part[-1]))


def _plan(photo: PhotoReading, reading: JarReading) -> _Drawing:
    """Settle what is drawn and where."""
    marks = tuple(marks_of(photo, reading))
    highest = max(m.height_mm for m in marks)
    top_mm = highest if any(m.style == "water" for m in marks) else highest + 10.0
    frame = _frame_of(photo, top_mm)
    azimuth = photo.look.wall.azimuth
    whole = [azimuth[p] for p in pieces(photo.look.wall)] or [azimuth]
    parts = tuple(np.linspace(p[0], p[-1], _CURVE_POINTS) for p in whole)
    left, right = photo.look.jar.strip_azimuths
    # words stand on the strip's side, so that the scale can stand on bare glass
    is_right = math.isnan(left + right) or left + right > 0
    strokes = _with_window(photo, frame, parts)
    return _Drawing(photo, reading, marks, frame, parts, strokes, top_mm, is_right)


def _wall_line(photo: PhotoReading, azimuth: Array, height_mm: float | Array) -> Array:
    """Photo positions (n, 2) of a height on the inside of the wall, above the inside floor."""
    view = photo.look.jar.view
    z = np.broadcast_to(photo.floor.z_mm + np.asarray(height_mm, dtype=np.float64), azimuth.shape)
    return view.wall_px(azimuth, z + view.glass_drop_mm(z))


def _frame_of(photo: PhotoReading, top_mm: float) -> Frame:
    """Fit the jar from under its foot to over the water into the pane."""
    view = photo.look.jar.view
    edges = np.array([view.edge_azimuth(-1), view.edge_azimuth(1), 0.0])
    heights = (-_BELOW_MM, top_mm + _ABOVE_MM)
    ends = np.concatenate([_wall_line(photo, edges, h) for h in heights])
    low, high = ends.min(axis=0), ends.max(axis=0)
    margin = _SIDE_MM * (high[0] - low[0]) / (2 * view.outline.radius_mm)
    width, height = high - low + np.array([2 * margin, 0.0])
    scale = float(min(_PANE_W / width, _PANE_H / height))
    pane = np.array([_PANE_W, _PANE_H])
    spare = scale * np.array(photo.look.size_px[::-1]) - pane
    offset = scale * ((low + high) / 2 + 0.5) - pane / 2
    # the pane stays within the photo where the photo is large enough
    offset = np.where(spare > 0, np.clip(offset, 0.0, np.maximum(spare, 0.0)), offset)
    return Frame(scale, float(offset[0]), float(offset[1]))


def _with_window(photo: PhotoReading, frame: Frame, parts: Sequence[Array]) -> tuple[Array, ...]:
    """Leave the middle of the widest piece of wall open, so that the edge itself can be judged."""
    widths = [float(np.ptp(frame.at(_wall_line(photo, p, 0.0))[:, 0])) for p in parts]
    widest = int(np.argmax(widths))
    if widths[widest] < _LEAST_WINDOW_PX:
        return tuple(parts)
    part = parts[widest]
    ends = part[0] + np.ptp(part) * np.array([0.38, 0.62])
    halves = [part[part <= ends[0]], part[part >= ends[1]]]
    return (*parts[:widest], *halves, *parts[widest + 1 :])


def _cut_out(bgr: Picture, frame: Frame) -> Picture:
    """Cut the pane out of the photo; plain plate where the photo ends."""
    step, shift = np.diag([frame.scale, frame.scale]), frame.at(np.zeros(2))
    if frame.scale < _SHRINK_FIRST:  # else fine detail turns to false grain
        factor = frame.scale
        small = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        true = np.array([small.shape[1] / bgr.shape[1], small.shape[0] / bgr.shape[0]])
        bgr, step = np.asarray(small, np.uint8), np.diag(factor / true)
        shift = shift - step @ (true - 1) / 2
    pane = cv2.warpAffine(
        bgr,
        np.column_stack([step, shift]),
        (_PANE_W, _PANE_H),
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=_PLATE,
    )
    return np.asarray(pane, dtype=np.uint8)


def _brightening(photo: PhotoReading) -> float:
    """Gamma that lets the eye see the layers of a dark photo; 1 for all others."""
    light = float(np.median(photo.look.wall.bgr.max(axis=2))) / 255
    if light >= _DARK:
        return 1.0
    return max(math.log(_DARK) / math.log(max(light, 0.01)), 0.35)


def _brightened(pane: Picture, gamma: float) -> Picture:
    table = np.round(255 * (np.arange(256) / 255) ** gamma).astype(np.uint8)
    return np.asarray(cv2.LUT(pane, table), dtype=np.uint8)


def _spread(
    middles: Sequence[float], sizes: Sequence[float], low: float, high: float
) -> list[float]:
    """Move labels apart as little as possible (least squares) -> middles that do not overlap.

    This is isotonic regression of the middles less what must lie between them.
    """
    half = np.asarray(sizes) / 2
    between = np.concatenate([[0.0], np.cumsum(half[1:] + half[:-1])])
    free = np.asarray(middles) - between
    n = len(free)
    fit = [
        max(min(free[i : j + 1].mean() for j in range(k, n)) for i in range(k + 1))
        for k in range(n)
    ]
    least, most = low + half[0], high - half[-1] - between[-1]
    return [float(v) for v in np.clip(fit, least, max(most, least)) + between]


# --- lines --------------------------------------------------------------------------------------


def _fixed(points: Array) -> NDArray[np.int32]:
    """Positions in OpenCV's fixed-point numbers, kept in a range that it can draw."""
    near = np.clip(np.nan_to_num(points), -20000, 20000)
    return np.asarray(np.round(near * 2**_SUBPIXEL), dtype=np.int32)


def _stroke(picture: Picture, lines: Sequence[Array], colour: Colour, width: int) -> None:
    """Draw lines with a dark edge, which shows on any ground."""
    fixed = [_fixed(line) for line in lines if len(line) > 1]
    for tone, thick in ((_EDGE, width + 2), (colour, width)):
        cv2.polylines(picture, fixed, False, tone, thick, cv2.LINE_AA, _SUBPIXEL)


def _tint(picture: Picture, shapes: Sequence[Array], colour: Colour, part: float) -> None:
    """Lay a transparent colour over closed shapes."""
    for shape in shapes:
        x, y, w, h = _box(shape, picture)
        if w > 0 and h > 0:
            here = picture[y : y + h, x : x + w]
            over = here.copy()
            cv2.fillPoly(over, [_fixed(shape - [x, y])], colour, cv2.LINE_AA, _SUBPIXEL)
            cv2.addWeighted(over, part, here, 1 - part, 0.0, dst=here)


def _box(shape: Array, picture: Picture) -> tuple[int, int, int, int]:
    """Left, top, width and height of the part of a picture that a shape can touch."""
    room = np.array(picture.shape[1::-1])
    low = np.clip(np.floor(shape.min(axis=0)) - 2, 0, room).astype(int)
    high = np.clip(np.ceil(shape.max(axis=0)) + 3, 0, room).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _dashes(line: Array, on_px: float, off_px: float) -> list[Array]:
    """Cut a line into dashes of a given length, one at each end."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    count = max(round((along[-1] - on_px) / (on_px + off_px)), 0)
    starts = np.linspace(0.0, max(along[-1] - on_px, 0.0), count + 1)
    cut = (np.linspace(s, min(s + on_px, along[-1]), 4) for s in starts)
    return [np.stack([np.interp(c, along, line[:, i]) for i in (0, 1)], axis=1) for c in cut]


def _draw_bands(pane: Picture, drawing: _Drawing) -> None:
    """Tint the 95 % range of each line that has one."""
    for mark in drawing.marks:
        part = _BANDS.get(mark.style, 0.0)
        if part and math.isfinite(mark.sd_mm):
            low = max(mark.height_mm - _Z95 * mark.sd_mm, -_BELOW_MM)
            high = min(mark.height_mm + _Z95 * mark.sd_mm, _FARTHEST_MM)
            ends = [(drawing.line(s, low), drawing.line(s, high)) for s in drawing.strokes]
            shapes = [np.concatenate([under, over[::-1]]) for under, over in ends]
            # a wide range must not hide what lies in it
            _tint(pane, shapes, mark.colour, part if high - low < _WIDE_MM else part / 2)


def _draw_mark(pane: Picture, drawing: _Drawing, mark: Mark) -> None:
    """Draw one line in its style."""
    lines = [drawing.line(s, mark.height_mm) for s in drawing.strokes]
    if mark.style in _DASHES:
        lines = [dash for line in lines for dash in _dashes(line, *_DASHES[mark.style])]
    _stroke(pane, lines, mark.colour, 3 if mark.style == "own" else 2)


def _draw_frame(pane: Picture, drawing: _Drawing) -> None:
    """Outline the wall that was read, faintly."""
    heights = np.linspace(0.0, drawing.top_mm, 12)
    before = pane.copy()
    for part in drawing.parts:
        sides = [drawing.line(np.full(12, end), heights) for end in (part[0], part[-1])]
        _stroke(pane, [*sides, drawing.line(part, drawing.top_mm)], _INK, 1)
    cv2.addWeighted(pane, 0.45, before, 0.55, 0.0, dst=pane)


# --- words --------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=16)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size_px)


def drawable(text: str) -> str:
    """Put text in letters that the bundled font has; accents go, other letters become ``?``."""
    return "".join(map(_drawable_char, text))


def _drawable_char(char: str) -> str:
    if char in _IN_FONT or " " <= char <= "~":
        return char
    plain = unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode()
    if plain and plain.isprintable():
        return plain
    return "" if unicodedata.combining(char) else "?"


@dataclass(frozen=True, slots=True)
class _Words:
    """A line of text: where its left (or right) middle stands in the canvas, and how it looks."""

    text: str
    x: float
    y: float
    size_px: int
    colour: Colour = _INK
    room_px: float = math.inf
    anchor: str = "lm"
    edge_px: int = 0


def _fitted(text: str, size_px: int, room_px: float) -> str:
    """Cut a text's end so that it fits."""
    font, text = _font(size_px), drawable(text)
    if font.getlength(text) <= room_px:
        return text
    while text and font.getlength(text + "…") > room_px:
        text = text[:-1]
    return text.rstrip() + "…"


def _wrapped(phrases: Sequence[str], size_px: int, room_px: float) -> list[str]:
    """Join phrases into lines that fit."""
    lines = [""]
    for phrase in phrases:
        longer = f"{lines[-1]}    {phrase}".strip()
        if _font(size_px).getlength(longer) <= room_px:
            lines[-1] = longer
        else:
            lines.append(phrase)
    return lines


def _write(picture: Picture, words: Sequence[_Words]) -> Picture:
    """Write all text at once."""
    image = Image.fromarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))
    pen = ImageDraw.Draw(image)
    for w in words:
        pen.text(
            (w.x, w.y),
            _fitted(w.text, w.size_px, w.room_px),
            fill=w.colour[::-1],
            font=_font(w.size_px),
            anchor=w.anchor,
            stroke_width=w.edge_px,
            stroke_fill=_EDGE[::-1],
        )
    return np.asarray(cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR), dtype=np.uint8)


# --- the scale ----------------------------------------------------------------------------------


def _draw_scale(pane: Picture, drawing: _Drawing) -> Iterator[_Words]:
    """Draw a scale up the end of the wall that is free of the strip -> its numbers."""
    side = -1 if drawing.is_right else 1
    heights, step = _scale_heights(drawing)
    reach = np.array([0.0, 1.0]) * side / drawing.photo.look.jar.view.outline.radius_mm
    at = drawing.end(side)
    ticks = [
        drawing.line(at + reach * (1.8 if i % 2 else 3.4), height)
        for i, height in enumerate(heights)
    ]
    _stroke(pane, [drawing.line(np.full(len(heights), at), heights), *ticks], _INK, 2)
    for i in range(0, len(ticks), 2):
        x, y = ticks[i][-1] + [drawing.pane_x + 8 * side, _HEAD_H]
        anchor = "lm" if side > 0 else "rm"
        yield _Words(str(i // 2 * step), x, y, _SMALL_PX, anchor=anchor, edge_px=3)
        if i == len(ticks) - 1:
            unit = "mm" if drawing.reading.scaled else "%"
            yield _Words(unit, x, y - 1.3 * _SMALL_PX, _SMALL_PX, anchor=anchor, edge_px=3)


def _scale_heights(drawing: _Drawing) -> tuple[Array, int]:
    """Heights of ticks [mm], every other one numbered, and the step between numbers.

    The numbers are mm, or per cent of the deposit where there is no scale.
    """
    if not drawing.reading.scaled:
        return np.linspace(0.0, drawing.reading.tops[-1].value, 11), 20
    count = math.floor((drawing.top_mm - 2.0) / 10)
    return np.linspace(0.0, 10.0 * count, 2 * count + 1), 10


# --- putting it together ------------------------------------------------------------------------


def _draw_labels(canvas: Picture, drawing: _Drawing) -> Iterator[_Words]:
    """Draw leaders from the lines to the plate beside them -> the labels' text."""
    side = 1 if drawing.is_right else -1
    corner = np.array([drawing.pane_x, _HEAD_H])
    azimuth = np.array([drawing.end(side)])
    ends = [drawing.line(azimuth, mark.height_mm)[0] + corner for mark in drawing.marks]
    order = sorted(range(len(ends)), key=lambda i: (ends[i][1], drawing.marks[i].height_mm))
    middles = _spread(
        [ends[i][1] for i in order],
        [_label_px(drawing.marks[i]) for i in order],
        _HEAD_H + 6.0,
        _HEAD_H + _PANE_H - 6.0,
    )
    for i, y in zip(order, middles, strict=True):
        mark = drawing.marks[i]
        _draw_leader(canvas, mark, ends[i], y, side)
        yield from _label(mark, _PANE_W + _PAD if side > 0 else _PAD, y)


def _label_px(mark: Mark) -> float:
    """Height of a label with the gap to the next [px]."""
    return 12.0 + sum(px for px, text in zip(_LABEL_PX, mark.label, strict=True) if text)


def _draw_leader(canvas: Picture, mark: Mark, end: Array, y: float, side: int) -> None:
    edge = float(_PANE_W if side > 0 else _PANEL_W)
    leader = np.array([end, [edge - 26 * side, y], [edge + 13 * side, y]])
    _stroke(canvas, [leader], mark.colour, 1 if mark.style == "rival" else 2)


def _label(mark: Mark, x: float, y: float) -> Iterator[_Words]:
    """Text of one label, its middle at y."""
    sizes = (
        _SMALL_PX if mark.style == "rival" else _TITLE_PX,
        _VALUE_PX if mark.style == "own" else _TITLE_PX,
        _NOTE_PX,
    )
    y -= (_label_px(mark) - 12.0) / 2
    tones = (mark.colour, _INK, _QUIET)
    for text, size, px, tone in zip(mark.label, sizes, _LABEL_PX, tones, strict=True):
        if text:
            yield _Words(text, x, y + px / 2, size, tone, _PANEL_W - _PAD - 8.0)
            y += px


def _head(drawing: _Drawing, gamma: float, called: str = "") -> Iterator[_Words]:
    """Words over the picture."""
    room = _WIDTH - 2 * _PAD
    title, texture, name = _headline(drawing.photo, drawing.reading)
    can_write = called and drawable(called).count("?") == called.count("?")
    yield _Words(f"{title}: {called}" if can_write else title, _PAD, 42, 46, _INK, room)
    yield _Words(texture, _PAD, 94, 34, _INK, room)
    if gamma < 1.0:
        name = f"{name}, brightened to show the layers"
    yield _Words(name, _PAD, 140, _SMALL_PX, _QUIET, 0.74 * room)
    doubts = _doubts_in_words(drawing.reading)
    yield _Words(doubts, _WIDTH - _PAD, 140, _SMALL_PX, _WARN, anchor="rm")


def _foot(drawing: _Drawing) -> Iterator[_Words]:
    """Legend under the picture."""
    room = _WIDTH - 2 * _PAD
    lines = _wrapped(_legend(drawing.marks, drawing.reading), _SMALL_PX, room)
    pitch = min(36.0, (_FOOT_H - 24.0) / len(lines))
    y = _HEAD_H + _PANE_H + (_FOOT_H - pitch * (len(lines) - 1)) / 2
    for i, line in enumerate(lines):
        yield _Words(line, _PAD, y + i * pitch, _SMALL_PX, _QUIET, room)


def draw_overlay(
    bgr: Picture, photo: PhotoReading, reading: JarReading, *, called: str = ""
) -> Picture:
    """Draw what was read in one photo.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture; it is not changed.
    photo : PhotoReading
        What was read in it.
    reading : JarReading
        What came of the whole jar.
    called : str
        What the user calls the jar, to stand beside its number; may be empty. It is left out
        where the font lacks its letters.

    Returns
    -------
    (h, w, 3) uint8 array
        A new picture, at most 1600 px on its long side.
    """
    drawing = _plan(photo, reading)
    gamma = _brightening(photo)
    canvas = np.full((_HEIGHT, _WIDTH, 3), _PLATE, np.uint8)
    pane = canvas[_HEAD_H : _HEAD_H + _PANE_H, drawing.pane_x : drawing.pane_x + _PANE_W]
    pane[:] = _brightened(_cut_out(bgr, drawing.frame), gamma)
    _draw_frame(pane, drawing)
    _draw_bands(pane, drawing)
    words = list(_draw_scale(pane, drawing))
    for mark in drawing.marks:
        _draw_mark(pane, drawing, mark)
    words += _draw_labels(canvas, drawing)
    return _write(canvas, [*words, *_head(drawing, gamma, called), *_foot(drawing)])


def jpeg_of(picture: Picture) -> bytes:
    """Encode a picture as JPEG, without any metadata.

    Parameters
    ----------
    picture : (h, w, 3) uint8 array
        Blue, green, red.
    """
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return data.tobytes()
