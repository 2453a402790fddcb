"""The shape of the project: which module may use which, what loads when, how long a function is."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "jarvision"

# Each module may import only modules that stand before it. A new module goes where it belongs in
# this list; names that do not exist yet keep their place.
ORDER = [
    "errors",
    "measured",
    "units",
    "sources",
    "sections",
    "cautions",
    "stripdata",
    "files",
    "photo",
    "texture",
    "composition",
    "report",
    "grouping",
    "optics",
    "scale",
    "ruler",
    "profiles",
    "jar",
    "wallmap",
    "layers",
    "onglass",
    "inklines",
    "tapes",
    "penmarks",
    "clay",
    "bare",
    "census",
    "outlines",
    "floor",
    "scaleaids",
    "look",
    "reading",
    "overlay",
    "water",
    "settling",
    "evidence",
    "priors",
    "stacking",
    "weighing",
    "schedule",
    "byweight",
    "soil",
    "soilwater",
    "ribbon",
    "nutrients",
    "crops",
    "amendments",
    "priorities",
    "guide",
    "howto",
    "strips",
    "workers",
    "jarfile",
    "kept",
    "cluster",
    "markup",
    "canvas",
    "triangle",
    "drawings",
    "figures",
    "pictures",
    "page",
    "tables",
    "offered",
    "beds",
    "html",
    "folderhtml",
    "reportfolder",
    "manifest",
    "jarjson",
    "batch",
    "marks",
    "agreement",
    "slips",
    "compare",
    "cli_jar",
    "cli_soil",
    "comparehtml",
    "cli_class",
    "cli",
]

# Entry points of the package itself, outside the flow.
OUTSIDE = {"__init__", "__main__"}

# Modules that compute: they never see a picture or a command line.
PURE = {
    "errors",
    "measured",
    "units",
    "sources",
    "texture",
    "composition",
    "water",
    "settling",
    "weighing",
    "schedule",
    "soilwater",
    "ribbon",
    "crops",
    "amendments",
    "guide",
    "report",
}

HEAVY = {"cv2", "skimage", "scipy"}

LONGEST_BODY = 60


def modules():
    return sorted(path for path in PACKAGE.rglob("*.py") if path.stem not in OUTSIDE)


def imported_names(tree):
    """Full dotted names that a module imports, anywhere in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join(["jarvision", base]).rstrip(".")
            if base == "jarvision":
                yield from (f"jarvision.{alias.name}" for alias in node.names)
            else:
                yield base


def own_modules(tree):
    names = (name.split(".") for name in imported_names(tree))
    return {name[1] for name in names if name[0] == "jarvision" and len(name) > 1}


def outside_packages(tree):
    return {name.split(".")[0] for name in imported_names(tree)} - {"jarvision"}


def backward_imports(module, tree):
    place = ORDER.index(module)
    return {
        name
        for name in own_modules(tree)
        if not name.startswith("__") and (name not in ORDER or ORDER.index(name) >= place)
    }


def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def test_every_module_has_its_place():
    unplaced = [path.stem for path in modules() if path.stem not in ORDER]
    assert not unplaced, (
        f"{unplaced}: add each to ORDER in tests/test_architecture.py, after every module that it "
        "imports and before every module that imports it"
    )


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.stem)
def test_modules_import_only_earlier_ones(path):
    if path.stem not in ORDER:
        pytest.skip("reported by test_every_module_has_its_place")
    backward = backward_imports(path.stem, parsed(path))
    assert not backward, f"{path.stem} imports {backward}, which stand at or after it in ORDER"


@pytest.mark.parametrize(
    "line",
    [
        "import jarvision.report",
        "from jarvision.report import card",
        "from jarvision import report",
        "from .report import card",
        "from . import report",
        "def late():\n    from jarvision import report",
    ],
)
def test_a_backward_import_is_noticed(line):
    assert backward_imports("texture", ast.parse(line)) == {"report"}
    assert backward_imports("cli", ast.parse(line)) == set()


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.stem)
def test_pictures_and_command_lines_stay_in_their_modules(path):
    used = outside_packages(parsed(path))
    if path.stem in PURE:
        assert not used & {"cv2", "skimage", "PIL"}, f"{path.stem} computes; it sees no pictures"
    if not path.stem.startswith("cli"):
        assert "typer" not in used, "the command line lives in cli.py only"
    assert "click" not in used, "typer brings no click of its own; use typer"


def body_lines(function):
    """Lines of a function's body, its docstring left out."""
    first, *rest = function.body
    if ast.get_docstring(function, clean=False) is not None:
        if not rest:
            return 0
        first = rest[0]
    return function.end_lineno - first.lineno + 1


def functions(tree):
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [node for node in ast.walk(tree) if isinstance(node, kinds)]


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.stem)
def test_functions_are_short(path):
    long = {
        function.name: body_lines(function)
        for function in functions(parsed(path))
        if body_lines(function) > LONGEST_BODY
    }
    assert not long, f"split these, at most {LONGEST_BODY} lines each: {long}"


def test_body_lines_are_counted_without_the_docstring():
    [function] = functions(
        ast.parse('def f():\n    """Doc\n\n    string."""\n    a = 1\n    return a')
    )
    assert body_lines(function) == 2
    [empty] = functions(ast.parse('def f():\n    """Doc."""'))
    assert body_lines(empty) == 0


IMPORT = "import jarvision.cli"
HELP = """
import contextlib, io
from jarvision.cli import main
sys.argv = ["jarvision", "--help"]
with contextlib.redirect_stdout(io.StringIO()) as shown, contextlib.suppress(SystemExit):
    main()
assert "read" in shown.getvalue()
"""


@pytest.mark.skipif(not (PACKAGE / "cli.py").exists(), reason="there is no command line yet")
@pytest.mark.parametrize("script", [IMPORT, HELP], ids=["import", "help"])
def test_help_loads_nothing_heavy(script):
    report = f"import sys\n{script}\nprint(*({HEAVY!r} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-B", "-c", report],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=PACKAGE.parent,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "", f"loaded before it is needed: {done.stdout}"
