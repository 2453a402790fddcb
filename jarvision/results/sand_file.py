"""The sand's grain in a jar's file, both ways."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from jarvision.estimate.jar_sand import JarSand
from jarvision.estimate.posterior import Interval
from jarvision.estimate.sand_classes import SAND_CLASSES, SandTexture
from jarvision.estimate.sand_parts import CURVE_UM, SAND_PARTS, UNKNOWN_PARTS, SandParts, shares_of
from jarvision.results.json_schema import FileRange, FileSand, require, rounded
from jarvision.wall.measurement import GrainBand, SandGrain

_MOST_DRAWS = 2_000
_MOST_BANDS = 200
_FINEST_MM, _COARSEST_MM = 1e-3, 100.0
_HIGHEST_MM = 10_000.0
_MOST_STONES = 1_000_000


def sand_body(sand: JarSand) -> dict[str, Any]:
    """Give a jar's sand for its file; `of_soil_pct` is null where there is no soil by weight."""
    parts, odds = sand.parts, sand.texture.odds if sand.texture else ()
    return {
        "lies_as": str(parts.grading),
        "mean_mm": _range(parts.mean_mm, 4),
        "finer_than_mm": rounded(parts.finer_than_mm, 4),
        "of_sand_pct": _named(parts.of_sand_pct),
        "of_soil_pct": _named(sand.of_soil_pct),
        "class_odds": {
            str(name): round(share, 4)
            for name, share in zip(SAND_CLASSES, odds, strict=True)
            if share > 0
        }
        if sand.texture
        else None,
        "sizes_um": np.round(CURVE_UM, 1).tolist(),
        "finer_pct": np.round(100.0 * parts.finer, 2).tolist(),
    }


def _range(of: Interval, digits: int) -> dict[str, float | None]:
    values = (of.value, of.lo, of.hi)
    return {n: rounded(v, digits) for n, v in zip(("value", "lo", "hi"), values, strict=True)}


def _named(parts: Iterable[Interval]) -> dict[str, Any] | None:
    found = {name: _range(part, 3) for name, part in zip(SAND_PARTS, parts, strict=True)}
    return found if all(part["value"] is not None for part in found.values()) else None


# --- in -----------------------------------------------------------------------------------------


def sand_from(file: FileSand) -> JarSand:
    """Check what a file says of a jar's sand.

    Raises
    ------
    ValueError
        Its parts do not fit together.
    """
    count = len(file.finer_pct)
    require(count <= _MOST_DRAWS, "too many draws of the sand")
    sizes = np.array(file.sizes_um)
    same = sizes.shape == CURVE_UM.shape and np.allclose(sizes, CURVE_UM, atol=0.1)
    require(same and all(len(row) == sizes.size for row in file.finer_pct), "the sand's sizes")
    finer = np.array(file.finer_pct, dtype=np.float64).reshape(count, sizes.size) / 100.0
    whole = bool((finer[:, 0] == 0).all() and (finer[:, -1] == 1).all())
    require(whole and bool((np.diff(finer, axis=1) >= 0).all()), "the sand's curve")
    is_told = math.isfinite(file.mean_mm.value)
    require(is_told == (count > 0) and is_told == bool(file.of_sand_pct), "the sand's parts")
    require(file.class_odds is None or is_told, "the sand's classes")
    for array in (finer, shares := shares_of(finer)):
        array.flags.writeable = False
    parts = SandParts(
        shares,
        finer,
        _parts(file.of_sand_pct),
        _interval(file.mean_mm),
        file.finer_than_mm,
        file.lies_as,
    )
    odds = file.class_odds
    return JarSand(parts, _parts(file.of_soil_pct), None if odds is None else _texture(odds))


def _interval(of: FileRange) -> Interval:
    require(not of.lo > of.value and not of.value > of.hi, "a range of the sand")
    return Interval(of.value, of.lo, of.hi)


def _parts(of: Mapping[str, FileRange] | None) -> tuple[Interval, ...]:
    if of is None:
        return UNKNOWN_PARTS
    require(set(of) == set(SAND_PARTS), "the sand's parts")
    require(all(0 <= part.value <= 100 for part in of.values()), "the sand's parts")
    return tuple(_interval(of[name]) for name in SAND_PARTS)


def _texture(odds: Mapping[str, float]) -> SandTexture:
    require(set(odds) <= set(map(str, SAND_CLASSES)), "an unknown class of sand")
    require(math.fsum(odds.values()) <= 1.01, "the odds of the sand's classes")
    return SandTexture(tuple(odds.get(str(name), 0.0) for name in SAND_CLASSES))


def check_grain(grain: SandGrain | None) -> None:
    """Refuse grains from which nothing can be worked out.

    Raises
    ------
    ValueError
        A band or a number that cannot be.
    """
    if grain is None:
        return
    require(len(grain.bands) <= _MOST_BANDS, "too many bands of grains")
    require(0 <= grain.stones <= _MOST_STONES, "how many stones")
    require(not (grain.stones_share < 0 or grain.stones_share > 1), "what stones cover")
    require(not (grain.limit_mm <= 0 or grain.limit_mm > _COARSEST_MM), "the finest grains")
    above = -_HIGHEST_MM
    for band in grain.bands:
        require(above <= band.bottom_mm < band.top_mm <= _HIGHEST_MM, "a band of grains")
        above = band.bottom_mm
        _check_band(band)


def _check_band(band: GrainBand) -> None:
    for size in (band.mean_mm, band.finer_than_mm):
        require(math.isnan(size) or _FINEST_MM <= size <= _COARSEST_MM, "a size of grains")
    require(not band.is_measured or 0 < band.log_sd <= 5, "how sure a size of grains is")
