"""The ribbon test: ribbon lengths and feel -> USDA texture class, with odds.

How it is done, step by step, is taught in `garden.howto`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from jarvision.core.errors import UsageError, ValueRefusedError
from jarvision.core.ranges import odds_in_words
from jarvision.core.sections import Section, sections_text
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, Statement, say
from jarvision.core.units import (
    Quantity,
    Span,
    UnitSystem,
    about_text,
    length_mm,
    system_of,
    unit_of,
)
from jarvision.estimate.texture import CLASSES, Texture, TextureClass
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.feel_skill import FEEL_SKILL, Skill, border_odds, neighbours, soil_odds
from jarvision.garden.soil import LIKELY, joined, likely_classes, odds_text

LONGEST_MM = 300.0
"""A ribbon longer than this is taken for a slip in the unit."""

REPEAT_SD_MM = 6.0
"""How much one person's ribbons of one soil differ, one standard deviation (ours, no source)."""

REPEAT_WEIGHT = 3
"""How many ribbons' worth of belief `REPEAT_SD_MM` carries beside the spread that was seen."""


class Feel(StrEnum):
    """How a pinch of the soil feels when it is wetted to a paste and rubbed in the palm."""

    GRITTY = "gritty"
    SMOOTH = "smooth"
    NEITHER = "neither"


class Strength(StrEnum):
    """How long a ribbon gets before it breaks under its own weight."""

    WEAK = "weak"
    MEDIUM = "medium"
    STRONG = "strong"


@dataclass(frozen=True, slots=True)
class RibbonChart:
    """A published pair of limits: weak below `medium_from_mm`, strong above `strong_from_mm`."""

    name: str
    medium_from_mm: float
    strong_from_mm: float
    printed: Mapping[UnitSystem, str]
    source: Source


THIEN = RibbonChart(
    "the usual chart",
    25.4,
    50.8,
    MappingProxyType({UnitSystem.US: "1 and 2 in", UnitSystem.METRIC: "2.5 and 5 cm"}),
    Source(Quality.PUBLISHED, "Thien 1979, J. Agron. Educ. 8:54–55; lengths as NRCS prints them"),
)
WETLAND = RibbonChart(
    "a wetland manual's version of it",
    50.8,
    76.2,
    MappingProxyType({UnitSystem.US: "2 and 3 in", UnitSystem.METRIC: "5 and 7.5 cm"}),
    Source(Quality.PUBLISHED, "A wetland field manual's texture key, 'modified from Thien'"),
)

_T = TextureClass
# Thien 1979; the cells were read in two later copies.
CLASS_OF: Mapping[tuple[Strength, Feel], TextureClass] = MappingProxyType(
    {
        (Strength.WEAK, Feel.GRITTY): _T.SANDY_LOAM,
        (Strength.WEAK, Feel.SMOOTH): _T.SILT_LOAM,
        (Strength.WEAK, Feel.NEITHER): _T.LOAM,
        (Strength.MEDIUM, Feel.GRITTY): _T.SANDY_CLAY_LOAM,
        (Strength.MEDIUM, Feel.SMOOTH): _T.SILTY_CLAY_LOAM,
        (Strength.MEDIUM, Feel.NEITHER): _T.CLAY_LOAM,
        (Strength.STRONG, Feel.GRITTY): _T.SANDY_CLAY,
        (Strength.STRONG, Feel.SMOOTH): _T.SILTY_CLAY,
        (Strength.STRONG, Feel.NEITHER): _T.CLAY,
    }
)

_FEEL_NOTE = Source(Quality.PUBLISHED, "Colorado State University Extension, texture by feel")
_ODDS = Source(Quality.COMPUTED, "Spread of the lengths given (Student's t, prior spread 6 mm)")


@dataclass(frozen=True, slots=True)
class Ribbon:
    """What a ribbon test says.

    Attributes
    ----------
    lengths_mm : tuple of float
        The ribbons, 0 for one that would not form; empty when there was no ball.
    ball : bool
        Whether the moist soil stays a ball when squeezed.
    feel : Feel or None
        None where there was no ribbon to need it.
    mean_mm : Span
        Mean length of the ribbons that formed, with its likely range (9 in 10); NaN when none.
    texture : Texture
        What Thien's chart reads, by the spread of the lengths alone: not yet the odds of the soil,
        see `feel_skill.soil_odds`.
    other_chart : Texture
        The same by the other published limits.
    """

    lengths_mm: tuple[float, ...]
    ball: bool
    feel: Feel | None
    mean_mm: Span
    texture: Texture
    other_chart: Texture


def read_ribbon(lengths_mm: Sequence[float], *, feel: Feel | None, ball: bool = True) -> Ribbon:
    """Name the texture class of a ribbon test.

    Parameters
    ----------
    lengths_mm : sequence of float
        Length of each ribbon when it broke [mm], three or more advised; 0 for no ribbon.
    feel : Feel or None
        Needed when a ribbon formed.
    ball : bool
        Whether the moist soil stays a ball when squeezed; without one it is sand.

    Returns
    -------
    Ribbon

    Raises
    ------
    UsageError
        Something is missing or two things contradict each other.
    ValueRefusedError
        A length is negative, not a number, or longer than 300 mm.

    Notes
    -----
    Flow: Thien 1979, J. Agron. Educ. 8:54–55. The odds are for which side of a limit the mean
    length lies on; they say nothing of how well the soil was wetted and kneaded.
    """
    lengths = tuple(float(length) for length in lengths_mm)
    _check_lengths(lengths, ball)
    formed = tuple(length for length in lengths if length > 0)
    if formed and feel is None:
        msg = "Say how the wetted pinch feels in the palm: gritty, smooth, or neither."
        raise UsageError(msg)
    textures = [_texture(lengths, formed, feel, ball, chart) for chart in (THIEN, WETLAND)]
    return Ribbon(lengths, ball, feel if formed else None, _mean_span(formed), *textures)


def _check_lengths(lengths: tuple[float, ...], ball: bool) -> None:
    if ball and not lengths:
        msg = "Give the length of each ribbon, for example '3 cm'; '0 cm' if none would form."
        raise UsageError(msg)
    if not ball and any(length > 0 for length in lengths):
        msg = "Soil that makes no ball makes no ribbon; give either no ball or the lengths."
        raise UsageError(msg)
    for length in lengths:
        if not 0 <= length <= LONGEST_MM:
            msg = (
                f"A ribbon {length / 10:g} cm long is not possible; check the number and its unit."
            )
            raise ValueRefusedError(msg)


def _mean_and_scale(formed: tuple[float, ...]) -> tuple[float, float, int]:
    """Mean length, its scale and degrees of freedom: the spread seen, steadied by a prior one.

    Two or three ribbons can agree by luck, so their own spread alone would promise too much.
    """
    mean = math.fsum(formed) / len(formed)
    squares = math.fsum((length - mean) ** 2 for length in formed)
    freedom = REPEAT_WEIGHT + len(formed) - 1
    sd = math.sqrt((REPEAT_WEIGHT * REPEAT_SD_MM**2 + squares) / freedom)
    return mean, sd / math.sqrt(len(formed)), freedom


def _below(limit_mm: float, formed: tuple[float, ...]) -> float:
    """Chance that the mean ribbon of this soil is shorter than a limit."""
    from scipy.special import stdtr

    mean, scale, freedom = _mean_and_scale(formed)
    return float(stdtr(freedom, (limit_mm - mean) / scale))


def _mean_span(formed: tuple[float, ...]) -> Span:
    from scipy.special import stdtrit

    if not formed:
        return Span(math.nan, math.nan, math.nan)
    mean, scale, freedom = _mean_and_scale(formed)
    reach = scale * float(stdtrit(freedom, 0.95))
    return Span(max(mean - reach, 0.0), mean, mean + reach)


def strength_odds(formed_mm: Sequence[float], chart: RibbonChart = THIEN) -> dict[Strength, float]:
    """Chance of weak, medium and strong, from the lengths of ribbons that formed [mm]."""
    formed = tuple(formed_mm)
    weak = _below(chart.medium_from_mm, formed)
    not_strong = _below(chart.strong_from_mm, formed)
    return {
        Strength.WEAK: weak,
        Strength.MEDIUM: not_strong - weak,
        Strength.STRONG: 1 - not_strong,
    }


def _texture(
    lengths: tuple[float, ...],
    formed: tuple[float, ...],
    feel: Feel | None,
    ball: bool,
    chart: RibbonChart,
) -> Texture:
    if not ball:
        return _odds({_T.SAND: 1.0})
    # Where only some pinches ribboned, the share that did not stands for loamy sand.
    formed_share = len(formed) / len(lengths)
    odds = {_T.LOAMY_SAND: 1 - formed_share}
    if formed and feel is not None:
        for strength, chance in strength_odds(formed, chart).items():
            odds[CLASS_OF[strength, feel]] = formed_share * chance
    return _odds(odds)


def _odds(odds: Mapping[TextureClass, float]) -> Texture:
    return Texture(tuple(odds.get(name, 0.0) for name in CLASSES))


class Agreement(StrEnum):
    """How a ribbon test and a jar go together."""

    AGREE = "agree"
    NEIGHBOURS = "neighbours"
    CONTRADICT = "contradict"


def compare(ribbon: Texture, jar: Texture) -> Agreement:
    """Set a ribbon's odds against a jar's: one class in common, neighbours, or neither."""
    by_ribbon, by_jar = likely_classes(ribbon), likely_classes(jar)
    if set(by_ribbon) & set(by_jar):
        return Agreement.AGREE
    touching = any(frozenset((a, b)) in neighbours() for a in by_ribbon for b in by_jar)
    return Agreement.NEIGHBOURS if touching else Agreement.CONTRADICT


_WHAT_NOW = {
    Agreement.AGREE: "Ribbon and jar agree: go by the jar's percentages.",
    Agreement.NEIGHBOURS: "Ribbon and jar name neighbouring classes, which is usual: go by the "
    "jar, and treat the border between the two as your soil.",
    Agreement.CONTRADICT: "Ribbon and jar contradict each other: take neither yet. Knead a fresh "
    "pinch for a full minute and ribbon it again; check that both came from the same sample, "
    "sieved, that the jar had dispersant and stood still for 48 hours; if they still differ, send "
    "a sample to a laboratory.",
}


def _lengths_text(ribbon: Ribbon, system: UnitSystem) -> str:
    unit = unit_of(Quantity.SOIL_DEPTH, system)
    each = ", ".join(f"{mm * unit.per_base:.1f}" for mm in ribbon.lengths_mm)
    if not ribbon.mean_mm.known:
        return "No ribbon formed."
    count = len(ribbon.lengths_mm)
    noun = "ribbon" if count == 1 else f"{count} ribbons"
    mean = about_text(ribbon.mean_mm.times(unit.per_base))
    seen = f"{noun.capitalize()}: {each} {unit.label}"
    return f"{seen}; mean with its likely range: {mean} {unit.label}."


def ribbon_statements(
    ribbon: Ribbon,
    *,
    system: UnitSystem,
    jar: Texture | None = None,
    jar_sand: Sequence[float] | None = None,
) -> tuple[Statement, ...]:
    """Put a ribbon test into sentences for the gardener, each with its sources.

    `jar_sand` is how the jar's sand is parted, very coarse first [% of the sand], where a photo of
    its grains tells it for sure.
    """
    found = [
        say(_lengths_text(ribbon, system), _ODDS)
        if ribbon.ball
        else say("The moist soil does not stay a ball when squeezed.", THIEN.source),
        _class_statement(ribbon),
    ]
    found += _spread_notes(ribbon)
    if ribbon.other_chart.likeliest is not ribbon.texture.likeliest:
        found.append(say(_disagreement(ribbon, system), THIEN.source, WETLAND.source))
    if jar is not None:
        found.append(say(f"The jar says {odds_text(jar)}.", _JAR))
        found.append(say(_WHAT_NOW[compare(ribbon.texture, jar)], COMMON_PRACTICE))
    if jar_sand is not None and ribbon.feel is not None:
        found.append(_sand_note(ribbon.feel, jar_sand))
    found.append(_CLAY_NOTE)
    return tuple(found)


def _sand_note(feel: Feel, jar_sand: Sequence[float]) -> Statement:
    """Set how gritty the pinch felt beside how coarse the jar's sand is.

    Grains under a quarter of a millimetre are hardly felt one by one; common practice.
    """
    fine = math.fsum(jar_sand[3:])
    share = f"{fine:.0f} % of the jar's sand is fine or very fine"
    if feel is Feel.GRITTY:
        text = (
            f"{share}, which seldom feels gritty: wet the pinch more and rub it again."
            if fine > _MOSTLY
            else f"Only {share}: its coarser grains are what feels gritty."
        )
    elif fine > _MOSTLY:
        text = f"{share}, which hardly feels gritty: there may be more sand than you feel."
    else:
        text = f"Only {share}, so much of it would feel gritty: rub the pinch again."
    return say(text, _JAR, COMMON_PRACTICE)


_MOSTLY = 70.0  # fine and very fine sand from which a sand is taken for fine [%]; ours

_JAR = Source(Quality.COMPUTED, "The jar's own reading")
_CLAY_NOTE = say("About 20 % clay can already feel clayey.", _FEEL_NOTE)
_FEW = say("Make three ribbons or more: one or two say little about the spread.", COMMON_PRACTICE)
_SOME_FAILED = say(
    "Some pinches made no ribbon, so loamy sand stays possible; wet and knead them alike.",
    THIEN.source,
)
_STRADDLE = say(
    "The lengths straddle a limit of the chart, so two classes stay open; more ribbons narrow it.",
    _ODDS,
)


def _class_statement(ribbon: Ribbon) -> Statement:
    """Name the classes of the chart with the odds that a laboratory would say the same.

    Without a ribbon nothing was measured that odds could come from.
    """
    if not ribbon.mean_mm.known:
        return say(f"Texture by feel: {ribbon.texture.likeliest}.", THIEN.source)
    names = likely_classes(ribbon.texture)
    beginner, trained = (soil_odds(ribbon.texture, skill) for skill in Skill)
    said = joined(
        f"{name} (odds {odds_in_words(beginner.odds_of(name))} in a beginner's hands, "
        f"{odds_in_words(trained.odds_of(name))} in trained ones)"
        for name in names
    )
    text = f"Texture by feel: {said}; "
    if len(names) == 1:
        beside = border_odds(ribbon.texture, Skill.BEGINNER)
        text += (
            f"else most likely a class that borders on it ({odds_in_words(beside)} for a beginner)."
        )
    else:
        text += "else most likely a class that borders on these."
    return say(text, THIEN.source, FEEL_SKILL, _ODDS)


def _spread_notes(ribbon: Ribbon) -> list[Statement]:
    formed = sum(length > 0 for length in ribbon.lengths_mm)
    notes = []
    if 0 < len(ribbon.lengths_mm) < 3:
        notes.append(_FEW)
    if 0 < formed < len(ribbon.lengths_mm):
        notes.append(_SOME_FAILED)
    if formed and ribbon.texture.odds < 1 - LIKELY:
        notes.append(_STRADDLE)
    return notes


def _disagreement(ribbon: Ribbon, system: UnitSystem) -> str:
    def by(chart: RibbonChart) -> str:
        return f"by {chart.name} (limits {chart.printed[system]})"

    return (
        f"Published charts disagree on the limits: {by(THIEN)} this is "
        f"{ribbon.texture.likeliest}, {by(WETLAND)} it is {ribbon.other_chart.likeliest}."
    )


def ribbon_text(
    lengths: Sequence[str],
    *,
    feel: str | None = None,
    ball: bool | None = None,
    unit: str | None = None,
    system: UnitSystem | None = None,
    jar: Texture | None = None,
    jar_sand: Sequence[float] | None = None,
) -> str:
    """Read what was typed after ``jarvision ribbon`` and answer in plain text.

    Parameters
    ----------
    lengths : sequence of str
        Such as ``"3 cm"``, ``"1 1/4 in"``; a bare number needs `unit`.
    feel : str, optional
        ``gritty``, ``smooth`` or ``neither``.
    ball : bool, optional
        Taken as yes when lengths are given.
    unit : str, optional
        Unit of bare numbers, ``cm`` or ``in``.
    system : UnitSystem, optional
        Units of the answer; by default those of the lengths.
    jar : Texture, optional
        Class odds of a jar of the same soil, to set the ribbon against.
    jar_sand : sequence of float, optional
        As in `ribbon_statements`.

    Raises
    ------
    UsageError
        See `read_ribbon` and `jarvision.core.units.length_mm`.
    """
    typed = [length_mm(text, default_unit=unit, name="ribbon length") for text in lengths]
    if ball is None and not typed:
        msg = "Give the lengths of the ribbons, such as '3 cm 2.5 cm 3 cm', or say --ball no."
        raise UsageError(msg)
    ribbon = read_ribbon(typed, feel=_feel(feel), ball=ball is not False)
    first = lengths[0] if lengths else ""
    system = system or system_of(first if system_of(first) is UnitSystem.US else unit or first)
    said = ribbon_statements(ribbon, system=system, jar=jar, jar_sand=jar_sand)
    parts = [
        Section("ribbon", "What it says", said),
        Section("cautions", "Cautions", cautions_for(Place.RIBBON)),
    ]
    return sections_text("Ribbon test", parts)


def lacks_unit(lengths: Sequence[str]) -> bool:
    """Tell whether a typed length is a bare number, so that its unit must be asked for."""
    return any(text.strip() and not text.strip().strip("+-0123456789.,/ ") for text in lengths)


def _feel(text: str | None) -> Feel | None:
    if text is None:
        return None
    try:
        return Feel(text.strip().casefold())
    except ValueError:
        msg = "The feel must be gritty, smooth or neither."
        raise UsageError(msg) from None
