"""What is doubtful about a reading, from its numbers; no pixels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.measured import Measured
from jarvision.core.series import READING_TIMES
from jarvision.estimate.combine import said_of
from jarvision.jar.profile import JarProfile
from jarvision.jar.scale import ScaleSource
from jarvision.jar.taper import taper_doubts
from jarvision.wall.measurement import (
    LAYERS,
    ORDER,
    JarMeasurement,
    PhotoMeasurement,
    clearness_of,
)

# A step in colour of so many spreads is as weak as one that the eye misses.
_WEAK_CONTRAST = 3.0
_RIVAL_WEIGHT = 0.08
_CUES_MM = 1.6
_THIN_MM = 2.5
_OFF_FLOOR_MM = 1.8
_FLOOR_SD_MM = 0.55
_UNEVEN_MM = 2.5
_MOVED_SD, _MOVED_MM = 3.0, 1.2
_UNSURE = 0.15  # odds against a water line from which it is doubted


def water_state(measured: JarMeasurement) -> str:
    """Tell ``"clear"`` water above the clay from ``"cloudy"`` in the last photo, or ``"unknown"``.

    The earlier photos show what cloudy water looks like in this jar.
    """
    *earlier, last = (photo.structure for photo in measured.photos)
    return clearness_of(last, earlier)


def judge(
    measured: JarMeasurement,
    tops: Sequence[Measured],
    *,
    profile: JarProfile | None,
    water_by_hand: bool = False,
) -> tuple[Doubt, ...]:
    """Name every doubt about a jar, each once.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured in the photos, with the doubts that are known already.
    tops : sequence of 3 Measured
        Tops of the layers by all photos together [mm].
    profile : JarProfile or None
        The jar's inside, where it was used.
    water_by_hand : bool
        The water line was measured by hand, so that the photos' own does not matter.
    """
    length = _Lengths(measured.scaled, tops[2].value)
    doubts = measured.all_doubts
    doubts += taper_doubts(_width_ratio(measured, tops), [t.value for t in tops], profile)
    doubts += _reading_doubts(measured, tops, length)
    doubts += _moved_doubts([*measured.photos, *measured.further], length)
    if water_state(measured) == "cloudy":
        doubts.append(doubt(DoubtName.STILL_SETTLING))
    is_seen = measured.scaled and math.isfinite(measured.water_mm + measured.water_odds)
    if is_seen and not water_by_hand and not measured.water_odds > 1.0 - _UNSURE:
        doubts.append(doubt(DoubtName.WATER_LINE_UNSURE))
    return tuple(dict.fromkeys(doubts))


def judge_early(measured: JarMeasurement, tops: Sequence[Measured]) -> tuple[Doubt, ...]:
    """Name every doubt about a jar whose last photo is not there yet, each once.

    Parameters
    ----------
    measured : JarMeasurement
        What was measured in the photos so far.
    tops : sequence of Measured
        Tops of the layers that are down [mm].
    """
    length = _Lengths(measured.scaled, tops[-1].value)
    doubts = measured.all_doubts + _place_doubts(measured, length) + _thin_doubts(tops, length)
    return tuple(dict.fromkeys(doubts + _moved_doubts(measured.photos, length)))


def _width_ratio(measured: JarMeasurement, tops: Sequence[Measured]) -> float:
    """Width at the deposit's top over that at the floor; where the top was moved since, as far."""
    known = [p.width_ratio for p in measured.photos if not math.isnan(p.width_ratio)]
    if not known:
        return math.nan
    return 1.0 + (float(np.median(known)) - 1.0) * (tops[2].value / measured.widened_to_mm)


@dataclass(frozen=True, slots=True)
class _Lengths:
    """Says lengths in millimetres, or without a scale as a part of the deposit's height."""

    scaled: bool
    whole_mm: float

    def say(self, mm: float) -> str:
        if self.scaled:
            return f"{mm:.1f} mm"
        return f"{100 * mm / max(self.whole_mm, 1e-6):.0f} % of the deposit's height"


def _reading_doubts(
    measured: JarMeasurement, tops: Sequence[Measured], length: _Lengths
) -> list[Doubt]:
    """Name what is doubtful about photos, scale, floor and boundaries."""
    doubts = _photo_count_doubts(measured.photos) + _place_doubts(measured, length)
    return doubts + _thin_doubts(tops, length)


def _place_doubts(measured: JarMeasurement, length: _Lengths) -> list[Doubt]:
    """Name what is doubtful about scale, floor and boundaries."""
    read, last = measured.photos, measured.photos[-1]
    doubts = _scale_doubts(read) if measured.scaled else [doubt(DoubtName.NO_STRIP)]
    if last.has_strip and abs(last.floor.seen_mm) > _OFF_FLOOR_MM:
        doubts.append(doubt(DoubtName.STRIP_OFF_FLOOR, offset=length.say(abs(last.floor.z_mm))))
    if last.floor.sd_mm > (_FLOOR_SD_MM if last.has_strip else 2 * _FLOOR_SD_MM):
        doubts.append(doubt(DoubtName.FLOOR_UNSURE, sd=length.say(last.floor.sd_mm)))
    for photo in read:
        doubts += _boundary_doubts(photo, length)
    return doubts


def _scale_doubts(read: Sequence[PhotoMeasurement]) -> list[Doubt]:
    """Say where millimetres come from anything but a strip."""
    names = {
        ScaleSource.JAR: DoubtName.SCALE_FROM_JAR,
        ScaleSource.RULER: DoubtName.SCALE_FROM_RULER,
    }
    scales = dict.fromkeys(p.scale for p in read if p.scale.source in names)
    worst = {s.source: s for s in sorted(scales, key=lambda s: s.relative_sd)}
    return [doubt(names[k], sd=f"{100 * s.relative_sd:.2g}") for k, s in worst.items()]


def _photo_count_doubts(read: Sequence[PhotoMeasurement]) -> list[Doubt]:
    if len(read) == 1:
        return [doubt(DoubtName.ONE_PHOTO)]
    missing = [READING_TIMES[r].spoken for r in ORDER if r not in {p.reading for p in read}]
    return [doubt(DoubtName.TWO_PHOTOS, missing=m) for m in missing]


def _boundary_doubts(photo: PhotoMeasurement, length: _Lengths) -> list[Doubt]:
    """Doubts about the boundaries of a photo: weak or rivalled ones, and its own."""
    doubts = [
        doubt(DoubtName.WEAK_BOUNDARY, layer=b.layer, photo=photo.name)
        for b in photo.boundaries
        if sum(w for _, w in b.alternatives) > _RIVAL_WEIGHT
        or (b is photo.boundaries[-1] and b.contrast < _WEAK_CONTRAST)
    ]
    doubts += [
        doubt(DoubtName.MARK_ON_BOUNDARY, layer=b.layer, photo=photo.name)
        for b in photo.boundaries
        if photo.is_covered(b)
    ]
    own = photo.boundaries[-1]
    gap = abs(own.colour_mm - own.grain_mm)
    if own.layer == "sand" and gap > _CUES_MM:
        facts = {"layer": own.layer, "photo": photo.name, "gap": length.say(gap)}
        doubts.append(doubt(DoubtName.CUES_DISAGREE, **facts))
    if own.uneven_mm > _UNEVEN_MM:
        uneven = length.say(own.uneven_mm)
        doubts.append(doubt(DoubtName.UNEVEN_TOP, layer=own.layer, uneven=uneven))
    return doubts


def _thin_doubts(tops: Sequence[Measured], length: _Lengths) -> list[Doubt]:
    heights = [0.0, *(t.value for t in tops)]
    thick = np.diff(heights)
    return [
        doubt(DoubtName.THIN_LAYER, layer=layer, thick=length.say(max(float(mm), 0.0)))
        for layer, mm in zip(LAYERS, thick, strict=False)
        if mm < _THIN_MM
    ]


def _moved_doubts(read: Sequence[PhotoMeasurement], length: _Lengths) -> list[Doubt]:
    """Doubts where a later photo contradicts an earlier one."""
    doubts = []
    for layer in (0, 1):
        says = said_of(layer, read)
        photos = [p for p in read if layer < len(p.boundaries)]
        for (later, sd), photo in zip(says[1:], photos[1:], strict=True):
            gap = abs(later - says[0][0])
            if gap > max(_MOVED_MM, _MOVED_SD * math.hypot(sd, says[0][1])):
                doubts.append(
                    doubt(
                        DoubtName.OLDER_BOUNDARY_MOVED,
                        layer=LAYERS[layer],
                        then=length.say(says[0][0]),
                        now=length.say(later),
                        photo=photo.name,
                    )
                )
    return doubts
