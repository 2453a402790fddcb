"""The same work on many things, spread over the machines of a Dask cluster.

The machines need this same program and share no disk with this one: what an item needs travels with
it, and what was made of it is put on disk here. A worker that dies takes nothing with it: its items
go to the others, and only what kills its workers again when nobody else works is given up. A worker
does its work in a process beside it, so that a photo that kills whoever opens it costs no worker,
whether or not somebody starts dead workers anew.

A `Task` is packed just before it is sent: few are out at a time (`_hand_out`). Items travel as
bytes whose unpickling makes the call, so that the scheduler need not have this program. `_knock`
asks who is there before a `Client` is made, since a client that meets somebody else hangs, and
complains on exit.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import pickle
import secrets
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from jarvision.core.errors import ExitCode, UsageError
from jarvision.core.files import shown
from jarvision.results.fingerprint import program
from jarvision.run.pool import Item, Pool, Result, Task, TaskRaised, TaskRun

if TYPE_CHECKING:
    from distributed import Client, Future

_CONNECT_S = 10.0
_ANSWER_S = 10.0
_FIRST_WORKER_S = 15.0
_NEW_WORKER_S = 30.0  # a worker that died is started anew within some seconds
_LOOK_S = 2.0
_FETCH_S = 60.0
_MOST_BYTES_OUT = 500_000_000  # the scheduler holds them all


class ClusterError(UsageError):
    """A cluster that cannot be used as it is."""

    name = "cluster_unusable"


class ClusterLostError(ClusterError):
    """A cluster that went away in the middle of the work; what was done is kept."""

    name = "cluster_lost"
    exit_code = ExitCode.SOME_UNREAD


@contextlib.contextmanager
def cluster_pool(address: str) -> Iterator[ClusterPool]:
    """Give a pool whose tasks run on the machines of a cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://host:8786``.

    Raises
    ------
    ClusterError
        On entering: it cannot be reached, has no workers or runs another program.
    """
    with _without_noise(), _forgetful():
        client = _connected(address)
        try:
            pool = ClusterPool(client)
            pool.check_workers()
            yield pool
        finally:
            with contextlib.suppress(Exception):  # it may have gone away
                client.close(timeout=_ANSWER_S)


@contextlib.contextmanager
def _without_noise() -> Iterator[None]:
    """Keep from the terminal what the cluster's own library tells of itself."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", module=r"(dask|distributed|tornado)\b")
            yield
    finally:
        logging.disable(before)


@contextlib.contextmanager
def _forgetful() -> Iterator[None]:
    """Keep the library from holding the last thousand messages: here each holds a jar's photos."""
    try:
        import dask
    except ImportError:  # said when it is connected
        yield
        return
    with dask.config.set({"distributed.admin.low-level-log-length": 10}):
        yield


def _connected(address: str) -> Client:
    try:
        from distributed import Client
    except ImportError:
        msg = (
            "--cluster needs Dask; install it with .venv/bin/pip install 'distributed>=2024.5', "
            "here and on the cluster's machines."
        )
        raise ClusterError(msg) from None
    try:
        with ThreadPoolExecutor(1) as apart:  # there may be a loop in this thread already
            apart.submit(asyncio.run, _knock(address)).result()
        return Client(address, timeout=_CONNECT_S, set_as_default=False)
    except Exception:  # nobody listens, somebody else does, a name is wrong, a certificate missing
        also = (
            ", and that Dask's configuration names the certificates"
            if address.startswith("tls:")
            else ""
        )
        msg = (
            f"No Dask scheduler answers at {shown(address)}; check the address, such as "
            f"tcp://host:8786, and that it runs{also}."
        )
        raise ClusterError(msg) from None


async def _knock(address: str) -> None:
    """See who is there: a client that finds nobody, or somebody else, waits long and complains."""
    from distributed import Security
    from distributed.comm.core import connect
    from distributed.core import send_recv

    options = Security().get_connection_args("client")
    async with asyncio.timeout(_CONNECT_S):
        comm = await connect(address, timeout=_CONNECT_S, **options)
        who = await send_recv(comm, op="identity", close=True)
    if who["type"] != "Scheduler":
        raise ConnectionError


@contextlib.contextmanager
def _or_lost() -> Iterator[None]:
    """Turn whatever the library raises when it loses its scheduler into one sentence."""
    try:
        yield
    except Exception:
        raise _gone() from None


def _gone() -> ClusterLostError:
    return ClusterLostError(
        "The connection to the cluster's scheduler was lost; what was read so far is kept. See "
        "that it runs, then run again."
    )


# --- what runs on the workers -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Call:
    """A call that is made when this is unpickled.

    So the scheduler, which unpickles what it passes on, needs to know nothing of this program.
    """

    function: Callable[..., object]
    arguments: tuple[object, ...] = ()

    def __reduce__(self) -> tuple[Callable[..., object], tuple[object, ...]]:
        return self.function, self.arguments


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came of an item."""

    result: Any


@dataclass(frozen=True, slots=True)
class _Refused:
    """A worker that would not come to the same results: what it runs."""

    versions: tuple[str, ...]


def versions() -> tuple[str, ...]:
    """Name this program and the libraries on which the last digits of its results depend."""
    import cv2
    import numpy
    import PIL
    import scipy

    libraries = {"OpenCV": cv2, "NumPy": numpy, "SciPy": scipy, "Pillow": PIL}
    named = (f"{name} {library.__version__}" for name, library in libraries.items())
    return (program(), *named)


@dataclass(frozen=True, slots=True)
class _Died:
    """The process beside a worker died of an item, or was ended since it took far too long."""


# A thread of a worker serves many runs one after the other, and a process takes a second or two to
# start: it is kept until there has been nothing to do for a while.
_beside = threading.local()


def _do(
    wanted: tuple[str, ...], parcel: bytes, most_s: float
) -> _Answer | TaskRaised | _Refused | _Died:
    """Do an item on a worker that runs the same program."""
    found = versions()
    if found != wanted:
        return _Refused(found)
    if not hasattr(_beside, "pool"):
        _beside.pool = Pool(1, apart=True)
    pool: Pool = _beside.pool
    try:
        [answer] = pool.each(_answered, [parcel], lost=_died, most_s=most_s)
    except Exception as error:
        return TaskRaised(error)
    return answer


def _answered(parcel: bytes) -> _Answer | _Died:
    return _Answer(pickle.loads(parcel)())


def _died(_: bytes) -> _Answer | _Died:
    return _Died()


# --- here ---------------------------------------------------------------------------------------


@dataclass(slots=True, kw_only=True)
class _ClusterRun(TaskRun[Item, Result]):
    """What is out, by its future: index, bytes."""

    task: Task[Item, Any, Result]
    out: dict[Future[Any], tuple[int, int]] = field(default_factory=dict)

    @property
    def bytes_out(self) -> int:
        return sum(size for _, size in self.out.values())

    def next_index(self, room: int) -> int | None:
        """Tell which item may be sent now: one that killed workers only when nobody else works."""
        if not self.out:
            return self.waiting.popleft() if self.waiting else self.again[0] if self.again else None
        is_full = len(self.out) >= room or self.bytes_out >= _MOST_BYTES_OUT
        is_alone = any(index in self.again for index, _ in self.out.values())
        return None if is_full or is_alone or not self.waiting else self.waiting.popleft()


@dataclass(slots=True)
class ClusterPool:
    """The workers of a cluster, as many as there are at any time.

    Attributes
    ----------
    client : Client
        The connection to its scheduler.
    versions : tuple of str
        What all of them must run; by default what runs here.
    """

    client: Client
    versions: tuple[str, ...] = field(default_factory=versions)
    _threads: int = field(default=0, init=False)
    _looked_s: float = field(default=-1e9, init=False)
    _staffed_s: float = field(default=0.0, init=False)

    def check_workers(self) -> None:
        """Wait for a worker, and see that all run this same program.

        Raises
        ------
        ClusterError
            There is none, or one does not.
        """
        until_s = time.monotonic() + _FIRST_WORKER_S
        while not self._count_threads():
            if time.monotonic() > until_s:
                msg = "The cluster has a scheduler but no workers; start some, then run again."
                raise ClusterError(msg)
            time.sleep(0.2)
        call = pickle.dumps(_Call(versions))
        with _or_lost():
            answers = self.client.run(pickle.loads, call, on_error="return")
        for worker, found in sorted(answers.items()):
            if isinstance(found, Exception) and not isinstance(found, OSError):  # else it has gone
                raise _lacking(worker)
            if isinstance(found, tuple):
                self.refuse_other(found, worker)

    def each(
        self,
        task: Task[Item, Any, Result],
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
        task : Task
            Its `packed` and `keep` are called here, one item at a time. What it raises ends all.
        items, lost, got, most_s
            As for `Pool.each`.
        few : int
            Not used: the cluster is there already.

        Returns
        -------
        list
            Results in the order of `items`.

        Raises
        ------
        ClusterError
            A worker that joined runs another program.
        ClusterLostError
            The scheduler or all workers went away.
        """
        run = _ClusterRun(items, lost, got, most_s, task=task)
        self._staffed_s = time.monotonic()
        while not run.is_done:
            self._look()
            self._hand_out(run)
            self._listen(run)
        return run.in_order()

    def _hand_out(self, run: _ClusterRun[Item, Result]) -> None:
        """Send enough items for every worker to have its next one at hand, and no more."""
        while (index := run.next_index(2 * self._threads + 2)) is not None:
            parcel = pickle.dumps(run.task.packed(run.items[index]))
            call = pickle.dumps(_Call(_do, (self.versions, parcel, run.most_s)))
            key = f"jarvision-{secrets.token_hex(16)}"
            with _or_lost():
                future = self.client.submit(pickle.loads, call, key=key, pure=False)
            run.out[future] = index, len(call)

    def _listen(self, run: _ClusterRun[Item, Result]) -> None:
        """Wait for answers for a while, and take those that have come."""
        from distributed import wait

        with contextlib.suppress(Exception):  # time is up, or an item was cancelled: seen below
            wait(list(run.out), timeout=_LOOK_S, return_when="FIRST_COMPLETED")
        for future in [f for f in run.out if f.status not in ("pending", "lost")]:
            index, _ = run.out[future]
            try:
                answer = self._answer_of(future)
            except TimeoutError:  # its worker died just now, and it is done again elsewhere
                continue
            del run.out[future]
            if isinstance(answer, _Refused):
                self.refuse_other(answer.versions)
            if isinstance(answer, TaskRaised):
                raise answer.error
            if isinstance(answer, _Answer):
                run.keep(index, run.task.keep(answer.result))
            else:
                run.died(index)

    def _answer_of(self, future: Future[Any]) -> _Answer | TaskRaised | _Refused | _Died:
        """Fetch an answer, or that the item's workers died."""
        from distributed import KilledWorker

        if future.status == "error":
            with _or_lost():
                error = future.exception(timeout=_ANSWER_S)
            if isinstance(error, KilledWorker):
                return _Died()
            raise _lacking()
        try:
            answer: _Answer | TaskRaised | _Refused | _Died = future.result(timeout=_FETCH_S)
        except TimeoutError:
            raise
        except Exception:
            raise _gone() from None
        return answer

    def _look(self) -> None:
        """See, every now and then, how many work."""
        now_s = time.monotonic()
        if now_s - self._looked_s < _LOOK_S:
            return
        self._looked_s, self._threads = now_s, self._count_threads()
        if self._threads:
            self._staffed_s = now_s
        elif now_s - self._staffed_s > _NEW_WORKER_S:
            msg = (
                "The cluster has no workers left; what was read so far is kept. Start some, then "
                "run again."
            )
            raise ClusterLostError(msg)

    def _count_threads(self) -> int:
        with _or_lost():
            return sum(self.client.nthreads(callback_timeout=_ANSWER_S).values())

    def refuse_other(self, found: tuple[str, ...], worker: str = "") -> None:
        """Raise where a worker would not come to the same results."""
        for theirs, ours in zip(found, self.versions, strict=False):
            if theirs != ours:
                msg = (
                    f"A worker of the cluster{_at(worker)} runs {shown(theirs)}, this machine "
                    f"{ours}; install the same on all and start the workers anew."
                )
                raise ClusterError(msg)


def _lacking(worker: str = "") -> ClusterError:
    return ClusterError(
        f"A worker of the cluster{_at(worker)} cannot run this jarvision; install the same version "
        "there and start the worker anew."
    )


def _at(worker: str) -> str:
    return f" at {shown(worker)}" if worker else ""
