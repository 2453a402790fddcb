"""Help as a gardener reads it, and options that are wrong: said before anything is done."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pypdfium2
import pytest
from house import HELP, help_text
from scenes import ROOT, sample
from typer.testing import CliRunner

from jarvision import __version__
from jarvision.cli.app import app
from jarvision.cli.progress import shown_progress
from jarvision.results.corrections_file import read_corrections
from jarvision.results.record import json_name

COMMANDS = ["read", "compare", "strips", "times", "ribbon", "guide", "report", "howto", "bench"]


def run(*words: object) -> tuple[int, str]:
    """Run it as a program, since only so is an error a sentence -> exit code, all that is said."""
    done = subprocess.run(
        [sys.executable, "-m", "jarvision", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={"PYTHONPATH": str(ROOT), "PATH": "", "PYTHONIOENCODING": "utf-8", "COLUMNS": "80"},
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize("command", ["", *COMMANDS, "tables"])
def test_help_is_whole_at_80_columns_and_in_words(command: str) -> None:
    words = [command, "--help"] if command else ["--help"]
    result = CliRunner().invoke(app, words, terminal_width=80)
    assert result.exit_code == 0
    text = result.output
    assert max(map(len, text.splitlines())) <= 80
    assert "…" not in text
    assert "..." not in text.replace("}...", "").replace("]...", "")
    assert not re.search(r"<[a-z]+|\[x|bool|\bstr\b|\bint\b|float", text)
    options = re.findall(r"(?m)^  (--[a-z-]+)", text)
    assert "--help" in options
    if command == "read":
        facts = ["--soil-g", "--water-mm", "--sand-g", "--spoon", "--soil-mm", "--jar-profile"]
        assert [option for option in options if option in facts] == facts


def test_every_command_is_in_the_list_with_a_whole_sentence() -> None:
    listed = CliRunner().invoke(app, ["--help"], terminal_width=80).output.partition("Commands:")[2]
    lines = [line for line in listed.splitlines() if line.strip()]
    assert [line.split()[0] for line in lines] == [*COMMANDS, "tables"]
    assert all(line.endswith(".") for line in lines)


def test_help_that_is_shown_at_once_is_the_one_that_is_worked_out() -> None:
    """Run tests/support/house.py where it is not."""
    assert HELP.read_text(encoding="utf-8") == help_text()
    at_once, worked_out = run("--help"), run("--help", "--help")
    assert at_once == worked_out
    assert at_once[1] == "Usage: python -m jarvision " + help_text()


def test_help_says_what_a_command_needs() -> None:
    told = {
        "ribbon": ["needed where a ribbon formed", "needed where a length has none"],
        "guide": ["Give a jar that was read (--jar), percentages"],
        "read": ["one or two jars get cards unasked"],
    }
    for command, sentences in told.items():
        text = " ".join(CliRunner().invoke(app, [command, "--help"]).output.split())
        assert [sentence for sentence in sentences if sentence not in text] == []


def test_the_example_in_the_help_of_ribbon_runs() -> None:
    text = CliRunner().invoke(app, ["ribbon", "--help"]).output
    example = text.rpartition("jarvision ribbon")[2].splitlines()[0]
    code, said = run("ribbon", *shlex.split(example))
    assert code == 0
    assert "Texture by feel: " in said


def test_a_table_of_corrections_typed_as_the_help_has_it_is_understood(tmp_path: Path) -> None:
    text = " ".join(CliRunner().invoke(app, ["bench", "--help"]).output.split())
    values = {
        "sand": "24.5",
        "floor": "-0.5",
        "jar": "7",
        "taken": "2 h",
        "no jar": "",
        "outline": "10 5 90 5 90 95 10 95 50 97",
        "left out": "20 20 40 40",
    }
    path = tmp_path / "corrections.csv"
    rows = [f"21,a.jpg,{what},{value}" for what, value in values.items()]
    path.write_text("\n".join(["jar,photo,what,value", *rows]), encoding="utf-8")
    table = read_corrections(path)
    assert table.notes == ()
    assert len(table.lines) + len(table.said) + len(table.areas) == len(values)
    assert [what for what in values if what not in text] == []
    assert f"{table.lines[0].sd_mm:g} where it is missing" in text
    assert f"and {table.areas[0].sd_mm:g} for an outline" in text


def test_the_version_is_said() -> None:
    result = CliRunner().invoke(app, ["--version"])
    assert (result.exit_code, result.output.strip()) == (0, f"jarvision {__version__}")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["times", "--water-mm", "110", "--start", "tomorrow"], "2026-05-04 09:00 or 4 May 9:00"),
        (["times", "--water-mm", "110", "--temp", "68"], "Do you mean 68 °F? Then write 68F."),
        (["times", "--water-mm", "nan"], "not a number"),
        (["times", "--water-mm", "110", "--soil-mm", "400"], "between 1 and 300 mm"),
        (["times", "--water-mm", "110", "--ics", "x.ics"], "add --start"),
        (["guide", "21"], "(21); a jar that was read is --jar 21, and --help"),
        (["guide", "--crop", "tomato", "basil"], "unexpected extra argument (basil)"),
        (["read", "PHOTO", "--temp", "68"], "Do you mean 68 °F"),
        (["read", "PHOTO", "--soil-mm", "400"], "between 1 and 300"),
        (["read", "PHOTO", "--soil-mm", "nan"], "not a number"),
        (["read", "PHOTO", "--om", "120"], "between 0 and 100"),
        (["read", "PHOTO", "--soil-g", "nan"], "between 1 and 5000"),
        (["read", "PHOTO", "--shaken-at", "2026-05-04"], "not a day and a time"),
        (["read", "PHOTO", "--workers", "0"], "1 or more"),
    ],
)
def test_what_is_wrong_is_said_first_and_alone(words: list[str], told: str) -> None:
    code, said = run(*[sample("21", "48h") if word == "PHOTO" else word for word in words])
    assert code == 2
    assert told in said
    assert len(said.strip().splitlines()) == 1


def test_a_cluster_without_dask_names_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from jarvision.run.dask import ClusterError
    from jarvision.run.engine import pool_for

    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(ClusterError, match=r"pip install 'distributed>=2024\.5'"),
        pool_for(1, "tcp://127.0.0.1:1"),
    ):
        pass
    wanted = (ROOT / "pyproject.toml").read_text("utf-8")
    assert 'cluster = ["distributed>=2024.5"]' in wanted


@pytest.mark.slow
def test_kinds_that_are_not_read_are_named_and_the_sheet_is_no_jar(tmp_path: Path) -> None:
    """A photo of the printed sheet lies among the photos; it is rendered from the sheet's PDF."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("a.bmp", "b.avi"):
        (photos / name).write_bytes(b"x")
    page = pypdfium2.PdfDocument(ROOT / "calibration" / "strips-a4.pdf")[0]
    page.render(scale=150 / 72).to_pil().convert("RGB").save(photos / "IMG_1.jpg")
    (photos / "jar-21-48h.jpg").write_bytes(sample("21", "48h").read_bytes())
    for _ in range(2):  # what a run has seen, the next one remembers
        out = CliRunner().invoke(app, ["read", str(photos), "--out", str(tmp_path / "out")])
        assert out.exit_code == 1
        said = " ".join(out.output.split())
        assert "Not read: a.bmp. Pictures of this kind are not read; save it as JPEG" in said
        assert "Not read: b.avi. Videos of this kind are not read; save it as MP4." in said
        assert "show the printed sheet and no jar: IMG_1.jpg." in said
        assert [p.name for p in (tmp_path / "out").glob("jar-*.json")] == ["jar-21.json"]


@pytest.mark.slow
def test_a_ruler_that_is_not_found_is_named(tmp_path: Path) -> None:
    words = [
        "read",
        str(ROOT / "sample_images" / "jar-08-48h.jpg"),
        "--ruler",
        "mm",
        "--out",
        str(tmp_path),
    ]
    said = " ".join(CliRunner().invoke(app, words).output.split())
    assert "No mm ruler was found in the photos of jar-08;" in said
    assert (tmp_path / "jar-08.json").is_file()  # its name says jar once


def test_no_file_says_jar_twice() -> None:
    assert [json_name(jar) for jar in ("5", "jar-08", "jar-", "bed")] == [
        "jar-5.json",
        "jar-08.json",
        "jar-jar-.json",
        "jar-bed.json",
    ]


def test_no_number_is_shown_before_there_is_one(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    monkeypatch.setenv("FORCE_COLOR", "1")
    with shown_progress() as tell:
        tell("Looking for jars", 0, 3)
    shown = capfd.readouterr().err
    assert "None" not in shown
    assert "Looking for jars" in shown
