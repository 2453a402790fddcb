"""Scales without a strip, jars that are not straight, lenses that bend lines.

Pictures are the rendered samples, changed by code in a known way; what is right comes from their
`truth.csv`, written by the renderer, and from closed forms of solids.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from drawn_ruler import Drawing
from drawn_ruler import draw as draw_ruler
from jar_read import read_jar
from scenes import SAMPLES

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import UsageError
from jarvision.core.series import Reading
from jarvision.estimate.given import Given
from jarvision.estimate.reading import JarReading
from jarvision.jar.outside_size import OutsideSize
from jarvision.jar.print_check import print_doubts, tick_stretch
from jarvision.jar.profile import JarProfile, profile_from_pours
from jarvision.jar.ruler_divisions import RulerUnit
from jarvision.jar.ruler_in_photo import RulerFound, find_upright_ruler, join_rulers, ruler_beside
from jarvision.jar.scale import ScaleSource
from jarvision.jar.scale_sources import ScaleAids, stated_aids
from jarvision.jar.taper import taper_doubts, volumes_of, width_ratio
from jarvision.jar.view_fit import Jar
from jarvision.photo.decode import Photo, open_photo
from jarvision.wall.locate import look_at_jar, orient, strips_in

READINGS = tuple(Reading)
WALL_MM = 2.7  # usual wall of a preserving jar, common practice, no source; the truth has none


@cache
def truth() -> dict[tuple[str, str], dict[str, str]]:
    with (SAMPLES / "truth.csv").open(newline="", encoding="utf-8") as file:
        return {(row["jar"], row["reading"]): row for row in csv.DictReader(file)}


def true_tops(jar: str) -> np.ndarray:
    return np.array([float(truth()[jar, str(r)]["top_mm"]) for r in READINGS])


@cache
def photos_of(jar: str) -> dict[Reading, Photo]:
    """Photos of a sample jar, upright."""
    opened = {r: open_photo(SAMPLES / f"jar-{int(jar):02d}-{r}.jpg") for r in READINGS}
    return {r: orient(p)[0] for r, p in opened.items()}


@cache
def straight_looks(jar: str):
    return looks_at(photos_of(jar))


def changed(jar: str, change) -> dict[Reading, Photo]:
    """The same photos with every picture changed: `change(bgr, reading)`."""
    return {r: replace(p, bgr=change(p.bgr, r)) for r, p in photos_of(jar).items()}


def looks_at(photos, aids: ScaleAids | None = None):
    stood = {r: orient(p) for r, p in photos.items()}
    looks, refused = look_at_jar(
        {r: p for r, (p, _) in stood.items()},
        {r: (s or (None,))[0] for r, (_, s) in stood.items()},
        aids=aids or ScaleAids(),
    )
    assert not refused
    return looks


def read(photos, aids: ScaleAids | None = None) -> JarReading:
    aids = aids or ScaleAids()
    return read_jar("x", looks_at(photos, aids), given=Given(profile=aids.profile))


def names(reading: JarReading) -> set[DoubtName]:
    return {d.name for d in reading.doubts}


def assert_true(reading: JarReading, jar: str, *, sds: float = 2.6) -> None:
    """All tops are within so many claimed standard deviations of the renderer's truth."""
    off = np.array([t.value for t in reading.tops]) - true_tops(jar)
    claimed = np.array([t.sd for t in reading.tops])
    assert (np.abs(off) < sds * claimed).all(), (off, claimed)


# --- shape ----------------------------------------------------------------------------------------


def frustum_ml(r0: float, r1: float, h: float) -> float:
    """Frustum of a cone (Abramowitz & Stegun 1964, as any handbook of solids; from memory)."""
    return np.pi * h * (r0**2 + r0 * r1 + r1**2) / 3 / 1000


def test_draws_of_volumes_are_those_of_a_frustum():
    tops = np.random.default_rng(1).normal([20.0, 45.0, 60.0], 0.3, (4000, 3))
    profile = JarProfile("cone", (0.0, 120.0), (35.0, 42.0))
    volumes = volumes_of(tops, profile, rng=np.random.default_rng(2))
    right = [frustum_ml(35.0, 35.0 + 7.0 * h / 120.0, h) for h in (20.0, 45.0, 60.0)]
    assert np.median(volumes, axis=0) == pytest.approx(right, rel=0.01)
    shares = 100 * volumes[:, :2] / volumes[:, 2:]
    by_height = 100 * tops[:, :2] / tops[:, 2:]
    # how well radii are measured at home adds to the spread of the shares, but not much
    assert (shares.std(axis=0) > by_height.std(axis=0)).all()
    assert (shares.std(axis=0) < 3.0 * by_height.std(axis=0)).all()


def test_poured_cylinder_leaves_shares_as_they_are():
    heights = [20.0, 40.0, 60.0, 80.0, 100.0]
    profile = profile_from_pours([np.pi * 1.6 * h for h in heights], heights, name="can")
    tops = np.random.default_rng(1).normal([20.0, 45.0, 60.0], 0.3, (2000, 3))
    volumes = volumes_of(tops, profile, rng=np.random.default_rng(2))
    assert np.median(volumes / volumes[:, 2:], axis=0) == pytest.approx(
        [1 / 3, 0.75, 1.0], abs=0.01
    )


def test_nominal_heights_take_their_unit_from_the_profile():
    profile = JarProfile("cone", (0.0, 150.0), (35.0, 42.0), outside_diameter_mm=76.0)
    tops = np.tile([20.0, 45.0, 60.0], (400, 1))
    once = volumes_of(tops, profile, rng=np.random.default_rng(2))
    halved = volumes_of(tops / 2, profile, rng=np.random.default_rng(2), radius_mm=19.0)
    assert halved == pytest.approx(once)


def test_profile_changes_shares_but_not_heights():
    widens = ScaleAids(profile=JarProfile("cone", (0.0, 150.0), (35.0, 42.0)))
    plain, shaped = (
        read_jar("x", straight_looks("2"), given=Given(profile=p)) for p in (None, widens.profile)
    )
    assert [t.value for t in shaped.tops] == [t.value for t in plain.tops]
    h = true_tops("2")
    below = [frustum_ml(35.0, 35.0 + 7.0 * z / 150.0, z) for z in h]
    assert shaped.composition.sand_pct.value == pytest.approx(
        100 * below[0] / below[2], abs=2.6 * shaped.composition.sand_pct.sd
    )
    assert shaped.composition.sand_pct.value < plain.composition.sand_pct.value - 1.0
    # the pictures show a straight jar, so this profile is not its own
    assert DoubtName.WALLS_NOT_PARALLEL in names(shaped)


# --- the outline ----------------------------------------------------------------------------------


def tapered(bgr: np.ndarray, jar, change: float, top_mm: float) -> np.ndarray:
    """Stretch a picture sideways about the jar's axis, by `change` at a height; not the strip."""
    rows, columns = bgr.shape[:2]
    z = np.arange(-40.0, 150.0)

    def column(azimuth: float) -> np.ndarray:
        line = jar.view.wall_px(np.full(len(z), azimuth), z)
        return np.interp(-np.arange(rows), -line[:, 1], line[:, 0])

    side = jar.view.wall_px(np.full(len(z), jar.view.edge_azimuth(1)), z)
    height = np.interp(-np.arange(rows), -side[:, 1], z)
    factor = 1 + change * np.clip(height, 0, 120) / top_mm
    left, right = (column(jar.view.edge_azimuth(s)) for s in (-1, 1))
    strip = [column(a) for a in jar.strip_azimuths]
    axis = (left + right) / 2
    shift = (factor - 1) * (sum(strip) / 2 - axis)
    ends = [np.full(rows, -1.0), left - 80], [right + 80, np.full(rows, columns + 1.0)]
    old = np.stack([*ends[0], left, *strip, right, *ends[1]])
    leaned = [axis + factor * (left - axis), *(s + shift for s in strip)]
    new = np.stack([*ends[0], *leaned, axis + factor * (right - axis), *ends[1]])
    at = np.arange(columns)
    across = np.stack([np.interp(at, new[:, y], old[:, y]) for y in range(rows)])
    down = np.repeat(np.arange(rows, dtype=np.float32)[:, None], columns, axis=1)
    return cv2.remap(bgr, across.astype(np.float32), down, cv2.INTER_LINEAR)


@pytest.mark.parametrize("jar", ["2", "9", "21"])
def test_straight_jars_are_seen_to_be_straight(jar):
    sides = [look.sides for look in straight_looks(jar).values()]
    top = true_tops(jar)[2]
    assert width_ratio(sides, top) == pytest.approx(1.0, abs=0.01)
    assert taper_doubts(width_ratio(sides, top), true_tops(jar), None) == []


@pytest.mark.slow
@pytest.mark.parametrize(("jar", "change"), [("2", 0.06), ("9", -0.06), ("21", -0.06)])
def test_taper_in_the_photo_is_doubted(jar, change):
    looks, top = straight_looks(jar), true_tops(jar)[2]
    photos = changed(jar, lambda bgr, r: tapered(bgr, looks[r].jar, change, top))
    ratio = width_ratio([look.sides for look in looks_at(photos).values()], top)
    assert ratio == pytest.approx(1 + change, abs=0.02)
    [doubted] = taper_doubts(ratio, true_tops(jar), None)
    assert doubted.name is DoubtName.WALLS_NOT_PARALLEL
    assert ("widens" if change > 0 else "narrows") in doubted.sentence
    assert "point" in doubted.sentence


def test_taper_reaches_the_reading_and_a_fitting_profile_answers_it():
    looks, top = straight_looks("2"), true_tops("2")[2]
    photos = changed("2", lambda bgr, r: tapered(bgr, looks[r].jar, 0.06, top))
    warped = looks_at(photos)
    assert DoubtName.WALLS_NOT_PARALLEL in names(read_jar("x", warped))
    fitting = JarProfile("cone", (0.0, top, 120.0), (38.0, 38.0 * 1.05, 38.0 * 1.13))
    assert DoubtName.WALLS_NOT_PARALLEL not in names(
        read_jar("x", warped, given=Given(profile=fitting))
    )


# --- scales without a strip -----------------------------------------------------------------------


def outside_mm(jar: str) -> float:
    return float(truth()[jar, "48h"]["inside_diameter_mm"]) + 2 * WALL_MM


def test_known_width_gives_millimetres_and_says_so():
    reading = read(photos_of("8"), ScaleAids(OutsideSize(outside_diameter_mm=outside_mm("8"))))
    assert reading.scaled
    assert {p.look.scale.source for p in reading.photos} == {ScaleSource.JAR}
    assert DoubtName.SCALE_FROM_JAR in names(reading)
    assert DoubtName.NO_STRIP not in names(reading)
    assert_true(reading, "8")
    plain = read(photos_of("8"))
    assert not plain.scaled
    assert reading.composition.clay_pct.value == pytest.approx(
        plain.composition.clay_pct.value, abs=0.5
    )
    assert reading.tops[2].sd > 0.02 * reading.tops[2].value


def test_strip_rules_over_a_stated_width():
    stated = ScaleAids(OutsideSize(outside_diameter_mm=100.0))
    reading = read_jar("x", looks_at(photos_of("2"), stated))
    assert_true(reading, "2")
    assert DoubtName.SCALE_FROM_JAR not in names(reading)


def with_ruler(
    bgr: np.ndarray, reading: Reading, *, kind: str = "mm", right_mm: float = 3.0, far: float = 1.0
) -> np.ndarray:
    """Lay a ruler into a photo of jar 8, at the scale on the front that the renderer tells."""
    row = truth()["8", "48h" if reading == Reading.TWO_DAYS else str(reading)]
    deposit_px = float(truth_at(reading, "floor_y_px")) - float(truth_at(reading, "top_y_px"))
    scale = deposit_px / float(row["top_mm"])
    drawing = Drawing(kind=kind, px_per_mm=scale / far, visible_mm=100.0, shade=0.0)
    grey = draw_ruler(drawing, np.random.default_rng(3))
    middle = grey.shape[1] // 2
    # up to beyond its longest ticks and their numbers
    wide = 5.5 if kind == "mm" else 8.5
    ruler = grey[:, middle - round(8.5 * scale) : middle + round(wide * scale)]
    out = bgr.copy()
    foot = round(float(truth_at(reading, "floor_y_px")))
    left = round(float(truth_at(reading, "floor_x_px")) + right_mm * scale)
    out[foot - len(ruler) : foot, left : left + ruler.shape[1]] = ruler[..., None]
    return out


def truth_at(reading: Reading, column: str) -> str:
    return truth()["8", str(reading)][column]


@pytest.mark.parametrize("kind", ["mm", "inch/16"])
def test_ruler_gives_millimetres_and_says_so(kind):
    # the thin sand of the first photo is too short a length to scale a drawing by
    last = Reading.TWO_DAYS
    photo = replace(photos_of("8")[last], bgr=with_ruler(photos_of("8")[last].bgr, last, kind=kind))
    look = looks_at({last: photo})[last]
    assert look.scale.source is ScaleSource.RULER
    assert 0.02 < look.scale.relative_sd < 0.06
    off = look.jar.view.outline.radius_mm / (outside_mm("8") / 2) - 1
    assert abs(off) < 2 * look.scale.relative_sd


def test_ruler_that_stands_beside_the_jar():
    last = Reading.TWO_DAYS
    camera = straight_looks("8")[last].jar.view.camera
    # level with the jar's axis, so a radius further away than the front that the truth is for
    far = camera.distance_mm / (camera.distance_mm - outside_mm("8") / 2)
    bgr = with_ruler(photos_of("8")[last].bgr, last, right_mm=52.0, far=far)
    found = ruler_beside(bgr, straight_looks("8")[last].jar)
    assert found is not None
    assert abs(found.radius_mm / (outside_mm("8") / 2) - 1) < 2 * found.relative_sd


def test_ruler_reaches_the_reading():
    photos = dict(photos_of("8"))
    last = Reading.TWO_DAYS
    photos[last] = replace(photos[last], bgr=with_ruler(photos[last].bgr, last))
    reading = read(photos)
    assert reading.scaled
    assert DoubtName.SCALE_FROM_RULER in names(reading)
    assert_true(reading, "8")


def test_no_ruler_is_seen_where_there_is_none():
    for look, photo in zip(straight_looks("8").values(), photos_of("8").values(), strict=True):
        assert ruler_beside(photo.bgr, look.jar) is None


@pytest.mark.slow
def test_ruler_printed_on_the_strip_agrees_with_its_tags():
    for reading, look in straight_looks("21").items():
        found = ruler_beside(photos_of("21")[reading].bgr, look.jar)
        assert found is not None
        assert found.radius_mm == pytest.approx(look.jar.view.outline.radius_mm, rel=0.01)


def test_rulers_that_disagree_are_left():
    assert join_rulers([]) is None
    assert join_rulers([RulerFound(38.0, 0.03), RulerFound(50.0, 0.03)]) is None
    joined = join_rulers([RulerFound(38.0, 0.03), RulerFound(39.0, 0.03)])
    assert joined is not None
    assert joined.radius_mm == pytest.approx(38.5)
    assert joined.relative_sd >= 0.03  # rulers that stand where they stood are no surer


# --- strips in a bad way --------------------------------------------------------------------------


def test_mirrored_photos_are_read():
    reading = read(changed("2", lambda bgr, _: np.ascontiguousarray(bgr[:, ::-1])))
    assert {p.look.number for p in reading.photos} == {p.look.number for p in read_2().photos}
    assert_true(reading, "2")


@cache
def read_2() -> JarReading:
    return read_jar("x", straight_looks("2"))


def over_strip(bgr: np.ndarray, look, change) -> np.ndarray:
    """Change the part of the picture in which the strip's paper is."""
    z = np.linspace(-1.0, 151.0, 40)
    left, right = look.jar.strip_azimuths
    sides = [look.jar.view.wall_px(np.full(len(z), a), z) for a in (left, right)]
    outline = np.concatenate([sides[0], sides[1][::-1]]).round().astype(np.int32)
    mask = cv2.fillPoly(np.zeros(bgr.shape[:2], np.uint8), [outline], 255)
    return np.where(mask[..., None] > 0, change(bgr), bgr)


def test_photocopied_grey_strip_is_read():
    looks = straight_looks("2")

    def grey(bgr: np.ndarray) -> np.ndarray:
        return (95 + 0.3 * cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)[..., None]).astype(np.uint8)

    reading = read(changed("2", lambda bgr, r: over_strip(bgr, looks[r], grey)))
    assert reading.scaled
    assert_true(reading, "2")


def test_strip_cut_short_is_read_and_doubted():
    looks = straight_looks("2")

    def cut(bgr: np.ndarray, reading: Reading) -> np.ndarray:
        row = round(float(looks[reading].jar.view.front_px(np.array([62.0]))[0, 1]))
        out = over_strip(bgr, looks[reading], lambda b: np.full_like(b, 128))
        out[row:] = bgr[row:]
        return out

    reading = read(changed("2", cut))
    assert DoubtName.FEW_TAGS in names(reading)
    assert_true(reading, "2")


# --- lenses that bend lines -----------------------------------------------------------------------


def bent(bgr: np.ndarray, k1: float) -> np.ndarray:
    """Bend a picture by one radial term, r' = r (1 + k1 r²), r in half diagonals."""
    rows, columns = bgr.shape[:2]
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    off = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1) - middle
    seen = np.linalg.norm(off, axis=-1) / np.hypot(*middle)
    true = seen.copy()
    for _ in range(12):
        true = seen / (1 + k1 * true**2)
    at = off * (true / np.maximum(seen, 1e-9))[..., None] + middle
    across, down = np.moveaxis(at.astype(np.float32), -1, 0)
    return cv2.remap(bgr, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.slow
@pytest.mark.parametrize("k1", [-0.1, 0.05])
def test_lens_that_bends_lines_is_allowed_for(k1):
    reading = read(changed("2", lambda bgr, _: bent(bgr, k1)))
    assert_true(reading, "2")
    if k1 == -0.1:
        found = [p.look.jar.view.camera.radial for p in reading.photos]
        assert found == pytest.approx([k1] * 3, abs=0.03)


def test_strip_that_is_not_flat_is_doubted_and_widens_the_claim():
    looks = straight_looks("2")

    def wavy(bgr: np.ndarray, reading: Reading) -> np.ndarray:
        foot, top = looks[reading].jar.view.front_px(np.array([0.0, 110.0]))[:, 1]
        rows = np.arange(bgr.shape[0], dtype=np.float32)
        shift = 7.0 * np.sin(2 * np.pi * 1.5 * (rows - foot) / (top - foot))
        down = np.repeat((rows + shift)[:, None], bgr.shape[1], axis=1).astype(np.float32)
        across = np.repeat(np.arange(bgr.shape[1], dtype=np.float32)[None], len(rows), axis=0)
        return over_strip(bgr, looks[reading], lambda b: cv2.remap(b, across, down, 1))

    reading = read(changed("2", wavy))
    assert DoubtName.LINES_BOWED in names(reading)
    assert reading.tops[2].sd > 1.5 * read_2().tops[2].sd
    assert_true(reading, "2")


def test_straight_lines_are_not_doubted():
    for jar in ("2", "9", "21"):
        for look in straight_looks(jar).values():
            assert look.bow_mm == 0.0
            assert DoubtName.LINES_BOWED not in {d.name for d in look.doubts}


# --- what the user types --------------------------------------------------------------------------


def test_words_of_jar_and_ruler():
    aids = stated_aids(jar_profile="tapered", jar_mm=["outside_diameter=86"], ruler="Inch")
    assert aids.profile is not None
    assert aids.outside_radius_mm == 43.0
    assert aids.ruler is RulerUnit.INCH
    assert np.isnan(stated_aids().outside_radius_mm)
    # a shape that comes with the program is no measure of anybody's jar
    assert np.isnan(stated_aids(jar_profile="straight").outside_radius_mm)


@pytest.mark.parametrize("words", [{"jar_mm": ["height=180"]}, {"ruler": "cm"}])
def test_words_that_are_refused(words):
    with pytest.raises(UsageError):
        stated_aids(**words)


# --- the strip's ruler against its tags -----------------------------------------------------------


def with_stretched_ticks(bgr: np.ndarray, jar: Jar, stretch: float) -> np.ndarray:
    """The same picture with the strip's ticks, and nothing else, longer by a known part."""
    left, right = jar.strip_azimuths
    z = np.linspace(-2.0, 119.0, 1500)
    inner, middle, outer = (
        jar.view.wall_px(np.full_like(z, left + (right - left) * part), z)
        for part in (0.86, 0.93, 1.0)
    )
    region = np.concatenate([inner, outer[::-1]]).round().astype(np.int32)
    mask = cv2.fillPoly(np.zeros(bgr.shape[:2], np.uint8), [region], 1) > 0
    y, x = np.nonzero(mask)
    at = np.interp(-y, -middle[:, 1], z)
    came_from = 2.0 + (at - 2.0) / (1.0 + stretch)
    rows = y + np.interp(came_from, z, middle[:, 1]) - np.interp(at, z, middle[:, 1])
    columns = x + np.interp(came_from, z, middle[:, 0]) - np.interp(at, z, middle[:, 0])
    made = bgr.copy()
    low = np.floor(rows).astype(int)
    part = (rows - low)[:, None]
    column = columns.round().astype(int)
    made[y, x] = (bgr[low, column] * (1 - part) + bgr[low + 1, column] * part).round()
    return made


@pytest.mark.parametrize("stretch", [0.0, 0.04])
def test_a_ruler_that_disagrees_with_the_tags_is_doubted(stretch: float) -> None:
    photo = open_photo(SAMPLES / "jar-02-48h.jpg")
    [strip, *_] = strips_in(photo)
    looks, _ = look_at_jar({0: photo}, {0: strip})
    picture = with_stretched_ticks(photo.bgr, looks[0].jar, stretch) if stretch else photo.bgr
    assert tick_stretch(picture, looks[0].jar) == pytest.approx(stretch, abs=0.004)
    doubts = [d.name for d in print_doubts("pot.jpg", picture, looks[0].jar)]
    assert doubts == ([DoubtName.PRINT_NOT_TO_SCALE] if stretch else [])


def test_a_rulers_body_is_found_whole_and_nothing_else():
    grey = draw_ruler(Drawing(noise=1.0, shade=0.0), np.random.default_rng(3))
    room = np.full((grey.shape[0], 1200, 3), 90, np.uint8)
    assert find_upright_ruler(room) is None
    room[:, 500 : 500 + grey.shape[1]] = np.where(grey[..., None] < 140, 90, grey[..., None])
    found = find_upright_ruler(room)
    assert found is not None
    body = found.body
    paper = room[..., 0] > 180
    assert body[paper].mean() > 0.97
    first, last = np.flatnonzero(paper.any(axis=0))[[0, -1]]
    beyond = np.r_[0 : first - 8, last + 9 : room.shape[1]]
    assert not body[:, beyond].any()
