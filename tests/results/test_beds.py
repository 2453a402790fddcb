"""The list of beds is read as people keep it; what cannot be understood names its line."""

import textwrap

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import composition_draws, jar_dict, shares_dict, write_jar

from jarvision.core.tables import TableError
from jarvision.core.units import UnitSystem
from jarvision.pages.write import write_report
from jarvision.results.beds import (
    BedList,
    BedNote,
    change_statement,
    find_beds,
    join_beds,
    parse_csv,
    parse_toml,
    read_beds,
)
from jarvision.results.cache import keep_run
from jarvision.results.jar_folder import read_jar_file

WHOLE = """\
jar,bed,depth,date dug,area,organic matter,notes
5,North bed,0-15 cm,2026-05-04,9 m2,3.5,under the pear
"""


def only(text):
    [note] = parse_csv(text).notes
    return note


def refused(text, parse=parse_csv):
    with pytest.raises(TableError) as caught:
        parse(text)
    said = str(caught.value)
    assert said.endswith(".")
    assert "\n" not in said
    return said


# ------------------------------------------------------------------------------------ the table


def test_a_whole_row():
    note = only(WHOLE)
    assert (note.jar, note.bed, note.notes) == ("5", "North bed", "under the pear")
    assert note.depth_mm == (0, 150)
    assert note.dug == "2026-05-04"
    assert note.area_m2 == 9
    assert note.om_pct == 3.5
    assert note.system is UnitSystem.METRIC
    assert note.line == 2


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + WHOLE,
        WHOLE.replace(",", ";"),
        WHOLE.replace(",", "\t"),
        WHOLE.replace("\n", "\r\n"),
        "sep=;\n" + WHOLE.replace(",", ";"),
        WHOLE.replace("jar,", "JAR ,").replace("date dug", "Date_Dug"),
        WHOLE.replace("3.5", '"3,5"'),
        WHOLE.replace("3.5", "3.5 %"),
        WHOLE.replace("organic matter", "OM (%)"),
        WHOLE.replace("depth", "depth_cm").replace("0-15 cm", "0-15"),
        WHOLE.replace("area", "Area [m²]").replace("9 m2", "9"),
        WHOLE.replace("2026-05-04", "4.5.2026"),
        WHOLE + "\n,,,,,,\n",
    ],
    ids=range(13),
)
def test_the_same_row_however_it_was_saved(text):
    got = only(text)
    assert got.line in (2, 3)
    want = only(WHOLE)
    assert all(
        getattr(got, name) == getattr(want, name)
        for name in ("jar", "bed", "depth_mm", "dug", "area_m2", "om_pct", "notes")
    )


def test_quotation_marks_inside_a_note_are_text():
    assert only('jar,notes\n5,a 5" pot\n').notes == 'a 5" pot'
    assert only('jar,notes\n5,"a ""good"", dark soil"\n').notes == 'a "good", dark soil'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_files_as_spreadsheets_save_them(tmp_path, encoding):
    path = tmp_path / "beds.csv"
    path.write_bytes("jar;bed\n5;Kürbis\n".encode(encoding))
    assert read_beds(path).notes[0].bed == "Kürbis"


def test_columns_in_any_order_and_only_those_wanted():
    note = only("bed;jar\nNorth;5\n")
    assert note == BedNote("5", "North", line=2)
    assert only("jar\n5\n").bed == ""


def test_columns_that_are_not_understood_are_told():
    beds = parse_csv("jar,organc matter,colour\n5,3,red\n")
    assert beds.ignored == ("organc matter", "colour")
    assert beds.notes[0].om_pct is None


def test_short_rows_are_filled_up_with_nothing():
    assert only("jar,bed,area\n5,North\n").area_m2 is None


# 1 inch = 25.4 mm, 1 ft = 0.3048 m, exactly (international yard and pound agreement, 1959).
@pytest.mark.parametrize(
    ("cell", "depth_mm"),
    [
        ("15 cm", (0, 150)),
        ("0–15cm", (0, 150)),
        ("10 to 20 cm", (100, 200)),
        ("4-6 in", (101.6, 152.4)),
        ("6 in", (0, 152.4)),
        ("0.5 ft", (0, 152.4)),
        ("10 cm - 20 cm", (100, 200)),
    ],
)
def test_depths(cell, depth_mm):
    assert only(f"jar,depth\n5,{cell}\n").depth_mm == pytest.approx(depth_mm)


@pytest.mark.parametrize(
    ("cell", "area_m2"), [("100 sqft", 9.290304), ("10 x 4 ft", 3.7161216), ("9 m²", 9)]
)
def test_areas(cell, area_m2):
    assert only(f"jar,area\n5,{cell}\n").area_m2 == pytest.approx(area_m2)
    assert only(f"jar,area\n5,{cell}\n").system is (
        UnitSystem.METRIC if "m" in cell else UnitSystem.US
    )


@pytest.mark.parametrize(
    ("cell", "dug"),
    [
        ("2026", "2026"),
        ("2026-05", "2026-05"),
        ("2026-05-04T09:30:00", "2026-05-04"),
        ("31.12.2025", "2025-12-31"),
        ("", ""),
    ],
)
def test_days(cell, dug):
    assert only(f"jar,dug\n5,{cell}\n").dug == dug


# --------------------------------------------------------------------------------- what is wrong


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("depth", "15", "depth with its unit"),
        ("depth", "Oct 15", "depth"),
        ("depth", "20-10 cm", "not possible"),
        ("depth", "-5 cm", "depth"),
        ("depth", "100 m", "not possible"),
        ("area", "9", "area with its unit"),
        ("area", "-9 m2", "area"),
        ("area", "9 kg", "area"),
        ("organic matter", "much", "percent"),
        ("organic matter", "-1", "percent"),
        ("organic matter", "140", "percent"),
        ("organic matter", "nan", "percent"),
        ("dug", "3/4/2026", "2026-05-04"),
        ("dug", "2026-13-01", "2026-05-04"),
        ("dug", "30.2.2026", "2026-05-04"),
        ("dug", "yesterday", "2026-05-04"),
    ],
)
def test_cells_that_cannot_be_understood_name_their_line(column, cell, says):
    said = refused(f"jar,{column}\n4,\n5,{cell}\n")
    assert said.startswith("Line 3 of beds.csv: ")
    assert says in said


def test_lines_are_those_of_the_file_even_after_cells_of_several_lines():
    said = refused('jar,notes,area\n4,"two\nlines",\n\n5,,9\n')
    assert said.startswith("Line 5 of beds.csv")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("bed,area\nNorth,9 m2\n", "names no column 'jar'"),
        ("jar,bed,plot\n5,a,b\n", "'bed' twice"),
        ("jar,bed\n,North\n", "does not say which jar"),
        ("jar,bed\n5,a\n6,b\n5,c\n", "lines 2 and 4"),
        ("jar\0\n5\n", "not a table"),
        ('jar,notes\n5,"' + "x" * 200_000, "quotation mark"),
        ('jar,notes\n5,"under the pear\n6,b\n7,c\n', "Line 2"),
        ("jar\n" + "".join(f"{i}\n" for i in range(6000)), "more than"),
    ],
    ids=range(10),
)
def test_tables_that_cannot_be_used(text, says):
    assert says in refused(text)


@given(st.text())
def test_no_text_leads_to_a_traceback(text):
    try:
        parse_csv(text)
    except TableError as error:
        assert "\n" not in str(error)  # noqa: PT017


@given(st.lists(st.lists(st.text(max_size=8), max_size=4), max_size=4))
def test_no_table_leads_to_a_traceback(rows):
    text = "jar,bed,depth,dug,area,om\n" + "\n".join(",".join(row) for row in rows)
    try:
        parse_csv(text)
    except TableError as error:
        assert "\n" not in str(error)  # noqa: PT017


def test_files_that_cannot_be_opened(tmp_path):
    with pytest.raises(TableError, match="cannot be opened"):
        read_beds(tmp_path / "none.csv")
    with pytest.raises(TableError, match="cannot be opened"):
        read_beds(tmp_path)
    (tmp_path / "huge.csv").write_bytes(b"jar\n" * 600_000)
    with pytest.raises(TableError, match="too large"):
        read_beds(tmp_path / "huge.csv")


# ----------------------------------------------------------------------------------------- TOML


def toml(text):
    return parse_toml(textwrap.dedent(text))


def test_toml_says_the_same_as_the_table():
    beds = toml("""
        [[bed]]
        jar = 5
        bed = "North bed"
        depth = "0-15 cm"
        dug = 2026-05-04
        area = "9 m2"
        organic_matter = 3.5
        notes = "under the pear"
    """)
    [note] = beds.notes
    want = only(WHOLE)
    assert (note.jar, note.bed, note.depth_mm, note.dug) == ("5", want.bed, (0, 150), want.dug)
    assert (note.area_m2, note.om_pct, note.notes) == (9, 3.5, want.notes)
    assert note.line == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[bed]]\njar = \n", "beds.toml is not written as TOML on line 2"),
        ("x = " + "[" * 5000, "beds.toml has brackets in brackets without end"),
        ("x = " + "9" * 5000, "beds.toml has a number or a date that cannot be"),
        ("x = 1\n", "must hold a table"),
        ("bed = 3\n", "must hold a table"),
        ("bed = [3]\n", "must hold a table"),
        ("[[bed]]\nbed = 'North'\n", "names no column 'jar'"),
        ("[[bed]]\njar = 4\n\n[[bed]]\njar = 5\narea = '9'\n", "The entry at line 4 of beds.toml"),
        ("[[bed]]\njar = 5\nnotes = [1]\n", "no text, number or date"),
        ("[[bed]]\njar = 5\n[[bed]]\njar = 5\n", "lines 1 and 3"),
    ],
    ids=range(10),
)
def test_toml_that_cannot_be_used(text, says):
    assert says in refused(text, parse_toml)


def test_the_ending_decides(tmp_path):
    path = tmp_path / "my.TOML"
    path.write_text("[[bed]]\njar = 5\n")
    assert read_beds(path).notes[0].jar == "5"


def test_which_list_is_found(tmp_path):
    assert find_beds(tmp_path) is None
    (tmp_path / "beds.toml").touch()
    assert find_beds(tmp_path).name == "beds.toml"
    (tmp_path / "beds.csv").touch()
    with pytest.raises(TableError, match="keep one"):
        find_beds(tmp_path)


# --------------------------------------------------------------------------------- joined to jars


def test_jars_are_found_by_name_and_by_number():
    beds = parse_csv("jar,bed\n05,a\nJar 12,b\nNorth,c\n77,d\n")
    joined = join_beds(beds, ["5", "12", "north", "13"])
    assert {jar: note.bed for jar, note in joined.by_jar.items()} == {
        "5": "a",
        "12": "b",
        "north": "c",
    }
    assert [note.jar for note in joined.unmatched] == ["77"]


def test_a_row_that_could_mean_two_jars_means_none():
    joined = join_beds(parse_csv("jar,bed\nJar 5,a\n"), ["5", "05"])
    assert not joined.by_jar
    assert len(joined.unmatched) == 1


def test_the_very_name_goes_before_one_like_it():
    joined = join_beds(parse_csv("jar,bed\n5,a\n"), ["05", "5"])
    assert list(joined.by_jar) == ["5"]


def test_no_list_joins_nothing():
    assert join_beds(BedList(), ["5"]).by_jar == {}


# ------------------------------------------------------------------------------ the same bed twice


def shares(tmp_path, pcts, sd):
    data = jar_dict(by_weight=None) | {"by_height": shares_dict(composition_draws(pcts, sd))}
    return read_jar_file(write_jar(tmp_path, data, pictures=False)).by_height


def test_readings_that_agree_say_so(tmp_path):
    first, second = shares(tmp_path, (40, 40, 20), 3), shares(tmp_path, (43, 38, 19), 3)
    said = change_statement(first, second, when=("2024", "2026"))
    assert said.text == "2024 to 2026: no change beyond the readings' own uncertainty."


def test_readings_that_differ_say_by_how_much(tmp_path):
    first, second = shares(tmp_path, (40, 40, 20), 2), shares(tmp_path, (40, 28, 32), 2)
    said = change_statement(first, second, when=("2024", "2026"))
    assert "clay from 20 to 32 %" in said.text
    assert "silt from 40 to 28 %" in said.text
    assert "sand" not in said.text
    assert "Texture hardly changes" in said.text


def test_small_claimed_errors_do_not_make_a_change(tmp_path):
    """Two laboratories' readings of one soil differ by points (routine hydrometer: ±8)."""
    first, second = shares(tmp_path, (40, 40, 20), 0.05), shares(tmp_path, (41, 40, 19), 0.05)
    assert "no change" in change_statement(first, second, when=("a", "b")).text


def test_what_the_list_of_jars_says_of_a_bed_fills_what_the_list_of_beds_leaves_open(tmp_path):
    write_jar(tmp_path, jar_dict("5"), pictures=False)
    keep_run(tmp_path, ["jar-5.json"], beds="jar,depth,notes\n5,0-15 cm,clover\n")
    write_report(tmp_path)
    assert "clover" in (tmp_path / "report-5.html").read_text("utf-8")
    (tmp_path / "beds.csv").write_text("jar,bed,notes\n5,north,rye\n", encoding="utf-8")
    write_report(tmp_path)
    page = (tmp_path / "report-5.html").read_text("utf-8")
    assert "rye" in page
    assert "clover" not in page
    assert "0–15" in page


@pytest.mark.parametrize("kept", ["jar,depth\n5,deep\n", "\0", "jar\n" * 9_000, '"', "x" * 10**6])
def test_a_damaged_note_of_beds_is_nothing(kept, tmp_path):
    write_jar(tmp_path, jar_dict("5"), pictures=False)
    keep_run(tmp_path, ["jar-5.json"], beds=kept)
    write_report(tmp_path)
    assert (tmp_path / "report-5.html").is_file()
