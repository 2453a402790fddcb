"""Photo times against published sedimentation tables, and reminders against RFC 5545."""

import re
from datetime import UTC, datetime, timedelta, timezone

import icalendar
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jarvision.core.errors import TimesError, ValueRefusedError
from jarvision.core.units import UnitSystem
from jarvision.estimate.schedule import calendar_text, duration_text, parse_start, plan, table_text

START = datetime(2026, 5, 4, 9, 0)
MADE = datetime(2026, 5, 3, 20, 30, 15, 123456, tzinfo=UTC)


def at(schedule, elapsed_s):
    return next(p for p in schedule.photos if p.elapsed_s == elapsed_s)


def limit(schedule, words):
    return next(p for p in schedule.photos if words in p.why and not p.is_photo)


# -- the numbers ---------------------------------------------------------------------------------


def test_two_hours_is_not_two_micrometres():
    # USGS Open-File Report 00-358, ch. 1, table 2: 8 phi (3.9 µm) is drawn at 10 cm, 20 °C after
    # 2 h 3 min.
    assert at(plan(100.0), 7200.0).all_down_um == pytest.approx(3.9, rel=0.03)


@pytest.mark.parametrize(
    ("temp_c", "hours"),
    [(18.0, 8 + 8 / 60), (20.0, 7 + 44 / 60), (25.0, 6 + 52 / 60), (30.0, 6 + 9 / 60)],
)
def test_clay_limit_at_ten_centimetres(temp_c, hours):
    # Tables of Day 1965, Gee & Bauder 1986 and ISO 11277 have about 8 h at 20 °C (from memory);
    # these figures were worked out elsewhere from Stokes' law and IAPWS viscosity.
    last = limit(plan(100.0, temp_c=temp_c), "over 2 µm")
    assert last.elapsed_s == pytest.approx(3600 * hours, rel=0.02)
    assert last.all_down_um == pytest.approx(2.0, rel=0.01)


def test_sand_limit_at_ten_centimetres():
    # 45 s at 20 °C by Stokes' law; natural grains of 50 µm are some 6 % slower.
    assert limit(plan(100.0), "over 50 µm").elapsed_s == pytest.approx(45, rel=0.08)


def test_deposit_holds_finer_grains_than_the_last_to_land():
    for photo in plan(120.0, soil_mm=30.0).photos:
        assert photo.balance_um < photo.all_down_um


def test_balance_is_odens():
    # Odén's balance for grains spread evenly over ln d, falling as d squared, of fall time t at d:
    # finer grains add the integral of (x/d)^2 d(ln x) = 1/2, so ln(balance) = ln(d) - 1/2.
    photo = at(plan(100.0), 7200.0)
    assert photo.balance_um == pytest.approx(photo.all_down_um * np.exp(-0.5), rel=0.12)


def test_advised_times_fall_on_the_limits():
    for soil_mm in (None, 20.0, 40.0):
        schedule = plan(130.0, temp_c=22.0, soil_mm=soil_mm)
        assert limit(schedule, "over 50 µm").all_down_um == pytest.approx(50.0, rel=0.01)
        assert limit(schedule, "weighs what sand does").balance_um == pytest.approx(50, rel=0.01)
        assert limit(schedule, "sand and silt").balance_um == pytest.approx(2.0, rel=0.01)


def test_photos_are_at_the_usual_times_and_two_more():
    whys = {p.elapsed_s: p.why for p in plan(120.0).photos if p.is_photo}
    # extension leaflets: 1 minute, 2 hours, 48 hours
    assert set(whys) == {60.0, 300.0, 7200.0, 28800.0, 172800.0}
    assert "silt" in whys[7200.0]


def test_soil_slows_the_same_fall():
    # 45 mm of loose soil in 120 mm: fewer centimetres to fall, but crowded. Against a free fall
    # over the same height the time must be longer.
    crowded = plan(120.0, soil_mm=45.0)
    free = plan(120.0 - 45.0)
    assert limit(crowded, "over 50 µm").elapsed_s > 1.3 * limit(free, "over 50 µm").elapsed_s


@settings(max_examples=15, deadline=None)
@given(st.floats(60.0, 400.0), st.floats(1.0, 40.0))
def test_every_jar_has_a_schedule_in_order(water_mm, temp_c):
    photos = plan(water_mm, temp_c=temp_c).photos
    times = [p.elapsed_s for p in photos]
    cuts = [p.all_down_um for p in photos]
    assert times == sorted(times)
    assert cuts == sorted(cuts, reverse=True)
    assert np.all(np.isfinite(cuts))


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"water_mm": 25.0}, "Only 25 mm of water"),
        ({"water_mm": 0.0}, "water line must lie"),
        ({"water_mm": float("nan")}, "water line must lie"),
        ({"water_mm": 120.0, "temp_c": 0.5}, "between 1 and 40"),
        ({"water_mm": 120.0, "temp_c": 68.0}, "Do you mean 68 °F"),
        ({"water_mm": 120.0, "soil_mm": 400.0}, "soil's height"),
        ({"water_mm": 120.0, "soil_mm": 120.0}, "as high as the water"),
        ({"water_mm": 120.0, "soil_mm": 100.0}, "Only 20 mm of water"),
        ({"water_mm": 120.0, "soil_mm": -4.0}, "soil's height"),
    ],
)
def test_jars_in_which_nothing_can_settle_are_refused(options, match):
    with pytest.raises(ValueRefusedError, match=match):
        plan(options.pop("water_mm"), **options)


# -- text ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (8.2, "8 s"),
        (59.6, "1 min"),
        (60.0, "1 min"),
        (76.4, "1 min 16 s"),
        (3239.0, "54 min"),
        (3599.0, "1 h"),
        (7200.0, "2 h"),
        (27840.0, "7 h 44 min"),
        (172800.0, "48 h"),
        (280000.0, "3 d 6 h"),
    ],
)
def test_durations_are_spelled_out(seconds, text):
    assert duration_text(seconds) == text


def test_table_shows_times_cuts_and_what_was_assumed():
    text = table_text(plan(120.0))
    us = table_text(plan(127.0, soil_mm=25.4), system=UnitSystem.US)
    assert us.startswith("Water line at 5 in, 68 °F, 1 in of soil")  # 25.4 mm; 20 °C
    lines = text.splitlines()
    assert lines[0] == "Water line at 120 mm, 20 °C, hardly any soil"
    two_hours = next(line for line in lines if "photo of the silt" in line)
    assert re.search(r"2 h\s+photo of the silt\s+4\.\d µm", two_hours)
    assert max(map(len, lines)) <= 96
    assert all(line == line.rstrip() for line in lines)
    assert sum(line.startswith("*  ") for line in lines) == 5


def test_table_with_a_start_has_the_time_of_day():
    text = table_text(plan(120.0, soil_mm=40.0), start=START)
    assert "Mon 11:00 " in text
    assert "Mon 09:01:00" in text
    assert "shaken 2026-05-04 09:00" in text
    assert "give --soil-mm" not in text
    assert "40 mm of soil" in text
    assert max(map(len, text.splitlines())) <= 96


@pytest.mark.parametrize("text", ["2026-05-04 09:00", " 2026-05-04T09:00 ", "2026-05-04 09:00:00"])
def test_start_is_read(text):
    assert parse_start(text) == START


@pytest.mark.parametrize(
    "text", ["tomorrow", "2026-05-04", "04/05/2026 09:00", "", "2026-13-04 09:00"]
)
def test_start_that_is_no_date_and_time_is_refused(text):
    with pytest.raises(ValueRefusedError, match="2026-05-04 09:00"):
        parse_start(text)


# -- calendar ------------------------------------------------------------------------------------


def events(text):
    return list(icalendar.Calendar.from_ical(text).walk("VEVENT"))


def test_calendar_keeps_to_rfc_5545():
    text = calendar_text(plan(120.0, soil_mm=40.0), start=START, made_at=MADE)
    lines = text.split("\r\n")
    assert text.endswith("END:VCALENDAR\r\n")
    assert "\n" not in text.replace("\r\n", "")  # 3.1: lines end in CRLF
    assert all(len(line.encode()) <= 75 for line in lines)  # 3.1: folded at 75 octets
    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines.count("VERSION:2.0") == 1  # 3.6: required, once
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    for event in events(text):  # 3.6.1: UID and DTSTAMP required, the latter in UTC
        assert event["UID"]
        assert event["DTSTAMP"].dt.tzinfo is not None
        assert not {"DTEND", "DURATION"} <= set(event)
        for alarm in event.walk("VALARM"):  # 3.6.6
            assert {"ACTION", "TRIGGER", "DESCRIPTION"} <= set(alarm)


def test_reminders_are_at_the_schedules_times():
    schedule = plan(120.0, soil_mm=40.0)
    found = [
        e["DTSTART"].dt - START for e in events(calendar_text(schedule, start=START, made_at=MADE))
    ]
    assert found[0] == timedelta(0)
    assert timedelta(hours=2) in found
    assert timedelta(hours=48) in found
    assert len(found) == 4  # those of the first minutes with the shaking
    assert found == sorted(found)
    assert all(gap == timedelta(0) or gap >= timedelta(minutes=10) for gap in found)


def test_start_without_a_zone_stays_the_phones_own_time():
    text = calendar_text(plan(120.0), start=START, made_at=MADE)
    assert "DTSTART:20260504T090000\r\n" in text
    assert "DTSTAMP:20260503T203015Z\r\n" in text


def test_start_with_a_zone_is_written_in_utc():
    zoned = START.replace(tzinfo=timezone(timedelta(hours=-7)))
    text = calendar_text(plan(120.0), start=zoned, made_at=MADE)
    assert "DTSTART:20260504T160000Z\r\n" in text


def test_made_without_a_zone_is_refused():
    with pytest.raises(TimesError, match="time zone"):
        calendar_text(plan(120.0), start=START, made_at=START)


def test_second_import_replaces_the_first():
    def uids(made_at=MADE):
        text = calendar_text(plan(120.0), start=START, made_at=made_at)
        return [str(e["UID"]) for e in events(text)]

    assert uids() == uids(MADE + timedelta(days=1))
    assert len(set(uids())) == len(uids())
