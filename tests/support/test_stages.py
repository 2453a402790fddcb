"""The benchmark's stages are those of the program: a name that is gone would count as nothing."""

from importlib import import_module

import pytest
from stages import OLDER, STAGES

PLACES = [place for places in STAGES.values() for place in places if place not in OLDER]


@pytest.mark.parametrize("place", PLACES)
def test_every_part_of_a_stage_is_there(place: str) -> None:
    module, name = place.split(":")
    assert callable(getattr(import_module(f"jarvision.{module}"), name))
