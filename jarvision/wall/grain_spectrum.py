"""How large grains are, from the spectrum of a picture of them; no grain is traced.

Grains of a packing are patches of unlike grey: how alike two points are tells the chance that they
lie in one grain, which for a disc is the area that it shares with itself when moved so far (the
random mosaic of Matheron and Serra 1982; Debye, Anderson and Brumberger 1957; from memory). The
spectrum of that, for diameters of a log-normal law, through the camera's transfer and over its
noise, is held against the picture's own for each size in turn (Whittle's likelihood). Buscombe,
Rubin and Warrick (2010, J. Geophys. Res. 115, F02015) read sizes from spectra without calibration
before. Where size is past what camera and pixels pass on, all small sizes fit alike, and a bound
is left. Sizes are means by area, which on a plane through a packing is by volume (Delesse).

Set on drawn packings, of the laws and cameras that the figures in DEVELOPERS.md are of: `_LOOKS`,
`MODEL_LOG_SD`, `_SEAMS`, `_UNLIKE`. Real sand, dry and lit from the side, came out 2 to 16 % fine
(in three open photographs counted by eye: 10.3 for some 10.5, 8.8 for 10.5, 13.4 for 16 px);
no wet sand behind glass was ever seen. What real photos need is one sieved sand in a jar, at 15 px
a mm or more, sharp, with the first photo within two minutes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from jarvision.core.arrays import Array, Places
from jarvision.core.special_functions import j0, ndtr

LOG_SPREAD = 0.35  # of diameters about their mean in a band; 0.2 to 0.5 change means by some 5 %
MODEL_LOG_SD = 0.11  # how unlike the model packings look, from two laws of drawn grains
_LOOKS = 1.09  # packings look as if of discs so much larger: mean of two laws of drawn grains
LEAST_PX = 2.0  # grains under this many pixels are never given a number
_SIZES_PX = np.geomspace(0.35, 60.0, 64)
_SEAMS = (0.0, 0.12, 0.25, 0.4)  # share of the variance that is seams, glints and facets
_SEAM_REACH = 0.11  # their reach, in diameters
_LEAST_WAVE = 8.0  # waves longer than so many of the largest grains are shade and layers
_BINS_AN_OCTAVE = 5
_TAPER = 1.94  # a Hann window leaves one independent wave in so many (Harris 1978, from memory)
_UNLIKE = 0.18  # how far a bin of a packing's spectrum is off the model's, apart from chance
_INSIDE = 1.0  # waves a diameter from which what lies inside grains shows more and more
_UNLIKE_INSIDE = 0.5  # an octave
_NOISE_LOG_SD = 0.5
_HIGHEST = 0.497
_MOST_TOO_FINE = 0.16  # odds of being under `LEAST_PX` with which a number is still given
BLURRED_OUT = 0.12  # a transfer under this leaves nothing to be seen


@dataclass(frozen=True, slots=True)
class GrainSize:
    """Mean grain diameter in a picture.

    Attributes
    ----------
    mean_px : float
        Mean diameter by area [px]; NaN where it is under what can be told.
    log_sd : float
        Standard deviation of its logarithm; NaN with it.
    finer_than_px : float
        Upper bound, 19 in 20 [px]; NaN where `mean_px` is given.
    seen : float
        Variance of the grains over that of the noise, in what was fitted.
    misfit : float
        Mean square of measured over fitted spectrum less one, in units of its own sampling error:
        about 1 where the model is right.
    """

    mean_px: float
    log_sd: float
    finer_than_px: float
    seen: float
    misfit: float


@dataclass(frozen=True, slots=True, eq=False)
class PhotoTransfer:
    """What stands between the grains and their picture.

    Attributes
    ----------
    frequency : (n,) array
        Cycles a pixel, ascending from 0 to 0.5.
    transfer : (n,) array
        Modulation transfer at each: lens, pixel, sharpening; 1 at 0.
    noise : (n,) array
        Power spectrum of noise along rows, in grey levels squared a cycle a pixel.
    """

    frequency: Array
    transfer: Array
    noise: Array


def row_spectrum(rows: Array) -> tuple[Array, Array]:
    """Average power spectrum along rows.

    Parameters
    ----------
    rows : (rows, columns) array
        Grey levels.

    Returns
    -------
    frequency, power : (n,) arrays
        Cycles a pixel, and grey levels squared a cycle a pixel.
    """
    x = np.arange(rows.shape[1]) - (rows.shape[1] - 1) / 2
    level = rows - rows.mean(axis=1, keepdims=True)
    level = level - ((level @ x) / (x @ x))[:, None] * x
    window = np.hanning(len(x) + 2)[1:-1]
    power = np.abs(np.fft.rfft(level * window, axis=1)) ** 2 / (window**2).sum()
    return np.asarray(np.fft.rfftfreq(len(x)), dtype=np.float64), np.asarray(power.mean(axis=0))


def _shared_area(u: Array) -> Array:
    """Share of a disc's area that it has in common with itself moved by u diameters."""
    v = np.clip(u, 0.0, 1.0)
    return np.asarray((2 / math.pi) * (np.arccos(v) - v * np.sqrt(1 - v * v)))


@cache
def _radial() -> tuple[Array, Array, Array]:
    """Spectra over the plane of grains and of seams, by cycles a mean diameter."""
    r = np.linspace(0.0, 4.0, 1601)
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    # Discs by number whose law by area is log-normal with mean 1.
    log_d = -(LOG_SPREAD**2) / 2 + LOG_SPREAD * node
    d = np.exp(log_d)
    by_area = weight / weight.sum()
    grains = (by_area[:, None] * _shared_area(r[None, :] / d[:, None])).sum(axis=0)
    seams = np.exp(-r / _SEAM_REACH)
    q = np.append(0.0, np.geomspace(0.02, 60.0, 260))
    kernel = 2 * math.pi * r * (r[1] - r[0])
    bessel = j0(2 * math.pi * q[:, None] * r[None, :])
    plane = [np.maximum(bessel @ (c * kernel), 1e-9) for c in (grains, seams)]
    return q, plane[0], plane[1]


_BIN_CENTRES = 0.5 * 2.0 ** (-(np.arange(44)[::-1] + 0.5) / _BINS_AN_OCTAVE)


@dataclass(frozen=True, slots=True, eq=False)
class GrainModel:
    """What grains of every size look like along rows through one camera, at `_BIN_CENTRES`.

    Attributes
    ----------
    camera : PhotoTransfer
        The camera.
    grains, seams : (sizes, bins) arrays
        Spectra of unit variance of whole grains, and of their seams and glints.
    squared : (sizes, bins) array
        The square of the grains' spectrum over the plane, added up across rows.
    """

    camera: PhotoTransfer
    grains: Array
    seams: Array
    squared: Array

    @property
    def shapes(self) -> Array:
        """Spectra of every mixture, (sizes, mixtures, bins)."""
        seam = np.array(_SEAMS)[:, None]
        return (1 - seam) * self.grains[:, None] + seam * self.seams[:, None]


def grain_model(camera: PhotoTransfer) -> GrainModel:
    """Work out what grains of every size look like through a camera."""
    q, *planes = _radial()
    log_planes = [np.log(p) for p in planes]
    kx = np.concatenate([[0.0], np.geomspace(1 / 512, 0.5, 36)])
    sums: list[list[Array]] = []
    for size in _SIZES_PX:
        # as fine as the grains need it, as far as the camera passes anything
        ky = np.unique(np.concatenate([np.linspace(0, 1.5 / size, 20), np.linspace(0, 0.75, 49)]))
        k = np.hypot(kx[:, None], ky[None, :])
        passed = np.interp(k, camera.frequency, camera.transfer, right=0.0) ** 2 * size**2
        plane = [np.exp(np.interp(k * size, q, p)) * passed for p in log_planes]
        along = [(p[:, 1:] + p[:, :-1]) @ np.diff(ky) for p in (*plane, plane[0] ** 2)]
        sums.append([np.interp(_BIN_CENTRES, kx, a) for a in along])
    grains, seams, squared = np.maximum(np.array(sums), 1e-15).transpose(1, 0, 2)
    return GrainModel(camera, grains, seams, squared)


@dataclass(frozen=True, slots=True, eq=False)
class _SpectrumBins:
    """A measured spectrum in bins even in the logarithm of frequency."""

    at: Places  # which of `_BIN_CENTRES`
    power: Array
    noise: Array
    waves: Array  # independent waves along one row
    height_px: Array


def _binned(stretches: Sequence[Array], camera: PhotoTransfer, largest_px: float) -> _SpectrumBins:
    columns = []
    for rows in stretches:
        f, p = row_spectrum(rows)
        noise = np.interp(f, camera.frequency, camera.noise)
        passes = np.interp(f, camera.frequency, camera.transfer)
        lowest = max(1.0 / (_LEAST_WAVE * largest_px), 2.5 / rows.shape[1], _BIN_CENTRES[0])
        use = (f >= lowest) & (f < _HIGHEST) & (passes > BLURRED_OUT)
        one = np.ones(use.sum())
        columns.append([f[use], p[use], noise[use], one / _TAPER, one * len(rows)])
    f, p, noise, waves, height = np.concatenate(columns, axis=1)
    bins = np.floor(np.log2(f / 0.5) * _BINS_AN_OCTAVE).astype(int) + len(_BIN_CENTRES)
    kept = np.unique(bins)
    count = np.bincount(bins)[kept]
    power, noise, height = ((np.bincount(bins, v)[kept] / count) for v in (p, noise, height))
    return _SpectrumBins(kept, power, noise, np.bincount(bins, waves)[kept], height)


def grain_size(stretches: Sequence[Array], model: GrainModel, *, largest_px: float) -> GrainSize:
    """Find the mean diameter of the grains in a band.

    Parameters
    ----------
    stretches : sequence of (rows, columns) arrays
        Grey levels along the band's rows, a pixel apart, of one or more stretches of wall without
        a gap.
    model : GrainModel
        What grains look like through the photo's camera, noise in the same grey levels.
    largest_px : float
        Waves longer than a few times this are left out [px].
    """
    bins = _binned(stretches, model.camera, largest_px)
    shapes = model.shapes[..., bins.at]
    guess = len(_SIZES_PX) // 2
    for _ in range(3):
        trust = _trust(bins, model, guess)
        scale, noise_by, score = _fit(bins, shapes, trust)
        at, seam = np.unravel_index(np.argmin(score), score.shape)
        if abs(int(at) - guess) < 3:
            break
        guess = int(at)
    by_size = np.exp(-(score - score.min())).sum(axis=1)
    by_size /= by_size.sum()
    logs = np.log(_SIZES_PX / _LOOKS)
    mean = float(by_size @ logs)
    sd = math.sqrt(float(by_size @ (logs - mean) ** 2) + MODEL_LOG_SD**2)
    grains = scale[at, seam] * shapes[at, seam]
    noise = noise_by[at, seam] * bins.noise
    upper = math.exp(float(np.interp(0.95, np.cumsum(by_size), logs)) + 1.645 * MODEL_LOG_SD)
    too_fine = float(by_size @ ndtr((math.log(LEAST_PX) - logs) / MODEL_LOG_SD))
    told = too_fine < _MOST_TOO_FINE
    return GrainSize(
        math.exp(mean) if told else math.nan,
        sd if told else math.nan,
        math.nan if told else max(upper, LEAST_PX),
        float(grains.sum() / noise.sum()),
        float(((bins.power / (grains + noise) - 1) ** 2 * trust).mean()),
    )


def _trust(bins: _SpectrumBins, model: GrainModel, size: int) -> Array:
    """Inverse variance of each bin's measured over its true power."""
    alone, squared = model.grains[size, bins.at], model.squared[size, bins.at]
    scale, noise_by, _ = _fit(bins, alone, bins.waves)
    grains, noise = float(scale) * alone, float(noise_by) * bins.noise
    # White noise has one cycle a pixel across rows; rows so far apart as to be independent.
    across = float(scale) ** 2 * squared + 2 * grains * noise + noise**2
    independent_a_px = np.minimum((grains + noise) ** 2 / across, 1.0)
    waves = bins.waves * np.maximum(bins.height_px * independent_a_px, 1.0)
    waves_a_grain = _BIN_CENTRES[bins.at] * _SIZES_PX[size]
    inside = np.log2(np.maximum(waves_a_grain / _INSIDE, 1.0))
    return np.asarray(1 / (1 / waves + (_UNLIKE + _UNLIKE_INSIDE * inside) ** 2))


def _fit(bins: _SpectrumBins, shapes: Array, trust: Array) -> tuple[Array, Array, Array]:
    """Fit variance of the grains and strength of the noise, which is known to half, (...) each.

    Returns both and minus the logarithm of the likelihood (Whittle's).
    """
    p, noise = bins.power, bins.noise
    scale = np.maximum((p - noise).clip(0).sum() / shapes.sum(axis=-1), 1e-12)
    by = np.ones_like(scale)
    prior = 1 / _NOISE_LOG_SD**2
    for _ in range(8):
        fitted = scale[..., None] * shapes + by[..., None] * noise
        w = trust / fitted**2
        ws, wn = w * shapes, w * noise
        a11, a12, a22 = (ws * shapes).sum(-1), ws @ noise, wn @ noise + prior
        b1, b2 = ws @ p, wn @ p + prior
        det = a11 * a22 - a12**2
        scale = np.maximum((b1 * a22 - b2 * a12) / det, 1e-12)
        by = np.clip((a11 * b2 - a12 * b1) / det, 0.2, 6.0)
    fitted = scale[..., None] * shapes + by[..., None] * noise
    value = (np.log(fitted) + p / fitted) @ trust + (by - 1) ** 2 * prior / 2
    return scale, by, value
