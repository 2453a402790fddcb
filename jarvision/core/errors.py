"""Why something cannot be read: each error is one plain sentence that says what to do next."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What the command line returns to the shell."""

    ALL_READ = 0
    SOME_UNREAD = 1
    WRONG_USAGE = 2


class JarError(Exception):
    """A reading that cannot be made; `str(error)` is for the gardener.

    Attributes
    ----------
    name : str
        Short machine name of the reason, as it stands in JSON.
    exit_code : ExitCode
        What the command returns when this is what stopped it.
    """

    name = "cannot_read"
    exit_code = ExitCode.SOME_UNREAD


class UsageError(JarError):
    """The command or a value typed by the user is not usable."""

    name = "wrong_usage"
    exit_code = ExitCode.WRONG_USAGE


class ValueRefusedError(UsageError):
    """A number given by the user lies outside what the calculation is valid for."""

    name = "value_refused"


def require(holds: bool, sentence: str) -> None:
    """Refuse a value that does not hold, in a sentence.

    Raises
    ------
    ValueRefusedError
        It does not hold.
    """
    if not holds:
        raise ValueRefusedError(sentence)


class PhotoError(JarError):
    """A file that cannot be opened as a photo."""

    name = "photo_unreadable"


class NoJarError(JarError):
    """No jar was found in a photo."""

    name = "no_jar"


class NoDepositError(JarError):
    """A jar without a deposit that can be seen."""

    name = "no_deposit"


class HiddenError(JarError):
    """The deposit is cut off by the picture's edge or hidden by the strip."""

    name = "hidden"


class BlurredError(JarError):
    """The picture is too soft to place a boundary."""

    name = "blurred"


class TooDarkError(JarError):
    """The picture is too dark for layers to be told from noise."""

    name = "too_dark"


class TooBrightError(JarError):
    """So much of the picture is white that layers cannot be seen."""

    name = "too_bright"


class TooNoisyError(JarError):
    """The picture's own noise, or its compression, hides the grain of the soil."""

    name = "too_noisy"


class MixedJarsError(JarError):
    """Photos of different jars were given as one."""

    name = "mixed_jars"


class SeveralJarsError(JarError):
    """Several jars stand in a photo and none carries a strip."""

    name = "several_jars"


class TimesError(JarError):
    """The photos' times cannot be put in an order that makes sense."""

    name = "times_out_of_order"
