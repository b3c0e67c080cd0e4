"""`rowwater report`: what the water of a season did; every amount SI, its unit in the name."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from scheduler.shapes.base import Day, Display, Moment, Span


class MonthWater(TypedDict):
    """A zone's water of one month.

    asked_l: what its rule asks for on this weather, hours, caps and flow without limit; kept_l: what hours,
    days, caps and flow kept back, of each spell of days the most that waited at once (null where no plan of
    the month is on record); timer_l: what a fixed timer would have used.
    """

    month: str  # 2026-07
    zone: str
    given_l: float
    asked_l: float
    kept_l: float | None
    timer_l: float


class ZoneReport(TypedDict):
    """Totals of a zone; short_days: watering days on which the supply kept some of its water.

    least_l, most_l: what it may have got, where a run's length or answer is in doubt.
    """

    given_l: float
    least_l: float
    most_l: float
    asked_l: float
    kept_l: float
    timer_l: float
    net_mm: float
    rain_eff_mm: float
    etc_mm: float
    percolation_mm: float
    short_use_mm: float
    stress_days: int
    short_days: int
    runs: int
    interrupted: int  # cut short, or bounds in place of a length
    unanswered: int
    repairs: int
    row_repairs: dict[str, int]  # by row, of those that named theirs: so many couplings
    tape_crops: int | None  # crops on this tape so far; null where nobody said when it was laid
    tape_lasts: float | None


class CurveDay(TypedDict):
    """A zone's root zone on one day: Dr in the morning before water, with one standard deviation."""

    date: Day
    deficit_mm: float
    deficit_sd_mm: float
    trigger_mm: float | None
    raw_mm: float
    taw_mm: float
    rain_mm: float
    net_mm: float
    ks: float


class MonthWeather(TypedDict):
    """earlier: mean of the same days in `years` earlier years on record; null without one."""

    month: str
    days: int
    rain_mm: float
    et0_mm: float
    rain_earlier_mm: float | None
    et0_earlier_mm: float | None
    years: int


class FlowMonth(TypedDict):
    """Litres that the meter saw in runs told by it, against minutes times flow as worked out."""

    month: str
    zone: str
    runs: int
    metered_l: float
    expected_l: float


class MeterTotal(TypedDict):
    """Meter against log: runs that a meter told, what minutes times flow make of them, and all of the log."""

    runs: int
    metered_l: float
    expected_l: float
    given_l: float


class SkillShort(TypedDict):
    source: str
    field: str
    lead_days: int
    pairs: int
    bias: float
    root_mean_square: float


class Done(TypedDict):
    date: Day
    what: str
    zone: str | None


class Cost(TypedDict):
    per_l: float
    currency: str
    given: float
    timer: float


class Advice(TypedDict):
    text: str
    rests_on: str  # the number, and where in this report it stands


class ReportPage(Span):
    """The season in one page, from the store and its own plans."""

    garden: str
    display: Display
    timezone: str
    made_at: Moment
    timer: str  # what is taken of the fixed timer
    months: list[MonthWater]
    zones: dict[str, ZoneReport]
    curves: dict[str, list[CurveDay]]
    weather: list[MonthWeather]
    flow: list[FlowMonth]
    meter: NotRequired[MeterTotal]  # where a meter told any run
    skill: list[SkillShort]
    done: list[Done]
    cost: NotRequired[Cost]
    advice: list[Advice]
    remarks: list[str]  # what is not known, and why
