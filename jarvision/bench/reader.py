"""Reads the folder again in a process of its own whenever a photo or a line has come.

Photos that somebody stands and waits for go first: only their jars are read, at once, and whatever
else was being read goes on afterwards from where it was. For these ``read --first PHOTO`` leaves
table and report to the run that follows, and ``read --tell`` prints how it goes; both are hidden.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

_WAIT_S, _URGENT_WAIT_S = 1.5, 0.2  # photos and lines come in bursts
_LONGEST_S = 3_600.0
_MOST_FIRST = 12  # so many photos that are waited for are read in one go
_REPORT = "Writing the report"

# The process has loaded all that it needs before it is told what to read: loading takes longer than
# to look at a photo.
_READ = """
import json, sys
from jarvision.run.pool import one_thread_each
one_thread_each()
import jarvision.cli, jarvision.run.engine, jarvision.run.outputs
told = sys.stdin.readline()
if told:
    sys.argv[1:] = json.loads(told)
    jarvision.cli.main()
"""


@dataclass(slots=True)
class FolderReader:
    """Reads photos into results, one run at a time.

    Attributes
    ----------
    photos, out : Path
        Folders of the photos and of the results.
    options : tuple of str
        Further options of `jarvision read`.
    is_reading : bool
    runs : int
        How often there was something new: a jar read, a run ended.
    said : str
        What the last run said that it could not read; empty where it read all.
    doing : str
        What is being done, in words.
    waited_for : list of str
        Names of photos that somebody waits for.
    """

    photos: Path
    out: Path
    options: tuple[str, ...] = ()
    is_reading: bool = False
    runs: int = 0
    said: str = ""
    doing: str = ""
    waited_for: list[str] = field(default_factory=list)
    _wanted: asyncio.Event = field(default_factory=asyncio.Event)
    _urgent: asyncio.Event = field(default_factory=asyncio.Event)
    _spare: asyncio.subprocess.Process | None = None

    def ask(self, photo: str = "") -> None:
        """Have the folder read soon, a photo that somebody waits for before all else."""
        if photo and photo not in self.waited_for:
            self.waited_for.append(photo)
            self._urgent.set()
        self._wanted.set()

    @property
    def is_waiting(self) -> bool:
        """Whether something new has not been read yet."""
        return self._wanted.is_set() or self.is_reading

    async def work(self) -> None:
        """Read whenever asked, until cancelled."""
        try:
            while True:
                self._spare = self._spare or await self._started()
                await self._wanted.wait()
                self.is_reading = True
                try:
                    await self._one_run()
                finally:
                    self.is_reading = False
                    self.doing = ""
                    self.runs += 1
        finally:
            if self._spare is not None:
                _end(self._spare)

    async def _one_run(self) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._urgent.wait(), _WAIT_S)
            await asyncio.sleep(_URGENT_WAIT_S)
        first = self.waited_for[:_MOST_FIRST]
        if first:
            try:
                await self._read([f"--first={self.photos / name}" for name in first])
            finally:
                del self.waited_for[: len(first)]
            if not self.waited_for:
                self._urgent.clear()
            return  # all else is still to be read
        self._wanted.clear()
        said = await self._read([], until=self._urgent)
        if said is None:
            self._wanted.set()
        else:
            self.said = said

    async def _started(self) -> asyncio.subprocess.Process:
        pipe = asyncio.subprocess.PIPE
        return await asyncio.create_subprocess_exec(
            sys.executable, "-c", _READ, stdin=pipe, stdout=pipe, stderr=pipe
        )

    async def _read(self, more: list[str], until: asyncio.Event | None = None) -> str | None:
        """Read -> what was said that could not be; None where something else had to go first."""
        spare, self._spare = self._spare, None
        is_there = spare is not None and spare.returncode is None
        process = spare if spare and is_there else await self._started()
        arguments = ["read", str(self.photos), "--out", str(self.out), "--workers", "1", "--tell"]
        ended = asyncio.create_task(self._followed(process, [*arguments, *more, *self.options]))
        urgent = asyncio.create_task(self._gives_way(until)) if until else None
        try:
            waits = [ended, *([urgent] if urgent else [])]
            done, _ = await asyncio.wait(
                waits, timeout=_LONGEST_S, return_when=asyncio.FIRST_COMPLETED
            )
            if ended in done:
                return ended.result()
            return None if done else "Reading took more than an hour and was ended."
        finally:
            for task in (ended, urgent):
                if task is not None:
                    task.cancel()
            _end(process)
            await process.wait()

    async def _gives_way(self, until: asyncio.Event) -> None:
        """Wait for what a run gives way to: what is urgent; while pages are written, anything."""
        while not until.is_set() and not (self._wanted.is_set() and self.doing == _REPORT):
            await asyncio.sleep(0.1)

    async def _followed(self, process: asyncio.subprocess.Process, arguments: list[str]) -> str:
        """Tell a process what to read, and follow what it tells until it ends."""
        if process.stdin is not None:
            process.stdin.write(json.dumps(arguments).encode() + b"\n")
        errors = asyncio.create_task(_text_of(process.stderr))
        async for what, done, of in _progress(process.stdout):
            self.doing = f"{what}: {done} of {of}" if of else what
            self.runs += what == "Reading jars" and done > 0
        return (await errors).strip()[-400:]


async def _text_of(stream: asyncio.StreamReader | None) -> str:
    return (await stream.read()).decode("utf-8", "replace") if stream else ""


async def _progress(stream: asyncio.StreamReader | None) -> AsyncIterator[tuple[str, int, int]]:
    """Give what is told of the progress among what is printed."""
    while stream is not None and (line := await stream.readline()):
        parts = line.decode("utf-8", "replace").strip("\n").split("\t")
        if len(parts) == 4 and not parts[0] and parts[2].isdecimal() and parts[3].isdecimal():
            yield parts[1], int(parts[2]), int(parts[3])


def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
