"""The log page: per date and zone, minutes planned and water really given (model M9)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING

from scheduler.pages.rounding import rounded
from scheduler.planning.on_record import Given, bounds_of, given, planned_minutes
from scheduler.store.effective import effective_applied
from scheduler.store.store import Store

if TYPE_CHECKING:
    from scheduler.shapes.log import LogLine, LogMonth, LogPage, LogTotal


def log_page(store: Store, first: date, last: date, zone: str | None) -> LogPage:
    """`minutes`, `liters` and depths are None where a planned run was never answered: unknown is not zero."""
    planned = planned_minutes(store.plans(first, last))
    water = given(store.applied(first, last))
    keys = [key for key in sorted(planned.keys() | water.keys()) if zone is None or key[1] == zone]
    days = [_line(*key, planned.get(key, 0.0), water.get(key)) for key in keys]
    zones = dict.fromkeys(line["zone"] for line in days)
    return {
        "from": first.isoformat(),
        "to": last.isoformat(),
        "zones": {name: _total(line for line in days if line["zone"] == name) for name in zones},
        "days": days,
    }


def log_month(store: Store, last: date, daily_cap_l: float | None, monthly_cap_l: float | None) -> LogMonth:
    """Of all zones, up to `last`; the caps are those of that day."""
    first = last.replace(day=1)
    water = effective_applied(store.applied(first, last))
    by_day: dict[str, float] = {}
    for record in water:
        by_day[record.day.isoformat()] = by_day.get(record.day.isoformat(), 0.0) + record.liters
    return {
        "from": first.isoformat(),
        "to": last.isoformat(),
        "liters": _sum(by_day.values()),
        "metered_l": _sum(record.liters for record in water if record.measured),
        "by_day": {day: rounded(liters) for day, liters in sorted(by_day.items())},
        "daily_cap_l": daily_cap_l,
        "monthly_cap_l": monthly_cap_l,
    }


def _line(day: date, zone: str, planned_minutes: float, water: Given | None) -> LogLine:
    return {
        "date": day.isoformat(),
        "zone": zone,
        "planned_minutes": planned_minutes,
        "minutes": water.minutes if water else None,
        "liters": water.liters if water else None,
        "gross_mm": water.gross_mm if water else None,
        "net_mm": water.net_mm if water else None,
        "outcome": water.outcome if water else "not answered",
        **bounds_of(water),
    }


def _total(lines: Iterable[LogLine]) -> LogTotal:
    mine = list(lines)
    return {
        "planned_minutes": _sum(line["planned_minutes"] for line in mine),
        "minutes": _sum(line["minutes"] for line in mine),
        "liters": _sum(line["liters"] for line in mine),
        "gross_mm": _sum(line["gross_mm"] for line in mine),
        "net_mm": _sum(line["net_mm"] for line in mine),
    }


def _sum(values: Iterable[float | None]) -> float:
    """What is not known counts for nothing."""
    return rounded(sum(value or 0.0 for value in values))
