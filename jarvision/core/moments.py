"""Days and times as people type them."""

from __future__ import annotations

from datetime import datetime

FIRST_YEAR, LAST_YEAR = 1970, 2200
"""Years outside are slips, and some cannot be counted from: 9999-12-31 has no day after it."""


def moment_of(text: str) -> datetime:
    """Read a day and a time such as ``2026-05-04 09:00``, with or without a time zone.

    Raises
    ------
    ValueError
        It is none, or its year lies outside 1970 to 2200.
    """
    moment = datetime.fromisoformat(text.strip())
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        msg = f"the year {moment.year} lies outside {FIRST_YEAR} to {LAST_YEAR}"
        raise ValueError(msg)
    return moment
