"""The flow: photos of a jar -> boundaries -> shares -> texture, with every doubt on the way."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from jarvision.core.errors import JarError, NoDepositError, TimesError, TooNoisyError
from jarvision.core.measured import Doubt, DoubtName, Measured, doubt
from jarvision.core.series import READING_TIMES, Reading
from jarvision.estimate.composition import Candidate, Composition, compose, draw_tops, spread_of
from jarvision.estimate.texture import Texture, texture_of
from jarvision.jar.profile import JarProfile
from jarvision.jar.scale_sources import ScaleSource, taper_doubts, volumes_of, width_ratio
from jarvision.jar.view_fit import Jar
from jarvision.jar.wall_features import Evidence, gather, quiet_level
from jarvision.wall.clay import clay_places, mirrored_edges
from jarvision.wall.floor import (
    Floor,
    clearness_of,
    join_floors,
    seen_floor,
    water_line,
    water_structure,
)
from jarvision.wall.layers import LAYERS, Boundary, CoarsePlace, coarse_tops, place
from jarvision.wall.locate import Look

Array: TypeAlias = NDArray[np.float64]

ORDER = (Reading.ONE_MINUTE, Reading.TWO_HOURS, Reading.TWO_DAYS)
"""The readings in time; the reading at index i is the one that shows the top of layer i."""

_MAP_TOP_MM = 150.0
_BARE_SCALE_SD = 0.03  # scatter of the jar's width and tilt between photos without a strip
_LEAST_GAIN = 25.0  # log units a photo by which layers must explain the grain better than none


@dataclass(frozen=True, slots=True)
class PhotoReading:
    """One photo with the boundaries read in it.

    Attributes
    ----------
    name : str
        File name, safe to print.
    reading : Reading
        Which reading it stands for.
    look : Look
        Jar and wall.
    floor : Floor
        Inside floor in this photo's heights.
    boundaries : tuple of Boundary
        Lowest first, heights above the inside floor [mm].
    structure : tuple of float
        What is to be seen in the water, see `floor.water_structure`.
    """

    name: str
    reading: Reading
    look: Look = field(repr=False)
    floor: Floor
    boundaries: tuple[Boundary, ...]
    structure: tuple[float, float] = (math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class JarReading:
    """All that was read of one jar.

    Attributes
    ----------
    jar : str
        Its name.
    photos : tuple of PhotoReading
        The photos used, in order of time.
    scaled : bool
        Whether heights are millimetres; else they are nominal and only their ratios mean anything.
    tops : tuple of Measured
        Top of sand, silt and clay above the inside floor [mm], at the time of each one's photo.
    water_mm : float
        Water line above the inside floor [mm]; NaN where not seen.
    composition : Composition
        Shares by height.
    texture : Texture
        Class odds by height.
    doubts : tuple of Doubt
        Every doubt, once.
    further : tuple of PhotoReading
        Photos that only confirm.
    water_state : str
        ``"clear"``, ``"cloudy"`` or ``"unknown"``: the water above the clay in the last photo.
    profile : str
        Name of the jar profile by which heights became volumes; empty where walls count as
        straight.
    """

    jar: str
    photos: tuple[PhotoReading, ...]
    scaled: bool
    tops: tuple[Measured, Measured, Measured]
    water_mm: float
    composition: Composition
    texture: Texture
    doubts: tuple[Doubt, ...]
    further: tuple[PhotoReading, ...] = ()
    water_state: str = "unknown"
    profile: str = ""


@dataclass(frozen=True, slots=True)
class Failure:
    """A jar that could not be read, and why."""

    jar: str
    photos: tuple[str, ...]
    error: JarError


# How far a boundary sinks until a later photo, as a part of its height: mean and sd. Beds give way
# by up to about 2 % under what settles on them: so on the rendered development photos, no source.
_SINK = {
    (0, Reading.TWO_HOURS): (0.007, 0.006),
    (0, Reading.TWO_DAYS): (0.012, 0.009),
    (1, Reading.TWO_DAYS): (0.010, 0.008),
}


def read_jar(
    jar: str,
    looks: Mapping[Reading, Look],
    *,
    more: Sequence[tuple[Reading, Look]] = (),
    seed: int = 0,
    doubts: Sequence[Doubt] = (),
    profile: JarProfile | None = None,
) -> JarReading:
    """Read one jar from the looks at its photos.

    Parameters
    ----------
    jar : str
        Its name.
    looks : mapping from Reading to Look
        One look a reading; the one at 48 hours is needed.
    more : sequence of (Reading, Look)
        Further photos, each with the last reading that was due when it was taken; they confirm
        or contradict boundaries. The jar's shape is fitted to all photos, so they may move
        heights by some hundredths of a millimetre.
    seed : int
        Seed of the draws.
    doubts : sequence of Doubt
        Doubts about the jar's times and photos that are known already.
    profile : JarProfile, optional
        The jar's inside, by which shares are of volume; without it walls count as straight.

    Raises
    ------
    TimesError
        There is no photo at the end, so the clay's top is not known.
    NoDepositError
        No layers are seen.
    """
    _refuse_without_end(looks)
    photos = {r: gather(looks[r].wall, settled=ORDER.index(r) + 1) for r in ORDER if r in looks}
    noise = [d for r, p in photos.items() for d in _noise_doubts(looks[r].name, p)]
    ways, gain = coarse_tops(list(photos.values()))
    if gain < _LEAST_GAIN:
        msg = "No layers of sand and silt can be told apart in this jar; is there a deposit in it?"
        raise NoDepositError(msg)
    for i in range(len(ways)):
        try:
            read, water_mm = _read_way([*ways[i:], *ways[:i]], photos, looks)
            break
        except NoDepositError:
            if i + 1 == len(ways):
                raise
    further = _confirm(read, more)
    return _finish(
        jar, read, water_mm, further, seed=seed, known=[*doubts, *noise], profile=profile
    )


def _read_way(
    ways: Sequence[CoarsePlace], photos: Mapping[Reading, Evidence], looks: Mapping[Reading, Look]
) -> tuple[tuple[PhotoReading, ...], float]:
    """Read all photos with the first of several ways in which sand and silt can lie."""
    sand, silt = ways[0].sand_mm, ways[0].silt_mm
    water = water_line(list(photos.values()), silt)
    earlier = [(photos[r], looks[r].jar) for r in photos if r != Reading.TWO_DAYS]
    mirrored = mirrored_edges(earlier, silt, water) if water > silt else []
    last = Reading.TWO_DAYS
    clay = _clay_of(photos[last], looks[last].jar, silt, water, mirrored)
    coarse = (sand, silt, clay[0][0])
    floors = _floors(photos, looks, coarse)
    read = tuple(
        PhotoReading(
            looks[r].name,
            r,
            looks[r],
            floors[r],
            _place_all(p, coarse, ways, clay, floors[r], looks[r].covered_mm),
            water_structure(p, coarse[2], water),
        )
        for r, p in photos.items()
    )
    return read, water - floors[Reading.TWO_DAYS].z_mm


def _confirm(
    read: Sequence[PhotoReading], more: Sequence[tuple[Reading, Look]]
) -> tuple[PhotoReading, ...]:
    """Place the boundaries that are known in further photos."""
    last = read[-1]
    tops = [b.top_mm + last.floor.z_mm for b in last.boundaries]
    way = [CoarsePlace(tops[0], tops[1], 1.0)]
    found = []
    for reading, look in more:
        if (look.jar.scaled, look.has_strip) != (last.look.jar.scaled, last.look.has_strip):
            continue
        photo = gather(look.wall, settled=ORDER.index(reading) + 1)
        try:
            boundaries = _place_all(photo, tops, way, [(tops[2], 1.0)], last.floor, look.covered_mm)
        except NoDepositError:
            continue
        found.append(PhotoReading(look.name, reading, look, last.floor, boundaries))
    return tuple(found)


# Log roughness of the quietest part of a wall: rendered phone photos lie between -2.3 and -1.0.
# Outside the inner limits a doubt; outside the outer ones layers were missed on test pictures.
_QUIET, _QUIET_DOUBTED = (-3.4, -0.1), (-2.8, -0.45)


def _noise_doubts(name: str, photo: Evidence) -> list[Doubt]:
    """Doubt a photo whose own noise or compression competes with the soil's grain.

    Raises
    ------
    TooNoisyError
        It rules.
    """
    level = quiet_level(photo)
    if level > _QUIET[1]:
        msg = f"{name} is too noisy to read; take it again with more light."
        raise TooNoisyError(msg)
    if level < _QUIET[0]:
        msg = f"{name} was compressed or smoothed too much to read; send the phone's own file."
        raise TooNoisyError(msg)
    if level > _QUIET_DOUBTED[1]:
        return [doubt(DoubtName.NOISY, photo=name)]
    return [doubt(DoubtName.SMOOTHED, photo=name)] if level < _QUIET_DOUBTED[0] else []


def _refuse_without_end(looks: Mapping[Reading, Look]) -> None:
    """Raise where the last photo is missing."""
    if Reading.TWO_DAYS not in looks:
        msg = (
            "There is no photo from about 48 hours after shaking, so the clay cannot be read; "
            "add one, with 48h in its name."
        )
        raise TimesError(msg)


def _clay_of(
    last: Evidence, jar: Jar, silt_mm: float, water_mm: float, mirrored: Sequence[float]
) -> list[tuple[float, float]]:
    """Find where the clay's top can be in the last photo, best first."""
    top = water_mm if water_mm > silt_mm else _MAP_TOP_MM
    places = clay_places(last, jar, silt_mm, top, mirrored=mirrored)
    if not places:
        msg = (
            "No top of a deposit was found in the last photo; take it level with the layers, "
            "with light from the side."
        )
        raise NoDepositError(msg)
    return places


def _floors(
    photos: Mapping[Reading, Evidence], looks: Mapping[Reading, Look], coarse: Sequence[float]
) -> dict[Reading, Floor]:
    """Find the inside floor: one for all photos with the strip, one for all without."""
    floors = {}
    for has_strip in (True, False):
        own = [r for r in photos if looks[r].has_strip == has_strip]
        # where the sand is thin, sand and silt together are what the foot is compared with
        thin = coarse[0] < 3.0
        seen = [seen_floor(photos[r], coarse[1 if thin and r != ORDER[0] else 0]) for r in own]
        floors.update(dict.fromkeys(own, join_floors(seen, has_strip=has_strip)))
    return floors


def _place_all(
    photo: Evidence,
    coarse: Sequence[float],
    ways: Sequence[CoarsePlace],
    clay: list[tuple[float, float]],
    floor: Floor,
    covered_mm: Sequence[tuple[float, float]],
) -> tuple[Boundary, ...]:
    """Place every boundary that a photo can show, above the inside floor."""
    top = coarse[-1] + 200.0
    under = [floor.z_mm + 0.3, *coarse]
    over = [*coarse[1 : photo.settled], top]
    placed = []
    for layer in range(photo.settled):
        first = place(photo, layer, coarse[layer], under[layer], over[layer], 2.2)
        if first is None:
            msg = (
                f"The {LAYERS[layer]} layer is too thin or too faint to be read; check it by hand."
            )
            raise NoDepositError(msg)
        again = place(photo, layer, first.top_mm, under[layer], over[layer], 1.6) or first
        again = replace(again, alternatives=_rivals(layer, ways, clay))
        placed.append(_lowered(_widened(again, covered_mm), floor.z_mm))
    return tuple(placed)


_BESIDE_MM = 0.5  # a boundary so near a mark's edge may lie behind it


def _is_behind(top_mm: float, span: tuple[float, float]) -> bool:
    return span[0] - _BESIDE_MM <= top_mm <= span[1] + _BESIDE_MM


def _widened(boundary: Boundary, covered_mm: Sequence[tuple[float, float]]) -> Boundary:
    """Let a boundary that a mark hides on all of the glass lie anywhere behind the mark."""
    for span in covered_mm:
        if _is_behind(boundary.top_mm, span):
            width = span[1] - span[0] + 2 * _BESIDE_MM
            return replace(boundary, sd_mm=math.hypot(boundary.sd_mm, width / math.sqrt(12)))
    return boundary


def _rivals(
    layer: int, ways: Sequence[CoarsePlace], clay: list[tuple[float, float]]
) -> tuple[tuple[float, float], ...]:
    """Other places for a top that are worth odds: (height [mm], weight)."""
    if layer == 2:
        return tuple((h, w) for h, w in clay[1:] if w > 0.02)
    heights = [(w.sand_mm, w.silt_mm)[layer] for w in ways]
    return tuple(
        (h, w.weight)
        for h, w in zip(heights[1:], ways[1:], strict=True)
        if abs(h - heights[0]) > 2.5
    )


def _lowered(boundary: Boundary, floor_mm: float) -> Boundary:
    """Bring a boundary from the photo's zero to the inside floor."""
    return replace(
        boundary,
        top_mm=boundary.top_mm - floor_mm,
        colour_mm=boundary.colour_mm - floor_mm,
        grain_mm=boundary.grain_mm - floor_mm,
        alternatives=tuple((h - floor_mm, w) for h, w in boundary.alternatives),
    )


def _clearness(read: Sequence[PhotoReading]) -> str:
    """Tell from the last photo, against the earlier ones, whether the water has cleared."""
    earlier = [p.structure for p in read[:-1]]
    return clearness_of(read[-1].structure, earlier)


def _finish(
    jar: str,
    read: tuple[PhotoReading, ...],
    water_mm: float,
    further: tuple[PhotoReading, ...],
    *,
    seed: int,
    known: Sequence[Doubt],
    profile: JarProfile | None,
) -> JarReading:
    """Join the photos, draw, and name the doubts."""
    own = [_join(layer, read) for layer in range(3)]
    last = read[-1]
    rivals = [
        [Candidate(h, t.sd, w) for h, w in boundary.alternatives]
        for t, boundary in zip(own, last.boundaries, strict=True)
    ]
    scaled = all(p.look.jar.scaled for p in read)
    rng = np.random.default_rng(seed)
    if _is_hard_to_see(read, known):
        rivals = [
            [*r, Candidate(t.value, _LOST_SD_MM, 0.3)] for t, r in zip(own, rivals, strict=True)
        ]
    draws = draw_tops(
        [t.value for t in own],
        [t.sd for t in own],
        shared_sd_mm=math.hypot(last.floor.sd_mm, max(p.look.bow_mm for p in read)),
        scale_sd=max(p.look.scale.relative_sd for p in read) if scaled else 0.0,
        rng=rng,
        alternatives=rivals,
    )
    unit_mm = math.nan if scaled else last.look.jar.view.outline.radius_mm
    composition = compose(
        draws if profile is None else volumes_of(draws, profile, rng=rng, radius_mm=unit_mm)
    )
    # the spread of the draws holds the floor, the scale and the odds of other places
    spread = spread_of(draws).tolist()
    whole = [Measured(t.value, sd, "mm") for t, sd in zip(own, spread, strict=True)]
    doubts = [*known, *(d for p in read for d in p.look.doubts)]
    sides = [p.look.sides for p in read if p.look.sides is not None]
    tops = [t.value for t in whole]
    doubts += taper_doubts(width_ratio(sides, tops[2]), tops, profile)
    doubts += _doubts_of(read, whole, scaled) + _moved_doubts(
        [*read, *further], _Lengths(scaled, whole[2].value)
    )
    clearness = _clearness(read)
    if clearness == "cloudy":
        doubts.append(doubt(DoubtName.STILL_SETTLING))
    return JarReading(
        jar,
        read,
        scaled,
        (whole[0], whole[1], whole[2]),
        water_mm,
        composition,
        texture_of(composition.draws),
        tuple(dict.fromkeys(doubts)),
        further,
        clearness,
        profile.name if profile else "",
    )


# In a picture that is dark or soft a line may be lost without a trace: one time in four is allowed
# for that, with a place known only to this (mm). Our own judgement.
_LOST_SD_MM = 9.0


def _is_hard_to_see(read: Sequence[PhotoReading], known: Sequence[Doubt]) -> bool:
    """Whether any photo is so dark or soft that lines can be lost in it."""
    hard = {DoubtName.DIM, DoubtName.SOFT_PHOTO, DoubtName.NOISY, DoubtName.SMOOTHED}
    return any(d.name in hard for d in [*known, *(d for p in read for d in p.look.doubts)])


def _said(layer: int, read: Sequence[PhotoReading]) -> list[tuple[float, float]]:
    """Gather what each photo says of a boundary at its own photo's time: height, sd [mm]."""
    says = []
    for photo in read:
        if layer < len(photo.boundaries):
            boundary = photo.boundaries[layer]
            sink, sd = _SINK.get((layer, photo.reading), (0.0, 0.0))
            height = boundary.top_mm * (1 + sink)
            own_scale = 0.0 if photo.look.has_strip else _BARE_SCALE_SD
            says.append((height, math.hypot(boundary.sd_mm, sd * height, own_scale * height)))
    return says


def _join(layer: int, read: Sequence[PhotoReading]) -> Measured:
    """Join what all photos say of a boundary, without the floor's and the scale's error."""
    values, sds = np.array(_said(layer, read)).T
    weight = sds**-2
    mean = float(np.average(values, weights=weight))
    spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
    # photos share the glass and the camera's model, so they do not average out below this
    return Measured(mean, max(float(weight.sum() ** -0.5), 0.22, spread), "mm")


# A step in colour of so many spreads is as weak as one that the eye misses.
_WEAK_CONTRAST = 3.0
_RIVAL_WEIGHT = 0.08
_CUES_MM = 1.6
_THIN_MM = 2.5
_OFF_FLOOR_MM = 1.8
_FLOOR_SD_MM = 0.55
_UNEVEN_MM = 2.5
_MOVED_SD, _MOVED_MM = 3.0, 1.2


@dataclass(frozen=True, slots=True)
class _Lengths:
    """Says lengths in millimetres, or without a scale as a part of the deposit's height."""

    scaled: bool
    whole_mm: float

    def say(self, mm: float) -> str:
        if self.scaled:
            return f"{mm:.1f} mm"
        return f"{100 * mm / max(self.whole_mm, 1e-6):.0f} % of the deposit's height"


def _doubts_of(read: Sequence[PhotoReading], tops: Sequence[Measured], scaled: bool) -> list[Doubt]:
    """Name what is doubtful about a reading."""
    doubts = _photo_count_doubts(read)
    length = _Lengths(scaled, tops[2].value)
    floor = read[-1].floor
    has_strip = read[-1].look.has_strip
    doubts += _scale_doubts(read) if scaled else [doubt(DoubtName.NO_STRIP)]
    if has_strip and abs(floor.seen_mm) > _OFF_FLOOR_MM:
        doubts.append(doubt(DoubtName.STRIP_OFF_FLOOR, offset=length.say(abs(floor.z_mm))))
    if floor.sd_mm > (_FLOOR_SD_MM if has_strip else 2 * _FLOOR_SD_MM):
        doubts.append(doubt(DoubtName.FLOOR_UNSURE, sd=length.say(floor.sd_mm)))
    for photo in read:
        doubts += _boundary_doubts(photo, length)
    return doubts + _thin_doubts(tops, length)


def _scale_doubts(read: Sequence[PhotoReading]) -> list[Doubt]:
    """Say where millimetres come from anything but a strip."""
    names = {
        ScaleSource.JAR: DoubtName.SCALE_FROM_JAR,
        ScaleSource.RULER: DoubtName.SCALE_FROM_RULER,
    }
    scales = dict.fromkeys(p.look.scale for p in read if p.look.scale.source in names)
    worst = {s.source: s for s in sorted(scales, key=lambda s: s.relative_sd)}
    return [doubt(names[k], sd=f"{100 * s.relative_sd:.2g}") for k, s in worst.items()]


def _photo_count_doubts(read: Sequence[PhotoReading]) -> list[Doubt]:
    if len(read) == 1:
        return [doubt(DoubtName.ONE_PHOTO)]
    missing = [READING_TIMES[r].spoken for r in ORDER if r not in {p.reading for p in read}]
    return [doubt(DoubtName.TWO_PHOTOS, missing=m) for m in missing]


def _boundary_doubts(photo: PhotoReading, length: _Lengths) -> list[Doubt]:
    """Doubts about the boundaries of a photo: weak or rivalled ones, and its own."""
    doubts = [
        doubt(DoubtName.WEAK_BOUNDARY, layer=b.layer, photo=photo.name)
        for b in photo.boundaries
        if sum(w for _, w in b.alternatives) > _RIVAL_WEIGHT
        or (b is photo.boundaries[-1] and b.contrast < _WEAK_CONTRAST)
    ]
    z = photo.floor.z_mm
    doubts += [
        doubt(DoubtName.MARK_ON_BOUNDARY, layer=b.layer, photo=photo.name)
        for b in photo.boundaries
        if any(_is_behind(b.top_mm + z, span) for span in photo.look.covered_mm)
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
        for layer, mm in zip(LAYERS, thick, strict=True)
        if mm < _THIN_MM
    ]


def _moved_doubts(read: Sequence[PhotoReading], length: _Lengths) -> list[Doubt]:
    """Doubts where a later photo contradicts an earlier one."""
    doubts = []
    for layer in (0, 1):
        says = _said(layer, read)
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
