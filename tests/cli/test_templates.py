"""Tables to fill in have columns that are understood, and nothing of the user's is overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from jarvision.cli.app import app
from jarvision.compare.marks_table import parse_marks
from jarvision.core.tables import TableError
from jarvision.jar.strip_names import read_names
from jarvision.results.beds import parse_csv
from jarvision.run.jars_table import beds_csv, parse_manifest


def written(folder: Path, *words: str) -> dict[str, str]:
    result = CliRunner().invoke(app, ["tables", "--out", str(folder), *words])
    assert result.exit_code == 0, result.output
    return {path.name: path.read_text("utf-8") for path in folder.iterdir()}


@pytest.mark.parametrize(
    ("words", "soil_mm", "area_m2", "sand_mm"),
    [
        ((), 40, 9, 21),
        # the international inch is 25.4 mm, and the foot 12 of them
        (("--units", "us"), 38.1, 9.290304, 20.6375),
    ],
)
def test_every_column_is_understood(words, soil_mm, area_m2, sand_mm, tmp_path: Path) -> None:
    made = written(tmp_path, *words)
    assert set(made) == {"jars.csv", "beds.csv", "marks.csv"}
    jars = parse_manifest(made["jars.csv"])
    assert (jars.rows, jars.ignored) == ((), ())  # the example is passed over
    [row] = parse_manifest(made["jars.csv"].replace("example", "5")).rows
    assert row.soil_mm == pytest.approx(soil_mm)
    assert row.water_temp_c == pytest.approx(20)
    assert len(row.patterns) == 6
    assert parse_csv(made["beds.csv"]).notes == ()
    beds = parse_csv(made["beds.csv"].replace("example", "5"))
    assert beds.ignored == ()
    assert beds.notes[0].area_m2 == pytest.approx(area_m2)
    assert beds.notes[0].depth_mm[1] == pytest.approx(150, abs=3)
    with pytest.raises(TableError, match="holds no marks"):
        parse_marks(made["marks.csv"])
    marks = parse_marks(made["marks.csv"].replace("example", "5"))
    assert marks.ignored == ()
    assert marks.marks[0].tops_mm[0] == pytest.approx(sand_mm)


def test_a_file_of_the_users_stays(tmp_path: Path) -> None:
    (tmp_path / "jars.csv").write_text("mine", encoding="utf-8")
    result = CliRunner().invoke(app, ["tables", "jars", "beds", "--out", str(tmp_path)])
    assert result.exit_code == 1
    assert "jars.csv is there already and stays as it is." in result.output.replace("\n", "")
    assert (tmp_path / "jars.csv").read_text("utf-8") == "mine"
    assert (tmp_path / "beds.csv").is_file()
    assert not (tmp_path / "marks.csv").exists()


def test_columns_of_beds_in_the_list_of_jars_reach_the_report() -> None:
    """One row of jars.csv says what a row of beds.csv would."""
    manifest = parse_manifest("jar,bed,depth_cm,area,om,notes\n5,north,0-15,9 m2,3.5,clover\n6\n")
    assert manifest.ignored == ()
    text = beds_csv({"5 (class A)": manifest.rows[0], "6": manifest.rows[1]})
    [note] = parse_csv(text).notes
    [alone] = parse_csv("jar,depth_cm,area,om,notes\n5 (class A),0-15,9 m2,3.5,clover\n").notes
    assert note == alone
    with pytest.raises(Exception, match=r"Line 2 of jars\.csv: 'deep' is not a depth"):
        parse_manifest("jar,depth\n5,deep\n")


def test_the_list_of_jars_names_the_strips(tmp_path: Path) -> None:
    path = tmp_path / "jars.csv"
    for text in (
        written(tmp_path)["jars.csv"],
        written(tmp_path / "us", "--units", "us")["jars.csv"],
    ):
        path.write_text(text + "5,Rosa\n", encoding="utf-8")
        assert read_names(path) == {5: "Rosa"}
        words = ["strips", "--names", str(path), "--out", str(tmp_path / "s.pdf")]
        assert CliRunner().invoke(app, words).exit_code == 0
