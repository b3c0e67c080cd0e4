"""What the supply keeps from a zone this morning, and what of the supply it is."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.supply import OVER_FLOW, WITHIN
from scheduler.core.week.capacity import Capacity, pack_day
from scheduler.core.week.outcome import terms_of
from scheduler.core.week.problem import Week
from scheduler.core.week.rule import rule_minutes
from scheduler.core.week.short import unbound
from scheduler.core.week.valves import Valves
from scheduler.model import Garden
from scheduler.planning.day_rules import rules_from, water_from

FULL = "the watering hours are full"


def ample_minutes(week: Week) -> Minutes:
    """(zone,) What its own rule, with all the water in the world, gives each zone on the first day."""
    if not week.days:
        return np.zeros(len(week.zones))
    free = unbound(week)
    every_day = np.where(np.arange(week.days) == 0, 1e5, free.window)  # a dry day wants water all the same
    valves = Valves(replace(free, window=every_day, valve_cap=np.full(week.valves, np.inf)))
    return np.asarray(valves.spread(rule_minutes(valves, terms_of(valves)))[0])


def why_not_today(garden: Garden, week: Week, minutes: Minutes, z: int, today: date) -> str | None:
    """What stops one more minute of a zone's valve today; None where nothing does.

    minutes: (day, zone) as planned: water of a month's cap that later days get is not there today.
    """
    if not rules_from(garden.supply, today)[0].allowed:
        return _not_a_watering_day(garden, today)
    valves, v = Valves(week), int(week.valve[z])
    flow = float(valves.flow[0, v])
    if flow > week.usable_lpm * (1 + WITHIN):
        return OVER_FLOW
    if not valves.allowed[0]:
        return "today's watering hours are over"
    of_valve = np.array([valves.most_of(row) for row in np.where(valves.takes_part, minutes, 0.0)])
    given = of_valve[0, v]
    more = max(given + 1, float(valves.least[0, v]))
    if more > week.valve_cap[v]:
        return "the valve's cap"
    for cap in week.caps:
        days = list(cap.days)
        used = float((valves.flow[days] * of_valve[days]).sum())
        if 0 in cap.days and used + (more - given) * flow > cap.liters + 1e-6:
            return cap.why
    of_valve[0, v] = more
    full = [r for r, left in enumerate(Capacity(valves).slack(of_valve)) if left < -1e-6]
    if any(Capacity(valves).rows[r].why == "zones kept apart" for r in full):
        return "zones kept apart leave no time (supply.not_together)"
    return FULL if full or pack_day(valves, 0, of_valve[0]).runs is None else None


def _not_a_watering_day(garden: Garden, today: date) -> str:
    begin = water_from(garden, today + timedelta(days=1))
    if begin is None:
        return "not a watering day, and none is in sight"
    return f"not a watering day: the next is {begin:%a %Y-%m-%d}"
