"""An outline and parts left out: their rows in the table, whose they are, and what a read does."""

from dataclasses import replace
from pathlib import Path

import pytest

from jarvision.jar.hand_outline import DrawnOnPhoto
from jarvision.results.corrections_file import (
    SeenJar,
    fit_areas,
    read_corrections,
    replaced,
    write_corrections,
)
from jarvision.results.hand_areas import AreaKind, HandArea, drawn_of, is_same
from jarvision.run.engine import read_photos
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"
OUTLINE = "30 20 70 20 68 80 32 80 50 84"
POINTS = ((30.0, 20.0), (70.0, 20.0), (68.0, 80.0), (32.0, 80.0), (50.0, 84.0))
BOX = ((10.0, 20.5), (30.0, 40.25))


def area(**given):
    kept = {"jar": "5", "photo": "a.jpg", "what": AreaKind.LEFT_OUT, "points_pct": BOX}
    return HandArea(**(kept | given))


def test_rows_typed_by_hand_are_understood(tmp_path):
    path = tmp_path / "corrections.csv"
    path.write_text(
        "jar;photo;what;value;sd\n"
        f"5;a.jpg;Outline;{OUTLINE.replace('84', '84,5')};2\n"
        "5;a.jpg;left_out;10 20.5 30 40.25;\n"
        "5;;sand;12;\n"
    )
    found = read_corrections(path)
    assert found.notes == ()
    outline, box = found.areas
    assert (outline.points_pct[:4], outline.points_pct[4]) == (POINTS[:4], (50.0, 84.5))
    assert (outline.sd_mm, box.points_pct) == (2.0, BOX)
    assert [str(line.what) for line in found.lines] == ["sand"]
    assert drawn_of([outline, box]) == DrawnOnPhoto(outline.points_pct, 2.0, (BOX,))


@pytest.mark.parametrize(
    ("what", "value", "sd"),
    [
        ("outline", "", ""),
        ("outline", "30 20 70 20", ""),
        ("outline", OUTLINE, "0"),
        ("outline", OUTLINE, "wide"),
        ("outline", "70 20 30 20 32 80 68 80 50 84", ""),
        ("left out", "10 20 30", ""),
        ("left out", "10 20 30 140", ""),
        ("left out", "nan nan 1 1", ""),
    ],
)
def test_rows_that_make_no_sense_are_named_and_stay(tmp_path, what, value, sd):
    path = tmp_path / "corrections.csv"
    path.write_text(f"jar,photo,what,value,sd\n5,a.jpg,{what},{value},{sd}\n5,a.jpg,sand,9,\n")
    found = read_corrections(path)
    assert found.areas == ()
    assert found.notes[0].startswith("Line 2 of corrections.csv was not used")
    write_corrections(path, replaced(found, [], [area()]))
    assert what in path.read_text()


def test_what_is_written_is_read_back(tmp_path):
    path = tmp_path / "corrections.csv"
    rows = [
        area(jar="=cmd()", note="a\nb", photo_sha256="d1"),
        area(what=AreaKind.OUTLINE, points_pct=POINTS, sd_mm=1.5, by="A"),
    ]
    write_corrections(path, replaced(read_corrections(path), [], rows))
    back = read_corrections(path)
    assert back.notes == ()
    assert all(is_same(a, b) for a, b in zip(rows, back.areas, strict=True))
    assert (back.areas[1].sd_mm, back.areas[1].by) == (1.5, "A")
    assert not path.read_text().splitlines()[1].startswith("=")
    write_corrections(path, replaced(back, [back.areas[0]], []))
    [left] = read_corrections(path).areas
    assert left.what is AreaKind.OUTLINE


SEEN = [
    SeenJar("5", (("a.jpg", "d1", None), ("b.jpg", "d2", None))),
    SeenJar("6", (("z.jpg", "d9", None), ("both.jpg", "d7", None))),
    SeenJar("7", (("both.jpg", "d7", None),)),
]


@pytest.mark.parametrize(
    ("given", "jar", "digest"),
    [
        ({}, "5", "d1"),
        ({"photo": "renamed.jpg", "photo_sha256": "d2"}, "5", "d2"),
        ({"jar": "old name", "photo_sha256": "d9"}, "6", "d9"),
        ({"jar": "7", "photo_sha256": "d7"}, "7", "d7"),
    ],
)
def test_an_area_follows_the_photos_contents_and_not_its_name(given, jar, digest):
    by_jar, unfit = fit_areas([area(**given)], SEEN)
    assert unfit == ()
    assert [one.photo_sha256 for one in by_jar[jar]] == [digest]


@pytest.mark.parametrize(
    "given",
    [
        {"photo_sha256": "changed"},
        {"photo": "no-such.jpg"},
        {"jar": "99"},
        {"jar": "old name", "photo_sha256": "d7"},  # two jars in that photo
    ],
)
def test_an_area_that_fits_nothing_is_named(given):
    by_jar, unfit = fit_areas([area(line=3, **given)], SEEN)
    assert by_jar == {}
    assert "line 3" in unfit[0]


@pytest.mark.slow
@pytest.mark.photo
def test_a_read_follows_what_was_drawn_says_so_and_goes_back(tmp_path):
    photos = sorted(SAMPLES.glob("jar-21-*.jpg"))
    [first] = read_photos(photos, Settings(), out=tmp_path).outcomes
    view = first.record.views[-1]
    high, wide = view.size_px
    first_rad, last_rad = max(view.pieces_rad, key=lambda ends: ends[1] - ends[0])
    middle_rad = (first_rad + last_rad) / 2
    [low], [top] = (view.view.wall_px([middle_rad], [z]) for z in (-2.0, 100.0))
    box = ((100 * low[0] / wide, 100 * top[1] / high), (100.0, 100 * low[1] / high))
    path = tmp_path / "corrections.csv"
    digest = next(p.sha256 for p in first.record.made_from.photos if "48h" in p.name)
    row = area(jar="21", photo="other.jpg", points_pct=box, photo_sha256=digest)
    write_corrections(path, replaced(read_corrections(path), [], [row]))
    batch = read_photos(photos, Settings(), out=tmp_path)
    [again] = batch.outcomes
    write_table(batch, tmp_path)
    assert not again.is_earlier
    assert (
        (tmp_path / "readings.csv")
        .read_text()
        .splitlines()[1]
        .rstrip(",")
        .endswith("part left out")
    )
    assert any("left out" in doubt.sentence for doubt in again.record.doubts)
    # columns beyond the middle are gone, and the layers are where they were
    assert max(last for _, last in again.record.views[-1].pieces_rad) < middle_rad + 0.05
    for was, now in zip(first.record.tops, again.record.tops, strict=True):
        assert now.value == pytest.approx(was.value, abs=max(2 * was.sd, 1.0))
    [kept] = read_photos(photos, Settings(), out=tmp_path).outcomes
    assert kept.is_earlier
    path.unlink()
    [back] = read_photos(photos, Settings(), out=tmp_path).outcomes
    assert repr(replace(back.record.row, doubts=())) == repr(replace(first.record.row, doubts=()))
