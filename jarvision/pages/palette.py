"""What all pictures and pages share: every colour, and the SVG elements of drawings.

Colours differ in lightness as well as in hue, so that a picture can be told apart in grey and by
the colour-blind.
"""

from __future__ import annotations

from typing import TypeAlias

from jarvision.pages.markup import Attribute, Child, Markup, number, tag

# --- on paper and screen: drawings and pages ------------------------------------------------------

INK, MUTED, RULE, PAPER = "#1F2A2A", "#4C5A58", "#B9C2BC", "#FFFFFF"
FILLS = {"sand": "#F0D9A8", "silt": "#C99E6B", "clay": "#6E3F2C"}
"""Fill of each layer: light to dark, so that grey print keeps the order."""
ON_FILLS = {"sand": INK, "silt": INK, "clay": "#FFFFFF"}
"""Text on each layer."""
BY_HEIGHT, BY_WEIGHT = "#0B5F78", "#A3480A"
WATER, WATER_TIGHT, AIR, MINERAL, ORGANIC = "#B4D8E8", "#2E6E8E", "#FFFFFF", "#B5977A", "#3B2A1E"
HIGHLIGHT = "#E3EEE6"
EARTH, STEEL, STRAW = MINERAL, "#C9D2D2", "#E4CF94"

_VARIABLES = {
    "ink": INK,
    "muted": MUTED,
    "paper": PAPER,
    "link": BY_HEIGHT,
    "alert": BY_WEIGHT,
    "ground": "#FAF8F3",
    "hairline": "#D8D5CA",
    "card-edge": "#E2DFD5",
    "mark": "#5A6562",
    "earlier": "#8A3A05",
    "doubt-ground": "#FFF4E2",
    "caution-ground": "#F0EEE6",
    "calm-ground": "#EAF2F0",
    **FILLS,
}


def css_variables(*, on_photos: bool = False) -> str:
    """Give a style sheet its colours, as custom properties such as ``--ink``.

    `on_photos` adds those that are drawn on photos, such as ``--sand-line``.
    """
    colours = _VARIABLES | (_ON_PHOTOS if on_photos else {})
    return f":root {{ {' '.join(f'--{name}: {hex};' for name, hex in colours.items())} }}\n"


# --- on photos ------------------------------------------------------------------------------------

Bgr: TypeAlias = tuple[int, int, int]
"""A colour as OpenCV has it: blue, green, red."""


def bgr(colour: str) -> Bgr:
    """Turn ``#RRGGBB`` into OpenCV's order."""
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return blue, green, red


_ON_PHOTOS = {
    "plate": "#20252B",
    "chalk": "#F4F1E8",
    "dust": "#A8B0B2",
    "warning": "#FAC86E",
    "edge": "#0F1216",
    "water-line": "#BEE1EB",
    "sand-line": "#FAE150",
    "silt-line": "#50AFEB",
    "clay-line": "#F05F6E",
}
PLATE, CHALK, DUST, WARNING, EDGE, WATER_LINE, *_TOPS = map(bgr, _ON_PHOTOS.values())
LINES = dict(zip(("sand", "silt", "clay"), _TOPS, strict=True))
"""Tops of the layers, told apart by lightness as much as by hue."""
GRAIN = bgr(FILLS["sand"])
"""Brackets beside the sand, which are no line that was read."""


# --- elements -------------------------------------------------------------------------------------


def svg(
    key: str, title: str, description: str, width: float, height: float, *children: Child
) -> Markup:
    """Wrap a drawing, with a title and a description for a screen reader.

    Parameters
    ----------
    key : str
        Short name, unique on its page.
    width, height : float
        Size of the drawing in its own units; the page scales it.
    """
    return tag(
        "svg",
        tag("title", title, id=f"{key}-title"),
        tag("desc", description, id=f"{key}-desc"),
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        role="img",
        aria_labelledby=f"{key}-title {key}-desc",
        class_="figure",
    )


def label(x: float, y: float, content: str, **attributes: Attribute) -> Markup:
    """Write a text."""
    given: dict[str, Attribute] = {"fill": INK, "font_size": 12, **attributes}
    return tag("text", content, x=x, y=y, **given)


def line(x1: float, y1: float, x2: float, y2: float, **attributes: Attribute) -> Markup:
    """Draw a line."""
    given: dict[str, Attribute] = {"stroke": INK, "stroke_width": 1, **attributes}
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, **given)


def box(x: float, y: float, width: float, height: float, **attributes: Attribute) -> Markup:
    """Draw a rectangle; a negative size is drawn as nothing."""
    given: dict[str, Attribute] = {"stroke": INK, "stroke_width": 0.8, **attributes}
    return tag("rect", x=x, y=y, width=max(width, 0.0), height=max(height, 0.0), **given)
