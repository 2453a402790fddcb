"""Where a photo's millimetres come from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class ScaleSource(StrEnum):
    """What a photo's millimetres come from."""

    STRIP = "strip"
    JAR = "jar"  # the jar's own width
    RULER = "ruler"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a photo's millimetres come from, and their relative standard deviation."""

    source: ScaleSource = ScaleSource.NOTHING
    relative_sd: float = math.nan
