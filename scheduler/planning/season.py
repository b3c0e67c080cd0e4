"""A season on a daily weather file, through the same core as the live morning."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.et import ReferenceET, fill, reference_et
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import Balance, run
from scheduler.core.balance.stored import Stored, stored
from scheduler.core.balance.terms import Terms, terms
from scheduler.core.quality.checks import examine
from scheduler.errors import BadInput
from scheduler.model import WEATHER_FIELDS, Garden, Location, Notice, WeatherDays
from scheduler.planning.remarks import remarks
from scheduler.planning.season_notices import of_plantings
from scheduler.shapes.season import Foresight

LONGEST_SPAN_DAYS = 200 * 365


@dataclass(frozen=True, slots=True)
class Season:
    first: date
    last: date
    et: ReferenceET  # of the whole weather file
    terms: Terms
    balance: Balance
    rain_mm: Mm  # (day,) of the span, missing counted as 0
    notices: tuple[Notice, ...]
    foresight: Foresight = field(default_factory=lambda: Foresight(mode="none"))
    """How the mornings were decided: the mode, and how many by which method."""
    unlimited: bool = True
    """Hours, days, caps and the supply's flow were left aside."""
    short: Mapping[str, int] | None = None
    """By zone: watering days on which it got less than its rule asks; None where nobody counted."""

    @property
    def offset(self) -> int:
        """Index of the season's first day in the weather file."""
        return (self.first - self.et.first).days


def simulate(
    garden: Garden, weather: WeatherDays, first: date | None = None, last: date | None = None
) -> Season:
    """The plain rule of M6 for every day of first..last, hours and supply left aside.

    Without dates: from the earliest planting (or the first weather row if later) to the last weather row.
    A date without a row is a day without temperatures and rain.
    Raises BadInput where nothing is left of the span, NoReferenceET where a day has no ET0 and no stand-in.
    """
    first, last = season_span(garden, weather, first, last)
    span = weather_of(garden.location, weather, first, last)
    season = by_rule(garden, span)
    return replace(season, notices=season_notices(garden, span, season.terms, season.balance))


def by_rule(garden: Garden, span: SpanWeather) -> Season:
    """`simulate` on all days of `span`, without a look at the weather file: no notices."""
    season_terms = span.terms(garden)
    balance = run(season_terms, starting_deficit=starting_deficits(garden), rule=RefillRule.of(garden.zones))
    last = span.first + timedelta(days=len(span.et0_mm) - 1)
    return Season(span.first, last, span.et, season_terms, balance, span.rain_mm, ())


def starting_deficits(garden: Garden) -> Mm:
    """(zone,) mm; nan where the bed's surface says it."""
    return np.array([zone.starting_deficit_mm for zone in garden.zones], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class SpanWeather:
    """What the weather says of consecutive days, (day,) from `first` on."""

    first: date
    weather: WeatherDays  # of the whole file, stretched over the days
    et: ReferenceET  # of the same
    record: Stored  # of the same: the stored days are the rows before each, before `first` too
    et0_mm: Mm
    rain_mm: Mm  # missing counted as 0
    rain_known: BoolArray

    def terms(self, garden: Garden, count: int | None = None) -> Terms:
        """The balance's terms of the first `count` days, of all where None."""
        return terms(
            garden.zones,
            self.first,
            self.et0_mm[:count],
            self.rain_mm[:count],
            location=garden.location,
            supply=garden.supply,
            coefficient=garden.crop_coefficient,
            record=self.record,
        )


def weather_of(location: Location, weather: WeatherDays, first: date, last: date) -> SpanWeather:
    """The weather of first..last; errors as of `simulate`."""
    weather = stretched(weather, first, last)
    days = slice((first - weather.first).days, (last - weather.first).days + 1)
    et = fill(reference_et(weather, location), first, last)
    known = weather.rain_mm[days] >= 0
    rain = np.where(known, weather.rain_mm[days], 0.0)
    return SpanWeather(first, weather, et, stored(weather, et), et.et0_mm[days], rain, known)


def season_notices(
    garden: Garden, span: SpanWeather, season_terms: Terms, balance: Balance
) -> tuple[Notice, ...]:
    """What the grower should know of the weather file, of the days of `season_terms` and of its plantings."""
    weather = span.weather
    remarked = remarks(examine(weather, garden.location, source="weather file"), garden.display)
    told = (*weather.notices, *remarked, *_span_notices(span, season_terms))
    return (
        *(Notice("info", text, "weather") for text in told),
        *of_plantings(garden, season_terms, balance, span.record),
    )


def _span_notices(span: SpanWeather, season_terms: Terms) -> Iterator[str]:
    count = len(season_terms.etc)
    missing = int(np.count_nonzero(~span.rain_known[:count]))
    if missing:
        yield f"rain missing on {missing} of {count} days: counted as 0"
    if not season_terms.standing.any():
        last = span.first + timedelta(days=count - 1)
        yield f"no planting stands between {span.first} and {last}: nothing was watered"


def season_span(
    garden: Garden, weather: WeatherDays, first: date | None, last: date | None
) -> tuple[date, date]:
    """First and last day: the asked ones, else the earliest planting (or row, if later) to the last row.

    Raises BadInput where that leaves nothing.
    """
    planted = [planting.planted for zone in garden.zones for planting in zone.plantings]
    first = max(min(planted, default=weather.first), weather.first) if first is None else first
    last = weather.last if last is None else last
    if last < first:
        raise BadInput(
            f"nothing to simulate: from {first} to {last}",
            hint=f"the weather file has {weather.first} to {weather.last}",
        )
    return first, last


def stretched(weather: WeatherDays, first: date, last: date) -> WeatherDays:
    """The same days with rows of missing values before and after, so that first..last is covered."""
    before, after = max((weather.first - first).days, 0), max((last - weather.last).days, 0)
    if not before and not after:
        return weather
    if (last - first).days > LONGEST_SPAN_DAYS:
        raise BadInput(f"{first} to {last} is longer than {LONGEST_SPAN_DAYS // 365} years")
    padded: dict[str, Any] = {
        name: np.pad(getattr(weather, name), (before, after), constant_values=np.nan)
        for name in WEATHER_FIELDS
    }
    return replace(weather, first=weather.first - timedelta(days=before), came_from={}, **padded)
