"""README, lesson, strips' sheet, help and `times` ask for one and the same test."""

import re

import pypdfium2
import pytest
from scenes import ROOT
from typer.testing import CliRunner

from jarvision.cli.app import app
from jarvision.core import protocol
from jarvision.core.doubts import DoubtName, doubt
from jarvision.core.units import UnitSystem
from jarvision.estimate.schedule import plan, table_text
from jarvision.garden.howto import howto_text


def words(text: str) -> str:
    """Text without what lays it out."""
    return " ".join(re.sub(r"[│╭╮╰╯─]", " ", text).split())


def sheet_text() -> str:
    document = pypdfium2.PdfDocument(ROOT / "calibration" / "strips-a4.pdf")
    return "".join(page.get_textpage().get_text_range() for page in document)


README = words((ROOT / "README.md").read_text("utf-8"))
LESSON = words(howto_text())
SHEET = words(sheet_text())
TIMES = words(table_text(plan(110.0)))
SMALL = doubt(DoubtName.SMALL_IN_PICTURE, photo="x").sentence
HELP = words(CliRunner().invoke(app, ["read", "--help"], terminal_width=200).output)


@pytest.mark.parametrize(
    ("said", "places"),
    [
        (protocol.DETERGENT, (README, LESSON)),
        ("liquid soap keeps no clay apart", (README, LESSON)),
        (protocol.SOIL, (README, LESSON)),
        (protocol.FRAMING, (README, LESSON, SHEET, SMALL)),
        (protocol.TIMES, (README, LESSON, SHEET, TIMES)),
        (protocol.MORE_TIMES, (README, LESSON, TIMES)),
    ],
)
def test_the_same_words_stand_everywhere(said: str, places: tuple[str, ...]) -> None:
    for text in places:
        assert said.casefold() in text.casefold()


def test_nothing_else_is_asked_for() -> None:
    everything = " ".join((README, LESSON, SHEET, TIMES, HELP, words(howto_text(UnitSystem.US))))
    everything = everything.replace("some put silt at 6 hours", "")  # what a source says
    for other in ("a sixth", "a third of the jar is", "24 hours", "6 hours", "40 seconds", "40 s "):
        found = everything.replace(protocol.SOIL, "").replace('"40 s 23; 7 h 12"', "")
        assert other not in found, other


def test_the_times_are_those_that_photos_are_read_at() -> None:
    """Extension leaflets: 1 minute, 2 hours, 48 hours."""
    assert protocol.TIMES == "1 minute, 2 hours and 48 hours"
    assert protocol.MORE_TIMES_S == (5 * 60, 8 * 3600)
