"""What a sheet of strips is drawn with: paper, font, lines and boxes in millimetres."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from enum import StrEnum
from functools import cache
from importlib.resources import as_file
from typing import TYPE_CHECKING, Any

from jarvision.core.packaged_files import data_file
from jarvision.jar.strip_spec import StripSpec

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

POINTS_PER_MM = 72 / 25.4

FONT = "DejaVuSansCondensed-subset"

MARGIN_MM = 13.0  # Common practice: home printers leave up to 13 mm of the foot unprinted.

INK, GREY, _PALE = 0.0, 0.45, 0.8


class Paper(StrEnum):
    """Sheets that a home printer takes."""

    LETTER = "letter"
    A4 = "a4"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height: ANSI/ASME Y14.1 size A (8.5 x 11 in), ISO 216 A4."""
        return (8.5 * 25.4, 11 * 25.4) if self is Paper.LETTER else (210.0, 297.0)


def new_canvas(buffer: io.BytesIO, size_mm: tuple[float, float]) -> Any:
    """Begin a page of a size [mm], measured in millimetres."""
    from reportlab.pdfgen.canvas import Canvas

    _register_font()
    size_points = tuple(side * POINTS_PER_MM for side in size_mm)
    # "invariant" leaves out the clock, so that the same sheet is the same file.
    canvas = Canvas(buffer, pagesize=size_points, invariant=1, pageCompression=1)
    canvas.setTitle("Scale strips for settling jars")
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


@cache
def _register_font() -> Any:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    with as_file(data_file(f"{FONT}.ttf")) as path:
        font = TTFont(FONT, str(path))
    registerFont(font)
    return font


def glyphs_of() -> Mapping[int, int]:
    """Give the font's glyphs by their characters' code points."""
    glyphs: Mapping[int, int] = _register_font().face.charToGlyph
    return glyphs


def text_width_mm(text: str, size_mm: float) -> float:
    """Tell how wide a text of a size is [mm]."""
    width: float = _register_font().stringWidth(text, size_mm)
    return width


def draw_text(
    canvas: Any,
    at_mm: tuple[float, float],
    text: str,
    *,
    size_mm: float,
    align: float = 0.0,
    bold: bool = False,
    grey: float = INK,
) -> None:
    """Write one line; `align` is the part of its width that lies left of `at_mm`."""
    canvas.setFillGray(grey)
    canvas.setStrokeGray(grey)
    canvas.setLineWidth(size_mm * 0.035)
    line = canvas.beginText(at_mm[0] - align * text_width_mm(text, size_mm), at_mm[1])
    line.setFont(FONT, size_mm)
    line.setTextRenderMode(2 if bold else 0)
    line.textOut(text)
    line.setTextRenderMode(0)  # The mode outlives the text in a PDF.
    canvas.drawText(line)


def draw_line(
    canvas: Any,
    from_mm: tuple[float, float],
    to_mm: tuple[float, float],
    *,
    width_mm: float = 0.15,
    grey: float = INK,
) -> None:
    """Draw a line from one point to another [mm]."""
    canvas.setStrokeGray(grey)
    canvas.setLineWidth(width_mm)
    canvas.line(*from_mm, *to_mm)


def draw_box(canvas: Any, box_mm: tuple[float, float, float, float], *, grey: float = INK) -> None:
    """Fill a box given as (left, bottom, width, height)."""
    canvas.setFillGray(grey)
    canvas.rect(*box_mm, stroke=0, fill=1)


def tag_cells(tag_id: int, spec: StripSpec) -> NDArray[np.bool_]:
    """Give a tag's cells as OpenCV draws them, its black border included.

    Returns
    -------
    (8, 8) array of bool
        True where dark; row 0 is the top of the upright tag.
    """
    import cv2

    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, spec.tag_family))
    side = family.markerSize + 2
    dark: NDArray[np.bool_] = cv2.aruco.generateImageMarker(family, tag_id, side) < 128
    return dark


def dark_runs(cells: NDArray[np.bool_]) -> Iterator[tuple[int, int, int]]:
    """Yield row, first column and length of each run of dark cells."""
    for row, line in enumerate(cells):
        text = "".join("#" if dark else "." for dark in line)
        for run in re.finditer("#+", text):
            yield row, run.start(), run.end()


def draw_ruler(canvas: Any, length_mm: float, spec: StripSpec) -> None:
    """Draw the millimetres of a strip."""
    for z_mm in range(1, int(length_mm)):
        tick_mm, thick_mm = _tick(z_mm, spec)
        draw_box(canvas, (spec.width_mm - tick_mm, z_mm - thick_mm / 2, tick_mm, thick_mm))
    for z_mm in range(0, int(length_mm), 10):
        at_mm = (spec.width_mm - spec.tick_mm - 0.4, z_mm + 0.45)
        draw_text(canvas, at_mm, str(z_mm), size_mm=1.9, align=1.0)


def _tick(z_mm: int, spec: StripSpec) -> tuple[float, float]:
    """Length and thickness of the tick at `z_mm`."""
    if z_mm % 10 == 0:
        return spec.tick_10_mm, 0.3
    return (spec.tick_5_mm, 0.25) if z_mm % 5 == 0 else (spec.tick_mm, 0.2)
