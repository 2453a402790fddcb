"""The guide on air: what fills the soil once it has drained, and what treading does."""

from __future__ import annotations

import numpy as np

from jarvision.core.ranges import odds_in_words
from jarvision.core.sections import Section
from jarvision.core.sources import (
    COMMON_PRACTICE,
    SAXTON_RAWLS,
    SAXTON_RAWLS_FIT,
    Quality,
    Source,
    Statement,
    say,
)
from jarvision.core.units import about_text
from jarvision.garden import soil_water as sw
from jarvision.garden.guide_case import Case

_IDEAL = Source(
    Quality.SECOND_HAND, "The ideal topsoil of garden columns, by volume; no primary source found"
)


def air_section(case: Case) -> Section:
    """Say what fills the soil once it has drained, in words and as a picture in letters."""
    if not case.water.air_pct.known:
        unknown = say("How much air it holds cannot be told by the equations.", SAXTON_RAWLS_FIT)
        return Section("air", "Air and pores", (unknown,))
    pores, ideal = case.pores, sw.IDEAL_PORES
    found = [
        say(
            f"Once it has drained, the soil is about {_parts(pores)} by volume; the ideal is "
            f"{_parts(ideal)}.",
            SAXTON_RAWLS,
            _IDEAL,
        ),
        _waterlogging(case),
        _compaction(case),
    ]
    picture = (_bar("this soil", pores), _bar("ideal", ideal), _BAR_KEY)
    return Section("air", "Air and pores", tuple(found), picture)


def _parts(pores: sw.Pores) -> str:
    return (
        f"{pores.mineral_pct:.0f} % mineral, {pores.organic_pct:.0f} % organic matter, "
        f"{pores.water_pct:.0f} % water and {pores.air_pct:.0f} % air"
    )


_BAR_CELLS = 50
_BAR_KEY = f"{'':10}# mineral   o organic   ~ water   . air"


def _bar(label: str, pores: sw.Pores) -> str:
    """Draw the parts as letters, a letter for each 2 %, rounded so that the bar is never longer."""
    parts = (pores.mineral_pct, pores.organic_pct, pores.water_pct, pores.air_pct)
    ends = np.rint(np.cumsum(parts) / 100 * _BAR_CELLS).astype(int).tolist()
    starts = [0, *ends[:-1]]
    cells = (mark * (end - start) for mark, start, end in zip("#o~.", starts, ends, strict=True))
    return f"{label:10}{''.join(cells)}"


def _waterlogging(case: Case) -> Statement:
    odds, air = case.water.waterlogging_odds, about_text(case.water.air_pct)
    limit = f"{sw.WATERLOGGED_AIR_PCT:g} %"
    if odds >= 0.5:
        text = (
            f"Air is short: about {air} % once drained. Under {limit} roots suffocate in wet "
            "spells, and water stands."
        )
    elif odds >= 0.25:
        text = (
            f"Air may run short: about {air} % once drained, with odds of {odds_in_words(odds)} of "
            f"less than {limit}, where roots suffocate in wet spells."
        )
    else:
        text = f"Air should do: about {air} % once drained; roots need about {limit}."
    return say(text, SAXTON_RAWLS, SAXTON_RAWLS_FIT, COMMON_PRACTICE)


def _compaction(case: Case) -> Statement:
    soil = case.soil
    packed = sw.saxton_rawls(
        soil.draws_pct[:, 0], soil.draws_pct[:, 2], soil.om_pct, density_factor=1.1
    )
    air = max(float(np.nanmedian(packed.air_pct)), 0.0)
    return say(
        f"Trodden 10 % denser, only about {air:.0f} % of it would be air: keep feet on paths.",
        SAXTON_RAWLS,
    )
