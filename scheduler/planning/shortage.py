"""What is at stake where the supply does not reach; what it keeps from a zone this morning, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from scheduler.core.arrays import FloatArray, Minutes, Mm
from scheduler.core.balance.need import Need
from scheduler.core.balance.soil import stress_coefficient
from scheduler.core.balance.terms import Terms
from scheduler.core.balance.yields import ky_of_stages, share_lost
from scheduler.core.pulsing import FULL, full_hours
from scheduler.core.supply import OVER_FLOW, WITHIN
from scheduler.core.week.capacity import Capacity, pack_day
from scheduler.core.week.loss import SUFFERED_DAYS, weights
from scheduler.core.week.outcome import terms_of
from scheduler.core.week.problem import Week
from scheduler.core.week.rule import rule_minutes
from scheduler.core.week.short import unbound
from scheduler.core.week.valves import Valves
from scheduler.model import Garden, YieldResponse, Zone
from scheduler.planning.day_rules import rules_from, water_from

PRIORITY = {"low": 0.5, "normal": 1.0, "high": 2.0}
"""How much a zone's stress counts (own choice, no source): enough to go first, not to let others wilt."""
LEAST_BY_HAND = 3
"""A run by hand is at least a full one divided by this: nobody walks there for five minutes (own choice)."""
UNKNOWN_KY = YieldResponse(1.0)
"""Of a crop that no source lists: yield falls in proportion to use."""


def at_stake(
    zones: Sequence[Zone], terms: Terms, days: slice, suffered: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Ky and weight of a week, (day, zone): by stage of growth, area, priority and what was suffered.

    suffered: (zone,) stress days of the last two weeks.
    """
    stand = terms.stand[days]
    ky, area = np.ones(stand.shape), np.zeros(stand.shape)
    for k, one in enumerate(terms.stands):
        here, z = np.flatnonzero(stand[:, one.zone] == k), one.zone
        if len(here):
            stage = terms.flat.response_stage[terms.flat.stand_at[k] + days.start + here - one.begin]
            ky[here, z] = ky_of_stages(one.planting.crop.yield_response or UNKNOWN_KY, stage)
            area[here, z] = one.planting.rows.area_m2
    priority = np.array([PRIORITY[zone.priority] for zone in zones])
    past = np.zeros(len(zones)) if suffered is None else suffered
    return ky, weights(area, priority, past, stand >= 0)


def urgency(zones: Sequence[Zone], need: Need, taw: Mm, suffered: FloatArray) -> FloatArray:
    """(zone,) Who goes first where no week is planned: up to 1 by deficit / RAW, above it who suffers most.

    Past RAW it is 1 + priority x (1 - Ks + stress days of two weeks / 14): at the wilting point the deficit
    grows no more, and those who waited must not wait for ever.  taw: (zone,) mm of today; suffered: (zone,)
    stress days of the last two weeks.
    """
    past_raw = need.deficit_now / need.raw
    lack = 1 - stress_coefficient(need.deficit_now, taw=taw, span=np.maximum(taw - need.raw, 1e-9))
    priority = np.array([PRIORITY[zone.priority] for zone in zones])
    dire = 1 + priority * (lack + suffered / SUFFERED_DAYS)
    return np.asarray(np.where(past_raw > 1, dire, past_raw))


def third_of_a_run(week: Week, minutes_per_mm: FloatArray, trigger: Mm, longest: Minutes) -> Minutes:
    """(zone,) A third of the minutes that refill each zone from its trigger, within its longest run."""
    depth = np.where(np.isfinite(trigger), np.maximum(trigger - week.leave_room, 0), 0.0)
    return np.asarray(np.ceil(np.minimum(depth * minutes_per_mm + week.fill, longest) / LEAST_BY_HAND))


def worth_the_walk(zones: Sequence[Zone], week: Week, minutes: Minutes) -> tuple[Week, ...]:
    """Where a run by hand of today is below a third of a full one: the week with longer ones, and with none.

    minutes: (zone,) of today as planned.  () where no such run is planned; settling runs are short by intent,
    and stay.
    """
    if not week.days:
        return ()
    by_hand = np.array([zone.valve.driver == "by_hand" for zone in zones], dtype=bool)
    valves = Valves(week)
    third = third_of_a_run(week, valves.minutes_per_mm[0], week.trigger[0], valves.most[0][week.valve])
    settles = week.settle[0] > np.maximum(np.ceil(week.shortest), 1)
    short = by_hand & ~settles & (minutes > 0) & (minutes < third)
    if not short.any():
        return ()
    held = week.held.copy()
    held[0] |= short
    longer = np.where(short, np.maximum(third, week.shortest), week.shortest)
    return replace(week, shortest=longer), replace(week, held=held)


def yield_at_stake(terms: Terms, today: int, z: int, lack: FloatArray) -> float | None:
    """Share of its yield, 0..1, that the stress of the days ahead costs a zone's crop; None where not known.

    lack: (day,) 1 - Ks from `today` on, an index of `terms`.  Of the planting that stands first.
    """
    stand = terms.stand[today : today + len(lack), z]
    if not (stand >= 0).any():
        return None
    first = int(stand[stand >= 0][0])
    here, one = np.flatnonzero(stand == first).astype(np.int64), terms.stands[first]
    crop = one.planting.crop
    if crop.yield_response is None:
        return None
    stage = terms.flat.response_stage[terms.flat.stand_at[first] + today + here - one.begin]
    return share_lost(crop.yield_response, lack[here], stage, crop.stage_days)


def ample_minutes(week: Week) -> Minutes:
    """(zone,) What its own rule, with all the water in the world, gives each zone on the first day."""
    if not week.days:
        return np.zeros(len(week.zones))
    free = unbound(week)
    every_day = np.where(np.arange(week.days) == 0, 1e5, free.window)  # a dry day wants water all the same
    valves = Valves(replace(free, window=every_day, valve_cap=np.full(week.valves, np.inf)))
    return np.asarray(valves.spread(rule_minutes(valves, terms_of(valves)))[0])


def why_not_today(
    garden: Garden, week: Week, minutes: Minutes, z: int, today: date, *, wanted: float
) -> str | None:
    """What stops one more minute of a zone's valve today; None where nothing does.

    minutes: (day, zone) as planned: water of a month's cap that later days get is not there today.
    wanted: of today, with all the water in the world.
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
    if not full and pack_day(valves, 0, of_valve[0]).runs is not None:
        return None
    if wanted <= valves.most[0, v]:
        return FULL
    return full_hours(valves.pulsing[0][v], wanted, float(given), valves.stretches[0])


def _not_a_watering_day(garden: Garden, today: date) -> str:
    begin = water_from(garden, today + timedelta(days=1))
    if begin is None:
        return "not a watering day, and none is in sight"
    return f"not a watering day: the next is {begin:%a %Y-%m-%d}"
