"""Lines, tints and words on a picture, with a dark edge that shows them on any ground."""

from __future__ import annotations

import functools
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from jarvision.core.arrays import Array, Picture
from jarvision.core.text import shortened
from jarvision.pages.palette import CHALK, EDGE, Bgr

_SUBPIXEL = 4  # bits of fraction in OpenCV's line coordinates
_IN_FONT = frozenset("±°·…")  # what Pillow's bundled font has beyond ASCII, of what is needed


def _fixed(points: Array) -> NDArray[np.int32]:
    """Positions in OpenCV's fixed-point numbers, kept in a range that it can draw."""
    near = np.clip(np.nan_to_num(points), -20000, 20000)
    return np.asarray(np.round(near * 2**_SUBPIXEL), dtype=np.int32)


def stroke(picture: Picture, lines: Sequence[Array], colour: Bgr, width: int) -> None:
    """Draw lines with a dark edge, which shows on any ground."""
    fixed = [_fixed(line) for line in lines if len(line) > 1]
    for tone, thick in ((EDGE, width + 2), (colour, width)):
        cv2.polylines(picture, fixed, False, tone, thick, cv2.LINE_AA, _SUBPIXEL)


def tint(picture: Picture, shapes: Sequence[Array], colour: Bgr, part: float) -> None:
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


def dashes(line: Array, on_px: float, off_px: float) -> list[Array]:
    """Cut a line into dashes of a given length, one at each end."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    count = max(round((along[-1] - on_px) / (on_px + off_px)), 0)
    starts = np.linspace(0.0, max(along[-1] - on_px, 0.0), count + 1)
    cut = (np.linspace(s, min(s + on_px, along[-1]), 4) for s in starts)
    return [np.stack([np.interp(c, along, line[:, i]) for i in (0, 1)], axis=1) for c in cut]


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
class Words:
    """A line of text: where its left (or right) middle stands in the canvas, and how it looks."""

    text: str
    x: float
    y: float
    size_px: int
    colour: Bgr = CHALK
    room_px: float = math.inf
    anchor: str = "lm"
    edge_px: int = 0


def _fitted(text: str, size_px: int, room_px: float) -> str:
    """Cut a text's end so that it fits."""
    font = _font(size_px)
    return shortened(drawable(text), lambda cut: font.getlength(cut) <= room_px)


def wrapped(phrases: Sequence[str], size_px: int, room_px: float) -> list[str]:
    """Join phrases into lines that fit."""
    lines = [""]
    for phrase in phrases:
        longer = f"{lines[-1]}    {phrase}".strip()
        if _font(size_px).getlength(longer) <= room_px:
            lines[-1] = longer
        else:
            lines.append(phrase)
    return lines


def write(picture: Picture, words: Sequence[Words]) -> Picture:
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
            stroke_fill=EDGE[::-1],
        )
    return np.asarray(cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR), dtype=np.uint8)
