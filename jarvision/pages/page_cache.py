"""Pages that are as they were: at each one's end stands what it was made from, and how it was."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from jarvision.core.files import safe_name
from jarvision.results.cache import PHOTOS_FILE
from jarvision.results.codec import JarFileError
from jarvision.results.fingerprint import whole_program
from jarvision.results.jar_folder import jar_paths, read_regular
from jarvision.results.record import PREFIX, SUFFIX, JarRecord

FOLDER_PAGE, TEST_PAGE, COMPARED_PAGE = "report.html", "howto.html", "compared.html"
"""All jars; how the test is done and where every statement is from; hand marks compared."""

_MOST_PAGE_BYTES = 40_000_000


def page_name(stem: str) -> str:
    """File name of a jar's page; it follows the jar's own file, so no two share a page."""
    return f"report-{safe_name(stem)}.html"


def made_of_page(folder: Path, jar: JarRecord, beside: object) -> str:
    """Digest what a jar's page is made from: its files, what goes with them, and the program."""
    names = [f"{PREFIX}{jar.stem}{SUFFIX}", *(photo.overlay for photo in jar.photos)]
    text = hashlib.sha256(whole_program().encode())
    for name in filter(None, names):
        text.update(hashlib.sha256(_bytes_of(folder / name)).digest())
    text.update(repr(beside).encode("utf-8", "backslashreplace"))
    return text.hexdigest()


def pages_that_hold(folder: Path, beds: Path | None, asked: object) -> list[Path]:
    """Give all pages if they and all that they are made from are as they were; else nothing."""
    stems = [path.name.removeprefix(PREFIX).removesuffix(SUFFIX) for path in jar_paths(folder)]
    names = list(map(page_name, stems))
    pages = [folder / name for name in (*names, TEST_PAGE, FOLDER_PAGE)]
    is_there = still_holds(pages[-1], made_of_all(folder, beds, asked, pages[:-1]))
    return pages if is_there else []


def made_of_all(folder: Path, beds: Path | None, asked: object, pages: Sequence[Path]) -> str:
    """Digest all that the folder's page is made from, and the pages that it links to."""
    text = hashlib.sha256(whole_program().encode())
    overlays = sorted(folder.glob("overlay-*"))
    also = [folder / PHOTOS_FILE, folder / COMPARED_PAGE, *([beds] if beds else [])]
    for path in (*jar_paths(folder), *overlays, *pages, *also):
        text.update(f"{path.name} {path.is_file()}\n".encode("utf-8", "backslashreplace"))
        text.update(hashlib.sha256(_bytes_of(path)).digest())
    text.update(repr((folder.resolve().name, asked)).encode("utf-8", "backslashreplace"))
    return text.hexdigest()


def _bytes_of(path: Path) -> bytes:
    try:
        return read_regular(path, most_bytes=_MOST_PAGE_BYTES)
    except JarFileError:
        return b""


def marked(page: str, made_from: str) -> bytes:
    """Say at a page's end what it was made from, and how it was."""
    raw = page.encode("utf-8", "backslashreplace").removesuffix(_END)
    return raw + _mark(raw, made_from)


_END = b"</html>\n"


def _mark(raw: bytes, made_from: str) -> bytes:
    return f"<!-- made from {made_from}, {hashlib.sha256(raw).hexdigest()} -->".encode() + _END


_MARK_BYTES = len(_mark(b"", "0" * 64))


def still_holds(path: Path, made_from: str) -> bool:
    """Whether a page is there, unchanged, that was made from the same."""
    raw = _bytes_of(path)
    return raw[-_MARK_BYTES:] == _mark(raw[:-_MARK_BYTES], made_from)
