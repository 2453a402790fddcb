"""Reads the folder again in a process of its own whenever a photo or a line has come."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from dataclasses import dataclass, field
from pathlib import Path

_WAIT_S = 1.5  # lines come in bursts
_LONGEST_S = 3_600.0
_READ = "from jarvision.cli import main; main()"


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
        How many runs have ended.
    said : str
        What the last run said that it could not read; empty where it read all.
    """

    photos: Path
    out: Path
    options: tuple[str, ...] = ()
    is_reading: bool = False
    runs: int = 0
    said: str = ""
    _wanted: asyncio.Event = field(default_factory=asyncio.Event)

    def ask(self) -> None:
        """Have the folder read soon."""
        self._wanted.set()

    @property
    def is_waiting(self) -> bool:
        """Whether something new has not been read yet."""
        return self._wanted.is_set() or self.is_reading

    async def work(self) -> None:
        """Read whenever asked, until cancelled."""
        while True:
            await self._wanted.wait()
            self.is_reading = True
            await asyncio.sleep(_WAIT_S)
            self._wanted.clear()
            try:
                self.said = await self._read()
            finally:
                self.is_reading = False
                self.runs += 1

    async def _read(self) -> str:
        arguments = ["read", str(self.photos), "--out", str(self.out), "--workers", "1"]
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-c",
            _READ,
            *arguments,
            *self.options,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        try:
            _, errors = await asyncio.wait_for(process.communicate(), _LONGEST_S)
        except TimeoutError:
            return "Reading took more than an hour and was ended."
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
        return errors.decode("utf-8", "replace").strip()[-400:]
