"""Open-Meteo: hourly values in UTC, gathered over the site's own local days.

Hourly, because the service cuts its days with one fixed offset (wrong around a clock change) and sums
labels 00:00 to 23:00 although each label holds the hour before it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from scheduler.errors import CouldNot
from scheduler.json_reading import read_json
from scheduler.model import Fetched, Location, ValueKind, WeatherValue
from scheduler.weather.answers import day_and_hour, day_name, finite, json_object, short, unusable
from scheduler.weather.http import TOTAL_SECONDS, Get, Reply
from scheduler.weather.localdays import HOUR, Hourly, bounds, day_of, zone_of
from scheduler.weather.quantities import DEPTH, ENERGY, SHARE, SPEED, TEMPERATURE, Unit, possible

URL = "https://api.open-meteo.com/v1/forecast"
ARCHIVE_URL = "https://archive-api.open-meteo.com/v1/archive"
CREDIT = "Weather data by Open-Meteo.com (CC BY 4.0)"
NAME = "open-meteo"
MOST_PAST_DAYS = 92
FORECAST_DAYS = 8
MOST_AHEAD_DAYS = 17  # the service looks no further; a later date is an error of the answer
WIND_HEIGHT_M = 10.0
NEAR_DEG = 0.5  # the centre of a grid cell is some km away, never more than this


@dataclass(frozen=True, slots=True)
class _Variable:
    names: tuple[str, ...]  # today's spelling first; older answers leave the inner underscores out
    units: Mapping[str, Unit]
    least: float
    most: float


_TEMPERATURE = {"°C": TEMPERATURE["c"], "°F": TEMPERATURE["f"]}
_PERCENT = {"%": SHARE["pct"]}
_SPEED = {
    "m/s": SPEED["m_s"], "km/h": SPEED["km_h"], "mp/h": SPEED["mph"], "mph": SPEED["mph"],
    "kn": SPEED["knots"],
}  # fmt: skip
_DEPTH = {"mm": DEPTH["mm"], "inch": DEPTH["in"]}

_HOURLY: Mapping[str, _Variable] = {
    "temperature": _Variable(("temperature_2m",), _TEMPERATURE, -90, 60),
    "humidity": _Variable(("relative_humidity_2m", "relativehumidity_2m"), _PERCENT, 0, 110),
    "dew point": _Variable(("dew_point_2m", "dewpoint_2m"), _TEMPERATURE, -90, 60),
    "wind": _Variable(("wind_speed_10m", "windspeed_10m"), _SPEED, 0, 110),
    "solar radiation": _Variable(("shortwave_radiation",), {"W/m²": Unit(HOUR * 1e-6)}, -0.05, 6),
    "rain": _Variable(("precipitation",), _DEPTH, 0, 500),
    "chance of rain": _Variable(("precipitation_probability",), _PERCENT, 0, 100),
}
"""Limits are those of one hour, in SI (radiation in MJ/m2)."""

_DAILY: Mapping[str, _Variable] = {
    "tmin_c": _Variable(("temperature_2m_min",), _TEMPERATURE, -90, 60),
    "tmax_c": _Variable(("temperature_2m_max",), _TEMPERATURE, -90, 60),
    "tdew_c": _Variable(("dew_point_2m_mean", "dewpoint_2m_mean"), _TEMPERATURE, -90, 60),
    "rh_mean_pct": _Variable(("relative_humidity_2m_mean", "relativehumidity_2m_mean"), _PERCENT, 0, 110),
    "rh_min_pct": _Variable(("relative_humidity_2m_min", "relativehumidity_2m_min"), _PERCENT, 0, 110),
    "rh_max_pct": _Variable(("relative_humidity_2m_max", "relativehumidity_2m_max"), _PERCENT, 0, 110),
    "wind_m_s": _Variable(("wind_speed_10m_mean", "windspeed_10m_mean"), _SPEED, 0, 110),
    "solar_mj_m2": _Variable(("shortwave_radiation_sum",), {"MJ/m²": ENERGY["mj_m2"]}, -0.5, 50),
    "rain_mm": _Variable(("precipitation_sum",), _DEPTH, 0, 2000),
    "rain_chance_pct": _Variable(("precipitation_probability_max",), _PERCENT, 0, 100),
}


class NoValues(CouldNot):
    """The service answered, and knows nothing of these days."""


# --- asking --------------------------------------------------------------------------------------


def fetch(location: Location, span_from: date, *, now: datetime, session_get: Get, url: str = URL) -> str:
    """The service's answer as text, from `span_from` (92 days back at most) to a week ahead.

    session_get: (url, params) -> Reply. Raises CouldNot, also for answers that carry an error status.
    """
    start, _ = bounds(span_from, zone_of(location.timezone))
    back = (now.astimezone(UTC).date() - datetime.fromtimestamp(start, UTC).date()).days
    params = _common(location, (variable.names[0] for variable in _HOURLY.values())) | {
        "past_days": str(min(max(back, 0), MOST_PAST_DAYS)),
        "forecast_days": str(FORECAST_DAYS),
    }
    reply = session_get(url, params)
    if reply.status != 200:
        raise _refused(reply)
    return reply.text


def fetch_archive(
    location: Location,
    first: date,
    last: date,
    *,
    session_get: Get,
    url: str = ARCHIVE_URL,
    total_seconds: float = TOTAL_SECONDS,
) -> str:
    """The archive's answer for the local days `first`..`last`, as text; it has no chance of rain."""
    zone = zone_of(location.timezone)
    edges = (bounds(first, zone)[0], bounds(last, zone)[1])
    begin, end = (datetime.fromtimestamp(at, UTC).date().isoformat() for at in edges)
    wanted = [variable.names[0] for label, variable in _HOURLY.items() if label != "chance of rain"]
    params = _common(location, wanted) | {"start_date": begin, "end_date": end}
    reply = session_get(url, params, total_seconds=total_seconds)
    if reply.status != 200:
        raise _refused(reply)
    return reply.text


def _common(location: Location, hourly: Iterable[str]) -> dict[str, str]:
    return {
        "latitude": f"{location.latitude_deg:.5f}",
        "longitude": f"{location.longitude_deg:.5f}",
        "elevation": f"{location.elevation_m:.0f}",
        "hourly": ",".join(hourly),
        "temperature_unit": "celsius",
        "wind_speed_unit": "ms",
        "precipitation_unit": "mm",
        "timeformat": "iso8601",
        "timezone": "GMT",
    }


def _refused(reply: Reply) -> CouldNot:
    try:
        reason = read_json(reply.text).get("reason")
    except (ValueError, AttributeError):
        reason = None
    told = f": {short(reason)}" if isinstance(reason, str) and reason.strip() else ""
    if reply.status == 429:
        return CouldNot(
            f"the weather service has had too many calls from this address{told}",
            hint="the daily job tries again; others behind the same address count too",
        )
    if reply.status >= 500:
        return CouldNot(f"the weather service is out of order (status {reply.status}){told}")
    return CouldNot(f"the weather service refused the question (status {reply.status}){told}")


# --- reading -------------------------------------------------------------------------------------


def parse(
    text: str,
    *,
    location: Location,
    today: date,
    now: datetime,
    span_from: date | None = None,
    source: str = NAME,
    today_expected: bool = True,
) -> Fetched:
    """Daily values out of an answer; hourly ones are preferred, daily ones read where there are no hourly.

    Days before `today` are "model" values, the others "forecast"; today also gets `rain_so_far_mm`.
    Days before `span_from` are left out. today_expected: an answer that ends earlier gets a remark.
    Raises CouldNot for anything that is not weather of this place.
    """
    answer = _answer(text)
    _check_place(answer, location)
    notices: list[str] = []
    hourly = answer.get("hourly")
    if isinstance(hourly, dict) and hourly.get("time"):
        days = _from_hours(answer, hourly, location, now, notices)
    elif isinstance(answer.get("daily"), dict):
        days = _from_days(answer, answer["daily"], location, notices)
    else:
        raise CouldNot("the weather service answered without any weather")
    values = tuple(
        WeatherValue(day, field, value, source, _kind(day, field, today), now)
        for day, fields in sorted(days.items())
        for field, value in fields.items()
        if (span_from or date.min) <= day <= today + timedelta(days=MOST_AHEAD_DAYS)
        and (field != "rain_so_far_mm" or day == today)
    )
    if not values:
        raise NoValues("the weather service answered, but without one usable value for these days")
    last = max(value.day for value in values)
    if today_expected and last < today:
        notices.append(f"{source}: the answer ends with {last}: nothing for today")
    return Fetched(values, tuple(notices), CREDIT)


def _kind(day: date, field: str, today: date) -> ValueKind:
    return "model" if day < today or field == "rain_so_far_mm" else "forecast"


def _answer(text: str) -> dict[str, Any]:
    answer = json_object(text)
    if answer.get("error"):
        raise CouldNot(f"the weather service answered with an error: {short(str(answer.get('reason', '')))}")
    return answer


def _check_place(answer: Mapping[str, Any], location: Location) -> None:
    latitude, longitude = finite(answer.get("latitude")), finite(answer.get("longitude"))
    if latitude is None or longitude is None:
        raise CouldNot("the weather service does not say for which place it answers")

    def near(lat: float, lon: float) -> bool:
        apart = abs((lon - location.longitude_deg + 180) % 360 - 180)
        return abs(lat - location.latitude_deg) <= NEAR_DEG and apart <= NEAR_DEG

    if near(latitude, longitude):
        return
    slip = any(near(latitude * north, longitude * east) for north, east in ((-1, 1), (1, -1), (-1, -1)))
    raise CouldNot(
        f"the weather service answered for another place ({latitude:g}, {longitude:g})"
        + (": a sign of latitude or longitude is wrong" if slip else ""),
        hint="west and south are negative; compare location in garden.yaml" if slip else None,
    )


def _offset(answer: Mapping[str, Any]) -> int:
    offset = finite(answer.get("utc_offset_seconds", 0))
    if offset is None or abs(offset) > 15 * HOUR or offset % 60:
        raise CouldNot("the weather service answered with an unusable time offset")
    return int(offset)


def _series(
    block: Mapping[str, Any],
    units: object,
    variable: _Variable,
    label: str,
    notices: list[str],
    when: Callable[[int], str],
) -> list[float | None] | None:
    """One variable in SI, None where unknown; None altogether where it is absent or its unit is not known.

    when: the day, or day and hour, of a place in the list.
    """
    name = next((name for name in variable.names if isinstance(block.get(name), list)), None)
    if name is None:
        return None
    raw = block[name]
    if len(raw) != len(block["time"]):
        raise CouldNot(f"the lists in the weather service's answer differ in length ({name})")
    unit_text = units.get(name) if isinstance(units, dict) else None
    unit = variable.units.get(unit_text) if isinstance(unit_text, str) else None
    if unit is None:
        notices.append(f"{NAME}: {label} left out: its unit is {short(repr(unit_text))}, not one known here")
        return None
    values: list[float | None] = []
    refused: list[str] = []
    for place, item in enumerate(raw):
        number = finite(item)
        number = unit.si(number) if number is not None else None
        if number is not None and not variable.least <= number <= variable.most:
            number = None
        if number is None and item is not None:
            refused.append(when(place))
        values.append(number)
    if refused:
        notices.append(unusable(f"{NAME}: {label}", refused))
    return values


# --- hourly answers ------------------------------------------------------------------------------


def _from_hours(
    answer: Mapping[str, Any], block: dict[str, Any], location: Location, now: datetime, notices: list[str]
) -> dict[date, dict[str, float]]:
    units = answer.get("hourly_units")
    labels = _hour_labels(block["time"], units, _offset(answer))
    known: dict[str, Hourly] = {}
    zone = zone_of(location.timezone)

    def when(place: int) -> str:
        return day_and_hour(datetime.fromtimestamp(labels[place], zone))

    for label, variable in _HOURLY.items():
        values = _series(block, units, variable, label, notices, when)
        known[label] = Hourly({at: v for at, v in zip(labels, values or (), strict=False) if v is not None})
    day, last = day_of(min(labels), zone), day_of(max(labels), zone)
    days: dict[date, dict[str, float]] = {}
    while day <= last:
        start, end = bounds(day, zone)
        fields = {f: v for f, v in _one_day(known, start, end).items() if possible(f, v)}
        if start < now.timestamp() < end:
            so_far = known["rain"].total(start, known["rain"].latest(now.timestamp(), start))
            if so_far is not None:
                fields["rain_so_far_mm"] = so_far
        if fields:
            days[day] = fields
        day += timedelta(days=1)
    return days


def _hour_labels(times: object, units: object, offset: int) -> list[int]:
    """Labels as seconds since 1970 UTC; text labels are in the answer's one fixed offset."""
    if not isinstance(times, list):
        raise CouldNot("the weather service's list of hours is not a list")
    unix = isinstance(units, dict) and units.get("time") == "unixtime"
    labels: list[int] = []
    for item in times:
        label = _unix_seconds(item) if unix else _text_seconds(item, offset)
        if label is None:
            raise CouldNot(f"the weather service's answer holds an unusable time: {short(repr(item))[:40]}")
        labels.append(label)
    if len(set(labels)) != len(labels):
        raise CouldNot("the weather service's answer holds a time twice")
    if max(labels) - min(labels) > 400 * 24 * HOUR:
        raise CouldNot("the weather service's answer spans more than a year")
    return labels


def _unix_seconds(item: object) -> int | None:
    seconds = finite(item)
    return int(seconds) if seconds is not None and 0 < seconds < 7e9 else None


def _text_seconds(item: object, offset: int) -> int | None:
    if not isinstance(item, str) or not re.fullmatch(r"(19|20|21)\d\d-\d\d-\d\dT\d\d:\d\d", item, re.ASCII):
        return None
    try:
        return int(datetime.fromisoformat(item).replace(tzinfo=UTC).timestamp()) - offset
    except ValueError:
        return None


def _one_day(known: Mapping[str, Hourly], start: int, end: int) -> dict[str, float]:
    fields: dict[str, float] = {}
    temperature = known["temperature"].readings(start, end)
    if temperature:
        fields |= {"tmin_c": min(temperature), "tmax_c": max(temperature)}
    dew = known["dew point"].readings(start, end)
    if dew:
        fields["tdew_c"] = _mean(dew)
    humidity = known["humidity"].readings(start, end)
    if humidity:
        fields |= {
            "rh_mean_pct": _mean(humidity), "rh_min_pct": min(humidity), "rh_max_pct": max(humidity)
        }  # fmt: skip
    wind = known["wind"].readings(start, end)
    if wind:
        fields |= {"wind_m_s": _mean(wind), "wind_height_m": WIND_HEIGHT_M}
    for field, amount in (
        ("solar_mj_m2", known["solar radiation"].total(start, end)),
        ("rain_mm", known["rain"].total(start, end)),
        ("rain_chance_pct", known["chance of rain"].highest(start, end)),
    ):
        if amount is not None:
            fields[field] = amount
    return fields


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values)


# --- daily answers -------------------------------------------------------------------------------


def _from_days(
    answer: Mapping[str, Any], block: dict[str, Any], location: Location, notices: list[str]
) -> dict[date, dict[str, float]]:
    """Days as the service cut them; refused where they are not this site's, give or take a clock change."""
    times, units, offset = block.get("time"), answer.get("daily_units"), _offset(answer)
    if not isinstance(times, list) or not times:
        raise CouldNot("the weather service answered without any weather")
    unix = isinstance(units, dict) and units.get("time") == "unixtime"
    days = [_daily_label(item, unix, offset) for item in times]
    if len(set(days)) != len(days):
        raise CouldNot("the weather service's answer holds a day twice")
    zone = zone_of(location.timezone)
    shift = max(abs(offset - (_utc_midnight(day) - bounds(day, zone)[0])) for day in days)
    if shift > HOUR:
        raise CouldNot("the days in the weather service's answer are those of another time zone")
    found: dict[date, dict[str, float]] = {}
    for field, variable in _DAILY.items():
        series = _series(block, units, variable, field, notices, lambda place: day_name(days[place]))
        for day, value in zip(days, series or (), strict=False):
            if value is not None and possible(field, value):
                found.setdefault(day, {})[field] = value
                if field == "wind_m_s":
                    found[day]["wind_height_m"] = WIND_HEIGHT_M
    return found


def _daily_label(item: object, unix: bool, offset: int) -> date:
    """A date; as unixtime it is UTC midnight less the offset."""
    seconds = _unix_seconds(item) if unix else None
    if seconds is not None:
        return datetime.fromtimestamp(seconds + offset, UTC).date()
    if not unix and isinstance(item, str) and re.fullmatch(r"(19|20|21)\d\d-\d\d-\d\d", item, re.ASCII):
        try:
            return date.fromisoformat(item)
        except ValueError:
            pass
    raise CouldNot(f"the weather service's answer holds an unusable date: {short(repr(item))[:40]}")


def _utc_midnight(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
