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

from jarvision.files import shown
from jarvision.grouping import READING_TIMES
from jarvision.layers import LAYERS, Boundary, pieces
from jarvision.reading import JarReading, PhotoReading
from jarvision.report import odds_in_words

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]
Colour: TypeAlias = tuple[int, int, int]  # blue, green, red

_PANE_W, _PANE_H = 780, 1180
_PANEL_W, _HEAD_H, _FOOT_H = 330, 176, 104
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
    "clay": (70, 115, 245),
}
_WATER: Colour = (235, 225, 190)

_Z95 = 1.96  # standard deviations to each side that hold 95 % of a normal distribution
_SIDE_MM, _BELOW_MM, _ABOVE_MM = 9.0, 13.0, 13.0  # shown beyond the jar, the floor and the water
_FARTHEST_MM = 300.0  # nothing is drawn further than this from the floor
_LEAST_ODDS = 0.02


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
    title, value : str
        First and second line of its label; empty where there is nothing to say.
    """

    height_mm: float
    sd_mm: float
    colour: Colour
    style: str
    title: str
    value: str


def marks_of(photo: PhotoReading, reading: JarReading) -> list[Mark]:
    """Everything to be drawn across the wall of one photo, the most important last."""
    floor_sd = photo.floor.sd_mm
    value = f"0 ± {floor_sd:.1f} mm" if reading.scaled else ""
    marks = [Mark(0.0, floor_sd, _INK, "floor", "inside floor", value)]
    if math.isfinite(reading.water_mm):
        value = f"about {reading.water_mm:.0f} mm" if reading.scaled else ""
        marks.append(Mark(reading.water_mm, math.nan, _WATER, "water", "water line", value))
    for boundary in photo.boundaries:
        marks += _rivals(boundary)
    marks += [_boundary_mark(boundary, photo, reading) for boundary in photo.boundaries]
    return [m for m in marks if abs(m.height_mm) < _FARTHEST_MM]


def _rivals(boundary: Boundary) -> list[Mark]:
    """Other places where a boundary could be."""
    whole = 1.0 + sum(w for _, w in boundary.alternatives)
    colour = _COLOURS[boundary.layer]
    return [
        Mark(h, math.nan, colour, "rival", f"or here ({odds_in_words(w / whole)})", "")
        for h, w in boundary.alternatives
        if w / whole > _LEAST_ODDS
    ]


def _boundary_mark(boundary: Boundary, photo: PhotoReading, reading: JarReading) -> Mark:
    sd_mm = height_sd_mm(boundary, photo, reading)
    style = "own" if boundary is photo.boundaries[-1] else "older"
    title = f"top of the {boundary.layer}"
    value = height_in_words(boundary.top_mm, sd_mm, reading)
    return Mark(boundary.top_mm, sd_mm, _COLOURS[boundary.layer], style, title, value)


def height_sd_mm(boundary: Boundary, photo: PhotoReading, reading: JarReading) -> float:
    """One standard deviation of a boundary's height above the inside floor [mm].

    For the boundary that the photo is there to show it is the one of the jar's result.
    """
    if boundary is photo.boundaries[-1]:
        return reading.tops[LAYERS.index(boundary.layer)].sd
    return math.hypot(boundary.sd_mm, photo.floor.sd_mm)


def height_in_words(height_mm: float, sd_mm: float, reading: JarReading) -> str:
    """Say a height with one standard deviation; without a scale, in parts of the deposit."""
    if reading.scaled:
        return _with_sd(height_mm, sd_mm, "mm")
    whole_mm = reading.tops[-1].value
    if abs(height_mm - whole_mm) < 0.02 * whole_mm:
        return "all of the deposit"
    return _with_sd(100 * height_mm / whole_mm, 100 * sd_mm / whole_mm, "%")


def _with_sd(value: float, sd: float, unit: str) -> str:
    if not math.isfinite(sd):
        return f"{value:.0f} ± ? {unit}"
    digits = 1 if sd < 3 else 0
    return f"{value:.{digits}f} ± {max(sd, 0.1):.{digits}f} {unit}"


def _headline(photo: PhotoReading, reading: JarReading) -> tuple[str, str, str]:
    """Jar and time, texture, photo."""
    name = shown(reading.jar, longest=40)
    jar = name if name.casefold().startswith("jar") else f"Jar {name}"
    texture = reading.texture
    words = f"{texture.likeliest} ({odds_in_words(texture.odds)})"
    if texture.next_class is not None and texture.next_odds > _LEAST_ODDS:
        words += f", or {texture.next_class} ({odds_in_words(texture.next_odds)})"
    return f"{jar}, {READING_TIMES[photo.reading].spoken}", words, shown(photo.name)


def _legend(reading: JarReading) -> tuple[str, str, str]:
    count = len(reading.doubts)
    doubts = f"{count} doubt{'s' if count > 1 else ''}: read them on the card" if count else ""
    return (
        "solid: the line this photo is for   dashed: older lines   band: 95 % range",
        "±: one standard deviation   thin frame: glass that was read",
        doubts,
    )


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


def _wall_line(photo: PhotoReading, azimuth: Array, height_mm: float | Array) -> Array:
    """Photo positions (n, 2) of a height on the inside of the wall, above the inside floor."""
    view = photo.look.jar.view
    z = np.broadcast_to(photo.floor.z_mm + np.asarray(height_mm, dtype=np.float64), azimuth.shape)
    return view.wall_px(azimuth, z + view.glass_drop_mm(z))


def _frame_of(photo: PhotoReading, marks: Sequence[Mark]) -> Frame:
    """Fit the jar from under its foot to over the water into the pane."""
    view = photo.look.jar.view
    top = max(m.height_mm for m in marks) + _ABOVE_MM
    edges = np.array([view.edge_azimuth(-1), view.edge_azimuth(1), 0.0])
    ends = np.concatenate([_wall_line(photo, edges, -_BELOW_MM), _wall_line(photo, edges, top)])
    low, high = ends.min(axis=0), ends.max(axis=0)
    margin = _SIDE_MM * (high[0] - low[0]) / (2 * view.outline.radius_mm)
    width, height = high - low + np.array([2 * margin, 0.0])
    scale = float(min(_PANE_W / width, _PANE_H / height))
    middle = scale * ((low + high) / 2 + 0.5) - 0.5
    return Frame(scale, float(middle[0]) - (_PANE_W - 1) / 2, float(middle[1]) - (_PANE_H - 1) / 2)


def _pane(bgr: Picture, frame: Frame) -> Picture:
    """Cut the pane out of the photo; plain plate where the photo ends."""
    step = np.array([[frame.scale, 0.0], [0.0, frame.scale]])
    shift = frame.at(np.zeros(2))
    if frame.scale < 0.7:  # shrunk as a whole first, or fine detail turns to false grain
        small = cv2.resize(bgr, None, fx=frame.scale, fy=frame.scale, interpolation=cv2.INTER_AREA)
        true = np.array([small.shape[1] / bgr.shape[1], small.shape[0] / bgr.shape[0]])
        step = np.diag(frame.scale / true)
        bgr, shift = np.asarray(small, np.uint8), frame.at(np.zeros(2)) - step @ (true - 1) / 2
    matrix = np.column_stack([step, shift])
    pane = cv2.warpAffine(
        bgr, matrix, (_PANE_W, _PANE_H), borderMode=cv2.BORDER_CONSTANT, borderValue=_PLATE
    )
    return np.asarray(pane, dtype=np.uint8)


def _has_panel_right(photo: PhotoReading) -> bool:
    """Words stand on the strip's side, so that the scale can stand on bare glass."""
    left, right = photo.look.jar.strip_azimuths
    return math.isnan(left + right) or left + right > 0


def _spread(
    middles: Sequence[float], sizes: Sequence[float], low: float, high: float
) -> list[float]:
    """Move labels apart as little as possible (least squares) -> middles that do not overlap.

    This is isotonic regression of the middles less what must lie between them.
    """
    if not middles:
        return []
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

_SUBPIXEL = 4  # bits of fraction in OpenCV's line coordinates


def _fixed(points: Array) -> NDArray[np.int32]:
    """Pane positions in OpenCV's fixed-point numbers, kept in a range that it can draw."""
    near = np.clip(np.nan_to_num(points), -20000, 20000)
    return np.asarray(np.round(near * 2**_SUBPIXEL), dtype=np.int32)


def _stroke(picture: Picture, lines: Sequence[Array], colour: Colour, width: int) -> None:
    """Draw lines with a dark edge, which shows on any ground."""
    fixed = [_fixed(line) for line in lines if len(line) > 1]
    for tone, thick in ((_EDGE, width + 2), (colour, width)):
        cv2.polylines(picture, fixed, False, tone, thick, cv2.LINE_AA, _SUBPIXEL)


def _tint(picture: Picture, shapes: Sequence[Array], colour: Colour, part: float) -> None:
    """Lay a transparent colour over closed shapes."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    for shape in shapes:
        cv2.fillPoly(mask, [_fixed(shape)], 255, cv2.LINE_AA, _SUBPIXEL)
    x, y, w, h = cv2.boundingRect(mask)
    if w and h:
        here, weight = (
            picture[y : y + h, x : x + w],
            mask[y : y + h, x : x + w, None] * (part / 255),
        )
        here[:] = np.round(here * (1 - weight) + np.array(colour) * weight).astype(np.uint8)


def _dashes(line: Array, on_px: float, off_px: float) -> list[Array]:
    """Cut a line into dashes of a given length."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    starts = np.arange(0.0, along[-1], on_px + off_px)
    cut = (np.linspace(s, min(s + on_px, along[-1]), 4) for s in starts)
    return [np.stack([np.interp(c, along, line[:, i]) for i in (0, 1)], axis=1) for c in cut]


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """What all parts of one overlay need to know."""

    photo: PhotoReading
    reading: JarReading
    frame: Frame
    parts: tuple[Array, ...]  # azimuths of each free piece of wall [rad]
    top_mm: float  # how far up the wall lines and scale go

    def line(self, azimuth: Array, height_mm: float | Array) -> Array:
        """Pane positions (n, 2) of a height above the floor."""
        return self.frame.at(_wall_line(self.photo, azimuth, height_mm))

    def lines(self, height_mm: float) -> list[Array]:
        return [self.line(part, height_mm) for part in self.parts]


def _parts(photo: PhotoReading) -> tuple[Array, ...]:
    """Azimuths along each free piece of wall, thinned to what a smooth curve needs."""
    azimuth = photo.look.wall.azimuth
    found = [azimuth[p] for p in pieces(photo.look.wall)] or [azimuth]
    return tuple(np.linspace(p[0], p[-1], 33) for p in found)


def _band(drawing: _Drawing, mark: Mark) -> list[Array]:
    """Outlines of the 95 % range of a mark."""
    reach = _Z95 * mark.sd_mm
    low = max(mark.height_mm - reach, -_BELOW_MM)
    high = min(mark.height_mm + reach, _FARTHEST_MM)
    pairs = zip(drawing.lines(low), drawing.lines(high), strict=True)
    return [np.concatenate([under, over[::-1]]) for under, over in pairs]


_BANDS = {"own": 0.38, "older": 0.2, "floor": 0.3}


def _draw_mark(pane: Picture, drawing: _Drawing, mark: Mark) -> None:
    """Draw one line in its style."""
    lines = drawing.lines(mark.height_mm)
    if mark.style == "own":
        _stroke(pane, lines, mark.colour, 3)
    elif mark.style == "floor":
        _stroke(pane, lines, mark.colour, 2)
    else:
        on, off = {"older": (16.0, 10.0), "rival": (3.0, 9.0), "water": (26.0, 8.0)}[mark.style]
        _stroke(pane, [d for line in lines for d in _dashes(line, on, off)], mark.colour, 2)


def _draw_frame(pane: Picture, drawing: _Drawing) -> None:
    """Outline the wall that was read, faintly."""
    heights = np.linspace(0.0, drawing.top_mm, 12)
    before = pane.copy()
    for part in drawing.parts:
        sides = [drawing.line(np.full(12, end), heights) for end in (part[0], part[-1])]
        _stroke(pane, [*sides, drawing.line(part, drawing.top_mm)], _INK, 1)
    cv2.addWeighted(pane, 0.45, before, 0.55, 0.0, dst=pane)


# --- words --------------------------------------------------------------------------------------

# What Pillow's bundled font has beyond ASCII, of what is needed here.
_IN_FONT = frozenset("±°·…")


@functools.lru_cache(maxsize=8)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size_px)


def drawable(text: str) -> str:
    """Put text in letters that the bundled font has; accents go, other letters become ``?``."""
    return "".join(map(_drawable_char, text))


def _drawable_char(char: str) -> str:
    if char in _IN_FONT or " " <= char <= "~":
        return char
    plain = unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode()
    if plain.isprintable() and plain:
        return plain
    return "" if unicodedata.combining(char) else "?"


@dataclass(frozen=True, slots=True)
class _Words:
    """A line of text: where its left middle (or right middle) stands, and how it looks."""

    text: str
    x: float
    y: float
    size_px: int
    colour: Colour = _INK
    room_px: float = math.inf
    anchor: str = "lm"
    is_edged: bool = False


def _fitted(text: str, size_px: int, room_px: float) -> str:
    """Cut a text's end so that it fits."""
    font, text = _font(size_px), drawable(text)
    if font.getlength(text) <= room_px:
        return text
    while text and font.getlength(text + "…") > room_px:
        text = text[:-1]
    return text.rstrip() + "…"


def _write(picture: Picture, words: Sequence[_Words]) -> Picture:
    """Write all text at once."""
    image = Image.fromarray(np.ascontiguousarray(picture[..., ::-1]))
    pen = ImageDraw.Draw(image)
    for w in words:
        pen.text(
            (w.x, w.y),
            _fitted(w.text, w.size_px, w.room_px),
            fill=w.colour[::-1],
            font=_font(w.size_px),
            anchor=w.anchor,
            stroke_width=3 if w.is_edged else 0,
            stroke_fill=_EDGE[::-1],
        )
    return np.ascontiguousarray(np.asarray(image)[..., ::-1])


# --- the scale ----------------------------------------------------------------------------------


def _draw_scale(pane: Picture, drawing: _Drawing, panel_right: bool) -> list[_Words]:
    """Draw a scale up the free end of the wall -> its numbers, in pane positions."""
    side = -1.0 if panel_right else 1.0
    ends = [a for part in drawing.parts for a in (part[0], part[-1])]
    at = side * max(side * a for a in ends)
    step, unit = _scale_step(drawing)
    count = math.floor(drawing.top_mm / step + 1e-9)
    radius = drawing.photo.look.jar.view.outline.radius_mm
    ticks, words = [], []
    for i in range(2 * count + 1):
        reach = at + side * np.linspace(0.0, (1.8 if i % 2 else 3.4) / radius, 5)
        ticks.append(drawing.line(reach, i * step / 2))
        if i % 2 == 0:
            x, y = ticks[-1][-1]
            text = f"{10 * i // 2}" + (f" {unit}" if i == 2 * count else "")
            anchor = "lm" if side > 0 else "rm"
            words.append(_Words(text, x + 8 * side, y, 24, anchor=anchor, is_edged=True))
    heights = np.linspace(0.0, count * step, 12)
    _stroke(pane, [drawing.line(np.full(12, at), heights), *ticks], _INK, 2)
    return words


def _scale_step(drawing: _Drawing) -> tuple[float, str]:
    """Height between numbered ticks: 10 mm, or a tenth of the deposit where there is no scale."""
    if drawing.reading.scaled:
        return 10.0, "mm"
    return drawing.reading.tops[-1].value / 10, "%"


# --- putting it together ------------------------------------------------------------------------

_TITLE_PX, _VALUE_PX, _SMALL_PX = 27, 36, 23


def _label_height(mark: Mark) -> float:
    return 84.0 if mark.value else 40.0


def _labels(
    canvas: Picture, drawing: _Drawing, marks: Sequence[Mark], panel_right: bool
) -> Iterator[_Words]:
    """Draw leaders from the lines to the panel -> the labels' text."""
    ends = [_line_end(drawing, mark, panel_right) for mark in marks]
    order = sorted(range(len(marks)), key=lambda i: (ends[i][1], marks[i].height_mm))
    middles = _spread(
        [ends[i][1] for i in order],
        [_label_height(marks[i]) for i in order],
        _HEAD_H + 8.0,
        _HEAD_H + _PANE_H - 8.0,
    )
    for i, y in zip(order, middles, strict=True):
        yield from _label(canvas, marks[i], ends[i], y, panel_right)


def _line_end(drawing: _Drawing, mark: Mark, panel_right: bool) -> Array:
    """Where a line ends on the panel's side, in canvas positions."""
    azimuth = np.concatenate(drawing.parts)
    end = np.array([azimuth.max() if panel_right else azimuth.min()])
    corner = np.array([0.0 if panel_right else _PANEL_W, float(_HEAD_H)])
    return np.asarray(drawing.line(end, mark.height_mm)[0] + corner)


def _label(
    canvas: Picture, mark: Mark, end: Array, y: float, panel_right: bool
) -> Iterator[_Words]:
    """Draw one leader -> its label."""
    edge = float(_PANE_W if panel_right else _PANEL_W)
    out = 1.0 if panel_right else -1.0
    leader = np.array([end, [edge - 26 * out, y], [edge + 14 * out, y]])
    _stroke(canvas, [leader], mark.colour, 1 if mark.style == "rival" else 2)
    x = _PANE_W + _PAD if panel_right else _PAD / 2
    room = _PANEL_W - 1.5 * _PAD
    if not mark.value:
        yield _Words(mark.title, x, y, _TITLE_PX, mark.colour, room)
        return
    yield _Words(mark.title, x, y - 21, _TITLE_PX, mark.colour, room)
    yield _Words(mark.value, x, y + 16, _VALUE_PX if mark.style == "own" else 30, _INK, room)


def _head_and_foot(photo: PhotoReading, reading: JarReading) -> Iterator[_Words]:
    """Headline over the picture and legend under it."""
    room = _WIDTH - 2 * _PAD
    title, texture, name = _headline(photo, reading)
    yield _Words(title, _PAD, 42, 46, _INK, room)
    yield _Words(texture, _PAD, 95, 33, _INK, room)
    yield _Words(name, _PAD, 142, 26, _QUIET, room)
    first, second, doubts = _legend(reading)
    y = _HEAD_H + _PANE_H
    yield _Words(first, _PAD, y + 32, 26, _QUIET, room)
    yield _Words(second, _PAD, y + 72, 26, _QUIET, room)
    yield _Words(doubts, _WIDTH - _PAD, y + 72, 26, _WARN, room, anchor="rm")


def draw_overlay(bgr: Picture, photo: PhotoReading, reading: JarReading) -> Picture:
    """Draw what was read in one photo.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture; it is not changed.
    photo : PhotoReading
        What was read in it.
    reading : JarReading
        What came of the whole jar.

    Returns
    -------
    (h, w, 3) uint8 array
        A new picture, at most 1600 px on its long side.
    """
    marks = marks_of(photo, reading)
    frame = _frame_of(photo, marks)
    top_mm = max(m.height_mm for m in marks) + (0.0 if reading.water_mm > 0 else 10.0)
    drawing = _Drawing(photo, reading, frame, _parts(photo), top_mm)
    panel_right = _has_panel_right(photo)
    pane = _pane(bgr, frame)
    for mark in marks:
        if mark.style in _BANDS and math.isfinite(mark.sd_mm):
            _tint(pane, _band(drawing, mark), mark.colour, _BANDS[mark.style])
    _draw_frame(pane, drawing)
    numbers = _draw_scale(pane, drawing, panel_right)
    for mark in marks:
        _draw_mark(pane, drawing, mark)
    canvas = np.full((_HEIGHT, _WIDTH, 3), _PLATE, np.uint8)
    left = 0 if panel_right else _PANEL_W
    canvas[_HEAD_H : _HEAD_H + _PANE_H, left : left + _PANE_W] = _write(pane, numbers)
    labels = list(_labels(canvas, drawing, marks, panel_right))
    return _write(canvas, [*labels, *_head_and_foot(photo, reading)])


def jpeg_of(picture: Picture) -> bytes:
    """Encode a picture as JPEG, without any metadata.

    Parameters
    ----------
    picture : (h, w, 3) uint8 array
        Blue, green, red.
    """
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return data.tobytes()
