"""Stacks of layers that cannot be placed stay as other places of those that can."""

import pytest

from jarvision.wall.read import _beside_likelier
from jarvision.wall.stacks import StackOdds
from jarvision.wall.water_line import NOWHERE


def test_a_likelier_stack_that_cannot_be_placed_is_not_forgotten() -> None:
    likely = StackOdds((16.0, 38.5, 39.1), 0.97, NOWHERE, ((), (), ()))
    second = StackOdds((16.0, 38.5, 65.9), 0.01, NOWHERE, ((), (), ((50.0, 0.5),)))
    joined = _beside_likelier(second, [likely])
    assert joined.tops_mm == second.tops_mm
    assert joined.others[:2] == ((), ())
    assert joined.others[2] == ((39.1, pytest.approx(97.0)), (50.0, 0.5))
    assert _beside_likelier(likely, []) == likely
