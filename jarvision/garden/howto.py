"""The jar test itself, taught in plain words: what to get, what to do, what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass

from jarvision.core.protocol import DETERGENT, FRAMING, MORE_TIMES, SOIL, TIMES
from jarvision.core.sections import Section, sections_text
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, say
from jarvision.core.units import UnitSystem
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.ribbon import THIEN


@dataclass(frozen=True, slots=True)
class _Line:
    """A sentence with places for lengths, written out in each unit system."""

    text: str
    sources: tuple[Source, ...]


_JAR_SOURCES = Source(
    Quality.SECOND_HAND,
    "Jar protocols of extension services (marks at 1 minute, 2 hours, 48 hours; some put silt at "
    "6 hours)",
)
_HINDERED = Source(
    Quality.COMPUTED,
    "Hindered settling after Richardson & Zaki 1954, for the loads named",
)
_FLOCS = Source(
    Quality.PUBLISHED, "Rommelfanger et al. 2022, arXiv 2203.15545: calcium that clots kaolin"
)
_STOKES = Source(
    Quality.PUBLISHED, "USGS Open-File Report 00-358, Table 2: settling times by grain size"
)
_CAMERA = Source(
    Quality.PUBLISHED,
    "Camera water-level studies: resolution, a slanting view and light are the largest errors",
)
_BOUNDARY = Source(
    Quality.COMPUTED, "Error of a share from half a millimetre on each boundary of a loam"
)
_OPTICS = Source(Quality.MEMORY, "Optics of a cylinder of water")
_TAPER = Source(
    Quality.PUBLISHED, "Johnson & Smithson 1947, Nature 160: sloping walls disturb settling"
)

# Lengths of each system, rounded as a person would say them.
_WORDS: dict[UnitSystem, dict[str, str]] = {
    UnitSystem.METRIC: {
        "top": "10–15 cm",
        "sieve": "2 mm (a kitchen sieve will do)",
        "jar": "about 1 litre",
        "layers": "4–6 cm",
        "small": "under 2 cm",
        "spoon": "a level teaspoon (5 ml)",
        "away": "30–50 cm",
        "slip": "1 mm",
        "nut": "2–3 cm",
        "leave": "2–3 cm",
    },
    UnitSystem.US: {
        "top": "4–6 in",
        "sieve": "0.08 in (No. 10; a kitchen strainer will do)",
        "jar": "about a quart",
        "layers": "1½–2½ in",
        "small": "under ¾ in",
        "spoon": "a level teaspoon",
        "away": "12–20 in",
        "slip": "1/32 in",
        "nut": "an inch",
        "leave": "an inch",
    },
}

_P = (COMMON_PRACTICE,)


def _lines(*lines: tuple[str, tuple[Source, ...]]) -> tuple[_Line, ...]:
    return tuple(_Line(text, sources) for text, sources in lines)


_STEPS: tuple[tuple[str, str, tuple[_Line, ...]], ...] = (
    (
        "get",
        "What you need",
        _lines(
            (
                "A clear jar of {jar} with straight sides and a tight lid. A jar that narrows "
                "shows heights that are not volumes, and its slanting walls stir the settling mud.",
                (_TAPER, COMMON_PRACTICE),
            ),
            (
                "Distilled, rain or softened water, since hard tap water clots clay: the clay then "
                "falls with the silt and makes a fluffy layer.",
                (_FLOCS,),
            ),
            (
                f"{DETERGENT.capitalize()}, {{spoon}}, to keep the grains apart; else none: "
                "liquid soap keeps no clay apart and foams.",
                _P,
            ),
            (
                "A printed scale strip, tape, a phone, and a place where the jar can stand for two "
                "days without being moved.",
                _P,
            ),
        ),
    ),
    (
        "dig",
        "Dig the sample",
        _lines(
            (
                "Rake mulch and leaves aside. Cut a slice of soil {top} deep, as deep below as at "
                "the top: a cross-section of what roots meet, not the surface, which is richer "
                "and finer.",
                _P,
            ),
            (
                "Take such slices from five or more places of the bed, mix them in a clean bucket, "
                "and keep a cupful. Beds that look different get a jar each.",
                _P,
            ),
        ),
    ),
    (
        "sieve",
        "Crumble and sieve",
        _lines(
            (
                "Let it dry until it crumbles, break the lumps while it is still a little damp, "
                "and pass it through a sieve of {sieve}.",
                _P,
            ),
            (
                "Stones, roots and straw stay out: texture is about the fine part. Note how much "
                "gravel there was.",
                _P,
            ),
        ),
    ),
    (
        "fill",
        "Fill the jar",
        _lines(
            (
                f"Fill {SOIL} of the jar with soil, loose, so that about {{layers}} settle: layers "
                "{small} high in all cannot be read to a few points.",
                (_JAR_SOURCES, _BOUNDARY),
            ),
            (
                "More is no better: already at a third the grains crowd so much that they fall at "
                "about half their own speed.",
                (_HINDERED,),
            ),
            (
                "Add the powder and water, leaving {leave} of air under the lid so that it can "
                "be shaken.",
                _P,
            ),
        ),
    ),
    (
        "shake",
        "Shake",
        _lines(
            (
                "Soak for some hours, better overnight, then shake hard for five minutes or more: "
                "crumbs that stay whole settle as if they were sand.",
                _P,
            ),
            (
                "Set the jar down level, note the time to the second, and don't move, knock or "
                "turn it again until the last photo.",
                _P,
            ),
        ),
    ),
    (
        "strip",
        "Tape on the strip",
        _lines(
            (
                "Tape the strip upright on the outside, its bottom edge level with the inside "
                "floor of the jar (not the table), to within {slip} or so.",
                _P,
            ),
            (
                "Put it on the side that faces you, left or right of the middle, so that the "
                "layers beside it can be seen. It stays on for all the photos.",
                _P,
            ),
            (
                "Before you trust a print, hold the long line on the sheet against a ruler: "
                "printers change sizes.",
                _P,
            ),
        ),
    ),
    (
        "photos",
        "Three photos",
        _lines(
            (
                f"Take them {TIMES} after shaking: the sand is down, the silt, most of the clay. "
                f"{MORE_TIMES} narrow the result. In a jar 2 hours reaches grains of about 4 µm, "
                "not the 2 µm of the definition, so the true times count.",
                (_JAR_SOURCES, _STOKES),
            ),
            (
                "Hold the phone level at the height of the layer, {away} away, so that "
                f"{FRAMING}: from above or below, the layer shows as a slanting oval.",
                (_CAMERA, _OPTICS),
            ),
            (
                "Light from the side, a plain background behind, no flash, no window reflected in "
                "the glass; tap the jar on the screen to focus.",
                (_CAMERA, COMMON_PRACTICE),
            ),
            (
                "If the water is still cloudy after 48 hours, say so and take another photo when "
                "it clears: part of the clay is still up.",
                (_STOKES, COMMON_PRACTICE),
            ),
        ),
    ),
    (
        "ribbon",
        "A second opinion: the ribbon test",
        _lines(
            (
                "Wet a lump {nut} across little by little and knead it for a minute or more, until "
                "it is like putty with no dry crumbs left. Squeeze it: does it stay a ball?",
                (THIEN.source,),
            ),
            (
                "Push it out between thumb and bent finger into an even ribbon, until it breaks "
                "under its own weight; measure the piece. Do it three times or more.",
                (THIEN.source,),
            ),
            (
                "Wet a pinch in the palm to a thin paste and rub it: is it gritty, smooth, or "
                "neither? Then give lengths and feel to the ribbon command.",
                (THIEN.source,),
            ),
        ),
    ),
    (
        "mistakes",
        "Common mistakes",
        _lines(
            ("Moving or tapping the jar: the layers slump and nothing mends it but a shake.", _P),
            (
                "No powder, or hard water: clay clots, falls with the silt, and the layers no "
                "longer mean what they should.",
                (_FLOCS,),
            ),
            (
                "Counting what floats, or the dark band of humus, as a layer: leave both out.",
                (_JAR_SOURCES,),
            ),
            ("Taking the strip off between photos, or turning the jar.", _P),
            (
                "Trusting the height of the clay: fresh clay is mostly water and sinks together "
                "for days.",
                _P,
            ),
            (
                "Soil with much organic matter (over 20 %), salt, gypsum or volcanic ash does not "
                "settle as the test expects: send it to a laboratory.",
                (Source(Quality.MEMORY, "Soil-analysis handbooks on soils that disperse poorly"),),
            ),
        ),
    ),
)


def howto_steps(system: UnitSystem) -> tuple[Section, ...]:
    """Write out the lesson in a unit system, cautions last.

    Parameters
    ----------
    system : UnitSystem
        Units of the text.

    Returns
    -------
    tuple of Section
        In the order of doing; every statement carries its sources.
    """
    words = _WORDS[system]
    steps = (
        Section(
            key, heading, tuple(say(line.text.format(**words), *line.sources) for line in lines)
        )
        for key, heading, lines in _STEPS
    )
    return (*steps, Section("cautions", "Cautions", cautions_for(Place.HOWTO)))


def howto_text(system: UnitSystem = UnitSystem.METRIC) -> str:
    """Print the lesson as plain text, with its sources."""
    return sections_text("The jar test", howto_steps(system))
