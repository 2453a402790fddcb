"""Likely slips in hand marks: what the reader may have meant, where that fits the photo better.

Each slip is tried as a hypothesis: what would the tops be if the numbers meant something else? It
is suggested only where the numbers as entered cannot be right by the photo, and the hypothesis
fits. It is a suggestion: the numbers are never changed by it. Two slips at once are not looked for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise, permutations

from jarvision.compare.marks_table import HandMark, MarkKind, MarkUnit, tops_from
from jarvision.wall.measurement import LAYERS, UNKNOWN_THREE, Three

HAND_SD_MM = 1.5
"""How well a pen mark is made and measured, one standard deviation [mm]: the line's own width, the
slant of the look through curved glass, the ruler. Common practice, no source."""

_WRONG_SDS = 4.0  # the numbers as entered are wrong where one of them is so far off
_FITS_SDS = 2.5  # a hypothesis fits where none is further off
_AS_GOOD = 4.0  # difference of chi-square under which two hypotheses fit alike
_OFFSETS_MM = (4.0, 25.0)  # from table to inside floor: glass, foot, pushed-up bottom; no source
_OFFSET_SPREAD_SDS = 2.0


class SlipName(StrEnum):
    """What may have gone wrong, as it stands in `compared.csv`."""

    HEIGHTS_AS_THICKNESSES = "heights_as_thicknesses"
    THICKNESSES_AS_HEIGHTS = "thicknesses_as_heights"
    WRONG_UNIT = "wrong_unit"
    WRONG_ORDER = "wrong_order"
    FROM_TABLE = "from_table"
    NOT_RISING = "not_rising"


@dataclass(frozen=True, slots=True)
class Slip:
    """A likely slip.

    Attributes
    ----------
    name : SlipName
    sentence : str
        What may have happened and what to do, for the gardener.
    tops_mm : tuple of 3 floats
        What the tops would be [mm, nominal without a scale]; NaN where nothing is suggested.
    """

    name: SlipName
    sentence: str
    tops_mm: Three


def find_slips(
    mark: HandMark, photo_tops_mm: Three, photo_sds_mm: Three, *, scaled: bool = True
) -> tuple[Slip, ...]:
    """Find what slip, if any, explains marks that the photo contradicts.

    Parameters
    ----------
    mark : HandMark
    photo_tops_mm, photo_sds_mm : tuple of 3 floats
        Tops above the inside floor as the photo shows them, and one standard deviation [mm].
    scaled : bool
        Whether these are millimetres. If not, only proportions are compared, so that neither a
        unit nor the table under the jar can be told.

    Returns
    -------
    tuple of Slip
        Best first; a second one only where it fits as well. Empty where the marks agree with the
        photo, or disagree in a way that none of the slips explains.
    """
    photo = _PhotoTops(photo_tops_mm, photo_sds_mm, scaled)
    entered = photo.residual(mark.tops_mm)
    fitting = sorted(
        ((fit, slip) for fit, slip in _hypotheses(mark, photo) if fit.worst <= _FITS_SDS),
        key=lambda pair: pair[0].chi2,
    )
    wrong = entered.worst > _WRONG_SDS and fitting and fitting[0][0].chi2 + 10 < entered.chi2
    from_table = _from_table(mark, photo)
    if from_table:
        return (from_table,)
    if wrong:
        best = fitting[0][0].chi2
        alike = [slip for fit, slip in fitting if fit.chi2 <= best + _AS_GOOD]
        return _each_once(alike)
    return _not_rising(mark.tops_mm)


# --- how well numbers fit -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Fit:
    """Worst difference in standard deviations, and the sum of their squares."""

    worst: float
    chi2: float


@dataclass(frozen=True, slots=True)
class _PhotoTops:
    tops_mm: Three
    sds_mm: Three
    scaled: bool

    def differences(self, tops_mm: Three) -> list[tuple[float, float]]:
        """Differences from the photo with their standard deviation [mm], the known ones."""
        factor = 1.0 if self.scaled else self.tops_mm[2] / tops_mm[2] if tops_mm[2] else math.nan
        pairs = zip(tops_mm, self.tops_mm, self.sds_mm, strict=True)
        differences = (
            (hand * factor - photo, math.hypot(HAND_SD_MM, sd if sd == sd else 0.0))
            for hand, photo, sd in pairs
        )
        return [(d, sd) for d, sd in differences if math.isfinite(d)]

    def residual(self, tops_mm: Three) -> _Fit:
        """Say how far numbers are from the photo; fewer than two tell nothing."""
        z = [d / sd for d, sd in self.differences(tops_mm)]
        if len(z) < 2 or min(tops_mm) < 0:
            return _Fit(math.nan, math.nan)
        return _Fit(max(map(abs, z)), math.fsum(v * v for v in z))


# --- the hypotheses -----------------------------------------------------------------------------


def _hypotheses(mark: HandMark, photo: _PhotoTops) -> Iterator[tuple[_Fit, Slip]]:
    """Try each slip that can be told; `from_table` has a free number and stands apart."""
    tried = [*_other_kind(mark), *_other_order(mark)]
    tried += _other_unit(mark) if photo.scaled else []
    for slip in tried:
        yield photo.residual(slip.tops_mm), slip


def _other_kind(mark: HandMark) -> Iterator[Slip]:
    if mark.kind is MarkKind.THICKNESS:
        yield Slip(
            SlipName.HEIGHTS_AS_THICKNESSES,
            "The numbers fit if they are heights above the floor, entered as thicknesses.",
            mark.entered_mm,
        )
    else:
        yield Slip(
            SlipName.THICKNESSES_AS_HEIGHTS,
            "The numbers fit if they are thicknesses of the layers, entered as heights.",
            tops_from(mark.entered_mm, MarkKind.THICKNESS),
        )


def _other_unit(mark: HandMark) -> Iterator[Slip]:
    if mark.unit is None:
        return
    for unit in MarkUnit:
        if unit is not mark.unit:
            sand, silt, clay = (mm * unit.mm / mark.unit.mm for mm in mark.tops_mm)
            yield Slip(
                SlipName.WRONG_UNIT,
                f"The numbers fit if they are {unit}, entered as {mark.unit}.",
                (sand, silt, clay),
            )


def _other_order(mark: HandMark) -> Iterator[Slip]:
    """Put the columns in another order, or, for heights, the layers that they were summed from."""
    if any(map(math.isnan, mark.entered_mm)):
        return
    for order in list(permutations(range(3)))[1:]:
        yield _ordered(order, tops_from(_picked(mark.entered_mm, order), mark.kind))
    if mark.kind is MarkKind.TOP:
        sand, silt, clay = mark.entered_mm
        parts = (sand, silt - sand, clay - silt)
        for order in list(permutations(range(3)))[1:]:
            yield _ordered(order, tops_from(_picked(parts, order), MarkKind.THICKNESS))


def _picked(numbers: Three, order: Sequence[int]) -> Three:
    return numbers[order[0]], numbers[order[1]], numbers[order[2]]


def _ordered(order: Sequence[int], tops_mm: Three) -> Slip:
    """Say which order fits; `order` names the column that each layer's number stood in."""
    if tuple(order) == (2, 1, 0):
        words = "The numbers fit if the layers were entered from the top down, clay as sand."
    else:
        moved = (
            f"{LAYERS[own]} entered as {LAYERS[column]}"
            for own, column in enumerate(order)
            if own != column
        )
        words = f"The numbers fit if layers were mixed up: {', '.join(moved)}."
    return Slip(SlipName.WRONG_ORDER, words, tops_mm)


def _from_table(mark: HandMark, photo: _PhotoTops) -> Slip | None:
    """Suggest that all three marks were measured from the table: all too high by the same."""
    differences = photo.differences(mark.tops_mm) if photo.scaled else []
    if len(differences) < 3:
        return None
    offset = math.fsum(d for d, _ in differences) / 3
    # The photo's floor is shared by its three tops, the hand's own error is not.
    photo_sd = max((sd for sd in photo.sds_mm if sd == sd), default=0.0)
    sd_mm = math.hypot(photo_sd, HAND_SD_MM / math.sqrt(3))
    alike = all(abs(d - offset) <= _OFFSET_SPREAD_SDS * sd for d, sd in differences)
    likely = _OFFSETS_MM[0] <= offset <= _OFFSETS_MM[1] and offset > _WRONG_SDS * sd_mm
    if not (alike and likely):
        return None
    sand, silt, clay = (top - offset for top in mark.tops_mm)
    return Slip(
        SlipName.FROM_TABLE,
        f"All three tops lie about {offset:.0f} mm above the photo's, as if they were measured "
        "from the table and not from the jar's inside floor.",
        (sand, silt, clay),
    )


def _not_rising(tops_mm: Three) -> tuple[Slip, ...]:
    """Notice tops that cannot be, whatever the photo shows."""
    known = [top for top in tops_mm if not math.isnan(top)]
    if all(a <= b for a, b in pairwise(known)):
        return ()
    words = (
        "The tops do not rise from sand to silt to clay; check the order of the columns, and "
        "whether they are heights or thicknesses."
    )
    return (Slip(SlipName.NOT_RISING, words, UNKNOWN_THREE),)


def _each_once(slips: Sequence[Slip]) -> tuple[Slip, ...]:
    """Keep the best of each name, at most two."""
    first = {slip.name: slip for slip in reversed(slips)}
    kept = [slip for slip in slips if first[slip.name] is slip]
    return tuple(kept[:2])
