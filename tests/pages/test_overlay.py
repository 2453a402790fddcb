"""Overlays: lines stand where optics puts them, words say what was read, nothing breaks them.

Where a line must stand is computed here from the textbook pinhole camera and Snell's law, written
out anew, and found in the picture by its colour; the photo's own pixels tell how it lies in the
overlay.
"""

import io
import itertools
import math
from dataclasses import replace
from statistics import NormalDist

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageFont
from scipy.optimize import isotonic_regression
from skimage.color import deltaE_ciede2000, rgb2lab

from jarvision.core.doubts import DoubtName, doubt
from jarvision.core.measured import Measured
from jarvision.core.series import Reading
from jarvision.core.units import UnitSystem
from jarvision.estimate.composition import compose
from jarvision.estimate.reading import JarReading
from jarvision.estimate.texture import texture_of
from jarvision.jar.geometry import Camera, Outline, View
from jarvision.jar.unwrap import WallMap
from jarvision.jar.view_fit import Jar
from jarvision.pages import overlay, overlay_place, overlay_words, palette
from jarvision.pages.label_layout import spread_apart
from jarvision.pages.overlay import draw_overlay, jpeg_of
from jarvision.pages.overlay_pen import drawable
from jarvision.pages.overlay_words import boundary_label, marks_of
from jarvision.wall.locate import Look
from jarvision.wall.measurement import Boundary, Floor, GrainBand, JarMeasurement
from jarvision.wall.read import photo_reading

WIDE, HIGH = 1000, 1300
MARK = 140  # red of every pixel of the photo
FOCAL, CENTRE_X, CENTRE_Y = 1900.0, 510.0, 640.0
DISTANCE, CAMERA_Z, RADIUS = 300.0, 95.0, 38.0
FLOOR_Z = -0.6
TOPS = (21.0, 37.0, 52.0)
SAND, SILT, CLAY = (palette.LINES[layer] for layer in ("sand", "silt", "clay"))

# Azimuths of the wall that was read: free on both sides of a strip. Nothing is symmetric.
AZIMUTH = np.concatenate([np.linspace(-0.85, 0.12, 300), np.linspace(0.47, 0.8, 90)])


def photo_of(wide=WIDE, high=HIGH):
    """A picture whose blue tells the column and whose green tells the row."""
    bgr = np.full((high, wide, 3), MARK, np.uint8)
    bgr[..., 0] = np.round(np.linspace(100, 240, wide))[None, :]
    bgr[..., 1] = np.round(np.linspace(100, 240, high))[:, None]
    return bgr


def boundary(layer, top_mm, *, sd_mm=0.3, alternatives=()):
    return Boundary(layer, top_mm, sd_mm, top_mm, top_mm, 9.0, 0.4, alternatives)


def look_of(*, scaled=True, azimuth=AZIMUTH, wide=WIDE, high=HIGH, light=120):
    scale = wide / WIDE
    camera = Camera(
        FOCAL * scale, CENTRE_X * scale, CENTRE_Y * scale, DISTANCE, CAMERA_Z, 0.0, 0.0, 0.0
    )
    strip = (0.17, 0.42) if scaled else (math.nan, math.nan)
    jar = Jar(View(camera, Outline(RADIUS)), scaled, strip, 0.3, 2)
    wall = np.full((60, len(azimuth), 3), light, np.uint8)
    map_ = WallMap(np.arange(60) * 0.125, azimuth, wall, 6.0)
    return Look("p.jpg", 7, jar, map_, (high, wide), 0.2, ())


def scene(which=Reading.TWO_HOURS, *, name="p.jpg", jar="7", sds=(0.4, 0.5, 0.6), **changes):
    """One photo's reading and the jar's; the keywords of `look_of` change the look."""
    layers = list(Reading).index(which) + 1
    boundaries = tuple(map(boundary, ("sand", "silt", "clay")[:layers], TOPS))
    look = replace(look_of(**changes), name=name)
    photo = photo_reading(look, which, Floor(FLOOR_Z, 0.3, FLOOR_Z), boundaries)
    rng = np.random.default_rng(5)
    composition = compose(rng.normal(TOPS, 0.4, (400, 3)))
    reading = JarReading(
        jar,
        JarMeasurement((photo,), water_mm=104.0),
        tuple(Measured(top, sd, "mm") for top, sd in zip(TOPS, sds, strict=True)),
        composition,
        texture_of(composition.draws),
        (),
    )
    return photo, reading


def seen_at(azimuth, height_mm):
    """Photo positions of a height on the inside of the wall above the inside floor.

    Pinhole camera looking level; Snell's law in a wall of 2.7 mm with index 1.52 (soda-lime glass,
    handbook value, from memory).
    """
    z = FLOOR_Z + height_mm
    slope = math.atan2(CAMERA_Z - z, DISTANCE - RADIUS)
    z += 2.7 * math.tan(math.asin(math.sin(slope) / 1.52))
    depth = DISTANCE - RADIUS * np.cos(azimuth)
    x = CENTRE_X + FOCAL * RADIUS * np.sin(azimuth) / depth
    return np.stack([x, CENTRE_Y + FOCAL * (CAMERA_Z - z) / depth], axis=-1)


def placement(drawn):
    """How photo positions map to the overlay: scale and offset, x and y, from untouched pixels."""
    rows, columns = np.nonzero(np.abs(drawn[..., 2].astype(int) - MARK) < 1)
    keep = slice(None, None, 97)
    rows, columns = rows[keep], columns[keep]
    found = []
    for place, channel, size in ((columns, 0, WIDE), (rows, 1, HIGH)):
        there = (drawn[rows, columns, channel].astype(float) - 100) / 140 * (size - 1)
        fit = np.polyfit(there, place, 1)
        near = np.abs(np.polyval(fit, there) - place) < 8
        found.append(np.polyfit(there[near], place[near], 1))
    return found


def in_overlay(drawn, points):
    fits = placement(drawn)
    return np.stack([np.polyval(fit, points[..., i]) for i, fit in enumerate(fits)], axis=-1)


def of_colour(drawn, colour):
    """Pixels of a line's core."""
    return (np.abs(drawn.astype(int) - np.array(colour)) < 24).all(axis=2)


@pytest.fixture(scope="module")
def drawn():
    photo, reading = scene()
    return draw_overlay(photo_of(), photo, reading)


# --- the picture -------------------------------------------------------------------------------


def test_the_photo_is_not_changed():
    photo, reading = scene()
    bgr = photo_of()
    before = bgr.copy()
    bgr.flags.writeable = False
    assert not np.shares_memory(draw_overlay(bgr, photo, reading), bgr)
    assert np.array_equal(bgr, before)


@pytest.mark.parametrize(("wide", "high"), [(60, 78), (500, 650), (1000, 1300), (4000, 5200)])
def test_any_photo_makes_an_overlay_of_at_most_1600_px(wide, high):
    photo, reading = scene(wide=wide, high=high)
    out = draw_overlay(photo_of(wide, high), photo, reading)
    assert out.dtype == np.uint8
    assert max(out.shape) <= 1600
    assert min(out.shape[:2]) > 800


def test_the_jar_is_large(drawn):
    (scale_x, _), (scale_y, _) = placement(drawn)
    assert scale_x == pytest.approx(scale_y, rel=0.01)
    foot, water = in_overlay(drawn, seen_at(np.zeros(2), 0.0))[0], None
    water = in_overlay(drawn, seen_at(np.zeros(2), 104.0))[0]
    left, right = in_overlay(drawn, seen_at(np.array([-1.4, 1.4]), 50.0))
    assert (foot - water)[1] > 0.5 * drawn.shape[0] or right[0] - left[0] > 0.5 * drawn.shape[1]


def test_a_jar_at_the_edge_of_the_photo_is_drawn():
    photo, reading = scene()
    camera = replace(photo.look.jar.view.camera, centre_x_px=-100.0, centre_y_px=2000.0)
    view = View(camera, photo.look.jar.view.outline)
    look = replace(photo.look, jar=replace(photo.look.jar, view=view))
    assert draw_overlay(photo_of(), replace(photo, look=look), reading).size


# --- lines stand where they were read ----------------------------------------------------------


@pytest.mark.parametrize(("colour", "height"), [(SAND, TOPS[0]), (SILT, TOPS[1])])
def test_lines_stand_where_the_camera_sees_them(drawn, colour, height):
    expected = in_overlay(drawn, seen_at(AZIMUTH, height))
    rows, columns = np.nonzero(of_colour(drawn, colour))
    low, high = expected[:, 0].min(), expected[:, 0].max() - 3
    inside = (columns >= low) & (columns <= high)  # beyond are leader and label
    assert inside.sum() > 200
    # the fit of the placement is good to half a pixel; a line is 3 px wide
    off = rows[inside] - np.interp(columns[inside], expected[:, 0], expected[:, 1])
    assert np.abs(off).max() < 3.5
    assert abs(np.mean(off)) < 1.0


def test_lines_leave_out_the_strip_and_a_gap_to_check_by_eye(drawn):
    line = of_colour(drawn, SILT)
    expected = in_overlay(drawn, seen_at(AZIMUTH, TOPS[1]))
    strip = in_overlay(drawn, seen_at(np.linspace(0.2, 0.4, 20), TOPS[1]))
    for x, y in strip:
        assert not line[round(y) - 4 : round(y) + 5, round(x)].any()
    wide = expected[:300]
    bare = np.abs(wide[:, 0] - wide[:, 0].mean()) < 0.08 * np.ptp(wide[:, 0])
    for x, y in wide[bare]:
        assert (drawn[round(y) - 12 : round(y) + 13, round(x), 2] == MARK).all()
    ends = np.concatenate([wide[10:90], wide[-90:-10], expected[310:-10]])
    hit = [line[round(y) - 3 : round(y) + 4, round(x)].any() for x, y in ends]
    assert np.mean(hit) > 0.95


def test_the_band_is_the_90_percent_range():
    sd = 2.4
    plain, tinted = (draw_overlay(photo_of(), *scene(sds=(0.4, s, 0.6))) for s in (math.nan, sd))
    z = NormalDist().inv_cdf(0.95)
    middle = in_overlay(plain, seen_at(AZIMUTH, TOPS[1]))[60]
    column = round(middle[0])
    changed = np.flatnonzero((plain[:, column] != tinted[:, column]).any(axis=1))
    low, high = (in_overlay(plain, seen_at(AZIMUTH, TOPS[1] + s * z * sd))[60, 1] for s in (-1, 1))
    assert changed.min() == pytest.approx(high, abs=2.5)
    assert changed.max() == pytest.approx(low, abs=2.5)


def test_ticks_of_the_scale_stand_at_whole_centimetres(drawn):
    # the scale stands at the end of the wall away from the strip, here the left
    white = of_colour(drawn, palette.CHALK)
    beyond = AZIMUTH[0] - 2.4 / RADIUS  # numbered ticks reach 3.4 mm along the wall, others 1.8
    for height in range(10, 100, 10):
        x, y = np.round(in_overlay(drawn, seen_at(np.array([beyond]), float(height)))[0]).astype(
            int
        )
        assert white[y - 2 : y + 3, x].any(), height
        x, y = np.round(in_overlay(drawn, seen_at(np.array([beyond]), height + 5.0))[0]).astype(int)
        assert not white[y - 2 : y + 3, x].any(), height


def test_a_dark_photo_is_brightened_and_says_so():
    photo, reading = scene(light=30)
    dark = photo_of() // 4
    out = draw_overlay(dark, photo, reading)
    assert np.median(out[400:1000, 100:600]) > 1.5 * np.median(dark)
    gamma = overlay_place.brightening(photo)
    texts = [w.text for w in overlay._head(overlay_place.plan(photo, reading), gamma)]
    assert any("brightened" in text for text in texts)


# --- words -------------------------------------------------------------------------------------


def test_labels_say_value_and_range():
    """1.645 standard deviations to each side hold 90 % (normal tables): 0.8 mm of 0.5 mm."""
    photo, reading = scene()
    older, own = photo.boundaries
    said = ("top of the silt", "37.0 mm", "(36.2 to 37.8)", "")
    assert boundary_label(own, photo, reading) == said
    # floor 0.3 and line 0.3: the root of the sum of squares is 0.42, times 1.645 is 0.7
    said = ("top of the sand", "21.0 mm", "(20.3 to 21.7)", "")
    assert boundary_label(older, photo, reading) == said
    inches = boundary_label(own, photo, reading, UnitSystem.US)
    assert inches == ("top of the silt", "1 15/32 in", "(1 7/16 to 1 1/2)", "")  # of 25.4 mm


def test_a_range_takes_in_the_other_places():
    """Checked by drawing: a fifth of the lines lie at 44 mm, so 95 % lie below some 44.4 mm."""
    photo, reading = scene()
    other = boundary("silt", TOPS[1], alternatives=((44.0, 0.25),))
    photo = replace(photo, boundaries=(photo.boundaries[0], other))
    low, high = overlay_words.height_range_mm(other, photo, reading)
    rng = np.random.default_rng(0)
    places = np.where(rng.random(200_000) < 0.2, 44.0, TOPS[1])
    drawn = rng.normal(places, reading.tops[1].sd)
    assert (low, high) == pytest.approx(np.quantile(drawn, (0.05, 0.95)), abs=0.03)


def test_the_floor_says_where_the_strip_s_zero_is():
    """The floor lies 0.6 mm below the strip's zero, which is so much above the floor."""
    photo, reading = scene()
    [floor] = [m for m in marks_of(photo, reading) if m.style == "floor"]
    assert floor.label == ("inside floor", "within 0.5 mm", "strip's 0: 0.6 mm above", "")
    assert any("not from the strip's 0" in words for words in everything_said(photo, reading))


def test_the_soil_is_told_by_weight_first_and_without_odds_by_height():
    photo, reading = scene()
    glass = f"on the glass: {reading.texture.likeliest}"
    assert overlay_words.headline(photo, reading)[1].startswith(glass)
    assert overlay_words.headline(photo, reading, "loam")[1].startswith(
        f"loam (by weight); {glass}"
    )
    assert " in " not in overlay_words.headline(photo, reading)[1]


def test_a_label_tells_where_all_photos_together_differ():
    photo, reading = scene()
    tops = (reading.tops[0], Measured(36.2, 0.5, "mm"), reading.tops[2])
    _, value, _, note = boundary_label(photo.boundaries[-1], photo, replace(reading, tops=tops))
    assert value == "37.0 mm"
    assert note == "all photos: 36.2 mm"


def everything_said(photo, reading):
    drawing = overlay_place.plan(photo, reading)
    canvas = draw_overlay(photo_of(), photo, reading)
    words = [
        *overlay._draw_scale(canvas, drawing),
        *overlay._draw_labels(canvas, drawing),
        *overlay._head(drawing, 1.0),
        *overlay._foot(drawing),
    ]
    return [w.text for w in words]


def test_without_a_scale_nothing_is_said_in_mm():
    photo, reading = scene(Reading.TWO_DAYS, scaled=False)
    said = everything_said(photo, reading)
    assert not any("mm" in text.replace("p.jpg", "") for text in said)
    sand, silt, clay = (boundary_label(b, photo, reading)[1] for b in photo.boundaries)
    assert sand == "40.4 %"  # 21 / 52
    assert silt == "71.2 %"  # 37 / 52
    assert clay == "100 %"
    assert "mm" in everything_said(*scene())


def test_other_places_are_told_with_their_odds():
    photo, reading = scene()
    rival = boundary("silt", TOPS[1], alternatives=((44.0, 0.25), (60.0, 0.001)))
    photo = replace(photo, boundaries=(photo.boundaries[0], rival))
    said = [m.label[0] for m in marks_of(photo, reading) if m.style == "rival"]
    assert said == ["or here (2 in 10)"]  # 0.25 against 1 is one in five; the other is too rare
    assert "dotted: or here" in overlay_words.legend(marks_of(photo, reading), reading)


def test_what_was_not_seen_is_not_drawn():
    photo, reading = scene()
    unseen = replace(reading, measurement=replace(reading.measurement, water_mm=math.nan))
    assert "water" in {m.style for m in marks_of(photo, reading)}
    assert "water" not in {m.style for m in marks_of(photo, unseen)}
    assert draw_overlay(photo_of(), photo, unseen).size


def test_what_is_doubted_is_pointed_to():
    photo, reading = scene()
    assert overlay_words.doubts_in_words(reading) == ""
    one = replace(reading, doubts=(doubt(DoubtName.ONE_PHOTO),))
    assert any("to check: see the report" in text for text in everything_said(photo, one))


HOSTILE = [
    "",
    " \t\n",
    "<script>alert(1)</script>\x1b[31m\x00",
    "\u202egpj.exe",
    "../../etc/passwd\r\n" * 200,
    "\udcff\udc80.jpg",
    "café Ångström 土壌 🪴\u0301\u0301\u0301.jpg",
    "%s{0}\\n" * 50,
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_change_nothing_but_themselves(drawn, name):
    out = draw_overlay(photo_of(), *scene(name=name, jar=name))
    assert out.shape == drawn.shape
    assert np.array_equal(out[overlay._HEAD_H :], drawn[overlay._HEAD_H :])


@pytest.mark.parametrize(
    ("called", "written"),
    [
        ("Anna, north bed", ": Anna, north bed"),
        ("Zoë, plot 3?", ": Zoë, plot 3?"),
        ("", ""),
        ("土壌", ""),  # better none than a row of question marks
    ],
)
def test_what_the_user_calls_the_jar_stands_over_the_picture(called, written):
    photo, reading = scene()
    title, *_ = overlay._head(overlay_place.plan(photo, reading), 1.0, called)
    assert title.text == f"Jar {reading.jar}, reading at 2 hours{written}"


@pytest.mark.parametrize("called", HOSTILE)
def test_a_hostile_name_of_the_user_s_stays_over_the_picture(drawn, called):
    out = draw_overlay(photo_of(), *scene(), called=called)
    assert np.array_equal(out[overlay._HEAD_H :], drawn[overlay._HEAD_H :])


@given(st.text())
def test_only_letters_that_the_font_has_are_written(text):
    assert all(" " <= char <= "~" or char in "±°·…" for char in drawable(text))


def test_the_font_has_the_letters_that_are_written():
    font = ImageFont.load_default(30)
    missing = bytes(font.getmask("\uffff"))
    for char in [*map(chr, range(33, 127)), *"±°·…"]:
        assert bytes(font.getmask(char)) != missing, char


def test_accents_go_before_a_name_does():
    assert drawable("café 土") == "cafe ?"


# --- the sand's grain -------------------------------------------------------------------------

BANDS = (
    GrainBand(1.0, 7.0, 0.412, 0.1),
    GrainBand(7.0, 13.0, 0.2345, 0.1),
    GrainBand(13.0, 14.0),
    GrainBand(14.0, 20.0, finer_than_mm=0.151),
)


def grains_said(bands):
    photo, reading = scene()
    drawing = overlay_place.plan(photo, reading)
    return list(overlay._draw_grains(photo_of(), drawing, bands))


def test_bands_of_grains_carry_their_size_or_bound_beside_them():
    said = grains_said(BANDS)
    assert [w.text for w in said] == ["0.41", "0.23", "< 0.15"]
    # the scale stands at the left end of the wall, so these stand to the right of it, inside
    drawn = draw_overlay(photo_of(), *scene(), bands=BANDS)
    for words, height in zip(said, (4.0, 10.0, 17.0), strict=True):
        x, y = in_overlay(drawn, seen_at(np.array([AZIMUTH[0]]), height))[0]
        assert x < words.x < x + 40
        assert words.y == pytest.approx(y, abs=6)  # the wall's end lies a little higher


def test_sizes_of_thin_bands_do_not_lie_on_one_another():
    thin = tuple(GrainBand(i, i + 1, 0.3, 0.1) for i in range(18))
    said = grains_said(thin)
    assert 4 < len(said) < 18
    steps = -np.diff([w.y for w in said])
    assert steps.min() >= 26


def test_grains_are_explained_only_where_there_are_some(drawn):
    photo, reading = scene()
    drawing = overlay_place.plan(photo, reading)
    told = [w.text for w in overlay._foot(drawing, has_grains=True)]
    assert any("size of its grains, mm" in text for text in told)
    assert not any("grains" in text for text in everything_said(photo, reading))
    plain = draw_overlay(photo_of(), photo, reading, bands=())
    assert np.array_equal(plain, drawn)


def test_odd_bands_are_drawn():
    odd = (GrainBand(-9e3, 9e3, 1e-3, 5.0), GrainBand(0.0, math.nan, 99.0, 0.1), GrainBand(1, 1))
    assert draw_overlay(photo_of(), *scene(), bands=odd).size


# --- values that break drawings ----------------------------------------------------------------


@pytest.mark.parametrize("sd", [math.nan, math.inf, 0.0, 1e9])
def test_odd_uncertainties_are_drawn(sd):
    photo, reading = scene(sds=(sd, sd, sd))
    assert draw_overlay(photo_of(), photo, reading).size
    assert "inf" not in boundary_label(photo.boundaries[-1], photo, reading)[1]


@pytest.mark.parametrize("top", [-3.0, 0.0, 1e6, math.nan, math.inf])
def test_odd_heights_are_drawn(top):
    photo, reading = scene()
    photo = replace(photo, boundaries=(photo.boundaries[0], boundary("silt", top)))
    assert draw_overlay(photo_of(), photo, reading).size


@pytest.mark.parametrize("columns", [2, 5, 12])
def test_a_sliver_of_wall_is_drawn(columns):
    photo, reading = scene(azimuth=np.linspace(0.5, 0.52, columns))
    assert draw_overlay(photo_of(), photo, reading).size


@given(st.lists(st.tuples(st.floats(-500, 2000), st.floats(10, 90)), min_size=1, max_size=9))
def test_labels_never_overlap_and_keep_their_order(labels):
    middles, sizes = zip(*sorted(labels), strict=True)
    placed = spread_apart(middles, sizes, 0.0, 1000.0)
    assert placed[0] - sizes[0] / 2 >= -1e-6
    assert placed[-1] + sizes[-1] / 2 <= 1000 + 1e-6
    for (a, b), (size_a, size_b) in zip(
        itertools.pairwise(placed), itertools.pairwise(sizes), strict=True
    ):
        assert b - a >= (size_a + size_b) / 2 - 1e-6


def test_labels_with_room_stay_where_they_belong():
    assert spread_apart([100, 400], [50, 50], 0, 1000) == [100, 400]
    assert spread_apart([400, 400], [50, 50], 0, 1000) == [375, 425]


@given(st.lists(st.integers(-500, 2000), min_size=1, max_size=9))
def test_labels_move_as_little_as_can_be(middles):
    """Labels of no size only keep their order, which is isotonic regression: SciPy has it too."""
    placed = spread_apart(middles, [0.0] * len(middles), -1e6, 1e6)
    assert placed == pytest.approx(isotonic_regression(middles).x.tolist(), abs=1e-9)


# --- JPEG --------------------------------------------------------------------------------------


def segments(data):
    """Markers of a JPEG up to its picture (ITU-T T.81, annex B)."""
    at = 2
    while data[at + 1] != 0xDA:
        yield data[at + 1]
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")


def test_jpeg_holds_the_picture_and_no_metadata(drawn):
    data = jpeg_of(drawn)
    found = set(segments(data))
    app_or_comment = {m for m in found if 0xE0 <= m <= 0xEF or m == 0xFE}
    assert app_or_comment <= {0xE0}  # JFIF's own header, no EXIF, no comment
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == "JPEG"
        assert not image.getexif()
        assert image.size == drawn.shape[1::-1]
        back = cv2.cvtColor(np.asarray(image.convert("RGB")), cv2.COLOR_RGB2BGR)
    assert np.abs(back.astype(int) - drawn).mean() < 4


# --- for all eyes ------------------------------------------------------------------------------

# Linear RGB as seen without one kind of cone: Machado, Oliveira and Fernandes, A
# physiologically-based model for simulation of color vision deficiency, IEEE TVCG 15 (2009),
# severity 1.0; from memory.
EYES = {
    "all cones": np.eye(3),
    "no red": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "no green": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


def linear(bgr):
    """IEC 61966-2-1 (sRGB) to linear RGB."""
    s = np.array(bgr[::-1]) / 255
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)


def srgb(light):
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize("eyes", EYES)
def test_the_three_layers_differ_to_all_eyes(eyes):
    labs = [rgb2lab(srgb(np.array(EYES[eyes]) @ linear(c))) for c in (SAND, SILT, CLAY)]
    for one, other in itertools.combinations(labs, 2):
        assert deltaE_ciede2000(one, other) > 20  # 2.3 is just noticeable


@pytest.mark.parametrize(
    "colour", [SAND, SILT, CLAY, palette.CHALK, palette.DUST, palette.WARNING, palette.WATER_LINE]
)
def test_text_stands_out_from_the_plate(colour):
    """Contrast of at least 4.5 to 1, W3C Web Content Accessibility Guidelines 2.1, 1.4.3."""
    light, dark = (linear(c) @ [0.2126, 0.7152, 0.0722] for c in (colour, palette.PLATE))
    assert (light + 0.05) / (dark + 0.05) >= 4.5
