"""Sheets of scale strips to print: a vector PDF at true size.

Every length is in millimetres from the page's bottom left corner, y upward: the canvas is scaled
once, so that the numbers below are the ones a ruler shows on paper.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jarvision.core.errors import UsageError
from jarvision.core.own_files import write_result
from jarvision.core.text import shortened
from jarvision.jar.strip_canvas import (
    GREY,
    INK,
    MARGIN_MM,
    POINTS_PER_MM,
    Paper,
    dark_runs,
    draw_line,
    draw_ruler,
    draw_text,
    new_canvas,
    tag_cells,
    text_width_mm,
)
from jarvision.jar.strip_guide import draw_guide
from jarvision.jar.strip_names import check_jars, parse_jars, printable_name, read_names
from jarvision.jar.strip_spec import USUAL_LENGTH_MM, StripSpec, strip_spec

_STRIPS_PER_PAGE = 6


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
    check_jars(numbers, spec)
    _check_length(length_mm, spec)
    size_mm = _paper(paper).size_mm
    buffer = io.BytesIO()
    canvas = new_canvas(buffer, size_mm)
    pages = _pages(numbers)
    for page, on_page in enumerate(pages, start=1):
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        heading = f"Jars {_span(on_page)} · page {page} of {len(pages)}"
        draw_guide(canvas, size_mm, heading, spec)
        _draw_strips(canvas, on_page, length_mm, names or {}, spec)
        _draw_check_line(canvas, length_mm, spec)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


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
    while first < len(words) and text_width_mm(" ".join(words[: first + 1]), size_mm) <= width_mm:
        first += 1
    lines = [" ".join(words[:first]), " ".join(words[first:])]
    return [
        shortened(line, lambda text: text_width_mm(text, size_mm) <= width_mm)
        for line in lines
        if line
    ]


def _draw_strips(
    canvas: Any, jars: Sequence[int], length_mm: float, names: Mapping[int, str], spec: StripSpec
) -> None:
    for place, jar in enumerate(jars):
        canvas.saveState()
        canvas.translate(MARGIN_MM + place * spec.width_mm, MARGIN_MM)
        draw_ruler(canvas, length_mm, spec)
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
    for row, start, stop in dark_runs(cells):
        bottom_mm = top_mm - (row + 1) * cell_mm
        path.rect(left_mm + start * cell_mm, bottom_mm, (stop - start) * cell_mm, cell_mm)
    canvas.setFillGray(INK)
    canvas.drawPath(path, stroke=0, fill=1)


def _draw_label(canvas: Any, jar: int, length_mm: float) -> None:
    draw_text(canvas, (2.0, 1.3), f"#{jar}", size_mm=4.2, bold=True)
    draw_text(canvas, (12.2, 3.0), "▼ zero =", size_mm=1.75)
    draw_text(canvas, (12.2, 1.1), "inside floor", size_mm=1.75)
    draw_text(canvas, (10.0, length_mm - 3.6), "▲ this end up", size_mm=2.3, align=0.5)


def _draw_name(canvas: Any, name: str, spec: StripSpec) -> None:
    """Write a name between the two lowest tags, or draw a line to write it on."""
    x_mm, middle_mm = spec.tag_centre_mm(0)[0], spec.first_centre_mm + spec.centre_step_mm / 2
    if not name:
        draw_line(canvas, (x_mm - 8, middle_mm - 1), (x_mm + 8, middle_mm - 1), grey=GREY)
        draw_text(canvas, (x_mm, middle_mm - 3.2), "name", size_mm=1.75, align=0.5, grey=GREY)
        return
    size_mm, lines = _fitted_name(name, width_mm=17.0)
    base_mm = middle_mm - 1.1 + 1.8 * (len(lines) - 1)
    for number, line in enumerate(lines):
        draw_text(canvas, (x_mm, base_mm - 3.6 * number), line, size_mm=size_mm, align=0.5)


def _draw_cut_lines(canvas: Any, strips: int, length_mm: float, spec: StripSpec) -> None:
    low_mm, high_mm = MARGIN_MM, MARGIN_MM + length_mm
    right_mm = MARGIN_MM + strips * spec.width_mm
    for edge in range(strips + 1):
        x_mm = MARGIN_MM + edge * spec.width_mm
        draw_line(canvas, (x_mm, low_mm - 4), (x_mm, high_mm + 4), width_mm=0.1, grey=GREY)
    for y_mm in (low_mm, high_mm):
        draw_line(canvas, (low_mm - 4, y_mm), (right_mm + 4, y_mm), width_mm=0.1, grey=GREY)


def _draw_check_line(canvas: Any, length_mm: float, spec: StripSpec) -> None:
    """Draw the line to hold against a ruler, upright as the strips are: printers may stretch."""
    x_mm = MARGIN_MM + _STRIPS_PER_PAGE * spec.width_mm + 9
    low_mm = MARGIN_MM + (length_mm - spec.check_line_mm) / 2
    high_mm = low_mm + spec.check_line_mm
    draw_line(canvas, (x_mm, low_mm), (x_mm, high_mm), width_mm=0.3)
    for y_mm in (low_mm, high_mm):
        draw_line(canvas, (x_mm - 3, y_mm), (x_mm + 3, y_mm), width_mm=0.2)
    canvas.saveState()
    canvas.translate(x_mm + 6.5, (low_mm + high_mm) / 2)
    canvas.rotate(90)
    draw_text(canvas, (0, 0), "Check: bar to bar must measure", size_mm=3.6, align=0.5)
    draw_text(canvas, (0, -5.5), "100 mm = 3 15/16 inches", size_mm=4.2, align=0.5, bold=True)
    canvas.restoreState()
