"""`rowwater note list --json`."""

from __future__ import annotations

from typing import TypedDict

from scheduler.shapes.base import Day, Moment


class NotedWater(TypedDict):
    """Water of one run, or of one amount that the grower told."""

    zone: str
    date: Day
    minutes: float
    liters: float
    net_mm: float


class NoteLine(TypedDict):
    """kind: "applied" of water booked by hand, "undo" of what takes back another; details: as kept."""

    number: int
    recorded_at: Moment
    date: Day
    kind: str
    zone: str | None
    water: list[NotedWater]
    details: dict[str, str | float | bool]
    withdraws: int | None
    withdrawn_by: int | None


class NotesPage(TypedDict):
    """`rowwater note list --json`, in the order of telling."""

    notes: list[NoteLine]
