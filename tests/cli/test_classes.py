"""`read --classes`: names on the command line, and the files that it writes."""

import csv
import xml.etree.ElementTree as ET

import pytest
from report_samples import jar_dict, weight_dict, write_jar

from jarvision.cli.classes import say_classes, standards_named
from jarvision.core.errors import UsageError


def test_several_standards_in_one_word_or_in_many():
    keys = [each.key for each in standards_named(["uk,german", "FAO", "uk"])]
    assert keys == ["uk", "german", "fao"]
    assert standards_named([]) == ()


def test_an_unknown_standard_is_refused():
    with pytest.raises(UsageError, match="known are usda, uk, fao, german"):
        standards_named(["uk,latvian"])


def test_the_runs_jars_are_printed_written_and_drawn(tmp_path, capsys):
    for name, by_weight in (("5", True), ("6", False), ("7", True)):
        write_jar(tmp_path, jar_dict(name, by_weight=weight_dict() if by_weight else None))
    say_classes(tmp_path, {"5", "6"}, standards_named(["uk,german"]))
    said = capsys.readouterr().out
    assert "Jar 5\n  By weight, in other standards" in said
    assert "Jar 6: other standards are by weight" in said
    assert "Jar 7" not in said  # of an earlier run
    with (tmp_path / "classes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["jar"], row["standard"]) for row in rows] == [("5", "uk"), ("5", "german")]
    drawings = sorted(path.name for path in tmp_path.glob("triangle-*.svg"))
    assert drawings == ["triangle-5-german.svg", "triangle-5-uk.svg"]
    root = ET.parse(tmp_path / drawings[0]).getroot()
    assert root.tag.endswith("svg")
