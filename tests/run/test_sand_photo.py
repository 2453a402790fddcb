"""Grains in a photo without a scale: in pixels where they lie as settled, else not at all."""

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from sand_record import photo

from jarvision.core.series import Reading
from jarvision.run import sand_photo
from jarvision.wall.measurement import GrainBand, JarMeasurement, SandGrain

PX_PER_NOMINAL_MM = 10.0


@pytest.fixture
def said(monkeypatch):
    """What is said of grains of so many pixels, lowest first, of a jar without a scale."""

    def of(*sizes_px):
        bands = (
            GrainBand(3.0 * i, 3.0 * i + 3.0, px / PX_PER_NOMINAL_MM, 0.1)
            for i, px in enumerate(sizes_px)
        )
        found = SandGrain("0.jpg", tuple(bands), PX_PER_NOMINAL_MM, 0.1)
        monkeypatch.setattr(sand_photo, "sand_grain", lambda *_, **__: found)
        measured = JarMeasurement((photo(0, scaled=False),))
        seen = {Reading.ONE_MINUTE: (Path("0.jpg"), None, None)}
        looks = {Reading.ONE_MINUTE: None}
        album = SimpleNamespace(full_grey=lambda *_: np.zeros((9, 9), np.uint8))
        return sand_photo.with_sand_grain(measured, looks, seen, album).sand_grain

    return of


def test_grains_that_lie_as_settled_are_given_in_pixels(said):
    grain = said(12.0, 9.0, 6.0, 4.0)
    value, low, high = map(
        float, re.search(r"they are ([\d.]+) \(([\d.]+)–([\d.]+)\) pixels", grain.why_not).groups()
    )
    assert low < value < high
    assert 6.0 < value < 8.0
    assert not grain.bands


@pytest.mark.parametrize("sizes_px", [(5.0, 5.0, 5.0, 5.0), (3.0, 5.0, 8.0), (5.0,), ()])
def test_a_pattern_that_does_not_lie_as_sand_settles_is_no_grain(said, sizes_px):
    grain = said(*sizes_px)
    assert grain.why_not.endswith("how large the sand's grains are.")
    assert "pixel" not in grain.why_not
