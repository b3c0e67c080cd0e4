"""What a fixed timer would have used: set once for each zone's hottest week, and left there."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from scheduler.core.arrays import FloatArray, Mm
from scheduler.core.balance.short_use import asked
from scheduler.core.balance.soil import Balance
from scheduler.core.balance.terms import Terms
from scheduler.model import Supply

TIMER = (
    "a timer set for each zone's hottest seven days and left there: that water on every watering day from "
    "planting to pulling, rain or none"
)
WEEK = 7


def timer_liters(terms: Terms, balance: Balance, supply: Supply, days: slice) -> FloatArray:
    """(day, zone) L of the days of `days`; what is not standing, or no watering day, has none.

    A common way to set a timer, no source: what the zone asks for in the seven days that ask most, spread
    over the watering days of a week, through rows of its uniformity.
    """
    standing = terms.standing[days]
    wants = np.where(standing, asked(terms, balance)[days], 0.0)
    first = terms.first + timedelta(days=days.start)
    allowed = np.array([supply.days.allows(first + timedelta(days=d)) for d in range(len(wants))])
    share = allowed.mean() if allowed.any() else 1.0
    each = _hottest_week(wants) / share
    return np.asarray(each * liters_per_mm(terms)[days] * standing * allowed[:, None])


def _hottest_week(wants: Mm) -> Mm:
    """(zone,) mean of the seven days that want most; of all days where there are fewer."""
    width = min(WEEK, len(wants))
    sums = np.cumsum(np.vstack([np.zeros(wants.shape[1]), wants]), axis=0)
    return np.asarray((sums[width:] - sums[:-width]).max(axis=0) / width)


def liters_per_mm(terms: Terms) -> FloatArray:
    """(day, zone) L of a net mm: area over uniformity; 0 on bare soil."""
    of_stand = [s.planting.rows.area_m2 / s.delivery.uniformity for s in terms.stands]
    return np.array([*of_stand, 0.0])[terms.stand]


def flow_lpm(terms: Terms) -> FloatArray:
    """(day, zone) L/min of what stands; 0 on bare soil."""
    return np.array([*(s.delivery.flow_lpm for s in terms.stands), 0.0])[terms.stand]
