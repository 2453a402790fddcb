"""All ways in which the layers can lie, and the odds of each.

Grain and colour of all photos offer ways for sand and silt; every level edge above the silt may be
the clay's top. Each pair of both is a hypothesis, weighed as a whole by `stack_features` with
weights that were fitted on jars of known truth (`stack_weights.toml` says which).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import WallFeatures
from jarvision.wall.clay import clay_edges, mirrored_edges
from jarvision.wall.layers import CoarsePlace
from jarvision.wall.stack_features import Scene, Stack, features_of, scene_of

Array: TypeAlias = NDArray[np.float64]


def hypotheses(scene: Scene, ways: Sequence[CoarsePlace]) -> list[Stack]:
    """Give every stack that is worth weighing."""
    found = []
    for way in ways:
        for height, kind in clay_edges(scene.last, scene.jar, way.silt_mm, scene.water_mm):
            found.append(Stack(way.sand_mm, way.silt_mm, height, way.cost, kind))
    return found


def scene_for(
    photos: Sequence[WallFeatures], jars: Sequence[Jar], water_mm: float, silt_mm: float
) -> Scene:
    """Prepare the last of several photos for weighing hypotheses; the others come before it."""
    earlier = list(zip(photos[:-1], jars[:-1], strict=True))
    mirrored = mirrored_edges(earlier, silt_mm, water_mm)
    return scene_of(photos[-1], jars[-1], water_mm, photos[:-1], mirrored, silt_mm)
