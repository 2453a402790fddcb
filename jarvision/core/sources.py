"""Where a statement comes from: every sentence of the guide carries its source and its quality."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Quality(StrEnum):
    """How far a value can be trusted, best first."""

    PUBLISHED = "published"
    SECOND_HAND = "quoted second-hand"
    MEMORY = "published, but written down from memory"
    PRACTICE = "common practice, no source"
    COMPUTED = "computed by jarvision"


_LETTERS = {
    Quality.PUBLISHED: "P",
    Quality.SECOND_HAND: "Q",
    Quality.MEMORY: "M",
    Quality.PRACTICE: "C",
    Quality.COMPUTED: "J",
}


@dataclass(frozen=True, slots=True)
class Source:
    """A citation, with how good it is."""

    quality: Quality
    citation: str


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing said to the gardener, with the sources that it rests on.

    Raises
    ------
    ValueError
        There is no source: a mistake of ours, since a statement without one must not be printed.
    """

    text: str
    sources: tuple[Source, ...]

    def __post_init__(self) -> None:
        if not self.sources:
            msg = f"a statement needs a source: {self.text}"
            raise ValueError(msg)


def say(text: str, *sources: Source) -> Statement:
    """Make a statement from its text and its sources."""
    return Statement(text, sources)


@dataclass(frozen=True, slots=True)
class Bibliography:
    """The sources of a text, numbered in the order in which they first appear."""

    sources: tuple[Source, ...]

    def tag(self, statement: Statement) -> str:
        """Print the mark of a statement, such as ``[P1, C3]``: quality letter and number."""
        marks = (f"{_LETTERS[s.quality]}{self.sources.index(s) + 1}" for s in statement.sources)
        return f"[{', '.join(marks)}]"

    def listed(self) -> list[tuple[str, str]]:
        """List the marks with their sources."""
        return [
            (f"{_LETTERS[s.quality]}{number}", f"{s.citation} ({s.quality})")
            for number, s in enumerate(self.sources, start=1)
        ]


def bibliography(statements: Iterable[Statement]) -> Bibliography:
    """Collect the sources of some statements, in the order of their first use."""
    seen = dict.fromkeys(source for s in statements for source in s.sources)
    return Bibliography(tuple(seen))


def legend() -> str:
    """Say in one line what the letters of the marks mean."""
    return "; ".join(f"{letter} {quality}" for quality, letter in _LETTERS.items())


COMMON_PRACTICE = Source(Quality.PRACTICE, "Common practice among gardeners and advisers")
MASS_BALANCE = Source(Quality.COMPUTED, "Mass balance from the figures given")
SAXTON_RAWLS = Source(
    Quality.PUBLISHED,
    "Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569–1578, equations of Table 1",
)
SAXTON_RAWLS_FIT = Source(
    Quality.MEMORY, "Saxton & Rawls 2006, Table 1: standard errors and scope of the equations"
)
FAO56 = Source(
    Quality.PUBLISHED,
    "Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, Table 22",
)
FAO56_SOILS = Source(
    Quality.MEMORY,
    "FAO Irrigation and Drainage Paper 56, Table 19, available water by soil type (its columns of "
    "field capacity and wilting point were read)",
)
FAO56_MEMORY = Source(Quality.MEMORY, "FAO Irrigation and Drainage Paper 56, text")
NRCS_WATER = Source(
    Quality.PUBLISHED,
    "USDA NRCS, Estimating Soil Moisture by Feel and Appearance, available-water ranges",
)
LAB_SPREAD = Source(
    Quality.PUBLISHED, "A commercial laboratory's method sheet: hydrometer within ±8 %"
)
ORGANIC_RULE = Source(Quality.PUBLISHED, "US National Organic Program, 7 CFR 205.203(c)")
UC_WATER = Source(
    Quality.PUBLISHED, "University of California ANR, available water by soil texture"
)
