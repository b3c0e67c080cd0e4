"""ET0 as the forecasts issued it, day by day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance.et import NONE, reference_et
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays, WeatherValue

Words = Mapping[str, Mapping[tuple[date, str], list[tuple[date, float]]]]
"""Source -> (day, field) -> (local date on which it was said, value), oldest first."""


def et0_as_told(
    garden: Garden, said: Iterable[WeatherValue], first: date, count: int, lead: int
) -> FloatArray | None:
    """ET0 (mm, (day,)) of the days first.. by what was forecast `lead` days ahead, of the first source that
    said anything; nan where it said nothing, None where nobody did."""
    words, mornings = words_of(said, ZoneInfo(garden.location.timezone))
    order = [source.name for source in garden.sources if source.name in words]
    for source in [*order, *sorted(words.keys() - set(order))]:
        told = as_told(words[source], mornings[source], first, count, lead)
        if told is not None:
            et = reference_et(told, garden.location)
            return np.where(et.method != NONE, et.et0_mm, np.nan)
    return None


def words_of(said: Iterable[WeatherValue], zone: ZoneInfo) -> tuple[Words, Mapping[str, set[date]]]:
    words: defaultdict[str, defaultdict[tuple[date, str], list[tuple[date, float]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    mornings: defaultdict[str, set[date]] = defaultdict(set)
    local: dict[Any, date] = {}
    for value in said:
        at = value.fetched_at
        if at not in local:
            local[at] = at.astimezone(zone).date()
        mornings[value.source].add(local[at])
        if value.kind == "forecast":
            words[value.source][value.day, value.field].append((local[at], value.value))
    return words, mornings


def as_told(
    words: Mapping[tuple[date, str], list[tuple[date, float]]],
    mornings: set[date],
    first: date,
    count: int,
    lead: int,
) -> WeatherDays | None:
    """The days first.. as they were forecast `lead` days ahead; None where nothing was."""
    arrays: dict[str, Any] = {field: np.full(count, np.nan) for field in WEATHER_FIELDS}
    any_word = False
    for i in range(count):
        day = first + timedelta(days=i)
        morning = day - timedelta(days=lead)
        if morning not in mornings:
            continue
        for field in WEATHER_FIELDS:
            known = [value for at, value in words.get((day, field), ()) if at <= morning]
            if known:
                arrays[field][i] = known[-1]
                any_word = True
    return WeatherDays(first=first, **arrays) if any_word else None
