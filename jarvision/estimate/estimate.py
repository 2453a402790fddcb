"""One call from what was measured in a jar's photos to its soil, by height and by weight."""

from __future__ import annotations

from dataclasses import dataclass, replace

from jarvision.core.errors import JarError
from jarvision.estimate.by_weight import weigh_reading
from jarvision.estimate.given import Given
from jarvision.estimate.jar_sand import JarSand, sand_of, sand_seen
from jarvision.estimate.posterior import Weighed
from jarvision.estimate.reading import JarReading, work_out
from jarvision.wall.measurement import JarMeasurement


@dataclass(frozen=True, slots=True)
class Estimated:
    """A jar's soil.

    Attributes
    ----------
    reading : JarReading
        By height.
    weighed : Weighed or None
        By weight, where it could be estimated.
    not_weighed : str
        Why it could not; empty where it could.
    sand : JarSand or None
        How coarse its sand is; None where no grains were told.
    """

    reading: JarReading
    weighed: Weighed | None
    not_weighed: str
    sand: JarSand | None = None


def estimate(jar: str, measured: JarMeasurement, given: Given) -> Estimated:
    """Work out a jar's soil from what was measured in its photos.

    Parameters
    ----------
    jar : str
        Its name.
    measured : JarMeasurement
        What was measured.
    given : Given
        What is known besides.

    Raises
    ------
    NoDepositError
        The tops leave no deposit.
    ValueRefusedError
        Layers higher than the jar's profile was measured.
    """
    return weighed_too(work_out(jar, measured, given))


def weighed_too(reading: JarReading) -> Estimated:
    """Add the sand's grain and the soil by weight; what stands against it becomes a sentence."""
    parts = sand_seen(reading)
    if parts is not None and parts.doubts:
        reading = replace(reading, doubts=(*reading.doubts, *parts.doubts))
    weighed, not_weighed = None, ""
    try:
        weighed = weigh_reading(reading, None if parts is None else parts.measured)
    except JarError as error:
        not_weighed = str(error)
    sand = None if parts is None else sand_of(parts, weighed, seed=reading.given.seed)
    return Estimated(reading, weighed, not_weighed, sand)
