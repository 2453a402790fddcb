"""How photos are read, for all jars and for one, and who is told how it goes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from jarvision.core.units import UnitSystem
from jarvision.estimate.given import Given
from jarvision.estimate.known import JarFacts
from jarvision.jar.scale_sources import ScaleAids
from jarvision.run.jars_table import Manifest, ManifestRow
from jarvision.run.video_frames import VideoTiming
from jarvision.wall.suggest_marks import TapeEdge


@dataclass(frozen=True, slots=True)
class Settings:
    """How photos are read.

    Attributes
    ----------
    shaken_at : datetime or None
        When the jars were shaken, by the camera's clock.
    one_jar : bool
        All photos show one jar.
    strip_mm : float
        What 100 mm on the printed sheet really measures [mm].
    facts : JarFacts
        What the user says of the jars: water temperature, soil put in, and so on.
    seed : int
        Seed of the draws.
    aids : ScaleAids
        The jar's size and shape and a ruler in the photos, where the user says so.
    manifest : Manifest
        What the user says of single jars; it goes before what is said of all.
    tape_edge : TapeEdge, optional
        Which edge of tape on the glass marks a layer.
    system : UnitSystem
        Units of what is written on overlays.
    video : VideoTiming
        What is said of the time of videos.
    """

    shaken_at: datetime | None = None
    one_jar: bool = False
    strip_mm: float = 100.0
    facts: JarFacts = field(default_factory=JarFacts)
    seed: int = 0
    aids: ScaleAids = field(default_factory=ScaleAids)
    manifest: Manifest = field(default_factory=Manifest)
    tape_edge: TapeEdge | None = None
    system: UnitSystem = UnitSystem.METRIC
    video: VideoTiming = field(default_factory=VideoTiming)

    @property
    def given(self) -> Given:
        """What is known of a jar besides its photos."""
        return Given(self.facts, self.aids.profile, self.seed)

    def of_jar(self, jar: str, row: ManifestRow | None) -> Settings:
        """Give what holds for one jar, of which a list says something or not."""
        if row is None:
            return replace(self, manifest=Manifest())
        # where it stands and what only the report shows make no jar another
        row = replace(row, jar=jar, line=0, folder="", of_bed=())
        shaken_at = row.shaken_at or self.shaken_at
        facts = row.facts(self.facts)
        return replace(self, manifest=Manifest((row,)), shaken_at=shaken_at, facts=facts)


Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, how many there are."""


def silent(what: str, done: int, of: int) -> None:
    """Tell nobody."""
