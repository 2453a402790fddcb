"""Grains sized from spectra, against drawn grains whose own diameters are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from jarvision.wall.edge_transfer import FREQUENCY, gaussian_transfer
from jarvision.wall.grain_spectrum import (
    LEAST_PX,
    PhotoTransfer,
    grain_model,
    grain_size,
    row_spectrum,
)
from tests.support.grain_pictures import cells, log_normal_px, packed_ellipses
from tests.support.grain_study import Sized, model_of, seen_by, study

SHARP = "sharp"
PHONE = "phone's sharpening, JPEG 75"


@pytest.fixture(scope="module")
def sized() -> list[Sized]:
    return list(study((3.0, 6.0, 12.0, 24.0), (SHARP, PHONE), width=500, seed=17))


@pytest.mark.slow
def test_mean_diameters_are_within_a_fifth(sized: list[Sized]) -> None:
    # the error asked of drawn grains; Buscombe, Rubin and Warrick (2010) report 16 % on photographs
    error = np.array([row.error for row in sized])
    assert np.isfinite(error).all()
    assert np.sqrt((error**2).mean()) < 0.20
    assert abs(error.mean()) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("law", ["ellipses", "cells"])
def test_both_ways_of_drawing_agree(sized: list[Sized], law: str) -> None:
    own = [row for row in sized if row.law == law]
    error = np.array([row.error for row in own])
    assert abs(error.mean()) < 0.12
    assert np.sqrt((error**2).mean()) < 0.25


@pytest.mark.slow
def test_the_claimed_sd_is_the_real_error(sized: list[Sized]) -> None:
    ratio = np.array([row.error / row.found.log_sd for row in sized])
    assert 0.6 < np.sqrt((ratio**2).mean()) < 1.35


@pytest.mark.slow
def test_no_number_for_grains_of_one_pixel() -> None:
    rows = list(study((1.2,), (SHARP, PHONE), width=240, seed=3))
    assert all(np.isnan(row.found.mean_px) for row in rows)
    assert all(row.found.finer_than_px >= row.true_px for row in rows)
    assert all(row.found.finer_than_px < 2.5 * LEAST_PX for row in rows)


def test_a_grain_twice_as_large_is_found_twice_as_large() -> None:
    rng = np.random.default_rng(8)
    small = packed_ellipses(rng, (60, 500), 5.0)
    model = model_of(SHARP, 500)
    once = grain_size([seen_by(SHARP, small.grey, rng)], model, largest_px=40)
    twice = np.kron(small.grey, np.ones((2, 2)))
    again = grain_size([seen_by(SHARP, twice, rng)], model, largest_px=40)
    assert again.mean_px / once.mean_px == pytest.approx(2.0, rel=0.15)


def test_stretches_beside_the_strip_count_together() -> None:
    rng = np.random.default_rng(9)
    model = model_of(SHARP, 500)
    picture = seen_by(SHARP, cells(rng, (48, 500), 7.0).grey, rng)
    whole = grain_size([picture], model, largest_px=40)
    parted = grain_size([picture[:, :260], picture[:, 280:]], model, largest_px=40)
    assert parted.mean_px == pytest.approx(whole.mean_px, rel=0.2)


def test_a_red_pattern_has_no_one_size() -> None:
    """A spectrum that falls by one power has no knee, and so no size (Voss 1985, from memory)."""
    rng = np.random.default_rng(4)
    k = np.hypot(np.fft.fftfreq(64)[:, None], np.fft.rfftfreq(600)[None, :])
    k[0, 0] = 1.0
    phase = np.fft.rfft2(rng.standard_normal((64, 600)))
    cloud = np.fft.irfft2(phase * k**-1.4, (64, 600))
    picture = 0.5 + 0.1 * cloud / cloud.std()
    found = grain_size([seen_by(SHARP, picture, rng)], model_of(SHARP, 500), largest_px=40)
    # as large as can be: no sand, which ends at 2 mm, here 40 px
    assert found.log_sd > 0.3 or found.misfit > 1.2 or found.mean_px > 0.8 * 40


def test_the_power_spectrum_holds_the_variance() -> None:
    # Parseval: white noise of variance v has v in each cycle a pixel
    rng = np.random.default_rng(2)
    frequency, power = row_spectrum(2.0 * rng.standard_normal((400, 256)))
    assert power[(frequency > 0.1) & (frequency < 0.5)].mean() == pytest.approx(4.0, rel=0.03)


def test_sizes_of_drawn_grains_have_the_asked_mean_by_area() -> None:
    d = log_normal_px(np.random.default_rng(1), 10.0, 0.4, 400_000)
    assert (d**3).sum() / (d**2).sum() == pytest.approx(10.0, rel=0.02)


def test_what_the_camera_softens_is_made_up_for() -> None:
    rng = np.random.default_rng(12)
    picture = cells(rng, (60, 500), 6.0)
    sizes = []
    for blur_px in (0.5, 1.0, 1.5):
        seen = cv2.GaussianBlur(picture.grey, (0, 0), blur_px)
        seen = seen + 0.004 * rng.standard_normal(seen.shape)
        camera = PhotoTransfer(FREQUENCY, gaussian_transfer(blur_px), np.full(65, 0.004**2))
        sizes.append(grain_size([seen], grain_model(camera), largest_px=40).mean_px)
    assert max(sizes) / min(sizes) < 1.12
