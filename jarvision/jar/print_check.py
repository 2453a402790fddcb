"""The strip's own printed ruler held against its tags."""

from __future__ import annotations

import math

import cv2
import numpy as np

from jarvision.core.arrays import Picture
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.jar.strip_spec import strip_spec
from jarvision.jar.view_fit import Jar

# On 39 rendered photos of strips the ticks' pitch lies within 0.1 % of the tags' scale on round
# jars and 0.6 % on square ones, and the ticks carry more than half of the column's contrast.
_TICKS_OFF, _TICKS_CLEAR = 0.015, 0.45

_TICK_ROW_MM = 0.1


def tick_stretch(bgr: Picture, jar: Jar) -> float:
    """Measure how much longer the strip's printed millimetres are than its tags say.

    The column of ticks is unrolled in the tags' millimetres; a tick each millimetre is then a wave
    of one cycle a millimetre, and the drift of its phase is the stretch. That phase tells of the
    view more finely than the tags' corners do, and is not used for it yet.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    jar : Jar
        The jar that carries the strip, its view in millimetres.

    Returns
    -------
    float
        0.02 where ten ticks take 10.2 mm; NaN where the ticks are not clear.
    """
    left, right = jar.strip_azimuths
    spec = strip_spec()
    x = np.arange(spec.width_mm - 1.7, spec.width_mm - 0.3, 0.2)
    z = np.arange(4.0, spec.lengths_mm[0] - 2.0, _TICK_ROW_MM)
    azimuth = left + (right - left) * x / spec.width_mm
    at = jar.view.wall_px(azimuth[None, :], z[:, None]).astype(np.float32)
    patch = cv2.remap(bgr, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    column = patch.mean(axis=(1, 2), dtype=np.float64)
    column -= np.convolve(column, np.full(21, 1 / 21), mode="same")
    window = np.hanning(101) / np.hanning(101).sum()
    wave = np.convolve(column * np.exp(-2j * np.pi * z), window, mode="same")[60:-60]
    size = np.sqrt(np.abs(np.convolve(column**2, window, mode="same")[60:-60]))
    if np.median(np.abs(wave) / (size + 1e-6)) < _TICKS_CLEAR:
        return math.nan
    slope = np.polyfit(z[60:-60], np.unwrap(np.angle(wave)), 1, w=np.abs(wave))[0]
    return float(-slope / (2 * np.pi) / (1 + slope / (2 * np.pi)))


def print_doubts(name: str, bgr: Picture, jar: Jar) -> list[Doubt]:
    """Doubt a strip whose ruler and tags were not printed to one scale."""
    stretch = tick_stretch(bgr, jar)
    if math.isnan(stretch) or abs(stretch) < _TICKS_OFF:
        return []
    percent = f"{100 * abs(stretch):.0f} %"
    return [doubt(DoubtName.PRINT_NOT_TO_SCALE, photo=name, percent=percent)]
