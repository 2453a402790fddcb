"""Kill, starve and lock out the program while it reads: nothing is lost or half-written."""

import contextlib
import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from scenes import ROOT, SAMPLES

from jarvision.core import files
from jarvision.core.files import WriteError
from jarvision.run import album
from jarvision.run.engine import read_photos
from jarvision.run.jars_table import read_manifests
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings

KILLS = 25
LIST = 'jar,name,bed\n2,"=Anna; \u202eZoë","two\r\nlines"\n21,<b>Ben</b>,3\n'

pytestmark = [
    pytest.mark.slow,
    pytest.mark.photo,
    pytest.mark.skipif(os.name != "posix", reason="kills by signal"),
]


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """Three small jars, one of them without its last photo, and a list with awkward names."""
    folder = tmp_path_factory.mktemp("photos")
    for name in ("jar-02-48h", "jar-09-1min", "jar-09-48h", "jar-21-2h"):
        shutil.copy(SAMPLES / f"{name}.jpg", folder)
    (folder / "empty.jpg").touch()
    (folder / "jars.csv").write_text(LIST, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def undisturbed(photos, tmp_path_factory):
    """What a run makes of them that nothing disturbs: contents by name."""
    return read_whole(photos, tmp_path_factory.mktemp("undisturbed"))


def command(*arguments, **options):
    """Run the command, from elsewhere and with this copy of the program."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, "-m", "jarvision", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env=environment,
        check=False,
        timeout=120,
        **options,
    )


# Loads the program once, then for each line of input forks a child that reads, and kills it after
# so many seconds; answers whether it had ended by itself before, and how long it took.
KILLER = """
import os, signal, sys, time
from pathlib import Path
from jarvision.run.engine import read_photos
from jarvision.run.outputs import write_table
from jarvision.run.settings import Settings
from jarvision.run.jars_table import read_manifests

def run(photos, out):
    settings = Settings(manifest=read_manifests([Path(photos)]))
    batch = read_photos([Path(photos)], settings, out=Path(out))
    write_table(batch, Path(out))

for line in sys.stdin:
    photos, out, seconds = line.rstrip("\\n").split("\\t")
    begin = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            run(photos, out)
            code = 0
        finally:
            os._exit(code)
    done = 0
    while not done and time.monotonic() - begin < float(seconds):
        done, status = os.waitpid(child, os.WNOHANG)
        time.sleep(0.001)
    if not done:
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    took_s = time.monotonic() - begin
    print(os.WIFSIGNALED(status), os.waitstatus_to_exitcode(status), took_s, flush=True)
"""


@contextlib.contextmanager
def killer():
    """Give a function (photos, out, seconds) -> (was killed, seconds it took)."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    with subprocess.Popen(
        [sys.executable, "-B", "-c", KILLER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    ) as process:

        def run(photos, out, seconds):
            process.stdin.write(f"{photos}\t{out}\t{seconds}\n")
            process.stdin.flush()
            killed, code, took = process.stdout.readline().split()
            assert killed == "True" or code == "0"
            return killed == "True", float(took)

        yield run
        process.stdin.close()


def age_leftovers(folder):
    """Make the leftovers of a killed run as old as they would be some minutes later."""
    for path in folder.glob(".jarvision-*.part"):
        os.utime(path, (0, 0))


def refuse_half_written(out, undisturbed):
    """Every file that can be seen is, byte for byte, that of an undisturbed run."""
    for name, data in contents(out).items() if out.exists() else ():
        if name == "photos.json":
            known = json.loads(data)["strips_by_photo"]
            assert known.items() <= json.loads(undisturbed[name])["strips_by_photo"].items()
        elif not name.startswith("."):
            assert data == undisturbed[name], f"{name} differs"


def test_killed_at_random_moments_it_comes_to_the_same(photos, tmp_path):
    """Runs are killed at random and go on in the same folder until one ends; then anew."""
    rng = np.random.default_rng(6)
    with killer() as run:
        _, whole_s = run(photos, tmp_path / "undisturbed", 60)
        undisturbed = contents(tmp_path / "undisturbed")
        assert {"jar-2.json", "jar-9.json", "jar-21.json", "readings.csv"} <= set(undisturbed)
        kills, folder = 0, 0
        while kills < KILLS:
            out = tmp_path / f"out-{folder}"
            killed, _ = run(photos, out, rng.uniform(0, whole_s))
            refuse_half_written(out, undisturbed)
            kills += killed
            if not killed or rng.random() < 0.1:
                age_leftovers(out)
                run(photos, out, 60)
                assert contents(out) == undisturbed
                folder += 1


def test_killed_while_it_writes_it_comes_to_the_same(photos, tmp_path, monkeypatch, undisturbed):
    """Stopped before each step of each writing, one after the other: the worst moments of all."""
    out = tmp_path / "out"
    steps = ("_write_synced", "sync_folder")
    stops = 0
    for step in steps:
        original = getattr(files, step)
        for count in range(40):
            left = [count]

            def stop(*arguments, original=original, left=left):
                left[0] -= 1
                if left[0] < 0:
                    raise Stop
                return original(*arguments)

            with monkeypatch.context() as patch:
                patch.setattr(files, step, stop)
                try:
                    ended = read_whole(photos, out) is not None
                except Stop:
                    ended = False
                    stops += 1
            refuse_half_written(out, undisturbed)
            if ended:
                break
        shutil.rmtree(out)
    assert stops >= 6


class Stop(BaseException):
    """What nothing catches, like a kill."""


def read_whole(photos, out):
    settings = Settings(manifest=read_manifests([photos]))
    write_table(read_photos([photos], settings, out=out), out)
    return contents(out)


def test_leftovers_of_a_killed_run_are_cleared_and_nothing_else(photos, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    mine = [".jarvision-0123456789abcdef.part", ".jarvision-fedcba9876543210.part"]
    others = [".jarvision-notes.part", "x.part", ".jarvision-0123456789abcdef.part.txt"]
    for name in [*mine, *others]:
        (out / name).write_text("half")
        os.utime(out / name, (0, 0))
    (out / ".jarvision-0000000000000000.part").write_text("being written just now")
    read_photos([photos / "jar-21-2h.jpg"], Settings(), out=out)
    hidden = {path.name for path in out.iterdir() if "part" in path.name}
    assert hidden == {*others, ".jarvision-0000000000000000.part"}


# --- workers ------------------------------------------------------------------------------------


def children_of(pid):
    """Process ids of the workers, without Python's own helper that tracks semaphores."""
    found = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in path.read_text().split():
            with contextlib.suppress(OSError):
                words = Path(f"/proc/{child}/cmdline").read_bytes()
                if b"spawn_main" in words:
                    found.append(int(child))
    return found


needs_proc = pytest.mark.skipif(
    not Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").exists(),
    reason="finds workers in /proc",
)


@pytest.fixture(scope="module")
def nine_photos(tmp_path_factory):
    """Enough photos for more than one process."""
    folder = tmp_path_factory.mktemp("nine")
    for path in [*SAMPLES.glob("jar-02-*"), *SAMPLES.glob("jar-09-*"), *SAMPLES.glob("jar-21-*")]:
        shutil.copy(path, folder)
    return folder


def start(photos, out, workers):
    words = ["read", str(photos), "--out", str(out), "--workers", str(workers)]
    return subprocess.Popen(
        [sys.executable, "-m", "jarvision", *words],
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(condition, seconds=600):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


@needs_proc
def test_a_worker_killed_in_the_middle_loses_nothing(nine_photos, tmp_path):
    out = tmp_path / "out"
    with start(nine_photos, out, 2) as process:
        wait_for(lambda: list(out.glob("jar-*.json")) or process.poll() is not None)
        for victim in children_of(process.pid)[:1]:
            os.kill(victim, signal.SIGKILL)
        said, errors = process.communicate(timeout=120)
    assert process.returncode == 0, said + errors
    assert "Traceback" not in errors
    age_leftovers(out)
    kept = read_whole(nine_photos, out)
    undisturbed = read_whole(nine_photos, tmp_path / "undisturbed")
    # pages are written by the command line only, and by no run in this process
    assert "report.html" in kept
    assert {k: v for k, v in kept.items() if not k.endswith(".html")} == undisturbed


@needs_proc
def test_workers_of_a_killed_run_end_too(nine_photos, tmp_path):
    with start(nine_photos, tmp_path / "out", 2) as process:
        wait_for(lambda: len(children_of(process.pid)) == 2)
        workers = children_of(process.pid)
        process.kill()
    wait_for(lambda: not any(Path(f"/proc/{worker}").exists() for worker in workers))


# --- disks and folders --------------------------------------------------------------------------


def fail_after(count, code, monkeypatch):
    """Let this many writings succeed, and each later one fail as the system says it."""
    original, left = files._write_synced, [count]

    def write(path, raw):
        left[0] -= 1
        if left[0] < 0:
            path.write_bytes(raw[: len(raw) // 2])  # what fitted
            raise OSError(code, os.strerror(code))
        original(path, raw)

    monkeypatch.setattr(files, "_write_synced", write)


@pytest.mark.parametrize("count", [0, 1, 3, 5])
def test_a_full_disk_is_said_and_the_next_run_goes_on(
    photos, tmp_path, monkeypatch, undisturbed, count
):
    out = tmp_path / "out"
    with monkeypatch.context() as patch:
        fail_after(count, errno.ENOSPC, patch)
        with pytest.raises(WriteError, match="the disk is full; make room and run again"):
            read_whole(photos, out)
    assert not list(out.glob(".*"))
    assert read_whole(photos, out) == undisturbed


def test_a_limit_on_file_sizes_is_said(photos, tmp_path, undisturbed):
    """A real refusal by the system: files of more than 20 000 bytes cannot be written."""
    resource = pytest.importorskip("resource")

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = command("read", photos, "--out", tmp_path / "out", preexec_fn=limit)
    assert done.returncode == 1
    assert "could not be written: the file would be larger than the system allows" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list((tmp_path / "out").glob(".*"))
    assert not list((tmp_path / "out").glob("overlay-*"))
    assert read_whole(photos, tmp_path / "out") == undisturbed


@pytest.mark.parametrize(
    ("code", "sentence"),
    [(errno.EROFS, "the folder is read-only"), (errno.EACCES, "may not be written to")],
)
def test_a_folder_that_takes_nothing_is_noticed_before_the_work(
    photos, tmp_path, monkeypatch, code, sentence
):
    fail_after(0, code, monkeypatch)
    monkeypatch.setattr(album, "open_photo", None)  # no photo is opened before
    with pytest.raises(WriteError, match=sentence):
        read_photos([photos], Settings(), out=tmp_path / "out")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_read_only_folder_is_said(photos, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    out.chmod(0o555)
    done = command("read", photos, "--out", out)
    assert done.returncode == 1
    assert "may not be written to; choose another folder" in done.stderr
    assert not list(out.iterdir())


def test_a_folder_that_cannot_be_made_is_said(photos, tmp_path):
    (tmp_path / "file").touch()
    done = command("read", photos, "--out", tmp_path / "file" / "out")
    assert done.returncode == 2
    assert "choose another place with --out" in done.stderr


def test_a_photo_that_goes_away_meanwhile_stops_nothing(photos, tmp_path, monkeypatch):
    """Photos on a stick that is pulled: found and looked at, then gone before the jar is read."""
    folder = shutil.copytree(photos, tmp_path / "photos")
    monkeypatch.setattr(album, "_KEPT_PHOTOS", 1)

    def say(what, done, of):
        if what == "Reading jars" and (folder / "jar-09-1min.jpg").exists():
            (folder / "jar-09-1min.jpg").unlink()

    done = read_photos([folder], Settings(), out=tmp_path / "out", progress=say)
    [nine] = [outcome for outcome in done.outcomes if outcome.jar == "9"]
    assert nine.record.left_out == (
        ("jar-09-1min.jpg", "jar-09-1min.jpg does not exist; check the spelling."),
    )
    data = json.loads((tmp_path / "out" / "jar-9.json").read_text(encoding="utf-8"))
    assert data["made_from"] is None  # so that it is read again when the photo is back


# The command, stopped by its user's key just when it has looked at all photos and begins to read:
# by itself, since on a busy machine a run may be over before a signal from outside arrives.
STOPPED = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job ignores it
from jarvision.core import files

original, left = files.sync_folder, [1]

def sync(folder):
    original(folder)
    if left and (folder / "photos.json").exists():
        left.clear()
        os.kill(os.getpid(), signal.SIGINT)

files.sync_folder = sync
from jarvision.cli import main
main()
"""


def test_a_run_that_the_user_stops_says_so(nine_photos, tmp_path):
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-c", STOPPED, "read", nine_photos, "--out", out, "--workers", "2"],
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.startswith("Stopped; what was read so far is kept")
    assert "Traceback" not in done.stdout + done.stderr
    assert not (out / "readings.csv").exists()


LOADING = """
import builtins, os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
original = builtins.__import__

def load(name, *rest):
    if name == "typer":
        os.kill(os.getpid(), signal.SIGINT)
    return original(name, *rest)

builtins.__import__ = load
from jarvision.cli import main
main()
"""


def test_a_run_that_is_stopped_while_the_program_loads_says_so():
    done = subprocess.run(
        [sys.executable, "-c", LOADING, "howto"],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert (done.returncode, done.stderr) == (1, "Stopped before anything was read.\n")


# --- two at once, and little memory ------------------------------------------------------------


def test_two_runs_at_once_leave_the_results_of_one_whole_run(nine_photos, tmp_path):
    """The second is told, or begins when the first has ended; the table is whole either way."""
    out = tmp_path / "out"
    with start(nine_photos, out, 1) as first, start(nine_photos, out, 1) as second:
        told = [process.communicate(timeout=300) for process in (first, second)]
    codes = sorted((first.returncode, second.returncode))
    assert codes in ([0, 0], [0, 1])
    if codes == [0, 1]:
        assert any("Another run is writing into out" in errors for _, errors in told)
    age_leftovers(out)
    assert not [path.name for path in out.iterdir() if path.name.startswith(".jarvision")]
    assert contents(out)["readings.csv"].count(b"\r\n") == 1 + len(list(out.glob("jar-*.json")))


@needs_proc
@pytest.mark.parametrize("megabytes", [250, 400])
def test_too_little_memory_is_said(photos, tmp_path, megabytes):
    limit = f"ulimit -v {1000 * megabytes}; exec {sys.executable} -m jarvision read {photos}"
    done = subprocess.run(
        ["bash", "-c", f"{limit} --out {tmp_path / 'out'}"],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 1
    assert "memory" in done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
