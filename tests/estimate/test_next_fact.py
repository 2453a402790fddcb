"""The fact that would narrow a jar most: not always the same, and true when it is learned."""

from dataclasses import replace

import numpy as np
import pytest

from jarvision.estimate.known import JarFacts, Top, WaterState
from jarvision.estimate.posterior import weigh

MARKS_S = (60.0, 7200.0, 172800.0)
FACTS = JarFacts(water_mm=140.0, temp_c=20.0, inside_diameter_mm=80.0)


def weighed(heights, times_s=MARKS_S, **facts):
    tops = [Top(t, h, 0.5) for t, h in zip(times_s, heights, strict=True)]
    return weigh(tops, facts=replace(FACTS, **facts), rng=np.random.default_rng(3))


CLEAR = {"water_state": WaterState.CLEAR}
CLOUDY = {"water_state": WaterState.CLOUDY}


@pytest.mark.slow
def test_fact_depends_on_the_jar_and_known_ones_are_not_asked_for():
    found = [
        weighed((18.0, 33.0, 45.0), **CLEAR),
        weighed((18.0, 33.0, 45.0), soil_g=230.0, **CLEAR),
        weighed((18.0, 33.0, 45.0), soil_g=230.0, **CLOUDY),
        weighed((3.0, 12.0, 30.0), **CLOUDY),
    ]
    names = [result.next_fact.name if result.next_fact else "" for result in found]
    assert len(set(names)) > 1
    assert "soil_g" not in names[1:3]
    for result in found:
        if result.next_fact:
            assert result.next_fact.sentence.endswith(".")
            assert 0.0 < result.next_fact.left < 0.93
