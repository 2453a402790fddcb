"""Write the package's tree into DEVELOPERS.md, a line a module, and the help that is shown at once.

    python tests/support/house.py

Run it after a module was added, moved or renamed, or a command; the tests tell when it is due.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "DEVELOPERS.md"
HELP = ROOT / "jarvision" / "data" / "help.txt"
START, END = "<!-- the house: tests/support/house.py -->\n", "<!-- end of the house -->\n"
# In the order of the method: a module may use its own room and earlier ones.
ROOMS = [
    "core",
    "photo",
    "jar",
    "wall",
    "estimate",
    "results",
    "garden",
    "compare",
    "pages",
    "run",
    "bench",
    "cli",
]


def first_words(path: Path) -> str:
    """A module's first line, without its full stop; long ones end at a word."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return text.split("\n\n")[0].replace("\n", " ").rstrip(".")


def house() -> str:
    """The tree as Markdown."""
    lines = []
    for room in ROOMS:
        folder = ROOT / "jarvision" / room
        lines += ["", f"**`{room}/`** {first_words(folder / '__init__.py')}", ""]
        modules = sorted(path for path in folder.glob("*.py") if path.stem != "__init__")
        lines += [f"- `{path.stem}`: {first_words(path)}" for path in modules]
    return "\n".join(lines[1:]) + "\n"


def written() -> str:
    """The tree as it stands in the page."""
    return PAGE.read_text(encoding="utf-8").partition(START)[2].partition(END)[0]


def help_text() -> str:
    """The help of the whole program without the program's own name, as it is worked out."""
    from typer.testing import CliRunner

    from jarvision.cli.app import app

    shown = CliRunner().invoke(app, ["--help"], prog_name="jarvision", terminal_width=78)
    return shown.output.removeprefix("Usage: jarvision ")


def main() -> int:
    """Put the tree in place of the older one, and the help."""
    HELP.write_text(help_text(), encoding="utf-8")
    text = PAGE.read_text(encoding="utf-8")
    before, _, rest = text.partition(START)
    PAGE.write_text(before + START + house() + END + rest.partition(END)[2], encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
