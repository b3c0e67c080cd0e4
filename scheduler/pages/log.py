"""The log page: per date and zone, minutes planned and water really given (model M9)."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from scheduler.store.store import Store


def log_page(store: Store, first: date, last: date, zone: str | None) -> dict[str, Any]:
    """`minutes`, `liters` and depths are None where a planned run was never answered: unknown is not zero."""
    from scheduler.store.store import effective_applied

    planned: dict[tuple[date, str], float] = {}
    for plan in store.plans(first, last):
        for run in plan.page.get("runs", ()):
            key = (plan.day, run["zone"])
            planned[key] = planned.get(key, 0.0) + run["minutes"]
    given: dict[tuple[date, str], list[Any]] = {}
    for record in effective_applied(store.applied(first, last)):
        given.setdefault((record.day, record.zone), []).append(record)
    keys = [key for key in sorted(planned.keys() | given.keys()) if zone is None or key[1] == zone]
    days = [_row(key, planned.get(key, 0.0), given.get(key, [])) for key in keys]
    zones: dict[str, dict[str, float]] = {}
    for row in days:
        total = zones.setdefault(
            row["zone"], dict.fromkeys(("planned_minutes", "minutes", "liters", "gross_mm", "net_mm"), 0.0)
        )
        for name in total:
            total[name] = round(total[name] + (row[name] or 0.0), 4)
    return {"from": first.isoformat(), "to": last.isoformat(), "zones": zones, "days": days}


def _row(key: tuple[date, str], planned: float, records: list[Any]) -> dict[str, Any]:
    day, zone = key
    sums = {
        name: round(sum(getattr(record, name) for record in records), 4) if records else None
        for name in ("minutes", "liters", "gross_mm", "net_mm")
    }
    return {"date": day.isoformat(), "zone": zone, "planned_minutes": planned, **sums,
            "outcome": records[-1].outcome if records else "not answered"}  # fmt: skip
