"""The only place that asks what time it is; everything else is handed `now`."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from scheduler.model import Garden

HOUR_OF_CLOCK_CHANGES = (time(1, 0), time(3, 0))


def site_now(timezone: str) -> datetime:
    return datetime.now(ZoneInfo(timezone))


def planning_time(garden: Garden) -> time:
    """When the daily job runs: `plan_at`, else an hour before the watering hours, clear of clock changes."""
    if garden.plan_at is not None:
        return garden.plan_at
    begin = datetime.combine(date(2000, 1, 2), garden.supply.hours_from)
    at = (begin - timedelta(hours=1)).time() if begin.hour else time(0, 0)
    low, high = HOUR_OF_CLOCK_CHANGES
    return time(0, 50) if low <= at < high else at


def today_and_now(garden: Garden, day: date | None) -> tuple[date, datetime]:
    """The site's date and time; a `day` that is asked for counts as today, at its planning time."""
    now = site_now(garden.location.timezone)
    if day is None or day == now.date():
        return now.date(), now
    return day, datetime.combine(day, planning_time(garden), ZoneInfo(garden.location.timezone))
