"""Photos of a jar -> its boundaries, floor and water line: the last stage that sees pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import NoDepositError, TimesError, TooNoisyError
from jarvision.core.series import Reading
from jarvision.jar.taper import width_ratio
from jarvision.jar.wall_features import WallFeatures, gather, quiet_level
from jarvision.wall.floor import join_floors, seen_floor, water_structure
from jarvision.wall.interim_top import deposit_top
from jarvision.wall.layers import CoarsePlace, coarse_tops, place, sand_tops
from jarvision.wall.locate import Look
from jarvision.wall.measurement import (
    LAYERS,
    ORDER,
    Boundary,
    Floor,
    JarMeasurement,
    PhotoMeasurement,
    hidden_sd_mm,
    is_behind,
    lowered,
)
from jarvision.wall.photo_faults import photo_faults, refuse_burnt_out
from jarvision.wall.stacks import StackOdds, weigh_stacks
from jarvision.wall.water_line import NOWHERE, WaterLine, find_water_lines

_NO_LAYERS = "No layers of sand and silt can be told apart in this jar; is there a deposit in it?"
# Log units a photo by which layers must explain the grain better than none does. Drawn walls
# without layers reach 14 and an empty drawn glass 20, rendered jars seen once start at 12: between
# the two limits layers are believed only where one stack of them stands out. Our own, no source.
_LEAST_GAIN, _SURE_GAIN, _LEAST_ODDS = 15.0, 25.0, 0.7
_OTHER_MM = 2.5  # places of a top nearer than this are one
_THIN_MM = 2.0  # a layer thinner than this is hardly thicker than coarse heights are unsure


@dataclass(frozen=True, slots=True)
class PhotoReading(PhotoMeasurement):
    """What was measured in one photo, with where in the picture it was.

    Attributes
    ----------
    look : Look
        Jar and wall.
    """

    look: Look = field(kw_only=True, repr=False)

    def numbers(self) -> PhotoMeasurement:
        """Give what was measured without the picture."""
        kept = {f.name: getattr(self, f.name) for f in fields(PhotoMeasurement)}
        return PhotoMeasurement(**kept)


def photo_reading(
    look: Look,
    reading: Reading,
    floor: Floor,
    boundaries: Sequence[Boundary],
    *,
    structure: tuple[float, float] = (math.nan, math.nan),
    elapsed_s: float = math.nan,
    deposit: Boundary | None = None,
) -> PhotoReading:
    """Put together what was measured in one photo.

    Parameters
    ----------
    look : Look
        Jar and wall.
    reading : Reading
        Which reading it stands for.
    floor : Floor
        Inside floor in the photo's heights.
    boundaries : sequence of Boundary
        Lowest first, heights above the inside floor [mm].
    structure : tuple of float
        What is to be seen in the water.
    elapsed_s : float
        Time since shaking [s]; NaN where not known.
    deposit : Boundary, optional
        Top of all that was down in a further photo.
    """
    view = look.jar.view
    return PhotoReading(
        name=look.name,
        reading=reading,
        floor=floor,
        boundaries=tuple(boundaries),
        scaled=look.jar.scaled,
        scale=look.scale,
        radius_mm=view.outline.radius_mm,
        is_round=view.outline.is_round,
        camera_distance_mm=view.camera.distance_mm,
        camera_height_mm=view.camera.height_mm,
        bow_mm=look.bow_mm,
        structure=structure,
        covered_mm=tuple(look.covered_mm),
        doubts=look.doubts,
        elapsed_s=elapsed_s,
        deposit=deposit,
        look=look,
    )


def read_photos_of_jar(
    looks: Mapping[Reading, Look],
    *,
    more: Sequence[tuple[Reading, Look, float]] = (),
    doubts: Sequence[Doubt] = (),
    elapsed_s: Mapping[Reading, float] | None = None,
) -> JarMeasurement:
    """Find the boundaries of one jar in the looks at its photos.

    The photos of what is returned are `PhotoReading`: they still know their pictures.

    Parameters
    ----------
    looks : mapping from Reading to Look
        One look a reading; the one at 48 hours is needed.
    more : sequence of (Reading, Look, float)
        Further photos, each with the last reading that was due when it was taken and its time
        since shaking [s]; they confirm or contradict boundaries, and show how far the deposit had
        come then. The jar's shape is fitted to all photos, so they may move
        heights by some hundredths of a millimetre.
    doubts : sequence of Doubt
        Doubts about the jar's times and photos that are known already.
    elapsed_s : mapping from Reading to float, optional
        Time since shaking of each photo in `looks` [s].

    Raises
    ------
    TimesError
        There is no photo at the end, so the clay's top is not known.
    TooBrightError
        A photo is white where its layers are.
    TooNoisyError
        A photo's noise or compression hides the soil's grain.
    NoDepositError
        No layers are seen.
    """
    _refuse_without_end(looks)
    for look in looks.values():
        refuse_burnt_out(look)
    evidence = {r: gather(looks[r].wall, settled=ORDER.index(r) + 1) for r in ORDER if r in looks}
    noise = [d for r, p in evidence.items() for d in _noise_doubts(looks[r].name, p)]
    jars = [looks[r].jar for r in evidence]
    ways, gain = coarse_tops(list(evidence.values()))
    if gain < _LEAST_GAIN:
        raise NoDepositError(_NO_LAYERS)
    stacks = weigh_stacks(list(evidence.values()), jars, ways)
    if gain < _SURE_GAIN and stacks and stacks[0].odds < _LEAST_ODDS:
        raise NoDepositError(_NO_LAYERS)
    photos, water = _read_best(stacks, evidence, looks)
    top_mm = photos[-1].boundaries[-1].top_mm
    known_s = elapsed_s or {}
    return JarMeasurement(
        photos=tuple(
            replace(
                photo,
                width_ratio=width_ratio([s for s in (photo.look.sides,) if s], top_mm),
                elapsed_s=known_s.get(photo.reading, math.nan),
            )
            for photo in photos
        ),
        further=_confirm(photos, more),
        water_mm=water.z_mm - photos[-1].floor.z_mm,
        water_sd_mm=math.hypot(water.sd_mm, photos[-1].floor.sd_mm),
        water_odds=water.odds,
        widened_to_mm=top_mm,
        doubts=(*doubts, *noise),
    )


def _read_best(
    stacks: Sequence[StackOdds],
    photos: Mapping[Reading, WallFeatures],
    looks: Mapping[Reading, Look],
) -> tuple[tuple[PhotoReading, ...], WaterLine]:
    """Read all photos by the likeliest stack of layers whose boundaries can all be placed."""
    for i, stack in enumerate(stacks):
        try:
            return _read_stack(_beside_likelier(stack, stacks[:i]), photos, looks), stack.water
        except NoDepositError:
            if i + 1 == len(stacks):
                raise
    msg = (
        "No top of a deposit was found in the last photo; take it level with the layers, "
        "with light from the side."
    )
    raise NoDepositError(msg)


def _beside_likelier(stack: StackOdds, likelier: Sequence[StackOdds]) -> StackOdds:
    """Keep, as other places of its tops, where likelier stacks have them that cannot be placed."""
    others = list(stack.others)
    for other in likelier:
        for layer, at in enumerate(other.tops_mm):
            taken = [stack.tops_mm[layer], *(height for height, _ in others[layer])]
            if all(abs(at - height) > _OTHER_MM for height in taken):
                others[layer] = ((at, other.odds / stack.odds), *others[layer])
    return replace(stack, others=tuple(others))


def _read_stack(
    stack: StackOdds,
    photos: Mapping[Reading, WallFeatures],
    looks: Mapping[Reading, Look],
) -> tuple[PhotoReading, ...]:
    """Place every boundary of a stack of layers in all photos."""
    floors = _floors(photos, looks, stack.tops_mm)
    coarse, found = list(stack.tops_mm), []
    for r, photo in photos.items():
        placed = _place_all(photo, coarse, stack.others, floors[r], looks[r].covered_mm)
        structure = water_structure(photo, stack.tops_mm[2], stack.water.z_mm)
        found.append(photo_reading(looks[r], r, floors[r], placed, structure=structure))
        own = photo.settled - 1
        if own + 1 < len(coarse) and coarse[own + 1] - coarse[own] < _THIN_MM:
            # under a thin layer a coarse height leaves no room; the layer's own photo knows better
            coarse[own] = min(placed[-1].top_mm + floors[r].z_mm, coarse[own])
    return tuple(found)


def _confirm(
    read: Sequence[PhotoReading], more: Sequence[tuple[Reading, Look, float]]
) -> tuple[PhotoMeasurement, ...]:
    """Place the boundaries that are known in further photos, and the deposit's top there."""
    last = read[-1]
    tops = [b.top_mm + last.floor.z_mm for b in last.boundaries]
    found = []
    for reading, look, elapsed_s in more:
        if (look.jar.scaled, look.has_strip) != (last.look.jar.scaled, last.look.has_strip):
            continue
        photo = gather(look.wall, settled=ORDER.index(reading) + 1)
        try:
            boundaries = _place_all(photo, tops, ((), (), ()), last.floor, look.covered_mm)
        except NoDepositError:
            continue
        deposit = _deposit(photo, tops, boundaries, last.floor)
        own = photo_reading(
            look, reading, last.floor, boundaries, elapsed_s=elapsed_s, deposit=deposit
        )
        found.append(own.numbers())
    return tuple(found)


def _deposit(
    photo: WallFeatures, tops: Sequence[float], boundaries: Sequence[Boundary], floor: Floor
) -> Boundary | None:
    """Find the top of all that was down in a further photo, above the inside floor."""
    if photo.settled == len(tops):
        return boundaries[-1] if boundaries[-1].contrast >= _LEAST_CONTRAST else None
    low, high = tops[photo.settled - 1], tops[photo.settled]
    seen = deposit_top(photo, photo.settled, low, high)
    if seen is None or seen.contrast < _OF_LOWER * boundaries[-1].contrast:
        return None  # beside so clear a lower top it may be nothing
    return lowered(seen, floor.z_mm)


_OF_LOWER = 0.4  # of the lower top's contrast, that a deposit's top must have; ours
_LEAST_CONTRAST = 3.0  # of the deposit's top in a photo that the clay was not looked for in


# Log roughness of the quietest part of a wall: rendered phone photos lie between -2.3 and -1.0.
# Outside the inner limits a doubt; outside the outer ones layers were missed on test pictures.
_QUIET, _QUIET_DOUBTED = (-3.4, -0.1), (-2.8, -0.45)


def _noise_doubts(name: str, photo: WallFeatures) -> list[Doubt]:
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


def _floors(
    photos: Mapping[Reading, WallFeatures], looks: Mapping[Reading, Look], coarse: Sequence[float]
) -> dict[Reading, Floor]:
    """Find the inside floor: one for all photos with the strip, one for all without."""
    floors = {}
    for has_strip in (True, False):
        own = [r for r in photos if looks[r].has_strip == has_strip]
        drawn = [(0.0, looks[r].floor_sd_mm) for r in own if looks[r].floor_sd_mm > 0]
        # where the sand is thin, sand and silt together are what the foot is compared with
        thin = coarse[0] < 3.0
        seen = [
            seen_floor(
                photos[r],
                coarse[1 if thin and r != ORDER[0] else 0],
                float(looks[r].jar.view.elevation_rad(np.array(0.0))),
            )
            for r in own
        ]
        floors.update(dict.fromkeys(own, join_floors([*drawn, *seen], has_strip=has_strip)))
    return floors


def _place_all(
    photo: WallFeatures,
    coarse: Sequence[float],
    others: Sequence[tuple[tuple[float, float], ...]],
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
        again = replace(again, alternatives=others[layer])
        placed.append(lowered(_widened(again, covered_mm), floor.z_mm))
    return tuple(placed)


def _widened(boundary: Boundary, covered_mm: Sequence[tuple[float, float]]) -> Boundary:
    """Let a boundary that a mark hides on all of the glass lie anywhere behind the mark."""
    for span in covered_mm:
        if is_behind(boundary.top_mm, span):
            return replace(boundary, sd_mm=math.hypot(boundary.sd_mm, hidden_sd_mm(span)))
    return boundary


# --- where no layers are found ------------------------------------------------------------------

_ANYWHERE_SD_MM = 30.0


def read_without_layers(
    looks: Mapping[Reading, Look],
    *,
    doubts: Sequence[Doubt] = (),
    elapsed_s: Mapping[Reading, float] | None = None,
) -> JarMeasurement:
    """Give a jar whose layers were not found: its glass is known, so a hand can put them in.

    Parameters
    ----------
    looks, doubts, elapsed_s
        As in `read_photos_of_jar`.

    Returns
    -------
    JarMeasurement
        The tops and the water line are NaN, and the floor is where the strip has it.

    Raises
    ------
    TimesError
        There is no photo at the end.
    """
    _refuse_without_end(looks)
    known_s = elapsed_s or {}
    shown = [r for r in ORDER if r in looks]
    unknown = [
        Boundary(layer, math.nan, _ANYWHERE_SD_MM, math.nan, math.nan, math.nan, math.nan)
        for layer in LAYERS
    ]
    photos = [
        photo_reading(
            looks[r],
            r,
            _drawn_floor(looks[r]) or join_floors((), has_strip=looks[r].has_strip),
            unknown[: ORDER.index(r) + 1],
            elapsed_s=known_s.get(r, math.nan),
        )
        for r in shown
    ]
    return JarMeasurement(photos=tuple(photos), doubts=tuple(doubts))


def _drawn_floor(look: Look) -> Floor | None:
    return Floor(0.0, look.floor_sd_mm, math.nan) if look.floor_sd_mm > 0 else None


# --- before the last photo is there -------------------------------------------------------------


def read_early_photos(
    looks: Mapping[Reading, Look],
    *,
    doubts: Sequence[Doubt] = (),
    elapsed_s: Mapping[Reading, float] | None = None,
) -> JarMeasurement:
    """Find what is down already in the photos before the last one: the sand, and the silt.

    Parameters
    ----------
    looks : mapping from Reading to Look
        The looks at 1 minute, at 2 hours, or both.
    doubts, elapsed_s
        As in `read_photos_of_jar`.

    Returns
    -------
    JarMeasurement
        The last photo shows as many layers as are down in it. Each carries what is wrong with it
        as a picture: glare, white parts, leaning.

    Raises
    ------
    TooNoisyError, TooBrightError, HiddenError
        A photo hides its layers.
    NoDepositError
        No layers are seen.
    """
    evidence = {r: gather(looks[r].wall, settled=ORDER.index(r) + 1) for r in ORDER if r in looks}
    settled = max(photo.settled for photo in evidence.values())
    noise = [d for r, p in evidence.items() for d in _noise_doubts(looks[r].name, p)]
    shown = list(evidence.values())
    ways, gain = sand_tops(shown[0]) if settled == 1 else coarse_tops(shown)
    if gain < _LEAST_GAIN:
        msg = "No layer can be told from the water in this jar; is there a deposit in it?"
        raise NoDepositError(msg)
    tops = (ways[0].sand_mm, ways[0].silt_mm)[:settled]
    faults = {r: photo_faults(looks[r], tops[p.settled - 1]) for r, p in evidence.items()}
    floors = _floors(evidence, looks, tops)
    lines = find_water_lines(shown, tops[-1]) or [NOWHERE]
    others = _early_others(ways, settled)
    known_s = elapsed_s or {}
    photos = []
    for r, photo in evidence.items():
        placed = _place_all(photo, tops, others, floors[r], looks[r].covered_mm)
        read = photo_reading(
            looks[r],
            r,
            floors[r],
            placed,
            structure=water_structure(photo, tops[-1], lines[0].z_mm),
            elapsed_s=known_s.get(r, math.nan),
        )
        photos.append(replace(read, doubts=(*read.doubts, *faults[r])))
    floor = photos[-1].floor
    return JarMeasurement(
        photos=tuple(photos),
        water_mm=lines[0].z_mm - floor.z_mm,
        water_sd_mm=math.hypot(lines[0].sd_mm, floor.sd_mm),
        water_odds=lines[0].odds,
        doubts=(*doubts, *noise),
    )


def _early_others(
    ways: Sequence[CoarsePlace], settled: int
) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Give other places of each top: height [mm] and weight against the main one."""
    tops = [(way.sand_mm, way.silt_mm)[:settled] for way in ways]
    others = []
    for layer in range(settled):
        found: list[tuple[float, float]] = []
        for top, way in zip(tops[1:], ways[1:], strict=True):
            taken = [tops[0][layer], *(height for height, _ in found)]
            if way.weight > 0.01 and all(abs(top[layer] - at) > _OTHER_MM for at in taken):
                found.append((top[layer], way.weight))
        others.append(tuple(found))
    return tuple(others)
