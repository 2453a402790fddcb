"""Sheets of scale strips to print: a vector PDF at true size.

Every length is in millimetres from the page's bottom left corner, y upward: the canvas is scaled
once, so that the numbers below are the ones a ruler shows on paper.
"""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import as_file
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jarvision.core.errors import UsageError
from jarvision.core.files import shown
from jarvision.core.own_files import write_result
from jarvision.core.shipped import data_file
from jarvision.core.tables import read_text, rows
from jarvision.jar.strip_spec import USUAL_LENGTH_MM, StripSpec, strip_spec

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_POINTS_PER_MM = 72 / 25.4
_FONT = "DejaVuSansCondensed-subset"
_STRIPS_PER_PAGE = 6
_MARGIN_MM = 13.0  # Common practice: home printers leave up to 13 mm of the foot unprinted.
_INK, _GREY, _PALE = 0.0, 0.45, 0.8


class Paper(StrEnum):
    """Sheets that a home printer takes."""

    LETTER = "letter"
    A4 = "a4"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height: ANSI/ASME Y14.1 size A (8.5 x 11 in), ISO 216 A4."""
        return (8.5 * 25.4, 11 * 25.4) if self is Paper.LETTER else (210.0, 297.0)


@dataclass(frozen=True, slots=True)
class StripsMade:
    """What was put on paper.

    Attributes
    ----------
    jars : tuple of int
        Jar numbers, in the order printed.
    pages : int
        Sheets of paper.
    by_hand : tuple of str
        Names with letters that the sheet's font lacks; their strips have a line to write on.
    """

    jars: tuple[int, ...]
    pages: int
    by_hand: tuple[str, ...]


def write_strips(
    out: Path,
    *,
    jars: str,
    paper: str = Paper.LETTER,
    length_mm: float = USUAL_LENGTH_MM,
    names_csv: Path | None = None,
) -> StripsMade:
    """Write a PDF of scale strips; the whole of the `strips` command.

    Parameters
    ----------
    out : Path
        The PDF to write; an older one of that name is replaced.
    jars : str
        Jar numbers as typed, such as ``"1-30"`` or ``"1,3,5-8"``.
    paper : str
        ``"letter"`` or ``"a4"``.
    length_mm : float
        Length of a strip, 120 or 150 [mm].
    names_csv : Path, optional
        A table with the columns jar and name.

    Raises
    ------
    UsageError
        A jar number, paper, length or names file that cannot be used.
    WriteError
        `out` cannot be written; an older file of that name is still whole.
    """
    numbers = parse_jars(jars)
    names = {} if names_csv is None else read_names(names_csv)
    pdf = make_strips_pdf(numbers, paper=paper, length_mm=length_mm, names=names)
    write_result(out, pdf)
    used = [names[jar] for jar in numbers if jar in names]
    by_hand = tuple(name for name in used if not printable_name(name))
    return StripsMade(numbers, len(_pages(numbers)), by_hand)


def make_strips_pdf(
    jars: Iterable[int],
    *,
    paper: str = Paper.LETTER,
    length_mm: float = USUAL_LENGTH_MM,
    names: Mapping[int, str] | None = None,
) -> bytes:
    """Draw sheets of scale strips, cut lines, the 100 mm check line and a short how-to.

    Parameters
    ----------
    jars : iterable of int
        Jar numbers, 1 to 117; a number given twice is printed once.
    paper : str
        ``"letter"`` or ``"a4"``.
    length_mm : float
        Length of a strip, 120 or 150 [mm].
    names : mapping of int to str, optional
        What to print on a jar's strip beside its number, in any script; shortened to fit, left to
        be written by hand where `printable_name` is empty.

    Returns
    -------
    bytes
        The PDF; the same arguments give the same bytes.

    Raises
    ------
    UsageError
        No jar, a number that no strip has, or a paper or length that is not printed.
    """
    spec = strip_spec()
    numbers = tuple(dict.fromkeys(jars))
    _check_jars(numbers, spec)
    _check_length(length_mm, spec)
    size_mm = _paper(paper).size_mm
    buffer = io.BytesIO()
    canvas = _new_canvas(buffer, size_mm)
    pages = _pages(numbers)
    for page, on_page in enumerate(pages, start=1):
        canvas.scale(_POINTS_PER_MM, _POINTS_PER_MM)
        heading = f"Jars {_span(on_page)} · page {page} of {len(pages)}"
        _draw_guide(canvas, size_mm, heading, spec)
        _draw_strips(canvas, on_page, length_mm, names or {}, spec)
        _draw_check_line(canvas, length_mm, spec)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def parse_jars(text: str) -> tuple[int, ...]:
    """Read a list of jar numbers such as ``"1-30"`` or ``"1,3,5-8"``.

    Returns
    -------
    tuple of int
        Jar numbers, ascending, each once.

    Raises
    ------
    UsageError
        Something that is no number or range, a range backwards, or a number no strip has.

    Examples
    --------
    >>> parse_jars("1, 3, 5-8")
    (1, 3, 5, 6, 7, 8)
    """
    numbers = [jar for part in text.split(",") if part.strip() for jar in _parse_range(part)]
    _check_jars(numbers, strip_spec())
    return tuple(sorted(set(numbers)))


def _parse_range(part: str) -> range:
    match = re.fullmatch(r"\s*(\d{1,6})(?:\s*[-–]\s*(\d{1,6}))?\s*", part, flags=re.ASCII)
    if match is None:
        msg = f"'{part.strip()}' is not a jar number or a range; write jars as 1-30 or 1,3,5-8."
        raise UsageError(msg)
    first, last = int(match[1]), int(match[2] or match[1])
    if last < first:
        msg = f"The range {first}-{last} runs backwards; write the lower jar number first."
        raise UsageError(msg)
    _check_jars((first, last), strip_spec())
    return range(first, last + 1)


def _check_jars(jars: Sequence[int], spec: StripSpec) -> None:
    if not jars:
        msg = "No jar was named; write the jars to print strips for as 1-30 or 1,3,5-8."
        raise UsageError(msg)
    for jar in jars:
        if not 1 <= jar <= spec.last_jar:
            msg = f"There is no strip for jar {jar}; number the jars from 1 to {spec.last_jar}."
            raise UsageError(msg)


def _check_length(length_mm: float, spec: StripSpec) -> None:
    if length_mm not in spec.lengths_mm:
        choices = " or ".join(f"{length:.0f}" for length in spec.lengths_mm)
        msg = f"Strips are not printed {length_mm:g} mm long; choose a length of {choices} mm."
        raise UsageError(msg)


def _paper(name: str) -> Paper:
    try:
        return Paper(name.strip().lower())
    except ValueError:
        msg = f"Paper '{name}' is not known; choose letter or a4."
        raise UsageError(msg) from None


def _pages(jars: Sequence[int]) -> list[Sequence[int]]:
    return [jars[i : i + _STRIPS_PER_PAGE] for i in range(0, len(jars), _STRIPS_PER_PAGE)]


def _span(jars: Sequence[int]) -> str:
    in_a_row = len(jars) > 1 and jars[-1] - jars[0] == len(jars) - 1
    return f"{jars[0]}–{jars[-1]}" if in_a_row else ", ".join(map(str, jars))


# Names ------------------------------------------------------------------------------------------


def read_names(path: Path) -> dict[int, str]:
    """Read a table of jar numbers and names, as a spreadsheet saves it.

    Parameters
    ----------
    path : Path
        A text file with two columns, jar and name, parted by commas, semicolons or tabs; a first
        row with headings is passed over.

    Returns
    -------
    dict of int to str
        Names by jar number.

    Raises
    ------
    UsageError
        The file cannot be opened, or a row has no jar number or repeats one.
    """
    names: dict[int, str] = {}
    shown_name = shown(path.name)
    for number, cells in rows(read_text(path, what="list of names"), name=shown_name):
        if number == 1 and not any(map(str.isdecimal, "".join(cells))):
            continue
        jar, name = _names_row(cells, f"Line {number} of {shown_name}")
        if names.setdefault(jar, name) != name:
            msg = f"{shown_name} gives jar {jar} two names; keep one."
            raise UsageError(msg)
    return names


def _names_row(cells: Sequence[str], where: str) -> tuple[int, str]:
    last_jar = strip_spec().last_jar
    jar = cells[0].lstrip("#")
    is_number = jar.isdecimal() and len(jar) <= 9
    if len(cells) < 2 or not is_number or not 1 <= int(jar) <= last_jar:
        msg = f"{where} needs a jar number from 1 to {last_jar} and a name."
        raise UsageError(msg)
    return int(jar), cells[1]


def printable_name(name: str) -> str:
    """Give a name as the sheet can print it: spaces tidied, signs the font lacks left out.

    Returns
    -------
    str
        Empty when a letter is missing from the font: a name is not printed with holes in it.
    """
    has_glyph = _glyphs()
    kept = []
    for sign in unicodedata.normalize("NFC", name):
        if sign.isspace() or unicodedata.category(sign) == "Cc":
            kept.append(" ")
        elif ord(sign) in has_glyph:
            kept.append(sign)
        elif unicodedata.category(sign)[0] in "LMN":
            return ""
    return " ".join("".join(kept).split())


def _fitted_name(name: str, width_mm: float) -> tuple[float, list[str]]:
    """Choose the larger of two letter sizes [mm] that shows the whole name; break it in lines."""
    for size_mm in (3.0, 2.5):
        lines = _name_lines(name, size_mm=size_mm, width_mm=width_mm)
        if not any(line.endswith("…") for line in lines):
            break
    return size_mm, lines


def _name_lines(name: str, *, size_mm: float, width_mm: float) -> list[str]:
    """Break a name into at most two lines, shortened with an ellipsis where it is too long."""
    words = name.split(" ")
    first = 1
    while first < len(words) and _text_mm(" ".join(words[: first + 1]), size_mm) <= width_mm:
        first += 1
    lines = [" ".join(words[:first]), " ".join(words[first:])]
    return [_shortened(line, size_mm, width_mm) for line in lines if line]


def _shortened(text: str, size_mm: float, width_mm: float) -> str:
    if _text_mm(text, size_mm) <= width_mm:
        return text
    while text and _text_mm(text + "…", size_mm) > width_mm:
        text = text[:-1]
    return text.rstrip() + "…"


# Canvas and letters -----------------------------------------------------------------------------


def _new_canvas(buffer: io.BytesIO, size_mm: tuple[float, float]) -> Any:
    from reportlab.pdfgen.canvas import Canvas

    _register_font()
    size_points = tuple(side * _POINTS_PER_MM for side in size_mm)
    # "invariant" leaves out the clock, so that the same sheet is the same file.
    canvas = Canvas(buffer, pagesize=size_points, invariant=1, pageCompression=1)
    canvas.setTitle("Scale strips for settling jars")
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas


@cache
def _register_font() -> Any:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    with as_file(data_file(f"{_FONT}.ttf")) as path:
        font = TTFont(_FONT, str(path))
    registerFont(font)
    return font


def _glyphs() -> Mapping[int, int]:
    glyphs: Mapping[int, int] = _register_font().face.charToGlyph
    return glyphs


def _text_mm(text: str, size_mm: float) -> float:
    width: float = _register_font().stringWidth(text, size_mm)
    return width


def _text(
    canvas: Any,
    at_mm: tuple[float, float],
    text: str,
    *,
    size_mm: float,
    align: float = 0.0,
    bold: bool = False,
    grey: float = _INK,
) -> None:
    """Write one line; `align` is the part of its width that lies left of `at_mm`."""
    canvas.setFillGray(grey)
    canvas.setStrokeGray(grey)
    canvas.setLineWidth(size_mm * 0.035)
    line = canvas.beginText(at_mm[0] - align * _text_mm(text, size_mm), at_mm[1])
    line.setFont(_FONT, size_mm)
    line.setTextRenderMode(2 if bold else 0)
    line.textOut(text)
    line.setTextRenderMode(0)  # The mode outlives the text in a PDF.
    canvas.drawText(line)


def _line(
    canvas: Any,
    from_mm: tuple[float, float],
    to_mm: tuple[float, float],
    *,
    width_mm: float = 0.15,
    grey: float = _INK,
) -> None:
    canvas.setStrokeGray(grey)
    canvas.setLineWidth(width_mm)
    canvas.line(*from_mm, *to_mm)


def _box(canvas: Any, box_mm: tuple[float, float, float, float], *, grey: float = _INK) -> None:
    """Fill a box given as (left, bottom, width, height)."""
    canvas.setFillGray(grey)
    canvas.rect(*box_mm, stroke=0, fill=1)


# Strips -----------------------------------------------------------------------------------------


def _draw_strips(
    canvas: Any, jars: Sequence[int], length_mm: float, names: Mapping[int, str], spec: StripSpec
) -> None:
    for place, jar in enumerate(jars):
        canvas.saveState()
        canvas.translate(_MARGIN_MM + place * spec.width_mm, _MARGIN_MM)
        _draw_ruler(canvas, length_mm, spec)
        for k in range(spec.tags_on(length_mm)):
            _draw_tag(canvas, jar, k, spec)
        _draw_label(canvas, jar, length_mm)
        _draw_name(canvas, printable_name(names.get(jar, "")), spec)
        canvas.restoreState()
    _draw_cut_lines(canvas, len(jars), length_mm, spec)


def _draw_tag(canvas: Any, jar: int, k: int, spec: StripSpec) -> None:
    """Fill a tag's dark cells as one shape, so that no hairline shows between them."""
    cells = tag_cells(spec.tag_id(jar, k), spec)
    cell_mm = spec.tag_size_mm / len(cells)
    left_mm, top_mm = spec.tag_corners_mm(k)[0]
    path = canvas.beginPath()
    for row, start, stop in _dark_runs(cells):
        bottom_mm = top_mm - (row + 1) * cell_mm
        path.rect(left_mm + start * cell_mm, bottom_mm, (stop - start) * cell_mm, cell_mm)
    canvas.setFillGray(_INK)
    canvas.drawPath(path, stroke=0, fill=1)


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


def _dark_runs(cells: NDArray[np.bool_]) -> Iterator[tuple[int, int, int]]:
    for row, line in enumerate(cells):
        text = "".join("#" if dark else "." for dark in line)
        for run in re.finditer("#+", text):
            yield row, run.start(), run.end()


def _draw_ruler(canvas: Any, length_mm: float, spec: StripSpec) -> None:
    for z_mm in range(1, int(length_mm)):
        tick_mm, thick_mm = _tick(z_mm, spec)
        _box(canvas, (spec.width_mm - tick_mm, z_mm - thick_mm / 2, tick_mm, thick_mm))
    for z_mm in range(0, int(length_mm), 10):
        at_mm = (spec.width_mm - spec.tick_mm - 0.4, z_mm + 0.45)
        _text(canvas, at_mm, str(z_mm), size_mm=1.9, align=1.0)


def _tick(z_mm: int, spec: StripSpec) -> tuple[float, float]:
    """Length and thickness of the tick at `z_mm`."""
    if z_mm % 10 == 0:
        return spec.tick_10_mm, 0.3
    return (spec.tick_5_mm, 0.25) if z_mm % 5 == 0 else (spec.tick_mm, 0.2)


def _draw_label(canvas: Any, jar: int, length_mm: float) -> None:
    _text(canvas, (2.0, 1.3), f"#{jar}", size_mm=4.2, bold=True)
    _text(canvas, (12.2, 3.0), "▼ zero =", size_mm=1.75)
    _text(canvas, (12.2, 1.1), "inside floor", size_mm=1.75)
    _text(canvas, (10.0, length_mm - 3.6), "▲ this end up", size_mm=2.3, align=0.5)


def _draw_name(canvas: Any, name: str, spec: StripSpec) -> None:
    """Write a name between the two lowest tags, or draw a line to write it on."""
    x_mm, middle_mm = spec.tag_centre_mm(0)[0], spec.first_centre_mm + spec.centre_step_mm / 2
    if not name:
        _line(canvas, (x_mm - 8, middle_mm - 1), (x_mm + 8, middle_mm - 1), grey=_GREY)
        _text(canvas, (x_mm, middle_mm - 3.2), "name", size_mm=1.75, align=0.5, grey=_GREY)
        return
    size_mm, lines = _fitted_name(name, width_mm=17.0)
    base_mm = middle_mm - 1.1 + 1.8 * (len(lines) - 1)
    for number, line in enumerate(lines):
        _text(canvas, (x_mm, base_mm - 3.6 * number), line, size_mm=size_mm, align=0.5)


def _draw_cut_lines(canvas: Any, strips: int, length_mm: float, spec: StripSpec) -> None:
    low_mm, high_mm = _MARGIN_MM, _MARGIN_MM + length_mm
    right_mm = _MARGIN_MM + strips * spec.width_mm
    for edge in range(strips + 1):
        x_mm = _MARGIN_MM + edge * spec.width_mm
        _line(canvas, (x_mm, low_mm - 4), (x_mm, high_mm + 4), width_mm=0.1, grey=_GREY)
    for y_mm in (low_mm, high_mm):
        _line(canvas, (low_mm - 4, y_mm), (right_mm + 4, y_mm), width_mm=0.1, grey=_GREY)


# The sheet around them --------------------------------------------------------------------------


def _draw_check_line(canvas: Any, length_mm: float, spec: StripSpec) -> None:
    """Draw the line to hold against a ruler, upright as the strips are: printers may stretch."""
    x_mm = _MARGIN_MM + _STRIPS_PER_PAGE * spec.width_mm + 9
    low_mm = _MARGIN_MM + (length_mm - spec.check_line_mm) / 2
    high_mm = low_mm + spec.check_line_mm
    _line(canvas, (x_mm, low_mm), (x_mm, high_mm), width_mm=0.3)
    for y_mm in (low_mm, high_mm):
        _line(canvas, (x_mm - 3, y_mm), (x_mm + 3, y_mm), width_mm=0.2)
    canvas.saveState()
    canvas.translate(x_mm + 6.5, (low_mm + high_mm) / 2)
    canvas.rotate(90)
    _text(canvas, (0, 0), "Check: bar to bar must measure", size_mm=3.6, align=0.5)
    _text(canvas, (0, -5.5), "100 mm = 3 15/16 inches", size_mm=4.2, align=0.5, bold=True)
    canvas.restoreState()


_STEPS = (
    "Print at 100 % (“actual size”), never “fit to page”.",
    "Hold a ruler against the upright line at the right of this page. If it is not 100 mm, print "
    "again; or use the sheet and tell the program what you measured, such as --strip-mm 97.5.",
    "Cut along the grey lines. A strip’s bottom edge is its zero, so cut that one with care.",
    "Tape the strip upright and flat to the outside of the jar, its number at the bottom. Line its "
    "bottom edge up with the inside floor, where the soil will lie, not with the table.",
    "Place it a little left or right of where you will look, so that the layers show beside it. "
    "Keep shiny tape off the black squares.",
    "Leave it there for all three photos: 1 minute, 2 hours and 48 hours after shaking.",
    "For each photo hold the phone level with the top of the settled soil, near enough that soil "
    "and strip fill the picture. No flash.",
)
_CAUTION = (
    "Wet glass slips: close the lid, dry the jar and shake it with both hands. For children use a "
    "clear plastic jar with straight sides."
)


def _draw_guide(canvas: Any, size_mm: tuple[float, float], heading: str, spec: StripSpec) -> None:
    top_mm = size_mm[1] - 10.0
    _text(
        canvas, (_MARGIN_MM, top_mm - 5), "Scale strips for settling jars", size_mm=6.5, bold=True
    )
    _text(canvas, (_MARGIN_MM, top_mm - 11), heading, size_mm=3.6, grey=_GREY)
    y_mm = top_mm - 18
    for number, step in enumerate(_STEPS, start=1):
        _text(canvas, (_MARGIN_MM, y_mm), str(number), size_mm=3.5, bold=True)
        y_mm = _draw_paragraph(canvas, (_MARGIN_MM + 5, y_mm), step) - 1.3
    _draw_paragraph(canvas, (_MARGIN_MM + 5, y_mm - 1), _CAUTION)
    _draw_picture(canvas, (size_mm[0] - _MARGIN_MM - 60, top_mm - 84), spec)


def _draw_paragraph(canvas: Any, at_mm: tuple[float, float], text: str) -> float:
    """Write a paragraph and return where the next one starts."""
    from reportlab.lib.utils import simpleSplit

    x_mm, y_mm = at_mm
    for line in simpleSplit(text, _FONT, 3.5, 118.0):
        _text(canvas, (x_mm, y_mm), line, size_mm=3.5)
        y_mm -= 4.4
    return y_mm


def _draw_picture(canvas: Any, at_mm: tuple[float, float], spec: StripSpec) -> None:
    """Draw a jar with its strip: zero at the inside floor, layers to be seen beside it."""
    canvas.saveState()
    canvas.translate(*at_mm)
    for bottom_mm, height_mm, grey in ((3, 13, 0.55), (16, 9, 0.7), (25, 5, 0.85)):
        _box(canvas, (4, bottom_mm, 30, height_mm), grey=grey)
    _draw_jar(canvas)
    _draw_small_strip(canvas, spec)
    _draw_picture_words(canvas)
    canvas.restoreState()


def _draw_jar(canvas: Any) -> None:
    canvas.setStrokeGray(_INK)
    canvas.setLineWidth(0.4)
    canvas.roundRect(2.5, 0, 33, 66, 3)
    canvas.rect(4, 3, 30, 61)
    canvas.rect(5, 66, 28, 7)
    _line(canvas, (4, 52), (34, 52), grey=_GREY)
    _line(canvas, (-4, 0), (42, 0), width_mm=0.3)


def _draw_small_strip(canvas: Any, spec: StripSpec) -> None:
    canvas.saveState()
    canvas.translate(6.5, 3)
    canvas.scale(0.36, 0.36)
    _box(canvas, (0, 0, spec.width_mm, 120), grey=1.0)
    _draw_ruler(canvas, 120, spec)
    for k in range(4):
        _draw_small_tag(canvas, k, spec)
    canvas.setStrokeGray(_INK)
    canvas.rect(0, 0, spec.width_mm, 120)
    canvas.restoreState()


def _draw_small_tag(canvas: Any, k: int, spec: StripSpec) -> None:
    """Draw what looks like a tag but is none: a picture of a strip must not be read as one."""
    left_mm, bottom_mm = spec.tag_corners_mm(k)[3]
    _box(canvas, (left_mm, bottom_mm, spec.tag_size_mm, spec.tag_size_mm))
    for column, row in ((3, 3), (7, 9), (10, 5)):
        _box(canvas, (left_mm + column, bottom_mm + row, 3, 3), grey=1.0)


def _draw_picture_words(canvas: Any) -> None:
    for y_mm, to_mm, words in (
        (42, 16, ("strip taped on", "the outside")),
        (21, 30, ("layers show", "beside it")),
        (6, 16, ("zero level with", "the inside floor")),
    ):
        tip_mm = 3.0 if to_mm == 16 and y_mm < 10 else y_mm
        _line(canvas, (40, y_mm + 1), (to_mm, tip_mm), width_mm=0.25)
        for row, text in enumerate(words):
            _text(canvas, (41, y_mm + 1.5 - 3.7 * row), text, size_mm=3.0)
