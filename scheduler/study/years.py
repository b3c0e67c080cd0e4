"""A garden's season laid into other years, and the years of weather that can carry it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from scheduler.errors import BadInput
from scheduler.model import Garden, Planting, WeatherDays

LONGEST_DAYS = 366


@dataclass(frozen=True, slots=True)
class SeasonOfYear:
    """Which days are walked, in the year that garden.yaml is of."""

    year: int
    first: date
    last: date

    def in_year(self, year: int) -> SeasonOfYear:
        years = year - self.year
        return SeasonOfYear(year, moved(self.first, years), moved(self.last, years))


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A year that is not run, and why."""

    year: int
    why: str


def moved(day: date, years: int) -> date:
    """The same date in another year; 29 February is the 28th where there is none.

    >>> moved(date(2024, 2, 29), -1), moved(date(2024, 2, 29), 4)
    (datetime.date(2023, 2, 28), datetime.date(2028, 2, 29))
    """
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)


def season_of(garden: Garden) -> SeasonOfYear:
    """From the first planting of the year up to the newest one, to the last day of any of them.

    It is called by the year of its middle day; older crops in the file lie before it.  A planting ends on the
    day before it is pulled, else with its crop table.  Raises BadInput where nothing is planted.
    """
    plantings = [planting for zone in garden.zones for planting in zone.plantings]
    if not plantings:
        raise BadInput("no zone has a planting: there is no season to study")
    newest = max(planting.planted for planting in plantings)
    ours = [planting for planting in plantings if planting.planted > newest - timedelta(days=365)]
    first = min(planting.planted for planting in ours)
    last = max(min(max(map(_end, ours)), first + timedelta(days=LONGEST_DAYS - 1)), newest)
    return SeasonOfYear((first + (last - first) / 2).year, first, last)


def _end(planting: Planting) -> date:
    by_table = planting.planted + timedelta(days=max(sum(planting.crop.stage_days), 1) - 1)
    return by_table if planting.pulled is None else planting.pulled - timedelta(days=1)


def in_years(garden: Garden, years: int) -> Garden:
    """Every date of the garden so many years later."""
    zones = (
        replace(
            zone,
            tape_laid=_moved(zone.tape_laid, years),
            plantings=tuple(_planting(planting, years) for planting in zone.plantings),
        )
        for zone in garden.zones
    )
    return replace(garden, zones=tuple(zones))


def _planting(planting: Planting, years: int) -> Planting:
    shelter = planting.shelter
    return replace(
        planting,
        planted=moved(planting.planted, years),
        pulled=_moved(planting.pulled, years),
        harvest=_moved(planting.harvest, years),
        dry_from=_moved(planting.dry_from, years),
        emerged=_moved(planting.emerged, years),
        covers_seen=tuple((moved(day, years), share) for day, share in planting.covers_seen),
        observed=tuple((stage, moved(day, years)) for stage, day in planting.observed),
        shelter=None if shelter is None else replace(shelter, until=_moved(shelter.until, years)),
    )


def _moved(day: date | None, years: int) -> date | None:
    return None if day is None else moved(day, years)


def years_asked(text: str | None, season: SeasonOfYear, weather: WeatherDays) -> list[int]:
    """The years of "1995-2024", "2012,2015" or "30" (so many up to the latest whole one).

    None: all that the weather covers; what is asked for may lie outside it.  Raises BadInput.
    """
    ended = [
        year
        for year in range(weather.first.year - 2, weather.last.year + 2)
        if season.in_year(year).last <= weather.last
    ]
    if text is None:
        return [year for year in ended if weather.first <= season.in_year(year).first]
    try:
        found = [year for part in text.split(",") for year in _of_part(part, ended[-1])]
    except ValueError:
        raise BadInput(
            f'--years: "{text}" are no years',
            hint='for example "1995-2024", "2012,2015", or "30" for the latest',
        ) from None
    return sorted(set(found))


def _of_part(part: str, latest: int) -> list[int]:
    first, dash, last = (piece.strip() for piece in part.partition("-"))
    if not dash and 0 < int(first) < 1000:
        return list(range(latest - int(first) + 1, latest + 1))
    years = range(int(first), int(last or first) + 1)
    if not years or not 1800 <= years[0] <= years[-1] <= 2200:
        raise ValueError
    return list(years)


def sorted_out(
    years: list[int],
    season: SeasonOfYear,
    weather: WeatherDays,
    most_gaps: float,
    issues: Mapping[date, WeatherDays] | None = None,
) -> tuple[list[int], list[LeftOut]]:
    """Those that can be run, and the others: outside the weather, or with too many days without values.

    most_gaps: the largest share of a season's days without temperatures, without rain, or without a forecast
    where `issues` has those of then.
    """
    kept, left = [], []
    for year in years:
        ours = season.in_year(year)
        why = _why_not(ours, weather, most_gaps)
        if why is None and issues is not None:
            why = _why_no_forecasts(ours, issues, most_gaps)
        if why is None:
            kept.append(year)
        else:
            left.append(LeftOut(year, why))
    return kept, left


def _why_not(season: SeasonOfYear, weather: WeatherDays, most_gaps: float) -> str | None:
    if season.first < weather.first:
        return f"the season begins before the weather, {weather.first}"
    if season.last > weather.last:
        return f"the season ends after the weather, {weather.last}"
    days = slice((season.first - weather.first).days, (season.last - weather.first).days + 1)
    warm = np.isfinite(weather.tmin_c[days]) & np.isfinite(weather.tmax_c[days])
    for what, known in (("temperatures", warm), ("rain", weather.rain_mm[days] >= 0)):
        missing = int(np.count_nonzero(~known))
        if missing > most_gaps * len(known):
            return f"{what} missing on {missing} of {len(known)} days, more than {100 * most_gaps:g} %"
    return None


def _why_no_forecasts(
    season: SeasonOfYear, issues: Mapping[date, WeatherDays], most_gaps: float
) -> str | None:
    """A morning has a forecast where the newest issue up to it reaches that day."""
    issued = sorted(issues)
    days = [season.first + timedelta(days=n) for n in range((season.last - season.first).days + 1)]
    missing = 0
    for day in days:
        at = bisect_right(issued, day) - 1
        missing += at < 0 or issues[issued[at]].last < day
    if missing == len(days):
        return "no forecast was issued for it"
    if missing > most_gaps * len(days):
        return f"forecasts missing on {missing} of {len(days)} mornings, more than {100 * most_gaps:g} %"
    return None
