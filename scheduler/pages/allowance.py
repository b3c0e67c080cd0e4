"""What `rowwater check` says of hours, days and caps that differ by month."""

from __future__ import annotations

import calendar
import math
from datetime import date, timedelta

import numpy as np

from scheduler.core.balance.et import ReferenceET
from scheduler.core.system.allowance import hottest_by_month, too_little
from scheduler.core.system.check import GardenCheck, hottest_week
from scheduler.model import Garden
from scheduler.planning.day_rules import rules_from
from scheduler.shapes.check import ProblemLine
from scheduler.show import show_volume


def allowance_problems(
    garden: Garden, check: GardenCheck, et: ReferenceET | None, today: date
) -> list[ProblemLine]:
    """Months of the next year in which the rules do not allow what the hottest week of that month asks for.

    () without a climate, and where neither months nor caps are ruled: the hours are judged elsewhere.
    """
    supply = garden.supply
    if et is None or not (supply.by_month or supply.monthly_cap_l or supply.daily_cap_l) or not check.zones:
        return []
    hottest = hottest_week(et.et0_mm)
    allowed = sum(supply.days.allows(today + timedelta(days=d)) for d in range(28)) / 28
    minutes = check.morning_minutes * allowed
    liters = sum(zone.peak_minutes * zone.stand.delivery.flow_lpm for zone in check.zones)
    if not (math.isfinite(hottest) and math.isfinite(minutes) and math.isfinite(liters)):
        return []
    months = [(et.first + timedelta(days=k)).month for k in range(len(et.et0_mm))]
    cropped = _cropped_months(garden)
    found = too_little(
        rules_from(supply, today, 366),
        hottest=hottest,
        by_month={m: v for m, v in hottest_by_month(np.asarray(et.et0_mm), months).items() if m in cropped},
        minutes=minutes,
        liters=liters,
        timezone=garden.location.timezone,
    )
    return [
        {
            "zone": None,
            "text": _text(garden, one.month, one.what, one.needs, one.allows),
            "mend": "allow more there, or plant less that grows in that month",
            "level": "look",
        }
        for one in found
    ]


def _cropped_months(garden: Garden) -> set[int]:
    """Months in which a planting stands."""
    found: set[int] = set()
    for zone in garden.zones:
        for planting in zone.plantings:
            end = planting.pulled or planting.planted + timedelta(days=sum(planting.crop.stage_days))
            days = range(0, max((end - planting.planted).days, 1), 7)
            found |= {(planting.planted + timedelta(days=k)).month for k in days}
    return found


def _text(garden: Garden, month: int, what: str, needs: float, allows: float) -> str:
    name = calendar.month_name[month]
    if what == "watering days":
        return f"{name} has no watering day (supply.days, supply.by_month)"
    unit, _, per = what.partition(" ")
    if unit == "minutes":
        numbers = f"{needs:.0f} min {per}; the hours give {allows:.0f}"
    else:
        shown = [show_volume(liters, garden.display) for liters in (needs, allows)]
        numbers = f"{shown[0]} {per}; the cap gives {shown[1]}"
    return f"the hottest week of {name} asks for {numbers}"
