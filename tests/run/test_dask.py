"""The work shared among machines: a real scheduler and real workers, processes on loopback."""

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tracemalloc
from functools import partial

import pytest
from scenes import ROOT

pytest.importorskip("distributed")

from distributed import Client

from jarvision.core.errors import UsageError
from jarvision.core.files import WriteError
from jarvision.run import dask as cluster
from jarvision.run.dask import ClusterError, ClusterLostError
from jarvision.run.engine import plan_photos, pool_for, read_photos
from jarvision.run.outputs import write_table
from jarvision.run.pool import Task
from jarvision.run.settings import Settings
from jarvision.wall.measurement import PhotoMeasurement

SAMPLES = ROOT / "sample_images"

TESTS = (ROOT / "tests" / "run", ROOT / "tests" / "support")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="stops and kills by signal"),
]


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def read_into(out, paths, **options):
    done = read_photos(paths, Settings(), out=out, **options)
    write_table(done, out)
    return done


def wait_for(condition, seconds=600):
    until = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)
    return found


# --- real processes -----------------------------------------------------------------------------


class Machines:
    """A scheduler and workers, started and ended by the test, with a folder for what they write."""

    def __init__(self, folder):
        self.folder = folder
        self.processes = {}
        self.address = ""

    def start(self, name, module, *words, path, **environment):
        usual = {"PYTHONPATH": os.pathsep.join(map(str, path)), "TMPDIR": str(self.folder)}
        usual |= {"PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1"}
        with (self.folder / f"{name}.log").open("wb") as log:
            self.processes[name] = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{module}", *words, "--no-dashboard"],
                cwd=self.folder,
                env=os.environ | usual | environment,
                stdout=log,
                stderr=log,
            )

    def schedule(self, **environment):
        """Start a scheduler that does not even have the program."""
        file = self.folder / "scheduler.json"
        words = ("--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file))
        without = stub(self.folder / "without")
        self.start("scheduler", "dask_scheduler", *words, path=[without], **environment)
        wait_for(file.exists)
        self.address = json.loads(file.read_text())["address"]

    def work(self, name, *words, path=(ROOT, *TESTS), **environment):
        """Start a worker."""
        told = ["--host", "127.0.0.1", "--name", name, "--local-directory", str(self.folder)]
        if "--nanny" not in words:
            told.append("--no-nanny")
        told += ["--nthreads", "1"] if "--nthreads" not in words else []
        self.start(name, "dask_worker", self.address, *told, *words, path=path, **environment)

    def kill(self, name):
        process = self.processes.pop(name)
        process.kill()
        process.wait()

    def end(self):
        for name in list(self.processes):
            self.kill(name)


@contextlib.contextmanager
def machines(folder, **environment):
    folder.mkdir(exist_ok=True)
    here = Machines(folder)
    try:
        here.schedule(**environment)
        yield here
    finally:
        here.end()


@contextlib.contextmanager
def onlooker(address):
    """Ask a scheduler what it knows, as a second client."""
    with Client(address, set_as_default=False, timeout=120) as client:
        yield client


def staffed(here, count):
    with onlooker(here.address) as client:
        client.wait_for_workers(count, timeout=300)


def stub(folder):
    """Make a path that hides this program where it is installed."""
    (folder / "jarvision").mkdir(parents=True, exist_ok=True)
    (folder / "jarvision" / "__init__.py").write_text("raise ModuleNotFoundError\n")
    return folder


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """Two workers: one does one task at a time, one does two and calculates in threads."""
    with machines(tmp_path_factory.mktemp("machines")) as here:
        here.work("one")
        here.work("two", "--nthreads", "2", OPENBLAS_NUM_THREADS="2", OMP_NUM_THREADS="2")
        staffed(here, 2)
        yield here


@pytest.fixture
def own(tmp_path):
    """A scheduler for one test alone, which may harm it."""
    with machines(tmp_path / "machines") as here:
        yield here


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """Four jars, one of them without its last photo, and files that are no photos among them."""
    folder = tmp_path_factory.mktemp("photos")
    for name in ("02-1min", "02-48h", "08-48h", "09-1min", "09-48h", "21-2h"):
        shutil.copy(SAMPLES / f"jar-{name}.jpg", folder)
    (folder / "broken.jpg").write_bytes(b"\xff\xd8\xff no picture")
    (folder / "empty.jpg").touch()
    return folder


@pytest.fixture(scope="module")
def local(photos, tmp_path_factory):
    """What this machine makes of them by itself."""
    out = tmp_path_factory.mktemp("local")
    done = read_into(out, [photos], workers=2)
    return done, contents(out)


# --- the same bytes -----------------------------------------------------------------------------


@pytest.mark.photo
def test_a_cluster_comes_to_the_same_to_the_last_byte(two, photos, local, tmp_path):
    done = read_into(tmp_path / "out", [photos], cluster=two.address)
    assert contents(tmp_path / "out") == local[1]
    assert done.refused == local[0].refused
    assert [name for name, _ in done.refused] == ["broken.jpg", "empty.jpg"]
    assert [outcome.jar for outcome in done.outcomes] == [o.jar for o in local[0].outcomes]
    read = [o.reading for o in done.outcomes if o.reading is not None]
    assert len(read) == 3
    assert {type(photo) for jar in read for photo in jar.photos} == {PhotoMeasurement}
    left = [path.name for path in two.folder.rglob("*.jp*g")]
    assert not left, "photos stay on a worker's disk"
    again = read_into(tmp_path / "out", [photos], cluster=two.address)
    assert all(outcome.is_earlier for outcome in again.outcomes)
    assert contents(tmp_path / "out") == local[1]


def test_the_plan_may_be_made_there_too(two, photos, tmp_path):
    chosen = [photos / "jar-09-2h.jpg", photos / "jar-21-48h.jpg", photos / "empty.jpg"]
    there = plan_photos(chosen, Settings(), cluster=two.address)
    assert there == plan_photos(chosen, Settings())


@pytest.mark.photo
def test_a_photo_that_goes_away_meanwhile_is_named(two, tmp_path):
    (tmp_path / "photos").mkdir()
    for name in ("jar-09-1min.jpg", "jar-09-48h.jpg"):
        shutil.copy(SAMPLES / name, tmp_path / "photos")

    def say(what, done, of):
        if what == "Reading jars":
            (tmp_path / "photos" / "jar-09-1min.jpg").unlink(missing_ok=True)

    out = tmp_path / "out"
    done = read_into(out, [tmp_path / "photos"], cluster=two.address, progress=say)
    assert done.outcomes[0].record.left_out == (
        ("jar-09-1min.jpg", "jar-09-1min.jpg does not exist; check the spelling."),
    )
    assert json.loads((out / "jar-9.json").read_text(encoding="utf-8"))["made_from"] is None


# --- workers that die, with real photos ---------------------------------------------------------


def kill_who_works(here):
    """Kill a worker that has something to do: stopped first, so that it cannot end it meanwhile."""
    with onlooker(here.address) as client:
        names = {name for name in here.processes if name != "scheduler"}
        for name in sorted(names):
            here.processes[name].send_signal(signal.SIGSTOP)
            time.sleep(0.2)  # what it had sent arrives
            told = client.scheduler_info()["workers"]
            places = [place for place, worker in told.items() if worker["name"] == name]
            if any(client.processing(places).values()):
                here.kill(name)
                return name
            here.processes[name].send_signal(signal.SIGCONT)
    raise AssertionError("nobody works")


@pytest.mark.photo
def test_workers_killed_in_the_middle_lose_nothing(own, photos, local, tmp_path):
    """One while photos are looked at, one while jars are read; another joins in between."""
    own.work("one")
    own.work("two")
    staffed(own, 2)
    killed = []

    def say(what, done, of):
        if what == "Looking for jars" and done == 1:
            killed.append(kill_who_works(own))
            own.work("three")
            staffed(own, 2)
        if what == "Reading jars" and done == 1:
            killed.append(kill_who_works(own))

    read_into(tmp_path / "out", [photos], cluster=own.address, progress=say)
    assert len(killed) == 2
    assert contents(tmp_path / "out") == local[1]


@pytest.mark.photo
def test_a_scheduler_killed_in_the_middle_is_said_and_the_next_run_goes_on(
    own, photos, local, tmp_path
):
    own.work("one")
    staffed(own, 1)
    out = tmp_path / "out"
    words = ["read", str(photos), "--out", str(out), "--cluster", own.address]
    with subprocess.Popen(
        [sys.executable, "-m", "jarvision", *words],
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        wait_for(lambda: list(out.glob("jar-*.json")) or process.poll() is not None)
        own.kill("scheduler")
        said, errors = process.communicate(timeout=600)
    assert process.returncode == 1
    assert said == ""
    assert errors.splitlines() == [str(cluster._gone())]
    kept = {path.name for path in out.glob("jar-*.json")}
    assert kept
    for name, data in contents(out).items():
        assert data == local[1][name] or name == "photos.json"  # which is whole at a run's end only
    done = read_into(out, [photos], workers=2)
    assert sum(outcome.is_earlier for outcome in done.outcomes) == len(kept)
    assert contents(out) == local[1]


# --- the pool, without photos -------------------------------------------------------------------


def double(number):
    return 2 * number


def double_slowly(number):
    time.sleep(0.2)
    return 2 * number


def refuse_three(number):
    if number == 3:
        raise WriteError("x could not be written: the disk is full.")
    return number


def die_at_three(number):
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def as_it_is(made):
    return made


def errand(work):
    return Task(work, partial(partial, work), as_it_is)


def lost(task):
    return "lost"


def test_results_stand_in_the_order_of_the_tasks(two):
    told = []
    with pool_for(1, two.address) as pool:
        done = pool.each(errand(double), range(30), lost=lost, got=told.append)
        assert pool.each(errand(double), [], lost=lost) == []
    assert done == [2 * n for n in range(30)]
    assert sorted(told) == done


def count_bytes(parcel):
    return len(parcel)


def test_what_was_sent_and_is_done_is_not_kept_in_memory(two):
    parcel, times = 300_000, 100
    tracemalloc.start()
    try:
        with pool_for(1, two.address) as pool:
            task = Task(count_bytes, lambda n: partial(count_bytes, os.urandom(parcel)), as_it_is)
            assert pool.each(task, range(times), lost=lost) == [parcel] * times
            left, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert left < parcel * times / 2


def test_an_error_that_concerns_all_ends_all(two):
    with pool_for(1, two.address) as pool:
        with pytest.raises(WriteError, match="disk is full"):
            pool.each(errand(refuse_three), range(50), lost=lost)
        assert pool.each(errand(double), range(3), lost=lost) == [0, 2, 4]


def refuse_to_keep(made):
    raise WriteError("x could not be written: the disk is full.")


def test_what_cannot_be_put_on_disk_here_ends_all(two):
    work = Task(double, partial(partial, double), refuse_to_keep)
    with pool_for(1, two.address) as pool, pytest.raises(WriteError, match="disk is full"):
        pool.each(work, range(50), lost=lost)


class Counted:
    """Counts the tasks that are under way, and how many were at most."""

    def __init__(self, size=1):
        self.out, self.most, self.size = 0, 0, size

    def pack(self, number):
        self.out += 1
        self.most = max(self.most, self.out)
        return partial(len, b"x" * self.size)

    def keep(self, made):
        self.out -= 1
        return made


@pytest.mark.parametrize(("most_bytes", "most"), [(500_000_000, 8), (2_500_000, 3)])
def test_only_so_many_tasks_are_under_way_and_so_many_bytes(two, monkeypatch, most_bytes, most):
    monkeypatch.setattr(cluster, "_MOST_BYTES_OUT", most_bytes)
    count = Counted(1_000_000)
    with pool_for(1, two.address) as pool:  # with three threads
        pool.each(Task(len, count.pack, count.keep), range(40), lost=lost)
    assert count.most == most
    assert count.out == 0


@pytest.mark.parametrize("nanny", [[], ["--nanny"]], ids=["no nanny", "nanny"])
def test_a_task_that_kills_or_never_ends_costs_itself_and_no_worker(own, nanny):
    own.work("one", *nanny)
    staffed(own, 1)
    with pool_for(1, own.address) as pool:
        before = pool.client.scheduler_info()["workers"].keys()
        done = pool.each(errand(die_at_three), range(8), lost=lost)
        assert done == [0, 2, 4, "lost", 8, 10, 12, 14]
        done = pool.each(errand(time.sleep), [0, 9999, 0], lost=lost, most_s=10.0)
        assert done == [None, "lost", None]
        assert pool.client.scheduler_info()["workers"].keys() == before


def test_a_cluster_without_workers_is_said(own, monkeypatch):
    monkeypatch.setattr(cluster, "_FIRST_WORKER_S", 0.5)
    monkeypatch.setattr(cluster, "_NEW_WORKER_S", 1.0)
    refused(own.address, "a scheduler but no workers; start some")
    own.work("one")
    staffed(own, 1)
    told = []

    def got(result):
        told.append(result)
        if len(told) == 2:
            own.kill("one")

    with pool_for(1, own.address) as pool, pytest.raises(ClusterLostError, match="no workers left"):
        pool.each(errand(double_slowly), range(20), lost=lost, got=got)
    assert len(told) >= 2


# --- clusters that cannot be used ---------------------------------------------------------------


def refused(address, match):
    with pytest.raises(ClusterError, match=match) as caught, pool_for(1, address):
        pass
    assert isinstance(caught.value, UsageError)
    assert "\n" not in str(caught.value)
    assert str(caught.value).endswith(".")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


@pytest.mark.parametrize(
    "address",
    [
        pytest.param(f"tcp://127.0.0.1:{free_port()}", id="a free port"),
        "nonsense",
        "foo://127.0.0.1:1",
        "tcp://\u202egpj:x\n",
        "tls://127.0.0.1:1",
    ],
)
def test_an_address_where_nobody_answers_is_said(address, monkeypatch):
    monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
    also = "certificates" if address.startswith("tls:") else r"tcp://host:8786, and that it runs\."
    refused(address, f"No Dask scheduler answers at .*{also}")


@pytest.mark.parametrize("answer", [b"", b"HTTP/1.0 400 Bad Request\r\n\r\n" + b"x" * 1000])
def test_another_service_at_the_address_is_said(answer, monkeypatch):
    monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.1)
        host = threading.Thread(target=greet, args=(server, answer, over))
        host.start()
        try:
            refused(f"tcp://127.0.0.1:{server.getsockname()[1]}", "No Dask scheduler answers")
        finally:
            over.set()
            host.join()


def greet(server, answer, over):
    """Answer all who come, until it is over."""
    with contextlib.ExitStack() as visitors:
        while not over.is_set():
            with contextlib.suppress(OSError):
                visitor = visitors.enter_context(server.accept()[0])
                visitor.sendall(answer)


def test_a_worker_s_address_is_not_the_scheduler_s(two):
    with onlooker(two.address) as client:
        worker = next(iter(client.nthreads()))
    refused(worker, "No Dask scheduler answers")


@pytest.fixture(scope="module")
def other_version(tmp_path_factory):
    """A copy of the program of which one letter is another."""
    folder = tmp_path_factory.mktemp("other")
    shutil.copytree(ROOT / "jarvision", folder / "jarvision")
    with (folder / "jarvision" / "core" / "errors.py").open("a") as file:
        file.write("# x\n")
    return folder


OTHER = r"at tcp://127\.0\.0\.1:\d+ runs jarvision 0\.1\.0 .*; install the same"
WITHOUT = "cannot run this jarvision; install the same version there"


@pytest.mark.parametrize(
    ("kind", "match", "later"),
    [("other", OTHER, OTHER.partition("runs")[2]), ("without", WITHOUT, WITHOUT)],
    ids=["other", "without"],
)
def test_a_worker_with_another_program_is_refused(own, other_version, kind, match, later):
    """When it is there from the start, and when it joins later."""
    own.work("same")
    staffed(own, 1)
    wrong = other_version if kind == "other" else stub(own.folder / "stub")
    told = []

    def got(result):
        told.append(result)
        if len(told) == 1:
            own.work("wrong", path=[wrong, *TESTS])
            staffed(own, 2)

    with pool_for(1, own.address) as pool, pytest.raises(ClusterError, match=later):
        pool.each(errand(double_slowly), range(50), lost=lost, got=got)
    refused(own.address, match)


def test_libraries_count_as_the_program_does():
    mine = ("jarvision 0.1.0 abc", "Pillow 12.0.0")
    pool = cluster.ClusterPool(None, versions=mine)
    pool.refuse_other(mine)
    with pytest.raises(ClusterError, match=r"runs Pillow 11\.0\.0, this machine Pillow 12\.0\.0;"):
        pool.refuse_other((mine[0], "Pillow 11.0.0"))


def test_without_the_extra_it_is_said_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    refused("tcp://127.0.0.1:8786", r"pip install 'distributed>=2024\.5'")


def test_workers_here_and_a_cluster_exclude_each_other(photos, tmp_path):
    words = ["read", str(photos), "--cluster", "tcp://127.0.0.1:1", "--workers", "2"]
    done = subprocess.run(
        [sys.executable, "-m", "jarvision", *words],
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "--workers is for this machine and --cluster for others; give only one of them."
    ]
    assert not list(tmp_path.iterdir())
