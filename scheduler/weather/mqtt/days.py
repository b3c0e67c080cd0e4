"""Readings that come when they like, gathered over the site's local days (23, 24 or 25 hours).

Each reading stands for the time nearer to it than to its neighbours, but never for long: what nobody read
is not known, and a day with less than 75 % of its time known has no value.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from statistics import median
from zoneinfo import ZoneInfo

from scheduler.weather.files.layout import Wanted
from scheduler.weather.files.subdaily import ENOUGH, RAIN_GATHERS, Column, counted
from scheduler.weather.localdays import HOUR, bounds, day_of

LEAST_REACH = 10 * 60
MOST_REACH = 2 * HOUR


@dataclass(slots=True)
class Gathered:
    days: dict[date, dict[str, float]] = field(default_factory=dict)
    thin: list[date] = field(default_factory=list)
    """Days with readings, but too few for some value."""
    rain_so_far: tuple[date, float] | None = None


def gather(
    readings: Mapping[str, Sequence[tuple[int, float]]],
    wanted: Sequence[Wanted],
    zone: ZoneInfo,
    *,
    first: date,
    today: date,
    now: float,
) -> Gathered:
    """Daily values of the local days first..yesterday, and the rain since midnight.

    readings: by key, (second since 1970 UTC, SI value; W/m2 x 1e-6 where a power), in order, no instant
    twice.
    """
    result = Gathered()
    thin: set[date] = set()
    for one in wanted:
        found = readings.get(one.key, ())
        if not found:
            continue
        stamps, values = [at for at, _ in found], [value for _, value in found]
        reach = _reach(stamps)
        day = max(first, day_of(stamps[0], zone))
        while day < min(today, day_of(stamps[-1], zone) + timedelta(days=1)):
            start, end = bounds(day, zone)
            spans = _spans(stamps, start, end, reach)
            if math.fsum(seconds for _, seconds in spans) < ENOUGH * (end - start):
                thin.add(day)
            elif made := _day_values(one, stamps, values, spans, start, end):
                result.days.setdefault(day, {}).update(made)
            day += timedelta(days=1)
        start, _ = bounds(today, zone)
        if one.quantity.field == "rain_mm" and one.quantity.gather in RAIN_GATHERS and now > start:
            known = math.fsum(seconds for _, seconds in _spans(stamps, start, now, reach))
            if known >= ENOUGH * (now - start):
                result.rain_so_far = today, _rain(one, stamps, values, start, now)
    result.thin = sorted(thin)
    return result


def _reach(stamps: Sequence[int]) -> float:
    """How long before and after its instant a reading stands for what was: twice the usual pause."""
    gaps = [b - a for a, b in zip(stamps, stamps[1:], strict=False)]
    return min(max(2 * median(gaps), LEAST_REACH), MOST_REACH) if gaps else LEAST_REACH


def _spans(stamps: Sequence[int], start: float, end: float, reach: float) -> list[tuple[int, float]]:
    """(index, seconds of [start, end) it stands for) of each reading with any, the neighbours' too."""
    low = max(bisect_left(stamps, start) - 1, 0)
    high = min(bisect_left(stamps, end) + 1, len(stamps))
    spans = []
    for i in range(low, high):
        begin = stamps[i] - reach if i == 0 else max(stamps[i] - reach, (stamps[i - 1] + stamps[i]) / 2)
        until = stamps[i] + reach
        if i + 1 < len(stamps):
            until = min(until, (stamps[i] + stamps[i + 1]) / 2)
        seconds = min(until, end) - max(begin, start)
        if seconds > 0:
            spans.append((i, seconds))
    return spans


def _day_values(
    one: Wanted,
    stamps: Sequence[int],
    values: Sequence[float],
    spans: Sequence[tuple[int, float]],
    start: int,
    end: int,
) -> dict[str, float]:
    how, name = one.quantity.gather, one.quantity.field
    inside = values[bisect_left(stamps, start) : bisect_left(stamps, end)]
    if not inside:
        return {}
    known = math.fsum(seconds for _, seconds in spans)
    mean = math.fsum(values[i] * seconds for i, seconds in spans) / known
    match how:
        case "min":
            return {name: min(inside)}
        case "max":
            return {name: max(inside)}
        case "mean":
            return {name: mean}
        case "spread":
            return {"tmin_c": min(inside), "tmax_c": max(inside)}
        case "humidity":
            return {"rh_mean_pct": mean, "rh_min_pct": min(inside), "rh_max_pct": max(inside)}
        case "energy" if one.unit.power:
            return {name: _energy(stamps, values, start, end)}
        case "energy":
            return {name: _added(stamps, values, start, end)}
        case "sum" if name != "rain_mm":
            return {name: _added(stamps, values, start, end)}
        case _:
            return {name: _rain(one, stamps, values, start, end)}


def _rain(one: Wanted, stamps: Sequence[int], values: Sequence[float], start: int, end: float) -> float:
    if one.quantity.gather == "sum":
        return _added(stamps, values, start, end)
    return counted(stamps, Column(one.quantity, one.unit, values), start, end)


def _added(stamps: Sequence[int], values: Sequence[float], start: float, end: float) -> float:
    """Amounts that each came since the message before."""
    return math.fsum(values[bisect_right(stamps, start) : bisect_right(stamps, end)])


def _energy(stamps: Sequence[int], values: Sequence[float], start: int, end: int) -> float:
    """Power along straight lines between readings, through holes too: a hole at noon is not a night."""
    low, high = max(bisect_left(stamps, start) - 1, 0), min(bisect_left(stamps, end) + 1, len(stamps))
    points = list(zip(stamps[low:high], values[low:high], strict=True))
    whole = 0.0
    for (a, before), (b, after) in zip(points, points[1:], strict=False):
        begin, until = max(a, start), min(b, end)
        if until > begin:
            slope = (after - before) / (b - a)
            whole += (until - begin) * (before + slope * ((begin + until) / 2 - a))
    whole += max(points[0][0] - start, 0) * points[0][1] + max(end - points[-1][0], 0) * points[-1][1]
    return max(whole, 0.0)
