"""Soil readings and the balance: against a general filter library, and what it must not believe."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from core import gardens
from core.uncertainty_records import SUPPLY
from filterpy.kalman import KalmanFilter

from scheduler import tables
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.terms import terms
from scheduler.core.uncertainty import soil_readings as s
from scheduler.core.uncertainty import sources as d
from scheduler.core.uncertainty.carry import SCENARIOS, Causes, State, carry
from scheduler.core.uncertainty.retention import Curve
from scheduler.model import Crop, Rows, Soil

LOAM = Soil("loam", 0.25, 0.12)
CURVE = Curve(**tables.retention()["loam"])
COUNT = 60
CROP = Crop("beans", 0.5, 1.05, 0.9, (15, 25, 40, 10), 0.3, 0.5, 0.45)


def plot(zones: int = 3, rain_every: int = 0):
    """Identical zones of beans on loam, watered by the rule: (terms, balance, et0, rain)."""
    et0 = np.full(COUNT, 5.0)
    rain = np.array([12.0 if rain_every and k % rain_every == 5 else 0.0 for k in range(COUNT)])
    planted = tuple(
        gardens.zone(gardens.planting(CROP, date(2023, 5, 1), rows=Rows(4, 20.0, 0.75)), name=f"z{k}")
        for k in range(zones)
    )
    laid_out = terms(planted, date(2023, 5, 1), et0, rain, location=gardens.HERE, supply=SUPPLY)
    balance = run(laid_out, starting_deficit=np.zeros(zones), rule=RefillRule.of(planted))
    return laid_out, balance, et0, rain


def carried(laid_out, balance, et0, rain, readings=None, **sizes):
    none = np.zeros(COUNT)
    water = balance.irrigation
    lasting, passing = sizes.pop("et_sd", (0.08, 0.15))
    return carry(
        laid_out, balance,
        Causes(
            et0, d.Uncertainty(lasting * et0, passing * et0, np.full(COUNT, 0.4)),
            rain, d.Uncertainty(none, 0.2 * rain, none), d.Uncertainty(0.05 * water, 0.05 * water, none),
        ), today=COUNT - 1, readings=readings, **sizes,
    )  # fmt: skip


def filter_of(laid_out, readings, measured=None):
    def measure(reading):
        if measured is not None:
            return measured(reading), None
        why = s.impossible(reading, 0.5)
        taw = float(laid_out.taw[reading.day, reading.zone])
        if why:
            return None, why
        return s.measured(reading, curve=CURVE, theta_fc=0.25, theta_wp=0.12, taw=taw), None

    return s.Filter(readings, measure, laid_out.taw)


def theta(day: int, value: float, *, zone: int = 1, evening: bool = False) -> s.Reading:
    return s.Reading(zone=zone, day=day, evening=evening, label=f"{value:g} on day {day}", theta=value)


def cb(day: int, value: float, **more) -> s.Reading:
    return s.Reading(zone=1, day=day, evening=False, label=f"{value:g} cb", tension_kpa=value, **more)


# --- the filter itself ---------------------------------------------------------------------------


def test_the_update_is_that_of_a_general_filter_library():
    """Local level with day-to-day noise: mean and variance after each of 50 readings, against filterpy."""
    rng = np.random.default_rng(3)
    other = KalmanFilter(dim_x=1, dim_z=1)
    other.x, other.P = np.array([[10.0]]), np.array([[4.0]])
    other.F = other.H = np.array([[1.0]])
    other.Q = np.array([[0.3]])
    state, level = State(2), 10.0
    state.own[State.OWN_BOUND, :, 1] = 4.0
    for seen in 10 + rng.normal(0, 1.5, 50):
        other.predict()
        state.own[State.OWN_ET0, :, 1] += 0.3
        noise = float(rng.uniform(2.0, 4.0))
        other.update(np.array([[seen]]), R=np.array([[noise]]))
        gain, level, aside = s._update(state, 1, level, s.Measured(float(seen), 0.0, np.sqrt(noise)))
        assert aside == ()
        assert gain == pytest.approx(float(other.K[0, 0]), rel=1e-9)
        assert level == pytest.approx(float(other.x[0, 0]), rel=1e-9)
        assert state.variance[1] == pytest.approx(float(other.P[0, 0]), rel=1e-9)
    assert state.variance[0] == 0


def test_a_textbook_example():
    """Welch and Bishop, An Introduction to the Kalman Filter (2006), section 3: a constant of -0.37727 with
    readings of sd 0.1, Q 1e-5, R 0.01, started at 0 with P 1. P settles where P = (P + Q) R / (P + Q + R)."""
    rng = np.random.default_rng(1)
    state, level = State(1), 0.0
    state.own[State.OWN_BOUND] = 1.0
    for _ in range(200):
        state.own[State.OWN_ET0] += 1e-5
        seen = s.Measured(-0.37727 + float(rng.normal(0, 0.1)), 0.0, 0.1)
        _, level, _ = s._update(state, 0, level, seen)
    fixed = (-1e-5 + np.sqrt(1e-10 + 4 * 1e-5 * 0.01)) / 2
    assert float(state.variance[0]) == pytest.approx(fixed, rel=0.03)
    assert level == pytest.approx(-0.37727, abs=0.06)


def test_what_a_sensor_gets_wrong_each_time_is_not_worn_away_by_asking_it_again():
    """Schmidt's consider filter: however often it is read, the sensor's own lasting error stays (to the
    share that its first readings got of it)."""
    state, level = State(1), 12.0
    state.own[State.OWN_BOUND] = 9.0
    sds = []
    for _ in range(300):
        _, level, _ = s._update(state, 0, level, s.Measured(10.0, 2.0, 1.0))
        sds.append(float(state.sd[0]))
    best = 1 / np.sqrt(1 / 9 + 1 / 4)  # prior and one perfect average of the sensor, whose error is 2
    assert sds[0] > sds[-1] > 0.95 * best
    naive = 1 / np.sqrt(1 / 9 + 300 / 5)
    assert sds[-1] > 5 * naive


# --- in the balance ------------------------------------------------------------------------------


def test_without_a_reading_nothing_changes_to_the_last_bit():
    laid_out, balance, et0, rain = plot(rain_every=9)
    plain = carried(laid_out, balance, et0, rain)
    empty = carried(laid_out, balance, et0, rain, filter_of(laid_out, []))
    assert plain.balance is balance
    assert empty.balance is balance
    np.testing.assert_array_equal(plain.sd_start, empty.sd_start)
    set_aside = carried(laid_out, balance, et0, rain, filter_of(laid_out, [cb(30, 150.0)]))
    for name in ("deficit_start", "deficit_end", "eta", "ks", "percolation", "irrigation"):
        np.testing.assert_array_equal(getattr(set_aside.balance, name), getattr(balance, name))


def test_other_zones_and_earlier_days_stay_as_they_are():
    laid_out, balance, et0, rain = plot(rain_every=9)
    read = carried(laid_out, balance, et0, rain, filter_of(laid_out, [theta(30, 0.21)]))
    for name in ("deficit_start", "deficit_end", "eta", "ks", "percolation"):
        np.testing.assert_array_equal(
            getattr(read.balance, name)[:, [0, 2]], getattr(balance, name)[:, [0, 2]]
        )
        np.testing.assert_array_equal(getattr(read.balance, name)[:29], getattr(balance, name)[:29])
    assert read.balance.deficit_start[30, 1] != balance.deficit_start[30, 1]
    assert read.sd_start[30, 1] < read.sd_start[29, 1]


@pytest.mark.parametrize("evening", [False, True])
def test_a_morning_reading_speaks_of_the_night_before_an_evening_one_of_the_day(evening):
    laid_out, balance, et0, rain = plot()
    wanted = 0.15  # 0.77 of TAW gone
    seen = carried(laid_out, balance, et0, rain, filter_of(laid_out, [theta(30, wanted, evening=evening)]))
    start, end = seen.balance.deficit_start[:, 1], seen.balance.deficit_end[:, 1]
    before = balance.deficit_start[:, 1], balance.deficit_end[:, 1]
    if evening:
        assert start[30] == before[0][30]
        assert end[30] > before[1][30] + 0.5
        assert start[31] == end[30]
    else:
        assert start[30] > before[0][30] + 0.5
        assert end[30] == pytest.approx(start[30] - balance.irrigation[30, 1] + seen.balance.eta[30, 1])


def test_water_given_before_the_reading_is_counted():
    laid_out, balance, et0, rain = plot()
    wet = replace(theta(30, 0.24), watered_mm=10.0)
    taken = filter_of(laid_out, [wet])
    carried(laid_out, balance, et0, rain, taken)
    dry = filter_of(laid_out, [theta(30, 0.24)])
    carried(laid_out, balance, et0, rain, dry)
    assert taken.taken[0].after == pytest.approx(dry.taken[0].after + taken.taken[0].gain * 10, abs=1e-6)


def test_readings_lead_a_balance_that_runs_dry_unseen_back_to_the_truth():
    """The site drinks 25 % more than the weather says; a reading every third day keeps the deficit near."""
    laid_out, balance, et0, rain = plot()
    rng = np.random.default_rng(5)
    thirsty = replace(laid_out, etc=laid_out.etc * 1.25)
    true = run(
        thirsty, starting_deficit=np.zeros(3), rule=RefillRule.of(tuple(gardens.zone(name=n) for n in "abc")),
        given=balance.irrigation, decide_from=COUNT,
    ).deficit_start  # fmt: skip
    readings = [
        theta(day, float(0.25 - 0.13 * true[day, 1] / laid_out.taw[day, 1] + rng.normal(0, 0.004)))
        for day in range(12, COUNT, 3)
    ]
    sharp = lambda r: s.Measured((0.25 - r.theta) / 0.13 * laid_out.taw[r.day, 1], 1.0, 1.0)  # noqa: E731
    read = carried(laid_out, balance, et0, rain, filter_of(laid_out, readings, sharp), et_sd=(0.2, 0.15))
    late = slice(25, COUNT)
    blind = np.sqrt(np.mean((true - balance.deficit_start)[late, 1] ** 2))
    led = np.sqrt(np.mean((true - read.balance.deficit_start)[late, 1] ** 2))
    assert blind > 5
    assert led < 0.4 * blind
    assert read.sd_start[late, 1].mean() < read.sd_start[late, 0].mean()


# --- what is not believed ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "why"),
    [
        (cb(20, -1.0), "never below 0"),
        (cb(20, float("nan")), "never below 0"),
        (cb(20, 90.0), "cannot measure above 85"),
        (cb(20, 210.0, instrument="block"), "cannot measure above 200"),
        (theta(20, 0.0), "no soil holds that"),
        (theta(20, 0.75), "no soil holds that"),
        (cb(20, 30.0, depth_m=0.9), "the roots reach"),
    ],
)
def test_impossible_readings_are_set_aside(reading, why):
    laid_out, balance, et0, rain = plot()
    readings = filter_of(laid_out, [reading])
    carried(laid_out, balance, et0, rain, readings)
    assert why in (readings.taken[0].aside or "")
    assert readings.taken[0].after == readings.taken[0].before


def test_a_block_may_read_what_a_tensiometer_cannot():
    assert s.impossible(cb(20, 120.0, instrument="block"), 0.5) is None


def test_a_reading_far_from_all_that_is_likely_is_set_aside():
    laid_out, balance, et0, rain = plot()
    far = filter_of(laid_out, [theta(6, 0.12)], lambda r: s.Measured(60.0, 1.0, 1.0))
    carried(laid_out, balance, et0, rain, far, et_sd=(0.02, 0.05))
    assert "standard deviations" in (far.taken[0].aside or "")


def test_a_sensor_that_sticks_is_set_aside_once_the_balance_has_moved_on():
    laid_out, balance, et0, rain = plot()
    stuck = filter_of(laid_out, [cb(day, 31.0) for day in range(30, 42)])
    carried(laid_out, balance, et0, rain, stuck)
    aside = [one.aside for one in stuck.taken]
    assert aside[0] is None
    assert "stuck" in (aside[-1] or "")
    moving = filter_of(laid_out, [cb(day, 31.0 + day % 2) for day in range(30, 42)])
    carried(laid_out, balance, et0, rain, moving)
    assert not any("stuck" in (one.aside or "") for one in moving.taken)


def test_wetter_than_field_capacity_is_no_deficit():
    seen = s.measured(cb(20, 2.0), curve=CURVE, theta_fc=0.25, theta_wp=0.12, taw=50.0)
    assert seen.deficit == 0.0
    assert seen.lasting >= s.PLACE_SHARE * 50


def test_six_scenarios_weigh_the_same():
    assert State(1).shift.shape == (SCENARIOS, 1)
