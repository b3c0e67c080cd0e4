"""Days, plans' ages and times of the clock."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scheduler.shapes.base import FeedLine


def weekday(text: str) -> str:
    """ "Thu 9 Jul" of an ISO date."""
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day} {day:%b}"


def clock_time(moment: str) -> str:
    """ "04:00" of an ISO moment."""
    return f"{datetime.fromisoformat(moment):%H:%M}"


def age(made_for: date, today: date) -> str | None:
    """ "2 days old", "for a day to come"; None for today's."""
    days = (today - made_for).days
    if not days:
        return None
    return f"{days} day{'s' if days > 1 else ''} old" if days > 0 else "for a day to come"


def feed_words(feed: FeedLine) -> str:
    """Such as "feed 04:17 to 04:38, then clean water until 05:00"."""
    start, stop, until = (
        clock_time(feed["start"]),
        clock_time(feed["stop"]),
        clock_time(feed["flush_until"]),
    )
    return f"feed {start} to {stop}, then clean water until {until}"
