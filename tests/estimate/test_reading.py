"""Jars read from photos: the samples as they are, spoilt in every way, and jars drawn by code.

Truth is what the renderer wrote down (`sample_images/truth.csv`) or what was drawn. Whatever is
done to a picture, a reading that is off must say that it is in doubt, or be refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from accuracy import truth_of
from jar_read import read_jar
from sample_truth import top_of, tops_of
from scenes import (
    READINGS,
    SAMPLES,
    Edit,
    Shot,
    camera_of,
    draw,
    drawn,
    edited,
    exif_of,
    sample,
    save,
    upright,
)

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import TimesError
from jarvision.core.series import Reading
from jarvision.estimate.reading import JarReading
from jarvision.estimate.texture import classify
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Batch
from jarvision.run.settings import Settings

pytestmark = pytest.mark.slow

FAR_MM, FAR_POINTS = 2.0, 5.0
"""A reading that is further off than this must carry a doubt."""


@dataclass(frozen=True)
class Scored:
    """A reading against the truth: errors [mm, points] and what is claimed."""

    reading: JarReading
    off_mm: np.ndarray
    off_points: np.ndarray
    true_class: str

    @property
    def doubts(self) -> set[DoubtName]:
        return {d.name for d in self.reading.doubts}

    @property
    def is_far_off(self) -> bool:
        far = np.abs(self.off_points).max() > FAR_POINTS
        return bool(far or (self.reading.scaled and np.abs(self.off_mm).max() > FAR_MM))


def score(reading: JarReading, tops: np.ndarray) -> Scored:
    read = np.array([t.value for t in reading.tops])
    shares = np.diff(tops, prepend=0.0) / tops[2] * 100
    c = reading.composition
    points = np.array([c.sand_pct.value, c.silt_pct.value, c.clay_pct.value]) - shares
    return Scored(reading, read - tops, points, str(classify(*shares)))


def only_reading(batch: Batch) -> JarReading:
    [outcome] = batch.outcomes
    assert outcome.reading is not None, outcome.reading
    return outcome.reading


def read(paths: list[Path], tops: np.ndarray, **settings: object) -> Scored:
    return score(only_reading(read_photos(paths, Settings(**settings))), tops)


@cache
def sample_batch() -> Batch:
    return read_photos([SAMPLES], Settings())


def sample_scored(jar: str) -> Scored:
    rows = {o.jar: o.reading for o in sample_batch().outcomes}
    reading = rows[str(int(jar))] if str(int(jar)) in rows else rows[f"jar-{jar}"]
    assert isinstance(reading, JarReading)
    return score(reading, tops_of(jar))


# --- as they are ----------------------------------------------------------------------------------
def test_every_sample_is_read() -> None:
    assert [o.jar for o in sample_batch().outcomes] == ["2", "9", "21", "jar-08"]
    assert sample_batch().all_read


@pytest.mark.parametrize("jar", ["02", "09", "21"])
def test_a_jar_with_a_strip_is_read_in_millimetres(jar: str) -> None:
    scored = sample_scored(jar)
    reading = scored.reading
    assert reading.scaled
    assert np.abs(scored.off_mm).max() < 1.0
    assert np.abs(scored.off_points).max() < 2.0
    assert reading.texture.likeliest == scored.true_class
    assert [p.reading for p in reading.photos] == list(READINGS)
    assert [len(p.boundaries) for p in reading.photos] == [1, 2, 3]
    water = float(truth_of(SAMPLES)[str(int(jar))]["48h"]["water_mm"])
    assert reading.water_mm == pytest.approx(water, abs=3.0)
    for top in reading.tops:
        assert top.unit == "mm"
        assert 0.2 < top.sd < 3.0


@pytest.mark.parametrize("jar", ["02", "09", "21"])
def test_older_boundaries_are_found_again_in_later_photos(jar: str) -> None:
    rows = truth_of(SAMPLES)[str(int(jar))]
    for photo in sample_scored(jar).reading.photos:
        for boundary in photo.boundaries:
            truth = float(rows[str(photo.reading)][f"{boundary.layer}_top_mm"])
            assert boundary.top_mm == pytest.approx(truth, abs=1.6)


def test_a_jar_without_a_strip_is_read_in_per_cent() -> None:
    scored = sample_scored("08")
    assert not scored.reading.scaled
    assert DoubtName.NO_STRIP in scored.doubts
    assert np.abs(scored.off_points).max() < 3.0
    assert scored.reading.texture.likeliest == scored.true_class
    said = " ".join(d.sentence for d in scored.reading.doubts)
    assert " mm" not in said.replace("no millimetres", "")


def test_shares_and_odds_add_up() -> None:
    for outcome in sample_batch().outcomes:
        c = outcome.reading.composition
        whole = c.sand_pct.value + c.silt_pct.value + c.clay_pct.value
        assert whole == pytest.approx(100.0)
        np.testing.assert_allclose(c.draws.sum(axis=1), 100.0)
        assert sum(outcome.reading.texture.class_odds) == pytest.approx(1.0)


# --- fewer photos ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("jar", "readings", "name"),
    [
        ("21", ("48h",), DoubtName.ONE_PHOTO),
        ("09", ("48h",), DoubtName.ONE_PHOTO),
        ("21", ("1min", "48h"), DoubtName.TWO_PHOTOS),
        ("09", ("2h", "48h"), DoubtName.TWO_PHOTOS),
    ],
)
def test_fewer_photos_are_read_with_a_doubt(
    jar: str, readings: tuple[str, ...], name: DoubtName
) -> None:
    scored = read([sample(jar, r) for r in readings], tops_of(jar, readings))
    assert name in scored.doubts
    assert np.abs(scored.off_mm).max() < 3.0


def test_one_photo_is_less_sure_than_three() -> None:
    three = sample_scored("09").reading.composition.clay_pct.sd
    one = read([sample("09", "48h")], tops_of("09", ("48h",))).reading.composition.clay_pct.sd
    assert one > three


@pytest.mark.parametrize("readings", [("1min",), ("2h",), ("1min", "2h")])
def test_without_the_last_photo_there_are_tops_and_no_shares(readings: tuple[str, ...]) -> None:
    [outcome] = read_photos([sample("21", r) for r in readings], Settings()).outcomes
    assert outcome.error is None
    assert outcome.reading is None
    known = [top for top in outcome.interim.tops if not math.isnan(top.value)]
    assert len(known) == (1 if readings == ("1min",) else 2)
    for top, layer in zip(known, ("sand", "silt"), strict=False):
        assert abs(top.value - top_of("21", readings[-1], layer)) < 1.0


def test_reading_nothing_is_refused() -> None:
    with pytest.raises(TimesError):
        read_jar("1", {})


# --- other files ----------------------------------------------------------------------------------
def resized(height_px: int) -> Edit:
    def edit(bgr: np.ndarray) -> np.ndarray:
        size = (round(bgr.shape[1] * height_px / bgr.shape[0]), height_px)
        down = height_px < bgr.shape[0]
        return cv2.resize(bgr, size, interpolation=cv2.INTER_AREA if down else cv2.INTER_CUBIC)

    return edit


def same(bgr: np.ndarray) -> np.ndarray:
    return bgr


@cache
def last_photo_alone(suffix: str, folder: Path) -> Scored:
    paths = edited(folder, "21", resized(1400), readings=("48h",), suffix=suffix)
    return read(paths, tops_of("21", ("48h",)))


@pytest.mark.parametrize("suffix", [".png", ".webp", ".tif", ".heic"])
def test_every_format_reads_alike(
    suffix: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    scored = last_photo_alone(suffix, tmp_path)
    plain = last_photo_alone(".jpg", tmp_path_factory.getbasetemp())
    assert np.abs(scored.off_mm - plain.off_mm).max() < 0.4
    assert scored.reading.texture.likeliest == plain.reading.texture.likeliest


@pytest.mark.parametrize("orientation", [8])
def test_orientation_in_the_header_is_followed(orientation: int, tmp_path: Path) -> None:
    # CIPA DC-008, from memory: 3 is stored upside down, 8 is stored turned clockwise
    turns = {3: 2, 8: 3}
    jar, paths = "09", []
    for reading in READINGS:
        taken, focal = camera_of(sample(jar, reading))
        exif = exif_of(taken, focal_35mm=focal, orientation=orientation)
        turned = np.rot90(upright(sample(jar, reading)), turns[orientation])
        paths.append(save(tmp_path / f"jar-{jar}-{reading}.jpg", turned, exif))
    scored = read(paths, tops_of(jar))
    # saved anew as JPEG, a thin layer of sand may move by half a millimetre
    assert np.abs(scored.off_mm - sample_scored(jar).off_mm).max() < 0.7


def test_a_sideways_picture_that_does_not_say_so_is_stood_up(tmp_path: Path) -> None:
    paths = edited(tmp_path, "09", lambda bgr: np.rot90(bgr, 1))
    scored = read(paths, tops_of("09"))
    assert np.abs(scored.off_mm).max() < 1.5


def test_without_a_header_the_lens_is_fitted(tmp_path: Path) -> None:
    scored = read(edited(tmp_path, "02", same, exif=False), tops_of("02"))
    assert DoubtName.FOCAL_UNKNOWN in scored.doubts
    assert np.abs(scored.off_mm).max() < 1.5


@pytest.mark.parametrize(("height_px", "jar"), [(4032, "09"), (1000, "02")])
def test_the_size_of_the_picture_hardly_matters(height_px: int, jar: str, tmp_path: Path) -> None:
    scored = read(edited(tmp_path, jar, resized(height_px)), tops_of(jar))
    assert np.abs(scored.off_mm).max() < 1.5
    assert scored.reading.texture.likeliest == scored.true_class


# --- spoilt pictures: a doubt or a refusal, never wrong and sure of it ----------------------------
def noisy(sd: float) -> Edit:
    rng = np.random.default_rng(21)

    def edit(bgr: np.ndarray) -> np.ndarray:
        grain = sd * rng.standard_normal(bgr.shape, dtype=np.float32)
        return np.clip(bgr + grain, 0, 255).astype(np.uint8)

    return edit


def blurred(px: float) -> Edit:
    return lambda bgr: cv2.GaussianBlur(bgr, (0, 0), px)


def shaken(px: int) -> Edit:
    return lambda bgr: cv2.blur(bgr, (px, 1))


def dimmed(share: float) -> Edit:
    return lambda bgr: noisy(2.5)((share * bgr).astype(np.uint8))


def faded(bgr: np.ndarray) -> np.ndarray:
    return (0.35 * bgr + 110).astype(np.uint8)


def squeezed(bgr: np.ndarray) -> np.ndarray:
    return cv2.imdecode(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 12])[1], 1)


def tags_by_opencv(bgr: np.ndarray) -> np.ndarray:
    """Corners of tags as OpenCV's plain detector finds them, (n, 4, 2)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    found, _, _ = cv2.aruco.ArucoDetector(family).detectMarkers(bgr)
    return np.array(found).reshape(-1, 4, 2)


def covered(bgr: np.ndarray) -> np.ndarray:
    """A hand over the two lowest tags."""
    low = sorted(tags_by_opencv(bgr), key=lambda c: -c[:, 1].mean())[:2]
    for corners in low:
        centre = tuple(int(v) for v in corners.mean(axis=0))
        cv2.ellipse(bgr, centre, (95, 70), 20, 0, 360, (120, 150, 200), -1)
    return bgr


SPOILT: dict[str, tuple[str, Edit]] = {
    "dim": ("02", dimmed(0.45)),
    "very dim": ("09", dimmed(0.2)),
    "noisy": ("02", noisy(8.0)),
    "very noisy": ("21", noisy(25.0)),
    "soft": ("09", blurred(3.0)),
    "blurred": ("02", blurred(7.0)),
    "blurred, thin sand": ("09", blurred(7.0)),
    "very blurred": ("21", blurred(15.0)),
    "shaken": ("02", shaken(21)),
    "faded": ("21", faded),
    "squeezed": ("09", squeezed),
    "strip partly covered": ("02", covered),
}


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_spoilt_picture_is_never_read_wrongly_without_a_doubt(spoil: str, tmp_path: Path) -> None:
    jar, edit = SPOILT[spoil]
    for outcome in read_photos(edited(tmp_path, jar, edit), Settings()).outcomes:
        if outcome.reading is None:
            assert str(outcome.error)[-1] in ".?"
            continue
        scored = score(outcome.reading, tops_of(jar))
        assert scored.doubts or not scored.is_far_off, (scored.off_mm, scored.off_points)


def speckled(bgr: np.ndarray) -> np.ndarray:
    """Noise as coarse as grain, as high sensitivity and compression leave it."""
    sheet = np.random.default_rng(3).standard_normal(bgr.shape[:2]).astype(np.float32)
    sheet = cv2.GaussianBlur(sheet, (0, 0), 1.5)
    return np.clip(bgr + 8 * (sheet / sheet.std())[..., None], 0, 255).astype(np.uint8)


def test_what_noise_drowns_is_not_claimed_as_sure(tmp_path: Path) -> None:
    for outcome in read_photos(edited(tmp_path, "02", speckled), Settings()).outcomes:
        if outcome.reading is not None:
            scored = score(outcome.reading, tops_of("02"))
            sds = np.array([t.sd for t in scored.reading.tops])
            texture = scored.reading.texture
            assert texture.likeliest == scored.true_class or texture.odds < 0.8
            assert np.abs(scored.off_mm / sds).max() < 6


def test_half_a_strip_is_enough(tmp_path: Path) -> None:
    scored = read(edited(tmp_path, "09", covered), tops_of("09"))
    assert np.abs(scored.off_mm).max() < 1.5


# --- nothing to read ------------------------------------------------------------------------------
def painted_over(jar: str) -> Callable[[str, np.ndarray], np.ndarray]:
    """Paint the deposit of a sample over with the colour of the water above, beside the strip."""
    rows = truth_of(SAMPLES)[str(int(jar))]

    def paint(reading: str, bgr: np.ndarray) -> np.ndarray:
        row = rows[reading]
        x, floor, top = (int(row[name]) for name in ("floor_x_px", "floor_y_px", "top_y_px"))
        px_per_mm = (floor - top) / float(row["top_mm"])
        half = int(0.46 * float(row["inside_diameter_mm"]) * px_per_mm)
        high, low = int(top - 12 * px_per_mm), int(floor + 2 * px_per_mm)
        region = bgr[high:low, x - half : x + half]
        water = bgr[high - 40 : high, x - half : x - half // 2].reshape(-1, 3).mean(axis=0)
        smooth = water + np.random.default_rng(5).normal(0, 2, region.shape)
        keep = np.zeros(region.shape[1], dtype=bool)
        for corners in tags_by_opencv(bgr):
            left, right = corners[:, 0].min() - x + half, corners[:, 0].max() - x + half
            keep[max(0, int(left - 4 * px_per_mm)) : max(0, int(right + 10 * px_per_mm))] = True
        region[:, ~keep] = np.clip(smooth, 0, 255).astype(np.uint8)[:, ~keep]
        return bgr

    return paint


@pytest.mark.parametrize("jar", ["02", "08"])
def test_a_glass_without_deposit_is_said_to_be_empty(jar: str, tmp_path: Path) -> None:
    paint, paths = painted_over(jar), []
    for reading in READINGS:
        taken, focal = camera_of(sample(jar, reading))
        picture = paint(reading, upright(sample(jar, reading)))
        exif = exif_of(taken, focal_35mm=focal)
        paths.append(save(tmp_path / f"jar-{jar}-{reading}.jpg", picture, exif))
    [outcome] = read_photos(paths, Settings()).outcomes
    assert outcome.reading is None, [str(t) for t in outcome.reading.tops]
    assert outcome.error.name in {"no_deposit", "no_jar"}


def test_a_plain_table_holds_no_jar(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    table = np.where(np.arange(2000)[:, None, None] > 1100, (90, 105, 120), (170, 165, 160))
    picture = np.clip(table + rng.normal(0, 2, (2000, 1500, 3)), 0, 255).astype(np.uint8)
    path = save(tmp_path / "bench 48h.jpg", picture, exif_of(focal_35mm=28))
    [outcome] = read_photos([path], Settings()).outcomes
    assert outcome.error.name == "no_jar"
    assert outcome.jar == "bench"


@pytest.mark.parametrize("jar", ["02"])
def test_a_jar_cut_off_at_the_foot_is_refused(jar: str, tmp_path: Path) -> None:
    rows = truth_of(SAMPLES)[str(int(jar))]
    low = min(int(row["floor_y_px"]) for row in rows.values()) - 60
    batch = read_photos(edited(tmp_path, jar, lambda bgr: bgr[:low]), Settings())
    for outcome in batch.outcomes:
        assert outcome.reading is None
        assert outcome.error.name in {"hidden", "no_jar", "no_deposit"}


# --- jars drawn by code: other optics, no renderer ------------------------------------------------
DRAWN: dict[str, Shot] = {
    "round": Shot(strip_at=-0.6, radius=43.0, distance=360.0, tops=(9.0, 33.0, 45.0)),
    "square": Shot(exponent=5.0, radius=34.0, strip_at=0.55, tops=(22.0, 40.0, 55.0)),
    "from above": Shot(height=185.0, pitch=0.38, tops=(18.0, 36.0, 50.0)),
    "no strip": Shot(jar=None, tops=(20.0, 42.0, 56.0)),
}


@pytest.mark.parametrize("kind", DRAWN)
def test_drawn_jars_are_read(kind: str, tmp_path: Path) -> None:
    shot = DRAWN[kind]
    scored = read(drawn(tmp_path, shot), np.array(shot.tops))
    assert scored.reading.jar == ("7" if shot.jar else "pot")
    doubted = DoubtName.WEAK_BOUNDARY in scored.doubts  # another place is likely and said to be
    if doubted:
        c = scored.reading.composition
        claimed = np.array([c.sand_pct.sd, c.silt_pct.sd, c.clay_pct.sd])
        assert np.abs(scored.off_points / claimed).max() < 2.5
    else:
        assert np.abs(scored.off_points).max() < 3.0
    if shot.jar:
        assert doubted or np.abs(scored.off_mm).max() < 1.2
        sds = np.array([t.sd for t in scored.reading.tops])
        assert np.abs(scored.off_mm / sds).max() < 3.0


def test_a_strip_set_off_the_floor_is_noticed(tmp_path: Path) -> None:
    shot = Shot(strip_up=4.0)
    scored = read(drawn(tmp_path, shot), np.array(shot.tops))
    assert DoubtName.STRIP_OFF_FLOOR in scored.doubts
    assert np.abs(scored.off_mm).max() < 1.5


def test_a_strip_that_fits_no_jar_is_doubted(tmp_path: Path) -> None:
    shot = Shot(strip_at=0.9, exponent=5.0, radius=34.0)
    scored = read(drawn(tmp_path, shot), np.array(shot.tops))
    misfit_px = max(p.look.jar.fit_px for p in scored.reading.photos)
    sds = np.array([t.sd for t in scored.reading.tops])
    assert misfit_px < 1.5 or scored.doubts
    assert scored.doubts or np.abs(scored.off_mm / sds).max() < 3


def test_an_empty_drawn_glass_is_not_read(tmp_path: Path) -> None:
    shot = Shot(settled=0, water=-5.0)
    focal = shot.focal_px * 43.2666 / math.hypot(*shot.size_px)
    path = save(tmp_path / "pot 48h.jpg", draw(shot), exif_of(focal_35mm=focal))
    [outcome] = read_photos([path], Settings()).outcomes
    assert outcome.error.name == "no_deposit"


# --- settings -------------------------------------------------------------------------------------
def test_a_misprinted_strip_scales_millimetres_and_not_shares() -> None:
    plain = sample_scored("21").reading
    paths = [sample("21", r) for r in READINGS]
    corrected = read(paths, tops_of("21"), strip_mm=97.5).reading
    for one, other in zip(plain.tops, corrected.tops, strict=True):
        assert other.value == pytest.approx(0.975 * one.value, abs=0.5)
    shares = [r.composition.sand_pct.value for r in (plain, corrected)]
    assert shares[0] == pytest.approx(shares[1], abs=1.0)


def test_the_same_seed_gives_the_same_draws_and_another_nearly_the_same() -> None:
    paths = [sample("21", r) for r in READINGS]
    other = read(paths, tops_of("21"), seed=5).reading
    again = read(paths, tops_of("21")).reading
    plain = sample_scored("21").reading
    np.testing.assert_array_equal(plain.composition.draws, again.composition.draws)
    assert not np.array_equal(plain.composition.draws, other.composition.draws)
    assert other.composition.sand_pct.value == pytest.approx(
        plain.composition.sand_pct.value, abs=0.3
    )


def test_global_chance_is_left_alone() -> None:
    np.random.seed(3)  # noqa: NPY002  (somebody else's)
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    read_photos([sample("21", "48h")], Settings())
    assert np.array_equal(np.random.get_state()[1], before)  # noqa: NPY002


def test_readings_keep_their_names() -> None:
    assert [str(r) for r in Reading] == list(READINGS)
