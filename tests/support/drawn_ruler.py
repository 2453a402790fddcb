"""Rulers drawn by code with a known pitch, as a camera sees them."""

from dataclasses import dataclass

import cv2
import numpy as np

INCH_MM = 25.4  # Exactly, by the international yard and pound agreement of 1959.


# Lengths of ticks [mm], shortest first, as measured by eye on common rulers (common practice, no
# source): a tick's class is how many of the coarser divisions it belongs to.
RULERS = {
    "mm": (1.0, (10, 5, 1), (3.0, 4.3, 5.8)),
    "inch/8": (INCH_MM / 8, (8, 4, 2, 1), (3.5, 5.5, 7.5, 10.0)),
    "inch/16": (INCH_MM / 16, (16, 8, 4, 2, 1), (2.8, 4.2, 5.8, 7.6, 10.0)),
    "mm/2": (0.5, (20, 10, 2, 1), (2.2, 3.2, 4.4, 6.0)),
    "inch/32": (INCH_MM / 32, (32, 16, 8, 4, 2, 1), (2.0, 2.8, 4.2, 5.8, 8.0, 10.0)),
    "inch/16, inches no longer than halves": (
        INCH_MM / 16,
        (16, 8, 4, 2, 1),
        (2.8, 4.2, 5.8, 8, 8),
    ),
    "all alike": (1.0, (1,), (4.0,)),
}


@dataclass(frozen=True)
class Drawing:
    """A ruler in a picture: what it is, and how the camera saw it."""

    kind: str = "mm"
    px_per_mm: float = 8.0
    visible_mm: float = 100.0
    slant_deg: float = 0.0
    length_factor: float = 1.0
    tick_mm: float = 0.22
    paper: float = 200.0
    ink: float = 60.0
    blur_px: float = 0.8
    noise: float = 4.0
    shade: float = 20.0
    digits: bool = True
    mirrored: bool = False
    stretch: float = 0.0
    shear_deg: float = 0.0
    jpeg: int = 0


def tick_lengths_mm(n, drawing):
    _, periods, lengths = RULERS[drawing.kind]
    length_mm = np.full(n.shape, np.nan)
    for period, length in zip(reversed(periods), lengths, strict=True):
        length_mm[n % period == 0] = length
    return length_mm * drawing.length_factor


def draw(drawing, rng):
    """A grey patch with the ruler's ticks up its middle; rows downward, heights upward."""
    scale = drawing.px_per_mm
    rows, cols = round(drawing.visible_mm * scale), round(25 * scale)
    row, col = np.mgrid[:rows, :cols].astype(float)
    row, col = row - rows / 2, col - cols / 2
    angle = np.deg2rad(drawing.slant_deg)
    along_px = row * np.cos(angle) + col * np.sin(angle)
    across_mm = (col * np.cos(angle) - row * np.sin(angle)) / scale + 6 + rng.uniform(-2, 2)
    # A camera tipped along the ruler: one perspective, with this change of scale end to end.
    along_mm = along_px / scale / (1 + drawing.stretch * along_px / rows / 2)
    division_mm = RULERS[drawing.kind][0]
    along_mm += across_mm * np.tan(np.deg2rad(drawing.shear_deg))
    place = along_mm / division_mm + rng.uniform(0, 1000)
    n = np.round(place).astype(int)
    off_px = np.abs(place - n) * division_mm * scale
    covered = np.clip(drawing.tick_mm * scale / 2 - off_px + 0.5, 0, 1)
    covered *= np.clip((tick_lengths_mm(n, drawing) - across_mm) * scale + 0.5, 0, 1)
    covered *= np.clip(across_mm * scale + 0.5, 0, 1)
    body = np.clip(across_mm * scale + 0.5, 0, 1) * np.clip((26 - across_mm) * scale, 0, 1)
    behind = drawing.paper * 0.55 + 10 * np.sin(row / (9 * scale) + 1)
    grey = behind * (1 - body) + drawing.paper * body + (drawing.ink - drawing.paper) * covered
    grey += drawing.shade * (row / rows + 0.5 * col / cols)
    if drawing.digits:
        draw_digits(grey, drawing, n, across_mm)
    grey = cv2.GaussianBlur(grey, (0, 0), drawing.blur_px) if drawing.blur_px else grey
    grey = np.clip(grey + rng.normal(0, drawing.noise, grey.shape), 0, 255).astype(np.uint8)
    if drawing.jpeg:
        _, packed = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, drawing.jpeg])
        grey = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)
    return grey[:, ::-1] if drawing.mirrored else grey


def draw_digits(grey, drawing, n, across_mm):
    """Write a number beyond each longest tick, as rulers do."""
    period = RULERS[drawing.kind][1][0]
    beyond_mm = RULERS[drawing.kind][2][-1] * drawing.length_factor + 0.8
    size = drawing.px_per_mm * 2.6 / 21  # Digits 2.6 mm high.
    thick_px = max(1, round(drawing.px_per_mm * 0.3))
    mask = np.zeros(grey.shape, np.uint8)
    for number, tick in enumerate(np.unique(n[n % period == 0])):
        near = (n == tick) & (np.abs(across_mm - beyond_mm) < 0.5)
        if near.any():
            at_row, at_col = (int(v.mean()) for v in np.nonzero(near))
            at = (at_col, at_row + int(1.3 * drawing.px_per_mm))
            font = cv2.FONT_HERSHEY_SIMPLEX
            cv2.putText(mask, str(number + 3), at, font, size, 255, thick_px, cv2.LINE_AA)
    grey += (drawing.ink - grey) * (mask / 255.0)
