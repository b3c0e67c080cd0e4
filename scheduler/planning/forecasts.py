"""Forecasts that a simulated morning may read."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from scheduler.core.arrays import Mm, Share
from scheduler.core.balance.et import reference_et
from scheduler.core.week.problem import DAYS
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays


@dataclass(frozen=True, slots=True)
class Ahead:
    """What a morning believes of the days from it on, (day,): nan rain or chance where nobody says."""

    et0_mm: Mm
    rain_mm: Mm
    chance: Share
    lead_days: Mm


class Foreseen:
    """Perfect: the true weather of the next days; chance 0 hides the rain."""

    def __init__(self, et0: Mm, rain: Mm, chance: float = 1.0) -> None:
        self._et0, self._rain, self._chance = et0, rain, chance

    def ahead(self, day: int) -> Ahead:
        days = slice(day, day + DAYS)
        count = len(self._et0[days])
        chance = np.full(count, self._chance)
        return Ahead(self._et0[days], self._rain[days], chance, np.arange(count, dtype=np.float64))


class Forecasts:
    """The issue of the morning, else the newest earlier one; days it lacks by the ladder of model M2.

    issues: by date of issue.  et0: the true one, (day,) from `first` on; `past`: the same of the whole
    weather file from `past_first` on, for the stand-ins.  Rain that an issue lacks is not counted on.
    """

    def __init__(
        self, garden: Garden, issues: Mapping[date, WeatherDays], first: date, past: Mm, past_first: date
    ) -> None:
        self._issued = sorted(issues)
        self._first, self._past, self._past_first = first, past, past_first
        latest = max((issues[d].last - d).days for d in self._issued)
        count = (self._issued[-1] - self._issued[0]).days + 1
        shape = (count, max(latest, 0) + 1)
        self._rain, self._chance = np.full(shape, np.nan), np.full(shape, np.nan)
        self._et0 = np.full(shape, np.nan)
        for lead in range(shape[1]):  # days of one lead are consecutive: one call for all of them
            column = self._column(issues, lead, count)
            self._rain[:, lead], self._chance[:, lead] = column.rain_mm, column.rain_chance_pct / 100
            self._et0[:, lead] = reference_et(column, garden.location).et0_mm

    def _column(self, issues: Mapping[date, WeatherDays], lead: int, count: int) -> WeatherDays:
        values: dict[str, Any] = {name: np.full(count, np.nan) for name in WEATHER_FIELDS}
        for issued in self._issued:
            days, row = issues[issued], (issued - self._issued[0]).days
            k = (issued - days.first).days + lead
            if 0 <= k < len(days):
                for name in WEATHER_FIELDS:
                    values[name][row] = getattr(days, name)[k]
        return WeatherDays(self._issued[0] + timedelta(days=lead), **values)

    def ahead(self, day: int) -> Ahead:
        today = self._first + timedelta(days=day)
        at = bisect_right(self._issued, today) - 1
        et0, rain, chance = (np.full(DAYS, np.nan) for _ in range(3))
        age = 0
        if at >= 0:
            issued = self._issued[at]
            row, age = (issued - self._issued[0]).days, (today - issued).days
            for into, table in ((et0, self._et0), (rain, self._rain), (chance, self._chance)):
                told = table[row, age : age + DAYS]
                into[: len(told)] = told
        missing = ~np.isfinite(et0)
        if missing.any():
            et0[missing] = self._stand_in(today)
        return Ahead(et0, rain, chance, np.arange(DAYS, dtype=np.float64) + age)

    def _stand_in(self, today: date) -> float:
        """Model M2's ladder, from the days before this morning only."""
        known = (today - self._past_first).days
        past = self._past[: max(known, 0)]
        found: list[Mm] = []
        for year in range(self._past_first.year, today.year):
            middle = (today.replace(year=year, day=min(today.day, 28)) - self._past_first).days
            found.append(past[max(middle - 7, 0) : max(middle + 8, 0)])
        season = np.concatenate(found) if found else np.empty(0)
        values = season if season.size else past[-7:]
        return float(values.mean()) if values.size else float(self._past[max(known, 0)])
