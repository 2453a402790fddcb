"""What to do first for a soil: candidate actions, scored, the five most pressing chosen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from jarvision.core.ranges import odds_in_words
from jarvision.core.sources import (
    COMMON_PRACTICE,
    SAXTON_RAWLS,
    SAXTON_RAWLS_FIT,
    Source,
    Statement,
    say,
)
from jarvision.core.units import Quantity, Span, UnitSystem, show, show_range
from jarvision.garden.amendments import COMPOST_YEAR_MM

HOW_MANY = 5


@dataclass(frozen=True, slots=True)
class Facts:
    """What the ranking knows of a soil.

    Attributes
    ----------
    class_odds : float
        Odds of the class that is named first, 0 to 1.
    sandy, loamy, clayey, crusting : float
        Odds of each kind, 0 to 1; crusting is silty with little clay.
    waterlogging : float
        Odds of under 10 % air once drained, 0 to 1; NaN when unknown.
    air_pct : float
        Likely air once drained [% by volume]; NaN when unknown.
    available_mm_per_m : Span
        Available water for planning [mm per m].
    om_known : bool
    om_pct : Span
        Organic matter [%].
    om_low : float
        Odds of under 3 % organic matter, 0 to 1.
    """

    system: UnitSystem
    class_odds: float
    sandy: float
    loamy: float
    clayey: float
    crusting: float
    waterlogging: float
    air_pct: float
    available_mm_per_m: Span
    om_known: bool
    om_pct: Span
    om_low: float


@dataclass(frozen=True, slots=True)
class _Action:
    """A thing to do: how pressing it is (0 to 1, our judgement), and its sentence."""

    score: Callable[[Facts], float]
    text: Callable[[Facts], str]
    sources: tuple[Source, ...] = (COMMON_PRACTICE,)


_SETTLE_ODDS = 0.45
_LEAST_SCORE = 0.1
_SPADE_M = {UnitSystem.US: 0.3048, UnitSystem.METRIC: 0.3}
_PATCH = {UnitSystem.US: (9.290304, "100 sq ft"), UnitSystem.METRIC: (1.0, "a square metre")}


def _compost_score(facts: Facts) -> float:
    """Low organic matter calls for compost, and so do sand and clay unless they have plenty."""
    if facts.om_known and facts.om_pct.mid > 6:
        return 0.0
    low = 0.85 * facts.om_low if facts.om_known else 0.6
    return max(low, 0.8 * (facts.sandy + facts.clayey))


def _compost_text(facts: Facts) -> str:
    depth = show(COMPOST_YEAR_MM[facts.system], Quantity.SOIL_DEPTH, facts.system, digits=2)
    low = facts.om_known and facts.om_low > 0
    why = "organic matter is low, and nothing else" if low else "nothing else"
    return (
        f"Spread up to {depth} of compost this year and work it into the top of the bed when it "
        f"is dry enough to crumble: {why} improves water, air and feeding at once."
    )


def _sandy_text(facts: Facts) -> str:
    top_m = _SPADE_M[facts.system]
    area_m2, area = _PATCH[facts.system]
    litres = facts.available_mm_per_m.times(top_m * area_m2)  # 1 mm on 1 m² is 1 litre
    held = show_range(litres, Quantity.WATER_VOLUME, facts.system)
    return (
        f"Water little and often, and mulch: a spade's depth of this soil keeps only {held} for "
        f"plants on {area}."
    )


_ACTIONS: tuple[_Action, ...] = (
    _Action(
        lambda f: 1.0 if f.class_odds < _SETTLE_ODDS else 0.0,
        lambda f: (
            "Settle what the soil is before you spend money: the class named first is right only "
            f"{odds_in_words(f.class_odds)}, so repeat the test or send a sample to a laboratory."
        ),
    ),
    _Action(
        lambda f: 0.97 if f.om_known and f.om_pct.mid > 8 else 0.0,
        lambda _: (
            "Add no more compost or manure for now: organic matter is high, so have phosphorus "
            "and salts tested first."
        ),
    ),
    _Action(
        lambda f: 0.95 * f.clayey,
        lambda _: (
            "Keep feet and spade off while it is wet: if a squeezed handful stays a shiny lump, "
            "wait; clay worked wet sets in clods for a season."
        ),
    ),
    _Action(
        lambda f: 0.9 * f.waterlogging,
        lambda f: (
            f"Raise the beds and lead standing water off: only about {f.air_pct:.0f} % of the "
            "soil is air once it has drained, little for roots."
        ),
        (SAXTON_RAWLS, SAXTON_RAWLS_FIT, COMMON_PRACTICE),
    ),
    _Action(lambda f: 0.95 * f.sandy, _sandy_text),
    _Action(
        lambda f: 0.9 * f.crusting,
        lambda _: (
            "Keep the surface covered with mulch or plants, and do not rake it to dust: silty "
            "soil crusts under rain and packs under feet."
        ),
    ),
    _Action(_compost_score, _compost_text),
    _Action(
        lambda f: 0.75 * f.sandy,
        lambda _: "Feed in small doses through the season: sand lets one large dose wash out.",
    ),
    _Action(
        lambda f: 0.65 * (f.loamy - f.crusting) * (1 - _known(f.waterlogging)),
        lambda _: (
            "Keep what you have: this soil needs no mending, so walk on paths, mulch, and dig as "
            "little as you can."
        ),
    ),
    _Action(
        lambda f: 0.4 if f.om_known else 0.55,
        lambda _: (
            "Have a laboratory test organic matter, acidity and nutrients: texture tells none of "
            "them, and doses depend on them."
        ),
    ),
    _Action(
        lambda _: 0.35,
        lambda _: "Mulch bare ground with leaves or straw: it keeps water in and feeds the worms.",
    ),
)


def rank_actions(facts: Facts) -> tuple[Statement, ...]:
    """Choose the most pressing things to do for a soil, `HOW_MANY` at most, the first first.

    The scores are our judgement of how much harm waiting does, times how sure it is that the soil
    is of that kind; an unknown counts as nothing to act on.
    """
    scored = [(_known(action.score(facts)), action) for action in _ACTIONS]
    ranked = sorted(scored, key=lambda pair: -pair[0])
    pressing = [action for score, action in ranked[:HOW_MANY] if score >= _LEAST_SCORE]
    return tuple(say(action.text(facts), *action.sources) for action in pressing)


def _known(score: float) -> float:
    return 0.0 if math.isnan(score) else score
