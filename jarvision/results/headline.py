"""What a jar's soil is called in one line: by weight first, on the glass second."""

from __future__ import annotations

from jarvision.core.ranges import odds_in_words
from jarvision.estimate.jar_sand import JarSand
from jarvision.estimate.texture import Texture, TextureClass
from jarvision.results.record import JarRecord
from jarvision.results.sand_seen import class_by_sand

_ENOUGH = 2 / 3
"""Classes are named until one of them is right 2 times in 3 (our choice), three at most."""
_MOST = 3
_RARE = 0.1

GLASS_MEANS = (
    "On the glass is the thickness of the layers, what marks on the jar give: fresh clay is mostly "
    "water, so it stands higher there than it weighs."
)
WEIGHT_MEANS = (
    "By weight, estimated, is what a laboratory would report: dry mass by grain size, worked out "
    "from how grains settle and how layers pack."
)


def without_soil(jar: JarRecord) -> str:
    """Say in a table's cell why a jar has no soil yet."""
    if jar.interim is None:
        return "not read"
    return "photos to come" if jar.interim.verdict == "good" else "take the photo again"


def classes_named(texture: Texture) -> list[TextureClass]:
    """List the classes that the soil is called, the main one first: one where that is settled."""
    named: list[TextureClass] = []
    for name in texture.ranked:
        held = sum(map(texture.odds_of, named))
        if named and (held >= _ENOUGH or texture.odds_of(name) < _RARE):
            break
        named.append(name)
    return named[:_MOST]


def soil_in_words(texture: Texture, sand: JarSand | None = None) -> str:
    """Name the soil, such as ``loam``, ``loam or silt loam``, ``fine sandy loam``."""
    if name := class_by_sand(sand):
        return str(name)
    *first, last = map(str, classes_named(texture))
    return f"{', '.join(first)} or {last}" if first else last


def soil_odds(texture: Texture, sand: JarSand | None = None) -> str:
    """Say how likely the soil is one of those named: ``9 in 10``, or ``loam 5 in 10, …``."""
    named = classes_named(texture)
    if (name := class_by_sand(sand)) and sand and sand.texture:
        whole = odds_in_words(texture.odds)
        return f"{name} {odds_in_words(sand.texture.odds_of(name))}, any {named[0]} {whole}"
    if len(named) == 1:
        return odds_in_words(texture.odds)
    return ", ".join(f"{name} {odds_in_words(texture.odds_of(name))}" for name in named)


def odds_of_named(texture: Texture) -> str:
    """Say how likely the soil is one of the classes that it is called."""
    return odds_in_words(sum(map(texture.odds_of, classes_named(texture))))
