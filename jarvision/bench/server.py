"""The page's server: what it answers, and how it is started and ended."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import segno
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from jarvision.bench.access import MOST_JSON_BYTES, Guard
from jarvision.bench.claims import StaleError
from jarvision.bench.jars import JarsOnBench
from jarvision.bench.pictures import Pictures
from jarvision.bench.reader import FolderReader
from jarvision.bench.shake_times import Shaken
from jarvision.bench.uploads import MOST_BYTES, store
from jarvision.core.errors import JarError, UsageError
from jarvision.core.files import OVERLAY_PREFIX
from jarvision.core.own_files import is_own
from jarvision.core.packaged_files import data_file
from jarvision.pages.palette import css_variables
from jarvision.pages.triangle import triangle

_FILES = {
    "": ("page.html", "text/html"),
    "page.css": ("page.css", "text/css"),
    "page.js": ("page.js", "text/javascript"),
    "areas.js": ("areas.js", "text/javascript"),
    "asking.js": ("asking.js", "text/javascript"),
    "gestures.js": ("gestures.js", "text/javascript"),
    "glass.js": ("glass.js", "text/javascript"),
    "photos.js": ("photos.js", "text/javascript"),
    "phone": ("phone.html", "text/html"),
    "phone.js": ("phone.js", "text/javascript"),
}
_AT_ONCE = 8  # uploads in memory at a time
_MOST_PICTURE_BYTES = 20_000_000


@dataclass(slots=True)
class Bench:
    """What the answers need.

    Attributes
    ----------
    jars : JarsOnBench
    reader : FolderReader
    pictures : Pictures
    shaken : Shaken
    link : str
        What a phone opens; empty where none is let in.
    """

    jars: JarsOnBench
    reader: FolderReader
    pictures: Pictures
    shaken: Shaken
    link: str = ""
    _uploads: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(_AT_ONCE))

    async def file(self, request: Request) -> Response:
        """Give a part of the page."""
        name, kind = _FILES[request.path_params.get("name", "")]
        text = data_file(f"bench/{name}").read_text(encoding="utf-8")
        if kind == "text/css":
            text = css_variables(on_photos=True) + text
        return Response(text, media_type=kind)

    async def all_jars(self, request: Request) -> Response:
        """Say what stands in the grid, and what is being done."""
        jars = await run_in_threadpool(self.jars.grid)
        left_out = await run_in_threadpool(self.jars.left_out)
        return JSONResponse({"jars": jars, "left_out": left_out, **self._doing()})

    async def doing(self, request: Request) -> Response:
        """Say what is being done."""
        return JSONResponse(self._doing())

    def _doing(self) -> dict[str, Any]:
        reader = self.reader
        return {
            "reading": reader.is_waiting,
            "runs": reader.runs,
            "said": reader.said,
            "doing": reader.doing,
            "waited_for": reader.waited_for,
            "phone": bool(self.link),
        }

    async def one_jar(self, request: Request) -> Response:
        """Say what the page of a jar shows."""
        return JSONResponse(await run_in_threadpool(self.jars.shown, request.path_params["stem"]))

    async def try_lines(self, request: Request) -> Response:
        """Say what would come of lines."""
        given = await _json(request)
        stem = request.path_params["stem"]
        return JSONResponse(await run_in_threadpool(self.jars.tried, stem, given.get("lines")))

    async def keep_lines(self, request: Request) -> Response:
        """Write lines down; the answer comes when they are on the disk."""
        given = await _json(request)
        stem = request.path_params["stem"]
        version, lines, by = given.get("version"), given.get("lines"), given.get("by", "")
        made = await run_in_threadpool(self.jars.keep, stem, version, lines, by)
        self.reader.ask()
        return JSONResponse(made)

    async def photo(self, request: Request) -> Response:
        """Give a photo of a jar, upright."""
        stem, index = request.path_params["stem"], request.path_params["index"]
        path, digest = await run_in_threadpool(self.jars.photo_path, stem, index)
        return Response(await self.pictures.jpeg(path, digest), media_type="image/jpeg")

    async def any_photo(self, request: Request) -> Response:
        """Give a photo of the folder by its digest, upright."""
        digest = request.path_params["digest"]
        path, digest = await run_in_threadpool(self.jars.file_of, digest)
        return Response(await self.pictures.jpeg(path, digest), media_type="image/jpeg")

    async def say(self, request: Request) -> Response:
        """Write down what is said of a photo; the answer comes when it is on the disk."""
        await run_in_threadpool(self.jars.say, await _json(request))
        self.reader.ask()
        return JSONResponse({})

    async def overlay(self, request: Request) -> Response:
        """Give an overlay picture that this program drew."""
        name = request.path_params["name"]
        known = {jar.tile["overlay"] for jar in await run_in_threadpool(self.jars.results.all)}
        path = self.jars.out / name
        if name not in known or not name.startswith(OVERLAY_PREFIX) or not is_own(path):
            return Response(status_code=404)
        if path.stat().st_size > _MOST_PICTURE_BYTES:
            return Response(status_code=404)
        return Response(path.read_bytes(), media_type="image/jpeg")

    async def take_photo(self, request: Request) -> Response:
        """Store a photo; the answer comes when it is on the disk."""
        name = unquote(request.headers.get("x-photo-name", ""))
        async with self._uploads:
            jar = unquote(request.headers.get("x-jar", ""))[:80]
            named = self.shaken.photo_name(jar, name)
            stored, is_new = await store(self.jars.photos, named, request.stream())
            if is_new and named != name:
                await run_in_threadpool(self.jars.taken_again, jar, named, stored)
        self.reader.ask(stored if "x-jar" in request.headers else "")
        return JSONResponse({"name": stored, "is_new": is_new})

    async def shaken_at(self, request: Request) -> Response:
        """Say when jars were shaken; one that was shaken now is asked for by name."""
        times = self.shaken.times()
        if request.method == "PUT":
            jar = str((await _json(request)).get("jar", ""))
            times = await run_in_threadpool(self.shaken.start, jar)
        return JSONResponse({"shaken_s": times, "now_s": time.time()})

    async def triangle(self, request: Request) -> Response:
        """Draw the texture triangle, onto which the page puts the soil."""
        drawn = triangle("tri", "Texture triangle", "The soil as the lines lie now.", [])
        return Response(str(drawn), media_type="image/svg+xml")

    async def qr(self, request: Request) -> Response:
        """Draw the link for phones."""
        if not self.link:
            return Response(status_code=404)
        drawn = segno.make(self.link, error="m").svg_inline(scale=6, border=4, light="#FFFFFF")
        drawn = drawn.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        return Response(drawn, media_type="image/svg+xml")


async def _json(request: Request) -> Mapping[str, Any]:
    """Read a small body of JSON.

    Raises
    ------
    UsageError
        It is too large, or none.
    """
    raw = bytearray()
    async for part in request.stream():
        raw += part
        if len(raw) > MOST_JSON_BYTES:
            break
    try:
        given = json.loads(raw) if len(raw) <= MOST_JSON_BYTES else None
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict):
        msg = "The page sent something that is not understood; load it again."
        raise UsageError(msg)
    return given


async def _say_error(request: Request, error: Exception) -> Response:
    status = 409 if isinstance(error, StaleError) else 422
    return JSONResponse({"sentence": str(error)}, status)


def app_of(bench: Bench) -> Starlette:
    """Put the answers together."""

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        work = asyncio.create_task(bench.reader.work())
        try:
            yield
        finally:
            work.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await work
            bench.pictures.close()

    routes = [
        Route("/", bench.file),
        *(Route(f"/{name}", _named(bench.file, name)) for name in _FILES if name),
        Route("/api/jars", bench.all_jars),
        Route("/api/doing", bench.doing),
        Route("/api/jar/{stem}", bench.one_jar),
        Route("/api/jar/{stem}/try", bench.try_lines, methods=["POST"]),
        Route("/api/jar/{stem}/lines", bench.keep_lines, methods=["PUT"]),
        Route("/api/jar/{stem}/photo/{index:int}", bench.photo),
        Route("/api/photo/{digest}", bench.any_photo),
        Route("/api/said", bench.say, methods=["PUT"]),
        Route("/api/photos", bench.take_photo, methods=["POST"]),
        Route("/api/shaken", bench.shaken_at, methods=["GET", "PUT"]),
        Route("/overlay/{name}", bench.overlay),
        Route("/phone.svg", bench.qr),
        Route("/triangle.svg", bench.triangle),
    ]
    return Starlette(routes=routes, exception_handlers={JarError: _say_error}, lifespan=lifespan)


def _named(answer: Callable[[Request], Any], name: str) -> Callable[[Request], Any]:
    async def file(request: Request) -> Response:
        request.path_params["name"] = name
        made: Response = await answer(request)
        return made

    return file


def listening(address: str, port: int) -> socket.socket:
    """Take a port of one address of this machine.

    Raises
    ------
    UsageError
        It cannot be had.
    """
    try:
        taken = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((address, port))
        taken.listen(256)  # whoever has the link may ask before the server is up
    except (OSError, OverflowError):
        msg = f"Port {port} of {address} cannot be used; choose another with --port."
        raise UsageError(msg) from None
    return taken


def own_address() -> str:
    """Find the address by which this machine is known in its network; nothing is sent for it.

    Raises
    ------
    UsageError
        It is in no network.
    """
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # an address kept for examples (RFC 5737)
        return str(probe.getsockname()[0])
    msg = "This machine is in no network; join the one the phones are in, or give --address."
    raise UsageError(msg)


def serve(
    photos: Path,
    out: Path,
    taken: socket.socket,
    *,
    code: str,
    phone: bool,
    options: tuple[str, ...] = (),
) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    photos, out : Path
        Folders of the photos and of the results.
    taken : socket
        Where to listen.
    code : str
        What the link must hold; empty where only this machine can ask.
    phone : bool
        Whether phones are let in.
    options : tuple of str
        Further options of `jarvision read`.
    """
    address, port = taken.getsockname()[:2]
    hosts = {f"{address}:{port}"}
    if address.startswith("127."):
        hosts.add(f"localhost:{port}")
    link = f"http://{address}:{port}/phone?code={code}" if phone else ""
    bench = Bench(
        JarsOnBench(photos, out), FolderReader(photos, out, options), Pictures(), Shaken(out), link
    )
    bench.reader.ask()
    guard = Guard(app_of(bench), frozenset(hosts), code, MOST_BYTES)
    config = uvicorn.Config(
        guard,
        log_level="critical",
        access_log=False,
        server_header=False,
        timeout_keep_alive=20,
        limit_concurrency=400,
        h11_max_incomplete_event_size=65_536,
        timeout_graceful_shutdown=3,
    )
    uvicorn.Server(config).run(sockets=[taken])
