"""One jar: photos -> measurement -> what comes of it, by height and with every doubt.

`read_jar` begins with pictures; `work_out` begins with the numbers that were measured in them, of
which the jar's file keeps all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from jarvision.core.doubts import Doubt
from jarvision.core.measured import Measured
from jarvision.estimate.combine import combine
from jarvision.estimate.composition import Composition
from jarvision.estimate.given import Given
from jarvision.estimate.judge import judge, water_state
from jarvision.estimate.texture import Texture
from jarvision.wall.measurement import JarMeasurement, PhotoMeasurement


@dataclass(frozen=True, slots=True)
class JarReading:
    """All that was read of one jar.

    Attributes
    ----------
    jar : str
        Its name.
    measurement : JarMeasurement
        What was measured in its photos.
    tops : tuple of Measured
        Top of sand, silt and clay above the inside floor [mm], at the time of each one's photo.
    composition : Composition
        Shares by height.
    texture : Texture
        Class odds by height.
    doubts : tuple of Doubt
        Every doubt, once.
    water_state : str
        ``"clear"``, ``"cloudy"`` or ``"unknown"``: the water above the clay in the last photo.
    given : Given
        What is known besides.
    """

    jar: str
    measurement: JarMeasurement
    tops: tuple[Measured, Measured, Measured]
    composition: Composition
    texture: Texture
    doubts: tuple[Doubt, ...]
    water_state: str = "unknown"
    given: Given = field(default_factory=Given)

    @property
    def photos(self) -> tuple[PhotoMeasurement, ...]:
        """The photos used, in order of time."""
        return self.measurement.photos

    @property
    def scaled(self) -> bool:
        """Whether heights are millimetres; else only their ratios mean anything."""
        return self.measurement.scaled

    @property
    def water_mm(self) -> float:
        """Water line above the inside floor [mm], by hand before by photo; NaN where not known."""
        by_hand = self.given.facts.water_mm
        return self.measurement.water_mm if by_hand is None or not self.scaled else by_hand

    @property
    def water_sd_mm(self) -> float:
        """One standard deviation of the water line [mm]; NaN where not known."""
        facts = self.given.facts
        by_hand = facts.water_mm is not None and self.scaled
        sd_mm = facts.water_sd_mm if by_hand else self.measurement.water_sd_mm
        return math.nan if math.isnan(self.water_mm) else sd_mm

    @property
    def profile(self) -> str:
        """Name of the jar profile that was used; empty where walls count as straight."""
        return self.given.profile.name if self.given.profile else ""


def work_out(jar: str, measured: JarMeasurement, given: Given) -> JarReading:
    """Work out shares, class and doubts from what was measured; no picture is needed.

    Parameters
    ----------
    jar : str
        Its name.
    measured : JarMeasurement
        What was measured in its photos.
    given : Given
        What is known besides.

    Raises
    ------
    NoDepositError
        The tops leave no deposit.
    ValueRefusedError
        The layers reach higher than the profile was measured.
    """
    joined = combine(measured, profile=given.profile, seed=given.seed)
    return JarReading(
        jar=jar,
        measurement=measured,
        tops=joined.tops,
        composition=joined.composition,
        texture=joined.texture,
        doubts=judge(
            measured,
            joined.tops,
            profile=given.profile,
            water_by_hand=given.facts.water_mm is not None,
        ),
        water_state=water_state(measured),
        given=given,
    )
