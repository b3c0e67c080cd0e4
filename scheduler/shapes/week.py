"""The week's page: `rowwater week --json`."""

from __future__ import annotations

from typing import Literal, TypedDict

from scheduler.shapes.base import Day, Display, Moment, NoticeLine, UnmetLine


class ZoneDay(TypedDict):
    """A standing zone on a day to come: expected under the plan, deficits those of the evening."""

    date: Day
    zone: str
    minutes: float
    net_mm: float
    deficit_mm: float
    deficit_sd_mm: float
    trigger_mm: float | None
    raw_mm: float
    rain_mm: float | None
    rain_chance: float | None
    et0_mm: float | None


class UnmetFrom(UnmetLine):
    date: Day


class DayAhead(TypedDict):
    date: Day
    rain_mm: float | None
    rain_chance: float | None
    et0_mm: float | None


class WeekPage(TypedDict):
    """`rowwater week --json`: the 7 days ahead."""

    made_at: Moment
    days: list[ZoneDay]
    unmet: list[UnmetFrom]
    garden: str
    date: Day
    display: Display
    weather: list[DayAhead]
    method: Literal["rule", "solver", "heuristic"]
    note: str
    notices: list[NoticeLine]
