"""The command line."""

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_STOPPED = "Stopped before anything was read."
_HELP = Path(__file__).parents[1] / "data" / "help.txt"
_HELP_COLUMNS = 80


def main() -> None:
    """Run it; loading it can be stopped as well, and says so."""
    if sys.argv[1:] == ["--help"] and _show_help():
        return
    try:
        with loading():
            from jarvision.cli.app import main as run
    except KeyboardInterrupt:
        sys.stderr.write(f"{_STOPPED}\n")
        raise SystemExit(1) from None
    run()


@contextmanager
def loading() -> Iterator[None]:
    """Load modules without looking again and again for what could be freed: nothing could.

    Later looks leave out what was loaded, too; they would go through all of it.
    """
    before = len(sys.modules)
    gc.disable()
    try:
        yield
    finally:
        if len(sys.modules) > before:
            gc.freeze()
        gc.enable()


def _show_help() -> bool:
    """Print the help that was written down, before anything is loaded; whether that was done.

    What cannot be printed, or not so wide, is left to the program.
    """
    name = {"__main__.py": "python -m jarvision", "jarvision": "jarvision"}
    try:
        program = name[os.path.basename(sys.argv[0])]  # noqa: PTH119 - as it was typed
        wide = os.environ.get("COLUMNS") or (
            os.get_terminal_size(1).columns if sys.stdout.isatty() else _HELP_COLUMNS
        )
        if int(wide) < _HELP_COLUMNS:
            return False
        sys.stdout.write(f"Usage: {program} {_HELP.read_text(encoding='utf-8')}")
        sys.stdout.flush()
    except (AttributeError, KeyError, OSError, ValueError):
        return False
    return True
