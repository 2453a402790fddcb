"""One jar from the looks at its photos, without a run around it."""

from collections.abc import Mapping

from jarvision.core.series import Reading
from jarvision.estimate.given import Given
from jarvision.estimate.reading import JarReading, work_out
from jarvision.wall.locate import Look
from jarvision.wall.read import read_photos_of_jar


def read_jar(jar: str, looks: Mapping[Reading, Look], given: Given | None = None) -> JarReading:
    """Read one jar from the looks at its photos."""
    return work_out(jar, read_photos_of_jar(looks), given or Given())
