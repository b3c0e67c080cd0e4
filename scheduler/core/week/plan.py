"""The plan of the week: the plain rule where it fits, else the solver and a search, else plain steps.

The aims in their order: no crop beyond its readily available water, weighted by its sensitivity; zones
served by their own trigger; least water lost below the roots; least water; fewest starts.  Whatever made
it, a plan is packed before it is given out, and judged by the same balance (`core.week.outcome`).

Where the rule does not fit, a linear relaxation says how little stress there could be, and the packed
mornings of the plain steps are made better (`core.week.recreate`).  Of few valves the solver is then asked
for the least stress in whole minutes.

What decides between plans as good as each other is reckoned here, in steps that every processor rounds
alike: the same facts give the same plan on any machine.  The solver's sums are each machine's own, and of
equal plans it gives any: only its bound is used, and its plan where that spares noticeably more (`WORTH`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from time import process_time
from typing import NamedTuple

import numpy as np

from scheduler.core.arrays import Minutes
from scheduler.core.hours.packing import Times
from scheduler.core.week.capacity import Capacity
from scheduler.core.week.cuts import Cut, Share, time_share, unpackable
from scheduler.core.week.greedy import Greedy, alone, greedy_minutes
from scheduler.core.week.loss import loss_of
from scheduler.core.week.lp import Answer, Program
from scheduler.core.week.morning import Packing, packing, packs
from scheduler.core.week.outcome import dry_side_balance, judge, terms_of
from scheduler.core.week.problem import Method, Outcome, Score, Week, WeekPlan
from scheduler.core.week.recreate import Recreate
from scheduler.core.week.rule import refilled_daily, rule_minutes
from scheduler.core.week.short import shortfalls
from scheduler.core.week.solver import NoSolver
from scheduler.core.week.valves import Valves

SOLVER_SECONDS = 0.4, 0.04
"""Of the processor's time, where the caller does not say; the second for every zone.

Not by the clock: a busy computer must not make another plan of the same facts.
"""
LOSS_ROUNDS = 30
FEW_VALVES = 5
"""Up to so many the solver is asked for the least stress in whole minutes."""
WORTH = 0.005, 1e-4
"""Share of the loss, and weighted stress days, that the solver's plan must spare to be taken."""
SEEDS = 0, 1
"""Searches for the least loss, each by a chance of its own: one alone may end far from it."""
MOVES_PER_SECOND, MOST_MOVES = 5000, 6000
"""Raises that may be looked at, for a second of the budget and at most; they take about as long."""
AIM_ROUNDS = 100, 30
"""Tries for the aims after the loss; the second above MANY_VALVES."""
MANY_VALVES = 8
OUT_OF_TIME = "the solver ran out of time"
SHARE_STEP, LEAST_SHARE = 0.98, 0.9
PROOF_VALVES = 5
"""A proof that a morning cannot be packed is sought up to so many runs."""
SAME_LOSS = 1e-3
NEGLIGIBLE_LOSS = 1e-6
NEGLIGIBLE_LITERS = 0.5


def rule_fits(week: Week) -> bool:
    """Whether every zone can follow its own trigger, and all of it packs (models M6 and M8)."""
    valves = Valves(week)
    terms = terms_of(valves)
    minutes = rule_minutes(valves, terms)
    return packs(Capacity(valves), minutes, judge(valves, terms, minutes)[0])


def plan_week(
    week: Week,
    *,
    seconds: float | None = None,
    solver: bool = True,
    why_short: bool = True,
    only_loss: bool = False,
) -> WeekPlan:
    """The best plan found in about `seconds` of the processor; it never breaks flow, hours, rests or caps.

    Whole minutes by (day, zone), their pulses, the expected outcome in mm and the score.  seconds: None takes
    SOLVER_SECONDS, by the number of zones.  solver: False keeps to plain steps; so does a missing highspy,
    and the plan's note says so.  why_short: False leaves `short` empty.  only_loss: leave the solver's time
    for the other aims aside.
    """
    if seconds is None:
        seconds = SOLVER_SECONDS[0] + SOLVER_SECONDS[1] * len(week.zones)
    search = Search(week, Budget.of(seconds) if solver else None, only_loss=only_loss)
    best, note = search.best()
    plan = WeekPlan(
        minutes=search.valves.spread(best.packing.minutes),
        pulses=best.packing.pulses,
        outcome=best.outcome,
        score=best.score,
        method=best.method,
        note=note,
        best_loss=min(search.bound, best.score.loss),
    )
    if not why_short or not week.days:
        return plan
    return replace(plan, short=shortfalls(search.valves, plan.minutes, plan.outcome))


class Candidate(NamedTuple):
    """A packed plan, how it was made, what it would do and how good that is."""

    method: Method
    packing: Packing
    outcome: Outcome
    score: Score


class Budget(NamedTuple):
    """What a plan may cost: the processor's time for HiGHS, counted moves for what is searched here."""

    until: float
    moves: int

    @classmethod
    def of(cls, seconds: float) -> Budget:
        """The budget of so many seconds of the processor, from now on.

        >>> Budget.of(0.4).moves, Budget.of(10.0).moves
        (2000, 6000)
        """
        return cls(process_time() + seconds, min(round(seconds * MOVES_PER_SECOND), MOST_MOVES))

    @property
    def left(self) -> float:
        """Seconds of the processor that are left; below 0 where the time is over.

        >>> 0 < Budget.of(60.0).left <= 60
        True
        """
        return self.until - process_time()

    def part(self, share: float) -> Budget:
        """A budget of that share, 0..1, of the time that is left; its moves are the same.

        >>> whole = Budget.of(60.0)
        >>> half = whole.part(0.5)
        >>> half.until < whole.until, half.moves == whole.moves
        (True, True)
        """
        return Budget(process_time() + share * self.left, self.moves)


class Search:
    """The best candidate for one week, and what its solves taught."""

    def __init__(self, week: Week, budget: Budget | None, *, only_loss: bool = False) -> None:
        self.week, self.budget, self.only_loss = week, budget, only_loss
        self.valves = Valves(week)
        self.terms = terms_of(self.valves)
        self.whole = Capacity(self.valves)
        self.best_lack = dry_side_balance(self.valves, self.terms, refilled_daily(self.valves)).lack
        self.bound = float(loss_of(self.best_lack, week).sum())
        self.cuts: list[Cut] = []
        self.shares: list[Share] = []
        self.use = (1.0,) * week.days
        self.rule = rule_minutes(self.valves, self.terms)

    def best(self) -> tuple[Candidate, str]:
        """The best candidate, and a remark where it is not the plan one would expect, else an empty text."""
        outcome, _ = judge(self.valves, self.terms, self.rule)
        if not packs(self.whole, self.rule, outcome):
            return self._beyond(None)
        best = self._candidate("rule", self.rule)
        troubled = self._troubled(outcome)
        if not troubled or self.budget is None:
            return best, ""
        alone = self._each_alone(troubled)
        if alone is not None and alone.packing.whole:
            return _better(alone, best), ""
        return self._beyond(best)

    def _beyond(self, rule: Candidate | None) -> tuple[Candidate, str]:
        """Where the rule does not do: the solver's plan, or plain steps; rule: its plan, where it packs."""
        steps = self._by_steps()
        plain = steps if rule is None else _better(steps, rule)
        if self.budget is None:
            return plain, "the solver was not asked"
        try:
            return self.solved(_better(steps, rule or self._candidate("heuristic", self.rule)), self.budget)
        except NoSolver as error:
            return plain, str(error)

    def solved(self, best: Candidate, budget: Budget) -> tuple[Candidate, str]:
        """The best of `best` and of what is found from it; a remark where the solver's time ran out.

        Raises NoSolver where highspy is missing, or where a solve for the least stress found nothing.
        """
        note = ""
        if not self._least(best):
            best = self._recreated(best, budget)
        if not self._least(best) and self.valves.count <= FEW_VALVES:
            exact, note = self._least_loss(best, budget.part(0.6))
            best = exact if _spares_worth(exact, best) else best
        return best if self.only_loss else self._polished(best, budget), note

    # --- candidates ---

    def _by_steps(self) -> Candidate:
        return self._candidate("heuristic", greedy_minutes(self.whole, self.terms))

    def _candidate(
        self, method: Method, minutes: Minutes, runs: Sequence[Mapping[int, Times]] = ()
    ) -> Candidate:
        found = packing(self.whole, self.terms, minutes, runs)
        return Candidate(method, found, *judge(self.valves, self.terms, found.minutes))

    def _least(self, best: Candidate) -> bool:
        """No plan loses less that anybody could tell."""
        return best.score.loss <= self.bound * (1 + SAME_LOSS) + NEGLIGIBLE_LOSS

    def _troubled(self, outcome: Outcome) -> list[int]:
        """Valves whose own rule, alone with the supply, is not yet the best for them."""
        week, valves = self.week, self.valves
        unwatered, _ = judge(valves, self.terms, np.zeros((week.days, week.valves)))
        lost = (loss_of(1 - outcome.ks, week) - loss_of(self.best_lack, week)).sum(axis=0)
        drained = np.maximum(outcome.percolation - unwatered.percolation, 0) * valves.liters_per_mm
        drained = np.where(week.standing, drained, 0.0).sum(axis=0)
        found = (lost > NEGLIGIBLE_LOSS) | (drained > NEGLIGIBLE_LITERS)
        return [int(v) for v in np.unique(week.valve[found])]

    def _each_alone(self, troubled: list[int]) -> Candidate | None:
        """Where the joint supply does not bind, each valve's own best is the best of all."""
        assert self.budget is not None
        minutes = self.rule.copy()
        try:
            for v in troubled:
                own = Search(alone(self.week, [v]), self.budget, only_loss=self.only_loss)
                best, _ = own.solved(own._candidate("rule", minutes[:, [v]]), self.budget)
                minutes[:, v] = best.packing.minutes[:, 0]
        except NoSolver:
            return None
        return self._candidate("solver", minutes)

    # --- on packed mornings ---

    def _recreated(self, start: Candidate, budget: Budget) -> Candidate:
        """The least stress that turns up from `start` on, looked for until the relaxed program's is met."""
        self.bound = max(self.bound, _rounded_down(self._program().relaxed(budget.left)))
        best = start
        for seed in SEEDS:
            if not self._least(best):
                moves = self._moves(budget, seed)
                found = moves.less_loss(moves.begin(_lie(start)), self.bound)
                best = _better(self._candidate("solver", found.by_day, found.runs), best)
        return best

    def _polished(self, best: Candidate, budget: Budget) -> Candidate:
        moves = self._moves(budget, SEEDS[0])
        rounds = AIM_ROUNDS[self.valves.count > MANY_VALVES]
        found = moves.other_aims(moves.begin(_lie(best)), rounds)
        return _better(self._candidate("solver", found.by_day, found.runs), best)

    def _moves(self, budget: Budget, seed: int) -> Recreate:
        return Recreate(self.valves, self.terms, self.rule, budget.moves, seed)

    # --- solve, pack, learn, again ---

    def _least_loss(self, best: Candidate, budget: Budget) -> tuple[Candidate, str]:
        for k in range(LOSS_ROUNDS):
            if budget.left <= 0 and k:
                return best, OUT_OF_TIME
            answer = self._program().least_loss(budget.left, best.packing.minutes)
            if all(use == 1.0 for use in self.use):
                self.bound = max(self.bound, _rounded_down(answer.bound))
            best = _better(self._tidied(answer), best)
            if best.score.loss <= max(answer.bound, 0.0) * (1 + SAME_LOSS) + NEGLIGIBLE_LOSS:
                return best, ""
            if not self._learn(answer.minutes):
                return best, "" if answer.done else OUT_OF_TIME
        return best, "the solver was stopped before every morning packed"

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

    def _tidied(self, answer: Answer) -> Candidate:
        """Packed, held to what the zones can take, and what came free given out again."""
        capacity = Capacity(self.valves, self.use)
        found = packing(self.whole, self.terms, answer.minutes)
        steps = Greedy(capacity, found.minutes)
        steps.trim()
        if not found.whole or not answer.whole:
            steps.lower_loss()
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


def _lie(found: Candidate) -> dict[int, dict[int, Times]]:
    """By day and valve, where the runs of a candidate lie."""
    runs: dict[int, dict[int, Times]] = {}
    for pulse in found.packing.pulses:
        runs.setdefault(pulse.day, {}).setdefault(pulse.valve, []).append((pulse.start, pulse.stop))
    return runs


def _better(one: Candidate, other: Candidate) -> Candidate:
    return one if one.score.better_than(other.score) else other


def _spares_worth(one: Candidate, other: Candidate) -> bool:
    share, least = WORTH
    return other.score.loss - one.score.loss > max(share * other.score.loss, least)


def _rounded_down(bound: float) -> float:
    """To six digits after the point: the solver's last ones are the machine's. An infinite one stays."""
    return math.floor(bound * 1e6) / 1e6 if math.isfinite(bound) else bound
