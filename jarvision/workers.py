"""The same work on many things, spread over processes.

Results come back in the order of the tasks, whatever the number of workers. A worker that dies
takes nothing with it: what it held is tried once more, alone, and only what kills its worker again
is given up.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from types import TracebackType
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

_MOST_WORKERS = 61  # what Windows lets one process wait for
_AHEAD = 2  # tasks a worker holds at most: one at work, one waiting
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def cores() -> int:
    """Count the cores that this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def one_thread_each() -> None:
    """Let the numerical libraries that are loaded from now on use one thread a process."""
    for name in _THREADS:
        os.environ.setdefault(name, "1")


@dataclass(slots=True)
class Crew:
    """Worker processes, started when they are first needed and ended with the block.

    Attributes
    ----------
    workers : int
        How many processes; with one, everything is done in this process.
    """

    workers: int = 1
    _pool: ProcessPoolExecutor | None = field(default=None, init=False)

    def __enter__(self) -> Crew:
        """Start nothing yet."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the processes; what is not begun is not begun any more."""
        self._end_pool()

    def each(
        self,
        work: Callable[[Task], Result],
        tasks: Sequence[Task],
        *,
        lost: Callable[[Task], Result],
        got: Callable[[Result], None] = lambda result: None,
        few: int = 0,
    ) -> list[Result]:
        """Do the same work on each task.

        Parameters
        ----------
        work : callable
            A function of a module, so that another process can find it. What it raises ends all.
        tasks : sequence
            What it is called with, one at a time; must be picklable, like the results.
        lost : callable
            Makes the result of a task whose worker died twice.
        got : callable
            Told each result as it comes, in any order.
        few : int
            So many tasks or fewer are done in this process.

        Returns
        -------
        list
            Results in the order of `tasks`.
        """
        results: dict[int, Result] = {}

        def keep(index: int, result: Result) -> None:
            results[index] = result
            got(result)

        waiting = deque(range(len(tasks)))
        while waiting:
            if self.workers < 2 or len(tasks) <= few:
                index = waiting.popleft()
                keep(index, work(tasks[index]))
                continue
            with _one_thread_in_children():
                suspects = self._together(work, tasks, waiting, keep)
            for index in suspects:
                keep(index, self._alone(work, tasks[index], lost))
        return [results[index] for index in range(len(tasks))]

    def _together(
        self,
        work: Callable[[Task], Result],
        tasks: Sequence[Task],
        waiting: deque[int],
        keep: Callable[[int, Result], None],
    ) -> list[int]:
        """Work until nothing waits or a worker dies -> the tasks that it may have died of."""
        flying: dict[Future[Result], int] = {}
        try:
            while waiting or flying:
                while waiting and len(flying) < _AHEAD * self.workers:
                    future = self._started().submit(work, tasks[waiting[0]])
                    flying[future] = waiting.popleft()
                done, _ = wait(flying, return_when=FIRST_COMPLETED)
                for future in done:
                    result = future.result()
                    keep(flying.pop(future), result)
        except BrokenProcessPool:
            self._end_pool()
        return sorted(flying.values())

    def _alone(
        self, work: Callable[[Task], Result], task: Task, lost: Callable[[Task], Result]
    ) -> Result:
        """Try a task again in a process of its own, which has the whole memory to itself."""
        if self.workers < 2:
            return work(task)
        with _one_thread_in_children(), _new_pool(1) as pool:
            try:
                pool.submit(_ready).result()
            except BrokenProcessPool:  # no process can be started here at all
                self.workers = 1
                return work(task)
            try:
                return pool.submit(work, task).result()
            except BrokenProcessPool:
                return lost(task)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = _new_pool(self.workers)
        return self._pool

    def _end_pool(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def _new_pool(workers: int) -> ProcessPoolExecutor:
    # Spawned and not forked: a fork copies locks that other threads hold.
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(
        min(workers, _MOST_WORKERS), mp_context=spawn, initializer=_begin_worker
    )


@contextlib.contextmanager
def _one_thread_in_children() -> Iterator[None]:
    """Let processes started meanwhile use one thread each; what the user set stays."""
    mine = [name for name in _THREADS if name not in os.environ]
    one_thread_each()
    try:
        yield
    finally:
        for name in mine:
            os.environ.pop(name, None)


def _ready() -> bool:
    return True


def _begin_worker() -> None:
    """Prepare a worker process."""
    import cv2

    cv2.setNumThreads(1)
    # Ctrl-C reaches the whole group of processes; the parent alone decides what to do.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this worker when its parent is gone: a killed parent cannot tell it to."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
