"""The sand's own grain: how large grains are by height, on the wall of one photo at full scale.

The earliest photo is opened at full scale (`run.sand_photo`). Its own pixels are taken row by row
in bands of 3 mm, or of 6 where grains are few; what the photo passes on comes of the tags' edges
(`edge_transfer`), its noise of the cloudy water over the sand. `_NO_ONE_SIZE` and `_MISFIT` were
set between drawn grains and the noise of the rendered jars, of which none was kept aside. That a
pattern looks the same in all photos cannot tell grains from noise, which does so too; a second
measure of size by openings and closings follows the first within 7 % on both, and so witnesses
nothing. The order in which sand settles does (`estimate.sand_grading`). With a phone that smooths
noise away before it sharpens, bands of grains of 3 px misfit and are left out, of 6 px mostly too,
and of 12 px are off by 29 % rms.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from jarvision.core.arrays import Array, Grey
from jarvision.jar.strip import Strip
from jarvision.jar.unwrap import COLUMN_MM
from jarvision.wall.edge_transfer import FREQUENCY, edge_transfer, gaussian_transfer
from jarvision.wall.grain_spectrum import (
    BLURRED_OUT,
    LEAST_PX,
    GrainModel,
    GrainSize,
    PhotoTransfer,
    grain_model,
    grain_size,
    row_spectrum,
)
from jarvision.wall.locate import Look
from jarvision.wall.measurement import GRAIN_SHARED_LOG_SD, GrainBand, SandGrain
from jarvision.wall.stones import Stones, find_stones

_FRONT_RAD = 0.8  # beside this the wall turns away, and grains look narrow
_FOOT_MM = 1.5  # the rounded foot of the wall is left out
_TOP_MM = 1.0  # and what lies next to the sand's top
_BANDS_MM = (3.0, 6.0)  # heights of bands, tried in this order
_LEAST_SAND_MM = 4.0
_LEAST_WIDTH_MM = 6.0
_COARSEST_MM = 2.0  # sand's upper limit (USDA)
# Drawn grains stay under 0.25 and under 0.6; patterns of another kind fit no one size, or none.
_NO_ONE_SIZE = 0.3
_MISFIT = 1.2
_STONES_AMONG_MM = 0.7  # among coarser sand stones are not told from grains
_SOFTEST = 0.13  # finest wave that comes through [cycles a pixel]; softer edges are cut off
_GLARE = 246
_GLARE_BLOCK_PX = 16
_GLARE_SHARE = 0.1  # single pale grains may be white

_TOO_THIN = "The sand is too thin a layer to show its grains."
_HIDDEN = "Too little glass is bare to show the sand's grains; stick the strip nearer to one side."
_TOO_SOFT = "The photo is too soft to show the sand's grains; tap to focus and hold still."
_NO_GRAINS = "The sand shows no pattern as grains make it; a nearer, sharper photo may show them."


def sand_grain(
    look: Look,
    strip: Strip | None,
    grey: Grey,
    *,
    floor_mm: float,
    sand_top_mm: float,
) -> SandGrain:
    """Measure the grains of the sand by height.

    Parameters
    ----------
    look : Look
        What was found in the photo.
    strip : Strip or None
        Its strip, whose edges tell how sharp the photo is.
    grey : (height, width) uint8 array
        The photo at full scale, turned as the working picture.
    floor_mm : float
        Inside floor above the strip's zero [mm].
    sand_top_mm : float
        Top of the sand above the floor [mm].

    Returns
    -------
    SandGrain
        In nominal millimetres where the jar has no scale.
    """
    if not sand_top_mm >= _LEAST_SAND_MM:
        return SandGrain(look.name, why_not=_TOO_THIN)
    px_a_px = grey.shape[0] / look.size_px[0]
    wall = _SandWall(look, grey, px_a_px)
    camera = _camera(wall, look, strip, floor_mm + sand_top_mm)
    if 0.5 / _finest_px(camera) < _SOFTEST:
        return SandGrain(look.name, why_not=_TOO_SOFT)
    model = grain_model(camera)
    low, high = floor_mm + _FOOT_MM, floor_mm + sand_top_mm - _TOP_MM
    why = _HIDDEN
    bands: tuple[GrainBand, ...] = ()
    for band_mm in _BANDS_MM:  # coarse grains need more room to show how large they are
        edges = np.linspace(low, high, max(1, round((high - low) / band_mm)) + 1)
        sizes = [(b, t, _band(wall, model, b, t)) for b, t in pairwise(edges.tolist())]
        seen = [(b - floor_mm, t - floor_mm, *found) for b, t, found in sizes if found is not None]
        why = _NO_GRAINS if seen else why
        bands = _clear_bands(seen)
        if bands:
            break
    if not bands:
        return SandGrain(look.name, why_not=why)
    finest_mm = _finest_px(camera) / wall.px_per_mm
    stones = _stones(wall, bands, low, high)
    return SandGrain(look.name, bands, wall.px_per_mm, finest_mm, stones.count, stones.share)


def _clear_bands(seen: Sequence[tuple[float, float, GrainSize, float]]) -> tuple[GrainBand, ...]:
    """Give the bands that grains explain; none where they do not explain most of them."""
    fits = [size.misfit <= _MISFIT for _, _, size, _ in seen]
    clear = [
        ok and not (size.log_sd > _NO_ONE_SIZE or size.mean_px > 0.8 * _COARSEST_MM * scale)
        for (_, _, size, scale), ok in zip(seen, fits, strict=True)
    ]
    if 2 * sum(clear) <= len(seen):
        return ()
    return tuple(
        GrainBand(b, t, size.mean_px / scale, _own_sd(size.log_sd), size.finer_than_px / scale)
        for (b, t, size, scale), ok in zip(seen, fits, strict=True)
        if ok
    )


def _stones(wall: _SandWall, bands: Sequence[GrainBand], low_mm: float, high_mm: float) -> Stones:
    """Count stones where the sand's own grains are much smaller."""
    if any(band.mean_mm > _STONES_AMONG_MM for band in bands):
        return Stones(0, math.nan)
    found = list(wall.stretches(low_mm, high_mm))
    return find_stones([level for level, _ in found], wall.px_per_mm)


def _own_sd(log_sd: float) -> float:
    """Take out what all bands of a jar are off together."""
    return math.sqrt(max(log_sd**2 - GRAIN_SHARED_LOG_SD**2, 0.08**2))


def _finest_px(camera: PhotoTransfer) -> float:
    """Half a wave of the finest detail that comes through, or the fewest pixels a grain needs."""
    through = camera.frequency[camera.transfer > BLURRED_OUT]
    return max(LEAST_PX, 0.5 / max(float(through.max()), 1e-3))


class _SandWall:
    """The front of the wall, row by row as the camera's own pixels: nothing is interpolated."""

    def __init__(self, look: Look, grey: Grey, px_a_px: float) -> None:
        self.look, self.grey, self.px_a_px = look, grey, px_a_px
        self.px_per_mm = look.jar.view.px_per_mm(10.0, 30.0) * px_a_px

    def stretches(self, bottom_mm: float, top_mm: float) -> Iterator[tuple[Array, float]]:
        """Grey levels of each free stretch between two heights, and its pixels a millimetre."""
        view = self.look.jar.view
        z = np.arange(bottom_mm, top_mm, 1.0 / self.px_per_mm)
        outside = z + view.glass_drop_mm(z)
        for first, last in self._free():
            azimuth = np.linspace(first, last, 24)
            at = (view.wall_px(azimuth[None, :], outside[:, None]) + 0.5) * self.px_a_px - 0.5
            left, right = math.ceil(at[:, 0, 0].max()), math.floor(at[:, -1, 0].min())
            left, right = max(left, 0), min(right, self.grey.shape[1] - 1)
            x, y = view.outline.points(azimuth)
            length_mm = float(np.hypot(np.diff(x), np.diff(y)).sum())
            px_per_mm = float(np.mean(at[:, -1, 0] - at[:, 0, 0])) / length_mm
            if right - left < _LEAST_WIDTH_MM * px_per_mm:
                continue
            columns = np.arange(left, right + 1)
            rows = np.array([np.interp(columns, r[:, 0], r[:, 1]) for r in at])
            rows = np.clip(np.round(rows), 0, self.grey.shape[0] - 1).astype(int)
            level = self.grey[rows, columns]
            for part in _without_glare(level, _LEAST_WIDTH_MM * px_per_mm):
                yield part.astype(np.float64), px_per_mm

    def _free(self) -> list[tuple[float, float]]:
        """Azimuths between which nothing stands before the wall [rad]."""
        azimuth = self.look.wall.azimuth
        azimuth = azimuth[np.abs(azimuth) < _FRONT_RAD]
        if len(azimuth) < 2:
            return []
        gaps = np.diff(azimuth) * self.look.jar.view.outline.radius_mm > 3 * COLUMN_MM
        ends = np.flatnonzero(np.concatenate([[True], gaps, [True]]))
        return [(float(azimuth[a]), float(azimuth[b - 1])) for a, b in pairwise(ends) if b - a > 1]


def _without_glare(level: Grey, least_px: float) -> Iterator[Grey]:
    """Split a stretch where lamps and windows are mirrored in the glass."""
    blocks = level.shape[1] // _GLARE_BLOCK_PX
    if blocks < 2:
        return
    cut = level[:, : blocks * _GLARE_BLOCK_PX].reshape(len(level), blocks, _GLARE_BLOCK_PX)
    white = (cut >= _GLARE).mean(axis=(0, 2)) > _GLARE_SHARE
    edges = np.flatnonzero(np.diff(np.concatenate([[True], white, [True]]).astype(int)))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if (b - a) * _GLARE_BLOCK_PX >= least_px:
            yield level[:, a * _GLARE_BLOCK_PX : b * _GLARE_BLOCK_PX]


def _camera(wall: _SandWall, look: Look, strip: Strip | None, above_mm: float) -> PhotoTransfer:
    """Measure what the photo passes on, and its noise in the water over the sand."""
    transfer = edge_transfer(wall.grey, strip, wall.px_a_px) if strip is not None else None
    if transfer is None:
        transfer = gaussian_transfer(look.blur_mm * wall.px_per_mm)
    noise = None
    for water, _ in wall.stretches(above_mm + 4.0, above_mm + 14.0):
        frequency, power = row_spectrum(water)
        even = np.interp(FREQUENCY, frequency, _smooth(power))
        noise = even if noise is None else np.minimum(noise, even)
    if noise is None:
        noise = np.full(len(FREQUENCY), 1.0)
    # under a tenth of a cycle the water's own shades are no noise
    level = float(np.median(noise[(FREQUENCY > 0.1) & (FREQUENCY < 0.2)]))
    noise = np.where(FREQUENCY < 0.12, np.minimum(noise, level), noise)
    return PhotoTransfer(FREQUENCY, transfer, np.maximum(noise, 1 / 12))  # rounding to whole levels


def _smooth(power: Array) -> Array:
    width = max(len(power) // 40, 1)
    return np.convolve(power, np.full(width, 1 / width), "same")


def _band(
    wall: _SandWall, model: GrainModel, bottom_mm: float, top_mm: float
) -> tuple[GrainSize, float] | None:
    found = list(wall.stretches(bottom_mm, top_mm))
    if not found:
        return None
    widths = np.array([level.shape[1] for level, _ in found])
    px_per_mm = float(np.average([scale for _, scale in found], weights=widths))
    levels = [level for level, _ in found]
    size = grain_size(levels, model, largest_px=_COARSEST_MM * px_per_mm)
    return size, px_per_mm
