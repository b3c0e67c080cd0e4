"""How times are read: a date, a time zone, days of watering, whole days."""

from __future__ import annotations

import re
from datetime import date
from typing import Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from scheduler import units
from scheduler.dates import WEEKDAYS as WEEKDAY_NAMES
from scheduler.garden.reads import scalar, whole_number
from scheduler.model import EARLIEST, LATEST, WEEKDAYS, Display, WateringDays
from scheduler.nearest import did_you_mean
from scheduler.units import shown


def calendar_date(typed: str) -> date:
    """A date as year-month-day; ValueError, with a reason where there is one.

    >>> calendar_date("2026-4-20")
    datetime.date(2026, 4, 20)
    """
    if not (found := re.fullmatch(r"([0-9]{4})-([0-9]{1,2})-([0-9]{1,2})", typed)):
        raise ValueError
    year, month, day = map(int, found.groups())
    if not EARLIEST.year <= year <= LATEST.year:
        raise ValueError("the year cannot be right")
    try:
        return date(year, month, day)
    except ValueError:
        raise ValueError("the calendar has no such day") from None


def time_zone(value: Any, _: Display) -> str:
    """The name of a time zone that is known here."""
    name = str(scalar(value, "a time zone", "America/New_York")).strip()
    try:
        return str(ZoneInfo(name))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        hint = did_you_mean(name, available_timezones(), 'for example "America/New_York"')
        raise ValueError(f"{shown(value)} is not a known time zone - {hint}") from None


def stage_days(value: Any, display: Display) -> tuple[int, ...]:
    """The days of the four stages of a crop.

    >>> stage_days(["20", "30", "20", "10"], "us")
    (20, 30, 20, 10)
    """
    if not isinstance(value, list) or len(value) != 4:
        raise ValueError("the days of the four stages are expected - for example [20, 30, 20, 10]")
    days = tuple(whole_number(0, 1000).read(item, display) for item in value)
    if not sum(days):
        raise ValueError("the four stages last no day at all")
    return days


def watering_days(value: Any, _: Display) -> WateringDays:
    """The days on which water may run: all, even, odd, or weekdays (Monday is 0).

    >>> sorted(watering_days(["mon", "Saturday"], "us").weekdays)
    [0, 5]
    """
    word = value.casefold() if isinstance(value, str) else None
    kinds: dict[str | None, Literal["all", "even", "odd"]] = {"all": "all", "even": "even", "odd": "odd"}
    if word in kinds:
        return WateringDays(kinds[word])
    if not (isinstance(value, str) or (isinstance(value, list) and value)):
        raise ValueError("all, even, odd or a list of weekdays is expected - for example [mon, wed, sat]")
    return WateringDays("weekdays", frozenset(_weekdays(value, ("all", "even", "odd"))))


def weekdays(value: Any, _: Display) -> tuple[int, ...]:
    """Weekdays in their order (Monday is 0).

    >>> weekdays(["thu", "Monday"], "us")
    (0, 3)
    """
    if not (isinstance(value, str) or (isinstance(value, list) and value)):
        raise ValueError("a list of weekdays is expected - for example [mon]")
    return tuple(sorted(set(_weekdays(value))))


def _weekdays(value: str | list[Any], or_else: tuple[str, ...] = ()) -> list[int]:
    return [_weekday(item, or_else) for item in ([value] if isinstance(value, str) else value)]


def _weekday(item: Any, or_else: tuple[str, ...]) -> int:
    name = str(item).strip().casefold()
    for i, full in enumerate(WEEKDAY_NAMES):
        if full.startswith(name) and len(name) > 2:
            return i
    hint = did_you_mean(name, (*WEEKDAYS, *WEEKDAY_NAMES, *or_else), "for example [mon, wed, sat]")
    noun = ", ".join(["weekday", *or_else[:-1]]) + (f" or {or_else[-1]}" if or_else else "")
    raise ValueError(f"{shown(item)} is not a {noun} - {hint}")


def whole_days(typed: str) -> int:
    """A number of days, 1 to 366, with or without its unit; ValueError for a part of a day.

    >>> whole_days("2"), whole_days("48 h")
    (2, 2)
    """
    minutes = units.read("duration", f"{typed} d" if typed.isdecimal() else typed, display="us")
    days, rest = divmod(minutes, 1440)
    if rest or not 1 <= days <= 366:
        raise ValueError
    return int(days)


MOST_DRY_DAYS = 60


def dry_days(typed: str) -> int:
    """Days without water before a harvest, 0 to 60, with or without their unit.

    >>> dry_days("0"), dry_days("2 weeks")
    (0, 14)
    """
    if typed.removesuffix("days").removesuffix("day").strip() == "0":
        return 0
    weeks = re.fullmatch(r"([0-9]+) *weeks?", typed)
    days = 7 * int(weeks[1]) if weeks else whole_days(typed)
    if days > MOST_DRY_DAYS:
        raise ValueError(f"0 to {MOST_DRY_DAYS} are possible")
    return days


def month_and_day(typed: str) -> tuple[int, int]:
    """A day of every year, month first.

    >>> month_and_day("05-15")
    (5, 15)
    """
    if not (found := re.fullmatch(r"([0-9]{1,2})-([0-9]{1,2})", typed)):
        raise ValueError
    month, day = int(found[1]), int(found[2])
    try:
        date(2023, month, day)
    except ValueError:
        raise ValueError("not every year has such a day") from None
    return month, day
