"""Where the supply does not reach: which zone goes short, by how much, from which day, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.week.capacity import Capacity
from scheduler.core.week.loss import loss_of
from scheduler.core.week.outcome import dry_side_balance, judge, terms_of
from scheduler.core.week.problem import Outcome, Short, Week
from scheduler.core.week.rule import refilled_daily, rule_minutes
from scheduler.core.week.valves import Valves

SHORT_STRESS_DAYS = 0.005
SHORT_MM = 0.5


def unbound(week: Week) -> Week:
    """The same week with ample water, on every day, in runs as long as need be.

    No limit of flow, no caps, no zones kept apart, nothing running; hours of 100 000 minutes on every day.
    """
    return replace(
        week,
        usable_lpm=np.inf,
        caps=(),
        apart=(),
        busy=(),
        earliest=0.0,
        ready=None,
        had=None,
        window=np.full(week.days, 1e5),
        longest=np.full(len(week.zones), np.inf),
        valve_cap=np.full(week.valves, np.inf),
    )


def shortfalls(valves: Valves, minutes: Minutes, outcome: Outcome) -> tuple[Short, ...]:
    """The zones that go short and why, those that lose most first; empty where the supply reaches.

    minutes: (day, zone) of the plan; outcome: what they would do, mm.  A zone is short where it has more than
    SHORT_STRESS_DAYS of stress that ample water would spare it, or is left over its trigger and ends an
    evening more than SHORT_MM drier than by its own rule (model M6).
    """
    ample = Valves(unbound(valves.week))
    own_terms = terms_of(ample)
    rule, _ = judge(ample, own_terms, rule_minutes(ample, own_terms))
    least = dry_side_balance(ample, own_terms, refilled_daily(ample)).lack
    could = np.maximum(rule.ks, 1 - least)
    lack = np.where(valves.week.standing, np.maximum(could - outcome.ks, 0), 0.0)
    stressed = lack.sum(axis=0)
    loss = np.maximum(loss_of(1 - outcome.ks, valves.week) - loss_of(could, valves.week), 0).sum(axis=0)
    left = outcome.due & ~outcome.may_wait & (outcome.deficit_start - outcome.net > valves.week.trigger)
    owed = np.maximum(outcome.deficit_end - rule.deficit_end, 0).max(axis=0)
    found = []
    for z in np.flatnonzero((stressed > SHORT_STRESS_DAYS) | (left.any(axis=0) & (owed > SHORT_MM))).tolist():
        days = np.flatnonzero((lack[:, z] > SHORT_STRESS_DAYS / 10) | left[:, z])
        day = int(days[0]) if len(days) else 0
        why = _why(valves, minutes, z, day)
        found.append(Short(z, float(owed[z]), float(stressed[z]), day, why, float(loss[z])))
    return tuple(sorted(found, key=lambda s: (-s.loss, -s.stress_days, -s.net_mm)))


def _why(valves: Valves, minutes: Minutes, z: int, day: int) -> str:
    """What stops one more minute of the zone's valve on the last allowed morning up to `day`."""
    week, v = valves.week, int(valves.week.valve[z])
    mornings = [d for d in range(day, -1, -1) if valves.allowed[d]]
    if not mornings:
        return "no watering day before then"
    day = mornings[0]
    if valves.most[day, v] <= 0:
        if valves.flow[day, v] > week.usable_lpm:
            return "it needs more flow than the supply can feed"
        if day == 0 and week.had is not None and Valves(replace(week, had=None)).most[0, v] > 0:
            return "it had its longest run of the day"
        return "the hours or a cap leave no run of its shortest length"
    of_valve = np.zeros((week.days, week.valves))
    for k, zones in enumerate(valves.of):
        of_valve[:, k] = minutes[:, list(zones)].max(axis=1) if zones else 0.0
    if of_valve[day, v] >= valves.most[day, v]:
        return "its own longest run, or the hours"
    capacity = Capacity(valves)
    slack = capacity.slack(of_valve)
    tight = [
        (slack[r] / c, capacity.rows[r].why) for r, c in capacity.rows_of[day * week.valves + v] if c > 0
    ]
    return min(tight)[1] if tight else "flow and hours"
