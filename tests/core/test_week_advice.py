"""What would mend a week that does not fit: each change is planned again, so it must hold when made."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time

import pytest
from core.week_gardens import week

from scheduler.core.hours.rules import PeriodCap, Restrictions, apart_zones, day_rule, day_rules, period_caps
from scheduler.core.week.advice import Remedy, Trial, remedies, smallest_that_helps, split
from scheduler.core.week.plan import plan_week
from scheduler.model import Hours, MonthRule, Supply, WateringDays


def test_nothing_to_mend():
    ahead = week(2, deficit=9.0)
    assert remedies(ahead, plan_week(ahead)) == ()


def test_a_short_week_is_mended_by_time_or_flow():
    ahead = week(3, usable_lpm=12.0, window=100.0, deficit=14.0, etc=5.0)
    plan = plan_week(ahead)
    assert plan.score.loss > 0.02
    found = {m.change: m for m in remedies(ahead, plan)}
    assert found["longer hours"].enough
    assert found["more flow"].amount > 0
    for change in found.values():
        assert change.before == plan.score.loss
        assert change.after < change.before
    longer = replace(ahead, window=ahead.window + found["longer hours"].amount)
    assert plan_week(longer).score.loss == pytest.approx(found["longer hours"].after)


def test_a_day_more_is_tried_where_days_are_forbidden():
    ahead = week(1, deficit=10.0, etc=5.0, longest=60.0, window=[100.0, 0, 0, 0, 100, 100, 100])
    found = {m.change: m for m in remedies(ahead, plan_week(ahead))}
    assert found["one more day"].day in (1, 2, 3)
    assert found["longer run"].zone == 0


def test_a_zone_too_big_is_mended_by_splitting_it():
    ahead = week(1, flow_lpm=40.0, deficit=10.0)
    found = {m.change: m for m in remedies(ahead, plan_week(ahead))}
    assert found["split the zone"].enough
    assert found["split the zone"].zone == 0


@pytest.mark.parametrize(
    ("stress_left", "told"),
    [
        ([0.9, 0.6, 0.4, 0.0], 4),  # only the largest mends it
        ([0.9, 0.0, 0.0, 0.0], 2),  # the smallest that mends it, not more
        ([0.9, 0.9, 0.4, 0.4], 3),  # none mends it, and twice as much would help no more
        ([0.4, 0.4, 0.4, 0.4], 1),
    ],
)
def test_no_more_is_asked_for_than_helps(stress_left: list[float], told: int):
    trials = [Trial("more flow", week(2), float(amount)) for amount in (1, 2, 3, 4)]

    def tried(trial: Trial) -> Remedy:
        return Remedy(trial.change, trial.amount, 1.0, stress_left[int(trial.amount) - 1])

    assert smallest_that_helps(tried, trials).amount == told


def test_a_cap_is_named():
    ahead = week(1, deficit=12.0, caps=(PeriodCap(tuple(range(7)), 500.0, "the month's cap on water"),))
    plan = plan_week(ahead)
    assert plan.short[0].why == "the month's cap on water"
    assert {m.change: m for m in remedies(ahead, plan)}["no cap"].enough


def test_two_halves_are_the_whole():
    whole = week(2, flow_lpm=20.0)
    halves = split(whole, 0)
    assert len(halves.zones) == 3
    assert halves.flow_lpm[0, [0, 2]].sum() == whole.flow_lpm[0, 0]
    assert halves.weight[0, [0, 2]].sum() == whole.weight[0, 0]
    shared = split(week(2, valve=[0, 0]), 1)
    assert shared.valve.tolist() == [0, 1]


# --- restrictions --------------------------------------------------------------------------------

SUPPLY = Supply(flow_lpm=20.0, hours=(Hours(time(4), time(10)),), daily_cap_l=1000.0)
DRY_MONTHS = MonthRule(
    frozenset({7, 8}), (Hours(time(5), time(8)),), WateringDays("weekdays", frozenset({0, 3})), 500.0, 4000.0
)


def test_the_month_rules_the_day():
    rules = Restrictions((DRY_MONTHS,), monthly_cap_l=20_000.0)
    june, july = day_rules(date(2026, 6, 30), 2, SUPPLY, rules)
    assert june.minutes("America/New_York") == 360
    assert july.minutes("America/New_York") == 0  # a Wednesday
    thursday = day_rule(date(2026, 7, 2), SUPPLY, rules)
    assert thursday.minutes("America/New_York") == 180
    assert (june.daily_cap_l, thursday.daily_cap_l) == (1000.0, 500.0)


def test_a_week_over_a_month_s_end_has_two_caps():
    rules = day_rules(date(2026, 6, 29), 7, SUPPLY, Restrictions((DRY_MONTHS,), monthly_cap_l=20_000.0))
    used = {date(2026, 6, 1): 15_000.0, date(2026, 6, 29): 400.0, date(2026, 5, 31): 9_999.0}
    caps = period_caps(rules, used)
    months = [(c.days, c.liters) for c in caps if c.why == "the month's cap on water"]
    assert months == [((0, 1), 4600.0), ((2, 3, 4, 5, 6), 4000.0)]
    assert [c.liters for c in caps if c.days == (0,)] == [600.0]


def test_hours_on_the_night_of_a_clock_change_have_their_true_length():
    early = replace(SUPPLY, hours=(Hours(time(1), time(4)),))
    assert day_rule(date(2026, 3, 8), early).minutes("America/New_York") == 120
    assert day_rule(date(2026, 11, 1), early).minutes("America/New_York") == 240


def test_zones_kept_apart_by_name():
    rules = Restrictions(apart=(("a", "c"), ("b", "ghost")))
    assert apart_zones(rules, ["a", "b", "c"]) == ((0, 2),)
