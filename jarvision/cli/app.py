"""The command line: its commands, and the only place where errors become text."""

from __future__ import annotations

from typing import Annotated

import typer

from jarvision import __version__
from jarvision.cli import bench, compare, read, soil, strip, tables
from jarvision.cli.console import prepare_streams, run_quietly, say

app = typer.Typer(
    name="jarvision",
    help="Read soil settling jars from photos: heights, shares, texture class, and every doubt.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)


def _say_version(wanted: bool) -> None:
    if wanted:
        say(f"jarvision {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool,
        typer.Option("--version", help="Say which version it is.", callback=_say_version),
    ] = False,
) -> None:
    """Read soil settling jars from photos: heights, shares, texture class, and every doubt."""


for commands in (read, compare, strip, soil, bench, tables):
    commands.add_to(app)


def main() -> None:
    """Run the command line; every error becomes one sentence and an exit code."""
    prepare_streams()
    raise SystemExit(run_quietly(lambda: app(standalone_mode=False)))


if __name__ == "__main__":
    main()
