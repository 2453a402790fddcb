"""The shape of the project: which room may use which, what loads when, how long a function is."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from house import ROOMS

PACKAGE = Path(__file__).parent.parent / "jarvision"

# Rooms and modules that compute: they never see a picture.
PURE_ROOMS = {"core", "estimate", "garden", "compare"}

HEAVY = {"cv2", "skimage", "scipy"}

LONGEST_BODY = 60
LONGEST_MODULE = 500


def modules():
    return sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE)


def name_of(path):
    """A module as room/module, or room alone for what stands at its door."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return "/".join(part for part in parts if part != "__init__")


MODULES = {name_of(path): path for path in modules()}
each_module = pytest.mark.parametrize("name", MODULES)


def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def imported_names(tree, room=""):
    """Full dotted names that a module of a room imports, anywhere in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = ["jarvision", room][: 3 - node.level] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def own_modules(tree, room=""):
    """The project's modules, as room/module, that a module imports."""
    parts = (name.split(".") for name in imported_names(tree, room))
    found = {"/".join(part[1:3]) for part in parts if part[0] == "jarvision" and len(part) > 1}
    return {name for name in found if name in MODULES or name in ROOMS}


def later_rooms(room, tree):
    rooms = {name.split("/")[0] for name in own_modules(tree, room)}
    return {name for name in rooms if ROOMS.index(name) > ROOMS.index(room)}


def outside_packages(tree):
    return {name.split(".")[0] for name in imported_names(tree)} - {"jarvision", ""}


def test_every_module_stands_in_a_room():
    rooms = {name.split("/")[0] for name in MODULES}
    assert rooms == set(ROOMS), "a room that is not in ROOMS, or one that is empty"
    outside = {path.stem for path in PACKAGE.glob("*.py")}
    assert outside == {"__init__", "__main__"}, "a module belongs in a room"


@each_module
def test_no_room_uses_a_later_one(name):
    later = later_rooms(name.split("/")[0], parsed(MODULES[name]))
    assert not later, f"{name} uses {later}, later in the method than its own room"


@pytest.mark.parametrize(
    "line",
    [
        "import jarvision.results.readings_table",
        "from jarvision.results.readings_table import card",
        "from jarvision.results import readings_table",
        "from jarvision import results",
        "from ..results import report",
        "def late():\n    from jarvision.results import readings_table",
    ],
)
def test_the_use_of_a_later_room_is_noticed(line):
    assert later_rooms("estimate", ast.parse(line)) == {"results"}
    assert later_rooms("cli", ast.parse(line)) == set()


def test_no_imports_run_in_a_circle():
    uses = {
        name: {other for other in own_modules(parsed(path), name.split("/")[0]) if "/" in other}
        for name, path in MODULES.items()
    }
    while free := {name for name, others in uses.items() if not others & set(uses)}:
        uses = {name: others for name, others in uses.items() if name not in free}
    assert not uses, f"these use each other in a circle: {sorted(uses)}"


@each_module
def test_pictures_and_command_lines_stay_in_their_rooms(name):
    room = name.split("/")[0]
    used = outside_packages(parsed(MODULES[name]))
    if room in PURE_ROOMS:
        assert not used & {"cv2", "skimage", "PIL"}, f"{name} computes; it sees no pictures"
    if room != "cli":
        assert "typer" not in used, "the command line lives in cli/ only"
    assert "click" not in used, "typer brings no click of its own; use typer"


@each_module
def test_modules_are_short(name):
    lines = len(MODULES[name].read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_MODULE, f"{name} has {lines} lines"


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


@each_module
def test_functions_are_short(name):
    long = {
        function.name: body_lines(function)
        for function in functions(parsed(MODULES[name]))
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


# To be renamed; nothing may be added here.
STILL_DOUBLE: set[str] = set()


def test_a_class_has_a_name_of_its_own():
    """Who looks for a class by its name finds one."""
    homes = {}
    for name, path in MODULES.items():
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name.lstrip("_"), set()).add(name)
    double = {name: where for name, where in homes.items() if len(where) > 1}
    assert not set(double) - STILL_DOUBLE, double


TESTS = Path(__file__).parent


def test_tests_stand_in_the_room_of_what_they_test():
    beside = {path.stem for path in TESTS.glob("*.py")}
    tests = {"test_accuracy", "test_architecture", "test_package"}
    assert beside == {"accuracy", "benchmark", "conftest", *tests}
    folders = {path.parent.name for path in TESTS.glob("*/*.py")}
    assert folders <= {*ROOMS, "support"}


@pytest.mark.parametrize("path", sorted(TESTS.rglob("*.py")), ids=lambda path: path.stem)
def test_no_test_module_imports_another(path):
    """What two of them need is a helper, and stands in tests/support."""
    names = {name.split(".")[0] for name in imported_names(parsed(path))}
    assert not {name for name in names if name.startswith("test_")}


IMPORT = "import jarvision.cli"
HELP = """
import contextlib, io
from jarvision.cli import main
sys.argv = ["jarvision", "--help"]
with contextlib.redirect_stdout(io.StringIO()) as shown, contextlib.suppress(SystemExit):
    main()
assert "read" in shown.getvalue()
"""


SHARES = "import jarvision.estimate.combine, jarvision.estimate.judge"
READ = "import jarvision.run.engine"  # a run in which nothing has changed needs no more
AGAIN = "import jarvision.results.recompute, jarvision.results.jar_folder"


@pytest.mark.parametrize(
    ("script", "heavy"),
    [
        (IMPORT, HEAVY),
        (HELP, HEAVY),
        (SHARES, HEAVY),
        (READ, {"scipy.ndimage", "scipy.optimize", "skimage"}),
        (AGAIN, {"cv2", "skimage", "PIL", "scipy.stats"}),
    ],
    ids=["import", "help", "shares and doubts", "what read needs", "a result from its file"],
)
def test_nothing_heavy_is_loaded_before_it_is_needed(script, heavy):
    report = f"import sys\n{script}\nprint(*({heavy!r} & set(sys.modules)))"
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
