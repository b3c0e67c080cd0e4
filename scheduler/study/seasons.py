"""Seasons of some variants in one year: what a worker does, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import lru_cache

from scheduler.errors import NoReferenceET
from scheduler.model import WEATHER_FIELDS, Garden, Location, Supply, WeatherDays, Zone
from scheduler.planning.foresight import AHEAD_DAYS, Mode, ahead_on, weather_ahead
from scheduler.planning.season import SpanWeather, by_rule, weather_of
from scheduler.study.figures import Figures, figures_of
from scheduler.study.years import SeasonOfYear, in_years


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """What all seasons of a garden go by: its weather, and the forecasts of then where they are asked for."""

    weather: WeatherDays
    issues: Mapping[date, WeatherDays] | None = None

    def through(self, season: SeasonOfYear) -> Record:
        """Up to the week after that season, which its last mornings look at.

        No figure goes by what comes later: a season stays known while the record grows.
        """
        weather, last = self.weather, season.last + timedelta(days=AHEAD_DAYS)
        days = {name: getattr(weather, name)[: (last - weather.first).days + 1] for name in WEATHER_FIELDS}
        issues = self.issues and {day: issue for day, issue in self.issues.items() if day <= season.last}
        return Record(replace(weather, came_from={}, notices=(), **days), issues)


@dataclass(frozen=True, slots=True)
class How:
    """How the mornings are decided; `unlimited` leaves hours, days, caps and flow aside."""

    mode: Mode = "none"
    unlimited: bool = False


@dataclass(frozen=True, slots=True)
class Piece:
    """Gardens whose season is run in one year; each is as its file has it, in the file's own year."""

    gardens: tuple[Garden, ...]
    season: SeasonOfYear  # of garden.yaml
    year: int
    how: How
    keys: tuple[str, ...] = field(default=())
    """Under which each garden's figures are kept."""


@dataclass(frozen=True, slots=True)
class NoFigures:
    """A season that could not be run."""

    why: str


Outcome = Figures | NoFigures


def run(piece: Piece, record: Record) -> list[Outcome]:
    """The figures of each garden of a piece, in its order."""
    season = piece.season.in_year(piece.year)
    gardens = [in_years(garden, piece.year - piece.season.year) for garden in piece.gardens]
    if piece.how.unlimited:
        return list(_together(gardens, season, record))
    return list(_each(gardens, season, record, piece.how))


def _each(gardens: Sequence[Garden], season: SeasonOfYear, record: Record, how: How) -> Iterator[Outcome]:
    """Within the supply each garden decides for itself."""
    for garden in gardens:
        try:
            span = _ahead(record, garden.location, season)
            found = ahead_on(garden, span, how.mode, issues=record.issues)
        except NoReferenceET as error:
            yield NoFigures(error.text)
        else:
            yield from figures_of(garden.zones, found, [slice(0, len(garden.zones))])


def _together(gardens: Sequence[Garden], season: SeasonOfYear, record: Record) -> Iterator[Outcome]:
    """Where nothing limits them, zones know nothing of each other: many gardens are walked as one.

    Of those alike in place, water and coefficient; zones on one valve stay so within their garden.
    """
    found: dict[int, Outcome] = {}
    alike: dict[tuple[object, ...], list[int]] = {}
    for n, garden in enumerate(gardens):
        kind = (garden.location, _water(garden.supply), garden.crop_coefficient)
        alike.setdefault(kind, []).append(n)
    for group in alike.values():
        try:
            span = _plain(record, gardens[group[0]].location, season)
            one, whose = merged([gardens[n] for n in group])
            outcomes: Sequence[Outcome] = figures_of(one.zones, by_rule(one, span), whose)
        except NoReferenceET as error:
            outcomes = [NoFigures(error.text)] * len(group)
        found.update(zip(group, outcomes, strict=True))
    return (found[n] for n in range(len(gardens)))


def merged(gardens: Sequence[Garden]) -> tuple[Garden, list[slice]]:
    """One garden with the zones of all, and which are whose; no valve is shared between two of them."""
    zones: list[Zone] = []
    whose = []
    for n, garden in enumerate(gardens):
        begin = len(zones)
        zones += [
            replace(zone, valve=replace(zone.valve, key=f"{n} {zone.valve.key}")) for zone in garden.zones
        ]
        whose.append(slice(begin, len(zones)))
    return replace(gardens[0], zones=tuple(zones)), whose


def _water(supply: Supply) -> tuple[object, ...]:
    """Of a supply what the balance without limits goes by."""
    return (
        supply.pressure_kpa, supply.static_pressure_kpa, supply.mainline, supply.flow_lpm, supply.ec_ds_m,
    )  # fmt: skip


@lru_cache(maxsize=4)
def _ahead(record: Record, location: Location, season: SeasonOfYear) -> SpanWeather:
    return weather_ahead(location, record.through(season).weather, season.first, season.last)


@lru_cache(maxsize=4)
def _plain(record: Record, location: Location, season: SeasonOfYear) -> SpanWeather:
    return weather_of(location, record.through(season).weather, season.first, season.last)
