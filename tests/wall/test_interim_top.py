"""The deposit's top between two readings, on walls drawn by code of the tests."""

import numpy as np
import pytest
from scenes import Layering, wall

from jarvision.jar.wall_features import gather
from jarvision.wall.interim_top import deposit_top


def found(top_mm, *, seed=1, above=60.0, **look):
    """A wall with sand to 14 mm and silt to `top_mm`, of 37 in the end, under cloudy water."""
    layering = Layering(tops_mm=(14.0, top_mm), light=(42.0, 52.0, above), seed=seed, **look)
    return deposit_top(gather(wall(layering), settled=1), 1, 14.0, 37.0)


@pytest.mark.parametrize("top_mm", [18.0, 22.5, 29.3, 36.0])
def test_top_between_two_readings_is_found(top_mm):
    boundary = found(top_mm)
    assert boundary is not None
    assert boundary.layer == "silt"
    assert abs(boundary.top_mm - top_mm) < 0.6


def test_claimed_sd_holds_the_real_error():
    tops = np.linspace(17.0, 36.0, 16)
    seen = [found(top, seed=i + 2, uneven_mm=1.0) for i, top in enumerate(tops)]
    pairs = [(b.top_mm - t, b.sd_mm) for b, t in zip(seen, tops, strict=True) if b]
    assert len(pairs) >= 14
    ratio = [error / np.hypot(sd, 0.3) for error, sd in pairs]  # the floor's sd is always added
    assert np.sqrt(np.mean(np.square(ratio))) < 1.5


def test_water_as_light_and_smooth_as_silt_shows_no_top():
    layering = Layering(tops_mm=(14.0,), light=(42.0, 52.0), grain=(8.0, 0.6), hue=(14.0, 12.0))
    assert deposit_top(gather(wall(layering), settled=1), 1, 14.0, 37.0) is None


def test_two_edges_alike_leave_it_open():
    twice = Layering(
        tops_mm=(14.0, 22.0, 31.0),
        light=(42.0, 52.0, 60.0, 68.0),
        grain=(8.0, 0.6, 0.6, 0.6),
        hue=(14.0, 12.0, 10.0, 8.0),
    )
    assert deposit_top(gather(wall(twice), settled=1), 1, 14.0, 37.0) is None
