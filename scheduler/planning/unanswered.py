"""Planned runs that nobody has said anything about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.planning.facts import Facts
from scheduler.planning.spans import ASK_BACK_DAYS


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A planned run that nobody has said anything about."""

    zone: str
    day: date
    minutes: float
    liters: float
    net_mm: float


def unanswered_runs(facts: Facts) -> tuple[Unanswered, ...]:
    """Planned runs of the last days that no record of water answers, oldest first."""
    found = []
    for day, plan in sorted(facts.plans.items()):
        if not max(facts.day - timedelta(days=ASK_BACK_DAYS), facts.start) <= day < facts.day:
            continue
        for zone in facts.zones:
            runs = [run for run in plan.page.get("runs", ()) if run["zone"] == zone.name]
            if runs and not facts.applied_on(zone.name, day):
                totals = (sum(run[key] for run in runs) for key in ("minutes", "liters", "net_mm"))
                found.append(Unanswered(zone.name, day, *totals))
    return tuple(found)
