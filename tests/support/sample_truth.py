"""What the renderer wrote down of the sample jars."""

from __future__ import annotations

import numpy as np
from accuracy import true_tops, truth_of
from scenes import READINGS, SAMPLES


def tops_of(jar: str, readings: tuple[str, ...] = READINGS) -> np.ndarray:
    rows = truth_of(SAMPLES)[str(int(jar))]
    return true_tops({r: rows[r] for r in readings})


def top_of(jar: str, reading: str, layer: str) -> float:
    """Top of one layer in one photo of a sample jar [mm]."""
    return float(truth_of(SAMPLES)[str(int(jar))][reading][f"{layer}_top_mm"])
