"""Days that nobody has told yet, fetched from Open-Meteo's archive: after weeks offline, or long ago."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.errors import CouldNot
from scheduler.model import Fetched, Location, WeatherValue
from scheduler.weather.http import TOTAL_SECONDS, Get
from scheduler.weather.openmeteo import service as openmeteo
from scheduler.weather.quantities import NEEDED

APART_DAYS = 14  # holes closer than this are asked for together
MOST_CALLS = 4


def missing_days(values: Iterable[WeatherValue], first: date, today: date) -> list[date]:
    """The days first..yesterday of which no source has told what it was; forecasts of them do not count."""
    known: defaultdict[date, set[str]] = defaultdict(set)
    for value in values:
        if value.kind != "forecast":
            known[value.day].add(value.field)
    past = [first + timedelta(days=i) for i in range(max((today - first).days, 0))]
    return [day for day in past if not known[day] >= NEEDED]


def fill(
    answer: Fetched,
    missing: Sequence[date],
    *,
    location: Location,
    today: date,
    now: datetime,
    get: Get,
    url: str,
    source: str,
    monotonic: Callable[[], float] = time.monotonic,
) -> Fetched:
    """`answer` and the archive's values of the `missing` days. What the archive cannot give is a notice.

    All calls together end within the time of one.
    """
    deadline = monotonic() + TOTAL_SECONDS
    values, notices = list(answer.values), list(answer.notices)
    found: set[date] = set()
    for first, last in _calls(missing):
        try:
            left = deadline - monotonic()
            if left <= 0:
                raise CouldNot("took too long: the rest comes another day")
            text = openmeteo.fetch_archive(
                location, first, last, session_get=get, url=url, total_seconds=left
            )
            more = openmeteo.parse(
                text, location=location, today=today, now=now, span_from=first, source=source,
                today_expected=False,
            )  # fmt: skip
        except CouldNot as problem:
            notices.append(f"{source}: archive: {problem.text}")
            break
        mine = [v for v in more.values if v.day in missing and v.kind == "model" and v.day <= last]
        values += mine
        notices += more.notices
        found |= {value.day for value in mine}
    notices += _summed_up(source, found, sorted(set(missing) - found))
    return replace(answer, values=tuple(values), notices=tuple(notices))


def _summed_up(source: str, found: set[date], still: Sequence[date]) -> Iterator[str]:
    if found:
        many = f"{len(found)} earlier days" if len(found) > 1 else f"{min(found)}"
        yield f"{source}: {many} from its archive"
    if still:
        yield f"{source}: nothing for {len(still)} earlier day{'s' * (len(still) > 1)}{_listed(still)}"


def _calls(missing: Sequence[date]) -> list[tuple[date, date]]:
    """First and last day of each call, the newest first."""
    calls: list[tuple[date, date]] = []
    for day in sorted(missing):
        if calls and (day - calls[-1][1]).days <= APART_DAYS:
            calls[-1] = calls[-1][0], day
        else:
            calls.append((day, day))
    return calls[::-1][:MOST_CALLS]


def _listed(days: Sequence[date]) -> str:
    return f": {days[0]}" if len(days) == 1 else f" between {days[0]} and {days[-1]}"
