"""The working behind a day's minutes: kept with the plan, printed by `rowwater why --json`."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from scheduler.shapes.base import Day, Moment
from scheduler.shapes.root_zone import RootZone
from scheduler.shapes.week import WeekPage


class Line(TypedDict):
    """What it is, its symbol, the formula in symbols, the same with numbers, the result, unit and source."""

    what: str
    symbol: str
    formula: str
    numbers: str
    value: float | None
    unit: str
    source: str


class Section(TypedDict):
    title: str
    lines: list[Line]


class BalanceDay(TypedDict):
    """kc: of crop and soil together.  Where evaporation is apart: what the soil lost, what the crop used, and
    what the top layer over the tape lacked in the evening.
    """

    date: Day
    et0_mm: float
    kc: float
    etc_mm: float
    rain_mm: float
    rain_eff_mm: float
    net_mm: float
    deficit_end_mm: float
    evaporation_mm: NotRequired[float]
    use_mm: NotRequired[float]
    surface_mm: NotRequired[float]


class ZoneWorking(TypedDict):
    """plain: why the zone runs, waits or rests, in a few sentences."""

    plain: NotRequired[list[str]]
    sections: list[Section]
    history: list[BalanceDay]


class DayWorking(TypedDict):
    """Of all zones."""

    date: Day
    shared: list[Section]
    zones: dict[str, ZoneWorking]


class StoredWorking(DayWorking):
    """As it is kept with the plan; week: null where it could not be planned."""

    week: WeekPage | None


class WhyPage(ZoneWorking):
    """`rowwater why ZONE --json`: every number behind the zone's minutes."""

    zone: str
    date: Day
    made_at: Moment
    root_zone: NotRequired[RootZone]  # with --season
