"""A photo that is white where its layers are; the sample is rendered, the light is ours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from jarvision.core.errors import TooBrightError
from jarvision.photo.decode import open_photo
from jarvision.wall.locate import Look, look_at_jar, orient
from jarvision.wall.photo_faults import refuse_burnt_out

SAMPLE = Path(__file__).parents[2] / "sample_images" / "jar-02-48h.jpg"


@pytest.fixture(scope="module")
def look() -> Look:
    photo, strips = orient(open_photo(SAMPLE))
    looks, _ = look_at_jar({0: photo}, {0: strips[0]})
    return looks[0]


def lit(look: Look, light: float) -> Look:
    """The same photo with so many times the light."""
    bgr = np.clip(look.wall.bgr.astype(np.float32) * light, 0, 255).astype(np.uint8)
    return replace(look, wall=replace(look.wall, bgr=bgr))


@pytest.mark.parametrize("light", [0.6, 1.0, 1.3])
def test_usual_light_is_not_refused(look: Look, light: float) -> None:
    refuse_burnt_out(lit(look, light))


def test_a_wall_burnt_out_is_refused(look: Look) -> None:
    with pytest.raises(TooBrightError, match="too bright to read"):
        refuse_burnt_out(lit(look, 12.0))
