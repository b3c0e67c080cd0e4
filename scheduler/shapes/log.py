"""`rowwater log --json`: water planned and water given."""

from __future__ import annotations

from typing import TypedDict

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


class LogPage(Span):
    """`rowwater log --json`."""

    zones: dict[str, LogTotal]
    days: list[LogLine]
