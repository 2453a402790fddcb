"""What decoders written in C print while they work, heard in place of the terminal."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
from collections.abc import Iterator
from typing import IO

from jarvision.core.errors import PhotoError

_DECODER_NOISE = re.compile(
    rb"^(corrupt|premature|invalid|unsupported|inconsistent|unknown|bogus|warning|\[\s*(warn|error|info)"
    rb"|(lib(png|jpeg|tiff)|o?jpeg|tiff|lzw|zip|fax)[\w ]*:).*\n?",
    re.IGNORECASE | re.MULTILINE,
)


@contextlib.contextmanager
def stderr_aside() -> Iterator[IO[bytes]]:
    """Hold back what C libraries print; what is not theirs is printed afterwards."""
    with contextlib.ExitStack() as stack:
        heard = stack.enter_context(_listener())
        try:
            terminal = os.dup(2)
        except OSError:  # no error stream: there is one for as long as this takes
            terminal = -1
        os.dup2(heard.fileno(), 2)
        try:
            yield heard
        finally:
            if terminal < 0:
                os.close(2)
            else:
                os.dup2(terminal, 2)
                os.close(terminal)
                _print_others_words(heard)


def _listener() -> IO[bytes]:
    """Open a file that is on no disk, so that damage is heard of where nothing can be written."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("heard"), "w+b")
    try:
        return tempfile.TemporaryFile()
    except OSError as error:
        msg = "There is no folder for temporary files, without which damage to photos goes unseen."
        raise _NoListenerError(msg) from error


class _NoListenerError(PhotoError):
    """Whether a photo is damaged cannot be told here."""

    name = "damage_unseen"


def words_of(heard: IO[bytes]) -> bytes:
    """Give what was printed so far."""
    heard.seek(0)
    return heard.read()


def _print_others_words(heard: IO[bytes]) -> None:
    words = _DECODER_NOISE.sub(b"", words_of(heard))
    if words:
        with contextlib.suppress(OSError):
            os.write(2, words)
