"""What is being done, shown on a terminal while it lasts."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from jarvision.cli.console import console
from jarvision.core.errors import JarError

if TYPE_CHECKING:
    from rich.console import Console

    from jarvision.run.settings import Progress


@contextmanager
def shown_progress(*, told: bool = False) -> Iterator[Progress]:
    """Show what is being done, on a terminal only; `told`: on lines for the program that asks."""
    if told:
        yield tell_line
        return
    terminal = _terminal()
    if terminal is None:
        with _saying_when_stopped():
            yield lambda what, done, of: None
        return
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total}"),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=terminal, transient=True) as bar:
        task = bar.add_task("", total=None, visible=False)  # until there is a number to show
        last = ""

        def tell(what: str, done: int, of: int) -> None:
            nonlocal last
            if what != last:  # each kind of work has its own pace
                bar.reset(task)
                last = what
            bar.update(task, description=what, completed=done, total=of, visible=True)

        with _saying_when_stopped():
            yield tell


def _terminal() -> Console | None:
    """Give the terminal that is written to; where there is none, nothing is loaded for it."""
    if not sys.stderr.isatty() and _SAID_TO_BE_ONE.isdisjoint(os.environ):
        return None
    terminal = console(sys.stderr)
    return terminal if terminal.is_terminal else None  # older ones print an empty line there


_SAID_TO_BE_ONE = frozenset({"FORCE_COLOR", "TTY_COMPATIBLE"})  # by the user, to rich


def tell_line(what: str, done: int, of: int) -> None:
    """Tell another program what is being done."""
    print(f"\t{what}\t{done}\t{of}", flush=True)  # noqa: T201


@contextmanager
def _saying_when_stopped() -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt:  # the option parser would end without a word
        msg = "Stopped; what was read so far is kept, and the next run goes on from there."
        raise JarError(msg) from None
