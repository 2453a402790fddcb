"""Lines put right by hand: the table they stand in, whose they are, and what they change."""

import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from jarvision.core.doubts import DoubtName
from jarvision.core.errors import ValueRefusedError
from jarvision.core.series import Reading
from jarvision.core.tables import TableError
from jarvision.estimate.corrections import Correction, JarLine, put_right
from jarvision.estimate.reading import work_out
from jarvision.results.corrections_file import (
    HEAD,
    SeenJar,
    fit,
    in_short,
    read_corrections,
    replaced,
    write_corrections,
)
from jarvision.results.jar_folder import read_jar_file
from jarvision.results.record import PutRight
from jarvision.run.engine import read_photos
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"
ONE, TWO, LAST = Reading.ONE_MINUTE, Reading.TWO_HOURS, Reading.TWO_DAYS


@pytest.fixture
def table(tmp_path):
    def written(text):
        path = tmp_path / "corrections.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return written


def test_a_table_typed_by_hand_is_understood(table):
    found = read_corrections(table("Jar;What;Value;SD;why\n5;Sand;24,5;;slipped\n5;water;80;2;\n"))
    assert [(one.what, one.value_mm, one.sd_mm) for one in found.lines] == [
        (JarLine.SAND, 24.5, 0.5),
        (JarLine.WATER, 80.0, 2.0),
    ]
    assert found.notes == ()


def test_rows_that_make_no_sense_are_named_and_the_others_count(table):
    found = read_corrections(
        table(
            "jar,what,value,sd\n1,sand,abc,\n1,gravel,5,\n1,silt,9,-1\n1,clay,50,1e99\n2,clay,7,\n"
        )
    )
    assert [one.jar for one in found.lines] == ["2"]
    assert [note.split(" was ")[0] for note in found.notes] == [
        f"Line {n} of corrections.csv" for n in (2, 3, 4, 5)
    ]


@pytest.mark.parametrize("text", [b"\x00\x01\x02jar,what", "jar,photo,value\n1,2,3\n"])
def test_what_is_no_such_table_is_refused_in_a_sentence(table, text):
    with pytest.raises(TableError):
        read_corrections(table(text))


def row(**given):
    return PutRight(**({"jar": "5", "photo": "a.jpg", "what": JarLine.SAND, "value_mm": 20.0,
                        "sd_mm": 0.5} | given))  # fmt: skip


SEEN = [
    SeenJar("5", (("a.jpg", "d1", ONE), ("b.jpg", "d2", LAST), ("c.jpg", "d3", None))),
    SeenJar("6", (("z.jpg", "d9", LAST), ("both.jpg", "d7", ONE))),
    SeenJar("7", (("both.jpg", "d7", ONE),)),
]


@pytest.mark.parametrize(
    ("given", "jar", "reading"),
    [
        ({}, "5", ONE),
        ({"jar": "Jar 05", "photo": ""}, "5", None),
        ({"photo": "renamed.jpg", "photo_sha256": "d2"}, "5", LAST),
        ({"jar": "old name", "photo_sha256": "d9"}, "6", LAST),
        ({"jar": "7", "photo_sha256": "d7"}, "7", ONE),
    ],
)
def test_a_row_follows_the_photos_contents_and_not_its_name(given, jar, reading):
    by_jar, unfit = fit([row(**given)], SEEN)
    assert unfit == ()
    [line] = by_jar[jar]
    assert line.reading == reading


@pytest.mark.parametrize(
    "given",
    [
        {"photo_sha256": "changed"},
        {"photo": "no-such.jpg"},
        {"jar": "99", "photo": ""},
        {"jar": "old name", "photo_sha256": "d7"},  # two jars in that photo
        {"photo": "c.jpg"},  # it stands for no reading
    ],
)
def test_a_row_that_fits_nothing_is_named(given):
    by_jar, unfit = fit([row(line=3, **given)], SEEN)
    assert by_jar == {}
    assert "line 3" in unfit[0]


def test_what_is_not_understood_and_the_users_own_columns_stay(table):
    path = table("jar,what,value,weather\n5,sand,20,rain\n5,nonsense,1,sun\n6,clay,50,fog\n")
    found = read_corrections(path)
    new = row(jar="=cmd()", by="+1", note="a\nb", photo="x,y.jpg", photo_sha256="d4")
    write_corrections(path, replaced(found, [found.lines[0]], [new]))
    text = path.read_text()
    assert text.startswith("jar,what,value,weather," + ",".join(HEAD[1:2]))
    assert "5,sand,20" not in text
    again = read_corrections(path)
    assert {one["weather"] for _, one in again.cells} == {"", "sun", "fog"}
    [made] = [one for one in again.lines if one.photo_sha256 == "d4"]
    assert (made.jar, made.by, made.photo) == (
        "'=cmd()",
        "'+1" if made.by[0] == "'" else "+1",
        "x,y.jpg",
    )


@pytest.fixture(scope="module")
def out(samples_read, tmp_path_factory):
    """One sample jar, read."""
    path = tmp_path_factory.mktemp("out")
    for made in [samples_read.out / "jar-21.json", *samples_read.out.glob("overlay-21-*")]:
        shutil.copy(made, path)
    return path


@pytest.fixture(scope="module")
def jar(out):
    return read_jar_file(out / "jar-21.json")


def tops(record, *lines):
    made = work_out(record.jar, put_right(record.measurement, lines), record.given)
    return made, [top.value for top in made.tops]


@pytest.mark.photo
def test_a_top_is_where_it_was_put_and_other_photos_follow(jar):
    made, [sand, silt, clay] = tops(jar, Correction(JarLine.SAND, 24.0, 0.5, ONE))
    was = [top.value for top in jar.tops]
    assert sand == pytest.approx(24.0, abs=0.05)
    assert [silt, clay] == pytest.approx(was[1:], abs=0.01)
    # one look by one person is no better known than they say
    assert made.tops[0].sd >= 0.45
    assert DoubtName.PUT_RIGHT in {doubt.name for doubt in made.doubts}
    assert made.measurement.put_right == ("sand",)


@pytest.mark.photo
def test_a_higher_floor_lowers_all_and_later_heights_count_from_it(jar):
    was = [top.value for top in jar.tops]
    _, lowered = tops(jar, Correction(JarLine.FLOOR, 2.0, 0.5))
    assert lowered == pytest.approx([top - 2.0 for top in was], abs=0.05)
    lines = [Correction(JarLine.CLAY, 50.0, 0.5, LAST), Correction(JarLine.FLOOR, 2.0, 0.5)]
    _, [_, _, clay] = tops(jar, *lines)
    assert clay == pytest.approx(50.0, abs=0.05)


@pytest.mark.photo
@pytest.mark.parametrize("height_mm", [60.0, -3.0, math.nan])
def test_layers_one_under_the_other_and_no_numbers_are_refused(jar, height_mm):
    with pytest.raises(ValueRefusedError):
        put_right(jar.measurement, [Correction(JarLine.SAND, height_mm, 0.5, ONE)])


@pytest.mark.slow
@pytest.mark.photo
def test_the_next_read_finds_it_and_says_so_everywhere(out, jar):
    digest = next(p.sha256 for p in jar.made_from.photos if p.name == jar.photos[0].name)
    line = row(jar="21", photo="other-name.jpg", value_mm=24.0, photo_sha256=digest)
    path = out / "corrections.csv"
    write_corrections(path, replaced(read_corrections(path), [], [line]))
    photos = sorted(SAMPLES.glob("jar-21-*.jpg"))
    batch = read_photos(photos, Settings(), out=out)
    write_table(batch, out)
    record = read_jar_file(out / "jar-21.json")
    assert record.tops[0].value == pytest.approx(24.0, abs=0.05)
    assert record.as_read == jar.measurement or repr(record.as_read) == repr(jar.measurement)
    assert [one.read_mm for one in record.put_right] == pytest.approx(
        [jar.measurement.photos[0].boundaries[0].top_mm]
    )
    assert (out / "readings.csv").read_text().splitlines()[1].rstrip(",").endswith(",sand")
    [again] = read_photos(photos, Settings(), out=out).outcomes
    assert again.is_earlier
    path.unlink()
    [back] = read_photos(photos, Settings(), out=out).outcomes
    assert not back.is_earlier
    assert repr(replace(back.record.row, doubts=())) == repr(replace(jar.row, doubts=()))


def test_the_report_says_how_often_and_how_far_lines_were_put_right(jar):
    lines = (
        row(value_mm=20.0, read_mm=21.0),
        row(what=JarLine.CLAY, value_mm=56.5, read_mm=50.0),
        row(what=JarLine.FLOOR, value_mm=-1.5, read_mm=0.0),
    )
    new = row(what=JarLine.SILT, value_mm=30.0)  # nothing had been read
    assert in_short([jar]) == ""
    told = in_short([replace(jar, put_right=lines), jar, replace(jar, put_right=(new,))])
    assert told == (
        "Put right by hand: 4 lines of 2 jars, moved by 1.5 mm in the middle case, "
        "6.5 mm at most, 1 had not been found."
    )
    bare = in_short([replace(jar, put_right=lines[:1], scaled=False)])
    assert bare == "Put right by hand: 1 line of 1 jar."  # no millimetres without a scale
