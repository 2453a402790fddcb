"""A jar's result worked out again from its file alone: no photo is opened."""

from __future__ import annotations

from collections.abc import Sequence

from jarvision.core.errors import UsageError
from jarvision.estimate.corrections import Correction, put_right
from jarvision.estimate.estimate import Estimated, estimate
from jarvision.results.record import JarRecord


def recomputed(record: JarRecord, *, corrections: Sequence[Correction] = ()) -> Estimated:
    """Work out a jar's soil again, by height and by weight, with every doubt.

    Parameters
    ----------
    record : JarRecord
        A jar that was read, as it comes from its file.
    corrections : sequence of Correction
        Lines that somebody sees elsewhere; without them the numbers are those of the file.

    Raises
    ------
    UsageError
        The jar was not read, or by a program that did not keep what it measured.
    NoDepositError, ValueRefusedError
        The corrected lines leave no deposit, or cannot be.
    """
    if record.interim is not None:
        msg = "This jar's last photo is not there yet; read it again when it is."
        raise UsageError(msg)
    if record.measurement is None or record.given is None:
        msg = "This result does not hold what was measured; read the jar's photos again."
        raise UsageError(msg)
    measured = put_right(record.measurement, corrections)
    return estimate(record.jar, measured, record.given)
