"""When the week does not fit: which single change would mend it, each tried by planning again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import Week, WeekPlan

Change = Literal["longer hours", "one more day", "more flow", "split the zone", "no cap", "longer run"]

MORE_MINUTES = (30.0, 60.0, 120.0)
MORE_FLOW = (1.1, 1.25, 1.5, 2.0)
SAID_ENOUGH = 0.02
"""Stress days: with less than so much left a change counts as mending."""
WORTH_SAYING = 0.05
"""A change that lowers the stress by a smaller share is not told."""
MANY_ZONES = 24
"""Above, each trial is planned by plain steps: the answer has to come the same morning."""


@dataclass(frozen=True, slots=True)
class Mend:
    """One change by itself, and the weighted stress days before and after it."""

    change: Change
    amount: float  # minutes, L/min more, or litres more; 0 where the change has no size
    before: float
    after: float
    liters_before: float
    liters_after: float
    zone: int | None = None
    day: int | None = None  # index of the day that would have to be allowed

    @property
    def mends(self) -> bool:
        return self.after <= SAID_ENOUGH


def mends(week: Week, plan: WeekPlan, *, seconds: float | None = None) -> tuple[Mend, ...]:
    """Single changes that mend a week or help it, the best first; () where no crop goes short.

    Of each kind the smallest change that mends it is kept, else the one that helps most.  seconds: for each
    trial.
    """
    if not plan.short or plan.score.stress <= SAID_ENOUGH:
        return ()
    best: dict[Change, Mend] = {}
    for change, amount, zone, day, other in _trials(week, plan):
        known = best.get(change)
        if known is not None and known.mends:
            continue
        tried = plan_week(
            other,
            seconds=seconds,
            solver=len(week.zones) <= MANY_ZONES and plan.method != "heuristic",
            why_short=False,
        )
        if tried.score.stress >= plan.score.stress * (1 - WORTH_SAYING):
            continue
        found = Mend(
            change,
            amount,
            plan.score.stress,
            tried.score.stress,
            plan.score.liters,
            tried.score.liters,
            zone,
            day,
        )
        if known is None or found.after < known.after - 1e-9:
            best[change] = found
    return tuple(sorted(best.values(), key=lambda m: (not m.mends, m.after)))


def _trials(week: Week, plan: WeekPlan) -> Iterator[tuple[Change, float, int | None, int | None, Week]]:
    """Each kind from its smallest change up."""
    allowed = week.window > 0
    for minutes in MORE_MINUTES:
        yield (
            "longer hours",
            minutes,
            None,
            None,
            replace(week, window=np.where(allowed, week.window + minutes, 0.0)),
        )
    usual = float(week.window[allowed].max(initial=0.0))
    last = max((s.first_day for s in plan.short), default=week.days - 1)
    for day in np.flatnonzero(~allowed[: last + 1]).tolist() if usual else ():
        window = week.window.copy()
        window[day] = usual
        yield "one more day", usual, None, day, replace(week, window=window)
    for share in MORE_FLOW:
        more = replace(week, usable_lpm=week.usable_lpm * share)
        yield "more flow", week.usable_lpm * (share - 1), None, None, more
    for cap in week.caps:
        caps = tuple(c for c in week.caps if c.why != cap.why)
        yield "no cap", cap.liters, None, None, replace(week, caps=caps)
    for short in plan.short[:3]:
        yield "split the zone", 0.0, short.zone, None, split(week, short.zone)
        if np.isfinite(week.longest[short.zone]):
            longest = week.longest.copy()
            longest[short.zone] = np.inf
            yield "longer run", 0.0, short.zone, None, replace(week, longest=longest)


def split(week: Week, zone: int) -> Week:
    """One zone halved over two valves; a zone that shares its valve gets one of its own instead."""
    valve = week.valve.copy()
    cap = np.append(week.valve_cap, week.valve_cap[week.valve[zone]])
    ready = None if week.ready is None else np.append(week.ready, week.ready[week.valve[zone]])
    if np.count_nonzero(week.valve == week.valve[zone]) > 1:
        valve[zone] = week.valves
        return replace(week, valve=valve, valve_cap=cap, ready=ready)
    halved: dict[str, Any] = {}
    for name in ("standing", "begins", "taw", "raw", "trigger", "etc", "etc_sd", "rain_eff", "rain_chance",
                 "net_per_minute", "flow_lpm", "ky", "settle", "held"):  # fmt: skip
        values = getattr(week, name)
        halved[name] = np.concatenate([values, values[:, [zone]]], axis=1)
    for name in (
        "deficit",
        "deficit_sd",
        "fill",
        "shortest",
        "longest",
        "leave_room",
        "longest_pulse",
        "pulse_rest",
    ):
        halved[name] = np.append(getattr(week, name), getattr(week, name)[zone])
    for half in (zone, len(week.zones)):  # half the area at half the flow: the same mm per minute
        halved["flow_lpm"][:, half] /= 2
        halved["ky"][:, half] /= 2
    twin = {zone: len(week.zones)}
    apart = week.apart + tuple(tuple(twin.get(z, z) for z in group) for group in week.apart if zone in group)
    return replace(
        week,
        zones=(*week.zones, f"{week.zones[zone]} (second half)"),
        valve=np.append(valve, week.valves),
        valve_cap=cap,
        ready=ready,
        apart=apart,
        **halved,
    )
