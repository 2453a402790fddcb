"""The page that says how to use the strips."""

from __future__ import annotations

from typing import Any

from jarvision.core.protocol import FRAMING, TIMES
from jarvision.jar.strip_canvas import (
    FONT,
    GREY,
    INK,
    MARGIN_MM,
    draw_box,
    draw_line,
    draw_ruler,
    draw_text,
)
from jarvision.jar.strip_spec import StripSpec

_STEPS = (
    "Print at 100 % (“actual size”), never “fit to page”.",
    "Hold a ruler against the upright line at the right of this page. If it is not 100 mm, print "
    "again; or use the sheet and tell the program what you measured, such as --strip-mm 97.5.",
    "Cut along the grey lines. A strip’s bottom edge is its zero, so cut that one with care.",
    "Tape the strip upright and flat to the outside of the jar, its number at the bottom. Line its "
    "bottom edge up with the inside floor, where the soil will lie, not with the table.",
    "Place it a little left or right of where you will look, so that the layers show beside it. "
    "Keep shiny tape off the black squares.",
    f"Leave it there for all three photos: {TIMES} after shaking.",
    "For each photo hold the phone level with the top of the settled soil, near enough that "
    f"{FRAMING}. No flash.",
)

_CAUTION = (
    "Wet glass slips: close the lid, dry the jar and shake it with both hands. For children use a "
    "clear plastic jar with straight sides."
)


def draw_guide(canvas: Any, size_mm: tuple[float, float], heading: str, spec: StripSpec) -> None:
    """Draw the guide on a page of its own."""
    top_mm = size_mm[1] - 10.0
    draw_text(
        canvas, (MARGIN_MM, top_mm - 5), "Scale strips for settling jars", size_mm=6.5, bold=True
    )
    draw_text(canvas, (MARGIN_MM, top_mm - 11), heading, size_mm=3.6, grey=GREY)
    y_mm = top_mm - 18
    for number, step in enumerate(_STEPS, start=1):
        draw_text(canvas, (MARGIN_MM, y_mm), str(number), size_mm=3.5, bold=True)
        y_mm = _draw_paragraph(canvas, (MARGIN_MM + 5, y_mm), step) - 1.3
    _draw_paragraph(canvas, (MARGIN_MM + 5, y_mm - 1), _CAUTION)
    _draw_picture(canvas, (size_mm[0] - MARGIN_MM - 60, top_mm - 84), spec)


def _draw_paragraph(canvas: Any, at_mm: tuple[float, float], text: str) -> float:
    """Write a paragraph and return where the next one starts."""
    from reportlab.lib.utils import simpleSplit

    x_mm, y_mm = at_mm
    for line in simpleSplit(text, FONT, 3.5, 118.0):
        draw_text(canvas, (x_mm, y_mm), line, size_mm=3.5)
        y_mm -= 4.4
    return y_mm


def _draw_picture(canvas: Any, at_mm: tuple[float, float], spec: StripSpec) -> None:
    """Draw a jar with its strip: zero at the inside floor, layers to be seen beside it."""
    canvas.saveState()
    canvas.translate(*at_mm)
    for bottom_mm, height_mm, grey in ((3, 13, 0.55), (16, 9, 0.7), (25, 5, 0.85)):
        draw_box(canvas, (4, bottom_mm, 30, height_mm), grey=grey)
    _draw_jar(canvas)
    _draw_small_strip(canvas, spec)
    _draw_picture_words(canvas)
    canvas.restoreState()


def _draw_jar(canvas: Any) -> None:
    canvas.setStrokeGray(INK)
    canvas.setLineWidth(0.4)
    canvas.roundRect(2.5, 0, 33, 66, 3)
    canvas.rect(4, 3, 30, 61)
    canvas.rect(5, 66, 28, 7)
    draw_line(canvas, (4, 52), (34, 52), grey=GREY)
    draw_line(canvas, (-4, 0), (42, 0), width_mm=0.3)


def _draw_small_strip(canvas: Any, spec: StripSpec) -> None:
    canvas.saveState()
    canvas.translate(6.5, 3)
    canvas.scale(0.36, 0.36)
    draw_box(canvas, (0, 0, spec.width_mm, 120), grey=1.0)
    draw_ruler(canvas, 120, spec)
    for k in range(4):
        _draw_small_tag(canvas, k, spec)
    canvas.setStrokeGray(INK)
    canvas.rect(0, 0, spec.width_mm, 120)
    canvas.restoreState()


def _draw_small_tag(canvas: Any, k: int, spec: StripSpec) -> None:
    """Draw what looks like a tag but is none: a picture of a strip must not be read as one."""
    left_mm, bottom_mm = spec.tag_corners_mm(k)[3]
    draw_box(canvas, (left_mm, bottom_mm, spec.tag_size_mm, spec.tag_size_mm))
    for column, row in ((3, 3), (7, 9), (10, 5)):
        draw_box(canvas, (left_mm + column, bottom_mm + row, 3, 3), grey=1.0)


def _draw_picture_words(canvas: Any) -> None:
    for y_mm, to_mm, words in (
        (42, 16, ("strip taped on", "the outside")),
        (21, 30, ("layers show", "beside it")),
        (6, 16, ("zero level with", "the inside floor")),
    ):
        tip_mm = 3.0 if to_mm == 16 and y_mm < 10 else y_mm
        draw_line(canvas, (40, y_mm + 1), (to_mm, tip_mm), width_mm=0.25)
        for row, text in enumerate(words):
            draw_text(canvas, (41, y_mm + 1.5 - 3.7 * row), text, size_mm=3.0)
