"""Hostile files and names through the whole command: no traceback, no hang, nothing written astray.

The corpus is made by code (`hostile.write_hostile`). A photo that keeps the program for more than
ten seconds ends it, which fails the test.
"""

import base64
import csv
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import hostile
import pytest
from PIL import Image
from scenes import ROOT

from jarvision.core.files import find_photos, shown
from jarvision.run.engine import read_photos
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings

pytestmark = pytest.mark.slow

SAMPLES = ROOT / "sample_images"
LONGEST_S = 60  # over one photo or jar, on a busy machine

# The command, with a watchdog that is fed at each photo and each jar.
WATCHED = f"""
import faulthandler, sys
from contextlib import contextmanager
from jarvision.cli import app, read

@contextmanager
def fed(*, told):
    def tell(what, done, of):
        faulthandler.dump_traceback_later({LONGEST_S}, exit=True)
    yield tell
    faulthandler.cancel_dump_traceback_later()

read.shown_progress = fed
sys.argv = ["jarvision", *sys.argv[1:]]
app.main()
"""


def command(*arguments, cwd):
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, "-c", WATCHED, *map(os.fsencode, arguments)],
        capture_output=True,
        cwd=cwd,
        env=environment,
        check=False,
        timeout=600,
    )


def listing(folder, *, without):
    """Every file under a folder but one subfolder, with what tells whether it was changed."""
    found = {}
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if Path(place, name) != without]
        for name in names:
            path = Path(place, name)
            status = path.lstat()
            found[path] = status.st_size, status.st_mtime_ns, status.st_mode
    return found


@pytest.fixture(scope="module")
def read_corpus(tmp_path_factory):
    """The whole corpus in one folder, read by the command with two workers."""
    place = tmp_path_factory.mktemp("hostile")
    (place / "photos").mkdir()
    corpus = hostile.write_hostile(place / "photos")
    before = listing(place, without=place / "out")
    done = command("read", "photos", "--out", "out", "--workers", "2", cwd=place)
    return place, corpus, before, done


def test_the_corpus_is_large_enough(read_corpus):
    assert len(read_corpus[1]) >= 150


def test_no_traceback_and_no_hang(read_corpus):
    done = read_corpus[3]
    errors = done.stderr.decode(errors="replace")
    assert "Traceback" not in errors
    assert "Timeout" not in errors
    assert "Something went wrong" not in errors
    assert errors == ""
    assert done.returncode == 1


def test_nothing_is_written_outside_the_folder(read_corpus):
    place, _, before, _ = read_corpus
    assert listing(place, without=place / "out") == before
    written = list((place / "out").rglob("*"))
    assert all(path.is_file() and not path.is_symlink() for path in written)
    assert all(path.parent == place / "out" for path in written)


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_every_file_in_the_folder_is_accounted_for(read_corpus):
    """No photo gets lost in silence: each stands in a jar's file or among what was not read."""
    place, _, _, done = read_corpus
    said = done.stdout.decode()
    data = json.loads((place / "out" / "photos.json").read_text(encoding="utf-8"))
    found, skipped = find_photos([place / "photos"])
    assert len(found) > 200
    for path in found:
        is_huge = path.stat().st_size > 100_000_000
        if is_huge or digest(path) not in data["strips_by_photo"]:
            assert f"Not read: {shown(path.name)}. " in said
    for path, reason in skipped:
        assert f"Not read: {shown(path.name)}. {reason}" in said
    sentences = re.findall(r"could not be worked out \((\w+)\)", said)
    assert "MemoryError" not in sentences


CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def test_no_name_steers_the_terminal(read_corpus):
    said = read_corpus[3].stdout.decode("utf-8")
    assert not CONTROL.search(said)


def test_file_names_are_plain(read_corpus):
    for path in (read_corpus[0] / "out").iterdir():
        assert not CONTROL.search(path.name)
        assert not set('<>:"|?*\\') & set(path.name)
        assert len(os.fsencode(path.name)) <= 255


EMBEDDED = re.compile(rb"base64,([A-Za-z0-9+/=]+)")


def test_where_it_was_and_which_phone_never_reach_a_result(read_corpus):
    """The corpus holds a photo with a place and a maker's name in it."""
    for path in (read_corpus[0] / "out").iterdir():
        data = path.read_bytes()
        # in so many letters of a picture any three stand somewhere by chance
        data = EMBEDDED.sub(b"", data) + b"".join(map(base64.b64decode, EMBEDDED.findall(data)))
        assert b"Phone of Somebody" not in data
        assert b"GPS" not in data


# --- names of jars that are read ----------------------------------------------------------------

NAMES = (
    "<img src=x onerror=alert(1)>", "=HYPERLINK(A1)", "@SUM(A1) 48h", "new\nline",
    "\x1b[2J\x1b[31m", "\u202egpj", "🌱🪴", "x" * 240, "[bold red]x[/]",
    "a,b;c\"d'e", "..", "caf\udce9",
)  # fmt: skip


@pytest.fixture(scope="module")
def named_jars(tmp_path_factory):
    """One readable jar without a strip, under names that mean harm."""
    place = tmp_path_factory.mktemp("names")
    with Image.open(SAMPLES / "jar-08-48h.jpg") as image:
        small = image.resize((image.width // 2, image.height // 2))
        exif = image.getexif()
    for count, name in enumerate(NAMES):
        path = place / f"{name}.jpg"
        try:
            small.save(path, quality=90 - count // 4, exif=exif)
        except (OSError, ValueError):
            continue
        with path.open("ab") as file:
            file.write(bytes([count]))  # else all were the same picture
    return place


@pytest.fixture(scope="module")
def named_results(named_jars, tmp_path_factory):
    out = tmp_path_factory.mktemp("results")
    batch = read_photos([named_jars], Settings(), out=out)
    write_table(batch, out)
    return batch, out


@pytest.mark.photo
def test_jars_with_odd_names_are_read_each_by_itself(named_results, named_jars):
    batch, out = named_results
    assert len(batch.outcomes) == len(list(named_jars.iterdir()))
    assert len(list(out.glob("jar-*.json"))) == len(batch.outcomes)
    assert len(batch.rows) >= len(batch.outcomes) - 1
    assert len(list(out.glob("overlay-*.jpg"))) == len(batch.rows)


@pytest.mark.photo
def test_no_cell_is_a_formula_and_no_line_breaks(named_results):
    text = (named_results[1] / "readings.csv").read_bytes().decode("utf-8")
    lines = list(csv.reader(text.splitlines()))
    assert len(lines) == len(named_results[0].rows) + 1
    for cell in (cell for line in lines[1:] for cell in line):
        assert not cell.startswith(("=", "@", "+", "\t", "\r"))
        assert not CONTROL.search(cell)


@pytest.mark.photo
def test_overlays_carry_nothing_of_the_photo_s_header(named_results):
    for path in named_results[1].glob("overlay-*.jpg"):
        with Image.open(path) as image:
            assert not image.getexif()
            assert "comment" not in image.info


# --- trees of folders ---------------------------------------------------------------------------


def test_links_that_lead_out_and_folders_that_loop(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    shutil.copy(SAMPLES / "jar-02-48h.jpg", outside / "secret.jpg")
    photos = tmp_path / "photos"
    (photos / "deep").mkdir(parents=True)
    try:
        (photos / "out.jpg").symlink_to(outside / "secret.jpg")
        (photos / "deep" / "again").symlink_to(photos)
        (photos / "up").symlink_to(tmp_path)
    except OSError:
        pytest.skip("no links here")
    done = command("read", "photos", "--out", "out", cwd=tmp_path)
    said = (done.stdout + done.stderr).decode()
    assert "leads out of the folder" in said
    assert not list(tmp_path.glob("out/overlay-*"))
    assert "Traceback" not in said


def test_a_result_s_name_that_is_a_link_is_replaced_and_not_followed(tmp_path):
    (tmp_path / "photos").mkdir()
    shutil.copy(SAMPLES / "jar-02-1min.jpg", tmp_path / "photos")
    (tmp_path / "out").mkdir()
    (tmp_path / "victim").write_text("mine")
    for name in ("jar-2.json", "readings.csv", "photos.json"):
        (tmp_path / "out" / name).symlink_to(tmp_path / "victim")
    batch = read_photos([tmp_path / "photos"], Settings(), out=tmp_path / "out")
    write_table(batch, tmp_path / "out")
    assert (tmp_path / "victim").read_text() == "mine"
    assert not any(path.is_symlink() for path in (tmp_path / "out").iterdir())


def test_ten_thousand_files_that_are_no_photos(tmp_path):
    for count in range(10_000):
        (tmp_path / f"{count}.jpg").touch()
    batch = read_photos([tmp_path], Settings())
    assert len(batch.refused) == 10_000
    assert not batch.outcomes
