"""Water given lately, as today.json lists it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from scheduler.model import Applied, StoredPlan
from scheduler.store.effective import effective_applied


def given_lines(records: Sequence[Applied], plans: Iterable[StoredPlan]) -> list[dict[str, Any]]:
    """One line per zone and day, oldest first. records: in the order of recording."""
    planned: dict[tuple[str, str], float] = {}
    for plan in plans:
        for run in plan.page.get("runs", ()):
            key = (plan.day.isoformat(), run["zone"])
            planned[key] = planned.get(key, 0.0) + run["minutes"]
    groups: dict[tuple[str, str], list[Applied]] = {}
    for record in effective_applied(records):
        groups.setdefault((record.day.isoformat(), record.zone), []).append(record)
    return [
        {
            "zone": zone,
            "date": day,
            "minutes": round(sum(a.minutes for a in found), 4),
            "liters": round(sum(a.liters for a in found), 4),
            "net_mm": round(sum(a.net_mm for a in found), 4),
            "planned_minutes": planned.get((day, zone), 0.0),
            "outcome": found[-1].outcome,
        }
        for (day, zone), found in sorted(groups.items())
    ]
