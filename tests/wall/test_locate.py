"""One photo looked at: turned upright, its jar and wall found, or refused in one sentence."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scenes import Shot, draw, sample
from views import of_shot, photo

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import BlurredError, HiddenError, JarError, NoJarError
from jarvision.jar.which_side_up import SideUnknownError
from jarvision.photo.decode import Photo, open_photo
from jarvision.wall.locate import Look, look_at_jar, orient, strips_in
from jarvision.wall.photo_cache import focal_px

NAN = math.nan


def looked(one: Photo, **options: object) -> Look:
    """The look at a photo that can be used."""
    upright, strips = orient(one)
    looks, refused = look_at_jar({1: upright}, {1: strips[0] if strips else None}, **options)
    assert not refused, refused
    return looks[1]


def refusal(one: Photo) -> JarError:
    upright, strips = orient(one)
    looks, refused = look_at_jar({1: upright}, {1: strips[0] if strips else None})
    assert not looks
    return refused[1]


def doubts(look: Look) -> set[DoubtName]:
    return {d.name for d in look.doubts}


# --- focal length ---------------------------------------------------------------------------------
@pytest.mark.parametrize(("focal_35mm", "degrees"), [(26.0, 79.5), (50.0, 46.8), (77.0, 31.4)])
def test_focal_length_gives_the_angle_of_view(focal_35mm: float, degrees: float) -> None:
    # Diagonal angles of view of a 36 by 24 mm frame: any lens maker's table (from memory).
    one = photo(np.zeros((1600, 1200, 3), np.uint8), focal_35mm=focal_35mm)
    seen = 2 * math.atan(math.hypot(1600, 1200) / 2 / focal_px(one))
    assert math.degrees(seen) == pytest.approx(degrees, abs=0.2)


def test_a_cut_or_silent_picture_tells_no_focal_length() -> None:
    blank = np.zeros((1600, 1200, 3), np.uint8)
    assert math.isnan(focal_px(photo(blank, focal_35mm=26.0, cropped=True)))
    assert math.isnan(focal_px(photo(blank)))


# --- which way is up ------------------------------------------------------------------------------
TURNS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "upright": lambda bgr: bgr,
    "on its left side": lambda bgr: np.rot90(bgr, 1),
    "upside down": lambda bgr: np.rot90(bgr, 2),
    "on its right side": lambda bgr: np.rot90(bgr, 3),
    "mirrored": lambda bgr: bgr[:, ::-1],
    "mirrored and on its side": lambda bgr: np.rot90(bgr[:, ::-1], 1),
}


@pytest.mark.parametrize("turn", TURNS)
def test_a_photo_is_stood_up_by_its_strip(turn: str) -> None:
    shot = Shot()
    upright, strips = orient(photo(TURNS[turn](draw(shot))))
    assert np.array_equal(upright.bgr, draw(shot))
    assert (strips[0].jar, len(strips[0].tags)) == (7, 5)


def test_without_a_strip_a_photo_stays_as_it_is() -> None:
    shot = Shot(jar=None)
    same, strips = orient(photo(draw(shot)))
    assert strips == ()
    assert np.array_equal(same.bgr, draw(shot))


# --- what is found --------------------------------------------------------------------------------
def test_a_plain_picture_gives_a_wall_and_no_doubts() -> None:
    look = looked(of_shot(Shot()))
    assert (look.number, look.name, look.size_px) == (7, "pot.jpg", (1640, 1180))
    assert not look.doubts
    assert look.wall.px_per_mm == pytest.approx(6.5, abs=0.4)
    assert look.blur_mm < 0.3
    # rows are heights: the sand that was drawn is the coarser part of the wall
    rough = np.abs(np.diff(look.wall.lab()[..., 0], axis=1)).mean(axis=1)
    z = look.wall.z_mm
    sand, silt = rough[(z > 4) & (z < 14)].mean(), rough[(z > 18) & (z < 37)].mean()
    assert sand > 1.3 * silt


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "one"),
    [
        (DoubtName.FOCAL_UNKNOWN, lambda: of_shot(Shot(), focal_35mm=NAN)),
        (DoubtName.FEW_TAGS, lambda: of_shot(Shot(hidden=(0, 2, 3, 4)))),
        (DoubtName.STEEP_VIEW, lambda: of_shot(Shot(height=230.0, pitch=0.5))),
        (DoubtName.DIM, lambda: of_shot(Shot(light=0.3))),
        (DoubtName.SOFT_PHOTO, lambda: of_shot(Shot(blur_px=4.5))),
        (
            DoubtName.SMALL_IN_PICTURE,
            lambda: of_shot(Shot(distance=990.0, height=150.0, noise=1.0, blur_px=0.4)),
        ),
    ],
    ids=lambda value: str(value) if isinstance(value, DoubtName) else "",
)
def test_what_is_wrong_with_a_picture_is_named(name: DoubtName, one: Callable[[], Photo]) -> None:
    look = looked(one())
    assert name in doubts(look)
    sentence = next(d.sentence for d in look.doubts if d.name == name)
    assert "pot.jpg" in sentence


def test_a_photo_without_strip_takes_the_width_from_one_with() -> None:
    unmarked, _ = orient(of_shot(Shot(jar=None)))
    striped, strips = orient(of_shot(Shot()))
    looks, refused = look_at_jar(
        {"unmarked": unmarked, "strip": striped}, {"unmarked": None, "strip": strips[0]}
    )
    assert not refused
    radii = [look.jar.view.outline.radius_mm for look in looks.values()]
    assert radii == pytest.approx([38.0, 38.0], abs=1.0)


def test_a_misprinted_sheet_is_corrected() -> None:
    one = of_shot(Shot())
    plain, corrected = looked(one), looked(one, strip_mm=97.5)
    ratio = corrected.jar.view.outline.radius_mm / plain.jar.view.outline.radius_mm
    assert ratio == pytest.approx(0.975)


# --- what is refused ------------------------------------------------------------------------------
def cut(bgr: np.ndarray, rows: int) -> np.ndarray:
    return bgr[: len(bgr) - rows]


def test_a_jar_cut_off_at_the_foot_is_refused() -> None:
    shot = Shot()
    error = refusal(photo(cut(draw(shot), 520)))
    assert isinstance(error, HiddenError)
    assert str(error) == (
        "The foot of the jar is cut off in pot.jpg; get the whole jar in the picture."
    )


def blurred(mm: float) -> tuple[dict[int, Look], dict[int, JarError]]:
    """A picture blurred after its strip was found, so that only the blur can speak against it."""
    upright, strips = orient(photo(draw(Shot())))
    soft = cv2.GaussianBlur(upright.bgr, (0, 0), mm * strips[0].px_per_mm)
    return look_at_jar({1: replace(upright, bgr=soft)}, {1: strips[0]})


@pytest.mark.parametrize("mm", [0.2, 0.4, 0.6])
def test_blur_is_measured(mm: float) -> None:
    looks, _ = blurred(mm)
    assert looks[1].blur_mm == pytest.approx(np.hypot(mm, 0.15), rel=0.25)


def test_a_blurred_picture_is_refused() -> None:
    _, refused = blurred(2.0)
    assert isinstance(refused[1], BlurredError)
    assert "pot.jpg is too blurred to read; rest the phone" in str(refused[1])


def test_a_strip_across_the_front_hides_the_layers() -> None:
    error = refusal(of_shot(Shot(strip_at=0.0, radius=19.0, distance=200.0)))
    assert isinstance(error, HiddenError)
    assert "hides the layers in pot.jpg; move it aside" in str(error)


def test_an_empty_table_is_no_jar() -> None:
    table = np.where(np.arange(1600)[:, None, None] > 900, 90.0, 170.0)
    table = table + np.random.default_rng(1).normal(0, 2, (1600, 1200, 3))
    error = refusal(photo(np.clip(table, 0, 255).astype(np.uint8)))
    assert isinstance(error, NoJarError)
    assert "photograph the whole jar" in str(error)


def test_one_bad_photo_does_not_spoil_the_others() -> None:
    good, strips = orient(of_shot(Shot()))
    bad = photo(np.full((1640, 1180, 3), 127, np.uint8))
    looks, refused = look_at_jar({1: good, 2: bad}, {1: strips[0], 2: None})
    assert set(looks) == {1}
    assert set(refused) == {2}


# --- sample photos --------------------------------------------------------------------------------
def test_a_sample_photo_is_looked_at() -> None:
    one = open_photo(sample("21", "2h"))
    look = looked(one)
    assert look.number == 21
    assert strips_in(one)[0].jar == 21
    # from the samples' own truth table: inside diameter 64.5 mm, and a wall of 2 to 3.5 mm
    assert look.jar.view.outline.radius_mm == pytest.approx(64.5 / 2 + 2.7, abs=1.2)


SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.mark.slow
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
@pytest.mark.parametrize("reading", ["1min", "2h", "48h"])
def test_a_photo_that_does_not_say_which_side_is_up_is_turned_or_doubted(
    reading: str, quarters: int
) -> None:
    """A sample without a strip, turned and without its camera's word: never wrong in silence."""
    upright = open_photo(SAMPLES / f"jar-08-{reading}.jpg")
    bgr = np.ascontiguousarray(np.rot90(upright.bgr, quarters))
    try:
        stood, strips = orient(replace(upright, bgr=bgr, knows_up=False))
    except SideUnknownError:
        assert quarters % 2  # lying on its side, with no foot that can be told
        return
    assert not strips
    if stood.knows_up:
        assert np.array_equal(stood.bgr, upright.bgr)
    else:
        assert np.array_equal(stood.bgr, bgr)
        assert quarters % 2 == 0  # what lies on its side is not read
    told = replace(stood, bgr=upright.bgr)
    [look] = look_at_jar({0: told}, {0: None})[0].values()
    assert (DoubtName.SIDE_UNSURE in doubts(look)) == (not stood.knows_up)


@pytest.mark.parametrize("quarters", [0, 2])
def test_a_burnt_out_photo_is_not_turned_over_by_what_is_not_burnt_out(quarters: int) -> None:
    upright = open_photo(SAMPLES / "jar-08-48h.jpg")
    bright = np.minimum(5 * upright.bgr.astype(int), 255).astype(np.uint8)
    assert (bright.min(axis=2) == 255).mean() > 0.3
    bgr = np.ascontiguousarray(np.rot90(bright, quarters))
    stood, _ = orient(replace(upright, bgr=bgr, knows_up=False))
    assert np.array_equal(stood.bgr, bgr)
    assert not stood.knows_up
