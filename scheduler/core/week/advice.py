"""When the week does not fit: which single change would mend it, each tried by planning again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np

from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import DAY_ZONE, ZONE, Week, WeekPlan

Change = Literal["longer hours", "one more day", "more flow", "split the zone", "no cap", "longer run"]

MORE_MINUTES = (30.0, 60.0, 120.0)
MORE_FLOW = (1.1, 1.25, 1.5, 2.0)
ENOUGH = 0.02
"""Weighted stress days: with less than so much left a change counts as mending."""
WORTH_SAYING = 0.05
"""A change that lowers the loss by a smaller share is not told."""
MANY_ZONES = 24
"""Above, each trial is planned by plain steps: the answer has to come the same morning."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """One change by itself, and the loss (`core.week.loss`) before and after it."""

    change: Change
    amount: float  # minutes, L/min more, or litres more; 0 where the change has no size
    before: float
    after: float
    zone: int | None = None
    day: int | None = None  # index of the day that would have to be allowed
    stress_before: float = 0.0  # sum of 1 - Ks as it is, for people
    stress_after: float = 0.0

    @property
    def enough(self) -> bool:
        """Whether the change mends the week: at most `ENOUGH` of loss is left.

        >>> [Remedy("more flow", 3.0, before=1.5, after=left).enough for left in (0.02, 0.5)]
        [True, False]
        """
        return self.after <= ENOUGH


class Trial(NamedTuple):
    """A change and the week with it."""

    change: Change
    week: Week
    amount: float = 0.0
    zone: int | None = None
    day: int | None = None


def remedies(week: Week, plan: WeekPlan, *, seconds: float | None = None) -> tuple[Remedy, ...]:
    """Single changes that mend a week or help it, the best first; () where no crop goes short.

    Each change is tried by itself, by planning the week again with it.  Of each kind the smallest that mends
    it is kept, else the smallest that helps most.  plan: the plan of this `week`, with its `short` zones.
    seconds: the solver's time for each trial, in which only the loss counts; None: as `plan_week` has it.
    """
    if not plan.short or plan.score.loss <= ENOUGH:
        return ()

    def tried(trial: Trial) -> Remedy:
        solver = len(week.zones) <= MANY_ZONES and plan.method != "heuristic"
        other = plan_week(trial.week, seconds=seconds, solver=solver, why_short=False, only_loss=True)
        return Remedy(
            trial.change,
            trial.amount,
            plan.score.loss,
            other.score.loss,
            trial.zone,
            trial.day,
            plan.score.stress_days,
            other.score.stress_days,
        )

    found: list[Remedy | None] = [
        smallest_that_helps(tried, trials) for trials in (_longer_hours(week), _more_flow(week))
    ]
    kinds = (_more_days(week, plan), _without_caps(week), _split_zones(week, plan), _longer_runs(week, plan))
    found += [_first(tried, trials) for trials in kinds]
    helping = [r for r in found if r is not None and r.after < r.before * (1 - WORTH_SAYING)]
    return tuple(sorted(helping, key=lambda r: (not r.enough, r.after)))


def smallest_that_helps(tried: Callable[[Trial], Remedy], trials: Sequence[Trial]) -> Remedy:
    """The smallest that is enough; where none is, the smallest that helps about as much as the largest.

    tried: plans the week of a trial and gives the loss that it leaves.
    trials: from the smallest up, at least one; more never helps less, so that halving finds it.

    >>> def tried(trial):
    ...     return Remedy(trial.change, trial.amount, before=4.0, after=max(4.0 - trial.amount, 0.0))
    >>> trials = [Trial("more flow", week=None, amount=lpm) for lpm in (1.0, 2.0, 5.0, 10.0)]
    >>> best = smallest_that_helps(tried, trials)
    >>> best.amount, best.after, best.enough
    (5.0, 0.0, True)
    """
    best = tried(trials[-1])
    as_good = max(best.after * (1 + WORTH_SAYING), ENOUGH)
    low, high = 0, len(trials) - 1
    while low < high:
        middle = (low + high) // 2
        other = tried(trials[middle])
        if other.after <= as_good:
            best, high = other, middle
        else:
            low = middle + 1
    return best


def _first(tried: Callable[[Trial], Remedy], trials: Iterator[Trial]) -> Remedy | None:
    """The first that is enough, else the one that helps most."""
    best: Remedy | None = None
    for trial in trials:
        other = tried(trial)
        if other.enough:
            return other
        if best is None or other.after < best.after - 1e-9:
            best = other
    return best


# --- the changes ---------------------------------------------------------------------------------


def _longer_hours(week: Week) -> list[Trial]:
    allowed = week.window > 0
    return [
        Trial("longer hours", replace(week, window=np.where(allowed, week.window + more, 0.0)), more)
        for more in MORE_MINUTES
    ]


def _more_flow(week: Week) -> list[Trial]:
    usable = week.usable_lpm
    return [Trial("more flow", replace(week, usable_lpm=usable * k), usable * (k - 1)) for k in MORE_FLOW]


def _more_days(week: Week, plan: WeekPlan) -> Iterator[Trial]:
    """Each forbidden day, up to the last on which a zone begins to fall short."""
    allowed = week.window > 0
    usual = float(week.window[allowed].max(initial=0.0))
    last = max((s.first_day for s in plan.short), default=week.days - 1)
    for day in np.flatnonzero(~allowed[: last + 1]).tolist() if usual else ():
        window = week.window.copy()
        window[day] = usual
        yield Trial("one more day", replace(week, window=window), usual, day=day)


def _without_caps(week: Week) -> Iterator[Trial]:
    for cap in week.caps:
        caps = tuple(c for c in week.caps if c.why != cap.why)
        yield Trial("no cap", replace(week, caps=caps), cap.liters)


def _split_zones(week: Week, plan: WeekPlan) -> Iterator[Trial]:
    for short in plan.short[:3]:
        yield Trial("split the zone", split(week, short.zone), zone=short.zone)


def _longer_runs(week: Week, plan: WeekPlan) -> Iterator[Trial]:
    for short in plan.short[:3]:
        if np.isfinite(week.longest[short.zone]):
            longest = week.longest.copy()
            longest[short.zone] = np.inf
            yield Trial("longer run", replace(week, longest=longest), zone=short.zone)


def split(week: Week, zone: int) -> Week:
    """The week with one zone halved over two valves; one that shares its valve gets its own instead.

    zone: its index.  Each half has half the area and half the flow, so the same mm per minute, and half the
    weight, so that the crop weighs as before.  The new zone, if there is one, and the new
    valve come last.
    """
    valve = week.valve.copy()
    cap = np.append(week.valve_cap, week.valve_cap[week.valve[zone]])
    ready = None if week.ready is None else np.append(week.ready, week.ready[week.valve[zone]])
    if np.count_nonzero(week.valve == week.valve[zone]) > 1:
        valve[zone] = week.valves
        return replace(week, valve=valve, valve_cap=cap, ready=ready)
    halved: dict[str, Any] = {}
    for name in DAY_ZONE:
        values = getattr(week, name)
        halved[name] = np.concatenate([values, values[:, [zone]]], axis=1)
    for name in ZONE:
        halved[name] = np.append(getattr(week, name), getattr(week, name)[zone])
    for name in ("spread", "loose", "had"):
        if (of_zone := getattr(week, name)) is not None:
            halved[name] = np.append(of_zone, of_zone[zone])
    for half in (zone, len(week.zones)):  # half the area at half the flow: the same mm per minute
        halved["flow_lpm"][:, half] /= 2
        halved["weight"][:, half] /= 2
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
