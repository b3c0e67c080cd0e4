"""A file that somebody else keeps up to date, as a live weather source."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from pathlib import Path

from scheduler.errors import BadInput
from scheduler.model import WEATHER_FIELDS, Fetched, Location, SourceSpec, WeatherDays, WeatherValue
from scheduler.weather.files import daily as daily_file
from scheduler.weather.files import station as station_file
from scheduler.weather.localdays import zone_of


def fetch(spec: SourceSpec, location: Location, folder: str | Path, today: date, now: datetime) -> Fetched:
    """What the file says: days before `today` as "station", `today` and later as "forecast".

    A relative path starts at `folder`, the garden's. With `columns` any station's CSV is read, also rows
    within the day (which never count as a forecast), and today's row is a day that is not over; without, it
    is a daily weather file. Raises BadInput.
    """
    where = spec.settings.get("path")
    if not isinstance(where, str) or not where.strip():
        raise BadInput(f'{spec.name}: needs a path - for example {{path: "station.csv"}}')
    path = Path(folder, Path(where).expanduser())
    if spec.settings.get("columns") is not None:
        found = station_file.read(
            path, spec.settings, name=path.name, zone=zone_of(location.timezone), now=now
        )
        found = _day_not_over(found, today, path.name)
    else:
        days = daily_file.read(path, name=path.name)
        found = station_file.StationDays(_known(days), None, days.notices)
    values = [
        WeatherValue(day, field, value, spec.name, "station" if day < today else "forecast", now)
        for day, fields in found.days.items()
        for field, value in fields.items()
    ]
    if found.rain_so_far is not None and found.rain_so_far[0] == today:
        values.append(WeatherValue(today, "rain_so_far_mm", found.rain_so_far[1], spec.name, "station", now))
    notices = list(found.notices)
    newest = max((value.day for value in values), default=None)
    if newest is None:
        notices.append(f"{path.name}: has no usable value")
    elif newest < today - timedelta(days=1):
        notices.append(f"{path.name}: nothing newer than {newest}")
    return Fetched(tuple(values), tuple(notices))


def _day_not_over(found: station_file.StationDays, today: date, label: str) -> station_file.StationDays:
    """A station's own row of today is a part of it: its rain is the rain so far, its extremes are none yet.

    Rows of later days, or a chance of rain, show a file that looks ahead: there today's row is a forecast.
    """
    fields = found.days.get(today)
    if fields is None or max(found.days) > today or "rain_chance_pct" in fields:
        return found
    so_far = found.rain_so_far
    if so_far is None and "rain_mm" in fields:
        so_far = today, fields["rain_mm"]
    return station_file.StationDays(
        {day: values for day, values in found.days.items() if day != today},
        so_far,
        (*found.notices, f"{label}: the row of today is not a whole day yet: only its rain is used"),
    )


def _known(days: WeatherDays) -> dict[date, dict[str, float]]:
    columns = {field: getattr(days, field).tolist() for field in WEATHER_FIELDS}
    return {
        day: {field: column[i] for field, column in columns.items() if not math.isnan(column[i])}
        for i, day in enumerate(days.dates())
    }
