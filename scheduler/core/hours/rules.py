"""When and how much water is allowed: hours and days that differ by month, caps, zones kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

from scheduler.core.hours.runs import minutes_between, watering_window
from scheduler.model import MonthRule, Supply

DAILY_CAP, MONTHLY_CAP = "the daily cap on water", "the month's cap on water"


class PeriodCap(NamedTuple):
    """Water that may still be used on some days together: a daily cap, what is left of a month's."""

    days: tuple[int, ...]
    liters: float
    why: str = "the cap on water"


@dataclass(frozen=True, slots=True)
class Restrictions:
    """The last rule that names a month wins, field by field."""

    by_month: tuple[MonthRule, ...] = ()
    monthly_cap_l: float | None = None
    apart: tuple[tuple[str, ...], ...] = ()  # zones of which no two run at one time


@dataclass(frozen=True, slots=True)
class DayRule:
    """What holds on one date."""

    day: date
    allowed: bool
    hours_from: time
    hours_until: time
    daily_cap_l: float | None
    monthly_cap_l: float | None

    def window(self, timezone: str) -> tuple[datetime, datetime]:
        """The hours in their own UTC offsets, allowed or not."""
        return watering_window(self.day, self.hours_from, self.hours_until, timezone)

    def minutes(self, timezone: str) -> float:
        """True length of the hours, 0 where no water is allowed: a clock change may move it."""
        return minutes_between(*self.window(timezone)) if self.allowed else 0.0


def day_rule(day: date, supply: Supply, restrictions: Restrictions = Restrictions()) -> DayRule:
    hours_from, hours_until, days = supply.hours_from, supply.hours_until, supply.days
    daily, monthly = supply.daily_cap_l, restrictions.monthly_cap_l
    for rule in restrictions.by_month:
        if day.month not in rule.months:
            continue
        hours_from = hours_from if rule.hours_from is None else rule.hours_from
        hours_until = hours_until if rule.hours_until is None else rule.hours_until
        days = days if rule.days is None else rule.days
        daily = daily if rule.daily_cap_l is None else rule.daily_cap_l
        monthly = monthly if rule.monthly_cap_l is None else rule.monthly_cap_l
    allowed = days.allows(day) and hours_from < hours_until
    return DayRule(day, allowed, hours_from, hours_until, daily, monthly)


def day_rules(
    first: date, count: int, supply: Supply, restrictions: Restrictions = Restrictions()
) -> tuple[DayRule, ...]:
    return tuple(day_rule(first + timedelta(days=k), supply, restrictions) for k in range(count))


def period_caps(rules: Sequence[DayRule], used_l: Mapping[date, float]) -> tuple[PeriodCap, ...]:
    """Caps over consecutive days from today on.

    used_l: litres by date, of this month's days so far and of today; water of any kind counts.
    """
    caps = [
        PeriodCap((k,), max(rule.daily_cap_l - used_l.get(rule.day, 0.0), 0.0), DAILY_CAP)
        for k, rule in enumerate(rules)
        if rule.daily_cap_l is not None
    ]
    months = list(dict.fromkeys((rule.day.year, rule.day.month) for rule in rules))
    for year, month in months:
        which = tuple(k for k, rule in enumerate(rules) if (rule.day.year, rule.day.month) == (year, month))
        cap = rules[which[0]].monthly_cap_l
        if cap is None:
            continue
        used = sum(liters for day, liters in used_l.items() if (day.year, day.month) == (year, month))
        caps.append(PeriodCap(which, max(cap - used, 0.0), MONTHLY_CAP))
    return tuple(caps)


def apart_zones(restrictions: Restrictions, zones: Sequence[str]) -> tuple[tuple[int, ...], ...]:
    """Groups as indices of the zones; a name that no zone has is left out."""
    index = {name: k for k, name in enumerate(zones)}
    groups = (tuple(index[name] for name in group if name in index) for group in restrictions.apart)
    return tuple(group for group in groups if len(group) > 1)
