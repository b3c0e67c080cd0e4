"""The site's local days in instants, and hourly values gathered over them: days of 23, 24 or 25 hours."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from scheduler.errors import BadInput

HOUR = 3600
ENOUGH = 0.9  # the share of a day's hours that its extremes and means must rest on


def zone_of(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise BadInput(f'"{name}" is not a time zone - for example "America/New_York"') from None


def bounds(day: date, zone: ZoneInfo) -> tuple[int, int]:
    """First second of the local day and of the next one, seconds since 1970 UTC."""
    return _midnight(day, zone), _midnight(day + timedelta(days=1), zone)


def _midnight(day: date, zone: ZoneInfo) -> int:
    """Where midnight falls in a clock change: the change itself (gap), or the first of the two (repeat)."""
    return int(datetime.combine(day, time(), tzinfo=zone).timestamp())


def day_of(seconds: float, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(seconds, UTC).astimezone(zone).date()


class Hourly:
    """Values by label, an instant in seconds since 1970 UTC; only those that are known."""

    def __init__(self, known: Mapping[int, float]) -> None:
        self.labels = sorted(known)
        self.values = [known[label] for label in self.labels]

    def readings(self, start: int, end: int) -> list[float] | None:
        """Readings taken in [start, end); None where fewer than 90 % of the hours have one."""
        inside = self.values[bisect_left(self.labels, start) : bisect_left(self.labels, end)]
        return inside if inside and len(inside) >= ENOUGH * (end - start) / HOUR else None

    def between(self, start: int, end: int) -> list[tuple[float, int]]:
        """Values with their labels, in [start, end)."""
        low, high = bisect_left(self.labels, start), bisect_left(self.labels, end)
        return list(zip(self.values[low:high], self.labels[low:high], strict=True))

    def latest(self, now: float, otherwise: int) -> int:
        """The newest label that is not after `now`; `otherwise` where none lies between the two."""
        at = bisect_right(self.labels, now)
        return max(self.labels[at - 1], otherwise) if at else otherwise

    def total(self, start: int, end: int) -> float | None:
        """Sum over [start, end) of values that each hold the hour before their label.

        None where an hour lacks, or where the span is empty. In zones whose midnight is not on the hour, an
        hour is split in proportion.
        """
        covered, amount = 0, 0.0
        for at in range(bisect_right(self.labels, start), bisect_left(self.labels, end + HOUR)):
            label = self.labels[at]
            overlap = min(label, end) - max(label - HOUR, start)
            covered += overlap
            amount += self.values[at] * overlap / HOUR
        return amount if covered == end - start > 0 else None

    def highest(self, start: int, end: int) -> float | None:
        """Largest of the values that hold an hour of [start, end); None where fewer than 90 % are known."""
        inside = self.values[bisect_right(self.labels, start) : bisect_left(self.labels, end + HOUR)]
        return max(inside) if inside and len(inside) >= ENOUGH * (end - start) / HOUR else None
