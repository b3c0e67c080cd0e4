"""Do hours, days and caps leave a garden what it uses in the hottest week of each month (model M7, M8).

Cheap and rough: all sections one after another, no rain, crops full grown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scheduler.core.arrays import Mm
from scheduler.core.hours.rules import DayRule

WEEK = 7


@dataclass(frozen=True, slots=True)
class Allowance:
    """One month whose rules leave too little; of each need only the tightest is told."""

    month: int
    what: str  # "minutes a watering morning", "liters a watering day", "liters a month"
    needs: float
    allows: float


def week_means(et0: Mm) -> Mm:
    """(week,) means of 7 consecutive days of (day,) ET0, mm/d; none with fewer days, nan where one is nan.

    >>> week_means(np.array([4.0] * 7 + [11.0])).round(6).tolist()      # the second week: (6 x 4 + 11) / 7
    [4.0, 5.0]
    """
    if len(et0) < WEEK:
        return np.empty(0)
    return np.convolve(et0, np.full(WEEK, 1 / WEEK), mode="valid")


def hottest_by_month(et0: Mm, months: Sequence[int]) -> dict[int, float]:
    """Highest mean of 7 consecutive days of (day,) ET0, mm/d, by the month of the middle day.

    >>> found = hottest_by_month(np.array([5.0] * 10 + [7.0] * 7), [6] * 10 + [7] * 7)
    >>> {month: round(mean, 3) for month, mean in found.items()}
    {6: 5.857, 7: 7.0}
    """
    found: dict[int, float] = {}
    for k, mean in enumerate(week_means(et0).tolist()):
        month = months[k + WEEK // 2]
        if math.isfinite(mean) and mean > found.get(month, 0.0):
            found[month] = mean
    return found


def too_little(
    rules: Sequence[DayRule], *, hottest: float, by_month: dict[int, float], minutes: float, liters: float,
    timezone: str,
) -> list[Allowance]:  # fmt: skip
    """Months in which the rules do not allow what the hottest week asks for.

    rules: a year of dates.  hottest: ET0 of the hottest week, mm/d, for which minutes (all sections, a day's
    use) and liters (a day's use) hold; by_month: the same of each month.
    """
    found = []
    for month in sorted(by_month):
        mine = [rule for rule in rules if rule.day.month == month]
        allowed = [rule for rule in mine if rule.allowed]
        share = by_month[month] / hottest
        if not mine or not share > 0:
            continue
        if not allowed:
            found.append(Allowance(month, "watering days", 1.0, 0.0))
            continue
        spread = len(mine) / len(allowed)  # a watering day carries the use of the days between
        cap, monthly = allowed[0].daily_cap_l, allowed[0].monthly_cap_l
        tests = [
            (
                "minutes a watering morning",
                minutes * share * spread,
                min(r.minutes(timezone) for r in allowed),
            )
        ]
        if cap is not None:
            tests.append(("liters a watering day", liters * share * spread, cap))
        if monthly is not None:
            tests.append(("liters a month", liters * share * len(mine), monthly))
        short = [
            (allows / needs, what, needs, allows)
            for what, needs, allows in tests
            if allows < needs * (1 - 1e-6)
        ]
        if short:
            _, what, needs, allows = min(short)
            found.append(Allowance(month, what, needs, allows))
    return found
