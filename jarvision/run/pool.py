"""The same work on many things, spread over processes.

Results come back in the order of the items, whatever the number of workers. A worker that dies
takes nothing with it: what it held is tried once more, alone, and only what kills its worker again
is given up. A worker that takes far too long over one item is ended, as if it had died.

Each worker has a pipe of its own. The pools of the standard library share one among all workers,
and a worker that is killed in the middle of an answer leaves them waiting for ever.
"""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import signal
import threading
import time
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
_IDLE_S = 60.0
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
        Does an item where the disk is at hand.
    packed : callable
        Reads what an item needs from this disk, and makes of it a call without arguments that does
        the same anywhere; it must be picklable.
    keep : callable
        Ends an item with what was made of it, at this disk.
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
        most_s: float = ...,
    ) -> list[Result]:
        """Give the results in the order of the items."""


@dataclass(slots=True, eq=False)
class _Worker:
    """A process, the pipe to it, the number of the item that it holds, and until when it may."""

    process: BaseProcess
    pipe: Connection
    is_ready: bool = False
    holds: int | None = None
    until_s: float = math.inf

    def give(self, run: _PoolRun[Any, Any], index: int) -> None:
        self.holds, self.until_s = index, time.monotonic() + run.most_s
        with contextlib.suppress(OSError):  # it is dead: the pipe's end will tell
            self.pipe.send((run.task, run.items[index]))


@dataclass(slots=True)
class TaskRun(Generic[Item, Result]):
    """One call of `TaskPool.each`: what waits, what is to be tried again, what is done."""

    items: Sequence[Item]
    lost: Callable[[Item], Result]
    got: Callable[[Result], None]
    most_s: float
    waiting: deque[int] = field(init=False)
    again: deque[int] = field(default_factory=deque)
    results: dict[int, Result] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.waiting = deque(range(len(self.items)))

    @property
    def is_done(self) -> bool:
        """Whether every item has its result."""
        return len(self.results) == len(self.items)

    def in_order(self) -> list[Result]:
        """Give the results in the order of the items."""
        return [self.results[index] for index in range(len(self.items))]

    def keep(self, index: int, result: Result) -> None:
        """Take the result of an item."""
        if index in self.again:
            self.again.remove(index)
        self.results[index] = result
        self.got(result)

    def give_up(self, index: int) -> None:
        """Do without an item's result."""
        self.keep(index, self.lost(self.items[index]))

    def died(self, index: int, *, is_alone: bool = False) -> None:
        """See to an item whose worker died: once more, when nobody else works."""
        if is_alone or index in self.again:
            self.give_up(index)
        else:
            self.again.append(index)


@dataclass(slots=True, kw_only=True)
class _PoolRun(TaskRun[Item, Result]):
    task: Callable[[Item], Result]

    def do_here(self) -> None:
        while self.waiting:
            index = self.waiting.popleft()
            self.keep(index, self.task(self.items[index]))
        while self.again:
            self.give_up(self.again[0])


@dataclass(slots=True)
class Pool:
    """Worker processes, started when they are first needed and ended with the block.

    Attributes
    ----------
    workers : int
        How many processes; with one, everything is done in this process.
    apart : bool
        Do everything in another process, even with one: what kills it does not kill this one. An
        item is then tried once, since it is alone there, and a process ends that has nothing to
        do for a minute.
    """

    workers: int = 1
    apart: bool = False
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
        most_s: float = math.inf,
    ) -> list[Result]:
        """Do the same work on each item.

        Parameters
        ----------
        task : callable
            A function of a module, so that another process can find it. What it raises ends all.
        items : sequence
            What it is called with, one at a time; must be picklable, like the results.
        lost : callable
            Makes the result of an item whose worker died twice.
        got : callable
            Told each result as it comes, in any order.
        few : int
            So many items or fewer are done in this process.
        most_s : float
            Whoever is longer over one item is ended [s]; what is done in this process never is.

        Returns
        -------
        list
            Results in the order of `items`.
        """
        run = _PoolRun(items, lost, got, most_s, task=task)
        for worker in [one for one in self._team if not one.process.is_alive()]:
            self._team.remove(worker)
            worker.pipe.close()
        while not run.is_done:
            if (self.workers < 2 and not self.apart) or len(items) <= few:
                run.do_here()
            else:
                self._staff(len(run.waiting) + len(run.again))
                self._hand_out(run)
                self._listen(run)
        return run.in_order()

    def _staff(self, useful: int) -> None:
        """Start processes until there are enough."""
        idle = sum(worker.holds is None for worker in self._team)
        room = min(self.workers, _MOST_WORKERS) - len(self._team)
        for _ in range(min(room, useful - idle)):
            self._team.append(_start(_IDLE_S if self.apart else None))

    def _hand_out(self, run: _PoolRun[Item, Result]) -> None:
        """Give items to idle workers; what killed one is tried when nobody else works."""
        idle = deque(w for w in self._team if w.is_ready and w.holds is None)
        while idle and run.waiting:
            idle.popleft().give(run, run.waiting.popleft())
        if idle and run.again and all(worker.holds is None for worker in self._team):
            idle.popleft().give(run, run.again[0])

    def _listen(self, run: _PoolRun[Item, Result]) -> None:
        """Wait for answers, and for the ends of workers; end those whose time is up."""
        by_pipe = {worker.pipe: worker for worker in self._team}
        left_s = min(worker.until_s for worker in self._team) - time.monotonic()
        answered = wait(list(by_pipe), None if math.isinf(left_s) else max(left_s, 0.0))
        for worker in self._team:
            if worker.pipe not in answered and time.monotonic() >= worker.until_s:
                worker.until_s = math.inf  # the pipe's end is heard next
                worker.process.kill()
        for pipe in answered:
            worker = by_pipe[pipe]  # type: ignore[index]
            try:
                answer = worker.pipe.recv()
            except (EOFError, OSError):
                self._reap(worker, run)
                continue
            if not worker.is_ready:
                worker.is_ready, self._failed_starts = True, 0
                continue
            index, worker.holds, worker.until_s = worker.holds, None, math.inf
            if isinstance(answer, TaskRaised):
                raise answer.error
            if index is not None:
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
                self.workers, self.apart = 1, False
        elif index is not None:
            run.died(index, is_alone=self.apart)


@dataclass(frozen=True, slots=True)
class TaskRaised:
    """What an item raised."""

    error: Exception


_ONE_START_AT_A_TIME = threading.Lock()  # the environment and signal masks are the process's own


def _start(idle_s: float | None) -> _Worker:
    # Spawned and not forked: a fork copies locks that other threads hold.
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    process = spawn.Process(target=_serve, args=(theirs, idle_s), daemon=True)
    with _ONE_START_AT_A_TIME, _one_thread_in_children(), _without_interrupts(), _as_parent():
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


@contextlib.contextmanager
def _as_parent() -> Iterator[None]:
    """Let a daemon start processes, as a cluster's workers are: ours end with it by themselves."""
    config = multiprocessing.current_process()._config  # type: ignore[attr-defined]
    was = config.pop("daemon", None)
    try:
        yield
    finally:
        if was is not None:
            config["daemon"] = was


def _serve(pipe: Connection, idle_s: float | None) -> None:
    """Do items as they come, until the pipe ends or, where that is said, nothing comes."""
    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(EOFError, OSError):
        pipe.send(None)  # ready
        while pipe.poll(idle_s):
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
