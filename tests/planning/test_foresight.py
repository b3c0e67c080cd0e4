"""Seasons with foresight: the same balance, the supply's rules kept, and what a forecast is worth."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from scheduler.errors import BadInput
from scheduler.garden.file import load
from scheduler.planning.day_rules import rules_from
from scheduler.planning.forecasts import Ahead, Foreseen
from scheduler.planning.foresight import Belief, Planner, simulate_ahead
from scheduler.planning.season import simulate, weather_of
from scheduler.weather.files import daily as daily_file
from scheduler.weather.files import forecast as forecast_file

ROOT = Path(__file__).parents[2]
CREEKSIDE = ROOT / "examples" / "creekside"
GARDEN = load(CREEKSIDE / "garden.yaml")
WEATHER = daily_file.read(CREEKSIDE / "weather.csv")
spec = importlib.util.spec_from_file_location("example_foresight", ROOT / "examples" / "foresight.py")
example = importlib.util.module_from_spec(spec)
sys.modules["example_foresight"] = example  # its dataclasses look themselves up
spec.loader.exec_module(example)


@pytest.mark.parametrize("coefficient", ["single", "dual"])
def test_the_walk_with_the_plain_rule_is_the_season(coefficient):
    garden = replace(GARDEN, crop_coefficient=coefficient)
    span = {"first": date(2015, 4, 1), "last": date(2015, 10, 31)}
    walked = simulate_ahead(garden, WEATHER, "perfect", decide=lambda dawn: dawn.by_rule.minutes, **span)
    season = simulate(garden, WEATHER, **span)
    assert season.balance.minutes.any(axis=0).all()
    for name in ("minutes", "irrigation", "deficit_start", "deficit_end", "eta", "ks", "percolation"):
        one, other = getattr(walked.balance, name), getattr(season.balance, name)
        assert np.allclose(one, other, rtol=1e-9, atol=1e-9), name


@pytest.mark.parametrize("coefficient", ["single", "dual"])
def test_a_forecast_that_comes_true_is_believed_as_the_terms_have_it(coefficient):
    garden = replace(GARDEN, crop_coefficient=coefficient)
    first, last = date(2015, 6, 1), date(2015, 6, 20)
    span = weather_of(garden.location, WEATHER, first, last)
    belief = Belief(garden, span)
    true = span.terms(garden)
    belief.follow(3, Foreseen(span.et0_mm, span.rain_mm).ahead(3))
    for name in ("etc", "use", "raw", "trigger", "rain_eff"):
        assert np.allclose(getattr(belief.terms, name), getattr(true, name), rtol=1e-12), name
    belief.follow(3, Ahead(np.full(7, 9.0), np.full(7, 20.0), np.ones(7), np.arange(7.0)))
    days, standing = slice(3, 10), true.standing[3:10]
    assert (belief.terms.etc[days] > true.etc[days])[standing].all()
    assert (belief.terms.raw[days] < true.raw[days])[standing].all()
    assert np.array_equal(belief.terms.etc[10:], true.etc[10:])


@pytest.fixture(scope="module")
def place():
    return example.PLACES[0]


@pytest.fixture(scope="module")
def ways(place):
    """Three weeks in which spring crops come into their thirst; plain steps, so that it is quick."""
    return example.four_ways(place, date(2015, 6, 10), date(2015, 6, 30))


def test_hours_days_and_supply_hold_on_every_simulated_morning(place, ways):
    garden = example.garden_of(place)
    for name in ("plain rule", "forecast", "perfect"):
        season = ways[name]
        flow = np.array([*(s.delivery.flow_lpm for s in season.terms.stands), 0.0])[season.terms.stand]
        for d, minutes in enumerate(season.balance.minutes):
            rule = rules_from(garden.supply, season.first + timedelta(days=d))[0]
            hours = rule.minutes(garden.location.timezone)
            assert minutes.max() <= hours
            assert minutes @ flow[d] <= garden.supply.usable_lpm * hours * (1 + 1e-9), (name, d)


def test_water_is_neither_made_nor_lost(ways):
    for season in ways.values():
        b = season.balance
        change = b.deficit_end - b.deficit_start
        made = b.eta + b.percolation - b.irrigation - season.terms.rain_eff
        assert np.abs((change - made)[season.terms.standing]).max() < 1e-9  # FAO-56 eq 85


def test_a_forecast_costs_no_more_yield_than_none(ways):
    """Stress weighed by Ky, over three weeks; the whole seasons are in the README's table."""
    found = {name: example.sums(season) for name, season in ways.items()}
    assert found["perfect"].lost_yield_days <= found["plain rule"].lost_yield_days
    assert found["forecast"].lost_yield_days <= found["plain rule"].lost_yield_days
    assert found["fixed timer"].liters == pytest.approx(found["plain rule"].liters, rel=1e-6)


def test_the_examples_chances_are_honest(place):
    """Of the days said to have p percent, p percent are wet: within sampling error (binomial)."""
    weather = example.weather_of(place)
    issues = example.forecasts(weather, date(2012, 1, 1), date(2015, 12, 24))
    told, came = [], []
    for issue in issues.values():
        at = (issue.first - weather.first).days
        told += issue.rain_chance_pct.tolist()
        came += (weather.rain_mm[at : at + len(issue)] >= example.WET_MM).tolist()
    told, came = np.array(told), np.array(came)
    for low in (5, 25, 45, 65, 85):
        here = (told >= low) & (told < low + 10)
        assert here.sum() > 100
        assert came[here].mean() == pytest.approx(told[here].mean() / 100, abs=0.06)


def test_a_dry_forecast_and_the_truth_without_rain_plan_alike():
    """Where it never rains and the forecast is the truth, foresight and forecast give the same season."""
    days = slice(1215, 1290)  # 30 April to 14 July 2015
    first = WEATHER.first + timedelta(days=days.start)
    cut = {
        name: getattr(WEATHER, name)[days].copy()
        for name in ("tmin_c", "tmax_c", "wind_m_s", "wind_height_m")
    }
    lines = ["date,tmin_c,tmax_c,wind_m_s,wind_height_m,rain_mm"]
    for k in range(75):
        lines.append(f"{first + timedelta(days=k)},{','.join(str(v[k]) for v in cut.values())},0")
    weather = daily_file.read("\n".join(lines) + "\n")
    rows = ["issued," + lines[0]]
    for k in range(60):
        issued = first + timedelta(days=k)
        rows += [f"{issued},{line}" for line in lines[1 + k : 8 + k]]
    issues = forecast_file.read("\n".join(rows) + "\n")
    span = {"first": first + timedelta(days=1), "last": first + timedelta(days=50)}
    perfect = simulate_ahead(GARDEN, weather, "perfect", **span)
    told = simulate_ahead(GARDEN, weather, "forecast", issues=issues, **span)
    # p goes by yesterday's ET0 where today's is only forecast (model M6): runs may shift by a day
    total = perfect.balance.irrigation.sum()
    assert told.balance.irrigation.sum() == pytest.approx(total, rel=0.06)
    assert (told.balance.ks < 1).sum() == (perfect.balance.ks < 1).sum() == 0


def test_an_old_issue_serves_until_a_newer_one_comes_and_missing_days_have_stand_ins():
    first = date(2015, 7, 1)
    text = ["issued,date,tmin_c,tmax_c,rain_mm,rain_chance_pct"]
    text += [f"2015-06-28,2015-06-{d},12,30,0,0" for d in (28, 29, 30)] + ["2015-06-28,2015-07-01,12,30,7,60"]
    issues = forecast_file.read("\n".join(text) + "\n")
    planner = Planner()
    season = simulate_ahead(
        GARDEN,
        WEATHER,
        "forecast",
        issues=issues,
        first=first,
        last=first + timedelta(days=3),
        decide=planner,
    )
    assert sum(planner.methods.values()) == 4
    assert season.foresight["mode"] == "forecast"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("date,tmin_c\n2015-06-28,12\n", "needs a column issued"),
        ("issued,date,tmin_c\n2015-06-28,2015-06-27,12\n", "2015-06-27 is before its issue, 2015-06-28"),
        ("issued,date,tmin_c\n28.6.2015,2015-06-27,12\n", 'f.csv:2: issued: "28.6.2015" is not a date'),
        ("issued,date,tmin_c\n", "has a header but no rows"),
        ("issued,date,tmin_c\n2015-06-28,2015-06-28,warm\n", '"warm" is not a number'),
    ],
)
def test_a_forecast_file_that_cannot_be_read_says_why(text, words):
    with pytest.raises(BadInput) as told:
        forecast_file.read(text, name="f.csv")
    assert words in str(told.value)
