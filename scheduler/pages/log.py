"""The log page: per date and zone, minutes planned and water really given (model M9)."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from scheduler.planning.on_record import Given, given, planned_minutes

if TYPE_CHECKING:
    from scheduler.store.store import Store


def log_page(store: Store, first: date, last: date, zone: str | None) -> dict[str, Any]:
    """`minutes`, `liters` and depths are None where a planned run was never answered: unknown is not zero."""
    planned = planned_minutes(store.plans(first, last))
    water = given(store.applied(first, last))
    keys = [key for key in sorted(planned.keys() | water.keys()) if zone is None or key[1] == zone]
    days = [_row(key, planned.get(key, 0.0), water.get(key)) for key in keys]
    zones: dict[str, dict[str, float]] = {}
    for row in days:
        total = zones.setdefault(
            row["zone"], dict.fromkeys(("planned_minutes", "minutes", "liters", "gross_mm", "net_mm"), 0.0)
        )
        for name in total:
            total[name] = round(total[name] + (row[name] or 0.0), 4)
    return {"from": first.isoformat(), "to": last.isoformat(), "zones": zones, "days": days}


def _row(key: tuple[date, str], planned: float, water: Given | None) -> dict[str, Any]:
    day, zone = key
    return {
        "date": day.isoformat(),
        "zone": zone,
        "planned_minutes": planned,
        "minutes": water and water.minutes,
        "liters": water and water.liters,
        "gross_mm": water and water.gross_mm,
        "net_mm": water and water.net_mm,
        "outcome": water.outcome if water else "not answered",
    }
