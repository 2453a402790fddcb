"""Hundreds of attacks on the command line: no traceback, no hang, nobody's file changed, no lie.

The corpus is made by code (`attacks`); each command runs in a process of its own that is ended
after `LIMIT_S` seconds. The counts are printed.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass

import pytest
from attacks import Attack, attacks
from scenes import ROOT

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a process for each command"),
]

LIMIT_S = 60
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
TRACES = ("Traceback", "Something went wrong", "Exception ignored", "Fatal Python error")
# What a command may make or replace in its folder; all else is the user's.
MADE = re.compile(r"out(/|$)|s\.pdf|t\.ics|copy/(report|compared|howto)[^/]*$|strips\.pdf$|c\.ics$")


@dataclass(frozen=True)
class Told:
    """What became of an attack."""

    attack: Attack
    code: int | None
    out: str
    err: str
    seconds: float
    changed: tuple[str, ...]
    bold: tuple[str, ...]


def contents(folder):
    """Every file, link and pipe of a folder with a digest of what is in it."""
    found = {}
    for place, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(place, name)  # noqa: PTH118
            key = os.path.relpath(path, folder)
            if os.path.islink(path):  # noqa: PTH114
                found[key] = os.readlink(path)  # noqa: PTH115
            elif os.path.isfile(path):  # noqa: PTH113
                with open(path, "rb") as file:  # noqa: PTH123
                    found[key] = hashlib.sha256(file.read()).hexdigest()
            else:
                found[key] = "special"
    return found


def bold_results(folder):
    """Jars' results that name a class without any doubt, of pictures that show no jar."""
    for path in (folder / "out").glob("jar-*.json"):
        data = json.loads(path.read_text(encoding="utf-8"))
        if "unread" not in data and not data["doubts"]:
            yield path.name


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    place = tmp_path_factory.mktemp("attacks")
    with subprocess.Popen(
        [sys.executable, str(ROOT / "tests" / "support" / "forker.py")],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as forker:
        found = [
            one(attack, place / f"{number:04d}", forker)
            for number, attack in enumerate(attacks(place / "shelf"))
        ]
        forker.stdin.close()
    return found


def one(attack, folder, forker):
    folder.mkdir()
    attack.prepare(folder)
    before = contents(folder)
    case = {"argv": attack.argv, "folder": str(folder), "setup": attack.setup, "limit_s": LIMIT_S}
    forker.stdin.write(json.dumps(case) + "\n")
    forker.stdin.flush()
    answer = json.loads(forker.stdout.readline())
    after = contents(folder)
    changed = {
        name
        for name in before.keys() | after.keys()
        if before.get(name) != after.get(name) and (name in before or not MADE.match(name))
    }
    bold = tuple(bold_results(folder)) if attack.kind == "pictures" else ()
    return Told(attack, changed=tuple(sorted(changed)), bold=bold, **answer)


def named(told):
    return [f"{t.attack.kind}: {t.attack.name}: {t.code} {t.err[-300:]!r}" for t in told]


def test_the_corpus_is_large(told, request):
    kinds = Counter(t.attack.kind for t in told)
    figures = {
        "cases": len(told),
        "tracebacks": sum(is_trace(t) for t in told),
        "hangs": sum(t.code is None for t in told),
        "user's files changed": sum(bool(t.changed) for t in told),
        "silent wrong results": sum(is_wrong(t) for t in told),
    }
    capture = request.config.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled():
        print("\n\nattacks:", ", ".join(f"{name} {count}" for name, count in figures.items()))
        print("  ", ", ".join(f"{name} {count}" for name, count in sorted(kinds.items())))
        print("   slowest:", *(f"{t.seconds:.1f} s {t.attack.name};" for t in slowest(told)))
    assert len(told) >= 500


def slowest(told):
    return sorted(told, key=lambda t: -t.seconds)[:3]


def is_trace(one):
    return one.code not in {0, 1, 2, None} or any(w in one.out + one.err for w in TRACES)


def is_wrong(one):
    passed = one.attack.refused and one.code == 0
    return bool(one.bold) or passed or (one.attack.usage and one.code in {0, 1})


def test_no_traceback_reaches_a_user(told):
    assert not named(filter(is_trace, told))


def test_nothing_hangs(told):
    assert not named(t for t in told if t.code is None)


def test_the_users_files_stay_as_they_are(told):
    assert not [(t.attack.kind, t.attack.name, t.changed) for t in told if t.changed]


def test_nothing_wrong_is_said_as_if_it_were_right(told):
    assert not named(filter(is_wrong, told))


def test_whoever_is_refused_is_told_why(told):
    """A sentence on one of the two streams, and no more than a few lines of it."""
    silent = [t for t in told if t.code and not (t.out + t.err).strip()]
    # where no file may grow, this test's own record of what was printed cannot either
    assert not named(t for t in silent if not re.match("closed errors|.* up to", t.attack.name))


def test_nothing_printed_steers_a_terminal(told):
    assert not named(t for t in told if CONTROL.search(t.out) or CONTROL.search(t.err))


def test_decoders_keep_quiet(told):
    """On the error stream stands one sentence at most."""
    loud = [t for t in told if len(t.err.strip().splitlines()) > 3]
    assert not named(loud)
