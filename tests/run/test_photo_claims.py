"""What people say of photos: which jar they show, when they were taken, that they show none.

The expected jars and times are those that the person in each case typed, on paper.
"""

import math
import shutil
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath

import pytest

from jarvision.core.doubts import DoubtName
from jarvision.core.series import PhotoFact, Reading, SaidOfPhoto, Sighting, TimeSource
from jarvision.results.corrections_file import (
    HEAD,
    in_short,
    read_corrections,
    replaced,
    write_corrections,
)
from jarvision.results.jar_folder import read_jar_file
from jarvision.run.assign import group
from jarvision.run.engine import plan_photos, read_photos
from jarvision.run.jars_table import parse_manifest
from jarvision.run.outputs import write_table
from jarvision.run.photo_claims import told
from jarvision.run.plan import used_photos
from jarvision.run.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"
START = datetime(2026, 5, 4, 10, 0)
JAR, TAKEN, NO_JAR = PhotoFact.JAR, PhotoFact.TAKEN, PhotoFact.NO_JAR


def seen(path, hours=None, *, number=None, digest=""):
    place = PurePosixPath(path)
    at = None if hours is None else START + timedelta(hours=hours)
    return Sighting(path, place.name, str(place.parent), number, at, digest or path)


def said(photo, what, value="", **given):
    return SaidOfPhoto(given.pop("jar", ""), photo, what, value, **given)


def jars_of(sightings, *rows):
    known = told(sightings, rows)
    assert known.unfit == ()
    return {jar.jar: jar for jar in group(known.sightings).jars}


SEVEN = [seen(f"d/IMG_{i}.jpg", h, number=7) for i, h in enumerate((0.02, 2, 48))]
EIGHT = [seen(f"d/IMG_{i + 5}.jpg", h, number=8) for i, h in enumerate((0.02, 2))]
STRAY = seen("d/IMG_9.jpg", 48.1)


@pytest.mark.parametrize(
    ("value", "name"), [("8", "8"), ("Jar 08", "8"), ("bed north", "bed north"), ("31", "31")]
)
def test_a_photo_goes_to_the_jar_that_it_is_said_to_show(value, name):
    jars = jars_of([*SEVEN, *EIGHT, STRAY], said("IMG_9.jpg", JAR, value))
    assert STRAY.key in {photo.key for photo in jars[name].timed}
    assert len(jars["7"].timed) == 3
    assert set(jars) == {"7", "8", name}


def test_a_misread_strip_gives_way():
    jars = jars_of([*SEVEN, *EIGHT], said("IMG_2.jpg", JAR, "8", jar="7"))
    assert [len(jars[jar].timed) for jar in ("7", "8")] == [2, 3]
    assert jars["8"].chosen[Reading.TWO_DAYS].name == "IMG_2.jpg"


def test_a_row_follows_the_contents_and_the_last_row_counts():
    rows = (
        said("old name.jpg", JAR, "8", photo_sha256="d9"),
        said("IMG_9.jpg", JAR, "7", photo_sha256="d9"),
    )
    stray = seen("d/renamed.jpg", 50, digest="d9\0strip 7")
    assert len(jars_of([*SEVEN, *EIGHT, stray], *rows)["7"].timed) == 4


def test_a_time_said_holds_over_clock_and_name_without_a_doubt():
    photos = [seen("d/jar 7 2h.jpg", 5, number=7), seen("d/jar 7 48h.jpg", 48, number=7)]
    jar = jars_of(photos, said("jar 7 2h.jpg", TAKEN, "1 min"))["7"]
    assert jar.chosen[Reading.ONE_MINUTE].elapsed_s == 60
    assert jar.chosen[Reading.ONE_MINUTE].source is TimeSource.BY_HAND
    assert DoubtName.TIMES_DISAGREE not in {doubt.name for doubt in jar.doubts}


def test_the_time_of_one_photo_tells_those_of_the_others_by_their_clocks():
    photos = [seen("d/IMG_1.jpg", 3.0, number=7), seen("d/IMG_2.jpg", 51.0, number=7)]
    jar = jars_of(photos, said("IMG_1.jpg", TAKEN, "2 h"))["7"]
    assert [photo.elapsed_s for photo in jar.timed] == [7_200, pytest.approx(50 * 3600, rel=0.2)]


def test_a_day_and_a_time_stand_in_the_place_of_the_cameras_clock():
    photos = [seen("d/jar 7 1min.jpg", 0.0, number=7), seen("d/jar 7 x.jpg", 400, number=7)]
    jar = jars_of(photos, said("jar 7 x.jpg", TAKEN, "2026-05-06 10:00"))["7"]
    assert jar.chosen[Reading.TWO_DAYS].elapsed_s == pytest.approx(48 * 3600, abs=120)


def test_of_a_row_of_jars_only_the_one_that_is_named_moves():
    row = [seen("d/row.jpg", 48, number=n, digest=f"d\0strip {n}") for n in (7, 8)]
    row = [Sighting(f"{s.key}\0strip {s.jar_number}", *(getattr(s, f) for f in
           ("name", "folder", "jar_number", "taken_at", "digest"))) for s in row]  # fmt: skip
    jars = jars_of(row, said("row.jpg", JAR, "9", jar="8", photo_sha256="d"))
    assert set(jars) == {"7", "9"}
    known = told(row, [said("row.jpg", JAR, "9", jar="5", photo_sha256="d")])
    assert "No photo fits" in known.unfit[0]


def test_a_photo_of_no_jar_is_left_out_and_named():
    known = told([*SEVEN, STRAY], [said("IMG_9.jpg", NO_JAR, by="Ada")])
    assert known.sightings == tuple(SEVEN)
    assert known.left_out == (("IMG_9.jpg", "Left out by hand by Ada: it shows no jar."),)


@pytest.mark.parametrize(
    "row",
    [
        said("no-such.jpg", NO_JAR, line=3),
        said("IMG_9.jpg", NO_JAR, photo_sha256="changed", line=3),
        said("same.jpg", JAR, "7", line=3),  # two photos have this name
    ],
)
def test_a_row_that_fits_no_photo_is_named_and_changes_nothing(row):
    photos = [*SEVEN, STRAY, seen("a/same.jpg"), seen("b/same.jpg")]
    known = told(photos, [row])
    assert known.sightings == tuple(photos)
    assert "line 3 of corrections.csv" in known.unfit[0]
    told_by_folder = told(photos, [said("a/same.jpg", NO_JAR)])
    assert len(told_by_folder.left_out) == 1


def test_a_table_typed_by_hand_is_understood_and_nonsense_is_named(tmp_path):
    path = tmp_path / "corrections.csv"
    path.write_text(
        "jar;photo;what;value\n5;a.jpg;Jar;7\n5;b.jpg;taken;1,5 min\n5;c.jpg;no_jar;\n"
        "5;d.jpg;taken;4 May 2026 9am\n5;e.jpg;taken;soon\n5;f.jpg;taken;48\n5;g.jpg;jar;\n"
        "5;;no jar;\n5;h.jpg;taken;0 h\n5;i.jpg;taken;9000 days\n5;j.jpg;cat;\n5;k.jpg;sand;20\n"
    )
    table = read_corrections(path)
    assert [(row.photo, row.what, row.value) for row in table.said] == [
        ("a.jpg", JAR, "7"),
        ("b.jpg", TAKEN, "1,5 min"),
        ("c.jpg", NO_JAR, ""),
        ("d.jpg", TAKEN, "4 May 2026 9am"),
    ]
    assert [row.photo for row in table.lines] == ["k.jpg"]
    assert [note.split(" of ")[0] for note in table.notes] == [f"Line {n}" for n in range(6, 13)]


def test_rows_of_two_people_stand_side_by_side_and_come_back_as_they_were(tmp_path):
    path = tmp_path / "corrections.csv"
    ada = said("a,b.jpg", JAR, "=7", by="Ada", at="2026-05-04", read="5", photo_sha256="d1")
    zoe = said("c.jpg", TAKEN, "2 h", by="Zoe", note="two\nlines", photo_sha256="d2")
    for row in (ada, zoe):
        write_corrections(path, replaced(read_corrections(path), [], [row]))
    first, second = read_corrections(path).said
    assert (first.by, first.value, first.read, first.photo) == ("Ada", "'=7", "5", "a,b.jpg")
    assert (second.by, second.value, second.photo_sha256) == ("Zoe", "2 h", "d2")
    table = read_corrections(path)
    write_corrections(path, replaced(table, [first], []))
    assert [row.by for row in read_corrections(path).said] == ["Zoe"]
    assert path.read_text().splitlines()[0] == ",".join(HEAD)


def test_a_list_of_jars_holds_for_a_photo_that_is_given_to_one_of_its_jars(tmp_path):
    for name in ("1min", "48h"):
        shutil.copy(SAMPLES / f"jar-21-{name}.jpg", tmp_path / f"jar-21-{name}.jpg")
    shutil.move(tmp_path / "jar-21-48h.jpg", tmp_path / "jar-5-48h.jpg")
    out = tmp_path / "readings"
    out.mkdir()
    rows = "jar,photo,what,value\n21,jar-5-48h.jpg,jar,plot\n21,jar-21-1min.jpg,jar,plot\n"
    (out / "corrections.csv").write_text(rows)
    settings = Settings(manifest=parse_manifest("jar,name\nplot,Ada\n21,Zoe\n"))
    plan = plan_photos([tmp_path], settings, out=out)
    assert [(jar.jar, len(jar.timed)) for jar in plan.jars] == [("plot", 2)]
    assert plan.rows["plot"].name == "Ada"


@pytest.mark.slow
@pytest.mark.photo
def test_what_was_said_is_read_shown_everywhere_and_taken_back(tmp_path):
    """A photo of jar 21 under a name that misleads: the time is put right, a stray one left out."""
    out = tmp_path / "readings"
    shutil.copy(SAMPLES / "jar-21-48h.jpg", tmp_path / "jar 21 1min.jpg")
    shutil.copy(SAMPLES / "jar-08-1min.jpg", tmp_path / "stray.jpg")

    def read():
        batch = read_photos([tmp_path], Settings(), out=out)
        write_table(batch, out)
        return batch

    assert {outcome.jar for outcome in read().outcomes} == {"21", "stray"}
    digest = read_jar_file(out / "jar-21.json").made_from.photos[0].sha256
    path = out / "corrections.csv"
    rows = [
        said("other name.jpg", TAKEN, "48 h", by="Ada", jar="21", photo_sha256=digest),
        said("stray.jpg", NO_JAR),
    ]
    write_corrections(path, replaced(read_corrections(path), [], rows))
    batch = read()
    [outcome] = batch.outcomes
    assert batch.left_out[0][0] == "stray.jpg"
    assert batch.all_read
    record = read_jar_file(out / "jar-21.json")
    assert record.by_hand == ["taken"]
    assert [row.value for row in record.said] == ["48 h"]
    assert record.photos[-1].elapsed_s == 48 * 3600
    assert "put_right" in {doubt.name for doubt in record.doubts}
    assert (out / "readings.csv").read_text().splitlines()[1].rstrip(",").endswith(",taken")
    assert in_short([record]) == "Put right by hand: 1 photo given a jar or a time by hand."
    assert outcome.record.best is not None
    [again] = read().outcomes
    assert again.is_earlier
    path.unlink()
    assert {outcome.jar for outcome in read().outcomes} == {"21", "stray"}
    assert read_jar_file(out / "jar-21.json").by_hand == []


def test_photos_that_nobody_spoke_of_are_as_before():
    known = told([*SEVEN, *EIGHT], [])
    assert known.sightings == (*SEVEN, *EIGHT)
    assert all(math.isfinite(t.elapsed_s) for jar in group(SEVEN).jars for t in used_photos(jar))
