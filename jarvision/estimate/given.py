"""What is known of a jar besides its photos."""

from __future__ import annotations

from dataclasses import dataclass, field

from jarvision.estimate.known import JarFacts
from jarvision.jar.profile import JarProfile


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of a jar besides its photos.

    Attributes
    ----------
    facts : JarFacts
        What the user says of water and soil.
    profile : JarProfile or None
        The jar's inside, by which shares are of volume; without it walls count as straight.
    seed : int
        Seed of the draws: with the same one the same numbers give the same result.
    """

    facts: JarFacts = field(default_factory=JarFacts)
    profile: JarProfile | None = None
    seed: int = 0
