"""What a photo at a given time shows of this jar, when to take the photos, and reminders."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from jarvision.core.arrays import Array
from jarvision.core.errors import TimesError, ValueRefusedError
from jarvision.core.files import shown
from jarvision.core.moments import WRITE_IT, moment_of
from jarvision.core.protocol import MORE_TIMES, MORE_TIMES_S, TIMES
from jarvision.core.series import READING_TIMES
from jarvision.core.units import UnitSystem, inches_text
from jarvision.estimate.known import LOOSE_SOIL_G_CM3, TALLEST_SOIL_MM, check_column
from jarvision.estimate.settling import (
    CLAY_LIMIT_UM,
    GRAIN_DENSITY_KG_M3,
    GRAVEL_LIMIT_UM,
    SAND_LIMIT_UM,
    Charge,
    Path,
    cut_diameter_um,
    settle,
    share_down,
    steps_s,
    terminal_velocity_mm_s,
)
from jarvision.estimate.water import check_temperature

if TYPE_CHECKING:
    from icalendar import Event


_MINUTE, _HOUR = 60.0, 3600.0
_LONGEST_S = 60.0 * 24.0 * _HOUR
_EXPONENT = 5.0  # middle of 4.48 to 5.6, arXiv 1710.09314

# A loam for the crowding and for the balance of what is down: shares of sand, silt and clay, and
# dry density of their layers [g/cm³] (Lara & Pemberton 1963, from memory); each class is spread
# evenly over the logarithm of size, clay from 0.05 µm.
_LOAM = (0.40, 0.40, 0.20)
_LAYERS_G_CM3 = (1.55, 1.12, 0.416)
_FINEST_UM = 0.05

_PHOTOS = (
    *zip(
        (due.nominal_s for due in READING_TIMES.values()),
        ("photo of the sand", "photo of the silt", "photo of the clay"),
        strict=True,
    ),
    *((time_s, "photo that narrows the result") for time_s in MORE_TIMES_S),
)
"""The photos to take. Published protocols differ: some put silt at 6 hours, sand at 40 seconds or
clay at 24 hours (read in secondary pages)."""


@dataclass(frozen=True, slots=True)
class PhotoTime:
    """One time to take a photo, and what its deposit is.

    Attributes
    ----------
    elapsed_s : float
        Time since shaking [s].
    all_down_um : float
        All grains coarser than this are down [µm].
    balance_um : float
        The deposit weighs as much as all grains coarser than this [µm]: what it misses of the
        coarser is made up by finer grains that started low.
    why : str
        What the time stands for.
    is_photo : bool
        Whether a photo is to be taken then; else it tells what has settled in this jar.
    """

    elapsed_s: float
    all_down_um: float
    balance_um: float
    why: str
    is_photo: bool


@dataclass(frozen=True, slots=True)
class Schedule:
    """When to photograph a jar.

    Attributes
    ----------
    water_mm, temp_c : float
        Water line above the inside floor [mm] and water temperature [°C].
    soil_mm : float or None
        Height of the loose dry soil [mm]; None when counted as hardly any.
    photos : tuple of PhotoTime
        By rising time.
    """

    water_mm: float
    temp_c: float
    soil_mm: float | None
    photos: tuple[PhotoTime, ...]


@dataclass(frozen=True, slots=True)
class _Curves:
    """Both cuts [µm] by time [s], all of shape (T,)."""

    time_s: Array
    all_down_um: Array
    balance_um: Array

    def reach_s(self, cut_um: Array, limit_um: float) -> float:
        """Time at which a cut falls to a limit; NaN when it does not."""
        log_t = np.interp(
            -np.log(limit_um), -np.log(cut_um), np.log(self.time_s), left=np.nan, right=np.nan
        )
        return float(np.exp(log_t))

    def photo(self, elapsed_s: float, why: str, *, is_photo: bool) -> PhotoTime:
        """Read both cuts at a time."""
        at = np.log(elapsed_s)
        down, balance = (
            float(np.exp(np.interp(at, np.log(self.time_s), np.log(cut))))
            for cut in (self.all_down_um, self.balance_um)
        )
        return PhotoTime(elapsed_s, down, balance, why, is_photo)


def plan(water_mm: float, *, temp_c: float = 20.0, soil_mm: float | None = None) -> Schedule:
    """Work out what a jar's photos show, and when to take them.

    Parameters
    ----------
    water_mm : float
        Water line above the inside floor [mm].
    temp_c : float
        Water temperature, 1 to 40 °C.
    soil_mm : float or None
        Height of the loose dry soil before water was added [mm]. Not given: so little that grains
        do not slow each other and the deposit takes no room.

    Returns
    -------
    Schedule
        The times of the photos, and those at which this jar's sand and silt are down.

    Raises
    ------
    ValueRefusedError
        The temperature or a height cannot be, or less than 30 mm of water stand over the soil.
    """
    check_temperature(temp_c)
    if not 0 < water_mm <= 2000:
        msg = "The water line must lie between 1 and 2000 mm above the inside floor; check it."
        raise ValueRefusedError(msg)
    if soil_mm is not None and not 1 <= soil_mm <= TALLEST_SOIL_MM:
        msg = (
            f"The soil's height must lie between 1 and {TALLEST_SOIL_MM:.0f} mm; check it or leave "
            "it out."
        )
        raise ValueRefusedError(msg)
    check_column(water_mm, bed_mm=soil_mm or 0.0, soil_mm=soil_mm)
    curves = _curves(water_mm, temp_c, soil_mm)
    photos = [curves.photo(t, why, is_photo=True) for t, why in _PHOTOS]
    photos += [curves.photo(t, why, is_photo=False) for t, why in _limits(curves)]
    return Schedule(water_mm, temp_c, soil_mm, tuple(sorted(photos, key=lambda p: p.elapsed_s)))


def _limits(curves: _Curves) -> list[tuple[float, str]]:
    """List the times at which each cut falls at the limits of sand and clay."""
    found = []
    limits = ((SAND_LIMIT_UM, "sand", "does"), (CLAY_LIMIT_UM, "sand and silt", "do"))
    for limit, name, verb in limits:
        balance = curves.reach_s(curves.balance_um, limit)
        last = curves.reach_s(curves.all_down_um, limit)
        found.append((balance, f"weighs what {name} {verb}"))
        found.append((last, f"last grain over {limit:.0f} µm is down"))
    return [(time, why) for time, why in found if np.isfinite(time)]


def _loam(soil_mm: float | None, temp_c: float) -> tuple[Charge, Array]:
    """Make a loam in one column, by fine steps of size, and those sizes [µm]."""
    spans = (
        (SAND_LIMIT_UM, GRAVEL_LIMIT_UM),
        (CLAY_LIMIT_UM, SAND_LIMIT_UM),
        (_FINEST_UM, CLAY_LIMIT_UM),
    )
    steps = (np.arange(120) + 0.5) / 120.0
    size = np.concatenate([high * (low / high) ** steps for low, high in spans])
    load = 1e-6 if soil_mm is None else soil_mm / 10.0 * LOOSE_SOIL_G_CM3
    mass = load * np.repeat(_LOAM, steps.size)[:, None] / steps.size
    speed = terminal_velocity_mm_s(size, temp_c)[:, None]
    layer = np.repeat(_LAYERS_G_CM3, steps.size)[:, None]
    bulk = np.full_like(mass, GRAIN_DENSITY_KG_M3 / 1e3)
    return Charge(speed, speed, np.zeros(1), mass, layer, bulk), size


def _curves(water_mm: float, temp_c: float, soil_mm: float | None) -> _Curves:
    charge, size = _loam(soil_mm, temp_c)
    times = steps_s(_LONGEST_S, first_s=1.0, ratio=1.06)
    path = settle(charge, column_mm=np.array([water_mm]), exponent=_EXPONENT, time_s=times)
    clear = path.state.early_s[0] + path.state.after_s[0]
    fall = water_mm - path.state.bed_mm[0]
    all_down = cut_diameter_um(clear, fall_mm=fall, temp_c=temp_c)
    return _Curves(times, all_down, _balance_um(charge, size, path, water_mm))


def _balance_um(charge: Charge, size: Array, path: Path, water_mm: float) -> Array:
    """Size above which the soil weighs what is down at each time of the path."""
    mass = charge.mass_g_cm2[:, 0]
    coarser = np.cumsum(mass)
    edges = size * np.sqrt(size[1] / size[0])
    column = np.array([water_mm])
    down = [mass @ share_down(charge, path.at(t), column_mm=column)[:, 0] for t in path.time_s]
    return np.asarray(np.exp(np.interp(down, coarser, np.log(edges))), dtype=np.float64)


# -- text -----------------------------------------------------------------------------------------


def duration_text(seconds: float) -> str:
    """Spell out a time since shaking, to about two figures.

    Parameters
    ----------
    seconds : float
        Time [s].

    Returns
    -------
    str
        For example ``"45 s"``, ``"2 min 30 s"``, ``"7 h 40 min"``, ``"3 d 4 h"``.
    """
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    step = 1.0 if seconds < 600.0 else _MINUTE if seconds < 71.5 * _HOUR else _HOUR
    rounded = round(seconds / step) * step
    large, small = (
        ((_MINUTE, "min"), (1.0, "s"))
        if rounded < _HOUR
        else ((_HOUR, "h"), (_MINUTE, "min"))
        if step < _HOUR
        else ((24 * _HOUR, "d"), (_HOUR, "h"))
    )
    whole, rest = divmod(rounded, large[0])
    tail = f" {rest / small[0]:.0f} {small[1]}" if rest else ""
    return f"{whole:.0f} {large[1]}{tail}"


def _size_text(size_um: float) -> str:
    return f"{size_um:.0f} µm" if size_um >= 9.95 else f"{size_um:.1f} µm"


def table_text(
    schedule: Schedule, *, start: datetime | None = None, system: UnitSystem | None = None
) -> str:
    """Lay a schedule out as plain text.

    Parameters
    ----------
    schedule : Schedule
        From `plan`.
    start : datetime or None
        When shaking ends; adds the time of day.
    system : UnitSystem or None
        Units of the heading; metric where None.

    Returns
    -------
    str
        Lines without trailing blanks, the last without a newline; an asterisk marks the photos.
    """
    head = ["", "after shaking", "what it is", "all grains down over"]
    rows = [_row(photo) for photo in schedule.photos]
    if start is not None:
        head.insert(2, "at")
        for row, photo in zip(rows, schedule.photos, strict=True):
            row.insert(2, _clock_text(start, photo.elapsed_s))
    lines = [_heading(schedule, start, system), "", *_columns([head, *rows]), "", *_NOTES]
    if schedule.soil_mm is None:
        lines.append(_NO_SOIL_NOTE)
    return "\n".join(lines)


_NOTES = (
    f"* take a photo: {TIMES} are enough; {MORE_TIMES}, and one",
    "more when the water is clear, narrow the result by weight. The lines between tell what has",
    "settled in this jar by then. Sand ends at 50 µm (0.05 mm) and silt at 2 µm.",
    "Weighs what sand does: some sand is still falling, but as much silt that started low is",
    "down already (in a loam whose clay does not clump), so that the line marks the sand.",
)
_NO_SOIL_NOTE = "Counted for very little soil; in a fuller jar grains slow each other."


def _clock_text(start: datetime, elapsed_s: float) -> str:
    """Weekday and time of day; seconds only while they matter."""
    then = start + timedelta(seconds=round(elapsed_s))
    return f"{then:%a %H:%M:%S}" if elapsed_s < _LEAST_GAP_S else f"{then:%a %H:%M}"


def _row(photo: PhotoTime) -> list[str]:
    return [
        "*" if photo.is_photo else "",
        duration_text(photo.elapsed_s),
        photo.why,
        _size_text(photo.all_down_um),
    ]


def _heading(schedule: Schedule, start: datetime | None, system: UnitSystem | None) -> str:
    is_us = system is UnitSystem.US
    height, soil_height = (
        f"{inches_text(mm)} in" if is_us else f"{mm:.0f} mm"
        for mm in (schedule.water_mm, schedule.soil_mm or 0.0)
    )
    warmth = f"{1.8 * schedule.temp_c + 32:.0f} °F" if is_us else f"{schedule.temp_c:.0f} °C"
    soil = "hardly any soil" if schedule.soil_mm is None else f"{soil_height} of soil"
    shaken = "" if start is None else f"; shaken {start:%Y-%m-%d %H:%M}"
    return f"Water line at {height}, {warmth}, {soil}{shaken}"


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


# -- calendar -------------------------------------------------------------------------------------

_LEAST_GAP_S = 10 * _MINUTE  # photos sooner than this after shaking share the first reminder
_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:jarvision:schedule")


def parse_start(text: str) -> datetime:
    """Read when shaking ends.

    Parameters
    ----------
    text : str
        Day and time such as ``2026-05-04 09:00``, in local time unless it names a zone.

    Raises
    ------
    ValueRefusedError
        It is not a date with a time of day.
    """
    try:
        return moment_of(text)
    except ValueError:
        msg = f'The start "{shown(text)}" is not a day and a time; {WRITE_IT}.'
        raise ValueRefusedError(msg) from None


def calendar_text(schedule: Schedule, *, start: datetime, made_at: datetime) -> str:
    """Write reminders for a phone's calendar (iCalendar, RFC 5545).

    Parameters
    ----------
    schedule : Schedule
        From `plan`.
    start : datetime
        When shaking ends. Without a zone it is the phone's own local time; with one it is written
        in UTC.
    made_at : datetime
        When the file is made; needs a zone.

    Returns
    -------
    str
        The calendar with CRLF line ends. The same schedule and start keep their UIDs, so that a
        second import replaces the first.

    Raises
    ------
    TimesError
        `made_at` names no zone.
    """
    from icalendar import Calendar

    if made_at.tzinfo is None:
        msg = "The time at which the calendar is made needs a time zone."
        raise TimesError(msg)
    if start.tzinfo is not None:
        start = start.astimezone(UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//jarvision//times//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    stamp = made_at.astimezone(UTC).replace(microsecond=0)
    for offset_s, summary, text in _reminders(schedule):
        begin = start + timedelta(seconds=offset_s)
        calendar.add_component(_event(begin, summary, text, stamp))
    return str(calendar.to_ical().decode("utf-8"))


def _reminders(schedule: Schedule) -> list[tuple[float, str, str]]:
    """List seconds after shaking, to the minute, with title and text of each reminder."""
    photos = [p for p in schedule.photos if p.is_photo]
    early = [p for p in photos if p.elapsed_s < _LEAST_GAP_S]
    times = ", ".join(duration_text(p.elapsed_s) for p in early)
    first = f"Shake, set the jar down, do not move it; photos after {times}."
    found = [(0.0, f"Soil jar: shake, then photos after {times}", first)]
    for photo in photos:
        if photo.elapsed_s >= _LEAST_GAP_S:
            when = duration_text(photo.elapsed_s)
            text = (
                f"{when} after shaking ({photo.why}). All grains over "
                f"{_size_text(photo.all_down_um)} are down. Do not move the jar."
            )
            found.append(
                (_MINUTE * round(photo.elapsed_s / _MINUTE), f"Soil jar: photo ({when})", text)
            )
    return found


def _event(begin: datetime, summary: str, text: str, stamp: datetime) -> Event:
    from icalendar import Alarm, Event

    event = Event()
    event.add("uid", f"{uuid.uuid5(_SPACE, f'{begin.isoformat()} {summary}')}@jarvision")
    event.add("dtstamp", stamp)
    event.add("dtstart", begin)
    event.add("duration", timedelta(minutes=5))
    event.add("summary", summary)
    event.add("description", text)
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", summary)
    alarm.add("trigger", timedelta(0))
    event.add_component(alarm)
    return event
