"""One photo: its strip, its jar, its unrolled wall, and what is doubtful about the picture."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import cv2
import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import JarError, TooDarkError
from jarvision.jar.choose_walls import choose_walls
from jarvision.jar.colour import lab_of
from jarvision.jar.count_unmarked import (
    JarPlace,
    count_unmarked,
    lies_within,
    on_table,
    places,
)
from jarvision.jar.geometry import NOMINAL_RADIUS_MM, SHOULDER_MM
from jarvision.jar.hand_outline import DrawnOnPhoto, drawn_scale_sd, jar_in_outline, walls_of
from jarvision.jar.print_check import print_doubts
from jarvision.jar.ruler_in_photo import join_rulers, ruler_beside
from jarvision.jar.scale import Scale, ScaleSource
from jarvision.jar.scale_sources import STRIP_SCALE_SD, ScaleAids, scale_by_width
from jarvision.jar.strip import Strip
from jarvision.jar.strip_detect import bent_strips, find_strips, search_strips
from jarvision.jar.taper import Sides, sides_of
from jarvision.jar.unmarked import find_unmarked_jar
from jarvision.jar.unwrap import WallMap
from jarvision.jar.view_fit import Jar, find_jars
from jarvision.jar.view_residuals import Scene
from jarvision.jar.wall_edges import Wall
from jarvision.jar.which_side_up import quarters_to_upright, turned
from jarvision.photo.decode import Photo
from jarvision.wall.blur import blur_or_refuse, unmarked_blur_or_refuse
from jarvision.wall.layers import deposit_gain
from jarvision.wall.marks_on_glass import PenMark, pen_marks_on
from jarvision.wall.photo_cache import (
    combs_in,
    focal_or_usual,
    halves_in,
    rivals_in,
    ruler_in,
    scene_in,
    sides_before,
    sides_of_strip,
)
from jarvision.wall.unrolled import CleanWall, WallAsSeen, clean_wall, wall_as_seen

Key = TypeVar("Key")

_DIM_LIGHTNESS = 18.0  # median CIE L* of the wall under which noise begins to rule
_DARK_LIGHTNESS = 9.0  # and under which it does
_SOFT_MM = 0.45  # sd of the blur of the tags' edges
_SMALL_PX_PER_MM = 2.2
_STEEP_RAD = math.radians(25.0)
_NO_AIDS = ScaleAids()
_NOT_DRAWN = DrawnOnPhoto()
_BY_STRIP = Scale(ScaleSource.STRIP, STRIP_SCALE_SD)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What was found in one photo before its layers are read.

    Attributes
    ----------
    name : str
        The photo's file name, safe to print.
    number : int or None
        Jar number on the strip.
    jar : Jar
        The jar.
    wall : WallMap
        Its front wall, clean.
    size_px : tuple of int
        Height and width of the working picture.
    blur_mm : float
        Standard deviation of the blur of the tags' edges [mm]; NaN without a strip.
    doubts : tuple of Doubt
        About the photo itself.
    scale : Scale
        What its millimetres come from.
    sides : Sides or None
        Edges beside the jar's sides, where a strip tells the tilt.
    bow_mm : float
        How far heights may be off as lines bow or the strip is not flat [mm]; 0 where they are
        straight.
    marks : tuple of PenMark
        Lines on the glass.
    covered_mm : tuple of (float, float)
        Heights between which all of the glass is hidden [mm].
    floor_sd_mm : float
        How well somebody drew the inside floor, at which heights then begin [mm]; NaN where nobody
        did or a strip tells it.
    """

    name: str
    number: int | None
    jar: Jar
    wall: WallMap
    size_px: tuple[int, int]
    blur_mm: float
    doubts: tuple[Doubt, ...]
    scale: Scale = _BY_STRIP
    sides: Sides | None = None
    bow_mm: float = 0.0
    marks: tuple[PenMark, ...] = ()
    covered_mm: tuple[tuple[float, float], ...] = ()
    floor_sd_mm: float = math.nan

    @property
    def has_strip(self) -> bool:
        """Whether heights count from a strip's zero."""
        return self.scale.source is ScaleSource.STRIP


def strips_in(photo: Photo, *, bent: bool = True) -> tuple[Strip, ...]:
    """Find the strips in a photo, the one with most tags first; tags bent round a side too."""
    return find_strips(photo.bgr, bent=bent)


def orient(photo: Photo) -> tuple[Photo, tuple[Strip, ...]]:
    """Find the strips in a photo, and turn a photo by its strip that is mirrored or on its side.

    Phones sometimes store a sideways picture without saying so, and front cameras a mirrored one.
    Without a strip a photo that does not say which side is up is turned by what is in it.

    Raises
    ------
    SideUnknownError
        Which side is up cannot be told.
    """
    bgr = photo.bgr
    search = search_strips(bgr)
    strips = search.strips
    if search.may_be_mirrored:
        photo, strips = _unmirrored(photo)
    if not strips:
        strips = bent_strips(bgr) if search.may_be_bent else ()
        return (photo, strips) if strips or photo.knows_up else (_stood_up(photo), strips)
    _, up = strips[0].axis_px()
    quarters = round(float(np.arctan2(up[0], -up[1])) / (np.pi / 2)) % 4
    if quarters == 0:
        return photo, strips
    turn = (cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE)[quarters - 1]
    turned = replace(photo, bgr=np.asarray(cv2.rotate(photo.bgr, turn), dtype=np.uint8))
    return turned, strips_in(turned)


def _stood_up(photo: Photo) -> Photo:
    """Turn a photo of a jar without a strip so that its foot is down; as it is where unsure."""
    focal, _ = focal_or_usual(photo)
    quarters, sure = quarters_to_upright(photo.bgr, focal, deposit_gain, photo.name)
    return replace(photo, bgr=turned(photo.bgr, quarters), knows_up=True) if sure else photo


def _unmirrored(photo: Photo) -> tuple[Photo, tuple[Strip, ...]]:
    """Look for strips in the mirror; two tags or more in their order are needed to believe it."""
    flipped = replace(photo, bgr=np.asarray(cv2.flip(photo.bgr, 1), dtype=np.uint8))
    strips = tuple(s for s in strips_in(flipped, bent=False) if len(s.tags) > 1)
    return (flipped, strips) if strips else (photo, ())


def look_at_jar(
    photos: Mapping[Key, Photo],
    strips: Mapping[Key, Strip | None],
    *,
    others: Mapping[Key, Sequence[Strip]] | None = None,
    strip_mm: float = 100.0,
    aids: ScaleAids = _NO_AIDS,
    drawn: Mapping[Key, DrawnOnPhoto] | None = None,
) -> tuple[dict[Key, Look], dict[Key, JarError]]:
    """Find jar and wall in all photos of one jar.

    Parameters
    ----------
    photos : mapping to Photo
        The photos, by any key.
    strips : mapping to Strip or None
        Their strips, as `strips_in` found them.
    others : mapping to sequence of Strip, optional
        Strips of other jars in the same photos.
    strip_mm : float
        What the 100 mm line on the printed sheet really measures [mm].
    aids : ScaleAids
        What else can give a scale.
    drawn : mapping to DrawnOnPhoto, optional
        What somebody drew on photos: it goes before what is found in them.

    Returns
    -------
    looks : dict
        A look for each photo that can be used.
    refused : dict
        Why each other photo cannot be used: no jar, cut off, hidden or blurred.
    """
    by_hand = drawn or {}
    looks: dict[Key, Look] = {}
    refused: dict[Key, JarError] = {}
    scenes: dict[Key, Scene] = {}
    blurs: dict[Key, float] = {}
    for key, photo in photos.items():
        strip = strips.get(key)
        try:
            if strip is not None:
                blurs[key] = blur_or_refuse(photo, strip)
                walls = _drawn_walls(photo, by_hand.get(key, _NOT_DRAWN))
                scenes[key] = scene_in(photo, strip, (others or {}).get(key, ()), walls)
        except JarError as error:
            refused[key] = error
    beside = {key: tuple((others or {}).get(key, ())) for key in scenes}
    before = {k: sides_before(photos[k], s.strip, beside[k]) for k, s in scenes.items()}
    to_choose = {k: s for k, s in scenes.items() if not by_hand.get(k, _NOT_DRAWN).outline_pct}
    scenes |= choose_walls(
        {k: photos[k].bgr for k in to_choose},
        to_choose,
        lambda k: rivals_in(photos[k], to_choose[k], beside[k]),
        alone=not any(beside[k] for k in to_choose),
    )
    as_tagged = dict(zip(scenes, find_jars(list(scenes.values())), strict=True))
    as_tagged = {key: _covered(jar, before[key]) for key, jar in as_tagged.items()}
    prints = {k: print_doubts(photos[k].name, photos[k].bgr, j) for k, j in as_tagged.items()}
    jars = {key: jar.stretched(strip_mm / 100.0) for key, jar in as_tagged.items()}
    scales = dict.fromkeys(jars, _BY_STRIP)
    unmarked = {key: p for key, p in photos.items() if key not in jars and key not in refused}
    for key, found_or_not in _unmarked_jars(unmarked, jars.values(), aids, by_hand).items():
        if isinstance(found_or_not, JarError):
            refused[key] = found_or_not
        else:
            jars[key], scales[key] = found_or_not
    seen: dict[Key, WallAsSeen] = {}
    for key, photo in photos.items():
        if key in refused:
            continue
        try:
            seen[key] = wall_as_seen(photo, jars[key], by_hand.get(key, _NOT_DRAWN))
        except JarError as error:
            refused[key] = error
    marks = pen_marks_on([(photos[key].name, wall.sides) for key, wall in seen.items()])
    for key, own_marks in zip(list(seen), marks, strict=True):
        photo, own = photos[key], by_hand.get(key, _NOT_DRAWN)
        clean = clean_wall(seen.pop(key), own_marks)
        try:
            strip, scale = strips.get(key), scales[key]
            look = _look(photo, strip, jars[key], clean, scale, blurs.get(key), own)
            hidden = _hidden_doubts(photo.name, jars[key], before.get(key, ()))
            looks[key] = replace(look, doubts=(*look.doubts, *prints.get(key, ()), *hidden))
        except JarError as error:
            refused[key] = error
    return looks, refused


def unmarked_jars_in(photo: Photo, strips: Sequence[Strip]) -> int:
    """Count jars in a photo that carry none of its strips."""
    # halves are made for what looks for a jar without a strip
    found = on_table(places(photo.bgr, None if strips else halves_in(photo)), strips)
    if not found or (len(strips) == 1 and _all_within(photo, found, strips[0])):
        return 0
    sides = [s for s in (sides_of_strip(photo, strip, strips) for strip in strips) if s is not None]
    return count_unmarked(found, sides)


def _all_within(photo: Photo, found: Sequence[JarPlace], strip: Strip) -> bool:
    """Whether places are parts of a strip's jar even without its view, by its two walls."""
    try:
        walls = scene_in(photo, strip, ()).walls
    except JarError:
        return False
    if len(walls) != 2:
        return False
    left, right = sorted(float(wall.points_px[:, 0].mean()) for wall in walls)
    return all(lies_within(place, left, right) for place in found)


def _covered(jar: Jar, before: Sequence[Array]) -> Jar:
    """Note which part of a jar's front stands behind nearer jars."""
    azimuth = np.linspace(-1.0, 1.0, 201)
    at = jar.view.wall_px(azimuth[None, :], np.array([10.0, 50.0])[:, None])
    covered = []
    for sides in before:
        left, right = (np.interp(at[..., 1], s[::-1, 1], s[::-1, 0]) for s in sides)
        margin = _COVER_MM * np.linalg.norm(sides[0, 0] - sides[0, 1]) / SHOULDER_MM
        hidden = ((at[..., 0] > left - margin) & (at[..., 0] < right + margin)).any(axis=0)
        if hidden.any():
            covered.append((float(azimuth[hidden].min()), float(azimuth[hidden].max())))
    return replace(jar, covered=tuple(covered))


def _hidden_doubts(name: str, jar: Jar, before: Sequence[Array]) -> list[Doubt]:
    """Name it where a nearer jar hides a wall of this one or part of its front."""
    is_hidden = bool(before) and (bool(jar.covered) or jar.walls_seen < 2)
    return [doubt(DoubtName.PARTLY_HIDDEN, photo=name)] if is_hidden else []


_COVER_MM = 3.0  # kept clear of a nearer jar's sides


def _unmarked_jars(
    photos: Mapping[Key, Photo],
    with_strips: Iterable[Jar],
    aids: ScaleAids,
    by_hand: Mapping[Key, DrawnOnPhoto],
) -> dict[Key, tuple[Jar, Scale] | JarError]:
    """Find the jar in photos without a strip, and the scale as well as other things tell it."""
    radius = next((j.view.outline.radius_mm for j in with_strips), math.nan)
    by_strip = not math.isnan(radius)
    radius = radius if by_strip else aids.outside_radius_mm
    found: dict[Key, tuple[Jar, Scale] | JarError] = {}
    counted_mm = NOMINAL_RADIUS_MM if math.isnan(radius) else radius
    for key, photo in photos.items():
        own = by_hand.get(key, _NOT_DRAWN)
        try:
            jar = _unmarked_jar(photo, own, counted_mm)
        except JarError as error:
            found[key] = error
            continue
        if math.isnan(radius):
            found[key] = jar, Scale()
        else:
            scale = scale_by_width(jar, with_strips=by_strip)
            if own.outline_pct:
                drawn_sd = drawn_scale_sd(jar.view, own.outline_sd_mm)
                scale = replace(scale, relative_sd=math.hypot(scale.relative_sd, drawn_sd))
            found[key] = replace(jar, scaled=True), scale
    return found if not math.isnan(radius) else _scaled_by_rulers(photos, found, aids)


def _unmarked_jar(photo: Photo, drawn: DrawnOnPhoto, radius_mm: float) -> Jar:
    """Find a jar without a strip, in the outline that was drawn of it where there is one."""
    focal, _ = focal_or_usual(photo)
    if not drawn.outline_pct:
        return find_unmarked_jar(
            photo.bgr,
            focal,
            radius_mm=radius_mm,
            ruler_in=lambda _: ruler_in(photo),
            halves=halves_in(photo),
        )
    shape, sd_mm = photo.bgr.shape, drawn.outline_sd_mm
    outline_px = drawn.outline_px(shape)
    return jar_in_outline(outline_px, focal, shape, radius_mm=radius_mm, sd_mm=sd_mm)


def _drawn_walls(photo: Photo, drawn: DrawnOnPhoto) -> tuple[Wall, ...]:
    if not drawn.outline_pct:
        return ()
    return walls_of(drawn.outline_px(photo.bgr.shape), drawn.outline_sd_mm)


def _scaled_by_rulers(
    photos: Mapping[Key, Photo], found: dict[Key, tuple[Jar, Scale] | JarError], aids: ScaleAids
) -> dict[Key, tuple[Jar, Scale] | JarError]:
    """Give jars millimetres by a ruler in their photos; as they are where there is none."""
    jars = {key: f[0] for key, f in found.items() if not isinstance(f, JarError)}
    rulers = []
    for key, jar in jars.items():
        photo = photos[key]
        known = (lambda _, photo=photo: ruler_in(photo)) if aids.ruler is None else None
        combs = combs_in(photo)
        rulers.append(ruler_beside(photo.bgr, jar, unit=aids.ruler, ruler_in=known, combs=combs))
    ruler = join_rulers([r for r in rulers if r is not None])
    if ruler is None:
        return found
    scale = Scale(ScaleSource.RULER, ruler.relative_sd)
    scaled: dict[Key, tuple[Jar, Scale] | JarError] = {
        key: (replace(jar.stretched(ruler.radius_mm / NOMINAL_RADIUS_MM), scaled=True), scale)
        for key, jar in jars.items()
    }
    return found | scaled


def _look(
    photo: Photo,
    strip: Strip | None,
    jar: Jar,
    clean: CleanWall,
    scale: Scale,
    blur_mm: float | None,
    drawn: DrawnOnPhoto,
) -> Look:
    """Judge a photo whose wall is clean."""
    wall = clean.wall
    blur = unmarked_blur_or_refuse(photo, jar) if blur_mm is None else blur_mm
    lightness = _lightness(wall)
    if lightness < _DARK_LIGHTNESS:
        msg = f"{photo.name} is too dark to read; take it again with light from the side."
        raise TooDarkError(msg)
    doubts = focal_or_usual(photo)[1] + _picture_doubts(
        photo.name, jar, wall.px_per_mm, lightness, strip, blur
    )
    if strip is None and not (photo.knows_up or drawn.outline_pct):  # who draws sees the lid
        doubts.append(doubt(DoubtName.SIDE_UNSURE, photo=photo.name))
    bow = _bow_mm(jar, wall, strip, blur) if strip else 0.0
    if bow > 0.0:
        doubts.append(doubt(DoubtName.LINES_BOWED, photo=photo.name, off=f"{bow:.1f} mm"))
    doubts += _drawn_notes(photo.name, drawn)
    floor_sd_mm = drawn.outline_sd_mm if drawn.outline_pct and strip is None else math.nan
    number = strip.jar if strip else None
    height, width = photo.bgr.shape[:2]
    return Look(
        photo.name,
        number,
        jar,
        wall,
        (height, width),
        blur,
        tuple(doubts),
        scale,
        sides_of(photo.bgr, jar) if strip else None,
        bow,
        clean.marks,
        clean.covered_mm,
        floor_sd_mm,
    )


def _drawn_notes(name: str, drawn: DrawnOnPhoto) -> list[Doubt]:
    """Say what somebody drew on a photo."""
    outline = [doubt(DoubtName.PUT_RIGHT, line=f"jar's outline in {name}", how="")]
    left_out = [doubt(DoubtName.PUT_RIGHT, line=f"view in {name}", how=", parts of it left out")]
    return outline * bool(drawn.outline_pct) + left_out * bool(drawn.left_out_pct)


# Tags that fit no perspective: rendered pictures stay under 0.65 px, and with a lens that moves the
# picture's corners by 10 % heights are off by some four times the tags' residuals.
_DISTORTED_PX, _SOFT_CORNERS, _BOW_IN_HEIGHTS = 0.8, 0.35, 4.0


def _bow_mm(jar: Jar, wall: WallMap, strip: Strip, blur_mm: float) -> float:
    """Tell how far bowed lines may put heights off [mm]; 0 where tags fit as well as they can."""
    usual = max(_DISTORTED_PX, _SOFT_CORNERS * blur_mm * wall.px_per_mm) * (
        3.0 if strip.bent else 1.0
    )
    return _BOW_IN_HEIGHTS * jar.fit_px / wall.px_per_mm if jar.fit_px > usual else 0.0


def _lightness(wall: WallMap) -> float:
    """Median CIE L* of a wall, from a sample of it."""
    return float(np.median(lab_of(np.ascontiguousarray(wall.bgr[::8, ::4]))[..., 0]))


def _picture_doubts(
    name: str, jar: Jar, px_per_mm: float, lightness: float, strip: Strip | None, blur_mm: float
) -> list[Doubt]:
    """Name what is doubtful about a picture."""
    doubts = []
    if strip and len(strip.tags) < 3:
        doubts.append(doubt(DoubtName.FEW_TAGS, found=len(strip.tags), photo=name))
    if blur_mm > _SOFT_MM:
        doubts.append(doubt(DoubtName.SOFT_PHOTO, photo=name))
    if px_per_mm < _SMALL_PX_PER_MM:
        doubts.append(doubt(DoubtName.SMALL_IN_PICTURE, photo=name))
    if lightness < _DIM_LIGHTNESS:
        doubts.append(doubt(DoubtName.DIM, photo=name))
    if abs(float(jar.view.elevation_rad(np.array(40.0)))) > _STEEP_RAD:
        doubts.append(doubt(DoubtName.STEEP_VIEW, photo=name))
    return doubts
