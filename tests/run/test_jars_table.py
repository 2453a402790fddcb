"""The list of a class's jars is read as people keep it, and gives photos to jars by their names."""

import contextlib
import dataclasses
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.errors import UsageError
from jarvision.core.tables import TableError
from jarvision.estimate.known import JarFacts, WaterState
from jarvision.estimate.priors import Detergent
from jarvision.run.jars_table import (
    Manifest,
    ManifestRow,
    match_photos,
    parse_manifest,
    read_manifest,
    read_manifests,
)

WHOLE = """\
jar,name,bed,shaken_at,photos,water_temp_c,soil_mm,detergent,water_state
5,Group 3,North,2026-05-04 09:00,IMG_1201 to IMG_1203,20.5,60,washing soda,clear
"""
ROW = ManifestRow(
    jar="5",
    name="Group 3",
    bed="North",
    shaken_at=datetime(2026, 5, 4, 9),
    patterns=("IMG_1201", "IMG_1202", "IMG_1203"),
    water_temp_c=20.5,
    soil_mm=60.0,
    detergent=Detergent.WASHING_SODA,
    water_state=WaterState.CLEAR,
    line=2,
)


def refused(text):
    with pytest.raises(UsageError) as caught:
        parse_manifest(text)
    said = str(caught.value)
    assert said.endswith(".")
    assert "\n" not in said
    return said


@pytest.mark.parametrize(
    "text",
    [
        WHOLE,
        "\ufeff" + WHOLE,
        WHOLE.replace(",", ";"),
        WHOLE.replace(",", "\t").replace("\n", "\r\n"),
        "sep=;\n" + WHOLE.replace(",", ";"),
        WHOLE.replace("20.5", '"20,5"'),
        WHOLE.replace("soil_mm", "Soil (cm)").replace(",60,", ",6,"),
        WHOLE.replace(",60,", ",6 cm,"),
        WHOLE.replace("2026-05-04 09:00", "4.5.2026 9:00"),
        WHOLE.replace("washing soda", "Dishwasher powder").replace("clear", "Clear"),
        WHOLE + "\n,,,,,,,,\n",
    ],
    ids=range(11),
)
def test_the_same_row_however_it_was_saved(text):
    [row] = parse_manifest(text).rows
    assert dataclasses.replace(row, line=2) == ROW


def test_fahrenheit_is_turned_into_celsius():
    [row] = parse_manifest("jar,temp (°F)\n5,68\n").rows
    assert row.water_temp_c == pytest.approx(20)  # 68 °F is 20 °C by definition


def test_only_the_jar_is_needed_and_what_is_not_said_stays_as_it_was():
    [row] = parse_manifest("jar,colour\n5,red\n").rows
    base = JarFacts(temp_c=18.0, soil_mm=50.0)
    assert row.facts(base) == base
    assert ROW.facts(base) == JarFacts(
        temp_c=20.5, soil_mm=60.0, detergent=Detergent.WASHING_SODA, water_state=WaterState.CLEAR
    )
    assert parse_manifest("jar,colour\n5,red\n").ignored == ("colour",)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("name,bed\na,b\n", "names no column 'jar'"),
        ("jar,bed,plot\n5,a,b\n", "column 'bed' twice"),
        ("jar,bed\n5,a\n,b\n", "Line 3 of jars.csv does not say which jar"),
        ("jar\n5\nJar 05\n", "lines 2 and 3"),
        ("jar,shaken_at\n5,5/4/2026 9:00\n", "Line 2 of jars.csv: '5/4/2026 9:00'"),
        ("jar,shaken_at\n5,2026-05-04\n", "not a day and a time"),
        ("jar,water_temp_c\n5,68\n", "Do you mean 68 °F"),
        ("jar,water_temp_c\n5,0\n", "between 1 and 40"),
        ("jar,soil_mm\n5,400\n", "not a length in a jar"),
        ("jar,water_temp_c\n5,warm\n", "not a temperature"),
        ("jar,soil_mm\n5,-3\n", "not a length"),
        ("jar,soil_g\n5,nan\n", "not a number"),
        ("jar,soap\n5,a bit\n", "does not say which"),
        ("jar,water_state\n5,brown\n", "clear, hazy or cloudy"),
        ("jar,photos\n5,IMG_9 to IMG_3\n", "not a range"),
        ("jar,photos\n5,IMG_1 to IMG_999999999\n", "not a range"),
        ("jar,shaken_at\n5,2026-05-04" + " T" * 50 + "\n", "too long for shaken at"),
        ("jar,soil_g\n5," + "9" * 400 + "\n", "too long for soil g"),
        ("jar,photos\n5," + "1 to 1999;" * 30 + "\n", "names too many photos"),
        (
            "jar,photos\n" + "".join(f"{i},{i}000 to {i}999\n" for i in range(10, 90)),
            "more photos than a class has",
        ),
        (
            "jar,photos\n" + "".join(f"{i},{'*a;' * 100}\n" for i in range(25)),
            "more photos than a class has",
        ),
        ('jar,bed\n5,"North\n', "quotation mark"),
        ("jar\0\n5", "not a table of text"),
    ],
)
def test_what_cannot_be_understood_is_one_sentence(text, words):
    assert words in refused(text)


@given(st.text())
def test_any_text_is_read_or_refused(text):
    with contextlib.suppress(TableError):
        parse_manifest(text)


def test_files(tmp_path):
    assert read_manifests([tmp_path]).rows == ()
    path = tmp_path / "jars.csv"
    path.write_bytes(WHOLE.encode("utf-16"))
    assert read_manifest(path).rows == (ROW,)
    path.write_bytes(WHOLE.replace("North", "Fliederhügel").encode("cp1252"))
    assert read_manifest(path).rows[0].bed == "Fliederhügel"
    with pytest.raises(TableError, match="cannot be opened"):
        read_manifest(tmp_path)
    path.write_bytes(b"jar\n" * 1_000_000)
    with pytest.raises(TableError, match="too large"):
        read_manifest(path)


def test_a_row_is_found_by_the_jars_name():
    manifest = parse_manifest("jar\n5\nbed north\n")
    assert manifest.row_of("Jar 05").jar == "5"
    assert manifest.row_of("Bed_North").jar == "bed north"
    assert manifest.row_of("6") is None


# ------------------------------------------------------------------------------------ photos


def jar_of(photo, **patterns):
    rows = [ManifestRow(k, patterns=(p,), line=i) for i, (k, p) in enumerate(patterns.items(), 2)]
    found = match_photos(Manifest(tuple(rows)), [photo]).row_by_photo
    return found[photo].jar if found else None


@pytest.mark.parametrize(
    ("photo", "pattern"),
    [
        ("a/IMG_1201.HEIC", "IMG_1201.HEIC"),
        ("a/IMG_1201.HEIC", "img_1201"),
        ("a/IMG_1201.HEIC", "IMG_12*"),
        ("a/IMG_1201.HEIC", "IMG_120?.heic"),
        ("a/IMG_1201.HEIC", "a/*"),
        ("a/IMG_1201.HEIC", "a"),
        ("a/IMG_1201.HEIC", "a/"),
        ("x/group 3/b/1.jpg", "group 3"),
        ("x/group 3/b/1.jpg", "x\\group 3"),
        ("photo[1].jpg", "photo[1].jpg"),
        ("photo[1].jpg", "photo[?].*"),
    ],
)
def test_a_pattern_that_fits(photo, pattern):
    assert jar_of(photo, j=pattern) == "j"


@pytest.mark.parametrize("pattern", ["MG_1201", "IMG_120", "b", "IMG_12", "IMG_????.jpg", "*.png"])
def test_a_pattern_that_does_not(pattern):
    assert jar_of("a/IMG_1201.HEIC", j=pattern) is None


def test_the_very_name_goes_before_a_pattern_and_two_patterns_are_unclear():
    assert jar_of("IMG_7.jpg", wide="IMG*", own="IMG_7") == "own"
    rows = (ManifestRow("a", patterns=("I*",), line=2), ManifestRow("b", patterns=("*7",), line=3))
    matched = match_photos(Manifest(rows), ["IMG_7.jpg", "other.jpg"])
    assert matched.row_by_photo == {}
    [(photo, why)] = matched.unclear
    assert photo == "IMG_7.jpg"
    assert "jar a on line 2" in why
    assert "jar b on line 3" in why


def test_patterns_that_fit_nothing_are_told():
    rows = (ManifestRow("a", patterns=("IMG_1", "IMG_2"), line=2),)
    assert match_photos(Manifest(rows), ["IMG_1.jpg"]).unused == ((2, "IMG_2"),)


def test_patterns_cannot_hang_the_matching():
    rows = (ManifestRow("a", patterns=("*a" * 100 + "b",)),)
    assert match_photos(Manifest(rows), ["a" * 250 + ".jpg"] * 50).row_by_photo == {}


def test_a_long_cell_is_read_as_fast_as_a_short_one():
    """A range's two ends full of digits made the parser try every way to part them."""
    cell = "1" * 1_900 + " to " + "2" * 1_900 + "!"
    text = "jar,photos\n" + "".join(f"{i},{cell}\n" for i in range(200))
    assert parse_manifest(text).rows[0].patterns == (cell,)


@pytest.mark.parametrize(
    ("cell", "names"),
    [
        ("IMG_1201 to IMG_1203", ("IMG_1201", "IMG_1202", "IMG_1203")),
        ("IMG_08.jpg to 10.jpg", ("IMG_08.jpg", "IMG_09.jpg", "IMG_10.jpg")),
        ("img 7 .. IMG 8", ("img 7", "img 8")),
        ("jar to garden", ("jar to garden",)),
        ("a1  to  a2", ("a1", "a2")),
    ],
)
def test_ranges_are_written_out(cell, names):
    [row] = parse_manifest(f"jar,photos\n5,{cell}\n").rows
    assert row.patterns == names
