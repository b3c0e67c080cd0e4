"""On which days of a planting its stages end, reckoned on where its warmth is not known yet."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from scheduler.core.balance.stands import Pace, Stand
from scheduler.model import DryOff, Planting

LATE_DAYS = 14
"""The mean warmth of so many known days goes on (own choice; for dates that are told, never for water)."""
LATE_SEASON = 3


def last_number(pace: Pace, x: float) -> int | None:
    """Number of the last day that does not go beyond x, days or degree-days; None: no warmth to go by.

    >>> last_number(Pace(np.array([20.0, 50.0, 80.0, 90.0])), 50.0)
    50
    >>> sums = np.array([0.0, 10.0, 22.0, 30.0])
    >>> [last_number(Pace(np.zeros(4), sums), x) for x in (21.9, 22.0, 50.0)]
    [1, 2, 5]
    """
    if pace.sums is None:
        return int(np.floor(x + 1e-9))
    if x < pace.sums[-1]:
        return int(np.searchsorted(pace.sums, x, side="right")) - 1
    late = pace.sums[-LATE_DAYS - 1 :]
    daily = float(late[-1] - late[0]) / max(len(late) - 1, 1)
    return len(pace.sums) - 1 + int((x - float(pace.sums[-1])) / daily) if daily > 0 else None


def stage_ends(stand: Stand) -> list[date] | None:
    """The last day of each of the four stages; None: no warmth to go by."""
    numbers = [last_number(stand.fixed.pace, float(bound)) for bound in stand.fixed.pace.bounds]
    known = [number for number in numbers if number is not None]
    if len(known) < len(numbers):
        return None
    return [stand.planting.planted + timedelta(days=number - 1) for number in known]


def drying_rule(planting: Planting) -> DryOff | None:
    """What the planting, else its crop, says of drying off; None where it has none."""
    rule = planting.crop.dry_off if planting.dry_off is None else planting.dry_off
    return rule if rule is not None and rule.days else None


def dry_from(stand: Stand) -> date | None:
    """The day on which drying off begins, as far as it can be reckoned (model M13)."""
    planting, pace = stand.planting, stand.fixed.pace
    rule = drying_rule(planting)
    begins = [planting.dry_from] if planting.dry_from is not None else []
    if rule is not None and planting.harvest is not None:
        begins.append(planting.harvest - timedelta(days=rule.days))
    elif rule is not None:
        late = planting.crop.stage_days[LATE_SEASON]
        share = max(1 - rule.days / late, 0.0) if late else 0.0
        before = float(pace.bounds[2] + share * (pace.bounds[3] - pace.bounds[2]))
        if (number := last_number(pace, before)) is not None:
            begins.append(planting.planted + timedelta(days=number))
    return min(begins, default=None)
