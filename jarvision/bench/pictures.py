"""Photos as the page shows them, made in a process of their own, with a time limit."""

from __future__ import annotations

import asyncio
import multiprocessing
from collections import OrderedDict
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path

from jarvision.core.errors import JarError

_LONGEST_S = 60.0
_KEPT = 24
_QUALITY = 90


class NoPictureError(JarError):
    """A photo that cannot be shown."""

    name = "no_picture"


def upright_jpeg(path: Path) -> bytes:
    """Open a photo as a reading does and give it upright, without anything of its file but pixels.

    Raises
    ------
    JarError
        It cannot be opened.
    """
    import cv2

    from jarvision.run.album import Album

    picture = Album().open(path)[0].bgr
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1].tobytes()


@dataclass(slots=True)
class Pictures:
    """The latest pictures, by their photos' digests."""

    _kept: OrderedDict[str, bytes] = field(default_factory=OrderedDict)
    _pool: ProcessPoolExecutor | None = None
    _one: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def jpeg(self, path: Path, digest: str) -> bytes:
        """Give a photo as JPEG.

        Raises
        ------
        NoPictureError
            It cannot be opened, or takes too long.
        """
        async with self._one:
            if digest not in self._kept:
                self._kept[digest] = await self._made(path)
                while len(self._kept) > _KEPT:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(digest)
            return self._kept[digest]

    async def _made(self, path: Path) -> bytes:
        if self._pool is None:
            spawn = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=spawn)
        task = asyncio.get_running_loop().run_in_executor(self._pool, upright_jpeg, path)
        try:
            return await asyncio.wait_for(task, _LONGEST_S)
        except JarError as error:
            raise NoPictureError(str(error)) from None
        except (TimeoutError, BrokenProcessPool):
            self.close()
            msg = "This photo could not be opened in a minute; try it again."
            raise NoPictureError(msg) from None

    def close(self) -> None:
        """End the process."""
        if self._pool is not None:
            for process in (self._pool._processes or {}).values():
                process.kill()
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None
