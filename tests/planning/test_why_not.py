"""The rules at the moment of opening, and how garden.yaml says them."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from garden.test_file import SAMPLE

from scheduler.core.system.allowance import hottest_by_month, too_little
from scheduler.errors import BadGarden
from scheduler.garden.file import load_text
from scheduler.garden.months import months_of
from scheduler.model import Hours, MonthRule, Supply, WateringDays
from scheduler.planning.day_rules import rules_from, supply_on
from scheduler.service.limits import WITHIN_S, longest, rule_on, rules_of

NEW_YORK = "America/New_York"
TUESDAY_FRIDAY = WateringDays("weekdays", frozenset({1, 4}))
SUPPLY = Supply(
    20.0,
    daily_cap_l=3000.0,
    monthly_cap_l=40_000.0,
    days=WateringDays("odd"),
    by_month=(MonthRule(frozenset({6, 7, 8}), (Hours(time(20), time(23)),), TUESDAY_FRIDAY, 900.0),),
    not_together=(("beans", "tomatoes"),),
)  # fmt: skip
RULES = rules_of(SUPPLY, NEW_YORK)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(NEW_YORK))


def ask(when: str, minutes: float = 30, **more: object) -> str | None:
    given = {"zones": ["beans"], "flow_lpm": 10.0, "liters_today": 0.0, "liters_month": 0.0, **more}
    allowed, why = longest(RULES, at(when), **given)  # type: ignore[arg-type]  # what a case gives
    return why if allowed < minutes * 60 - WITHIN_S or allowed <= 0 else None


@pytest.mark.parametrize(
    ("when", "minutes", "more", "why"),
    [
        ("2026-05-05T06:00", 30, {}, None),  # an odd date in May, within 04:00 to 10:00
        ("2026-05-06T06:00", 30, {}, "not a watering day"),
        ("2026-05-05T03:59", 30, {}, "outside the watering hours, 04:00 to 10:00"),
        ("2026-05-05T10:00", 30, {}, "outside the watering hours"),
        ("2026-05-05T09:45", 30, {}, "the watering hours end at 10:00"),
        ("2026-05-05T09:30", 30, {}, None),
        ("2026-07-07T06:00", 30, {}, "outside the watering hours, 20:00 to 23:00"),  # a Tuesday in July
        ("2026-07-07T20:00", 30, {}, None),
        ("2026-07-08T20:00", 30, {}, "not a watering day"),  # a Wednesday
        (
            "2026-05-05T06:00",
            30,
            {"liters_today": 2800.0},
            "the daily cap on water: 2,800 L of 3,000 L have run; more from Wed 2026-05-06 on",
        ),
        ("2026-05-05T06:00", 20, {"liters_today": 2800.0}, None),
        ("2026-07-07T20:00", 30, {"liters_today": 700.0}, "the daily cap on water: 700 L of 900 L"),
        ("2026-05-05T06:00", 30, {"liters_month": 39_900.0}, "the month's cap on water"),
        ("2026-05-05T06:00", 30, {"open_now": ["tomatoes"]}, "not at one time with tomatoes"),
        ("2026-05-05T06:00", 30, {"open_now": ["squash", "beans"]}, None),
    ],
)
def test_what_stops_a_valve_at_the_moment_of_opening(when, minutes, more, why):
    said = ask(when, minutes, **more)
    assert (said is None) == (why is None)
    assert why is None or why in said


def test_the_longest_run_is_what_is_left_of_hours_and_caps():
    seconds, why = longest(RULES, at("2026-05-05T09:50"), ["beans"], 10.0, 0.0, 0.0)
    assert seconds == pytest.approx(600)
    assert "hours" in why
    seconds, why = longest(RULES, at("2026-05-05T06:00"), ["beans"], 10.0, 2950.0, 0.0)
    assert seconds == pytest.approx(300)  # 50 L at 10 L/min
    assert "daily cap" in why


def test_hours_are_true_time_across_the_clock_change():
    """In New York the clock went back at 06:00 UTC on 2026-11-01 (IANA tz database, rules of 2007)."""
    rules = {**rules_of(Supply(20.0), NEW_YORK), "hours": ["00:30", "04:00"]}
    begin = datetime(2026, 11, 1, 4, 30, tzinfo=UTC)  # 00:30 EDT
    seconds, _ = longest(rules, begin, ["beans"], 10.0, 0.0, 0.0)
    assert seconds == pytest.approx(4.5 * 3600)  # to 04:00 EST, 09:00 UTC
    assert longest(rules, begin - timedelta(seconds=1), ["beans"], 10.0, 0.0, 0.0)[0] == 0.0


@pytest.mark.parametrize("day", [date(2026, 1, 1) + timedelta(days=k) for k in range(0, 365, 5)])
def test_the_service_reckons_a_date_as_the_plan_does(day):
    assert [rule_on(RULES, day)] == list(rules_from(SUPPLY, day))


def test_the_rules_survive_json_and_need_no_numpy():
    assert json.loads(json.dumps(RULES)) == RULES
    script = "import sys, scheduler.service.limits; print('numpy' in sys.modules)"
    ran = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    assert ran.stdout.strip() == "False"


# --- garden.yaml ---------------------------------------------------------------------------------

RESTRICTED = SAMPLE.replace(
    "  days: all\n",
    """  days: all
  monthly_cap: 20000 gal
  not_together: all
  by_month:
    jun-aug: {hours: {from: "20:00", until: "23:00"}, days: [tue, fri], daily_cap: 800 gal}
    nov-feb: {monthly_cap: 3000 gal}
""",
)


def test_months_replace_only_what_they_give():
    supply = load_text(RESTRICTED).supply
    july, may, december = (rules_from(supply, at(f"2026-{m}").date())[0] for m in ("07-07", "05-05", "12-01"))
    assert (july.hours, july.daily_cap_l) == ((Hours(time(20), time(23)),), 800 * 3.785411784)
    assert july.monthly_cap_l == 20_000 * 3.785411784  # NIST SP 811: 1 gal = 3.785 411 784 L
    assert (may.hours[0].begin, may.daily_cap_l) == (time(4), 1500 * 3.785411784)
    assert december.monthly_cap_l == 3000 * 3.785411784
    assert supply.not_together == (("tomatoes",),)


def test_a_wrong_restriction_is_told_with_its_line_and_the_nearest_word():
    wrong = RESTRICTED.replace("jun-aug", "jun-agust").replace(
        "not_together: all", "not_together: [[tomatos, tomatoes]]"
    )
    wrong = wrong.replace(
        "nov-feb: {monthly_cap: 3000 gal}", "nov-feb: {monthly_kap: 3000 gal}\n    dec: {daily_cap: 1 gal}"
    )
    with pytest.raises(BadGarden) as told:
        load_text(wrong, name="garden.yaml")
    text = str(told.value)
    assert ':18: supply.by_month.jun-agust: "agust" is not a month - did you mean "august"?' in text
    assert 'supply.not_together: "tomatos" is not one of the zones - did you mean "tomatoes"?' in text
    assert 'unknown key - did you mean "monthly_cap"?' in text
    assert 'december also stands under "nov-feb"' in text


@pytest.mark.parametrize(
    ("text", "months"),
    [
        ("june", {6}),
        ("jun-aug", {6, 7, 8}),
        ("Nov-Feb", {11, 12, 1, 2}),
        ("may, sept", {5, 9}),
        ("dec", {12}),
    ],
)
def test_months_as_people_write_them(text, months):
    assert months_of(text) == months


@pytest.mark.parametrize("text", ["", "ju", "juny", "jun-jul-aug", "6"])
def test_what_is_no_month(text):
    with pytest.raises(ValueError, match="month|ends"):
        months_of(text)


def test_the_months_cap_leaves_what_is_left_for_the_day():
    supply = Supply(20.0, daily_cap_l=500.0, monthly_cap_l=2000.0)
    day = at("2026-05-20").date()
    used = {day: 100.0, day - timedelta(days=1): 1700.0, day - timedelta(days=25): 900.0}
    assert supply_on(supply, day, used).daily_cap_l == 300.0
    assert supply_on(supply, day, {}).daily_cap_l == 500.0


# --- check ---------------------------------------------------------------------------------------


def test_a_month_whose_rules_leave_too_little_is_told():
    """100 min and 1000 L a day at 6 mm/d; July asks for two thirds of it, on 8 or 9 of 31 days (Tue, Fri)."""
    first = at("2026-01-01").date()
    rules = rules_from(SUPPLY, first, 365)
    found = too_little(
        rules, hottest=6.0, by_month={5: 6.0, 7: 4.0}, minutes=100.0, liters=1000.0, timezone=NEW_YORK
    )
    assert [(one.month, one.what) for one in found] == [(7, "liters a watering day")]
    tuesdays_and_fridays = sum((at("2026-07-01") + timedelta(days=k)).weekday() in (1, 4) for k in range(31))
    assert found[0].needs == pytest.approx(1000 * 4 / 6 * 31 / tuesdays_and_fridays)
    assert found[0].allows == 900.0


def test_the_hottest_week_of_a_month_is_the_mean_of_seven_days():
    et0 = np.concatenate([np.full(31, 2.0), np.full(28, 4.0)])
    found = hottest_by_month(et0, [1] * 31 + [2] * 28)
    assert found == pytest.approx({1: 2.0 + 3 * 2 / 7, 2: 4.0})
