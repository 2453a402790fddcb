"""The wheel: built, installed elsewhere, it holds every room and reads a sample jar by itself."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from scenes import ROOT, sample

pytestmark = pytest.mark.slow


def run(*words, cwd, **environment):
    done = subprocess.run(
        [sys.executable, *map(str, words)],
        cwd=cwd,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", **environment},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    pytest.importorskip("hatchling", reason="the wheel is built with hatchling")
    place = tmp_path_factory.mktemp("wheel")
    run("-m", "hatchling", "build", "-t", "wheel", "-d", place, cwd=ROOT)
    [made] = place.glob("*.whl")
    return made


def test_the_wheel_holds_every_file_of_the_package(wheel):
    held = set(zipfile.ZipFile(wheel).namelist())
    package = ROOT / "jarvision"
    files = [p for p in package.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    assert not {p.relative_to(ROOT).as_posix() for p in files} - held
    data = {p for p in (ROOT / "calibration").glob("*/*") if p.is_file()}
    assert not {f"jarvision/{p.relative_to(ROOT).as_posix()}" for p in data} - held


def test_an_installed_wheel_reads_a_jar(wheel, tmp_path):
    """From another folder, with the installed copy alone on the path before all else."""
    installed, out = tmp_path / "site", tmp_path / "out"
    with zipfile.ZipFile(wheel) as file:
        file.extractall(installed)
    alone = {"PYTHONPATH": str(installed)}
    where = run("-c", "import jarvision; print(jarvision.__file__)", cwd=tmp_path, **alone)
    assert Path(where.strip()).is_relative_to(installed)

    photos = [sample("02", reading) for reading in ("1min", "2h", "48h")]
    said = run("-m", "jarvision", "read", *photos, "--out", out, cwd=tmp_path, **alone)
    assert "Jar 2" in said
    result = json.loads((out / "jar-2.json").read_text(encoding="utf-8"))
    assert result["jar"] == "2"

    names = "from jarvision.core.packaged_files import calibration_names as n; print(n('jars'))"
    assert "[]" not in run("-c", names, cwd=tmp_path, **alone)
    strips = tmp_path / "strips.pdf"
    run("-m", "jarvision", "strips", "--jars", "1-2", "--out", strips, cwd=tmp_path, **alone)
    assert strips.read_bytes().startswith(b"%PDF")
