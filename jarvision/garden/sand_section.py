"""The guide on the sand's own grain: what it is called by it, and what coarse or fine changes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.ranges import odds_in_words, pct_with_range
from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, Quality, Source, Statement, say
from jarvision.core.units import Quantity, UnitSystem, show, show_range
from jarvision.estimate.sand_classes import PARENTS, SAND_CLASS_SOURCE, SandClass
from jarvision.estimate.sand_parts import SAND_PARTS
from jarvision.garden import class_tables as ct
from jarvision.garden import runoff as ro
from jarvision.garden.guide_case import OUR_GROUPS, Case
from jarvision.garden.soil import joined

_PHOTO = Source(Quality.COMPUTED, "Grain sizes by height in the first photo of the jar")
_DEFINITIONS = Source(
    Quality.PUBLISHED,
    f"{SAND_CLASS_SOURCE}, read in copies; coarse and plain sandy loam from memory",
)
_HOPPING = Source(
    Quality.SECOND_HAND,
    "Wind moves grains of 0.1 to 0.5 mm in hops (saltation): teaching texts after Chepil 1945",
)

_T_HA_PER_US = 2.2417  # US tons an acre in tonnes a hectare
_FINE_HALF = 50.0  # very fine sand and silt from this on are said to seal; ours


def sand_sections(case: Case) -> tuple[Section, ...]:
    """Say what the sand's grain means; nothing where it is not known."""
    sand = case.soil.sand_pct
    if sand is None:
        return ()
    name = case.soil.by_sand(case.soil.texture.likeliest)
    found = [_parts(case, sand), *_water(case, name), *_wind(case, sand), *_sealing(case, sand)]
    return (Section("sand", "Its sand", tuple(found)),)


def _parts(case: Case, sand: Array) -> Statement:
    listed = ", ".join(
        f"{part} {mean:.0f} ({low:.0f}–{high:.0f})"
        for part, mean, low, high in zip(
            SAND_PARTS, sand.mean(axis=0), *np.quantile(sand, (0.05, 0.95), axis=0), strict=True
        )
    )
    sources = (_PHOTO, _DEFINITIONS) if case.soil.sand_was_seen else (_DEFINITIONS,)
    return say(f"{_called(case)}; of the soil, {listed} % sand.", *sources)


def _share(pct: Array) -> str:
    low, high = np.quantile(pct, (0.05, 0.95)).tolist()
    return pct_with_range(float(pct.mean()), (low, high))


def _called(case: Case) -> str:
    likeliest, odds = case.soil.texture.likeliest, case.soil.sand_texture
    if odds is None or likeliest not in PARENTS:
        return "This soil keeps its name however coarse its sand is"
    name = case.soil.by_sand(likeliest)
    if not case.soil.sand_was_seen:
        return f"Whatever is called {name} counts as likely"
    if name is not None:
        return f"By its sand it is {name} (odds {odds_in_words(odds.odds_of(name))})"
    both = joined(f"{each} ({odds_in_words(odds.odds_of(each))})" for each in odds.ranked[:2])
    return f"By its sand it may be {both}"


def _water(case: Case, name: SandClass | None) -> Iterator[Statement]:
    """Set what this sand holds beside what others of its class hold."""
    if name is None:
        return
    kin = PARENTS[case.soil.texture.likeliest]
    mm = {each: ct.hull(ct.matching(ct.AVAILABLE_BY_SAND, [each])) for each in kin}
    held = show_range(mm[name], Quantity.AVAILABLE_WATER, case.system)
    other = kin[0] if name is not kin[0] else kin[2]
    beside = show_range(mm[other], Quantity.AVAILABLE_WATER, case.system)
    rows = ct.matching(ct.AVAILABLE_BY_SAND, [name, other])
    sources = tuple(dict.fromkeys(row.source for row in rows))
    yield say(
        f"Plants can draw on {held} of {name} by the handbooks; {other} would hold {beside}.",
        *sources,
        OUR_GROUPS,
    )
    [row] = ct.matching(ct.PERMEABILITY_BY_SAND, [name])
    low = show(row.low, Quantity.RATE, case.system, digits=2)
    text = f"more than {low}"
    if np.isfinite(row.high):
        text = f"{low.split(' ')[0]} to {show(row.high, Quantity.RATE, case.system, digits=2)}"
    yield say(
        f"Below an open surface, where it is not packed, {text} of water pass through it; what "
        "soaks in from above stands under Water.",
        row.source,
        OUR_GROUPS,
    )


def _wind(case: Case, sand: Array) -> Iterator[Statement]:
    group = ct.WIND_GROUPS.get(case.soil.texture.likeliest)
    if group is None:
        return
    number, tons = group
    most = f"{round(tons * _T_HA_PER_US, -1):.0f} t a hectare"
    if case.system is UnitSystem.US:
        most = f"{tons:.0f} tons an acre"
    hops = _share(sand[:, 2:4].sum(axis=1))
    yield say(
        f"Bare, dry and open it blows: wind erodibility group {number} of 8 (1 blows most), up to "
        f"{most} a year; {hops} of the soil are grains of 0.1 to 0.5 mm, which wind makes "
        "hop. Keep it covered, and do not work it dry.",
        ct.WIND_GROUPS_SOURCE,
        _HOPPING,
        COMMON_PRACTICE,
    )


def _sealing(case: Case, sand: Array) -> Iterator[Statement]:
    like_silt = case.soil.draws_pct[:, 1] + sand[:, 4]
    if float(like_silt.mean()) < _FINE_HALF:
        return
    yield say(
        f"Silt and very fine sand, which rain treats alike, are {_share(like_silt)} of it: "
        "bare, it seals and crusts.",
        ro.ERODIBILITY_NOMOGRAPH,
        COMMON_PRACTICE,
    )
