"""Two classes read together: each folder's own list speaks to its own photos alone."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from PIL import Image
from scenes import sample
from typer.testing import CliRunner

from jarvision.cli.app import app
from jarvision.run.engine import plan_photos
from jarvision.run.jars_table import read_manifests
from jarvision.run.settings import Settings


@pytest.fixture
def classes(tmp_path: Path) -> list[Path]:
    """Two folders with photos of strip 21; those of the second do not say when they were taken."""
    folders = [tmp_path / "class A", tmp_path / "class B"]
    for folder in folders:
        folder.mkdir()
    for reading in ("1min", "48h"):
        photo = sample("21", reading)
        shutil.copy(photo, folders[0])
        Image.open(photo).save(folders[1] / photo.name, quality=92)
    return folders


def test_each_folder_has_its_own_list(classes: list[Path]) -> None:
    first, second = classes
    (first / "jars.csv").write_text("jar,name,bed,water_temp_c\n21,Ada,north,17\n")
    (second / "jars.csv").write_text("jar,name,photos\nplot,Zoe,*\n")
    settings = Settings(manifest=read_manifests(classes))
    plan = plan_photos(classes, settings)
    assert [(jar.jar, len(jar.timed)) for jar in plan.jars] == [("21", 2), ("plot", 2)]
    assert {jar: row.name for jar, row in plan.rows.items()} == {"21": "Ada", "plot": "Zoe"}
    assert settings.of_jar("21", plan.rows["21"]).facts.temp_c == 17
    assert settings.of_jar("plot", plan.rows["plot"]).facts.temp_c is None
    assert plan.notes == ()
    # the same from the folder above, whose own list would speak to neither
    (first.parent / "jars.csv").write_text("jar,name,photos\n21,Eve,*.jpg\n")
    above = plan_photos([first.parent], Settings(manifest=read_manifests([first.parent])))
    assert {jar: row.name for jar, row in above.rows.items()} == {"21": "Ada", "plot": "Zoe"}
    assert above.notes == ('No photo fits "*.jpg" on line 2 of the list of jars.',)


def test_one_strip_in_two_lists_is_two_jars(classes: list[Path]) -> None:
    for folder, name in zip(classes, ("Ada", "Zoe"), strict=True):
        (folder / "jars.csv").write_text(f"jar,name\n21,{name}\n")
    plan = plan_photos(classes, Settings(manifest=read_manifests(classes)))
    assert {jar: row.name for jar, row in plan.rows.items()} == {
        "21 (class A)": "Ada",
        "21 (class B)": "Zoe",
    }


def test_a_line_keeps_the_photos_that_it_names_and_no_others(classes: list[Path]) -> None:
    """Both folders hold strip 21; the line names one folder, so that the other is another jar."""
    above = classes[0].parent
    (above / "jars.csv").write_text("jar,name,photos\n21,Ada,class A\n")
    plan = plan_photos([above], Settings(manifest=read_manifests([above])))
    assert [(jar.jar, len(jar.timed)) for jar in plan.jars] == [("21", 2), ("21 (class B)", 2)]
    assert set(plan.rows) == {"21"}
    assert "read as several" in plan.notes[0]


def test_the_plan_shows_folders(classes: list[Path]) -> None:
    out = CliRunner().invoke(app, ["read", *map(str, classes), "--dry-run"]).output
    assert re.search(r"folder +photo", out)
    assert "class A" in out
    alone = CliRunner().invoke(app, ["read", str(classes[0]), "--dry-run"]).output
    assert "folder" not in alone
