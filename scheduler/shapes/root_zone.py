"""A zone's root zone over its season: what is drawn of it."""

from __future__ import annotations

from typing import TypedDict

from scheduler.shapes.base import Day
from scheduler.shapes.report import CurveDay
from scheduler.shapes.week import ZoneDay


class Morning(TypedDict):
    """Before the day's water, as planned with."""

    date: Day
    deficit_mm: float
    deficit_sd_mm: float
    raw_mm: float
    trigger_mm: float | None


class RootZone(TypedDict):
    """days: the mornings of the past on which a crop stood; ahead: the week, from the day of the plan on."""

    zone: str
    days: list[CurveDay]
    ahead: list[ZoneDay]
    morning: Morning | None  # of the plan; null without a crop
