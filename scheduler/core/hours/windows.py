"""The watering hours of a date as moments, and as one axis of minutes with its closed stretches."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from scheduler.model import Hours, Windows


class Stretch(NamedTuple):
    """A day's hours in true minutes after their first begin."""

    length: float  # from the first begin to the last end
    closed: tuple[tuple[float, float], ...] = ()  # (start, stop) in between, where no water may run

    @property
    def open_minutes(self) -> float:
        """Minutes in which water may run.

        >>> Stretch(600.0, closed=((120.0, 480.0),)).open_minutes
        240.0
        """
        return self.length - sum(stop - start for start, stop in self.closed)


def over_midnight(hours: Sequence[Hours]) -> bool:
    """Whether the last of a day's windows ends on the next date.

    >>> over_midnight([Hours(time(4), time(8)), Hours(time(22), time(0))])
    True
    """
    return bool(hours) and hours[-1].until <= hours[-1].begin


def watering_windows(day: date, hours: Sequence[Hours], timezone: str) -> Windows:
    """The windows that begin on a local date, in its own UTC offsets (a clock change may move their length).

    >>> windows = watering_windows(date(2026, 3, 7), [Hours(time(22), time(4))], "America/New_York")
    >>> [at.isoformat() for at in windows[0]], minutes_between(*windows[0])  # the night of 23 hours
    (['2026-03-07T22:00:00-05:00', '2026-03-08T04:00:00-04:00'], 300.0)
    """
    return tuple(
        (_moment(day, begin, timezone), _ending(day, begin, until, timezone)) for begin, until in hours
    )


def _ending(day: date, begin: time, until: time, timezone: str) -> datetime:
    return _moment(day if begin < until else day + timedelta(days=1), until, timezone)


def _moment(day: date, at: time, timezone: str) -> datetime:
    zone = ZoneInfo(timezone)
    return datetime.combine(day, at, zone).astimezone(ZoneInfo("UTC")).astimezone(zone)


def stretch(windows: Windows) -> Stretch:
    """The windows of one day on one axis of minutes.

    >>> hours = [Hours(time(4), time(6)), Hours(time(20), time(23))]
    >>> stretch(watering_windows(date(2026, 7, 1), hours, "UTC"))
    Stretch(length=1140.0, closed=((120.0, 960.0),))
    """
    begin = windows[0][0]
    edges = [(minutes_between(begin, start), minutes_between(begin, stop)) for start, stop in windows]
    closed = tuple((before[1], after[0]) for before, after in zip(edges, edges[1:], strict=False))
    return Stretch(edges[-1][1], closed)


def minutes_between(begin: datetime, until: datetime) -> float:
    """True minutes between two aware times (Python's own subtraction ignores a clock change in one zone).

    >>> begin, until = (datetime(2026, 3, 8, hour, tzinfo=ZoneInfo("America/New_York")) for hour in (1, 4))
    >>> minutes_between(begin, until), until - begin
    (120.0, datetime.timedelta(seconds=10800))
    """
    return (until.timestamp() - begin.timestamp()) / 60
