"""Which doubt matters most, what it is called in a table's cell, and which say nothing unusual."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol, TypeVar

_PHRASES = {
    "settling_misfit": "heights do not fit together",
    "floor_unsure": "floor not seen",
    "walls_not_parallel": "jar not straight",
    "cues_disagree": "a line in two places",
    "weak_boundary": "a line hard to see",
    "older_boundary_moved": "a line has moved",
    "mark_on_boundary": "a mark hides a line",
    "partly_hidden": "partly hidden",
    "smoothed": "picture smoothed",
    "still_settling": "water still cloudy",
    "last_photo_early": "last photo too early",
    "one_photo": "only one photo",
    "two_photos": "a photo is missing",
    "few_heights": "too few heights",
    "print_not_to_scale": "print not to scale",
    "lines_bowed": "strip not flat",
    "strip_off_floor": "strip off the floor",
    "few_tags": "strip hardly seen",
    "scale_from_jar": "scale from the jar",
    "scale_from_ruler": "scale from a ruler",
    "no_strip": "no scale strip",
    "organic_soil": "organic soil",
    "more_soil_than_water": "too much soil",
    "uneven_top": "uneven layer",
    "thin_layer": "a thin layer",
    "steep_view": "slanting view",
    "small_in_picture": "jar small in picture",
    "soft_photo": "soft photo",
    "dim": "dark photo",
    "noisy": "noisy photo",
    "time_off": "photo at another time",
    "times_disagree": "times disagree",
    "time_unknown": "time not known",
    "same_photo_twice": "same photo twice",
    "water_line_unknown": "water line not seen",
    "grams_without_width": "width not known",
    "focal_unknown": "lens not known",
    "water_state_unknown": "water not described",
    "prior_driven": "mostly assumption",
}
"""Every doubt's short form, gravest first; the order is our judgement of how far each can lead."""

_ORDER = {name: place for place, name in enumerate(_PHRASES)}

USUAL = frozenset({"prior_driven", "water_state_unknown", "focal_unknown"})
"""What nearly every jar carries: told with the details, never as a warning."""

_OF_A_PHOTO = frozenset(
    {
        "smoothed",
        "steep_view",
        "small_in_picture",
        "soft_photo",
        "dim",
        "noisy",
        "times_disagree",
        "time_unknown",
        "focal_unknown",
        "few_tags",
    }
)


class Named(Protocol):
    """A doubt of any kind: its name and its sentence."""

    @property
    def name(self) -> str:
        """Name, as it stands in `readings.csv`."""

    @property
    def sentence(self) -> str:
        """What is doubtful and what to do."""


N = TypeVar("N", bound=Named)


def gravity(name: str) -> int:
    """Place of a doubt among all, 0 the gravest; one that is not known comes after the lines'."""
    return _ORDER.get(name, _ORDER["smoothed"])


def phrase(name: str) -> str:
    """Call a doubt in a few words."""
    return _PHRASES.get(name, name.replace("_", " "))


def gravest_first(doubts: Iterable[N]) -> list[N]:
    """Order doubts, those that say nothing unusual left out."""
    unusual = [one for one in doubts if one.name not in USUAL]
    return sorted(unusual, key=lambda one: gravity(one.name))


def sentences(doubts: Sequence[Named]) -> list[str]:
    """List the doubts' sentences, each once; one cause that meets several photos is said once."""
    said: list[str] = []
    for one in doubts:
        alike = dict.fromkeys(other.sentence for other in doubts if other.name == one.name)
        if one.name in _OF_A_PHOTO and len(alike) > 1:
            rest = len(alike) - 1
            photos = "another photo" if rest == 1 else f"{rest} more photos"
            said.append(f"{next(iter(alike))} The same holds for {photos}.")
        else:
            said += alike
    return list(dict.fromkeys(said))
