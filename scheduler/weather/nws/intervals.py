"""ISO 8601 time intervals, and values that hold over them taken apart into whole UTC hours."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from scheduler.weather.localdays import HOUR

LONGEST = timedelta(days=31)
MOST_HOURS = 24 * 60
_DURATION = re.compile(
    r"P(?=\d|T\d)(?:(\d{1,3})W)?(?:(\d{1,3})D)?(?:T(?=\d)(?:(\d{1,4})H)?(?:(\d{1,5})M)?(?:(\d{1,6})S)?)?"
)


def seconds_of(text: str, now: datetime) -> tuple[int, int] | None:
    """First second and the one after the last, since 1970 UTC; None for what is no interval.

    Forms: start/duration, start/end, duration/end; NOW may stand for either moment. Moments need their
    offset; durations have weeks, days, hours, minutes and seconds (months differ in length: refused).
    """
    first, slash, second = text.partition("/")
    if not slash:
        return None
    begin, end = _moment(first, now), _moment(second, now)
    if begin is None and end is not None and (length := _duration(first)):
        begin = end - length
    elif end is None and begin is not None and (length := _duration(second)):
        end = begin + length
    if begin is None or end is None or not timedelta() < end - begin <= LONGEST:
        return None
    return int(begin.timestamp()), int(end.timestamp())


def _moment(text: str, now: datetime) -> datetime | None:
    if text == "NOW":
        return now
    if not re.fullmatch(r"(19|20|21)\d\d-\d\d-\d\dT\d\d:\d\d.*", text, re.ASCII):
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.utcoffset() is not None else None


def _duration(text: str) -> timedelta | None:
    match = _DURATION.fullmatch(text)
    if match is None:
        return None
    weeks, days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)


@dataclass(slots=True)
class Hours:
    """Values by hour, and how many hours were said twice, differently: those are not known at all."""

    known: dict[int, float] = field(default_factory=dict)
    twice: int = 0


Piece = tuple[int, int, float]
"""First second, the one after the last, value."""


def held(pieces: Iterable[Piece]) -> Hours:
    """A value that holds for each hour of its interval, by the instant at which the hour begins."""
    result = Hours()
    spoilt: set[int] = set()
    for begin, end, value in pieces:
        for at in range(-(-begin // HOUR) * HOUR, end, HOUR):
            if result.known.setdefault(at, value) != value:
                spoilt.add(at)
    return _without(result, spoilt)


def shared_out(pieces: Iterable[Piece]) -> Hours:
    """A sum of its interval, split evenly, by the instant at which each hour ends; whole hours only."""
    result = Hours()
    covered: dict[int, int] = {}
    for begin, end, value in sorted(set(pieces)):  # the same block sent twice is one block
        for start in range(begin // HOUR * HOUR, end, HOUR):
            inside = min(end, start + HOUR) - max(begin, start)
            label = start + HOUR
            covered[label] = covered.get(label, 0) + inside
            result.known[label] = result.known.get(label, 0.0) + value * inside / (end - begin)
    for label, seconds in covered.items():
        if seconds < HOUR:
            del result.known[label]
    return _without(result, {label for label, seconds in covered.items() if seconds > HOUR})


def _without(hours: Hours, spoilt: set[int]) -> Hours:
    for at in spoilt:
        del hours.known[at]
    hours.twice = len(spoilt)
    return hours
