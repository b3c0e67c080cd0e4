"""A plan for a week that does not fit, by plain steps and without a solver.

First what the crops' stress costs is brought down, always with the run that lowers it most for the water;
then due zones are served in what is left.  Also the polish of a solver's plan.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from scheduler.core.arrays import FloatArray, IntArray, Minutes
from scheduler.core.week.capacity import Capacity
from scheduler.core.week.loss import loss_of
from scheduler.core.week.outcome import Terms, day_on, dry_side_balance, judge, net_of, terms_of
from scheduler.core.week.problem import DAY_ZONE, ZONE, Week
from scheduler.core.week.rule import rule_minutes
from scheduler.core.week.valves import Valves

LEVELS = 4
"""In so many steps, a run is raised towards what its zones lack."""
FAIR = 0.9
"""Raises within 10 % of the best loss spared by the litre count as equal: the longest of them wins."""
_GAIN = 1e-7


def alone(week: Week, valves: IntArray | list[int]) -> Week:
    """The week of some valves only, numbered anew in the order given; the supply stays whole.

    valves: indices in `week`.  Zones keep their order; a group of zones kept apart that has fewer than two
    of them left is dropped.
    """
    which = np.flatnonzero(np.isin(week.valve, valves))
    number = {int(v): k for k, v in enumerate(valves)}
    cut: dict[str, Any] = {name: getattr(week, name)[:, which] for name in DAY_ZONE}
    cut |= {name: getattr(week, name)[which] for name in ZONE}
    place = {int(z): k for k, z in enumerate(which)}
    return replace(
        week,
        zones=tuple(week.zones[z] for z in which),
        valve=np.array([number[int(v)] for v in week.valve[which]], dtype=np.int64),
        valve_cap=week.valve_cap[valves],
        ready=None if week.ready is None else week.ready[valves],
        spread=None if week.spread is None else week.spread[which],
        loose=None if week.loose is None else week.loose[which],
        apart=tuple(
            group for found in week.apart if len(group := tuple(place[z] for z in found if z in place)) > 1
        ),
        **cut,
    )


class Single:
    """One valve by itself: what any of its (..., day) minutes would do."""

    def __init__(self, valves: Valves, valve: int) -> None:
        whole = valves.week
        self.valve = valve
        self.valves = Valves(alone(whole, [valve]))
        self.terms = terms_of(self.valves)
        self.most, self.least = valves.most[:, valve], valves.useful[:, valve]
        self.flow = valves.flow[:, valve]
        self._known: dict[bytes, float] = {}

    def loss(self, minutes: FloatArray) -> FloatArray:
        """(...,) What the stress of (..., day) minutes costs, summed over the valve's zones and days.

        Ks by the crop's side of the doubt (`dry_side_balance`; FAO-56 eq 84).
        """
        net = net_of(self.valves, self.valves.spread(minutes[..., None]))
        lack: FloatArray = dry_side_balance(self.valves, self.terms, net).lack
        return np.asarray(loss_of(lack, self.valves.week).sum(axis=(-2, -1)))

    def known_loss(self, minutes: Minutes) -> float:
        """`loss` of (day,) minutes, which is asked for again and again."""
        key = minutes.tobytes()
        if key not in self._known:
            self._known[key] = float(self.loss(minutes))
        return self._known[key]

    def trimmed(self, minutes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Minutes held to what the zones can still take each morning, and what they could take at most.

        Both (..., day), as `minutes`.  They can take the longest run that one of them wants to be refilled
        (model M7) or to settle; a run below the shortest useful one is left out.  The deficit goes on from
        morning to morning as it is expected, with rain by its probability (model M5).
        """
        week, valves = self.valves.week, self.valves
        kept, able = np.zeros(minutes.shape), np.zeros(minutes.shape)
        deficit = week.deficit
        for day in range(week.days):
            if valves.begins[day]:
                deficit = np.where(week.begins[day], np.minimum(deficit, week.taw[day]), deficit)
            if self.most[day] > 0:
                wanted = np.maximum(valves.wanted(day, deficit), valves.settling(day)).max(axis=-1)
                able[..., day] = np.minimum(wanted, self.most[day])
                run = np.minimum(minutes[..., day], able[..., day])
                kept[..., day] = np.where(run >= self.least[day], run, 0.0)
            given = np.maximum(kept[..., day, None] - week.fill, 0) * week.net_per_minute[day]
            given = given * valves.takes_part[day]
            deficit = day_on(valves, self.terms, day, deficit, given)
        return kept, able


class Greedy:
    """(day, valve) minutes under the rows of a `Capacity`."""

    def __init__(self, capacity: Capacity, minutes: Minutes | None = None) -> None:
        self.capacity = capacity
        self.valves = capacity.valves
        week = self.valves.week
        self.minutes = np.zeros((week.days, week.valves)) if minutes is None else minutes.copy()
        self.singles = [Single(self.valves, v) for v in range(week.valves)]
        self.slack = capacity.slack(self.minutes)

    def lower_loss(self) -> None:
        """Raise runs in `minutes` as long as any raise lowers the loss and every row still holds.

        Always the raise that spares the most by the litre; no run is raised beyond what its zones can
        take, so that later runs may get shorter.
        """
        moves = [self._best(single) for single in self.singles]
        for _ in range(60 * max(self.valves.week.valves, 1)):
            found = [(move, v) for v, move in enumerate(moves) if move is not None]
            if not found:
                return
            move, v = max(found, key=lambda pair: pair[0][0])
            if self._holds(v, move[1]):
                self._take(v, move[1])
            moves[v] = self._best(self.singles[v])

    def trim(self) -> None:
        """Hold every run in `minutes` to what its zones can still take that morning (`Single.trimmed`)."""
        for v, single in enumerate(self.singles):
            self._take(v, single.trimmed(self.minutes[:, v])[0])

    def _take(self, v: int, minutes: FloatArray) -> None:
        for day, change in enumerate((minutes - self.minutes[:, v]).tolist()):
            if change:
                for row, coefficient in self.capacity.rows_of[day * self.valves.count + v]:
                    self.slack[row] -= coefficient * change
        self.minutes[:, v] = minutes

    def _holds(self, v: int, minutes: FloatArray) -> bool:
        used: dict[int, float] = {}
        for day, change in enumerate((minutes - self.minutes[:, v]).tolist()):
            if change:
                for row, coefficient in self.capacity.rows_of[day * self.valves.count + v]:
                    used[row] = used.get(row, 0.0) + coefficient * change
        return all(self.slack[row] >= more - 1e-9 for row, more in used.items() if more > 0)

    def free(self, day: int, v: int) -> float:
        """Minutes by which the run of valve `v` could still be longer on a day; inf where no row holds it.

        Below 0 where a row is already broken.
        """
        rows = self.capacity.rows_of[day * self.valves.count + v]
        return min((self.slack[row] / c for row, c in rows if c > 0), default=np.inf)

    def _best(self, single: Single) -> tuple[float, FloatArray] | None:
        """The raise that lowers the loss most for its water, with the valve's minutes after it."""
        now = self.minutes[:, single.valve]
        before = single.known_loss(now)
        if before <= _GAIN:
            return None
        _, able = single.trimmed(now)
        candidates = []
        for day in np.flatnonzero(able > 0):
            most = np.floor(min(able[day], now[day] + self.free(int(day), single.valve)) + 1e-9)
            least = max(now[day] + 1, single.least[day])
            if most < least:
                continue
            begin = 1 if now[day] else 0  # not minute by minute
            for minutes in {
                float(np.ceil(least + k * (most - least) / LEVELS)) for k in range(begin, LEVELS + 1)
            }:
                changed = now.copy()
                changed[day] = minutes
                candidates.append(changed)
        if not candidates:
            return None
        after, _ = single.trimmed(np.array(candidates))
        gain = before - single.loss(after)
        water = (np.maximum(after - now, 0) * single.flow).sum(axis=-1)
        worth = np.where(gain > _GAIN, gain / np.maximum(water, 1e-9), 0.0)
        fair = worth >= FAIR * worth.max()
        order = np.lexsort((-worth, -np.where(fair, gain, 0.0)))  # of the best by the litre, the longest
        for k in order:
            if worth[k] <= 0:
                return None
            if self._holds(single.valve, after[k]):
                return float(worth[k]), after[k]
        return None

    def serve_due(self, terms: Terms, rule: Minutes) -> None:
        """Day after day, what the rule asks for and the supply has left; the driest zone first.

        Driest: by deficit / RAW.  Zones that may wait for rain wait; settling runs are served
        too.  A run is raised only where that adds no loss.  rule: (day, valve) minutes of the plain rule
        (model M6), which hold the runs of a week with rain ahead.
        """
        week = self.valves.week
        for day in np.flatnonzero(self.valves.allowed).tolist():
            outcome, _ = judge(self.valves, terms, self.minutes)
            due = outcome.due[day] & ~outcome.may_wait[day]
            wanted = np.where(due, self.valves.wanted(day, outcome.deficit_start[day]), 0.0)
            wanted = np.maximum(wanted, self.valves.settling(day))
            if terms.rain.any():
                wanted = np.minimum(wanted, np.where(rule[day] > 0, rule[day], np.inf)[week.valve])
            asks = np.minimum(self.valves.most_of(wanted), self.valves.most[day])
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(due, outcome.deficit_start[day] / week.raw[day], 0.0)
            urgency = self.valves.most_of(share)
            for v in sorted(np.flatnonzero(asks > self.minutes[day]), key=lambda v: -urgency[v]):
                self._serve(day, int(v), float(asks[v]))

    def _serve(self, day: int, v: int, asked: float) -> None:
        single, now = self.singles[v], self.minutes[:, v]
        minutes = np.floor(min(asked, now[day] + self.free(day, v)) + 1e-9)
        if minutes < single.least[day] or minutes <= now[day]:
            return
        changed = now.copy()
        changed[day] = minutes
        after, _ = single.trimmed(changed)
        if self._holds(v, after) and single.known_loss(after) <= single.known_loss(now) + 1e-9:
            self._take(v, after)


def greedy_minutes(capacity: Capacity, terms: Terms) -> Minutes:
    """(day, valve) whole minutes by plain steps: the better of due zones first and of least loss first.

    They keep every row of the capacity, but are not packed yet.  terms: those of the capacity's week.
    """
    rule = rule_minutes(capacity.valves, terms)
    due_first, loss_first = Greedy(capacity), Greedy(capacity)
    due_first.serve_due(terms, rule)
    due_first.lower_loss()
    loss_first.lower_loss()
    loss_first.serve_due(terms, rule)
    _, served = judge(capacity.valves, terms, due_first.minutes)
    _, relieved = judge(capacity.valves, terms, loss_first.minutes)
    return loss_first.minutes if relieved.better_than(served) else due_first.minutes
