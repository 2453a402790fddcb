"""Cautions: one plain sentence each, with its source and the places where it must be printed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from jarvision.core.sources import (
    COMMON_PRACTICE,
    LAB_SPREAD,
    ORGANIC_RULE,
    Quality,
    Source,
    Statement,
    say,
)


class Place(StrEnum):
    """Where a caution is printed."""

    HOWTO = "howto"
    RIBBON = "ribbon"
    GUIDE = "guide"


class CautionName(StrEnum):
    """Short names of the cautions, for tests and for a report's anchors."""

    SILICA = "silica"
    GLASS = "glass"
    DETERGENT = "detergent"
    GAS = "gas"
    EMPTYING = "emptying"
    HANDS = "hands"
    COMPOST_DUST = "compost_dust"
    TRENCH = "trench"
    BURIED_LINES = "buried_lines"
    LEAD = "lead"
    FLOOD = "flood"
    MANURE = "manure"
    NOT_ENGINEERING = "not_engineering"
    NOT_DOSES = "not_doses"
    LABORATORY = "laboratory"


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution with the places that it belongs to."""

    name: CautionName
    statement: Statement
    places: frozenset[Place]


_OSHA = Source(
    Quality.PUBLISHED,
    "OSHA respirable crystalline silica standard: 50 µg/m³ over 8 hours (29 CFR 1910.1053, the "
    "section number from memory)",
)
_EPA_LEAD = Source(
    Quality.PUBLISHED, "US EPA residential soil lead guidance, October 2025: screening at 200 ppm"
)
_FDA_FLOOD = Source(Quality.PUBLISHED, "US FDA 2011, guidance on flood-affected food crops")
_PERCARBONATE = Source(
    Quality.MEMORY, "Safety data sheets of sodium percarbonate: gives off oxygen in water"
)
_TETANUS = Source(Quality.MEMORY, "US CDC, tetanus: its spores are in soil and enter through cuts")
_LEGIONELLA = Source(
    Quality.MEMORY, "Health departments' advice on potting mix and compost, Legionella longbeachae"
)
_TRENCH = Source(Quality.MEMORY, "US OSHA trenching standard, 29 CFR 1926 subpart P: cave-ins")
_LINES = Source(Quality.MEMORY, "US call-before-you-dig service, number 811")


def _caution(name: CautionName, text: str, *sources: Source, places: set[Place]) -> Caution:
    return Caution(name, say(text, *sources), frozenset(places))


_EVERYWHERE = {Place.HOWTO, Place.RIBBON, Place.GUIDE}

CAUTIONS: tuple[Caution, ...] = (
    _caution(
        CautionName.SILICA,
        "Dust of dry soil holds fine silica, which scars lungs: crush and sieve it damp or "
        "outdoors, with the wind behind you and a dust mask on, and wipe up wet, do not sweep.",
        _OSHA,
        COMMON_PRACTICE,
        places={Place.HOWTO},
    ),
    _caution(
        CautionName.GLASS,
        "A wet glass jar can slip while it is shaken: hold it over a towel with both hands; for "
        "children use a clear plastic jar with a lid and straight sides.",
        COMMON_PRACTICE,
        places={Place.HOWTO},
    ),
    _caution(
        CautionName.DETERGENT,
        "Dishwasher powder is alkaline and hurts eyes and skin: keep it from children, wash off "
        "splashes, and do not pour the jar out on a bed.",
        COMMON_PRACTICE,
        places={Place.HOWTO},
    ),
    _caution(
        CautionName.GAS,
        "Take a powder without bleach: oxygen bleach (percarbonate) gives off gas that can burst a "
        "tight jar. Ease the lid after shaking and leave it loose while the jar stands.",
        _PERCARBONATE,
        COMMON_PRACTICE,
        places={Place.HOWTO},
    ),
    _caution(
        CautionName.EMPTYING,
        "Empty the jar outdoors on bare ground, away from beds, drains, ponds and wells; mud sets "
        "hard in a sink's trap. Rinse the jar and never use it for food again.",
        COMMON_PRACTICE,
        places={Place.HOWTO},
    ),
    _caution(
        CautionName.HANDS,
        "Soil carries germs, tetanus among them: cover cuts or wear gloves, wash your hands after "
        "handling it, and keep it from your mouth.",
        _TETANUS,
        COMMON_PRACTICE,
        places=_EVERYWHERE,
    ),
    _caution(
        CautionName.COMPOST_DUST,
        "Damp compost before you open or fork it and do not breathe its dust, which carries moulds "
        "and, rarely, Legionella bacteria; wash your hands after.",
        _LEGIONELLA,
        places={Place.GUIDE},
    ),
    _caution(
        CautionName.TRENCH,
        "Nothing here says whether a pit, trench, bank or slope is safe: any soil can cave in. Do "
        "not step into a trench that is deeper than your knees.",
        _TRENCH,
        COMMON_PRACTICE,
        places={Place.HOWTO, Place.GUIDE},
    ),
    _caution(
        CautionName.BURIED_LINES,
        "Before you dig deeper than a trowel, have buried lines marked: in the United States call "
        "811 some days ahead, elsewhere ask the network's own service.",
        _LINES,
        places={Place.HOWTO, Place.GUIDE},
    ),
    _caution(
        CautionName.LEAD,
        "Texture tells nothing of lead or other poisons: near old houses, roads or orchards have "
        "the soil tested before you grow food or let children play on it.",
        _EPA_LEAD,
        COMMON_PRACTICE,
        places={Place.HOWTO, Place.GUIDE},
    ),
    _caution(
        CautionName.FLOOD,
        "Do not eat produce whose edible part flood water has touched; washing does not mend it. "
        "Rain that pooled on the bed is another matter.",
        _FDA_FLOOD,
        places={Place.GUIDE},
    ),
    _caution(
        CautionName.MANURE,
        "Raw manure carries germs: dig it in at least 120 days before harvest where the edible "
        "part touches the soil, 90 days where it does not, or compost it hot first.",
        ORGANIC_RULE,
        places={Place.GUIDE},
    ),
    _caution(
        CautionName.NOT_ENGINEERING,
        "Not for septic systems, drainage fields, ponds, foundations or walls: those need local "
        "codes and a licensed professional on the site.",
        COMMON_PRACTICE,
        places=_EVERYWHERE,
    ),
    _caution(
        CautionName.NOT_DOSES,
        "Not for doses of fertilizer or lime: a laboratory's soil test decides those.",
        COMMON_PRACTICE,
        places={Place.GUIDE},
    ),
    _caution(
        CautionName.LABORATORY,
        "To know how far your jar can be trusted, send one sample of the same soil to a "
        "laboratory; even laboratories agree only to about 8 points.",
        LAB_SPREAD,
        places={Place.HOWTO, Place.GUIDE},
    ),
)


def cautions_for(place: Place) -> tuple[Statement, ...]:
    """List the cautions to print in a place, in order."""
    return tuple(c.statement for c in CAUTIONS if place in c.places)
