"""What garden.yaml allows on one date: the supply's rules with what replaces them in that month."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime

from scheduler.core.hours.rules import DayRule, Restrictions, day_rules
from scheduler.model import Garden, Supply

LOOK_AHEAD_DAYS = 62
"""How far a next watering day is looked for: a month may have none."""


def restrictions_of(supply: Supply) -> Restrictions:
    return Restrictions(supply.by_month, supply.monthly_cap_l, supply.not_together)


def rules_from(supply: Supply, first: date, count: int = 1) -> tuple[DayRule, ...]:
    """The rules of `count` dates from `first` on."""
    return day_rules(first, count, supply, restrictions_of(supply))


def water_from(garden: Garden, day: date) -> datetime | None:
    """Begin of the first watering hours from a date on; None where no day in sight is a watering day."""
    rules = rules_from(garden.supply, day, LOOK_AHEAD_DAYS)
    return next((rule.window(garden.location.timezone)[0] for rule in rules if rule.allowed), None)


def supply_on(supply: Supply, day: date, used_l: Mapping[date, float]) -> Supply:
    """The supply as it is on one date, what is left of the month's water being the most of that day.

    used_l: litres by date, of this month so far and of today.
    """
    rule = rules_from(supply, day)[0]
    caps = [] if rule.daily_cap_l is None else [rule.daily_cap_l]
    if rule.monthly_cap_l is not None:
        month = (day.year, day.month)
        before = sum(liters for d, liters in used_l.items() if (d.year, d.month) == month and d != day)
        caps.append(max(rule.monthly_cap_l - before, 0.0))
    return replace(
        supply, hours_from=rule.hours_from, hours_until=rule.hours_until, daily_cap_l=min(caps, default=None)
    )
