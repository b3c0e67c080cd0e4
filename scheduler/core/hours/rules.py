"""When and how much water is allowed: hours and days that differ by month, caps, zones kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from scheduler.core.hours.windows import over_midnight, stretch, watering_windows
from scheduler.model import Hours, MonthRule, Supply, Windows

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
    hours: tuple[Hours, ...]
    daily_cap_l: float | None
    monthly_cap_l: float | None

    def windows(self, timezone: str) -> Windows:
        """The day's windows in their own UTC offsets, allowed or not; the last may end on the next date.

        timezone: a name of the IANA database.

        >>> from datetime import time
        >>> hours = Hours(time(1), time(4)), Hours(time(22), time(0, 30))
        >>> rule = DayRule(date(2026, 3, 8), True, hours, daily_cap_l=None, monthly_cap_l=None)
        >>> [[f"{at:%d %H:%M %z}" for at in window] for window in rule.windows("America/New_York")]
        [['08 01:00 -0500', '08 04:00 -0400'], ['08 22:00 -0400', '09 00:30 -0400']]
        """
        return watering_windows(self.day, self.hours, timezone)

    def minutes(self, timezone: str) -> float:
        """True length of the hours, minutes, 0 where no water is allowed: a clock change may move it.

        timezone: a name of the IANA database.

        >>> from datetime import time
        >>> rule = DayRule(date(2026, 3, 8), True, (Hours(time(1), time(4)),), None, None)
        >>> rule.minutes("America/New_York"), rule.minutes("UTC")
        (120.0, 180.0)
        """
        return stretch(self.windows(timezone)).open_minutes if self.allowed else 0.0


def day_rule(day: date, supply: Supply, restrictions: Restrictions = Restrictions()) -> DayRule:
    """Hours, caps (L) and whether water may run, on one date: the supply's own, then the rules of the month.

    Of the rules that name the month the last wins, field by field; a field it leaves out stays as it was.

    >>> from datetime import time
    >>> summer = MonthRule(frozenset({6, 7, 8}), hours=(Hours(time(21), time(2)),), daily_cap_l=900.0)
    >>> july = day_rule(date(2026, 7, 1), Supply(20.0), Restrictions(by_month=(summer,)))
    >>> july.allowed, [hour.isoformat("minutes") for hour in july.hours[0]], july.daily_cap_l
    (True, ['21:00', '02:00'], 900.0)
    """
    hours, days = supply.hours, supply.days
    daily, monthly = supply.daily_cap_l, restrictions.monthly_cap_l
    for rule in restrictions.by_month:
        if day.month not in rule.months:
            continue
        hours = hours if rule.hours is None else rule.hours
        days = days if rule.days is None else rule.days
        daily = daily if rule.daily_cap_l is None else rule.daily_cap_l
        monthly = monthly if rule.monthly_cap_l is None else rule.monthly_cap_l
    return DayRule(day, days.allows(day), hours, daily, monthly)


def day_rules(
    first: date, count: int, supply: Supply, restrictions: Restrictions = Restrictions()
) -> tuple[DayRule, ...]:
    """`day_rule` of `count` days in a row from `first` on; (day,).

    >>> [rule.day.isoformat() for rule in day_rules(date(2026, 7, 31), 2, Supply(20.0))]
    ['2026-07-31', '2026-08-01']
    """
    return tuple(day_rule(first + timedelta(days=k), supply, restrictions) for k in range(count))


def watering_date(at: datetime, supply: Supply, restrictions: Restrictions = Restrictions()) -> date:
    """The date whose plan a local moment belongs to: after midnight the day before, until its hours end.

    at: aware, in the site's own zone.

    >>> from datetime import time
    >>> evenings = Supply(20.0, hours=(Hours(time(22), time(2)),))
    >>> [str(watering_date(datetime(2026, 7, 2, hour, tzinfo=ZoneInfo("UTC")), evenings)) for hour in (1, 2)]
    ['2026-07-01', '2026-07-02']
    """
    today = at.date()
    hours = supply.hours, *(rule.hours or () for rule in restrictions.by_month)
    if not any(map(over_midnight, hours)):
        return today
    before = day_rule(today - timedelta(days=1), supply, restrictions)
    if not (before.allowed and over_midnight(before.hours)):
        return today
    assert isinstance(at.tzinfo, ZoneInfo)
    until = before.windows(at.tzinfo.key)[-1][1]
    return before.day if at.timestamp() < until.timestamp() else today


def period_caps(rules: Sequence[DayRule], used_l: Mapping[date, float]) -> tuple[PeriodCap, ...]:
    """Caps over consecutive days from today on, L that are left, never below 0: by day first, then by month.

    rules: of today and the days after it.  used_l: litres by date, of this month's days so far and of today;
    water of any kind counts.

    >>> july = DayRule(date(2026, 7, 31), True, Supply(20.0).hours, daily_cap_l=500.0, monthly_cap_l=9000.0)
    >>> [(cap.days, cap.liters) for cap in period_caps([july], {july.day: 120.0, date(2026, 7, 2): 8700.0})]
    [((0,), 380.0), ((0,), 180.0)]
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
    """Groups kept apart, as indices of the zones; a name that no zone has, and a group of one, are left out.

    >>> apart_zones(Restrictions(apart=(("north", "south"), ("east", "gone"))), ["north", "east", "south"])
    ((0, 2),)
    """
    index = {name: k for k, name in enumerate(zones)}
    groups = (tuple(index[name] for name in group if name in index) for group in restrictions.apart)
    return tuple(group for group in groups if len(group) > 1)
