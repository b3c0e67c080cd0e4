"""`rowwater log --json`: water planned and water given."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from scheduler.shapes.base import Bounds, Day, Span


class LogLine(Bounds):
    """null: a planned run that was never answered."""

    date: Day
    zone: str
    planned_minutes: float
    minutes: float | None
    liters: float | None
    gross_mm: float | None
    net_mm: float | None
    outcome: str


class LogTotal(TypedDict):
    planned_minutes: float
    minutes: float
    liters: float
    gross_mm: float
    net_mm: float


class LogMonth(Span):
    """The month of the last day, as far as that day: litres by day, and the caps that hold on it.

    metered_l: those that a meter told, or that somebody measured; the others are minutes times flow.
    """

    liters: float
    metered_l: float
    by_day: dict[Day, float]
    daily_cap_l: float | None
    monthly_cap_l: float | None


class LogPage(Span):
    """`rowwater log --json`; month: of all zones."""

    month: NotRequired[LogMonth]
    zones: dict[str, LogTotal]
    days: list[LogLine]
