"""The sample jars as they are read by default, once for all tests that only look at the results."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jarvision.run.outcome import Batch, Outcome


@dataclass(frozen=True)
class SamplesRead:
    """All sample jars, read at their three times: look, change nothing."""

    out: Path
    batch: Batch

    def outcome(self, jar: str) -> Outcome:
        return next(o for o in self.batch.outcomes if o.jar == jar)


def read_samples(out: Path) -> SamplesRead:
    # Loaded here, since `conftest` loads this for tests of the small rooms too.
    from scenes import SAMPLES

    from jarvision.run.engine import read_photos
    from jarvision.run.settings import Settings

    return SamplesRead(out, read_photos(sorted(SAMPLES.glob("jar-*.jpg")), Settings(), out=out))
