"""What the user measured of a jar from outside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.jar.profile import LEAST_MM, MOST_MM


@dataclass(frozen=True, slots=True)
class OutsideSize:
    """Outside measures of a jar that can give a photo's scale; NaN where not measured.

    Attributes
    ----------
    height_mm : float
        From the table to the top of the jar as it stands in the photo, lid included.
    outside_diameter_mm : float
        Across the straight part of the outside.
    """

    height_mm: float = math.nan
    outside_diameter_mm: float = math.nan


def parse_jar_mm(words: Sequence[str]) -> OutsideSize:
    """Read outside measures as typed, such as ``["height=180", "outside_diameter=86"]``.

    Raises
    ------
    UsageError
        A measure that is not known, given twice, no number, or not a jar's.

    Examples
    --------
    >>> parse_jar_mm(["height=180,outside_diameter=86"])
    OutsideSize(height_mm=180.0, outside_diameter_mm=86.0)
    """
    measures: dict[str, float] = {}
    for word in (part for text in words for part in text.replace(",", " ").split()):
        key, _, value = word.partition("=")
        if key not in _JAR_MM or _JAR_MM[key] in measures:
            msg = (
                f"'{word}' is not known; write --jar-mm height=180 outside_diameter=86, each once."
            )
            raise UsageError(msg)
        measures[_JAR_MM[key]] = _length_mm(word, value)
    if not measures:
        msg = "Give a measure of the jar, such as --jar-mm height=180 outside_diameter=86."
        raise UsageError(msg)
    return OutsideSize(**measures)


_JAR_MM = {"height": "height_mm", "outside_diameter": "outside_diameter_mm"}


def _length_mm(word: str, value: str) -> float:
    try:
        length = float(value)
    except ValueError:
        length = math.nan
    if not LEAST_MM <= length <= MOST_MM:
        msg = f"'{word}' is not a jar's size; give it in millimetres, between 20 and 1000."
        raise ValueRefusedError(msg)
    return length
