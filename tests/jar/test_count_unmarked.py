"""Jars without a strip: counted, named as unread, and never guessed at.

Rows of sample jars are composed (see `composed`): which jars stand in them is known. In the sample
photos stands one jar each, with boxes, walls and houses behind it.
"""

from __future__ import annotations

import csv
import json

import cv2
import numpy as np
import pytest
from composed import Row, write
from scenes import READINGS, sample

from jarvision.jar.count_unmarked import JarPlace, _measured, lies_within, places
from jarvision.photo.decode import open_photo
from jarvision.run.engine import plan_photos, read_photos
from jarvision.run.plan import not_placed
from jarvision.run.settings import Settings
from jarvision.wall import locate
from jarvision.wall.locate import orient, unmarked_jars_in

pytestmark = [pytest.mark.photo, pytest.mark.slow]


def bare_in(path) -> int:
    return unmarked_jars_in(*orient(open_photo(path)))


@pytest.mark.parametrize("jar", ["02", "09", "21"])
@pytest.mark.parametrize("reading", READINGS)
def test_a_jar_alone_with_its_strip_is_all(jar, reading):
    assert bare_in(sample(jar, reading)) == 0


@pytest.mark.parametrize("reading", READINGS)
def test_a_jar_alone_without_a_strip_is_one(reading):
    assert bare_in(sample("08", reading)) == 1


@pytest.mark.parametrize("reading", READINGS)
def test_a_place_is_where_the_jar_stands(reading):
    path = sample("08", reading)
    with (path.parent / "truth.csv").open(newline="", encoding="utf-8") as file:
        [row] = [r for r in csv.DictReader(file) if r["photo"] == path.name]
    [place] = places(open_photo(path).bgr)
    assert place.left_px < float(row["floor_x_px"]) < place.right_px
    assert place.top_px < float(row["top_y_px"]) < place.foot_px


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """A composed row: jars 9, 2 and 21 with their strips, jar 8 between them without one."""
    folder = tmp_path_factory.mktemp("mixed")
    write(Row(("09", "08", "02", "21"), gap=1.0), folder)
    return folder


def test_a_jar_without_a_strip_beside_others_is_named_as_unread(mixed, tmp_path):
    first = read_photos([mixed], Settings(), out=tmp_path)
    assert {o.jar for o in first.outcomes if o.reading is not None} == {"2", "9", "21"}
    assert first.refused  # in at least one of the three photos it is seen
    assert all(sentence.startswith("One jar in it") for _, sentence in first.refused)
    assert not first.all_read

    kept = json.loads((tmp_path / "photos.json").read_text(encoding="utf-8"))
    assert sorted(kept["bare_by_photo"].values()) == [1] * len(first.refused)
    second = read_photos([mixed], Settings(), out=tmp_path)
    assert second.refused == first.refused
    assert all(outcome.is_earlier for outcome in second.outcomes)

    said = dict(not_placed(plan_photos([mixed], Settings())))
    assert said.keys() == dict(first.refused).keys()


def test_several_jars_without_any_strip_are_refused(tmp_path):
    """Which of them a reading were of, nobody could say."""
    write(Row(("08", "08"), gap=3.0), tmp_path)
    [outcome] = read_photos([tmp_path], Settings()).outcomes
    assert outcome.error is not None
    assert outcome.error.name == "several_jars"
    assert "without a strip" in str(outcome.error)


def test_who_says_that_all_photos_show_one_jar_is_believed(monkeypatch):
    """Whatever is counted in them: here two, in photos that show one and can be read."""
    monkeypatch.setattr(locate, "count_unmarked", lambda found, sides: 2)
    photos = [sample("08", reading) for reading in READINGS]
    [counted] = read_photos(photos, Settings()).outcomes
    assert counted.error.name == "several_jars"
    [believed] = read_photos(photos, Settings(one_jar=True)).outcomes
    assert believed.reading is not None


@pytest.mark.parametrize("share", [0.0, 0.02, 0.3])
def test_pieces_are_measured_as_opencv_measures_them(share: float) -> None:
    marked = (np.random.default_rng(7).random((120, 90)) < share).astype(np.uint8)
    marked[:, 0] = marked[-1] = 0
    _, _, stats, middle = cv2.connectedComponentsWithStats(marked, connectivity=8)
    expected = np.column_stack([stats[1:, [0, 2, 1, 3]], middle[1:, 1]])
    np.testing.assert_allclose(np.stack(_measured(marked), axis=1), expected)


def test_what_stands_half_beside_a_jar_is_not_surely_its_part() -> None:
    assert lies_within(JarPlace(100.0, 200.0, 0.0, 150.0), 90.0, 400.0)
    assert not lies_within(JarPlace(0.0, 200.0, 0.0, 150.0), 100.0, 400.0)
    assert not lies_within(JarPlace(0.0, 80.0, 0.0, 150.0), 100.0, 400.0)
