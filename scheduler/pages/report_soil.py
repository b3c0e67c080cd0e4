"""The report's curves: each root zone day by day, and the weather of each month beside earlier years."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from statistics import mean

import numpy as np

from scheduler.pages.report_water import month_of
from scheduler.pages.rounding import known, rounded
from scheduler.planning.season_past import Past
from scheduler.shapes.report import CurveDay, MonthWeather


def curve(past: Past, zone: int) -> list[CurveDay]:
    """The days on which a crop stands."""
    live, span = past.live, past.span
    terms, balance, sd = live.terms, live.balance, live.sure.carried.sd_start
    days = [(d, day) for d, day in enumerate(past.days, span.start) if terms.standing[d, zone]]
    return [
        {
            "date": day.isoformat(),
            "deficit_mm": rounded(balance.deficit_start[d, zone]),
            "deficit_sd_mm": rounded(sd[d, zone]),
            "trigger_mm": known(terms.trigger[d, zone]),
            "raw_mm": rounded(terms.raw[d, zone]),
            "taw_mm": rounded(terms.taw[d, zone]),
            "rain_mm": rounded(live.rain_mm[d]),
            "net_mm": rounded(balance.irrigation[d, zone]),
            "ks": rounded(balance.ks[d, zone]),
        }
        for d, day in days
    ]


def month_weather(past: Past) -> Iterator[MonthWeather]:
    """Rain and ET0 of each month's days, and the mean of those days in earlier years on record."""
    et, rain = past.et, past.weather.rain_mm
    months: dict[str, list[date]] = {}
    for day in past.days:
        months.setdefault(month_of(day), []).append(day)
    for month, days in months.items():
        at = [(day - et.first).days for day in days]
        earlier = list(_earlier(past, days))
        yield {
            "month": month,
            "days": len(days),
            "rain_mm": rounded(float(np.nansum(rain[at]))),
            "et0_mm": rounded(float(np.nansum(et.et0_mm[at]))),
            "rain_earlier_mm": rounded(mean(r for r, _ in earlier)) if earlier else None,
            "et0_earlier_mm": rounded(mean(e for _, e in earlier)) if earlier else None,
            "years": len(earlier),
        }


MOST_MISSING = 0.1
"""A year that lacks more of a month's days stands for nothing."""


def _earlier(past: Past, days: list[date]) -> Iterator[tuple[float, float]]:
    """Sums of rain and ET0 over the same days of each earlier year, scaled to all of them."""
    et, rain = past.et, past.weather.rain_mm
    for years in range(1, days[0].year - et.first.year + 1):
        at = [(_years_before(day, years) - et.first).days for day in days]
        inside = [i for i in at if i >= 0]
        both = (
            np.isfinite(rain[inside]) & np.isfinite(et.et0_mm[inside]) if inside else np.zeros(0, dtype=bool)
        )
        if both.sum() < (1 - MOST_MISSING) * len(days):
            continue
        share = len(days) / both.sum()
        yield (
            float(rain[inside][both].sum() * share),
            float(et.et0_mm[inside][both].sum() * share),
        )


def _years_before(day: date, years: int) -> date:
    """The same day; 28 February for the 29th."""
    if (day.month, day.day) == (2, 29):
        day = day.replace(day=28)
    return day.replace(year=day.year - years)
