"""A large class: memory, time by quarters, going on after a kill at 90 %, an unchanged run more.

    python tests/support/large_class.py local [300]     two processes of this machine
    python tests/support/large_class.py cluster [60]    a Dask cluster of two workers over one

Time is CPU time of all processes, which other work on the machine changes little. Linux only: what
processes use is read from `/proc`.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
TICKS = os.sysconf("SC_CLK_TCK")
ENVIRONMENT = os.environ | {
    "PYTHONPATH": str(ROOT),
    "OPENBLAS_NUM_THREADS": "1",
    "PYTHONDONTWRITEBYTECODE": "",  # as it is installed; compiling takes a third of a second a run
}


def write_class(folder: Path, jars: int) -> None:
    """Make a class of one jar without a strip: the same pictures, but another content each."""
    for number in range(jars):
        for reading in ("1min", "2h", "48h"):
            data = (ROOT / "sample_images" / f"jar-08-{reading}.jpg").read_bytes()
            name = f"bed {number + 1} {reading}.jpg"
            (folder / name).write_bytes(data + number.to_bytes(2, "big"))


def family(pid: int) -> list[int]:
    """Process ids of a process and all below it."""
    found = [pid]
    with contextlib.suppress(OSError):
        for path in Path(f"/proc/{pid}/task").glob("*/children"):
            for child in path.read_text().split():
                found += family(int(child))
    return found


def rss_mb(pid: int) -> float:
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                return int(line.split()[1]) / 1024
    return 0.0


def cpu_s(pid: int) -> float:
    """CPU time of a process and of its children that have ended [s]."""
    with contextlib.suppress(OSError):
        words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return sum(map(int, words[11:15])) / TICKS
    return 0.0


class Watch:
    """What a run and its helpers use, looked at twice a second, by how many jars were done."""

    def __init__(self, out: Path, roots: list[int]) -> None:
        self.out, self.roots = out, roots
        self.cpu_by_pid: dict[int, float] = {}
        self.rows: list[tuple[int, float, float, float]] = []  # jars, CPU s, parent MB, worker MB

    def look(self) -> int:
        done = sum(1 for _ in self.out.glob("jar-*.json"))
        pids = [pid for root in self.roots for pid in family(root)]
        self.cpu_by_pid |= {pid: cpu_s(pid) for pid in pids if cpu_s(pid)}
        workers = [rss_mb(pid) for pid in pids if pid != self.roots[0]]
        used = sum(self.cpu_by_pid.values())
        self.rows.append((done, used, rss_mb(self.roots[0]), max(workers, default=0.0)))
        return done

    def quarters(self, jars: int) -> Iterator[str]:
        for quarter in range(4):
            low, high = jars * quarter // 4, jars * (quarter + 1) // 4
            rows = [row for row in self.rows if low < row[0] <= high]
            if len(rows) > 1 and rows[-1][0] > rows[0][0]:
                each = (rows[-1][1] - rows[0][1]) / (rows[-1][0] - rows[0][0])
                parent, worker = (max(row[i] for row in rows) for i in (2, 3))
                yield (
                    f"  jars {low + 1}-{high}: {each:.2f} s CPU a jar, parent {parent:.0f} MB, "
                    f"largest worker {worker:.0f} MB"
                )


def start(photos: Path, out: Path, *words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "jarvision", "read", str(photos), "--out", str(out), *words]
    return subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.DEVNULL)


def local(jars: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        photos, out = Path(name, "photos"), Path(name, "out")
        photos.mkdir()
        write_class(photos, jars)
        run = start(photos, out, "--workers", "2")
        watch = Watch(out, [run.pid])
        while watch.look() < 0.9 * jars and run.poll() is None:
            time.sleep(0.5)
        run.kill()
        run.wait()
        print(f"{jars} jars, {3 * jars} photos, two workers; killed at 90 %:")
        print(*watch.quarters(jars), sep="\n", flush=True)
        kept = {path: path.stat().st_mtime_ns for path in out.glob("jar-*.json")}
        again = start(photos, out, "--workers", "2")
        second = Watch(out, [again.pid])
        while again.poll() is None:
            second.look()
            time.sleep(0.5)
        done = list(out.glob("jar-*.json"))
        unread = sum("unread" in json.loads(path.read_text("utf-8")) for path in done)
        same = sum(path.stat().st_mtime_ns == at for path, at in kept.items())
        print(
            f"  gone on: {len(kept)} jars kept, {same} of them not touched again, {len(done)} in "
            f"all, {unread} unread, code {again.returncode}; {second.rows[-1][1]:.0f} s CPU with "
            f"all pages, parent at most {max(row[2] for row in second.rows):.0f} MB"
        )
        before, begin = children_cpu_s(), time.monotonic()
        start(photos, out, "--workers", "2").wait()
        print(
            f"  once more, unchanged: {time.monotonic() - begin:.1f} s on the wall, "
            f"{children_cpu_s() - before:.1f} s CPU (wanted: under 3 for 900 photos)"
        )


def children_cpu_s() -> float:
    """CPU time of processes that have ended [s]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


@contextlib.contextmanager
def cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[int]]]:
    """Give a scheduler's address and its workers' process ids."""
    file = folder / f"scheduler-{workers}.json"
    here = ("--host", "127.0.0.1", "--no-dashboard")
    quiet = {"env": ENVIRONMENT, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    module = [sys.executable, "-m"]
    words = ["distributed.cli.dask_scheduler", *here, "--port", "0", "--scheduler-file", str(file)]
    processes = [subprocess.Popen([*module, *words], **quiet)]  # type: ignore[call-overload]
    try:
        while not file.exists():
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        words = ["distributed.cli.dask_worker", address, *here, "--no-nanny", "--nthreads", "1"]
        words += ["--local-directory", str(folder)]
        for _ in range(workers):
            processes.append(subprocess.Popen([*module, *words], **quiet))  # type: ignore[call-overload]
        yield address, [process.pid for process in processes[1:]]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def on_cluster(jars: int) -> None:
    walls = []
    with tempfile.TemporaryDirectory() as name:
        photos = Path(name, "photos")
        photos.mkdir()
        write_class(photos, jars)
        for workers in (1, 2):
            out = Path(name, f"out-{workers}")
            with cluster(Path(name), workers) as (address, pids):
                begin = time.monotonic()
                run = start(photos, out, "--cluster", address)
                watch = Watch(out, [run.pid, *pids])
                while run.poll() is None:
                    watch.look()
                    time.sleep(0.5)
                walls.append(time.monotonic() - begin)
            print(f"{jars} jars, {workers} workers of a cluster: {walls[-1]:.0f} s on the wall")
            print(*watch.quarters(jars), sep="\n", flush=True)
    print(f"two workers over one, wall (means something on an idle machine): "
          f"{walls[0] / walls[1]:.2f}")  # fmt: skip


if __name__ == "__main__":
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    on_cluster(count or 60) if sys.argv[1:2] == ["cluster"] else local(count or 300)
