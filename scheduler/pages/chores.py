"""Chores that are due, told in the morning until they are noted as done."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from scheduler.core.system.upkeep import chores_due, last_noted
from scheduler.model import Garden, Notice
from scheduler.planning.facts import Facts
from scheduler.show import show_flow, show_temperature

PATIENCE_DAYS = 7
"""A routine chore is a remark at first; later it asks for an eye."""


def chore_notices(garden: Garden, facts: Facts) -> Iterator[Notice]:
    """Tape, filter, bucket, flushing, winter drain: said when due, until noted as done."""
    watered: dict[str, list[date]] = {}
    for record in facts.applied:
        if record.minutes > 0:
            watered.setdefault(record.zone, []).append(record.day)
    ahead = {
        day: float(facts.weather.tmin_c[i]) for i, day in enumerate(facts.weather.dates()) if day >= facts.day
    }
    for chore in chores_due(
        replace(garden, zones=facts.zones),
        facts.day,
        noted=last_noted(facts.notes),
        watered=watered,
        tmin_ahead_c=ahead,
        say_flow=lambda lpm: show_flow(lpm, garden.display),
        say_temperature=lambda celsius: show_temperature(celsius, garden.display),
    ):
        text = f"{chore.zone}: {chore.what}" if chore.zone else chore.what
        patient = chore.kind not in ("tape", "drain") and chore.overdue_days < PATIENCE_DAYS
        how = f": {chore.how}" if chore.how else ""
        yield Notice("info" if patient else chore.level, f"{text} ({chore.why}){how}")
