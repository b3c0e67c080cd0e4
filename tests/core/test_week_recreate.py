"""Plans out of packed mornings: against plans that are known, and against the balance in arrays."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from core.week_gardens import broken_rules, loss, packed_week, random_week

from scheduler.core.hours.rules import PeriodCap
from scheduler.core.week.outcome import judge, terms_of
from scheduler.core.week.plan import plan_week
from scheduler.core.week.recreate import ValveDays
from scheduler.core.week.rule import rule_minutes
from scheduler.core.week.solver import Model, Solved
from scheduler.core.week.valves import Valves


@pytest.mark.parametrize("seed", range(5))
def test_where_a_plan_without_stress_is_known_one_is_found(seed: int):
    ahead, known = packed_week(12, seed)
    assert loss(ahead, known[None])[0] == 0
    assert (known @ ahead.flow_lpm[0]).sum() > 0.85 * ahead.usable_lpm * ahead.window.sum()
    plan = plan_week(ahead, seconds=8.0)
    assert plan.score.loss < 0.005
    assert broken_rules(ahead, plan) == []


def test_the_floats_are_the_arrays():
    """The same stress and refills: shared valves, holds, filling lines, rain, doubt, plantings that begin."""
    stressed = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        ahead = random_week(rng, int(rng.integers(1, 7)))
        ahead = replace(ahead, begins=rng.random(ahead.begins.shape) < 0.1)
        valves = Valves(ahead)
        terms = terms_of(valves)
        minutes = (
            np.floor(rng.uniform(0, 1, valves.most.shape) * valves.most) * (rng.random(7) < 0.5)[:, None]
        )
        outcome, score = judge(valves, terms, minutes)
        own = [ValveDays(valves, terms, rule_minutes(valves, terms), v) for v in range(valves.count)]
        rows = [minutes[:, v].tolist() for v in range(valves.count)]
        found = sum(one.loss(row) for one, row in zip(own, rows, strict=True))
        assert found == pytest.approx(score.loss, abs=1e-9)
        stressed += score.loss > 0.01
        for day in range(7):
            wanted = np.maximum(valves.wanted(day, outcome.deficit_start[day]), valves.settling(day))
            able = [one.able(row, day) for one, row in zip(own, rows, strict=True)]
            np.testing.assert_array_equal(able, np.minimum(valves.most_of(wanted), valves.most[day]))
    assert stressed > 10


@pytest.mark.parametrize("seed", range(6))
def test_big_gardens_keep_every_rule(seed: int):
    rng = np.random.default_rng(seed)
    ahead = random_week(rng, int(rng.integers(8, 15)))
    liters = float((ahead.flow_lpm[0] * 40).sum())
    ahead = replace(ahead, caps=(PeriodCap((0, 1, 2), liters), PeriodCap((1,), liters / 2)))
    plan = plan_week(ahead)
    assert broken_rules(ahead, plan) == []
    assert plan.best_loss <= plan.score.loss + 1e-9
    assert plan.score.loss <= plan_week(ahead, solver=False).score.loss + 1e-4


@pytest.mark.parametrize("dry", [False, True])
def test_more_time_is_never_worse_and_the_same_facts_are_the_same_plan(dry: bool):
    ahead, _ = packed_week(9, 3)
    if dry:
        ahead = replace(ahead, deficit=ahead.raw[0] * np.random.default_rng(1).uniform(1, 1.4, 9))
    plans = [plan_week(ahead, seconds=seconds) for seconds in (0.02, 0.1, 0.3, 0.9, 0.9)]
    found = [plan.score.loss for plan in plans]
    assert all(later <= sooner * (1 + 1e-4) + 1e-6 for sooner, later in zip(found, found[1:], strict=False))
    assert plans[-1].pulses == plans[-2].pulses
    assert plans[-1].score.loss >= plans[-1].best_loss - 1e-9


@pytest.mark.parametrize(("zones", "seed"), [(4, 4006), (6, 6002)])
def test_the_last_digits_of_the_solvers_sums_pick_no_plan(
    zones: int, seed: int, monkeypatch: pytest.MonkeyPatch
):
    """As another processor would round them: an ARM's multiply-add rounds once where x86 rounds twice."""
    ahead = random_week(np.random.default_rng(seed), zones)
    solve, noise, asked = Model.solve, np.random.default_rng(seed), []

    def otherwise(model: Model, *given: Any, **named: Any) -> Solved:
        for name in ("cost", "value", "low", "high", "row_low", "row_high"):
            exact = np.array(getattr(model, name))
            setattr(model, name, (exact * (1 + 2.0**-52 * noise.integers(-1, 2, len(exact)))).tolist())
        asked.append(model)
        return solve(model, *given, **named)

    plain = plan_week(ahead, seconds=20.0)
    monkeypatch.setattr(Model, "solve", otherwise)
    for _ in range(2):
        plan = plan_week(ahead, seconds=20.0)
        assert plan.pulses == plain.pulses
        assert plan.best_loss == pytest.approx(plain.best_loss, abs=1.1e-6)
    assert asked
    assert plain.score.loss > 0.1
