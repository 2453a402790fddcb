"""The guide on crops: how those asked for, or all of them, take to the soil."""

from __future__ import annotations

from collections.abc import Iterator

from jarvision.core.sections import Section
from jarvision.core.sources import COMMON_PRACTICE, Statement, say
from jarvision.garden import crops as cr
from jarvision.garden.guide_case import Case
from jarvision.garden.soil import joined


def crop_section(case: Case) -> Section:
    """Give the hints on the crops that were asked for, or on all of them."""
    write = _asked_crops if case.asked else _all_crops
    lead = say(
        "Soft hints, since no trial stands behind them: drainage, sun and variety count for more.",
        COMMON_PRACTICE,
    )
    return Section("crops", "Crops", (*write(case), lead))


def _asked_crops(case: Case) -> Iterator[Statement]:
    several = len(case.groups) > 1
    for crop in case.crops:
        for hint in cr.hints_for(crop, case.groups):
            where = f" if it is {hint.group}" if several else ""
            yield say(f"{crop.name.capitalize()} {hint.verdict}{where}: {hint.why}.", hint.source)


def _all_crops(case: Case) -> Iterator[Statement]:
    several = len(case.groups) > 1
    for hint in cr.CROP_HINTS:
        if hint.group in case.groups:
            where = f" if it is {hint.group}" if several else ""
            names = "Nearly everything" if len(hint.crops) > 20 else joined(hint.crops, "and")
            verdict = _verdict(hint, plural="," in names or " and " in names)
            yield say(f"{_capital(names)} {verdict}{where}: {hint.why}.", hint.source)


_PLURAL = {
    cr.Verdict.WELL: "do well",
    cr.Verdict.MIXED: "manage",
    cr.Verdict.POORLY: "struggle",
}


def _verdict(hint: cr.CropHint, *, plural: bool) -> str:
    return _PLURAL[hint.verdict] if plural else str(hint.verdict)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
