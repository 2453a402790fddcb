"""Guide and ribbon of a jar whose sand's grains were seen."""

import pytest
from sand_record import FINE, record
from typer.testing import CliRunner

from jarvision.cli.app import app
from jarvision.results.codec import json_of


@pytest.fixture(params=[True, False], ids=["seen", "not seen"])
def folder(request, tmp_path):
    """Whether a jar's grains were seen, and the folder of results that holds it."""
    jar = record(FINE if request.param else None)
    (tmp_path / "jar-5.json").write_text(json_of(jar), encoding="utf-8")
    return request.param, tmp_path


def said(*words):
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


def test_guide_says_what_its_sand_changes(folder):
    seen, path = folder
    text = said("guide", "--jar", 5, "--readings", path)
    assert ("Its sand" in text) is seen
    assert ("wind erodibility group" in text) is seen


def test_ribbon_has_its_witness(folder):
    seen, path = folder
    text = said("ribbon", "2 cm", "2 cm", "--feel", "gritty", "--jar", 5, "--readings", path)
    assert ("of the jar's sand is fine or very fine" in text) is seen
