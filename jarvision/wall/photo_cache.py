"""What several stages look for in one photo, found once: lens, walls, jars' sides, a ruler."""

from __future__ import annotations

import math
from collections.abc import Sequence

from jarvision.core.arrays import Array, Picture
from jarvision.core.doubts import Doubt, DoubtName, doubt
from jarvision.core.errors import JarError
from jarvision.jar.choose_walls import Rivals, choose_walls, rivals_beside
from jarvision.jar.colour import often_halved
from jarvision.jar.ruler_in_photo import Combs, UprightRuler, combs_of, find_upright_ruler
from jarvision.jar.strip import Strip
from jarvision.jar.unmarked import SMALL_PX
from jarvision.jar.view_fit import find_jars, scene_of, sides_px
from jarvision.jar.view_residuals import Scene
from jarvision.jar.wall_edges import Wall
from jarvision.photo.decode import Photo

_DIAGONAL_35MM_MM = 43.2666  # of a 36 x 24 mm frame (by the diagonal, as CIPA DCG-001; from memory)
_USUAL_FOCAL_35MM_MM = 30.0  # phones' main cameras with a little zoom; common practice, no source
_NEARER = 1.06  # a strip that looks so much larger stands on a jar before this one
_BESIDE_MM = 150.0  # jars whose strips are farther apart than this do not cover each other


def focal_px(photo: Photo) -> float:
    """Focal length [working px] from what the camera said; NaN where it said nothing usable."""
    if photo.cropped or math.isnan(photo.focal_35mm_mm):
        return math.nan
    return photo.focal_35mm_mm * math.hypot(*photo.bgr.shape[:2]) / _DIAGONAL_35MM_MM


def focal_or_usual(photo: Photo) -> tuple[float, list[Doubt]]:
    """Focal length [working px], and the doubt that goes with a guessed one."""
    focal = focal_px(photo)
    if not math.isnan(focal):
        return focal, []
    usual = _USUAL_FOCAL_35MM_MM * math.hypot(*photo.bgr.shape[:2]) / _DIAGONAL_35MM_MM
    return usual, [doubt(DoubtName.FOCAL_UNKNOWN, photo=photo.name)]


def sides_before(photo: Photo, strip: Strip, others: Sequence[Strip]) -> list[Array]:
    """Find the sides of the jars that stand before this one, (2, 2, 2) each [px]."""
    column = strip.corners_px[..., 0].mean()
    found = []
    for other in others:
        apart_mm = abs(other.corners_px[..., 0].mean() - column) / strip.px_per_mm
        if other.px_per_mm < _NEARER * strip.px_per_mm or apart_mm > _BESIDE_MM:
            continue
        sides = sides_of_strip(photo, other, [strip, *others])
        if sides is not None:
            found.append(sides)
    return found


def scene_in(
    photo: Photo, strip: Strip, others: Sequence[Strip], walls: Sequence[Wall] = ()
) -> Scene:
    """Give what is known of a strip's jar in a photo before its view is fitted."""

    def find() -> Scene:
        focal, unknown = focal_or_usual(photo)
        known = not unknown
        return scene_of(photo.bgr, strip, focal, focal_known=known, others=others, walls=walls)

    return find() if walls else photo.once(("scene", strip, frozenset(others)), find)


def sides_of_strip(photo: Photo, strip: Strip, strips: Sequence[Strip]) -> Array | None:
    """Find the sides of one strip's jar, (2, 2, 2) [px]; None where they are not seen."""
    others = [other for other in strips if other is not strip]
    key = ("sides", strip, frozenset(others))
    return photo.once(key, lambda: _sides_beside(photo, strip, others))


def rivals_in(photo: Photo, scene: Scene, others: Sequence[Strip]) -> Rivals:
    """Find all that may be the walls beside a strip, once."""

    def find() -> Rivals:
        before = sides_before(photo, scene.strip, others)
        return rivals_beside(photo.bgr, scene, others, before)

    return photo.once(("rivals", scene.strip, frozenset(others)), find)


def _sides_beside(photo: Photo, strip: Strip, others: Sequence[Strip]) -> Array | None:
    try:
        scene = scene_in(photo, strip, others)
    except JarError:
        return None
    if others:
        scene = choose_walls(
            {0: photo.bgr}, {0: scene}, lambda _: rivals_in(photo, scene, others), alone=False
        )[0]
    return sides_px(find_jars([scene])[0])


def halves_in(photo: Photo) -> Picture:
    """Give a photo halved as often as jars in it are still found, once."""
    return photo.once("halves", lambda: often_halved(photo.bgr, SMALL_PX))


def combs_in(photo: Photo) -> Combs:
    """Look for combs of ticks in a photo, once."""
    return photo.once("combs", lambda: combs_of(photo.bgr))


def ruler_in(photo: Photo) -> UprightRuler | None:
    """Find an upright ruler in a photo, once."""
    return photo.once("ruler", lambda: find_upright_ruler(photo.bgr, combs=combs_in(photo)))
