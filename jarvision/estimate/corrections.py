"""Lines that somebody corrects by hand, put into what was measured; the others follow them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import ValueRefusedError
from jarvision.core.series import Reading
from jarvision.estimate.combine import sink_of
from jarvision.wall.measurement import LAYERS, Boundary, JarMeasurement, PhotoMeasurement, lowered


class JarLine(StrEnum):
    """A line on a jar that can be corrected."""

    SAND = "sand"
    SILT = "silt"
    CLAY = "clay"
    FLOOR = "floor"
    WATER = "water"


@dataclass(frozen=True, slots=True)
class Correction:
    """A line as somebody sees it.

    Attributes
    ----------
    line : JarLine
        Which line.
    value_mm, sd_mm : float
        Its height above the inside floor, and one standard deviation [mm, nominal where the jar
        has no scale]. The floor's own is above the floor that was measured.
    reading : Reading or None
        The photo in which a layer's top is corrected; None stands for all that show it.
    """

    line: JarLine
    value_mm: float
    sd_mm: float
    reading: Reading | None = None


_CALLED = {JarLine.FLOOR: "inside floor", JarLine.WATER: "water line"}
_JAR_WIDE = tuple(_CALLED)

# What follows from a line in another photo is no second look at it: it weighs a ninth. Our own
# judgement, no source.
_FOLLOWS_SDS = 3.0
_OUT_OF_ORDER_MM = 0.5


def put_right(measured: JarMeasurement, lines: Sequence[Correction]) -> JarMeasurement:
    """Put lines where somebody sees them.

    The floor goes first, so that all other heights count from where it was put. A top that was put
    right in one photo is taken along in the photos in which nobody put it right.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured in the photos.
    lines : sequence of Correction
        The last of a line (and photo) counts.

    Returns
    -------
    JarMeasurement
        With the names of the lines that were put right, and a note on each.

    Raises
    ------
    ValueRefusedError
        A value that is no number, or layers that would lie one under the other.
    """
    last = {(one.line, one.reading): one for one in lines}
    made = measured
    for one in (one for line in _JAR_WIDE for one in last.values() if one.line is line):
        made = _moved(made, one)
    for layer, name in enumerate(LAYERS):
        by_reading = {one.reading: one for one in last.values() if one.line == name}
        if by_reading:
            made = _with_top(made, layer, by_reading)
    _refuse_disorder(made)
    names = [line for line in JarLine if any(one.line is line for one in last.values())]
    notes = tuple(_note(one, measured) for one in last.values())
    return replace(
        made, doubts=(*made.doubts, *notes), put_right=(*made.put_right, *map(str, names))
    )


def read_height_mm(measured: JarMeasurement, line: JarLine, reading: Reading | None) -> float:
    """Say what was read of a line, as a correction would put it; NaN where nothing was [mm]."""
    if line is JarLine.FLOOR:
        return 0.0
    if line is JarLine.WATER:
        return measured.water_mm
    layer = LAYERS.index(line)
    for photo in measured.photos:
        if layer < len(photo.boundaries) and reading in (None, photo.reading):
            return photo.boundaries[layer].top_mm
    return math.nan


def _moved(measured: JarMeasurement, correction: Correction) -> JarMeasurement:
    """Put a line where somebody sees it.

    Raises
    ------
    ValueRefusedError
        A value that is no number, or an uncertainty that is not more than 0.
    """
    value, sd = correction.value_mm, correction.sd_mm
    if not (math.isfinite(value) and 0 < sd < math.inf):
        msg = "A corrected line needs its height and how sure it is, both in millimetres."
        raise ValueRefusedError(msg)
    if correction.line is JarLine.WATER:
        return replace(measured, water_mm=value, water_sd_mm=sd)
    if correction.line is JarLine.FLOOR:
        return replace(
            measured,
            sand_grain=measured.sand_grain and measured.sand_grain.lowered(value),
            photos=tuple(_with_floor(photo, value, sd) for photo in measured.photos),
            further=tuple(_with_floor(photo, value, sd) for photo in measured.further),
            water_mm=measured.water_mm - value,
            widened_to_mm=measured.widened_to_mm - value,
        )
    return replace(
        measured,
        photos=tuple(_put_top(photo, correction) for photo in measured.photos),
        further=tuple(_put_top(photo, correction) for photo in measured.further),
    )


def _with_floor(photo: PhotoMeasurement, value_mm: float, sd_mm: float) -> PhotoMeasurement:
    floor = replace(photo.floor, z_mm=photo.floor.z_mm + value_mm, sd_mm=sd_mm)
    boundaries = tuple(lowered(boundary, value_mm) for boundary in photo.boundaries)
    deposit = photo.deposit and lowered(photo.deposit, value_mm)
    return replace(photo, floor=floor, boundaries=boundaries, deposit=deposit)


def _put_top(photo: PhotoMeasurement, correction: Correction) -> PhotoMeasurement:
    """Correct a boundary in a photo that is meant."""
    if correction.reading not in (None, photo.reading):
        return photo
    layer = LAYERS.index(correction.line)
    return _set_by_hand(photo, layer, correction.value_mm, correction.sd_mm)


def _set_by_hand(
    photo: PhotoMeasurement, layer: int, top_mm: float, sd_mm: float
) -> PhotoMeasurement:
    """Set a boundary that a photo shows: it has no rivals any more, and no two cues."""
    if layer >= len(photo.boundaries):
        return photo
    by_hand = Boundary(
        LAYERS[layer],
        top_mm,
        sd_mm,
        colour_mm=math.nan,
        grain_mm=math.nan,
        contrast=math.nan,
        uneven_mm=math.nan,
        by_hand=True,
    )
    boundaries = (*photo.boundaries[:layer], by_hand, *photo.boundaries[layer + 1 :])
    return replace(photo, boundaries=boundaries)


def _with_top(
    measured: JarMeasurement, layer: int, by_reading: Mapping[Reading | None, Correction]
) -> JarMeasurement:
    """Put one layer's top right in all photos that show it."""
    if None in by_reading:
        measured = _moved(measured, by_reading[None])
    own = {reading: one for reading, one in by_reading.items() if reading is not None}
    for one in own.values():
        measured = _moved(measured, one)
    if None in by_reading or not own:
        return measured

    def along(photo: PhotoMeasurement) -> PhotoMeasurement:
        return photo if photo.reading in own else _taken_along(photo, layer, own)

    return replace(
        measured,
        photos=tuple(map(along, measured.photos)),
        further=tuple(map(along, measured.further)),
    )


def _taken_along(
    photo: PhotoMeasurement, layer: int, own: Mapping[Reading, Correction]
) -> PhotoMeasurement:
    """Move a top to where the earliest photo in which it was put right would have it by now."""
    then = min(own, key=list(Reading).index)
    sunk_then, sunk_now = sink_of(layer, then)[0], sink_of(layer, photo.reading)[0]
    top_mm = own[then].value_mm * (1 + sunk_then) / (1 + sunk_now)
    return _set_by_hand(photo, layer, top_mm, _FOLLOWS_SDS * own[then].sd_mm)


def _refuse_disorder(measured: JarMeasurement) -> None:
    for photo in measured.photos:
        below_mm, below = 0.0, "inside floor"
        for boundary in photo.boundaries:
            if boundary.top_mm < below_mm - _OUT_OF_ORDER_MM:
                msg = (
                    f"The top of the {boundary.layer} cannot lie below the {below}; "
                    "move one of the two."
                )
                raise ValueRefusedError(msg)
            below_mm, below = boundary.top_mm, f"top of the {boundary.layer}"


def _note(one: Correction, measured: JarMeasurement) -> Doubt:
    """Say what was put right, and what had been read."""
    called = _CALLED.get(one.line, f"top of the {one.line}")
    if not measured.scaled:
        return doubt(DoubtName.PUT_RIGHT, line=called, how="")
    if one.line is JarLine.FLOOR:
        side = "higher" if one.value_mm > 0 else "lower"
        how = f", {abs(one.value_mm):.1f} mm {side} than it was read"
        return doubt(DoubtName.PUT_RIGHT, line=called, how=how)
    names = {photo.reading: photo.name for photo in measured.photos}
    where = f" in {names[one.reading]}" if one.reading in names else ""
    read_mm = read_height_mm(measured, one.line, one.reading)
    was = "nothing" if math.isnan(read_mm) else f"{read_mm:.1f} mm"
    how = f"{where} at {one.value_mm:.1f} mm, where {was} was read"
    return doubt(DoubtName.PUT_RIGHT, line=called, how=how)
