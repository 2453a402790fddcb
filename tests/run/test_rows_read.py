"""Several jars in one photo: each is found and read by its own strip, and as well as alone.

The rows of sample jars are composed (see `composed`): no camera saw these jars side by side, but
each is seen as its own camera would have seen it, turned. The traced row stands as a whole before
one camera, its jars millimetres apart, with each other's light and mirror images in the glass.
Truth is what the renderer wrote down (`sample_images/truth.csv`) or what was traced.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from composed import SHAKEN, Row, true_tops_mm
from composed import write as write_composed
from rows import Camera, Murk, RowJar, RowScene, Soil, Strip, seen_at, strip_corners, truth
from rows import write as write_traced
from scenes import READINGS, Shot, exif_of, sample, save
from views import beside

from jarvision.core.doubts import DoubtName
from jarvision.estimate.reading import JarReading
from jarvision.jar.strip_detect import find_strips
from jarvision.photo.decode import open_photo
from jarvision.run.engine import read_photos
from jarvision.run.outcome import Batch
from jarvision.run.settings import Settings
from jarvision.wall.locate import look_at_jar, orient

pytestmark = [pytest.mark.photo, pytest.mark.slow]
STRIPED = ("02", "09", "21")


def readings_of(batch: Batch) -> dict[str, JarReading]:
    """Readings by strip number; every strip must have led to one."""
    assert all("no strip is seen" in sentence for _, sentence in batch.refused)
    assert all(outcome.reading is not None for outcome in batch.outcomes)
    assert all(outcome.record.left_out == () for outcome in batch.outcomes)
    return {outcome.jar: outcome.reading for outcome in batch.outcomes}


def tops_of(reading: JarReading) -> tuple[np.ndarray, np.ndarray]:
    """Tops of sand, silt and clay and their sd [mm]."""
    return np.array([t.value for t in reading.tops]), np.array([t.sd for t in reading.tops])


# --- composed rows of sample jars -----------------------------------------------------------------
ROWS = {
    "three jars": Row(("21", "02", "09")),
    "other order, nearer, one without a strip": Row(("09", "08", "02", "21"), gap=1.0),
}


@pytest.fixture(scope="module")
def alone() -> dict[str, JarReading]:
    photos = [sample(jar, reading) for jar in STRIPED for reading in READINGS]
    return readings_of(read_photos(photos, Settings()))


@pytest.fixture(scope="module", params=list(ROWS))
def row(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("row")
    return readings_of(read_photos(write_composed(ROWS[request.param], folder), Settings()))


def test_every_strip_of_a_composed_row_leads_to_a_reading(row: dict[str, JarReading]) -> None:
    assert set(row) == {"2", "9", "21"}
    for number, reading in row.items():
        assert len(reading.photos) == 3
        assert {photo.look.number for photo in reading.photos} == {int(number)}
        assert reading.scaled


def test_each_jar_of_a_composed_row_has_its_own_boundaries(row: dict[str, JarReading]) -> None:
    """Their tops differ by 6 mm and more, so a boundary from a neighbour would be far off."""
    for jar in STRIPED:
        tops, sd = tops_of(row[str(int(jar))])
        off = tops - true_tops_mm(jar)
        assert np.abs(off).max() < 1.2
        assert (np.abs(off) < 3 * sd).all()


def test_jars_read_the_same_in_a_composed_row_and_alone(
    row: dict[str, JarReading], alone: dict[str, JarReading]
) -> None:
    for number, reading in alone.items():
        assert np.abs(tops_of(row[number])[0] - tops_of(reading)[0]).max() < 0.8
        assert row[number].texture.likeliest == reading.texture.likeliest
        assert row[number].texture.odds == pytest.approx(reading.texture.odds, abs=0.2)


# --- two drawn jars, a strip beside the neighbour's wall ------------------------------------------
def test_a_jars_wall_is_not_taken_from_its_neighbours_strip(tmp_path: Path) -> None:
    """By the whole way from the file: not knowing the other's strip, a jar came out 110 mm wide."""
    left = Shot(jar=7, strip_at=-0.4)
    right = Shot(jar=12, strip_at=-0.8, radius=42.0, tops=(25.0, 46.0, 62.0), seed=9)
    pair = beside(left, right, 6.0)
    exif = exif_of(SHAKEN + timedelta(days=2), focal_35mm=pair.photo.focal_35mm_mm)
    path = save(tmp_path / "pair 48h.jpg", pair.photo.bgr, exif)
    found = readings_of(read_photos([path], Settings()))
    assert set(found) == {"7", "12"}
    for shot in (left, right):
        [one] = found[str(shot.jar)].photos
        assert one.look.jar.view.outline.radius_mm == pytest.approx(shot.radius, abs=1.6)
        tops, sd = tops_of(found[str(shot.jar)])
        off = np.abs(tops - shot.tops)
        assert off.max() < 1.5
        assert (off < 3 * sd).all()


# --- a traced row ---------------------------------------------------------------------------------
LEFT = RowJar(
    x=-82.0,
    radius_mm=41.0,
    strip=Strip(3, azimuth=0.55),
    soil=Soil(tops_mm=(18.0, 34.0, 45.0)),
    seed=2,
)
MIDDLE = RowJar(
    x=0.0,
    y=4.0,
    radius_mm=37.0,
    strip=Strip(9, azimuth=-0.45),
    soil=Soil(tops_mm=(30.0, 48.0, 57.0)),
    seed=4,
)
WITHOUT_STRIP = RowJar(
    x=80.0,
    radius_mm=39.0,
    soil=Soil(tops_mm=(9.0, 47.0, 60.0)),
    murk=Murk(colour=(0.1, 0.07, 0.05)),
    seed=3,
)
CAMERA = Camera(y=-330.0, z=125.0, pitch=0.14, focal_35mm=36.0, size_px=(960, 1280))
SCENE = RowScene((LEFT, MIDDLE, WITHOUT_STRIP), camera=CAMERA, samples=1)


@pytest.fixture(scope="module")
def traced(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("traced")
    return [write_traced(replace(SCENE, reading=reading), folder, "row") for reading in READINGS]


@pytest.fixture(scope="module")
def traced_readings(traced: list[Path]) -> dict[str, JarReading]:
    return readings_of(read_photos(traced, Settings()))


def traced_tops_mm(number: int) -> np.ndarray:
    """The top that each reading is for (3,)."""
    rows = [truth(replace(SCENE, reading=reading)) for reading in READINGS]
    return np.array([jar.top_mm for row in rows for jar in row if jar.number == number])


def test_the_traced_jars_stand_millimetres_apart() -> None:
    ends = [(jar.x - jar.radius_mm, jar.x + jar.radius_mm) for jar in SCENE.jars]
    gaps = [right[0] - left[1] for left, right in pairwise(ends)]
    assert all(3.0 <= gap <= 5.0 for gap in gaps)


@pytest.mark.parametrize("number", [3, 9])
def test_traced_boundaries_are_read(traced_readings: dict[str, JarReading], number: int) -> None:
    reading = traced_readings[str(number)]
    assert all(photo.look.wall.px_per_mm > 4.0 for photo in reading.photos)
    tops, sd = tops_of(reading)
    off = tops - traced_tops_mm(number)
    assert np.abs(off).max() < 1.5
    assert (np.abs(off) < 3 * sd).all()


@pytest.mark.parametrize("jar", [LEFT, MIDDLE], ids=["left", "middle"])
def test_traced_jars_have_their_own_walls(
    traced_readings: dict[str, JarReading], jar: RowJar
) -> None:
    """Four millimetres from the next jar, whose murk and strip make the stronger edges."""
    reading = traced_readings[str(jar.strip.number)]
    for photo in reading.photos:
        outline = photo.look.jar.view.outline
        assert outline.is_round
        assert outline.radius_mm == pytest.approx(jar.radius_mm, abs=1.5)
        assert photo.look.jar.walls_seen >= 1


def test_only_strips_make_jars(traced_readings: dict[str, JarReading]) -> None:
    assert set(traced_readings) == {"3", "9"}


def test_tags_of_a_traced_row_are_placed_to_a_fraction_of_a_pixel(traced: list[Path]) -> None:
    """Against their places by plain projection; blur draws corners inward by half a pixel."""
    inward = []
    for path in traced:
        strips = find_strips(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE))
        for jar in (LEFT, MIDDLE):
            strip = next(s for s in strips if s.jar == jar.strip.number)
            drawn = np.stack([seen_at(CAMERA, strip_corners(jar, k)) for k in strip.tags])
            off = strip.corners_px - drawn
            assert np.sqrt(np.mean(off**2)) < 0.4
            out = drawn - drawn.mean(axis=1, keepdims=True)
            inward.append(-np.mean((off * np.sign(out)), axis=(0, 1, 2)))
    assert abs(np.mean(inward)) < 0.15


# --- one jar half behind another ------------------------------------------------------------------
def test_a_jar_half_behind_another_is_doubted_or_refused(tmp_path: Path) -> None:
    """The nearer jar is read as if it stood alone; the other never without a word."""
    behind = replace(MIDDLE, x=2.0, y=95.0, strip=Strip(9, azimuth=0.35))
    front = replace(LEFT, x=-62.0)
    camera = replace(CAMERA, y=-380.0, focal_35mm=38.0)
    scene = RowScene((front, behind), camera=camera, samples=1)
    photo, strips = orient(open_photo(write_traced(scene, tmp_path, "half")))
    for strip in strips:
        others = [other for other in strips if other is not strip]
        looks, refused = look_at_jar({1: photo}, {1: strip}, others={1: others})
        names = {doubt.name for look in looks.values() for doubt in look.doubts}
        if strip.jar == front.strip.number:
            assert looks
            assert DoubtName.PARTLY_HIDDEN not in names
        else:
            assert refused or DoubtName.PARTLY_HIDDEN in names
    assert {strip.jar for strip in strips} == {front.strip.number, behind.strip.number}
