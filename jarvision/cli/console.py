"""What is printed, and what every error becomes: one plain sentence and an exit code."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import unicodedata
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

from jarvision.core.errors import ExitCode, JarError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

_STOPPED = "Stopped; what was read so far is kept."
_NO_MEMORY = "There is not enough memory; close other programs, or give fewer photos at a time."
_NOT_PRINTED = (
    "What was to be printed could not be written; make room on the disk and run it again."
)
_NO_FOLDER = "The folder that you are in is gone; change to another folder and run it again."
_TOO_LARGE = (
    "A number or a date is too large to work with; check what was typed and this computer's clock."
)
_BY_ERRNO = {
    errno.ENAMETOOLONG: "A name is longer than this system allows; choose a shorter one.",
    errno.ENOSPC: "The disk is full; make room and run it again.",
    errno.EDQUOT: "The disk is full; make room and run it again.",
    errno.ENOMEM: _NO_MEMORY,
    errno.EBADF: _NOT_PRINTED,
    errno.EFBIG: "A file would be larger than the system allows here; write somewhere else.",
    errno.EAGAIN: "This system starts no more processes; close other programs.",
    errno.EMFILE: "Too many files are open; close other programs or give fewer photos at a time.",
    errno.EACCES: "A file or folder may not be opened; allow it or choose another.",
    errno.EROFS: "A folder is read-only; choose another.",
}


def say(text: str = "", *, err: bool = False) -> None:
    """Print lines of text; signs that steer a terminal are left out, whoever wrote them.

    Where nobody reads along any more it is dropped, and the work goes on.
    """
    stream = sys.stderr if err else sys.stdout
    try:
        print(harmless(text), file=stream)
    except BrokenPipeError:
        _give_up(stream)


def say_table(table: Table) -> None:
    """Print a table as wide as the terminal; dropped as in `say`."""
    with contextlib.suppress(BrokenPipeError):  # older rich raises it
        console(sys.stdout).print(table)


def console(stream: TextIO) -> Console:
    """Give rich's console on a stream; it drops what cannot be printed, and does not exit."""
    from rich.console import Console

    class Patient(Console):
        def on_broken_pipe(self) -> None:
            self.quiet = True
            _give_up(stream)

    return Patient(file=stream, emoji=False, markup=False, highlight=False)


def harmless(text: str) -> str:
    """Drop all that is no letter, sign or line end: control and direction marks, lone surrogates.

    Joiners that some scripts and emoji need stay.
    """
    return "".join(filter(_is_harmless, text))


def _is_harmless(sign: str) -> bool:
    return sign in "\n\u200c\u200d" or unicodedata.category(sign) not in {"Cc", "Cf", "Cs"}


def run_quietly(command: Callable[[], object]) -> int:
    """Run a command to its end.

    Returns
    -------
    int
        The exit code. Whatever is raised is printed as one sentence on the error stream.
    """
    try:
        code = _exit_code(command())
    except KeyboardInterrupt:
        code = _failed(_STOPPED)
    except JarError as error:
        code = _failed(str(error), error.exit_code)
    except BrokenPipeError:  # the parser's own help: who reads along has seen enough
        _give_up(sys.stdout)
        return int(ExitCode.SOME_UNREAD)
    except Exception as error:  # no traceback reaches a user
        code = _of_the_parser(error) or _failed(sentence(error))
    return code if _is_flushed() else int(ExitCode.SOME_UNREAD)


def prepare_streams() -> None:
    """Make both streams fit for any text; one that was closed leads nowhere from now on."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        try:
            stream.reconfigure(errors="replace")
        except (AttributeError, OSError, ValueError):
            if stream is None or not hasattr(stream, "getvalue"):
                setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123


def _exit_code(result: object) -> int:
    return result if isinstance(result, int) else int(ExitCode.ALL_READ)


def _failed(words: str, code: ExitCode = ExitCode.SOME_UNREAD) -> int:
    with contextlib.suppress(OSError):
        say(words, err=True)
    return int(code)


def _of_the_parser(error: Exception) -> int:
    """Print what the option parser raised; 0 where it was not the parser.

    Its classes are told by what they can do, since typer brings its own copy of them.
    """
    if type(error).__name__ == "Abort":
        return _failed(_STOPPED)
    show, code = getattr(error, "show", None), getattr(error, "exit_code", None)
    if show is None or not isinstance(code, int):
        return 0
    if type(error).__name__ == "NoArgsIsHelpError":
        show()
        return code
    spoken = getattr(error, "format_message", error.__str__)
    words = " ".join(str(spoken()).split()).rstrip(".")
    _failed(f"{words}. Say --help after the command to see what it takes.")
    return code


def _is_flushed() -> bool:
    """Write out what was printed, here where a full disk can still be told."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _give_up(sys.stdout)
        return True
    except (OSError, ValueError):
        _give_up(sys.stdout)
        _failed(_NOT_PRINTED)
        return False
    return True


def _give_up(stream: TextIO) -> None:
    """Let nothing more be written to a stream, or Python itself complains as it ends."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def sentence(error: Exception) -> str:
    """Say what an error that nobody foresaw means for the user."""
    if _is_nowhere():
        return _NO_FOLDER
    if isinstance(error, MemoryError) or "Cannot allocate memory" in str(error):
        return _NO_MEMORY
    if isinstance(error, ImportError):
        what = harmless(error.name or "a library")
        return (
            f"A part of the program cannot be loaded ({what}): memory is too short, or the program "
            "is not installed completely."
        )
    if isinstance(error, OSError) and error.errno in _BY_ERRNO:
        return _BY_ERRNO[error.errno]
    if "start new thread" in str(error):
        return _BY_ERRNO[errno.EAGAIN]
    if isinstance(error, OverflowError) or "out of range" in str(error):
        return _TOO_LARGE
    if isinstance(error, UnicodeError):
        return "This system's settings cannot write a letter of a name; set its locale to UTF-8."
    return (
        f"Something went wrong that should not ({type(error).__name__}); run it again with fewer "
        "photos to find the one that causes it."
    )


def _is_nowhere() -> bool:
    try:
        os.getcwd()  # noqa: PTH109  (asked for its error)
    except OSError:
        return True
    return False
