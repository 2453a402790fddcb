"""Days and times as people type them; the right side is what a person reads."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jarvision.core.moments import moment_of

NINE = datetime(2026, 5, 4, 9)
NOW = datetime(2026, 5, 6, 12, 30)


@pytest.mark.parametrize(
    "text",
    [
        "2026-05-04 09:00",
        "2026-05-04 9:00",
        "2026-05-04T09:00:00",
        " 2026-05-04   9:00 ",
        "4.5.2026 9:00",
        "04.05.2026, 09:00",
        "4 May 9am",
        "4 May 9:00",
        "May 4 at 9 a.m.",
        "Mon 4th May 2026, 9:00 am",
        "May 4, 2026 9:00",
        "9:00 4 may",
        "4 MAY 2026 9AM",
    ],
)
def test_the_same_moment(text):
    assert moment_of(text, now=NOW) == NINE


def test_a_year_that_is_not_given_is_the_nearest():
    assert moment_of("30 Dec 17:00", now=datetime(2026, 1, 2)) == datetime(2025, 12, 30, 17)
    assert moment_of("2 Jan 8:00", now=datetime(2025, 12, 30)) == datetime(2026, 1, 2, 8)
    late = datetime(2026, 11, 28)
    assert moment_of("4 May 9:00", now=late).year == 2027
    assert moment_of("4 May 9:00", now=late, is_past=True).year == 2026
    assert moment_of("4 May 2000 9:00", now=NOW) == datetime(2000, 5, 4, 9)


def test_a_zone_stays():
    assert moment_of("2026-05-04 09:00+00:00") == NINE.replace(tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "5/4/2026 9:00",
        "2026-05-04",
        "4 May",
        "May 9am",
        "9am",
        "2026-13-04 09:00",
        "31 June 9am",
        "4 May 9am EST",
        "4 May 25:00",
        "1 Jan 1900 9:00",
        "4 May 99999999999999999999 9:00",
        "4 May 2026 9:00 or so",
        "9" * 300 + ":00 may",
    ],
)
def test_what_is_none_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        moment_of(text, now=NOW)


@given(st.text(max_size=80) | st.text("0123456789 :.,/-amptMaye", max_size=30))
def test_any_text_is_a_moment_or_refused(text):
    try:
        moment = moment_of(text, now=NOW)
    except ValueError:
        return
    assert 1970 <= moment.year <= 2200
