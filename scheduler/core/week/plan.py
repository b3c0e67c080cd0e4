"""The plan of the week: the plain rule where it fits, else the solver, else plain steps.

The aims in their order: no crop beyond its readily available water, weighted by its sensitivity; zones
served by their own trigger; least water lost below the roots; least water; fewest starts.  Whatever made
it, a plan is packed before it is given out, and judged by the same balance (`week_outcome`).
"""

from __future__ import annotations

from dataclasses import replace
from time import process_time
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.week.capacity import Capacity
from scheduler.core.week.cuts import Cut, Share, time_share, unpackable
from scheduler.core.week.greedy import Greedy, alone, greedy_minutes
from scheduler.core.week.lp import Answer, Program
from scheduler.core.week.morning import Packing, packing, packs
from scheduler.core.week.outcome import judge, terms_of, thirst
from scheduler.core.week.problem import Method, Outcome, Score, Week, WeekPlan
from scheduler.core.week.rule import flooded, rule_minutes
from scheduler.core.week.short import shortfalls
from scheduler.core.week.solver import NoSolver
from scheduler.core.week.valves import Valves

SOLVER_SECONDS = 0.4, 0.04
"""Of the processor's time, where the caller does not say; the second for every zone.

Not by the clock: a busy computer must not make another plan of the same facts.
"""
STRESS_ROUNDS = 30
FEW_VALVES, FEW_ROUNDS, MANY_ROUNDS = 5, 8, 2
"""Times the solver may be told that a morning does not pack: for the stress, for the other aims."""
OTHER_SECONDS = 1.0, 0.03
"""The same for each solve for the other aims, at most; the second for every valve."""
SHARE_STEP, LEAST_SHARE = 0.98, 0.9
PROOF_VALVES = 5
"""A proof that a morning cannot be packed is sought up to so many runs."""
NEAR = 0.005
SAME_STRESS = 1e-3
NEGLIGIBLE_STRESS = 1e-6
NEGLIGIBLE_LITERS = 0.5


def plan_week(
    week: Week,
    *,
    seconds: float | None = None,
    solver: bool = True,
    why_short: bool = True,
    only_stress: bool = False,
) -> WeekPlan:
    """The best plan found in about `seconds` of the processor; it never breaks flow, hours, rests or caps.

    solver: False keeps to plain steps; so does a missing highspy, and the plan's note says so.
    why_short: False leaves `short` empty.  only_stress: leave the solver's time for the other aims aside.
    """
    if seconds is None:
        seconds = SOLVER_SECONDS[0] + SOLVER_SECONDS[1] * len(week.zones)
    work = _Work(week, process_time() + seconds if solver else None, only_stress=only_stress)
    best, note = work.plan()
    plan = WeekPlan(
        minutes=work.valves.spread(best.packing.minutes),
        pulses=best.packing.pulses,
        outcome=best.outcome,
        score=best.score,
        method=best.method,
        note=note,
        best_stress=min(work.bound, best.score.stress),
    )
    if not why_short or not week.days:
        return plan
    return replace(plan, short=shortfalls(work.valves, plan.minutes, plan.outcome))


class _Candidate(NamedTuple):
    method: Method
    packing: Packing
    outcome: Outcome
    score: Score


class _Work:
    def __init__(self, week: Week, until: float | None, *, only_stress: bool = False) -> None:
        self.week, self.until, self.only_stress = week, until, only_stress
        self.valves = Valves(week)
        self.terms = terms_of(self.valves)
        self.whole = Capacity(self.valves)
        self.flood = thirst(self.valves, self.terms, flooded(self.valves)).lack
        self.bound = float((week.ky * self.flood).sum())
        self.cuts: list[Cut] = []
        self.shares: list[Share] = []
        self.use = (1.0,) * week.days
        self.rule = rule_minutes(self.valves, self.terms)

    def plan(self) -> tuple[_Candidate, str]:
        outcome, score = judge(self.valves, self.terms, self.rule)
        best = None
        if packs(self.whole, self.rule, outcome):
            best = self._candidate("rule", self.rule)
            troubled = self._troubled(outcome)
            if not troubled or self.until is None:
                return best, ""
            better = self._each_alone(troubled)
            if better is not None and better.packing.whole:
                return _better(better, best), ""
        try:
            if self.until is None:
                raise NoSolver("the solver was not asked")
            found, note = self.solved(best or self._candidate("heuristic", self.rule))
            if self._least(found, self.bound):
                return found, note
            return _better(self._by_steps(), found), note
        except NoSolver as error:
            steps = self._by_steps()
            return steps if best is None else _better(steps, best), str(error)

    def _by_steps(self) -> _Candidate:
        return self._candidate("heuristic", greedy_minutes(self.whole, self.terms))

    def _candidate(self, method: Method, minutes: Minutes) -> _Candidate:
        found = packing(self.whole, self.terms, minutes)
        return _Candidate(method, found, *judge(self.valves, self.terms, found.minutes))

    def _troubled(self, outcome: Outcome) -> list[int]:
        """Valves whose own rule, alone with the supply, is not yet the best for them."""
        week, valves = self.week, self.valves
        unwatered, _ = judge(valves, self.terms, np.zeros((week.days, week.valves)))
        stress = (week.ky * np.maximum(1 - outcome.ks - self.flood, 0)).sum(axis=0)
        lost = np.maximum(outcome.percolation - unwatered.percolation, 0) * valves.liters_per_mm
        lost = np.where(week.standing, lost, 0.0).sum(axis=0)
        found = (stress > NEGLIGIBLE_STRESS) | (lost > NEGLIGIBLE_LITERS)
        return [int(v) for v in np.unique(week.valve[found])]

    def _each_alone(self, troubled: list[int]) -> _Candidate | None:
        """Where the joint supply does not bind, each valve's own best is the best of all."""
        minutes = self.rule.copy()
        try:
            for v in troubled:
                own = _Work(alone(self.week, [v]), self.until, only_stress=self.only_stress)
                best, _ = own.solved(own._candidate("rule", minutes[:, [v]]))
                minutes[:, v] = best.packing.minutes[:, 0]
        except NoSolver:
            return None
        return self._candidate("solver", minutes)

    def solved(self, best: _Candidate) -> tuple[_Candidate, str]:
        """The best of `best` and of what the solver finds; NoSolver where it finds nothing."""
        assert self.until is not None
        notes = []
        if not self._least(best, self.bound):
            best, note = self._least_stress(best, process_time() + 0.6 * (self.until - process_time()))
            notes.append(note)
        if self.only_stress:
            return best, "; ".join(note for note in notes if note)
        try:
            best, note = self._other_aims(best, best.score.stress, self.until)
            notes.append(note)
        except NoSolver as error:
            notes.append(str(error))
        return best, "; ".join(note for note in dict.fromkeys(notes) if note)

    @staticmethod
    def _least(best: _Candidate, bound: float) -> bool:
        return best.score.stress <= bound * (1 + SAME_STRESS) + NEGLIGIBLE_STRESS

    def _least_stress(self, best: _Candidate, until: float) -> tuple[_Candidate, str]:
        for k in range(STRESS_ROUNDS if self.valves.count <= FEW_VALVES else FEW_ROUNDS):
            left = until - process_time()
            if left <= 0 and k:
                return best, "the solver ran out of time"
            answer = self._program().least_stress(left, best.packing.minutes)
            if all(use == 1.0 for use in self.use):
                self.bound = max(self.bound, answer.bound)
            best = _better(self._tidied(answer), best)
            if self._least(best, max(answer.bound, 0.0)):
                return best, ""
            if not self._learn(answer.minutes):
                return best, "" if answer.done else "the solver ran out of time"
        return best, "the solver was stopped before every morning packed"

    def _other_aims(self, best: _Candidate, stress: float, until: float) -> tuple[_Candidate, str]:
        late = False
        for k in range(FEW_ROUNDS if self.valves.count <= FEW_VALVES else MANY_ROUNDS):
            left = until - process_time()
            if left <= 0 and k:
                return best, "the solver ran out of time"
            left = min(left, OTHER_SECONDS[0] + OTHER_SECONDS[1] * self.valves.count)
            answer = self._program().best_of(stress, left, best.packing.minutes)
            late |= not answer.done
            found = self._tidied(answer)
            best = _better(found, best)
            if self._as_hoped(found.score, answer) or not self._learn(answer.minutes):
                break
        return best, "the solver ran out of time" if late else ""

    def _as_hoped(self, score: Score, answer: Answer) -> bool:
        """Packing took hardly anything from what the solver promised."""
        _, hoped = judge(self.valves, self.terms, answer.minutes)
        return (
            score.departures_l <= hoped.departures_l + NEAR * score.liters
            and score.percolation_l <= hoped.percolation_l + NEAR * score.liters
        )

    def _packable(self, day: int, minutes: Minutes) -> float:
        """The share of a morning's flow and time that could be packed."""
        flow = self.valves.flow[day]
        packed = packing(
            self.whole, self.terms, np.where(np.arange(self.week.days)[:, None] == day, minutes, 0.0)
        )
        share = float(packed.minutes[day] @ flow) / max(float(minutes[day] @ flow), 1e-9)
        return min(max(share, LEAST_SHARE), SHARE_STEP)

    def _program(self) -> Program:
        return Program(Capacity(self.valves, self.use), self.terms, self.cuts, self.shares)

    def _tidied(self, answer: Answer) -> _Candidate:
        """Packed, held to what the zones can take, and what came free given out again."""
        capacity = Capacity(self.valves, self.use)
        found = packing(self.whole, self.terms, answer.minutes)
        steps = Greedy(capacity, found.minutes)
        steps.trim()
        if not found.whole or not answer.whole:
            steps.lower_stress()
            steps.serve_due(self.terms, self.rule)
        return self._candidate("solver", steps.minutes)

    def _learn(self, minutes: Minutes) -> bool:
        """From a plan that does not pack, for the next solve; False where every morning packs."""
        learnt = False
        for day in np.flatnonzero((minutes > 0).any(axis=1)).tolist():
            outcome, _ = judge(self.valves, self.terms, minutes)
            if packs(self.whole, np.where(np.arange(self.week.days)[:, None] == day, minutes, 0.0), outcome):
                continue
            learnt = True
            share = time_share(self.valves, day, minutes[day])
            if share is not None:
                self.shares.append(share)
                continue
            few = np.count_nonzero(minutes[day]) <= PROOF_VALVES
            cut = unpackable(self.valves, day, minutes[day]) if few else None
            if cut is not None:
                self.cuts.append(cut)
            else:
                self.use = tuple(
                    u * (self._packable(day, minutes) if d == day else 1) for d, u in enumerate(self.use)
                )
        return learnt


def _better(one: _Candidate, other: _Candidate) -> _Candidate:
    return one if one.score.better_than(other.score) else other
