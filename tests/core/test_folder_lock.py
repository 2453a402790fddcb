"""Two runs never write into one folder at once, and the second is told who holds it."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from scenes import ROOT

from jarvision.core.folder_lock import FolderBusyError, only_run

HOLD = """
import sys, time
from pathlib import Path
from jarvision.core.folder_lock import only_run
with only_run(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path):
    run = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path / "out")],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert run.stdout.readline() == "held\n"
    yield run
    run.kill()
    run.wait()
    run.stdin.close()
    run.stdout.close()


def test_a_second_run_is_told_who_holds_the_folder(tmp_path, other):
    said = rf"into out \(process {other.pid} on .* since "
    with pytest.raises(FolderBusyError, match=said), only_run(tmp_path / "out"):
        pytest.fail("both hold it")


def test_a_run_that_was_killed_holds_nothing(tmp_path, other):
    os.kill(other.pid, getattr(signal, "SIGKILL", signal.SIGTERM))
    other.wait()
    with only_run(tmp_path / "out"):
        pass
    assert not (tmp_path / "out" / ".jarvision.lock").exists()


def test_nothing_is_left_behind(tmp_path):
    with only_run(tmp_path / "new" / "out"):
        assert (tmp_path / "new" / "out").is_dir()
    assert not (tmp_path / "new" / "out").exists()
    (tmp_path / "old").mkdir()
    with only_run(tmp_path / "old"):
        (tmp_path / "old" / "result").touch()
    assert [path.name for path in (tmp_path / "old").iterdir()] == ["result"]


def test_of_many_that_come_at_once_one_holds_it(tmp_path):
    inside, most, busy = [], [], []

    def run():
        try:
            with only_run(tmp_path / "out"):
                inside.append(1)
                most.append(len(inside))
                inside.pop()
        except FolderBusyError:
            busy.append(1)

    threads = [threading.Thread(target=run) for _ in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert set(most) == {1}
    assert len(most) + len(busy) == 40


@pytest.mark.skipif(os.name != "posix", reason="a folder that nobody may write into")
def test_where_no_lock_can_be_made_the_run_goes_on():
    with only_run(Path("/proc")):
        pass
