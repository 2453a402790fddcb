"""Results are read again when, and only when, what they rest on has changed."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import jarvision
from jarvision.results import fingerprint
from jarvision.results.fingerprint import program, what_a_reading_rests_on

PACKAGE = Path(jarvision.__file__).parent


@pytest.fixture
def copy(tmp_path, monkeypatch):
    """The program's text, where it may be changed; `program` is asked about it."""
    where = shutil.copytree(
        PACKAGE, tmp_path / "jarvision", ignore=shutil.ignore_patterns("__pycache__")
    )
    monkeypatch.setattr(fingerprint, "__file__", str(where / "results" / "fingerprint.py"))
    program.cache_clear()
    yield where
    program.cache_clear()


def after(change, path):
    """What the program is called after a change of one of its files."""
    before = program()
    path.parent.mkdir(parents=True, exist_ok=True)
    change(path)
    program.cache_clear()
    return before, program()


def add_a_line(path):
    with path.open("a", encoding="utf-8") as file:
        file.write("\n# a change\n")


@pytest.mark.parametrize(
    "name",
    [
        "data/strip.toml",
        "wall/stack_weights.toml",
        "core/doubts.py",
        "photo/decode.py",
        "jar/geometry.py",
        "wall/layers.py",
        "wall/read.py",
        "estimate/combine.py",
        "estimate/texture.py",
        "results/codec.py",
        "run/one_jar.py",
        "pages/overlay.py",
        "pages/palette.py",
        "wall/deeper/still_deeper.py",
        "jar/deeper/__init__.py",
    ],
)
def test_what_reads_a_jar_changes_it(copy, name):
    before, now = after(add_a_line, copy / name)
    assert before != now


@pytest.mark.parametrize(
    "name", ["garden/crops.py", "garden/guide.py", "pages/jar_page.py", "compare/slips.py"]
)
def test_what_only_uses_a_result_does_not(copy, name):
    assert (copy / name).exists()
    before, now = after(add_a_line, copy / name)
    assert before == now


def test_a_module_that_is_gone_changes_it(copy):
    before, now = after(Path.unlink, copy / "estimate" / "judge.py")
    assert before != now


def test_every_module_that_a_reading_loads_is_among_them():
    """Asked of Python itself: what is loaded when the module that reads a jar is imported."""
    script = "import sys, jarvision.run.engine\nprint(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    resting = {path.resolve() for path in what_a_reading_rests_on(PACKAGE)}
    for name in (n for n in done.stdout.split() if n.split(".")[0] == "jarvision"):
        path = PACKAGE.parent / Path(*name.split("."))
        path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
        makes_html = path.name == "markup.py"  # an overlay has none
        is_door = path.name == "__init__.py" and len(path.read_text(encoding="utf-8")) < 200
        assert is_door or makes_html or path.resolve() in resting, name
