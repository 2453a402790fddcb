"""What gives a photo its millimetres: a strip, the jar's own width, a ruler.

A known width of the jar or a ruler in the picture gives millimetres without a strip, less surely
than a strip does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from jarvision.core.errors import UsageError
from jarvision.jar.outside_size import OutsideSize, parse_jar_mm
from jarvision.jar.profile import JarProfile
from jarvision.jar.profile_file import find_profile
from jarvision.jar.ruler_divisions import RulerUnit
from jarvision.jar.scale import Scale, ScaleSource
from jarvision.jar.view_fit import Jar

STRIP_SCALE_SD = 0.004
"""Relative sd of the scale by a strip at true size, print and tags together."""

# Relative sd of the scale by the jar's width: on rendered round jars 1.5 %; on square ones 3.5 %,
# as the width that shows depends on how the jar is turned.
_ROUND_SCALE_SD, _SQUARE_SCALE_SD = 0.025, 0.04

_SHARED_SCALE_SD = 0.02  # a photo without a strip, the jar's width known from one with a strip


@dataclass(frozen=True, slots=True)
class ScaleAids:
    """What the user says of the jar and of what lies beside it.

    Attributes
    ----------
    size : OutsideSize
        The jar's outside, from `profiles.parse_jar_mm`.
    profile : JarProfile or None
        The jar's inside; None takes it as straight.
    ruler : RulerUnit or None
        Unit of a ruler that is in the photos; None lets its ticks tell.
    """

    size: OutsideSize = field(default_factory=OutsideSize)
    profile: JarProfile | None = None
    ruler: RulerUnit | None = None

    @property
    def outside_radius_mm(self) -> float:
        """Half the jar's outside width [mm], as measured; NaN where nobody measured it."""
        stated = self.size.outside_diameter_mm / 2
        if math.isnan(stated) and self.profile is not None:
            return self.profile.outside_diameter_mm / 2
        return stated


def stated_aids(*, jar_profile: str = "", jar_mm: Sequence[str] = (), ruler: str = "") -> ScaleAids:
    """Read what the user types of jar and ruler; empty words state nothing.

    Parameters
    ----------
    jar_profile : str
        Name of a profile that comes with the program, or a TOML file.
    jar_mm : sequence of str
        Outside measures, such as ``["height=180", "outside_diameter=86"]``.
    ruler : str
        ``"mm"`` or ``"inch"``.

    Raises
    ------
    UsageError
        A word that is not known, or a jar's height alone, which the photos cannot be held against.
    """
    size = parse_jar_mm(jar_mm) if jar_mm else OutsideSize()
    if jar_mm and math.isnan(size.outside_diameter_mm):
        msg = "A jar's height alone gives no scale; add its width, as in outside_diameter=86."
        raise UsageError(msg)
    if ruler and ruler.strip().casefold() not in set(RulerUnit):
        msg = "Say --ruler mm or --ruler inch."
        raise UsageError(msg)
    profile = find_profile(jar_profile) if jar_profile else None
    return ScaleAids(size, profile, RulerUnit(ruler.strip().casefold()) if ruler else None)


def scale_by_width(jar: Jar, *, with_strips: bool) -> Scale:
    """Tell how well a jar's width gives the scale; known from photos with strips, or stated."""
    if with_strips:
        return Scale(ScaleSource.JAR, _SHARED_SCALE_SD)
    round_jar = jar.view.outline.is_round
    return Scale(ScaleSource.JAR, _ROUND_SCALE_SD if round_jar else _SQUARE_SCALE_SD)
