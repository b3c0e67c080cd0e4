"""Single facts joined to days: which source's word counts, and the grower's own gauge among them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from scheduler.model import KIND_RANK, WEATHER_FIELDS, RainReading, WeatherDays, WeatherValue
from scheduler.weather.localdays import bounds

if TYPE_CHECKING:
    from scheduler.model import FloatArray

GAUGE = "gauge"
SO_FAR = "rain_so_far_mm"


def join(values: Iterable[WeatherValue], first: date, last: date, order: Sequence[str]) -> WeatherDays:
    """The days `first`..`last` (both counted), each value from the source that is to be believed most.

    Of one source the newest word counts, field by field. Between sources: the kind (gauge, station, then
    model and forecast alike), then `order` (the grower's; unnamed ones come last), then the newer.
    A wind's height is that of the same source. `came_from` is filled; nan where nobody knows.
    """
    import numpy as np

    length = (last - first).days + 1
    if length < 1:
        raise ValueError(f"{first} is after {last}")
    newest = _newest(value for value in values if first <= value.day <= last)
    best: dict[tuple[date, str], WeatherValue] = {}
    for (day, field, _), value in newest.items():
        rival = best.get((day, field))
        if rival is None or _rank(value, order) < _rank(rival, order):
            best[day, field] = value
    arrays: dict[str, Any] = {field: np.full(length, np.nan) for field in WEATHER_FIELDS}
    came_from: dict[str, list[str | None]] = {field: [None] * length for field in WEATHER_FIELDS}
    for (day, field), value in best.items():
        if field not in arrays or field == "wind_height_m":
            continue
        _place(arrays, came_from, value, (day - first).days)
        if field == "wind_m_s" and (day, "wind_height_m", value.source) in newest:
            _place(arrays, came_from, newest[day, "wind_height_m", value.source], (day - first).days)
    return WeatherDays(
        first=first, **arrays, came_from={field: tuple(names) for field, names in came_from.items()}
    )


def _place(
    arrays: Mapping[str, FloatArray], came_from: Mapping[str, list[str | None]], value: WeatherValue, at: int
) -> None:
    arrays[value.field][at] = value.value
    plain = value.source == value.kind  # "gauge (gauge)" tells nobody more
    came_from[value.field][at] = value.source if plain else f"{value.source} ({value.kind})"


def _newest(values: Iterable[WeatherValue]) -> dict[tuple[date, str, str], WeatherValue]:
    """The last word of each source on each day and field; of two said at once, the later in the list."""
    newest: dict[tuple[date, str, str], WeatherValue] = {}
    for value in values:
        key = (value.day, value.field, value.source)
        if math.isfinite(value.value) and (key not in newest or value.fetched_at >= newest[key].fetched_at):
            newest[key] = value
    return newest


def _rank(value: WeatherValue, order: Sequence[str]) -> tuple[int, int, float]:
    place = order.index(value.source) if value.source in order else len(order)
    return KIND_RANK[value.kind], place, -value.fetched_at.timestamp()


def rain_so_far(values: Iterable[WeatherValue], day: date, order: Sequence[str] = ()) -> float | None:
    """Rain since local midnight of `day` (mm) by the source to be believed most; None where nobody says."""
    said = _newest(value for value in values if value.day == day and value.field == SO_FAR)
    best = min(said.values(), key=lambda value: _rank(value, order), default=None)
    return best.value if best is not None else None


# --- the grower's gauge --------------------------------------------------------------------------


def gauge_values(
    readings: Sequence[RainReading],
    values: Iterable[WeatherValue],
    zone: ZoneInfo,
    *,
    today: date,
    order: Sequence[str] = (),
) -> list[WeatherValue]:
    """The readings as rain of local days; today's part as rain since midnight.

    A reading over several days is split as the other sources' rain of these days (of its last day: the rain
    so far, where one says it); without any it goes to the earliest. Readings of one day add up.
    A day of which the gauge saw less than half gets a gauge value only where that is more than any other
    source says of the whole day: the gauge then is a lower bound, not the day's rain.
    """
    others = [value for value in values if value.kind != GAUGE]
    rain = _best_by_day(others, "rain_mm", order)
    so_far = _best_by_day(others, SO_FAR, order)
    result: list[WeatherValue] = []
    for day, caught in sorted(_caught(readings, zone, rain, so_far).items()):
        if day < today:
            start, end = bounds(day, zone)
            if caught.seconds < (end - start) / 2 and caught.mm <= rain.get(day, 0.0):
                continue
        field = "rain_mm" if day < today else SO_FAR
        result.append(WeatherValue(day, field, caught.mm, GAUGE, "gauge", caught.read_at))
    return result


def shares(
    reading: RainReading, values: Iterable[WeatherValue], zone: ZoneInfo, *, order: Sequence[str] = ()
) -> dict[date, float]:
    """mm of one reading that each of its local days gets, split as in `gauge_values`."""
    others = [value for value in values if value.kind != GAUGE]
    rain, so_far = _best_by_day(others, "rain_mm", order), _best_by_day(others, SO_FAR, order)
    return {day: caught.mm for day, caught in _caught([reading], zone, rain, so_far).items() if caught.mm}


class _Caught(NamedTuple):
    """A day's share of the readings."""

    mm: float
    seconds: float  # of the day that the gauge stood there
    read_at: datetime


def _caught(
    readings: Sequence[RainReading], zone: ZoneInfo, rain: Mapping[date, float], so_far: Mapping[date, float]
) -> dict[date, _Caught]:
    """Each reading split over its days in proportion to the others' rain."""
    found: dict[date, _Caught] = {}
    for reading in sorted(readings, key=lambda reading: reading.at):
        spans = _days_of(reading, zone)
        weights = [rain.get(day, 0.0) for day in spans]
        weights[-1] = so_far.get(max(spans), weights[-1])
        whole = math.fsum(weights)
        if whole <= 0:
            weights, whole = [1.0] + [0.0] * (len(spans) - 1), 1.0
        for (day, seconds), weight in zip(spans.items(), weights, strict=True):
            mm = reading.mm * (weight / whole)  # in this order: the tiniest weights stay exact
            before = found.get(day, _Caught(0.0, 0.0, reading.at))
            found[day] = _Caught(before.mm + mm, before.seconds + seconds, reading.at)
    return found


def _best_by_day(values: Iterable[WeatherValue], field: str, order: Sequence[str]) -> dict[date, float]:
    best: dict[date, WeatherValue] = {}
    for value in _newest(value for value in values if value.field == field).values():
        if value.day not in best or _rank(value, order) < _rank(best[value.day], order):
            best[value.day] = value
    return {day: value.value for day, value in best.items()}


def _days_of(reading: RainReading, zone: ZoneInfo) -> dict[date, float]:
    """Seconds that the reading lies in each local day, in the order of the days."""
    begin, end = reading.since.timestamp(), reading.at.timestamp()
    spans: dict[date, float] = {}
    day = reading.since.astimezone(zone).date()
    while (limits := bounds(day, zone))[0] < end:
        inside = min(limits[1], end) - max(limits[0], begin)
        if inside > 0:
            spans[day] = inside
        day += timedelta(days=1)
    return spans
