"""Draw on a photo what was read in it: floor, boundaries and how sure they are, wall used, scale.

The photo stands in a pane, cut close round the jar; words stand beside it on a plain plate, so that
they can be read whatever is in the photo.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import cv2
import numpy as np

from jarvision.core.arrays import Array, Picture
from jarvision.core.own_files import mark_picture
from jarvision.core.units import UnitSystem
from jarvision.pages.label_layout import spread_apart
from jarvision.pages.overlay_pen import Words, dashes, drawable, stroke, tint, wrapped, write
from jarvision.pages.overlay_place import (
    BELOW_MM,
    PANE_H,
    PANE_W,
    PANEL_W,
    Drawing,
    brightened,
    brightening,
    cut_out,
    plan,
)
from jarvision.pages.overlay_words import (
    FARTHEST_MM,
    Drawn,
    LineMark,
    deposit_mm,
    doubts_in_words,
    grain_in_words,
    headline,
    legend,
)
from jarvision.pages.palette import CHALK, DUST, GRAIN, PLATE, WARNING
from jarvision.results.numbers import printed_unit
from jarvision.wall.measurement import GrainBand
from jarvision.wall.read import PhotoReading

_HEAD_H, _FOOT_H = 172, 170
_WIDTH, _HEIGHT = PANE_W + PANEL_W, PANE_H + _HEAD_H + _FOOT_H
_PAD = 24
_QUALITY = 88

_BANDS = {"own": 0.4, "older": 0.2, "floor": 0.25}  # how strongly the 90 % range is tinted
_WIDE_MM = 6.0
_DASHES = {"older": (16.0, 10.0), "rival": (3.0, 9.0), "water": (26.0, 8.0)}  # on, off [px]

_TITLE_PX, _VALUE_PX, _NOTE_PX, _SMALL_PX, _LEGEND_PX, _GRAIN_PX = 30, 38, 27, 25, 31, 20
_LABEL_PX = (36.0, 42.0, 34.0, 34.0)  # room for title, value, range and note


def _draw_bands(pane: Picture, drawing: Drawing) -> None:
    """Tint the 90 % range of each line that has one."""
    for mark in drawing.marks:
        part = _BANDS.get(mark.style, 0.0)
        if part and all(map(math.isfinite, mark.range_mm)):
            low = max(mark.range_mm[0], -BELOW_MM)
            high = min(mark.range_mm[1], FARTHEST_MM)
            ends = [(drawing.line(s, low), drawing.line(s, high)) for s in drawing.strokes]
            shapes = [np.concatenate([under, over[::-1]]) for under, over in ends]
            # a wide range must not hide what lies in it
            tint(pane, shapes, mark.colour, part if high - low < _WIDE_MM else part / 2)


def _draw_mark(pane: Picture, drawing: Drawing, mark: LineMark) -> None:
    """Draw one line in its style."""
    lines = [drawing.line(s, mark.height_mm) for s in drawing.strokes]
    if mark.style in _DASHES:
        lines = [dash for line in lines for dash in dashes(line, *_DASHES[mark.style])]
    stroke(pane, lines, mark.colour, 3 if mark.style == "own" else 2)


def _draw_frame(pane: Picture, drawing: Drawing) -> None:
    """Outline the wall that was read, faintly."""
    heights = np.linspace(0.0, drawing.top_mm, 12)
    before = pane.copy()
    for part in drawing.parts:
        sides = [drawing.line(np.full(12, end), heights) for end in (part[0], part[-1])]
        stroke(pane, [*sides, drawing.line(part, drawing.top_mm)], CHALK, 1)
    cv2.addWeighted(pane, 0.45, before, 0.55, 0.0, dst=pane)


# --- the scale ----------------------------------------------------------------------------------


def _draw_scale(pane: Picture, drawing: Drawing) -> Iterator[Words]:
    """Draw a scale up the end of the wall that is free of the strip -> its numbers."""
    side = -1 if drawing.is_right else 1
    heights, step = _scale_heights(drawing)
    reach = np.array([0.0, 1.0]) * side / drawing.photo.look.jar.view.outline.radius_mm
    at = drawing.end(side)
    ticks = [
        drawing.line(at + reach * (1.8 if i % 2 else 3.4), height)
        for i, height in enumerate(heights)
    ]
    stroke(pane, [drawing.line(np.full(len(heights), at), heights), *ticks], CHALK, 2)
    for i in range(0, len(ticks), 2):
        x, y = ticks[i][-1] + [drawing.pane_x + 8 * side, _HEAD_H]
        anchor = "lm" if side > 0 else "rm"
        yield Words(str(i // 2 * step), x, y, _SMALL_PX, anchor=anchor, edge_px=3)
        if i == len(ticks) - 1:
            unit = printed_unit(drawing.system)[1] if drawing.reading.scaled else "%"
            yield Words(unit, x, y - 1.3 * _SMALL_PX, _SMALL_PX, anchor=anchor, edge_px=3)


_LEAST_LABEL_PX = 26.0


def _draw_grains(pane: Picture, drawing: Drawing, bands: Sequence[GrainBand]) -> Iterator[Words]:
    """Draw brackets for bands of the sand inside the scale's end of the wall -> their sizes."""
    side = -1 if drawing.is_right else 1
    a_mm = -side / drawing.photo.look.jar.view.outline.radius_mm
    at = drawing.end(side) + 0.8 * a_mm
    last_y = math.inf
    for band in bands:
        said = grain_in_words(band)
        if not said:
            continue
        ends = np.array([band.bottom_mm + 0.15, band.top_mm - 0.15])
        ticks = [drawing.line(at + np.array([0.0, a_mm]), height) for height in ends]
        stroke(pane, [drawing.line(np.full(2, at), ends), *ticks], GRAIN, 2)
        x, y = drawing.line(np.array([at + 1.6 * a_mm]), ends.mean())[0]
        if last_y - y >= _LEAST_LABEL_PX:
            last_y, anchor = y, "lm" if side < 0 else "rm"
            where = x + drawing.pane_x, y + _HEAD_H
            yield Words(said, *where, _GRAIN_PX, GRAIN, anchor=anchor, edge_px=3)


def _scale_heights(drawing: Drawing) -> tuple[Array, int]:
    """Heights of ticks [mm], every other one numbered, and the step between numbers.

    The numbers are mm or inches, or per cent of the deposit where there is no scale.
    """
    if not drawing.reading.scaled:
        return np.linspace(0.0, deposit_mm(drawing.reading), 11), 20
    pitch_mm, step = (25.4, 1) if drawing.system is UnitSystem.US else (10.0, 10)
    count = math.floor((drawing.top_mm - 2.0) / pitch_mm)
    return np.linspace(0.0, pitch_mm * count, 2 * count + 1), step


# --- putting it together ------------------------------------------------------------------------


def _draw_labels(canvas: Picture, drawing: Drawing) -> Iterator[Words]:
    """Draw leaders from the lines to the plate beside them -> the labels' text."""
    side = 1 if drawing.is_right else -1
    corner = np.array([drawing.pane_x, _HEAD_H])
    azimuth = np.array([drawing.end(side)])
    ends = [drawing.line(azimuth, mark.height_mm)[0] + corner for mark in drawing.marks]
    order = sorted(range(len(ends)), key=lambda i: (ends[i][1], drawing.marks[i].height_mm))
    middles = spread_apart(
        [ends[i][1] for i in order],
        [_label_px(drawing.marks[i]) for i in order],
        _HEAD_H + 6.0,
        _HEAD_H + PANE_H - 6.0,
    )
    for i, y in zip(order, middles, strict=True):
        mark = drawing.marks[i]
        _draw_leader(canvas, mark, ends[i], y, side)
        yield from _label(mark, PANE_W + _PAD if side > 0 else _PAD, y)


def _label_px(mark: LineMark) -> float:
    """Height of a label with the gap to the next [px]."""
    return 12.0 + sum(px for px, text in zip(_LABEL_PX, mark.label, strict=True) if text)


def _draw_leader(canvas: Picture, mark: LineMark, end: Array, y: float, side: int) -> None:
    edge = float(PANE_W if side > 0 else PANEL_W)
    leader = np.array([end, [edge - 26 * side, y], [edge + 13 * side, y]])
    stroke(canvas, [leader], mark.colour, 1 if mark.style == "rival" else 2)


def _label(mark: LineMark, x: float, y: float) -> Iterator[Words]:
    """Text of one label, its middle at y."""
    sizes = (
        _SMALL_PX if mark.style == "rival" else _TITLE_PX,
        _VALUE_PX if mark.style == "own" else _TITLE_PX,
        _NOTE_PX,
        _NOTE_PX,
    )
    y -= (_label_px(mark) - 12.0) / 2
    tones = (mark.colour, CHALK, CHALK, DUST)
    for text, size, px, tone in zip(mark.label, sizes, _LABEL_PX, tones, strict=True):
        if text:
            yield Words(text, x, y + px / 2, size, tone, PANEL_W - _PAD - 8.0)
            y += px


def _head(drawing: Drawing, gamma: float, called: str = "", soil: str = "") -> Iterator[Words]:
    """Words over the picture."""
    room = _WIDTH - 2 * _PAD
    title, texture, name = headline(drawing.photo, drawing.reading, soil)
    can_write = called and drawable(called).count("?") == called.count("?")
    yield Words(f"{title}: {called}" if can_write else title, _PAD, 42, 46, CHALK, room)
    yield Words(texture, _PAD, 94, 34, CHALK, room)
    if gamma < 1.0:
        name = f"{name}, brightened to show the layers"
    yield Words(name, _PAD, 140, _SMALL_PX, DUST, 0.74 * room)
    doubts = doubts_in_words(drawing.reading)
    yield Words(doubts, _WIDTH - _PAD, 140, _SMALL_PX, WARNING, anchor="rm")


def _foot(drawing: Drawing, *, has_grains: bool = False) -> Iterator[Words]:
    """Legend under the picture."""
    room = _WIDTH - 2 * _PAD
    phrases = legend(drawing.marks, drawing.reading, has_grains=has_grains)
    lines = wrapped(phrases, _LEGEND_PX, room)
    pitch = min(42.0, (_FOOT_H - 24.0) / len(lines))
    y = _HEAD_H + PANE_H + (_FOOT_H - pitch * (len(lines) - 1)) / 2
    for i, line in enumerate(lines):
        yield Words(line, _PAD, y + i * pitch, _LEGEND_PX, CHALK, room)


def draw_overlay(
    bgr: Picture,
    photo: PhotoReading,
    reading: Drawn,
    *,
    called: str = "",
    soil: str = "",
    system: UnitSystem = UnitSystem.METRIC,
    bands: Sequence[GrainBand] = (),
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
    soil : str
        What the soil is called by weight; empty where that is not known.
    system : UnitSystem
        Units of the heights and of the scale.
    bands : sequence of GrainBand
        The sand's grains by height, where this photo shows them for sure.

    Returns
    -------
    (h, w, 3) uint8 array
        A new picture, at most 1600 px on its long side.
    """
    drawing = plan(photo, reading, system)
    gamma = brightening(photo)
    canvas = np.full((_HEIGHT, _WIDTH, 3), PLATE, np.uint8)
    pane = canvas[_HEAD_H : _HEAD_H + PANE_H, drawing.pane_x : drawing.pane_x + PANE_W]
    pane[:] = brightened(cut_out(bgr, drawing.frame), gamma)
    _draw_frame(pane, drawing)
    _draw_bands(pane, drawing)
    words = list(_draw_scale(pane, drawing))
    for mark in drawing.marks:
        _draw_mark(pane, drawing, mark)
    words += _draw_grains(pane, drawing, bands)
    words += _draw_labels(canvas, drawing)
    words += _head(drawing, gamma, called, soil)
    return write(canvas, [*words, *_foot(drawing, has_grains=bool(bands))])


def jpeg_of(picture: Picture) -> bytes:
    """Encode a picture as JPEG, without any metadata; behind its end it says where it is from.

    Parameters
    ----------
    picture : (h, w, 3) uint8 array
        Blue, green, red.
    """
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return mark_picture(data.tobytes())


def small(bgr: Picture, longest_px: int) -> Picture:
    """Make a picture smaller, where it is larger than that.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
    longest_px : int
        Its longest side at most [px].
    """
    factor = longest_px / max(bgr.shape[:2])
    if factor >= 1.0:
        return bgr
    made = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return np.asarray(made, dtype=np.uint8)
