"""`rowwater season --json`: a season simulated."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from scheduler.shapes.base import Day, NoticeLine, Span


class SeasonTotal(TypedDict):
    liters: float
    gross_mm: float
    net_mm: float
    rain_mm: float
    etc_mm: float
    percolation_mm: float
    stress_days: int
    runs: int
    minutes: float
    longest_minutes: float
    short_days: NotRequired[int]  # watering days on which the supply gave less than the zone's rule asks


class SeasonDay(TypedDict):
    """A standing zone on one day; deficit_start_mm before the morning's irrigation, etc_mm after Ks."""

    date: Day
    zone: str
    crop: str
    stage: str
    day: int
    et0_mm: float
    et0_method: str
    kc: float
    ks: float
    etc_mm: float
    rain_mm: float
    rain_eff_mm: float
    root_depth_m: float
    taw_mm: float
    raw_mm: float
    deficit_start_mm: float
    deficit_end_mm: float
    net_mm: float
    gross_mm: float
    liters: float
    minutes: float
    percolation_mm: float


class Foresight(TypedDict):
    """How the mornings were decided; mornings: how many by which method."""

    mode: Literal["none", "forecast", "perfect"]
    mornings: NotRequired[dict[str, int]]


class SeasonPage(Span):
    """`rowwater season --json`; unlimited: hours, days, caps and the supply's flow were left aside."""

    garden: str
    foresight: Foresight
    unlimited: bool
    zones: dict[str, SeasonTotal]
    days: list[SeasonDay]
    notices: list[NoticeLine]
