"""Which source is believed for each value of each day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from scheduler.model import Garden, Note, RainReading, WeatherDays
from scheduler.planning.spans import LOOK_BACK_DAYS, RECENT_DAYS
from scheduler.store.usable import rain_of, why_unusable
from scheduler.weather import days as weather_days

if TYPE_CHECKING:
    from scheduler.core.quality.checks import Flag
    from scheduler.store.store import Store


@dataclass(frozen=True, slots=True)
class Believed:
    """Weather as the sources give it, after quality control and with the grower's gauge."""

    weather: WeatherDays
    rain_so_far_mm: float | None
    flags: tuple[Flag, ...]  # some are of days before: a slow fault shows over weeks


def with_history(
    garden: Garden,
    store: Store,
    notes: Iterable[Note],
    first: date,
    last: date,
    *,
    today: date,
    days_before: int = RECENT_DAYS + 1,
) -> Believed:
    """As `believed`, from some days before `first`, or years where their mean has to stand in for a day."""
    look_back = max(LOOK_BACK_DAYS + RECENT_DAYS + 1 - days_before, 0)
    found = believed(
        garden, store, notes, first - timedelta(days=days_before), last, today=today, look_back_days=look_back
    )
    span = store.weather_span()
    recent = days_before - RECENT_DAYS - 1
    if span and span[0] < found.weather.first and not _temperatures_complete(found.weather, recent):
        return believed(garden, store, notes, span[0], last, today=today)
    return found


def believed(
    garden: Garden,
    store: Store,
    notes: Iterable[Note],
    first: date,
    last: date,
    *,
    today: date,
    look_back_days: int = LOOK_BACK_DAYS,
) -> Believed:
    """The days first..last: what each source says and quality control lets stand, joined.

    look_back_days: that much earlier values serve quality control.
    """
    from scheduler.core.quality.screen import screen

    order = [source.name for source in garden.sources]
    readings = rain_readings(notes)
    screened = screen(store.weather(first - timedelta(days=look_back_days), last), garden.location)
    values = screened.values
    zone = ZoneInfo(garden.location.timezone)
    joined = values + weather_days.gauge_values(readings, values, zone, today=today, order=order)
    return Believed(
        weather_days.join(joined, first, last, order),
        weather_days.rain_so_far(joined, today, order),
        screened.flags,
    )


def on_record(garden: Garden, store: Store, today: date) -> WeatherDays | None:
    """All days before `today` that anything is known of; None where there is none."""
    span = store.weather_span()
    last = today - timedelta(days=1)
    if span is None or span[0] > last:
        return None
    return believed(garden, store, store.notes(), span[0], min(span[1], last), today=today).weather


def temperatures(garden: Garden, store: Store, first: date, last: date) -> WeatherDays:
    """The days first..last by their temperatures alone: of years of weather a small part, quickly read."""
    from scheduler.core.quality.screen import screen

    values = screen(store.weather(first, last, ("tmin_c", "tmax_c")), garden.location).values
    return weather_days.join(values, first, last, [source.name for source in garden.sources])


def rain_readings(notes: Iterable[Note]) -> list[RainReading]:
    """The readings of the grower's gauge in force, in the order of recording.

    One of the same moment corrects the earlier, and so does one since before it began: the gauge was not
    emptied in between.
    """
    return list(_in_force(enumerate(notes)).values())


def rain_in_force(notes: Iterable[tuple[int, Note]]) -> set[int]:
    """Which of the numbered notes are readings in force, as in `rain_readings`."""
    return set(_in_force(notes))


def _in_force(notes: Iterable[tuple[int, Note]]) -> dict[int, RainReading]:
    found: dict[int, RainReading] = {}
    for number, note in notes:
        if note.kind == "rain" and why_unusable(note) is None:
            new = rain_of(note.details)
            found = {k: old for k, old in found.items() if not _corrects(new, old)} | {number: new}
    return found


def _corrects(new: RainReading, old: RainReading) -> bool:
    return new.at == old.at or (new.since <= old.since and old.at <= new.at)


def by_days(garden: Garden, store: Store, reading: RainReading) -> dict[date, float]:
    """mm of one reading that each of its local days gets, those without any left out."""
    zone = ZoneInfo(garden.location.timezone)
    days = [moment.astimezone(zone).date() for moment in (reading.since, reading.at)]
    values = store.weather(days[0], days[1]) if days[0] < days[1] else []
    order = [source.name for source in garden.sources]
    return weather_days.shares(reading, values, zone, order=order)


def kind_of(came_from: str | None) -> str | None:
    """gauge, station, model or forecast, of a word of `WeatherDays.came_from`."""
    return came_from.rpartition("(")[2].rstrip(")") if came_from else None


def source_of(came_from: str | None) -> str | None:
    """The source's name, of a word of `WeatherDays.came_from`."""
    return came_from.rpartition(" (")[0] or came_from if came_from else None


def _temperatures_complete(weather: WeatherDays, begin: int) -> bool:
    """Of the days from index `begin` on."""
    return all(low <= high for low, high in zip(weather.tmin_c[begin:], weather.tmax_c[begin:], strict=True))
