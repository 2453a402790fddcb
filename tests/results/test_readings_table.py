"""Golden texts of the CSV, and names that try to be something else."""

import csv
import dataclasses
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sand_record import SAND_COLUMNS

from jarvision.core.doubts import DoubtName, doubt
from jarvision.core.ranges import odds_in_words
from jarvision.core.text import plain_text
from jarvision.estimate.texture import TextureClass
from jarvision.results.readings_table import readings_csv, title
from jarvision.results.record import ReadingRow, WeightRow

NAN = math.nan
UNKNOWN = (NAN, NAN, NAN)

HEADER = (
    "jar,photos,sand_top_mm,silt_top_mm,clay_top_mm,sand_top_sd_mm,silt_top_sd_mm,clay_top_sd_mm,"
    "sand_pct,silt_pct,clay_pct,sand_sd_pct,silt_sd_pct,clay_sd_pct,"
    "texture_class,class_odds,next_class,next_odds,doubts"
)
BY_WEIGHT_HEADER = (
    "sand_wt_pct,silt_wt_pct,clay_wt_pct,sand_wt_pct_lo,sand_wt_pct_hi,silt_wt_pct_lo,"
    "silt_wt_pct_hi,clay_wt_pct_lo,clay_wt_pct_hi,class_by_weight,odds_by_weight,water_state"
)
LISTED_HEADER = "name,bed,put_right"
SAND_HEADER = ",".join(SAND_COLUMNS)
ALL_HEADER = f"{HEADER},{BY_WEIGHT_HEADER},{LISTED_HEADER},{SAND_HEADER}"
EMPTY = "," * (15 + 22)

FULL = ReadingRow(
    jar="3",
    photos=("jar-03-1min.jpg", "jar-03-2h.jpg", "jar-03-48h.jpg"),
    tops_mm=(24.004, 48.0, 60.006),
    top_sds_mm=(0.3, 0.345, 0.041),
    pcts=(40.04, 39.96, 20.0),
    pct_sds=(0.46, 1.234, 3.6),
    texture_class=TextureClass.LOAM,
    class_odds=0.81,
    next_class=TextureClass.CLAY_LOAM,
    next_odds=0.18,
    doubts=(
        doubt(DoubtName.DIM, photo="jar-03-2h.jpg"),
        doubt(DoubtName.DIM, photo="jar-03-48h.jpg"),
        doubt(DoubtName.THIN_LAYER, layer="clay", thick="12.0 mm"),
    ),
)

NO_SCALE = dataclasses.replace(
    FULL,
    jar="north bed",
    photos=("north bed.heic",),
    tops_mm=UNKNOWN,
    top_sds_mm=UNKNOWN,
    class_odds=1.0,
    next_class=None,
    next_odds=NAN,
    doubts=(doubt(DoubtName.NO_STRIP),),
)

NOTHING_KNOWN = ReadingRow(
    "", (), UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN, None, NAN, None, NAN, doubts=()
)


def cells(*rows):
    """Read the CSV back with the standard library's reader."""
    return list(csv.DictReader(io.StringIO(readings_csv(rows), newline=""), strict=True))


def test_golden_csv():
    assert readings_csv([FULL, NO_SCALE, NOTHING_KNOWN]) == (
        f"{ALL_HEADER}\r\n"
        "3,jar-03-1min.jpg;jar-03-2h.jpg;jar-03-48h.jpg,24.00,48.00,60.01,0.30,0.34,0.041,"
        "40.0,40.0,20.0,0.46,1.2,3.6,loam,0.81,clay loam,0.18,dim;thin_layer" + EMPTY + "\r\n"
        "north bed,north bed.heic,,,,,,,40.0,40.0,20.0,0.46,1.2,3.6,loam,0.99,,,no_strip"
        + EMPTY
        + "\r\n"
        ",,,,,,,,,,,,,,,,,," + EMPTY + "\r\n"
    )


def test_a_file_without_jars_has_its_header():
    assert readings_csv([]) == f"{ALL_HEADER}\r\n"


@pytest.mark.parametrize(
    ("odds", "words"),
    [
        (1.0, "better than 19 in 20"),
        (0.951, "better than 19 in 20"),
        (0.95, "9 in 10"),
        (0.81, "8 in 10"),
        (0.75, "8 in 10"),
        (0.25, "2 in 10"),
        (0.05, "1 in 10"),
        (0.049, "less than 1 in 20"),
        (0.0, "less than 1 in 20"),
        (NAN, "odds unknown"),
    ],
)
def test_odds_in_words(odds, words):
    assert odds_in_words(odds) == words


def test_odds_in_the_csv_are_never_certain_nor_nothing():
    row = dataclasses.replace(FULL, class_odds=0.9985, next_odds=0.0015)
    [cell] = cells(row)
    assert (cell["class_odds"], cell["next_odds"]) == ("0.99", "0.01")


@pytest.mark.parametrize(
    ("sd", "printed"),
    [(12.345, "12.35"), (0.1, "0.10"), (0.0996, "0.100"), (0.0123, "0.012"), (NAN, "")],
)
def test_an_sd_keeps_two_digits(sd, printed):
    [cell] = cells(dataclasses.replace(FULL, top_sds_mm=(sd, 1, 1)))
    assert cell["sand_top_sd_mm"] == printed


def test_numbers_stay_numbers():
    [cell] = cells(dataclasses.replace(FULL, jar="-3", tops_mm=(-0.5, -0.001, math.inf)))
    assert (cell["jar"], cell["sand_top_mm"]) == ("-3", "-0.50")
    assert (cell["silt_top_mm"], cell["clay_top_mm"]) == ("0.00", "")


@pytest.mark.parametrize(
    ("name", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+cmd", "'+cmd"),
        ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'=1"),
        ("\r=1", "'=1"),
        ("  =1", "'=1"),
        ("\u200d=1", "'\u200d=1"),
        ("\ufeff=1", "'=1"),
        ("\uff1d1", "'\uff1d1"),
        ("\uff0b1", "'\uff0b1"),
        ("\uff0d1", "'\uff0d1"),
        ("\uff201", "'\uff201"),
        ("\ufe631", "'\ufe631"),
        ("+15", "+15"),
        ("bed = 3", "bed = 3"),
        ('the "good" bed, north', 'the "good" bed, north'),
        ("a;=1", "a_=1"),
        ("two\r\nlines", "two lines"),
        ("\x1b[2Jgone", "[2Jgone"),
        ("\u202egpj.exe", "gpj.exe"),
        ("not\udcfftext", "not?text"),
        ("\u2028", ""),
        ("café 🌱", "café 🌱"),
    ],
)
def test_names_are_text_and_nothing_else(name, cell):
    [found] = cells(dataclasses.replace(FULL, jar=name, photos=(name, "b.jpg")))
    assert found["jar"] == cell
    assert found["photos"] == f"{cell};b.jpg"


def test_quotes_and_commas_are_quoted_as_rfc_4180_says():
    text = readings_csv([dataclasses.replace(FULL, jar='the "good" bed, north')])
    assert '\r\n"the ""good"" bed, north",' in text


@pytest.mark.parametrize(
    ("jar", "name", "bed", "said"),
    [
        ("5", "Anna", "north bed", "Jar 5, Anna, north bed"),
        ("5", "", "north bed", "Jar 5, north bed"),
        ("5", "Anna", "", "Jar 5, Anna"),
        ("5", "Anna", "3", "Jar 5, Anna, bed 3"),  # or it would look like another jar
        ("5", "", "B", "Jar 5, bed B"),
        ("5", "5", "", "Jar 5"),
        ("Anna", "anna", "", "Jar Anna"),
        ("jar-08", "Jar-08", "", "jar-08"),
        ("5", " \n\u202e ", "\x07", "Jar 5"),
        ("5", "=1+1;2", "two\r\nlines", "Jar 5, =1+1;2, two lines"),
        ("5", "x" * 255, "", f"Jar 5, {'x' * 29}…{'x' * 29}"),
    ],
)
def test_a_jar_is_called_by_what_the_list_says_of_it(jar, name, bed, said):
    assert title(jar, name=name, bed=bed) == said


@pytest.mark.parametrize("name", ["=1+1", "@SUM(A1)", "\uff1d1", "a;b, c", 'say "hi"', "x" * 255])
def test_listed_names_stand_in_the_csv_s_columns(name):
    [cell] = cells(dataclasses.replace(FULL, name=name, bed=f"{name}\r\n\u202e"))
    formula = name[0] in "=@\uff1d"  # RFC 4180 knows no formulas; common practice, no source
    assert cell["name"] == cell["bed"] == (f"'{name}" if formula else name)
    assert list(cell)[-25:-22] == LISTED_HEADER.split(",")


@given(st.text(), st.lists(st.text(), max_size=3))
def test_any_name_gives_one_safe_row(jar, photos):
    row = dataclasses.replace(FULL, jar=jar, photos=tuple(photos), name=jar, bed="".join(photos))
    text = readings_csv([row])
    text.encode("utf-8")
    assert text.count("\r\n") == text.count("\n") == text.count("\r") == 2
    [row] = csv.reader(text.splitlines(keepends=True)[1:], strict=True)
    assert len(row) == len(ALL_HEADER.split(","))
    pieces = [row[0], *row[-3:-1], *row[1].split(";")]
    assert len(pieces) == 3 + max(len(photos), 1)
    for piece in pieces:
        if piece[:1] and piece[0] in "=+-@\uff1d\uff0b\uff0d\uff20":
            float(piece)


@given(st.text())
def test_plain_text_is_stable(text):
    assert plain_text(plain_text(text)) == plain_text(text)


def test_row_by_weight():
    weight = WeightRow(
        pcts=(45.7, 42.8, 11.5),
        los=(32.8, 9.6, 1.9),
        his=(67.0, 63.4, 28.3),
        texture_class=TextureClass.LOAM,
        class_odds=0.48,
        water_state="clear",
        notes=("The water had cleared.",),
    )
    row = dataclasses.replace(FULL, by_weight=weight)
    cell = cells(row)[0]
    assert (cell["sand_wt_pct"], cell["clay_wt_pct_hi"]) == ("45.7", "28.3")
    assert (cell["class_by_weight"], cell["odds_by_weight"], cell["water_state"]) == (
        "loam",
        "0.48",
        "clear",
    )
