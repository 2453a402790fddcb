"""The command line as a gardener meets it: exit codes, one plain sentence, never a traceback."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from hostile import Expect, Hostile, write_hostile
from PIL import Image
from scenes import READINGS, ROOT, sample
from typer.testing import CliRunner

from jarvision.cli.app import app, main
from jarvision.core.errors import ExitCode

ODD_WORDS = re.compile(r"Traceback|Error:|\.py|Exception|NoneType|numpy|0x[0-9a-f]{6}")


def run(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object
) -> tuple[int, str, str]:
    """Run the command in this process -> exit code, what it says, what it complains of."""
    monkeypatch.setattr(sys, "argv", ["jarvision", *map(str, words)])
    with pytest.raises(SystemExit) as stopped:
        main()
    out, err = capfd.readouterr()
    return int(stopped.value.code or 0), out, err


@pytest.fixture
def say(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):
    return lambda *words: run(capfd, monkeypatch, *words)


def is_one_sentence(text: str) -> bool:
    return len(text.strip().splitlines()) == 1 and text.strip()[-1] in ".?"


# --- wrong usage: code 2 --------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--strip-mm", "300"], "between 80 and 125 mm"),
        (["--strip-mm", "nan"], "between 80 and 125 mm"),
        (["--shaken-at", "yesterday"], "write it like 2026-05-04 09:00"),
        (["--shaken-at", "2026-13-04 09:00"], "write it like 2026-05-04 09:00"),
        (["--water", "wet"], "--water clear"),
    ],
)
def test_a_value_that_cannot_be_is_refused(
    say, tmp_path: Path, words: list[str], told: str
) -> None:
    code, out, err = say("read", sample("21", "48h"), "--out", tmp_path / "out", *words)
    assert code == ExitCode.WRONG_USAGE == 2
    assert told in err
    assert is_one_sentence(err)
    assert out == ""
    assert not (tmp_path / "out").exists()


def test_no_photos_at_all_is_wrong_usage(say, tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    for place in (tmp_path / "photos", tmp_path / "nowhere"):
        code, _, err = say("read", place, "--out", tmp_path / "out")
        assert code == 2
        assert err.startswith("No photos were found; name photos or a folder")
        assert not (tmp_path / "out").exists()


def test_results_do_not_go_into_a_file(say, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    for out in (tmp_path / "taken", tmp_path / "taken" / "below"):
        code, _, err = say("read", sample("21", "48h"), "--out", out)
        assert code in {1, 2}
        assert is_one_sentence(err)
        assert not ODD_WORDS.search(err)
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("words", [["read"], ["read", "--bogus"], ["bogus"]])
def test_words_that_are_no_command_are_wrong_usage(words: list[str]) -> None:
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_photos_of_two_jars_given_as_one(say, tmp_path: Path) -> None:
    code, _, err = say(
        "read", sample("21", "48h"), sample("02", "48h"), "--one-jar", "--out", tmp_path
    )
    assert code in {1, 2}
    assert is_one_sentence(err)
    assert "jar" in err


# --- some not read: code 1; all read: code 0 ------------------------------------------------------
def test_all_read(say, tmp_path: Path) -> None:
    photos = [sample("21", r) for r in READINGS]
    code, out, err = say("read", *photos, "--out", tmp_path / "deep" / "out")
    assert (code, err) == (0, "")
    assert "clay" in out
    assert re.search(r"sand +\d+\.\d \(\d+\.\d–\d+\.\d\) mm", out), out
    assert out.splitlines()[-1].startswith("Open ")
    assert (tmp_path / "deep" / "out" / "report.html").is_file()
    names = {p.name for p in (tmp_path / "deep" / "out").iterdir() if not p.name.startswith(".")}
    assert {"readings.csv", "jar-21.json"} <= names
    assert {f"overlay-21-{r}.jpg" for r in READINGS} <= names


@pytest.mark.slow
def test_a_file_that_is_no_photo_does_not_stop_the_rest(say, tmp_path: Path) -> None:
    bad = tmp_path / "bad 48h.jpg"
    bad.write_bytes(b"this is not a picture")
    code, out, _ = say("read", sample("21", "48h"), bad, "--out", tmp_path / "out")
    assert code == ExitCode.SOME_UNREAD == 1
    assert "Not read: bad 48h.jpg." in out
    assert "clay" in out
    assert "bad 48h.jpg" in (tmp_path / "out" / "report.html").read_text("utf-8")
    assert (tmp_path / "out" / "jar-21.json").exists()


def test_the_first_photo_alone_is_judged(say, tmp_path: Path) -> None:
    code, out, _ = say("read", sample("21", "1min"), "--out", tmp_path)
    assert code == 0
    said = " ".join(out.split())
    assert "Jar 21: so far The photo at 1 minute is good." in said
    assert "The next photo is due 2 hours after shaking" in said
    page = (tmp_path / "report-21.html").read_text(encoding="utf-8")
    assert "The photo at 1 minute is good." in page


def test_a_jar_that_cannot_be_read_gets_its_message(say, tmp_path: Path) -> None:
    blank = tmp_path / "bed 48h.png"
    Image.new("RGB", (900, 1200), (90, 120, 90)).save(blank)
    code, out, _ = say("read", blank, "--out", tmp_path)
    assert code == 1
    assert "not read" in out
    # whoever has to take the photo again sees it, small and without the phone's notes
    with Image.open(tmp_path / "overlay-bed-photo-1.jpg") as shown:
        assert max(shown.size) == 1100
        assert not shown.getexif()
    assert 'src="data:image/jpeg' in (tmp_path / "report-bed.html").read_text("utf-8")
    # a table with no jar in it has its header all the same
    table = (tmp_path / "readings.csv").read_bytes()
    assert table.startswith(b"jar,photos,")
    assert len(table.strip().splitlines()) == 1


def test_hostile_files_get_a_message_each(say, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    made = write_hostile(tmp_path / "in")
    chosen = [h for h in made if _is_bad_name_safe(h)][::5]
    assert len(chosen) >= 15
    code, out, err = say("read", *[h.path for h in chosen], "--out", tmp_path / "out")
    assert code == 1
    assert not ODD_WORDS.search(err)
    assert "Traceback" not in out
    assert out.count("Not read: ") == len({h.path for h in chosen})


# --- names of the list of jars, and results that are left over ------------------------------------
def test_a_jar_is_called_by_its_name_in_the_plan_and_on_its_card(say, tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("1min", "48h"):
        shutil.copy(sample("21", name), photos)
    shutil.copy(sample("02", "1min"), photos)
    text = 'jar,name,bed\n21,Zoë [b]x[/b],north bed\n2,"=Anna\u202e",3\n'
    (photos / "jars.csv").write_text(text, encoding="utf-8")
    code, out, _ = say("read", photos, "--dry-run")
    assert code == 0
    plan = [" ".join(line.split()) for line in out.splitlines()]
    assert plan[0] == "jar name used for photo after shaking known by"
    assert "Zoë [b]x[/b], north bed" in " ".join(plan)
    assert sum("Zoë" in line for line in plan) == 1  # at the jar's first photo
    code, out, _ = say("read", photos, "--out", tmp_path / "out")
    assert "Jar 21, Zoë [b]x[/b], north bed: " in " ".join(out.split())
    assert "Jar 2, =Anna, bed 3: so far" in out
    assert "earlier run" not in out
    assert "\u202e" not in out


def test_a_plan_without_a_list_has_no_column_for_names(say, tmp_path: Path) -> None:
    shutil.copy(sample("21", "1min"), tmp_path)
    _, out, _ = say("read", tmp_path, "--dry-run")
    assert out.split()[:3] == ["jar", "used", "for"]


def test_results_of_jars_that_are_gone_are_named_once_for_all(say, tmp_path: Path) -> None:
    from jarvision.results.cache import PHOTOS_FILE

    out_of = tmp_path / "out"
    out_of.mkdir()
    for count in range(2, 11):
        (out_of / f"jar-{count}.json").write_text('{"format": "jarvision jar", "photos": []}')
    (out_of / "overlay-2-2h.jpg").touch()
    code, out, _ = say("read", sample("02", "1min"), "--out", out_of)
    assert code == 0
    assert (
        "From an earlier run and not in these photos: jars 3, 4, 5, 6, 7, 8 and 2 more; they stay "
        "in the report, marked, and are not in readings.csv. Delete jar-3.json" in out
    )
    assert "No result uses overlay-2-2h.jpg any more" in out
    assert len(list(out_of.glob("jar-*.json"))) == 9  # nothing is deleted
    for path in out_of.glob("jar-*.json"):
        if path.name not in {"jar-2.json", "jar-7.json"}:
            path.unlink()
    (out_of / PHOTOS_FILE).unlink()
    _, out, _ = say("read", sample("02", "1min"), "--out", out_of)
    assert (
        "From an earlier run and not in these photos: jar 7; it stays in the report, marked, and "
        "is not in readings.csv. Delete jar-7.json to drop it." in out
    )


def _is_bad_name_safe(hostile: Hostile) -> bool:
    return hostile.expect is Expect.REFUSED and hostile.path.parent.name == "in"


# --- what was put right by hand -------------------------------------------------------------------
ELSEWHERE = (
    "photos/readings/corrections.csv holds what was put right by hand and is not used for these "
    'results; --out "photos/readings" uses it.'
)


@pytest.fixture
def put_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder whose only photo was said to show no jar, in results that lie beside it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "photos" / "readings").mkdir(parents=True)
    shutil.copy(sample("21", "1min"), "photos/a 1min.jpg")
    table = tmp_path / "photos" / "readings" / "corrections.csv"
    table.write_text("jar,photo,what,value\n21,a 1min.jpg,no jar,\n", encoding="utf-8")
    return table


def test_corrections_that_other_results_hold_are_named(say, put_right: Path) -> None:
    code, out, _ = say("read", "photos", "--dry-run")
    assert (code, out.count(ELSEWHERE)) == (0, 1)
    assert "Jars: 1." in out
    _, out, _ = say("read", "photos")
    assert out.count(ELSEWHERE) == 1
    _, out, _ = say("read", "photos", "--dry-run", "--out", "photos/readings")
    assert "not used" not in out
    assert "Jars: 0." in out  # as it was said by hand


def test_what_holds_no_correction_is_not_named(say, put_right: Path) -> None:
    for text in ("jar,photo,what,value\n", "mine\n1\n", ""):
        put_right.write_text(text, encoding="utf-8")
        code, out, _ = say("read", "photos", "--dry-run")
        assert (code, "not used" in out) == (0, False)


@pytest.mark.parametrize("words", [(), ("--out", "photos/readings")])
def test_the_page_keeps_to_the_folder_of_results_that_read_has(
    say, put_right: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    from jarvision.bench import server

    asked: list[Path] = []

    def served(photos: Path, out: Path, taken: socket.socket, **_: object) -> None:
        taken.close()
        asked.append(out)

    monkeypatch.setattr(server, "serve", served)
    code, out, _ = say("bench", "photos", "--no-show", *words)
    assert code == 0
    assert asked == [put_right.parent if words else Path.cwd() / "readings"]
    assert (ELSEWHERE in out) is not bool(words)


# --- as a program of its own ----------------------------------------------------------------------
def as_program(*words: object, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "jarvision", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": "", "PYTHONIOENCODING": "utf-8"},
        check=False,
    )


def test_the_program_reads_a_folder_and_says_where_the_results_are(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    shutil.copy(sample("21", "48h"), photos)
    done = as_program("read", "photos", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Open readings/report.html" in done.stdout
    assert (tmp_path / "readings" / "readings.csv").exists()


def test_the_program_fails_in_one_sentence(tmp_path: Path) -> None:
    done = as_program("read", "nowhere.jpg", folder=tmp_path)
    assert done.returncode == 2
    assert is_one_sentence(done.stderr)
    assert not ODD_WORDS.search(done.stderr)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX systems")
@pytest.mark.parametrize(
    ("more", "settings"),
    [
        pytest.param((), {}, id="a table"),
        pytest.param(
            ("--cards",), {"PYTHONUNBUFFERED": "1"}, id="cards at once", marks=pytest.mark.slow
        ),
        pytest.param((), {"FORCE_COLOR": "1"}, id="progress as well", marks=pytest.mark.slow),
    ],
)
def test_a_closed_pipe_costs_no_result(tmp_path: Path, more, settings) -> None:
    """As `| head` closes it, before the first line is printed."""
    for jar in ("02", "08", "21"):
        shutil.copy(sample(jar, "1min"), tmp_path)
    read_end, write_end = os.pipe()
    os.close(read_end)
    colour = "FORCE_COLOR" in settings
    done = subprocess.run(
        [sys.executable, "-m", "jarvision", "read", ".", "--classes", "uk", *more, "--out", "out"],
        stdout=write_end,
        stderr=subprocess.STDOUT if colour else subprocess.PIPE,
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT), "PATH": "", **settings},
        check=False,
    )
    os.close(write_end)
    assert (done.returncode, done.stderr or b"") == (0, b"")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"readings.csv", "classes.csv", "report.html", "report-21.html"} <= names


def test_help_tells_the_exit_codes() -> None:
    result = CliRunner().invoke(app, ["read", "--help"])
    assert result.exit_code == 0
    plain = " ".join(re.sub(r"[^\w. ,:]", " ", result.output).split())
    assert "Exit codes: 0 all read, 1 some jars or files could not be read, 2 wrong usage" in plain


# --- what should never happen ---------------------------------------------------------------------
def test_a_mistake_of_ours_is_one_sentence_too(say, monkeypatch: pytest.MonkeyPatch) -> None:
    from jarvision.run import engine

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(engine, "read_photos", broken)
    code, _, err = say("read", sample("21", "48h"))
    assert code == 1
    assert is_one_sentence(err)
    assert "Something went wrong that should not" in err


def test_a_stop_by_hand_is_no_traceback(say, monkeypatch: pytest.MonkeyPatch) -> None:
    from jarvision.run import engine

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(engine, "read_photos", stopped)
    code, _, err = say("read", sample("21", "48h"))
    assert code == 1
    assert is_one_sentence(err)
