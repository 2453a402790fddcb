"""The guide on the soil itself: class, shares, organic matter, and what the equations leave out."""

from __future__ import annotations

from collections.abc import Iterator

from jarvision.core.ranges import odds_in_words, pct_with_range
from jarvision.core.sections import Section
from jarvision.core.sources import SAXTON_RAWLS_FIT, Quality, Source, Statement, say
from jarvision.core.units import Span
from jarvision.garden import soil_water as sw
from jarvision.garden.guide_case import Case
from jarvision.garden.soil import CLASS_LIMITS, Soil, assumed_om, odds_text

_ORGANIC_SOIL = Source(Quality.PUBLISHED, "AHDB (UK): over 20 % organic matter, no texture class")


def soil_section(case: Case) -> Section:
    """Say what the soil is, where that is known from, and what the equations leave out."""
    soil = case.soil
    sand, silt, clay = map(_share, soil.shares_pct)
    found = [
        say(
            f"{odds_text(soil.texture).capitalize()}: sand {sand} %, silt {silt} %, clay {clay} %.",
            CLASS_LIMITS,
        ),
        soil.origin,
        _om_statement(soil),
        *_scope_warnings(case),
    ]
    return Section("soil", "This soil", tuple(found))


def _share(share: Span) -> str:
    if share.high - share.low < 0.5:
        return f"{share.mid:.0f}"
    return pct_with_range(share.mid, (share.low, share.high), unit="")


def _om_statement(soil: Soil) -> Statement:
    if not soil.om_known:
        return assumed_om()
    given = Source(Quality.COMPUTED, "Organic matter as it was given")
    return say(f"Organic matter is {soil.om_span.mid:g} % of the dry mass, as given.", given)


def _scope_warnings(case: Case) -> Iterator[Statement]:
    outside, om_pct = case.water.outside_share, case.soil.om_span.mid
    if om_pct >= sw.ORGANIC_SOIL_PCT:
        yield say(
            f"With {om_pct:g} % organic matter this is an organic soil, which texture does not "
            "describe: take what follows as background only.",
            _ORGANIC_SOIL,
        )
    if om_pct > sw.OM_SCOPE_PCT:
        yield say(
            f"The water equations hold up to {sw.OM_SCOPE_PCT:g} % organic matter, so only "
            "handbook ranges are given.",
            SAXTON_RAWLS_FIT,
        )
    elif outside > 0.05:
        left_out = case.water.saturation_pct.known
        only = "and that part is left out" if left_out else "so only handbook ranges are given"
        odds = "" if outside > 0.995 else f"with odds of {odds_in_words(outside)} "
        yield say(
            f"The water equations hold up to {sw.CLAY_SCOPE_PCT:g} % clay; {odds}this soil has "
            f"more, {only}.",
            SAXTON_RAWLS_FIT,
        )
