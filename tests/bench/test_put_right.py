"""Jars that are read wrong, or not at all, are put right through the page in a few gestures.

Whoever does it sees where the lines truly are: the renderer wrote down where the floor and the top
of the deposit stand in every picture, on the outside of the glass. The truth is outside the
package; where the page draws a height comes from the page.
"""

import shutil
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
from accuracy import truth_of
from bench_page import (
    asked,
    drag_outline_to,
    drag_to,
    opened,
    rows,
    started,
    type_height,
    until,
)
from browser import browser_session, find_browser

from jarvision.bench.pictures import upright_jpeg
from jarvision.results.jar_folder import read_jar_file
from jarvision.wall.measurement import ORDER

SAMPLES = Path(__file__).parents[2] / "sample_images"
HARD = Path(__file__).parents[3] / "shared" / "hard-photos"
_, _, MISSING = find_browser()
pytestmark = [
    pytest.mark.slow,
    pytest.mark.photo,
    pytest.mark.skipif(bool(MISSING), reason=MISSING or "browser found"),
]

MOST_GESTURES = 5
LAYERS = ("sand", "silt", "clay")
OFF_MM = 0.6


def true_places(folder, row, record):
    """Heights at which the page must draw floor and tops: those of the picture, by the renderer."""
    photo = record.as_read or record.measurement
    [index] = [i for i, one in enumerate(photo.photos) if one.name == row["photo"]]
    z_mm = np.linspace(-20.0, 160.0, 721)
    y_px = record.views[index].view.front_px(z_mm)[:, 1]
    # of the picture as it stands in the file
    high_px = cv2.imread(str(folder / row["photo"])).shape[0]
    to_working = record.views[index].size_px[0] / high_px
    floor, top = (
        float(np.interp(-float(row[name]) * to_working, -y_px, z_mm))
        for name in ("floor_y_px", "top_y_px")
    )
    floor_mm = floor - photo.photos[index].floor.z_mm
    per_mm = (top - floor) / float(row["top_mm"])
    tops = {layer: row[f"{layer}_top_mm"] for layer in LAYERS if row[f"{layer}_top_mm"]}
    return {"floor": floor_mm} | {
        layer: floor_mm + per_mm * float(top) for layer, top in tops.items()
    }


def _moved(browser, photo, aims, lines):
    """Move the lines of one photo, from the top down, so that none hides the next."""
    return [
        what
        for what in sorted(lines, key=lambda what: -aims[what])
        if drag_to(browser, photo["glass"], what, aims[what])
    ]


@contextmanager
def page_of(browser, folder):
    """Open the one jar of a folder -> link, the jar's file, and when it was read again."""
    process, link = started(folder)
    try:
        until(lambda: asked(link)["jars"] and not asked(link)["reading"], 400)
        [tile] = asked(link)["jars"]
        path = folder / "readings" / f"jar-{tile['stem']}.json"
        page = partial(asked, link, f"api/jar/{tile['stem']}")
        opened(browser, link, jar=tile["stem"], lines=3 if page()["photos"] else 0)
        yield page, path
        until(lambda: len(read_jar_file(path).put_right) == len(lines_kept(folder)) > 0, 400)
    finally:
        process.terminate()
        process.wait(timeout=300)
        process.stdout.close()


def lines_kept(folder):
    return [row for row in rows(folder) if row["what"] != "outline"]


def put_in_outline(browser, path, row):
    """Move the outline to where the jar stands in its last photo, and wait for its glass."""
    floor = "return document.querySelector(\".line.own[data-what='floor'] .core\")?.outerHTML || ''"
    was = browser.run(floor)
    drag_outline_to(browser, float(row["floor_x_px"]), float(row["floor_y_px"]))

    def is_read():
        record = read_jar_file(path)
        photo = record.as_read or record.measurement
        return photo and "outline" in photo.put_right and photo.photos[-1].name == row["photo"]

    until(is_read, 400)
    until(lambda: browser.run(floor) not in ("", was))


def drag_all(browser, folder, jar, *, outline):
    """Move what is off, as a person would -> number of gestures."""
    truth = truth_of(folder)[jar]
    with page_of(browser, folder) as (page, path):
        if outline:
            put_in_outline(browser, path, truth["48h"])
        record, photos = read_jar_file(path), page()["photos"]
        aims = true_places(folder, truth["48h"], record)
        moved = _moved(browser, photos[-1], aims, (*LAYERS, "floor"))
        for i, photo in enumerate([] if outline else photos[:-1]):
            aims = true_places(folder, truth[photo["reading"]], record)
            browser.run("document.querySelectorAll('#photos button')[arguments[0]].click()", i)
            # each layer counts most in the photo of its own
            moved += _moved(browser, photo, aims, [LAYERS[ORDER.index(photo["reading"])]])
        until(lambda: len(lines_kept(folder)) >= len(set(moved)))
    return len(moved) + outline


def tops_read(folder):
    """Give the tops and shares that `read` wrote down, by hand lines included."""
    [path] = (folder / "readings").glob("jar-*.json")
    record = read_jar_file(path)
    return record.scaled, np.array([top.value for top in record.tops])


@pytest.fixture(scope="module")
def browser():
    with browser_session() as session:
        yield session


def with_truth(source, folder, jar):
    folder.mkdir(exist_ok=True)
    shutil.copy(source / "truth.csv", folder)
    for row in truth_of(source)[jar].values():
        shutil.copy(source / row["photo"], folder)


def true_mm(folder, jar):
    row = truth_of(folder)[jar]["48h"]
    return np.array([float(row[f"{layer}_top_mm"]) for layer in LAYERS])


def assert_shown_as_taken(folder):
    """The places in `truth.csv` are those of the file, which the page must not have turned."""
    for photo in folder.glob("jar-*.jpg"):
        shown, taken = upright_jpeg(photo), cv2.imread(str(photo))
        shown = cv2.imdecode(np.frombuffer(shown, np.uint8), cv2.IMREAD_COLOR)
        small = [cv2.resize(one, (60, 80)).ravel().astype(float) for one in (shown, taken)]
        assert np.corrcoef(small)[0, 1] > 0.98


def check(browser, folder, jar, *, outline=False):
    assert drag_all(browser, folder, jar, outline=outline) <= MOST_GESTURES
    assert_shown_as_taken(folder)
    scaled, tops = tops_read(folder)
    true = true_mm(folder, jar)
    if not scaled:  # where the lines lie on the glass
        tops = tops * true[-1] / tops[-1]
    assert np.abs(tops - true).max() < OFF_MM


@pytest.mark.parametrize("jar", ["54", "29"])
@pytest.mark.skipif(not HARD.is_dir(), reason="the hard photos are not here")
def test_hard_jars_that_are_read_wrong_are_put_right(browser, tmp_path, jar):
    with_truth(HARD, tmp_path, jar)
    check(browser, tmp_path, jar)


@pytest.mark.parametrize("jar", ["33", "50"])
@pytest.mark.skipif(not HARD.is_dir(), reason="the hard photos are not here")
def test_jars_that_are_burnt_out_are_put_in_by_their_outline(browser, tmp_path, jar):
    with_truth(HARD, tmp_path, jar)
    check(browser, tmp_path, jar, outline=True)


@pytest.mark.skipif(not HARD.is_dir(), reason="the hard photos are not here")
def test_a_jar_whose_ruler_misleads_takes_heights_measured_on_the_glass(browser, tmp_path):
    with_truth(HARD, tmp_path, "57")  # no line can mend its millimetres: they are 5 % off
    with page_of(browser, tmp_path):
        for layer, mm in zip(LAYERS, true_mm(tmp_path, "57"), strict=True):
            type_height(browser, layer, mm)
        until(lambda: len(rows(tmp_path)) == len(LAYERS))
    assert np.abs(tops_read(tmp_path)[1] - true_mm(tmp_path, "57")).max() < OFF_MM


def test_a_jar_that_was_not_read_is_put_in_by_hand(browser, tmp_path):
    with_truth(SAMPLES, tmp_path, "21")
    row = truth_of(tmp_path)["21"]["48h"]
    path = str(tmp_path / row["photo"])
    picture = cv2.imread(path)
    x, low, high = (int(row[name]) for name in ("floor_x_px", "floor_y_px", "top_y_px"))
    picture[high - 110 : low - 30, x - 20 : x + 225] = 255  # the sun on the layers
    cv2.imwrite(path, picture)
    check(browser, tmp_path, "21")


def test_lines_that_were_put_wrong_are_put_right(browser, tmp_path):
    with_truth(SAMPLES, tmp_path, "21")
    (tmp_path / "readings").mkdir()
    wrong = "jar,photo,what,value\n21,jar-21-48h.jpg,clay,70\n21,jar-21-48h.jpg,floor,4\n"
    (tmp_path / "readings" / "corrections.csv").write_text(wrong)
    check(browser, tmp_path, "21")
