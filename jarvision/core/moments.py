"""Days and times as people type them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

FIRST_YEAR, LAST_YEAR = 1970, 2200
"""Years outside are slips, and some cannot be counted from: 9999-12-31 has no day after it."""

WRITE_IT = "write it like 2026-05-04 09:00 or 4 May 9:00"
"""What is asked for where a text is no day and time."""

LONGEST_S = 60 * 86_400.0
"""A jar is not watched for longer [s]."""

_LONGEST = 60
_MONTH = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WORDS = rf"(?:{'|'.join(_MONTH)})[a-z]*\.?|(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?|at|st|nd|rd|th"
_PART = re.compile(rf"[\s,:]+|\d+|[ap]\.?m\.?(?![a-z])|{_WORDS}")
_CLOCK = re.compile(r"\d:\d|\d\s*[ap]\.?m\b")


def moment_of(text: str, *, now: datetime | None = None, is_past: bool = False) -> datetime:
    """Read a day and a time such as ``2026-05-04 9:00``, ``4.5.2026 9:00`` or ``4 May 9am``.

    Parameters
    ----------
    text : str
        With or without a time zone where it is written as in ISO 8601. A day with slashes is
        refused, since it reads two ways.
    now : datetime, optional
        Where no year is given, the one that is nearest to this is meant; by default the present.
    is_past : bool
        Of years not given only those are meant that lie before it, but for a day.

    Raises
    ------
    ValueError
        It is none, it has no time of day, or its year lies outside 1970 to 2200.
    """
    plain = " ".join(text.split())
    if len(plain) > _LONGEST:
        msg = "too long for a day and a time"
        raise ValueError(msg)
    dotted = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ ,T]+(.+)", plain)
    if dotted:
        plain = f"{dotted[3]}-{int(dotted[2]):02d}-{int(dotted[1]):02d} {dotted[4]}"
    if not _CLOCK.search(plain.casefold()):
        msg = "no time of day"
        raise ValueError(msg)
    has_month = any(month in plain.casefold() for month in _MONTH)
    if has_month:
        moment = _spoken(plain.casefold(), now or datetime.now(), is_past=is_past)
    else:
        moment = datetime.fromisoformat(re.sub(r"[ T](\d):", r" 0\1:", plain))
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        msg = f"the year {moment.year} lies outside {FIRST_YEAR} to {LAST_YEAR}"
        raise ValueError(msg)
    return moment


def now_text() -> str:
    """Say what time it is, to the second and with its zone, as tables hold it."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def seconds_of(text: str, *, bare: str = "s") -> float:
    """Read a time such as ``20 s``, ``1.5 min`` or ``2 h`` [s].

    Parameters
    ----------
    text : str
    bare : str
        Unit of a bare number; empty where it must have one.

    Raises
    ------
    ValueError
        It is none, or longer than 60 days.
    """
    parts = re.fullmatch(
        r"([0-9]{1,9}(?:[.,][0-9]{1,9})?)\s*"
        r"(s|secs?|seconds?|m|mins?|minutes?|h|hrs?|hours?|d|days?)?",
        text.strip().casefold(),
    )
    unit = (parts[2] or bare)[:1] if parts else ""
    value_s = float(parts[1].replace(",", ".")) * _UNIT_S[unit] if parts and unit else -1.0
    if not 0 <= value_s <= LONGEST_S:
        msg = "no time of 60 days at most, with its unit"
        raise ValueError(msg)
    return value_s


_UNIT_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}


def _spoken(text: str, now: datetime, *, is_past: bool) -> datetime:
    """Read a day whose month is a word: only then does a day with a month read one way."""
    from dateutil import parser

    def parse(text: str, default: datetime) -> datetime:
        found: datetime = parser.parse(text, default=default)
        return found

    if _PART.sub("", text):
        msg = "a word that is no part of a day and a time"
        raise ValueError(msg)
    now = now.replace(tzinfo=None, hour=0, minute=0, second=0, microsecond=0)
    try:
        # what is not typed comes from the default: two of them tell whether a day was
        first, other = (parse(text, now.replace(month=1, day=day)) for day in (2, 3))
        if first != other:
            msg = "no day"
            raise ValueError(msg)
        if parse(text, now.replace(year=2000, month=1, day=2)).year != 2000:
            return first
        years = [now.replace(year=now.year + i, month=1, day=2) for i in (-1, 0, 1)]
        found = [parse(text, year) for year in years]
        if is_past:
            found = [moment for moment in found if moment <= now + timedelta(days=1)]
        return min(found, key=lambda moment: abs(moment - now))
    except OverflowError:
        msg = "a number that is too large"
        raise ValueError(msg) from None
