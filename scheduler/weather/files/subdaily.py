"""Rows within the day to daily values of the site's local days (23, 24 or 25 hours)."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from scheduler.weather.localdays import HOUR, bounds, day_of
from scheduler.weather.quantities import Quantity, Unit

ENOUGH = 0.75  # the share of a day's rows that its values must rest on
RAIN_GATHERS = ("sum", "since midnight", "since reset")
LONG_HOLE_SECONDS = 2 * HOUR


@dataclass(frozen=True, slots=True)
class Column:
    """One measured quantity: SI values (nan = missing) beside the stamps; mean power where `unit.power`."""

    quantity: Quantity
    unit: Unit
    values: Sequence[float]


@dataclass(slots=True)
class Gathered:
    days: dict[date, dict[str, float]] = field(default_factory=dict)
    thin: list[date] = field(default_factory=list)
    """Days with less than 75 % of their rows: all their values are missing, not partial."""
    patchy: list[date] = field(default_factory=list)
    rain_so_far: tuple[date, float] | None = None


def step_of(stamps: Sequence[int]) -> int | None:
    """The usual distance of two rows, seconds; None with fewer than two."""
    gaps = Counter(b - a for a, b in zip(stamps, stamps[1:], strict=False))
    return gaps.most_common(1)[0][0] if gaps else None


def gather(
    stamps: Sequence[int],
    columns: Sequence[Column],
    zone: ZoneInfo,
    *,
    label: Literal["start", "end"] = "end",
    now: float | None = None,
) -> Gathered:
    """Daily values of every local day that is over at `now`, and the rain since the last midnight.

    stamps: seconds since 1970 UTC, rising, none twice. label: whether a stamp marks the start or the end of
    the step that a sum (rain, radiation) belongs to; readings such as temperature belong to their instant.
    """
    result = Gathered()
    step = step_of(stamps)
    if step is None:
        return result
    shift = step / 2 if label == "start" else -step / 2
    last = day_of(stamps[-1], zone)
    day = day_of(stamps[0] + shift, zone)
    while day <= last:
        start, end = bounds(day, zone)
        rows = bisect_left(stamps, end) - bisect_left(stamps, start)
        share = rows * step / (end - start)
        if now is not None and end > now:
            result.rain_so_far = _so_far(stamps, columns, day, start, now, step, shift)
            break
        if share < ENOUGH:
            if rows > 1:
                result.thin.append(day)
        else:
            fields: dict[str, float] = {}
            for column in columns:
                fields |= _day_values(stamps, column, start, end, step, shift)
            if fields:
                result.days[day] = fields
            if rows < round((end - start) / step) - 1:
                result.patchy.append(day)
        day += timedelta(days=1)
    return result


def _day_values(
    stamps: Sequence[int], column: Column, start: int, end: int, step: int, shift: float
) -> dict[str, float]:
    """One column's share in the day; nothing where less than 75 % of its rows are known."""
    how, name = column.quantity.gather, column.quantity.field
    if how in ("sum", "energy"):
        low, high = bisect_left(stamps, start - shift), bisect_left(stamps, end - shift)
    else:
        low, high = bisect_left(stamps, start), bisect_left(stamps, end)
    known = [(stamps[i], column.values[i]) for i in range(low, high) if not math.isnan(column.values[i])]
    if len(known) < ENOUGH * (end - start) / step:
        return {}
    values = [value for _, value in known]
    match how:
        case "min":
            return {name: min(values)}
        case "max":
            return {name: max(values)}
        case "mean":
            return {name: math.fsum(values) / len(values)}
        case "spread":
            return {"tmin_c": min(values), "tmax_c": max(values)}
        case "humidity":
            mean = math.fsum(values) / len(values)
            return {"rh_mean_pct": mean, "rh_min_pct": min(values), "rh_max_pct": max(values)}
        case "sum":
            return {name: math.fsum(values)}
        case "energy":
            whole = _bridged_sum(known, start - shift, end - start, step)
            return {name: whole * step if column.unit.power else whole}
        case _:
            return {name: counted(stamps, column, start, end)}


def _bridged_sum(known: Sequence[tuple[int, float]], first: float, length: int, step: int) -> float:
    """Sum over all steps of the day, straight lines across its holes: a hole at noon is not a night."""
    import numpy as np

    count = round(length / step)
    if len(known) >= count:
        return math.fsum(value for _, value in known)
    at, values = zip(*known, strict=True)
    return float(np.interp(first + step * np.arange(count), at, values).sum())


def counted(stamps: Sequence[int], column: Column, start: int, end: float) -> float:
    """Rain that a counter gained in the day: rises summed, a fall is a restart.

    A single low reading between two higher ones is a slip, not a restart. After hours of silence over
    midnight the reading of a counter of the day is all of this day; the rise of another is shared out.
    """
    daily = column.quantity.gather == "since midnight"
    low = max(bisect_right(stamps, start) - 1, 0)
    while low > 0 and math.isnan(column.values[low]):
        low -= 1
    high = bisect_right(stamps, end)
    known = [(stamps[i], column.values[i]) for i in range(low, high) if not math.isnan(column.values[i])]
    gained: list[float] = []
    before: tuple[int, float] | None = None
    for i, (at, value) in enumerate(known):
        if before is None:
            rise = value if daily and at > start else 0.0
        elif value < before[1]:
            if before[0] > start and i + 1 < len(known) and known[i + 1][1] >= before[1]:
                continue
            rise = value
        elif before[0] < start and at - before[0] > LONG_HOLE_SECONDS:
            rise = value if daily else (value - before[1]) * (at - start) / (at - before[0])
        else:
            rise = value - before[1]
        gained.append(rise)
        before = (at, value)
    return math.fsum(gained)


def _so_far(
    stamps: Sequence[int],
    columns: Sequence[Column],
    day: date,
    start: int,
    now: float,
    step: int,
    shift: float,
) -> tuple[date, float] | None:
    """Rain since midnight, where at least 75 % of the steps up to `now` are known."""
    for column in columns:
        how = column.quantity.gather
        if column.quantity.field != "rain_mm" or how not in RAIN_GATHERS:
            continue
        low = bisect_left(stamps, start - shift) if how == "sum" else bisect_right(stamps, start)
        high = bisect_right(stamps, now)
        known = [column.values[i] for i in range(low, high) if not math.isnan(column.values[i])]
        if known and len(known) >= ENOUGH * (now - start) / step:
            return day, math.fsum(known) if how == "sum" else counted(stamps, column, start, now)
    return None
