"""Planned runs that nobody has said anything about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.model import Run
from scheduler.planning.facts import Facts
from scheduler.planning.on_record import net_whole, unanswered
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
    """Planned runs of the last days that no record of water answers, oldest first; of a day those of zones
    that garden.yaml has no more come last.
    """
    first = max(facts.day - timedelta(days=ASK_BACK_DAYS), facts.start)
    plans = [plan for day, plan in sorted(facts.plans.items()) if first <= day < facts.day]
    order = {zone.name: z for z, zone in enumerate(facts.zones)}
    runs_of: dict[tuple[date, str], list[Run]] = {}
    for day, run in unanswered(plans, facts.applied):
        runs_of.setdefault((day, run.zone), []).append(run)
    return tuple(
        Unanswered(
            zone,
            day,
            minutes=sum(run.minutes for run in runs),
            liters=sum(run.liters for run in runs),
            net_mm=sum(net_whole(facts.plans[day], run) for run in runs),
        )
        for (day, zone), runs in sorted(
            runs_of.items(), key=lambda found: (found[0][0], order.get(found[0][1], len(order)))
        )
    )
