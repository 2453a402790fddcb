"""The README as a newcomer follows it: short, its commands as the program takes them."""

import re
import shlex

import pytest
import typer
from scenes import ROOT
from typer.testing import CliRunner

from jarvision.cli.app import app

TEXT = (ROOT / "README.md").read_text("utf-8")
PROGRAM = typer.main.get_command(app)
TYPED = [shlex.split(found) for found in re.findall(r"`jarvision ([a-z][^`]*)`", TEXT)]


def test_it_is_short() -> None:
    """Our own limit: what can be read before the first jar is filled."""
    assert len(TEXT.split()) <= 1700


def test_the_program_is_put_on_the_path_before_it_is_called_bare() -> None:
    installed, tested, activated = (
        TEXT.index(word) for word in ("-m venv", "-m pytest", "source .venv/bin/activate")
    )
    assert installed < activated < tested < TEXT.index("`jarvision ")
    # what CI runs
    assert len(re.findall(r"(?m)^python3 -m venv", TEXT)) == 2


def test_every_command_is_in_it() -> None:
    assert {words[0] for words in TYPED} == set(PROGRAM.commands)


@pytest.mark.parametrize("words", TYPED, ids=" ".join)
def test_commands_are_such_as_are_understood(words: list[str]) -> None:
    if "--help" in words or words == ["times"]:
        return
    with PROGRAM.make_context("jarvision", list(words)) as top:
        PROGRAM.commands[words[0]].make_context(words[0], words[1:], parent=top).close()


def test_options_are_such_as_there_are() -> None:
    known = {
        option
        for command in PROGRAM.commands.values()
        for parameter in command.params
        for option in parameter.opts
    }
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", TEXT)) <= known | {"--help"}


@pytest.mark.parametrize("command", ["times", "ribbon", "howto"])
def test_examples_that_need_no_photo_run(command: str) -> None:
    [words] = [typed for typed in TYPED if typed[0] == command]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    "said",
    [
        "has not been validated yet",
        "checked against a simulator and not against laboratories",
        "nine times in ten",
        "tried on drawn sands only",
        "never leave your computer (unless you send the work to a cluster)",
        "runs any code that is sent to it",
        "Dry soil dust holds silica",
        "alkaline and harms eyes and skin",
        "lead or other contamination",
        "Not for septic systems",
    ],
)
def test_cautions_and_limits_stand_in_it(said: str) -> None:
    assert said in TEXT
