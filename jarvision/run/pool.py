"""The same work on many things, spread over processes.

Results come back in the order of the items, whatever the number of workers. A worker that dies
takes nothing with it: what it held is tried once more, alone, and only what kills its worker again
is given up.

Each worker has a pipe of its own. The pools of the standard library share one among all workers,
and a worker that is killed in the middle of an answer leaves them waiting for ever.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Generic, Protocol, TypeVar

Item = TypeVar("Item")
Made = TypeVar("Made")
Result = TypeVar("Result")

_MOST_WORKERS = 61  # what Windows lets one process wait for
_MOST_FAILED_STARTS = 3
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def cores() -> int:
    """Count the cores that this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def one_thread_each() -> None:
    """Let the numerical libraries that are loaded from now on use one thread a process."""
    for name in _THREADS:
        os.environ.setdefault(name, "1")


@dataclass(frozen=True, slots=True)
class Task(Generic[Item, Made, Result]):
    """Work of which one part can be done by a machine that does not share this one's disk.

    Attributes
    ----------
    task : callable
        Does a item where the disk is at hand.
    packed : callable
        Reads what a item needs from this disk, and makes of it a call without arguments that does
        the same anywhere; it must be picklable.
    keep : callable
        Ends a item with what was made of it, at this disk.
    """

    task: Callable[[Item], Made]
    packed: Callable[[Item], Callable[[], Made]]
    keep: Callable[[Made], Result]

    def __call__(self, item: Item) -> Result:
        """Do it all here."""
        return self.keep(self.task(item))


class TaskPool(Protocol):
    """Whoever does the same work on many things: see `Pool.each`."""

    def each(
        self,
        task: Task[Item, Any, Result],
        items: Sequence[Item],
        *,
        lost: Callable[[Item], Result],
        got: Callable[[Result], None] = ...,
        few: int = 0,
    ) -> list[Result]:
        """Give the results in the order of the items."""


@dataclass(slots=True, eq=False)
class _Worker:
    """A process, the pipe to it, and the number of the item that it holds."""

    process: BaseProcess
    pipe: Connection
    is_ready: bool = False
    holds: int | None = None

    def give(self, task: Callable[[Any], Any], item: object, index: int) -> None:
        self.holds = index
        with contextlib.suppress(OSError):  # it is dead: the pipe's end will tell
            self.pipe.send((task, item))


@dataclass(slots=True)
class _PoolRun(Generic[Item, Result]):
    """One call of `Pool.each`: what waits, what is to be tried again, what is done."""

    task: Callable[[Item], Result]
    items: Sequence[Item]
    lost: Callable[[Item], Result]
    got: Callable[[Result], None]
    waiting: deque[int]
    again: deque[int] = field(default_factory=deque)
    results: dict[int, Result] = field(default_factory=dict)

    @property
    def is_done(self) -> bool:
        return len(self.results) == len(self.items)

    def keep(self, index: int, result: Result) -> None:
        self.results[index] = result
        self.got(result)

    def do_here(self) -> None:
        while self.waiting:
            index = self.waiting.popleft()
            self.keep(index, self.task(self.items[index]))
        while self.again:
            self.give_up(self.again.popleft())

    def give_up(self, index: int) -> None:
        self.keep(index, self.lost(self.items[index]))


@dataclass(slots=True)
class Pool:
    """Worker processes, started when they are first needed and ended with the block.

    Attributes
    ----------
    workers : int
        How many processes; with one, everything is done in this process.
    """

    workers: int = 1
    _team: list[_Worker] = field(default_factory=list, init=False)
    _failed_starts: int = field(default=0, init=False)

    def __enter__(self) -> Pool:
        """Start nothing yet."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the processes: each finishes what it holds, so that its files are whole."""
        for worker in self._team:
            worker.pipe.close()
        for worker in self._team:
            worker.process.join()
        self._team.clear()

    def each(
        self,
        task: Callable[[Item], Result],
        items: Sequence[Item],
        *,
        lost: Callable[[Item], Result],
        got: Callable[[Result], None] = lambda result: None,
        few: int = 0,
    ) -> list[Result]:
        """Do the same work on each item.

        Parameters
        ----------
        task : callable
            A function of a module, so that another process can find it. What it raises ends all.
        items : sequence
            What it is called with, one at a time; must be picklable, like the results.
        lost : callable
            Makes the result of a item whose worker died twice.
        got : callable
            Told each result as it comes, in any order.
        few : int
            So many items or fewer are done in this process.

        Returns
        -------
        list
            Results in the order of `items`.
        """
        run = _PoolRun(task, items, lost, got, deque(range(len(items))))
        while not run.is_done:
            if self.workers < 2 or len(items) <= few:
                run.do_here()
            else:
                self._staff(len(run.waiting) + len(run.again))
                self._hand_out(run)
                self._listen(run)
        return [run.results[index] for index in range(len(items))]

    def _staff(self, useful: int) -> None:
        """Start processes until there are enough."""
        idle = sum(worker.holds is None for worker in self._team)
        room = min(self.workers, _MOST_WORKERS) - len(self._team)
        for _ in range(min(room, useful - idle)):
            self._team.append(_start())

    def _hand_out(self, run: _PoolRun[Item, Result]) -> None:
        """Give items to idle workers; what killed one is tried when nobody else works."""
        idle = deque(w for w in self._team if w.is_ready and w.holds is None)
        while idle and run.waiting:
            index = run.waiting.popleft()
            idle.popleft().give(run.task, run.items[index], index)
        if idle and run.again and all(worker.holds is None for worker in self._team):
            index = run.again[0]
            idle.popleft().give(run.task, run.items[index], index)

    def _listen(self, run: _PoolRun[Item, Result]) -> None:
        """Wait for answers, and for the ends of workers."""
        by_pipe = {worker.pipe: worker for worker in self._team}
        for pipe in wait(list(by_pipe)):
            worker = by_pipe[pipe]  # type: ignore[index]
            try:
                answer = worker.pipe.recv()
            except (EOFError, OSError):
                self._reap(worker, run)
                continue
            if not worker.is_ready:
                worker.is_ready, self._failed_starts = True, 0
                continue
            index, worker.holds = worker.holds, None
            if isinstance(answer, TaskRaised):
                raise answer.error
            if index is not None:
                if index in run.again:
                    run.again.remove(index)
                run.keep(index, answer)

    def _reap(self, worker: _Worker, run: _PoolRun[Item, Result]) -> None:
        """Take leave of a dead worker, and see to what it held."""
        self._team.remove(worker)
        worker.pipe.close()
        worker.process.join()
        index = worker.holds
        if not worker.is_ready:  # perhaps no process can be started here at all
            self._failed_starts += 1
            is_idle = all(other.holds is None for other in self._team)
            if self._failed_starts >= _MOST_FAILED_STARTS and is_idle:
                self.workers = 1
        elif index is not None and index in run.again:
            run.again.remove(index)
            run.give_up(index)
        elif index is not None:
            run.again.append(index)


@dataclass(frozen=True, slots=True)
class TaskRaised:
    """What a item raised."""

    error: Exception


def _start() -> _Worker:
    # Spawned and not forked: a fork copies locks that other threads hold.
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    process = spawn.Process(target=_serve, args=(theirs,), daemon=True)
    with _one_thread_in_children(), _without_interrupts():
        process.start()
    theirs.close()  # else its end would never be seen
    return _Worker(process, ours)


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


@contextlib.contextmanager
def _without_interrupts() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach: this one alone decides what to do then."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it would lift the mask when it is started
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection) -> None:
    """Do items as they come, until the pipe ends."""
    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(EOFError, OSError):
        pipe.send(None)  # ready
        while True:
            task, item = pipe.recv()
            pipe.send(_answer(task, item))


def _answer(task: Callable[[Any], Any], item: object) -> Any:
    try:
        return task(item)
    except Exception as error:
        return TaskRaised(error)


def _end_with_parent() -> None:
    """End this worker when its parent is gone: a killed parent cannot tell it to."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
