"""Forecasts as they were issued, morning by morning, and the ET0 that follows from them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from scheduler.core.arrays import FloatArray
from scheduler.core.balance.et import NONE, reference_ets
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays, WeatherValue

OfSource = Mapping[tuple[date, str], list[tuple[date, float]]]
"""(day, field) -> (local date on which it was issued, value), oldest first."""
Issued = Mapping[str, OfSource]
"""By source."""


def et0_as_issued(
    garden: Garden, values: Iterable[WeatherValue], first: date, count: int, leads: Iterable[int]
) -> dict[int, FloatArray]:
    """ET0 (mm, (day,)) of the days first.. as it was forecast so many days ahead, by lead.

    Each lead by the first source that issued anything that far ahead; nan where it did not.  A lead that
    nobody issued is left out.
    """
    issued, mornings = issued_by_source(values, ZoneInfo(garden.location.timezone))
    order = [source.name for source in garden.sources if source.name in issued]
    order += sorted(issued.keys() - set(order))
    found: dict[int, WeatherDays] = {}
    for lead in leads:
        told = (days_as_issued(issued[source], mornings[source], first, count, lead) for source in order)
        days = next((days for days in told if days is not None), None)
        if days is not None:
            found[lead] = days
    et0 = reference_ets(list(found.values()), garden.location)
    return {lead: np.where(et.method != NONE, et.et0_mm, np.nan) for lead, et in zip(found, et0, strict=True)}


def issued_by_source(
    values: Iterable[WeatherValue], zone: ZoneInfo
) -> tuple[Issued, Mapping[str, set[date]]]:
    """The forecasts among the values, and the local dates on which each source answered at all."""
    issued: defaultdict[str, defaultdict[tuple[date, str], list[tuple[date, float]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    mornings: defaultdict[str, set[date]] = defaultdict(set)
    local: dict[datetime, date] = {}
    for value in values:
        at = value.fetched_at
        if at not in local:
            local[at] = at.astimezone(zone).date()
        mornings[value.source].add(local[at])
        if value.kind == "forecast":
            issued[value.source][value.day, value.field].append((local[at], value.value))
    return issued, mornings


def days_as_issued(
    issued: OfSource, mornings: set[date], first: date, count: int, lead: int
) -> WeatherDays | None:
    """The days first.. as they were forecast `lead` days ahead; None where nothing was."""
    arrays: dict[str, Any] = {field: np.full(count, np.nan) for field in WEATHER_FIELDS}
    anything = False
    for i in range(count):
        day = first + timedelta(days=i)
        morning = day - timedelta(days=lead)
        if morning not in mornings:
            continue
        for field in WEATHER_FIELDS:
            for at, value in reversed(issued.get((day, field), ())):
                if at <= morning:
                    arrays[field][i] = value
                    anything = True
                    break
    return WeatherDays(first=first, **arrays) if anything else None
