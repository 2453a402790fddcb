"""What came of one jar in a run."""

from __future__ import annotations

from dataclasses import dataclass

from jarvision.core.errors import JarError
from jarvision.core.series import JarPhotos
from jarvision.estimate.interim import InterimReading
from jarvision.estimate.posterior import Weighed
from jarvision.estimate.reading import JarReading
from jarvision.results.record import JarRecord, ReadingRow, json_name


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one jar.

    Attributes
    ----------
    photos : JarPhotos
        Its photos, placed in time.
    record : JarRecord
        Its result, as it is stored.
    error : JarError or None
        Why it could not be read; None where it was.
    reading : JarReading or None
        Its reading, where it was read in this run. Where it was written to a folder it comes
        without pictures, so that a class fits in memory.
    interim : InterimReading or None
        What is known so far, where it was read in this run before its last photo was there.
    weighed : Weighed or None
        The soil by weight, where it was estimated in this run.
    is_lasting : bool
        Whether the same photos would give the same again; not so where memory ran out.
    is_earlier : bool
        Whether the result was taken from an earlier run.
    """

    photos: JarPhotos
    record: JarRecord
    error: JarError | None = None
    reading: JarReading | None = None
    interim: InterimReading | None = None
    weighed: Weighed | None = None
    is_lasting: bool = True
    is_earlier: bool = False

    @property
    def jar(self) -> str:
        """Its name."""
        return self.record.jar

    @property
    def row(self) -> ReadingRow | None:
        """Its row of `readings.csv`; None where it was not read."""
        return self.record.row


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of all photos.

    Attributes
    ----------
    outcomes : tuple of Outcome
        One a jar.
    refused : tuple of (str, str)
        Files that are no usable photos: name and sentence.
    photos_found : int
        How many files were taken for photos.
    notes : tuple of str
        What of the list of jars could not be followed, and which results of other photos gave way.
    beds : str
        What the lists of jars say of the jars' beds, as a list of beds.
    left_out : tuple of (str, str)
        Photos of which somebody said that they show no jar: name and sentence.
    """

    outcomes: tuple[Outcome, ...]
    refused: tuple[tuple[str, str], ...]
    photos_found: int = 0
    notes: tuple[str, ...] = ()
    beds: str = ""
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def rows(self) -> list[ReadingRow]:
        """Rows of `readings.csv`, one for each jar that was read."""
        return [outcome.row for outcome in self.outcomes if outcome.row is not None]

    @property
    def kept(self) -> dict[str, JarRecord]:
        """Results that were taken from an earlier run, by the names of the files they are in."""
        return {json_name(one.jar): one.record for one in self.outcomes if one.is_earlier}

    @property
    def all_read(self) -> bool:
        """Whether every jar and every file could be used."""
        whole = all(outcome.error is None for outcome in self.outcomes)
        return whole and bool(self.outcomes) and not self.refused
