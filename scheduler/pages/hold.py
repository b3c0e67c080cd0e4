"""What the end of a hold means: not the date itself, but when water may run from then on."""

from __future__ import annotations

from datetime import date

from scheduler.model import Garden
from scheduler.planning.day_rules import water_from


def when_again(garden: Garden, until: date) -> str:
    """Such as "water may run from Mon 2015-07-13 04:00"."""
    begin = water_from(garden, until)
    return (
        f"water may run from {begin:%a %Y-%m-%d %H:%M}" if begin else "no watering day is in sight after it"
    )
