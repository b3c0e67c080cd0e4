"""Hours of the US National Weather Service gathered over the site's local days."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from scheduler.weather.localdays import ENOUGH, HOUR, Hourly, bounds, day_of
from scheduler.weather.nws.grid import NAME, Grid
from scheduler.weather.nws.station import Observed
from scheduler.weather.quantities import possible

WIND_HEIGHT_M = 10.0
FAR_APART_C = 5.0  # between an extreme of the hours and the one forecast for their window: one is wrong
FRESH_HOURS = 2  # rain since midnight is told up to the newest report, if that is not older
AHEAD_DAYS = 8

Days = dict[date, dict[str, float]]


def measured(seen: Observed, zone: ZoneInfo, *, today: date, now: datetime) -> Days:
    """Days before `today` that the reports cover, and of today the rain since midnight."""
    hourly = {name: Hourly(known) for name, known in seen.hours.items()}
    rain = Hourly(seen.rain)
    days: Days = {}
    labels = [at for known in (*seen.hours.values(), seen.rain) for at in known]
    if not labels:
        return days
    first = day_of(min(labels), zone)
    for day in _days(first, today - timedelta(days=1)):
        start, end = bounds(day, zone)
        fields = _readings(hourly, start, end)
        if "tmin_c" in fields:  # also what was read between the hours
            inside = [value for at, value in seen.temperatures if start <= at < end]
            fields["tmin_c"] = min(fields["tmin_c"], *inside)
            fields["tmax_c"] = max(fields["tmax_c"], *inside)
        amount = rain.total(start, end)
        if amount is not None:
            fields["rain_mm"] = amount
        _add(days, day, fields)
    start, _ = bounds(today, zone)
    newest = rain.latest(now.timestamp() + HOUR / 2, start)
    if now.timestamp() - newest <= FRESH_HOURS * HOUR:
        so_far = rain.total(start, newest)
        if so_far is not None:
            _add(days, today, {"rain_so_far_mm": so_far})
    return days


def forecast(
    grid: Grid, seen: Observed, zone: ZoneInfo, *, today: date, now: datetime, notices: list[str]
) -> Days:
    """Today (its hours that are over as measured, where they were) and the days ahead."""
    at_now = now.timestamp()
    readings = {
        name: Hourly(
            grid.hours.get(name, {})
            | {at: value for at, value in seen.hours.get(name, {}).items() if at <= at_now}
        )
        for name in ("temperature", "dewpoint", "relativeHumidity", "windSpeed")
    }
    sums = grid.hours.get("quantitativePrecipitation", {})
    rain = Hourly(sums | {at: value for at, value in seen.rain.items() if at <= at_now} if sums else {})
    chance = Hourly(grid.hours.get("probabilityOfPrecipitation", {}))
    days: Days = {}
    if not any(grid.hours.values()):
        return days
    for day in _days(today, today + timedelta(days=AHEAD_DAYS - 1)):
        start, end = bounds(day, zone)
        fields = _readings(readings, start, end)
        if "tmin_c" in fields:
            _windows(grid, readings["temperature"], day, start, end, fields, notices)
        amount = _rain(rain, day, start, end, at_now, notices)
        if amount is not None:
            fields["rain_mm"] = amount
        likely = _chance(chance, start, end, at_now)
        if likely is not None:
            fields["rain_chance_pct"] = likely
        _add(days, day, fields)
    return days


def _days(first: date, last: date) -> list[date]:
    return [first + timedelta(days=i) for i in range(min((last - first).days + 1, 400))]


def _add(days: Days, day: date, fields: dict[str, float]) -> None:
    kept = {name: value for name, value in fields.items() if possible(name, value)}
    if kept:
        days.setdefault(day, {}).update(kept)


def _readings(hourly: dict[str, Hourly], start: int, end: int) -> dict[str, float]:
    fields: dict[str, float] = {}
    temperature = hourly["temperature"].readings(start, end)
    if temperature:
        fields |= {"tmin_c": min(temperature), "tmax_c": max(temperature)}
    dew = hourly["dewpoint"].readings(start, end)
    if dew:
        fields["tdew_c"] = math.fsum(dew) / len(dew)
    humidity = hourly["relativeHumidity"].readings(start, end)
    if humidity:
        mean = math.fsum(humidity) / len(humidity)
        fields |= {"rh_mean_pct": mean, "rh_min_pct": min(humidity), "rh_max_pct": max(humidity)}
    wind = hourly["windSpeed"].readings(start, end)
    if wind:
        fields |= {"wind_m_s": math.fsum(wind) / len(wind), "wind_height_m": WIND_HEIGHT_M}
    return fields


def _windows(
    grid: Grid,
    temperature: Hourly,
    day: date,
    start: int,
    end: int,
    fields: dict[str, float],
    notices: list[str],
) -> None:
    """The service's own daytime maximum and overnight minimum, where the hours put them into this day.

    They lie a little outside the hourly values, as true extremes do. A window counts for the day in which
    its hottest (coldest) hour lies: a night's minimum for the day of its dawn, mostly.
    """
    for layer, name, pick in (("maxTemperature", "tmax_c", max), ("minTemperature", "tmin_c", min)):
        for begin, until, value in grid.windows.get(layer, ()):
            inside = temperature.between(begin, until)
            if len(inside) < ENOUGH * (until - begin) / HOUR:
                continue
            extreme, at = pick(inside)
            if not start <= at < end:
                continue
            if abs(value - extreme) > FAR_APART_C:
                notices.append(f"{NAME}: {layer} of {day} does not fit the hours: set aside")
            else:
                fields[name] = pick(fields[name], value)


def _rain(rain: Hourly, day: date, start: int, end: int, now: float, notices: list[str]) -> float | None:
    """The day's rain; of today at least what is still ahead, where the first hours are not known."""
    amount = rain.total(start, end)
    if amount is not None or not start < now < end:
        return amount
    known_from = next(
        (at for at in range(start, int(now) + HOUR, HOUR) if rain.total(at, end) is not None), None
    )
    if known_from is None:
        return None
    hours = (known_from - start) // HOUR
    notices.append(f"{NAME}: rain of the first {hours} h of {day} not known: counted from then on")
    return rain.total(known_from, end)


def _chance(chance: Hourly, start: int, end: int, now: float) -> float | None:
    """The highest of the day's hours, of today's of those still ahead."""
    inside = [value for value, at in chance.between(max(start, int(now // HOUR) * HOUR), end)]
    hours = (end - max(start, now)) / HOUR
    return max(inside) if inside and len(inside) >= ENOUGH * hours else None
