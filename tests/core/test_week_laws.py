"""No plan ever breaks the supply or the grower's rules, whatever the garden and whoever made the plan.

The checker of `week_gardens` was written from the rules and shares nothing with the planner.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest
from core.week_gardens import broken_rules, random_week, week
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.core.hours.rules import PeriodCap
from scheduler.core.week import solver
from scheduler.core.week.plan import plan_week
from scheduler.core.week.problem import Busy, Week

SOME = settings(deadline=None, max_examples=40, suppress_health_check=list(HealthCheck))


def garden(seed: int) -> Week:
    rng = np.random.default_rng(seed)
    made = random_week(rng, int(rng.integers(1, 8)))
    if rng.random() < 0.3:
        caps = PeriodCap((0,), rng.uniform(50, 3000)), PeriodCap((0, 1, 2, 3), rng.uniform(500, 8000))
        made = replace(made, caps=caps)
    if rng.random() < 0.2:
        made = replace(made, busy=(Busy(0.0, 40.0, 0.3 * made.usable_lpm),))
    if rng.random() < 0.2:
        made = replace(made, ready=rng.choice([0.0, 45.0], made.valves))
    return replace(made, finish=str(rng.choice(["early", "late"])))  # type: ignore[arg-type]


def test_a_cap_that_is_used_up_beside_a_bare_zone():
    """Nothing divided by nothing is no number: the bare zone's valve uses none of the cap."""
    made = random_week(np.random.default_rng(3), 3)
    bare = np.arange(3) == 1
    made = replace(
        made,
        standing=made.standing & ~bare,
        flow_lpm=np.where(bare, 0.0, made.flow_lpm),
        trigger=np.where(bare, np.inf, made.trigger),
        etc=np.where(bare, 0.0, made.etc),
        caps=(PeriodCap(tuple(range(7)), 0.0),),
    )
    with np.errstate(all="raise"):
        plan = plan_week(made, seconds=0.0, solver=False)
    assert not plan.minutes.any()
    assert broken_rules(made, plan) == []


@SOME
@given(st.integers(0, 10**6), st.booleans())
def test_no_plan_breaks_a_rule(seed: int, solver: bool):
    ahead = garden(seed)
    plan = plan_week(ahead, solver=solver, seconds=2.0)
    assert broken_rules(ahead, plan) == []
    assert plan.best_loss <= plan.score.loss + 1e-9
    assert (plan.outcome.deficit_end >= 0).all()
    assert (plan.outcome.deficit_end <= ahead.taw + 1e-9).all()


@pytest.mark.parametrize(
    ("broken", "text"),
    [
        ({"usable_lpm": 10.0}, "flow"),
        ({"window": [100.0] * 7}, "outside the hours"),
        ({"held": True}, "held"),
        ({"longest": 30.0}, "too long"),
        ({"shortest": 200.0}, "too short"),
        ({"longest_pulse": 20.0}, "a pulse is too long"),
        ({"strip_minutes": 20.0}, "more at a time"),
        ({"valve_cap": 50.0}, "cap"),
        ({"caps": (PeriodCap((0,), 100.0),)}, "L of"),
        ({"apart": ((0, 1),)}, "beside"),
        ({"earliest": 300.0}, "outside the hours"),
        ({"busy": (Busy(0.0, 360.0, 25.0),)}, "flow"),
    ],
)
def test_the_checker_finds_what_is_wrong(broken: dict[str, object], text: str):
    settings = {"deficit": 15.0, "finish": "early"}
    plan = plan_week(week(2, **settings))  # type: ignore[arg-type]
    assert broken_rules(week(2, **settings), plan) == []  # type: ignore[arg-type]
    assert any(text in found for found in broken_rules(week(2, **settings | broken), plan))  # type: ignore[arg-type]


def test_the_same_week_twice_is_the_same_plan():
    ahead = garden(11)
    one, two = plan_week(ahead), plan_week(ahead)
    assert one.pulses == two.pulses


def scarce(**more: object) -> Week:
    """Three zones that each need most of the hours, and a supply that runs one at a time."""
    return week(3, usable_lpm=12.0, window=100.0, deficit=15.0, etc=5.0, **more)  # type: ignore[arg-type]


def test_without_the_solver_the_plan_says_so(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "highspy", None)
    plan = plan_week(scarce())
    assert plan.method == "heuristic"
    assert "not installed" in plan.note
    assert broken_rules(scarce(), plan) == []


def test_no_time_is_the_heuristic_and_the_plan_says_so():
    plan = plan_week(scarce(), seconds=0.0)
    assert broken_rules(scarce(), plan) == []
    assert plan.method == "heuristic" or plan.note or plan.score.loss <= plan.best_loss * 1.001


@pytest.mark.parametrize("share", [1e-6, 1e-3, 0.01])
@pytest.mark.parametrize("seed", range(6))
def test_a_machine_too_slow_for_the_solver_still_plans(
    monkeypatch: pytest.MonkeyPatch, seed: int, share: float
):
    """Its time may be over before it knows a bound, or within a program: that bounds nothing."""
    ahead = garden(seed) if seed else scarce()
    best = plan_week(ahead)
    monkeypatch.setattr(solver, "CLOCK_PER_SECOND", solver.CLOCK_PER_SECOND * share)
    plan = plan_week(ahead)
    assert broken_rules(ahead, plan) == []
    assert plan.best_loss <= best.score.loss + 1e-6


def test_who_goes_short_is_named_with_the_reason():
    plan = plan_week(scarce(ky=np.array([1.25, 1.0, 0.7])))
    assert plan.score.loss > 0
    assert [s.zone for s in plan.short][0] == 2  # the crop that bears it best
    assert plan.short[0].why == "flow and hours"
    assert all(s.stress_days >= 0 and s.net_mm > 0 for s in plan.short)


def test_a_zone_too_big_for_the_supply_goes_short():
    plan = plan_week(week(2, flow_lpm=np.array([10.0, 50.0]), deficit=10.0))
    assert plan.minutes[:, 1].sum() == 0
    assert plan.minutes[0, 0] == 100
    assert [(s.zone, s.why) for s in plan.short] == [(1, "it needs more flow than the supply can feed")]


def test_a_crop_is_watered_ahead_of_days_without_water():
    """Tomorrow to Friday no water is allowed, and today's hours serve all three only in part."""
    window = np.array([300.0, 0, 0, 0, 0, 300, 300])
    plan = plan_week(week(3, usable_lpm=12.0, window=window, deficit=[9.0, 5.0, 6.0], etc=4.0))
    assert plan.minutes[0].sum() > 190  # 20 mm in all are lacking, 10 min each: the day's hours hold them
    assert plan.score.loss < 0.35


def test_an_empty_garden_has_an_empty_plan():
    plan = plan_week(week(1, standing=False, trigger=np.inf))
    assert plan.pulses == ()
    assert plan.short == ()
