"""What the zones may have had of today's water: the most of it, where nobody knows exactly.

The plan of the same day reckons with that, so that nothing is given twice. The balance of later days takes
the best estimate, and its doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live
from scheduler.planning.on_record import liters_at_most, spent


@dataclass(frozen=True, slots=True)
class GivenToday:
    """(zone,) arrays. Whatever opened the valve, or noted: runs in hand count as planned."""

    net_mm: Mm  # at most; what is washed out with the salt is not in it
    minutes: Minutes  # at most
    unsure_minutes: Minutes  # of these, beyond the best estimate


def given_today(facts: Facts, live: Live, *, as_planned: bool = False) -> GivenToday:
    """as_planned: what runs by hand are to give whose start has passed counts too."""
    kept = np.ones(len(facts.zones)) if live.leaching is None else 1 - live.leaching
    net_per_minute = kept / live.terms.minutes_per_mm[live.today]
    runs = facts.in_hand() if as_planned else facts.opened()
    asked = [share for opening in facts.under_way for share in opening.shares]
    booked = list(spent(a for a in facts.applied if a.day == facts.day))

    def of_zones(told: Callable[[str], Iterator[float]]) -> FloatArray:
        return np.array([sum(told(zone.name)) for zone in facts.zones], dtype=np.float64)

    net = of_zones(lambda name: (a.net_mm for a in facts.applied_on(name, facts.day)))
    unsure = of_zones(lambda name: (one.unsure_minutes for one in booked if one.zone == name))
    by_hand = of_zones(lambda name: (share.minutes for share in asked if share.zone == name))
    planned = of_zones(lambda name: (run.net_mm for run in runs if run.zone == name))
    minutes = of_zones(lambda name: (one.most_minutes for one in booked if one.zone == name))
    return GivenToday(
        net_mm=kept * net + planned + (unsure + by_hand) * net_per_minute,
        minutes=minutes + by_hand + of_zones(lambda name: (r.minutes for r in runs if r.zone == name)),
        unsure_minutes=unsure,
    )


def liters_by_day(facts: Facts, live: Live) -> dict[date, float]:
    """The most water that may have run, by date; what runs just now in full."""
    flow = {zone.name: stand_flow(live, z) for z, zone in enumerate(facts.zones)}
    used = liters_at_most(spent(facts.applied), flow)
    now = sum(run.liters for run in facts.in_hand())
    now += sum(share.minutes * share.flow_lpm for one in facts.under_way for share in one.shares)
    return used | ({facts.day: used.get(facts.day, 0.0) + now} if now else {})


def stand_flow(live: Live, z: int) -> float:
    """L/min of the rows that stand today, 0 where none do."""
    stand = int(live.terms.stand[live.today, z])
    return 0.0 if stand < 0 else float(live.terms.stands[stand].delivery.flow_lpm)
