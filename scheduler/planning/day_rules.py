"""What garden.yaml allows on one date: the supply's rules with what replaces them in that month."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from scheduler.core.hours.rules import DayRule, Restrictions, day_rules, watering_date
from scheduler.model import Garden, Supply

HOUR_OF_CLOCK_CHANGES = (time(1, 0), time(3, 0))
LOOK_AHEAD_DAYS = 62
"""How far a next watering day is looked for: a month may have none."""


def restrictions_of(supply: Supply) -> Restrictions:
    return Restrictions(supply.by_month, supply.monthly_cap_l, supply.not_together)


def rules_from(supply: Supply, first: date, count: int = 1) -> tuple[DayRule, ...]:
    """The rules of `count` dates from `first` on."""
    return day_rules(first, count, supply, restrictions_of(supply))


def water_from(garden: Garden, day: date) -> datetime | None:
    """Begin of the first watering hours from a date on; None where no day in sight is a watering day."""
    rules = rules_from(garden.supply, day, LOOK_AHEAD_DAYS)
    return next((rule.windows(garden.location.timezone)[0][0] for rule in rules if rule.allowed), None)


def supply_on(supply: Supply, day: date, used_l: Mapping[date, float]) -> Supply:
    """The supply as it is on one date, what is left of the month's water being the most of that day.

    used_l: litres by date, of this month so far and of today.
    """
    rule = rules_from(supply, day)[0]
    caps = [] if rule.daily_cap_l is None else [rule.daily_cap_l]
    if rule.monthly_cap_l is not None:
        month = (day.year, day.month)
        before = sum(liters for d, liters in used_l.items() if (d.year, d.month) == month and d != day)
        caps.append(max(rule.monthly_cap_l - before, 0.0))
    return replace(supply, hours=rule.hours, daily_cap_l=min(caps, default=None))


def planning_time(garden: Garden) -> time:
    """When the daily job runs: `plan_at`, else an hour before the watering hours, clear of clock changes."""
    if garden.plan_at is not None:
        return garden.plan_at
    begin = datetime.combine(date(2000, 1, 2), garden.supply.hours[0].begin)
    at = (begin - timedelta(hours=1)).time() if begin.hour else time(0, 0)
    low, high = HOUR_OF_CLOCK_CHANGES
    return time(0, 50) if low <= at < high else at


def watering_day(garden: Garden, now: datetime) -> date:
    """The date whose plan holds now: after midnight the day before, until its watering hours end."""
    local = now.astimezone(ZoneInfo(garden.location.timezone))
    return watering_date(local, garden.supply, restrictions_of(garden.supply))


def today_and_now(garden: Garden, day: date | None, now: datetime) -> tuple[date, datetime]:
    """The watering day and the site's time; a `day` that is asked for counts as today, at its planning time.

    now: the site's.
    """
    today = watering_day(garden, now)
    if day in (None, today):
        return today, now
    if day == now.date():
        return day, now
    assert day is not None
    return day, datetime.combine(day, planning_time(garden), ZoneInfo(garden.location.timezone))
