"""With water to spare and no rain in sight, the plan for today is the plain rule, to the minute."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from core import gardens as g
from core.week_gardens import week
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from scheduler.core.balance.need import Morning, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.terms import terms
from scheduler.core.week.inputs import Calendar, SoilAhead, SupplyAhead, alike, week_of
from scheduler.core.week.plan import plan_week
from scheduler.model import Garden

SOME = settings(
    deadline=None,
    max_examples=150,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)
ALL_DAY = 24 * 60.0
HOURS = np.full(7, ALL_DAY)


@SOME
@given(
    garden=g.gardens(), day=st.integers(0, 60), et0=st.floats(0.5, 9), seed=st.integers(0, 2**32 - 1),
    over=st.sampled_from([0.3, 1.0, 1.8]),
)  # fmt: skip
def test_water_to_spare_is_the_plain_rule(garden: Garden, day: int, et0: float, seed: int, over: float):
    rng = np.random.default_rng(seed)
    laid_out = terms(
        garden.zones,
        g.FIRST,
        np.full(day + 8, et0),
        np.zeros(day + 8),
        location=garden.location,
        supply=garden.supply,
    )
    deficit = np.minimum(rng.uniform(0, over, len(garden.zones)) * laid_out.raw[day], laid_out.taw[day])
    held = rng.random(len(garden.zones)) < 0.1
    keys = {z.valve.key for z, h in zip(garden.zones, held, strict=True) if h}
    held = np.array([z.valve.key in keys for z in garden.zones])
    morning = Morning(
        et0_yesterday_mm=et0, rain_so_far_mm=0.0, applied_today_mm=np.zeros(len(held)),
        forecast_rain_mm=np.zeros(7), rain_chance=np.zeros(7), days_to_next_morning=1, held=held,
    )  # fmt: skip
    need = need_today(laid_out, day, deficit, morning, RefillRule.of(garden.zones))
    soil = SoilAhead(np.zeros(7), held=held)
    ahead = week_of(garden.zones, laid_out, day, need, soil, SupplyAhead(1e6), Calendar(HOURS))
    ahead = replace(  # the rests of pulses left aside: they can take more than the day
        ahead, valve_cap=np.full(ahead.valves, 1e5),
        strip_minutes=np.full_like(ahead.etc, np.inf), least_pulses=np.ones_like(ahead.etc),
    )  # fmt: skip
    plan = plan_week(ahead, solver=False)
    np.testing.assert_array_equal(plan.minutes[0], np.minimum(need.minutes, ALL_DAY))


def test_the_last_digits_of_a_flow_change_no_week():
    """Another Python adds up the rows' flows to other last digits: the plan stays what it was."""
    flows = np.array([3.633, 0.1 + 0.2, 7.0 / 3.0])
    nudged = np.nextafter(flows, [9.0, 0.0, 9.0])
    assert (flows != nudged).all()
    np.testing.assert_array_equal(alike(flows), alike(nudged))
    np.testing.assert_allclose(alike(flows), flows, rtol=1e-11)


def test_no_run_is_longer_than_the_hours_however_much_the_rule_asks_for():
    """Thin tape and wide rows: 20 mm take it 20,000 minutes, and no day has as many."""
    dry = week(1, deficit=20.0, window=ALL_DAY, net_per_minute=0.001, valve_cap=1e5)
    for solver in (True, False):
        plan = plan_week(dry, solver=solver)
        assert plan.minutes.max() == ALL_DAY
        assert plan.short


def test_so_it_is_with_the_solver_where_the_crops_are_not_stressed():
    ahead = week(3, deficit=[3.0, 9.0, 15.0], usable_lpm=100.0)
    for solver in (True, False):
        plan = plan_week(ahead, solver=solver)
        assert plan.method == "rule"
        assert plan.minutes[0].tolist() == [0.0, 90.0, 150.0]
        assert plan.short == ()
        assert plan.score.loss == 0


def test_a_due_zone_waits_only_for_rain_that_will_do_and_that_the_crop_can_miss():
    def today(**more: object) -> float:
        return float(plan_week(week(1, **more)).minutes[0, 0])  # type: ignore[arg-type]

    rain = np.array([[12.0], [0], [0], [0], [0], [0], [0]])
    assert today(deficit=10.0, rain_eff=rain, rain_chance=0.9) == 0
    assert today(deficit=10.0, rain_eff=rain, rain_chance=0.3) > 0  # 3.6 mm expected: still over the trigger
    assert today(deficit=14.0, rain_eff=rain, rain_chance=0.9) > 0  # 14 + 4 mm by tomorrow: beyond RAW, dry
    assert today(deficit=10.0, rain_eff=rain, rain_chance=0.9, deficit_sd=3.0) > 0  # nobody knows it so well


def test_room_is_left_for_rain_expected_later():
    rain = np.array([[0.0], [0.0], [14.0], [0], [0], [0], [0]])
    plan = plan_week(week(1, deficit=12.0, rain_eff=rain, rain_chance=0.9))
    assert 0 < plan.minutes[0, 0] < 120
    assert plan.outcome.percolation.sum() < 1e-6
    assert (plan.outcome.ks == 1).all()


def test_below_the_trigger_nothing_is_watered_unless_it_spares_stress():
    allowed = np.array([360.0, 0, 0, 0, 360, 360, 360])
    fine = plan_week(week(1, deficit=3.0, etc=2.0, window=allowed))
    assert fine.minutes[0, 0] == 0  # 3 + 3 x 2 mm on the last dry day: within RAW
    early = plan_week(week(1, deficit=7.0, etc=4.0, window=allowed))
    assert early.minutes[0, 0] > 0  # 7 + 3 x 4 mm: beyond the 16 mm
    assert (early.outcome.ks == 1).all()


def test_a_settling_run_is_given_and_a_hold_kept():
    settle = np.zeros((7, 2))
    settle[0] = 20.0
    held = np.zeros((7, 2), dtype=bool)
    held[:3, 1] = True
    plan = plan_week(week(2, settle=settle, held=held, deficit=[1.0, 20.0]))
    assert plan.minutes[0].tolist() == [20.0, 0.0]
    assert (plan.minutes[:3, 1] == 0).all()
    assert plan.minutes[3, 1] > 0
