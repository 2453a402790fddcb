"""A corpus of attacks on the command line, made by code from a seed: what users and strangers do.

Each case is a folder, an argument list and what must not happen. Nothing here judges; that is
`test_attacks`. Pictures come from `hostile`; none of them shows a jar, so that any class named
without a doubt is wrong.
"""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hostile import ODD_NAMES, encoded, picture, write_hostile
from report_samples import jar_dict, unread_dict, weight_dict, write_jar

SEED = 20260504


@dataclass(frozen=True)
class Attack:
    """One command in one folder.

    Attributes
    ----------
    kind : str
        Group, for the count.
    name : str
        What is done, short.
    argv : tuple of str
        Arguments of the command.
    prepare : callable
        Makes the folder's contents; they are the user's and must stay as they are.
    refused : bool
        Whether nothing right can come of it, so that exit code 0 would be a wrong result.
    usage : bool
        Whether what was typed is what is wrong, which is exit code 2 and nothing else.
    setup : str
        Python run in the process before the command, such as limits of the system.
    """

    kind: str
    name: str
    argv: tuple[str, ...]
    prepare: Callable[[Path], None] = field(default=lambda folder: None)
    refused: bool = False
    usage: bool = False
    setup: str = ""


def attacks(shelf: Path) -> Iterator[Attack]:
    """Yield the whole corpus; `shelf` is a folder for what many cases share."""
    rng = random.Random(SEED)
    yield from _pictures(shelf / "pictures")
    yield from _tables(rng)
    yield from _profiles(rng)
    yield from _beds(rng)
    yield from _options(rng)
    yield from _results(rng)
    yield from _systems()


def _file(name: str, data: bytes | str) -> Callable[[Path], None]:
    raw = data.encode("utf-8", "surrogatepass") if isinstance(data, str) else data
    return lambda folder: (folder / name).write_bytes(raw) and None


def _several(*steps: Callable[[Path], None]) -> Callable[[Path], None]:
    def prepare(folder: Path) -> None:
        for step in steps:
            step(folder)

    return prepare


PLAIN = encoded(picture(), "jpg")
_photo = _file("a.jpg", PLAIN)
# What is refused at once is enough where it is not about the photo.
_no_photo = _file("a.jpg", b"no picture")


# --- pictures -----------------------------------------------------------------------------------


def _pictures(shelf: Path) -> Iterator[Attack]:
    shelf.mkdir(parents=True)
    # all of them are read at once elsewhere; here a part, each by itself
    for count, made in enumerate(write_hostile(shelf)):
        if "\0" in str(made.path) or count % 3:
            continue
        name = f"{count:03d} {made.why}"
        yield Attack("pictures", name, ("read", str(made.path), "--out", "out"), refused=True)


# --- tables -------------------------------------------------------------------------------------

_JARS = (
    "jar,name,bed,shaken_at,photos,water temp,soil mm,soil g,om,dispersant,clarity\n"
    "5,Ann,north,2026-05-04 09:00,IMG_1 to IMG_3,20.5,60,300,3,yes,clear\n"
    "6,Bob,south,04.05.2026 9:00,a*;b?,68 F,6 cm,,,no,hazy\n"
)
_NAMES = "jar,name\n1,Rosa\n2,José\n3,花子\n"
_MARKS = "jar,reader,sand_mm,silt_mm,clay_mm\n5,Ann,20,40,50\n5,Bob,2 cm,4 cm,5 cm\n"
_BEDS = "jar,bed,depth,dug,area,organic matter,notes\n5,North,0-15 cm,2026-05-04,9 m2,3 %,x\n"

# Whole tables that mean harm; each must be read or refused in one sentence.
_TABLES = {
    "empty": b"",
    "one zero": b"\0",
    "zeros": bytes(5_000),
    "noise": random.Random(1).randbytes(5_000),
    "utf-16": _JARS.encode("utf-16"),
    "utf-16 without a mark": _JARS.encode("utf-16-le"),
    "utf-32": _JARS.encode("utf-32"),
    "half a character": b"jar,name\n5,Jos" + b"\xc3",
    "old Mac": _JARS.replace("\n", "\r").encode(),
    "mixed ends": _JARS.replace("\n", "\r\n", 1).encode(),
    "open quote": b'jar,name\n5,"Ann\n6,Bob\n',
    "quote in a cell": b'jar,name\n5,An"n\n',
    "cell of 131 kB": b"jar,name\n5," + b"x" * 140_000,
    "row of commas": b"jar" + b"," * 100_000 + b"\n5\n",
    "same column often": b"jar,jar,jar\n5,6,7\n",
    "no columns": b"\n\n\n",
    "only a head": b"jar,name\n",
    "many rows": b"jar\n" + b"".join(b"%d\n" % i for i in range(30_000)),
    "too large": b"jar,name\n" + b"5,x\n" * 600_000,
    "number of 5,000 digits": b"jar,name,soil mm\n" + b"9" * 5_000 + b",x," + b"9" * 5_000,
    "runaway range": b"jar,photos\n5," + b"1" * 1_900 + b" to " + b"2" * 1_900 + b"!\n",
    "ranges of 276 kB": b"jar,photos\n"
    + b"".join(b"%d,1 to 1999\n" % i for i in range(100, 20_000)),
    "runaway range often": b"jar,photos\n"
    + b"".join(b"%d,%s to %s!\n" % (i, b"1" * 1_900, b"2" * 1_900) for i in range(400)),
    "stars": b"jar,photos\n" + b"".join(b"%d,%s\n" % (i, b"*a" * 900) for i in range(300)),
    "brackets": b"jar,photos\n5,[[[[a-z!-\n6,[]\n7,[!\n",
    "blanks": b"jar,shaken at\n5,2026" + b" " * 3_000 + b"x\n",
    "formulas": b"jar,name,bed\n=1+1,@SUM(A1),-2+3\n\xef\xbc\x9d1,+1,x;=1+1\n",
    "escapes": b"jar,name\n\x1b[2J\x1b[31m5,\x1b]0;x\x07\n",
    "direction marks": "jar,name\n5,\u202egpj\u2066\n".encode(),
    "not a number": b"jar,soil mm,soil g,om\n5,nan,inf,-1\n",
    "years": b"jar,shaken at\n5,9999-12-31 23:59\n",
    "year one": b"jar,shaken at\n5,0001-01-01 00:00\n",
    "sep of a quote": b'sep="\njar"name\n5"x\n',
    "sep of nothing": b"sep=\njar,name\n",
    "markup": b"<html><table><tr><td>jar</td></tr></table></html>",
    "zip": b"PK\x03\x04" + bytes(500),
}


def _changed(rng: random.Random, text: str, count: int) -> Iterator[tuple[str, bytes]]:
    """Yield a table with a few bytes lost, doubled, swapped or replaced."""
    odd = [b"\0", b'"', b",", b";", b"\t", b"\r", b"\n", b"\xff", b"\xe2\x80\xae", b"=", b"-"]
    odd += [b"9" * 400, b"1e999", b"nan", b"\x1b[31m", b" to ", b"*" * 50, "½".encode()]
    for number in range(count):
        raw = bytearray(text.encode())
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(raw))
            end = at + rng.choice([0, 1, 3])
            raw[at:end] = rng.choice([*odd, bytes([rng.randrange(256)])])
        yield f"change {number}", bytes(raw)


def _tables(rng: random.Random) -> Iterator[Attack]:
    readings = _several(_no_photo, lambda folder: _readings(folder / "readings"))
    commands = {
        "list of jars": (_JARS, ("read", "a.jpg", "--jars", "t.csv", "--dry-run"), _no_photo),
        "names": (_NAMES, ("strips", "--names", "t.csv", "--jars", "1-3", "--out", "s.pdf"), None),
        "marks": (_MARKS, ("compare", "readings", "t.csv", "--out", "out"), readings),
        "beds": (_BEDS, ("report", "copy", "--beds", "t.csv"), None),
    }
    for kind, (text, argv, first) in commands.items():
        before = (first or (lambda folder: None)) if kind != "beds" else _copied_readings
        cases = [*_TABLES.items(), *_changed(rng, text, 22)]
        for name, raw in cases:
            prepare = _several(before, _file("t.csv", raw))
            yield Attack(f"tables: {kind}", name, argv, prepare)


def _readings(folder: Path) -> None:
    folder.mkdir()
    write_jar(folder, jar_dict("5", by_weight=weight_dict()))
    write_jar(folder, jar_dict("6", pcts=(60.0, 25.0, 15.0)))
    write_jar(folder, unread_dict("7"))


def _copied_readings(folder: Path) -> None:
    """Readings that the command may write its pages into."""
    _readings(folder / "copy")


# --- TOML ---------------------------------------------------------------------------------------

_PROFILE = (
    'name = "own"\nsource = "mine"\nheight_mm = [0, 50, 100, 150]\n'
    "inside_radius_mm = [40, 40, 38, 35]\noutside_diameter_mm = 86\n"
)
_TOMLS = {
    "empty": b"",
    "noise": random.Random(2).randbytes(2_000),
    "deep": b"x = " + b"[" * 20_000,
    "deep tables": b"[" + b".".join([b"a"] * 3_000) + b"]\n",
    "deep inline": b"x = " + b"{a=" * 5_000,
    "400 digits": b"height_mm = [0, 1" + b"0" * 400 + b"]\ninside_radius_mm = [40, 40]\nname='a'",
    "5,000 digits": b"x = " + b"9" * 5_000,
    "infinite": b"name='a'\nheight_mm=[0,inf]\ninside_radius_mm=[40,nan]\n",
    "100,000 points": b"name='a'\nheight_mm=["
    + b",".join(b"%d" % i for i in range(100_000))
    + b"]\ninside_radius_mm=[40]\n",
    "3,000 points": b"name='a'\nheight_mm=["
    + b",".join(b"%.2f" % (i / 20) for i in range(3_000))
    + b"]\ninside_radius_mm=["
    + b",".join([b"40"] * 3_000)
    + b"]\n",
    "negative size": _PROFILE.replace("86", "-86").encode(),
    "giant size": _PROFILE.replace("86", "1e9").encode(),
    "text for numbers": b"name=3\nheight_mm='tall'\ninside_radius_mm=true\n",
    "nothing for numbers": b"name='a'\nheight_mm=[]\ninside_radius_mm=[]\n",
    "dates for numbers": b"name='a'\nheight_mm=[0,2026-05-04]\ninside_radius_mm=[40,40]\n",
    "tables for numbers": b"name='a'\nheight_mm=[{},{}]\ninside_radius_mm=[[],[]]\n",
    "odd date": b"x = 9999-99-99T99:99:99\n",
    "escapes": b'name = "\\u001b[2J\\u001b[31mred"\nheight_mm=[0,100]\ninside_radius_mm=[40,40]\n',
    "mark first": b"\xef\xbb\xbf" + _PROFILE.encode(),
    "old Mac": _PROFILE.replace("\n", "\r").encode(),
    "utf-16": _PROFILE.encode("utf-16"),
    "large": b"# " + b"x" * 3_000_000,
    "twice": b"name='a'\nname='b'\n",
    "unknown": b"nom = 'a'\n\"\\u001b[31m\" = 1\n",
}


def _profiles(rng: random.Random) -> Iterator[Attack]:
    argv = ("read", "a.jpg", "--jar-profile", "own.toml", "--dry-run")
    for name, raw in [*_TOMLS.items(), *_changed(rng, _PROFILE, 12)]:
        yield Attack("profiles", name, argv, _several(_no_photo, _file("own.toml", raw)))


def _beds(rng: random.Random) -> Iterator[Attack]:
    text = '[[bed]]\njar = 5\nbed = "North"\ndepth = "0-15 cm"\narea = "9 m2"\ndug = 2026-05-04\n'
    argv = ("report", "copy", "--beds", "b.toml")
    for name, raw in [*_TOMLS.items(), *_changed(rng, text, 6)]:
        yield Attack("beds in TOML", name, argv, _several(_copied_readings, _file("b.toml", raw)))


# --- options ------------------------------------------------------------------------------------

_BAD_NUMBERS = ("nan", "inf", "-inf", "1e308", "-5", "1e400", "0x10", "", "9" * 400, "½")
_BAD_TEXTS = ("", "\x1b[31m", "x" * 5_000, "\u202e", "--", "%s", "'; rm -rf", "5\0"[:1], "\udcff")


def _options(rng: random.Random) -> Iterator[Attack]:
    for option in ("--temp", "--water-mm", "--soil-mm", "--soil-g", "--om", "--strip-mm"):
        for value in _BAD_NUMBERS:
            argv = ("read", "a.jpg", "--dry-run", f"{option}={value}")
            yield Attack("options: numbers", " ".join(argv[3:])[:60], argv, _no_photo, usage=True)
    for value in ("0", "101", "41", "1001"):
        for option in ("--temp", "--soil-mm" if value != "101" else "--om", "--strip-mm"):
            if (option, value) == ("--strip-mm", "101"):
                continue
            argv = ("read", "a.jpg", "--dry-run", f"{option}={value}")
            is_wrong = not (option == "--soil-mm" and value in {"41", "101"})
            yield Attack("options: numbers", f"{option}={value}", argv, _no_photo, usage=is_wrong)
    for option in ("--sand", "--silt", "--clay", "--sd", "--om"):
        for value in rng.sample(_BAD_NUMBERS, 6):
            given = {"--sand": "40", "--silt": "40", "--clay": "20"} | {option: value}
            argv = ("guide", *(f"{k}={v}" for k, v in given.items()))
            yield Attack("options: numbers", f"guide {option}={value}"[:60], argv, refused=True)
    for option in ("--water-mm", "--temp", "--soil-mm"):
        for value in rng.sample(_BAD_NUMBERS, 6):
            given = {"--water-mm": "150"} | {option: value}
            argv = ("times", *(f"{k}={v}" for k, v in given.items()))
            yield Attack("options: numbers", f"times {option}={value}"[:60], argv, refused=True)
    yield from _texts()


def _texts() -> Iterator[Attack]:
    words = {
        "read": ("--shaken-at", "--water", "--ruler", "--jar-profile", "--tape-edge", "--jars"),
        "guide": ("--class", "--jar", "--area", "--daily-use", "--units", "--crop"),
        "times": ("--start",),
        "strips": ("--jars", "--paper", "--names", "--length"),
        "ribbon": ("--feel", "--ball", "--unit", "--jar"),
    }
    first = {"read": ("a.jpg", "--dry-run"), "times": ("--water-mm=150",)}
    for command, options in words.items():
        for option in options:
            for value in (*_BAD_TEXTS[1:6:2], "9" * 60, "-1", "2026-13-45"):
                argv = (command, *first.get(command, ()), f"{option}={value}")
                name = f"{command} {option}={value}"[:60]
                yield Attack("options: texts", name, argv, _no_photo)
    for start in ("9999-12-31T23:59", "0001-01-01", "0001-01-01T00:00+14:00", "2026-05-04"):
        argv = ("times", "--water-mm=150", f"--start={start}", "--ics=t.ics")
        yield Attack("options: texts", f"start {start}", argv, refused=True)
    for out in ("", ".", "y" * 300, "/dev/full", "/proc/x/y", "a.jpg/x", "a.jpg"):
        argv = ("times", "--water-mm=150", "--start=2026-05-04T09:00", f"--ics={out}")
        yield Attack("options: texts", f"ics {out[:20]}", argv, _no_photo, refused=True)
        argv = ("strips", "--jars=1", f"--out={out}")
        yield Attack("options: texts", f"strips to {out[:20]}", argv, _no_photo, refused=True)
        if out not in {"", "."}:
            argv = ("read", "a.jpg", f"--out={out}")
            yield Attack("options: texts", f"read to {out[:20]}", argv, _no_photo, refused=True)
    for name in ODD_NAMES[:14]:
        yield Attack(
            "options: texts", f"no photo {name!r}"[:60], ("read", f"./{name}"), refused=True
        )


# --- results that were tampered with ------------------------------------------------------------


def _poisoned(rng: random.Random, data: object) -> object:
    """Put something odd into the place of one value, anywhere in a result."""
    odd = [
        None,
        True,
        -1,
        1e308,
        float("nan"),
        "",
        "\x1b[31m",
        "../../x",
        [],
        {},
        10**30,
        "x" * 9_000,
    ]
    if isinstance(data, dict) and data and rng.random() < 0.9:
        key = rng.choice(sorted(data))
        return data | {key: _poisoned(rng, data[key])}
    if isinstance(data, list) and data and rng.random() < 0.7:
        at = rng.randrange(len(data))
        return [*data[:at], _poisoned(rng, data[at]), *data[at + 1 :]]
    return rng.choice(odd)


def _results(rng: random.Random) -> Iterator[Attack]:
    argvs = (
        ("report", "copy"),
        ("guide", "--jar", "5", "--readings", "copy"),
        ("compare", "copy", "m.csv"),
        (
            "ribbon",
            "3 cm",
            "3 cm",
            "3 cm",
            "--feel=gritty",
            "--ball=yes",
            "--jar=5",
            "--readings=copy",
        ),
    )
    for number in range(56):
        data = json.dumps(_poisoned(rng, jar_dict("5", by_weight=weight_dict())))
        poison = _file("copy/jar-5.json", data)
        prepare = _several(_copied_readings, poison, _file("m.csv", _MARKS))
        yield Attack("results", f"poison {number}", argvs[number % len(argvs)], prepare)
    raws = {"deep": "[" * 50_000, "digits": '{"version": ' + "9" * 6_000 + "}", "empty": ""}
    raws |= {"large": " " * 40_000_000, "zeros": "\0" * 100, "list": "[]", "text": '"x"'}
    for name, raw in raws.items():
        prepare = _several(_copied_readings, _file("copy/jar-5.json", raw))
        yield Attack("results", name, ("report", "copy"), prepare)


# --- the system ---------------------------------------------------------------------------------

_FOREIGN = {
    "readings.csv": b"date,rain\n2026-05-04,3\n",
    "photos.json": b"{}",
    "jar-a.json": b'{"jam": 3}',
    "report.html": b"<p>school</p>",
    "overlay-a-48h.jpg": PLAIN,
}
_LIMIT = "import resource; resource.setrlimit(resource.{0}, ({1}, {1}))"


def _systems() -> Iterator[Attack]:
    yield from _foreign_files()
    yield from _limits()
    yield from _strange_files()


def _system(name: str, argv: tuple[str, ...], prepare: Callable[[Path], None] = _photo,
            setup: str = "", *, refused: bool = True) -> Attack:  # fmt: skip
    return Attack("file systems", name[:60], argv, prepare, refused=refused, setup=setup)


_READ = ("read", "a.jpg", "--out", "out")
_TIMES = ("times", "--water-mm=150", "--start=2026-05-04T09:00", "--ics=c.ics")


def _foreign_files() -> Iterator[Attack]:
    for name, raw in _FOREIGN.items():
        inside = _several(_photo, lambda f: (f / "out").mkdir(), _file(f"out/{name}", raw))
        yield _system(f"a user's {name}", _READ, inside)
        here = _several(_photo, _file(name, raw))
        yield _system(f"a user's {name} here", ("read", ".", "--out", "."), here)
    for name, raw in (("strips.pdf", b"%PDF-1.4 mine"), ("s.pdf", b"a letter")):
        yield _system(f"a user's {name}", ("strips", "--jars=1", f"--out={name}"), _file(name, raw))
    calendar = _file("c.ics", b"BEGIN:VCALENDAR\r\nPRODID:-//mine//EN\r\n")
    yield _system("a user's calendar", _TIMES, calendar)


def _limits() -> Iterator[Attack]:
    yield _system("the folder is gone", ("read", "a.jpg"), setup=_GONE)
    yield _system("the folder is gone, howto", ("howto",), setup=_GONE, refused=False)
    for argv in (("howto",), ("times", "--water-mm=150"), ("guide", "--class=loam")):
        yield _system(f"full output, {argv[0]}", argv, setup=_FULL)
        yield _system(f"closed output, {argv[0]}", argv, setup="import os; os.close(1)",
                      refused=False)  # fmt: skip
    yield _system("closed errors", ("read", "no.jpg"), setup="import os; os.close(2)")
    quiet = "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
    for size in (0, 100, 5_000):
        limit = quiet + _LIMIT.format("RLIMIT_FSIZE", size)
        yield _system(f"files up to {size}", _READ, setup=limit)
        yield _system(f"strips up to {size}", ("strips", "--out=s.pdf"), setup=limit)
        yield _system(f"calendar up to {size // 50}", _TIMES, setup=quiet
                      + _LIMIT.format("RLIMIT_FSIZE", size // 50))  # fmt: skip
    for files in (5, 8, 16):
        yield _system(f"{files} files", _READ, setup=_LIMIT.format("RLIMIT_NOFILE", files))
    yield _system("a clock after 9999", _TIMES, setup=_LATE)


def _strange_files() -> Iterator[Attack]:
    for name, target in {"loop": "out", "device": "/dev/null"}.items():
        link = _several(_photo, lambda f, target=target: (f / "out").symlink_to(target))
        yield _system(f"out is a link: {name}", _READ, link)
    yield _system("out is a pipe", _READ, _several(_photo, _pipe("out")))
    tabled = _several(_no_photo, _pipe("pipe"), _pipe("pipe.toml"), _copied_readings)
    for where in ("pipe", "/dev/zero", "/dev/full", "/dev/tty", "/proc/self/mem", "copy", ""):
        for argv in (
            ("read", "a.jpg", "--dry-run", "--jars", where),
            ("strips", "--names", where, "--out", "s.pdf"),
            ("report", "copy", "--beds", where),
            ("compare", "copy", where),
            ("report", where),
        ):
            if (argv[0], where) != ("report", "copy"):
                yield _system(f"{where} for {' '.join(argv)}", argv, tabled)
        yield _system(f"{where} as a photo", ("read", where, "--out", "out"), tabled)
    yield _system("a pipe as a profile", ("read", "a.jpg", "--jar-profile", "pipe.toml"), tabled)


def _pipe(name: str) -> Callable[[Path], None]:
    return lambda folder: os.mkfifo(folder / name)


_GONE = "import os; here = os.getcwd(); os.mkdir('g'); os.chdir('g'); os.rmdir('../g')"
_FULL = "import os; os.dup2(os.open('/dev/full', os.O_WRONLY), 1)"
_LATE = """
import datetime as d
class Late(d.datetime):
    @classmethod
    def now(cls, tz=None):
        raise ValueError("year 10000 is out of range")
import jarvision.cli.strip as strip
strip.datetime = Late
"""
