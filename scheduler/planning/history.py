"""Weather of past years beside the season's own: which of it goes on record, and by which year.

It never displaces what the garden's own sources said.  Before the first day on record a day is completed
where it lacks temperatures or rain; from then on only days of which nobody said anything are filled.  Its
source is named nowhere in garden.yaml, so that where both speak the season's word counts (`weather/days`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from scheduler.model import WEATHER_FIELDS, Fetched, Garden, WeatherDays, WeatherValue
from scheduler.weather import days as weather_days
from scheduler.weather.openmeteo.history import NAME as ARCHIVE
from scheduler.weather.openmeteo.service import CREDIT
from scheduler.weather.quantities import NEEDED

if TYPE_CHECKING:
    from scheduler.store.store import Store

__all__ = ["ARCHIVE", "CREDIT"]  # what the page says of the archive

FILE = "history file "
"""Before the name of a file, as a source."""


def is_history(source: str) -> bool:
    return source == ARCHIVE or source.startswith(FILE)


@dataclass(frozen=True, slots=True)
class Year:
    """The days of a calendar year that are asked for, both ends counted."""

    first: date
    last: date

    @property
    def days(self) -> list[date]:
        return [self.first + timedelta(days=i) for i in range((self.last - self.first).days + 1)]


def years_between(first: date, last: date) -> list[Year]:
    """Calendar years, the first and the last cut to the days given; the newest first.

    >>> [(str(year.first), str(year.last)) for year in years_between(date(2023, 11, 5), date(2024, 12, 31))]
    [('2024-01-01', '2024-12-31'), ('2023-11-05', '2023-12-31')]
    """
    return [
        Year(max(first, date(year, 1, 1)), min(last, date(year, 12, 31)))
        for year in range(last.year, first.year - 1, -1)
    ]


def past_years(today: date, count: int) -> list[Year]:
    """The `count` whole calendar years before today's."""
    return years_between(date(today.year - count, 1, 1), date(today.year - 1, 12, 31))


@dataclass(frozen=True, slots=True)
class Told:
    """Which fields of each day are on record."""

    by_history: dict[date, set[str]]
    by_others: dict[date, set[str]]  # gauges, stations, models: of what was
    by_any_other: set[date]  # forecasts too

    @classmethod
    def of(cls, values: Iterable[WeatherValue]) -> Told:
        told = cls(defaultdict(set), defaultdict(set), set())
        for value in values:
            if is_history(value.source):
                told.by_history[value.day].add(value.field)
                continue
            told.by_any_other.add(value.day)
            if value.kind != "forecast":
                told.by_others[value.day].add(value.field)
        return told

    def lacking(self, day: date) -> bool:
        """Whether temperatures or rain of that day are not on record."""
        return not self.by_others.get(day, set()) | self.by_history.get(day, set()) >= NEEDED


def missing(store: Store, year: Year) -> list[date]:
    """The days of a year that history may complete, and that lack something still."""
    told = Told.of(store.weather(year.first, year.last))
    return [day for day in year.days if _may_fill(told, day, store.first_day) and told.lacking(day)]


@dataclass(frozen=True, slots=True)
class Done:
    """A year that was asked for, and what came of it; values: new ones on record."""

    year: Year
    values: int = 0
    notices: tuple[str, ...] = ()


def fetch(
    store: Store,
    years: Iterable[Year],
    ask: Callable[[date, date], Fetched],
    *,
    pause: Callable[[], None],
) -> Iterator[Done]:
    """Asks for the days that each year lacks, a call a year, and puts them on record before the next.

    What was on record stays so whatever breaks off; asked again, whole years are passed over.
    pause: between two calls.  Raises what `ask` and the store raise.
    """
    asked = False
    for year in years:
        lacking = missing(store, year)
        if not lacking:
            yield Done(year)
            continue
        if asked:
            pause()
        asked = True
        found, wanted = ask(lacking[0], lacking[-1]), set(lacking)
        yield Done(year, add(store, [one for one in found.values if one.day in wanted]), found.notices)


def from_file(store: Store, days: WeatherDays, source: str, *, before: date, now: datetime) -> Iterator[Done]:
    """A file's days before `before` put on record, a year at a time."""
    values = list(values_of(days, source, before=before, now=now))
    last = min(days.last, before - timedelta(days=1))
    for year in years_between(days.first, last):
        mine = [value for value in values if year.first <= value.day <= year.last]
        yield Done(year, add(store, mine))


def add(store: Store, values: Sequence[WeatherValue]) -> int:
    """Puts on record what displaces nothing; how many values were new. One transaction."""
    if not values:
        return 0
    days = [value.day for value in values]
    told, begin = Told.of(store.weather(min(days), max(days))), store.first_day
    kept = [
        value
        for value in values
        if _may_fill(told, value.day, begin) and _own(value.field) not in told.by_others.get(value.day, ())
    ]
    return store.add_weather(kept)


def _may_fill(told: Told, day: date, begin: date | None) -> bool:
    """begin: the first day on record."""
    if begin is not None and day >= begin:
        return day not in told.by_any_other
    return not told.by_others.get(day, set()) >= NEEDED


def _own(field: str) -> str:
    """A wind's height goes with the wind."""
    return "wind_m_s" if field == "wind_height_m" else field


def on_record(garden: Garden, store: Store, year: Year) -> tuple[WeatherDays, int]:
    """A year's weather joined from what quality control lets stand, and how many values it does not."""
    from scheduler.core.quality.screen import screen

    values = store.weather(year.first, year.last)
    stands = screen(values, garden.location).values
    order = [source.name for source in garden.sources]
    return weather_days.join(stands, year.first, year.last, order), len(values) - len(stands)


def values_of(days: WeatherDays, source: str, *, before: date, now: datetime) -> Iterator[WeatherValue]:
    """Every value of a file's days before `before`, as history.

    A model's word in rank, though a station's record: it is to give way to the season's own sources.
    """
    columns = [
        (field, getattr(days, field).tolist()) for field in WEATHER_FIELDS if field != "rain_chance_pct"
    ]
    for i, day in enumerate(days.dates()):
        if day >= before:
            break
        for field, column in columns:
            if column[i] == column[i]:  # not nan
                yield WeatherValue(day, field, column[i], source, "model", now)
