"""Laws that hold for any weather on any garden: water in = water out + stored, and what follows from it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from core import gardens as g
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from scheduler.core.balance.need import Morning, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.soil import run
from scheduler.core.balance.tape import RunLimits, net_of_minutes, run_minutes
from scheduler.core.balance.terms import terms
from scheduler.model import Applied, Garden, Settle, Supply, WeatherDays
from scheduler.pages.season import season_page
from scheduler.planning.facts import Facts
from scheduler.planning.live import balance_to_last_night
from scheduler.planning.season import Season, simulate

LAW = settings(deadline=None, max_examples=20, suppress_health_check=list(HealthCheck))
MM = 1e-6  # what a balance may miss by


def season(garden: Garden, weather: WeatherDays) -> Season:
    return simulate(garden, weather, weather.first, weather.last)


def unshared(garden: Garden) -> Garden:
    """The same zones, each on a valve of its own, without settling runs."""
    return replace(
        garden,
        zones=tuple(
            replace(
                zone,
                valve=replace(zone.valve, key=f"by_hand:{zone.name}"),
                plantings=tuple(replace(p, settle=None) for p in zone.plantings),
            )
            for zone in garden.zones
        ),
    )


# --- the balance ---------------------------------------------------------------------------------


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_water_in_is_water_out_plus_stored(garden: Garden, weather: WeatherDays):
    """FAO-56 eq 85, over each planting's whole stay: what came in went out or is in the soil."""
    done = season(garden, weather)
    balance, laid_out = done.balance, done.terms
    into = laid_out.rain_eff + balance.irrigation
    out = balance.eta + balance.percolation
    for stand in laid_out.stands:
        days, z = slice(stand.begin, stand.end), stand.zone
        stored = balance.deficit_start[stand.begin, z] - balance.deficit_end[stand.end - 1, z]
        assert into[days, z].sum() == pytest.approx(out[days, z].sum() + stored, abs=MM)
        start, end = balance.deficit_start[days, z], balance.deficit_end[days, z]
        assert (start[1:] == end[:-1]).all()  # from one evening to the next morning nothing happens


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_the_deficit_stays_between_nothing_and_all(garden: Garden, weather: WeatherDays):
    """FAO-56 eq 86; and the crop never uses more than its full need, nor more than there is."""
    done = season(garden, weather)
    balance, laid_out = done.balance, done.terms
    here = laid_out.standing
    for deficit in (balance.deficit_start, balance.deficit_end):
        assert (deficit >= 0).all()
        assert (deficit[here] <= laid_out.taw[here] + MM).all()
    assert ((balance.ks >= 0) & (balance.ks <= 1)).all()
    assert (balance.eta <= laid_out.etc + MM).all()
    assert (balance.eta[~here] == 0).all()
    assert (balance.minutes[~here] == 0).all()
    assert (balance.irrigation[~here] == 0).all()
    assert (balance.percolation[~here] == 0).all()


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_the_season_page_holds_only_plain_numbers(garden: Garden, weather: WeatherDays):
    done = season(garden, weather)
    page = season_page(garden, done)
    assert json.loads(json.dumps(page, allow_nan=False)) == page
    for record in [*page["days"], *page["zones"].values()]:
        assert all(value >= 0 for value in record.values() if isinstance(value, int | float)), record
    assert len(page["days"]) == np.count_nonzero(done.terms.standing)
    assert all(float(record["minutes"]).is_integer() for record in page["days"])


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_what_was_given_is_what_the_season_gives_back(garden: Garden, weather: WeatherDays):
    """The live balance replays the water that was really given: the season's own, before leaching."""
    done = season(garden, weather)
    kept = 1 - (0 if done.balance.apart is None else done.balance.apart.leaching)
    again = run(
        done.terms,
        starting_deficit=np.array([zone.starting_deficit_mm for zone in garden.zones]),
        rule=RefillRule.of(garden.zones),
        given=done.balance.irrigation / kept,
        decide_from=len(done.rain_mm),
    )
    for name in ("deficit_start", "deficit_end", "eta", "ks", "percolation", "irrigation"):
        np.testing.assert_allclose(
            getattr(again, name), getattr(done.balance, name), rtol=1e-9, atol=1e-9, err_msg=name
        )


@settings(LAW, max_examples=20)
@given(garden=g.gardens(most_zones=3), weather=g.seasons(most_days=90), data=st.data())
def test_the_live_morning_stands_where_the_season_stood(garden: Garden, weather: WeatherDays, data: Any):
    """The daily job's own balance, from applied runs on record, on any morning of the season."""
    done = season(garden, weather)
    kept = 1 - (np.zeros(1) if done.balance.apart is None else done.balance.apart.leaching)
    water = np.broadcast_to(done.balance.irrigation / kept, done.balance.irrigation.shape)  # as it is booked
    today = data.draw(st.integers(0, len(weather) - 1))
    said = datetime(2024, 1, 1, tzinfo=UTC)
    facts = Facts(
        start=weather.first,
        day=weather.first + timedelta(days=today),
        zones=garden.zones,
        weather=weather,
        rain_so_far_mm=None,
        applied=tuple(
            Applied(zone.name, day, 1.0, 0.0, 0.0, float(water[d, z]), "done", said)
            for d, day in enumerate(weather.dates())
            for z, zone in enumerate(garden.zones)
            if done.balance.irrigation[d, z] > 0
        ),
        notes=(),
        plans={},
        store_replaced=False,
    )
    ahead = replace(
        weather,
        **{
            name: np.pad(getattr(weather, name), (0, 8), mode="edge")
            for name in ("tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s",
                         "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm", "rain_chance_pct")
        },
    )  # fmt: skip
    live = balance_to_last_night(garden, replace(facts, weather=ahead), ())
    near = {"rtol": 1e-12, "atol": 1e-12}
    np.testing.assert_allclose(live.deficit, done.balance.deficit_start[today], **near)
    np.testing.assert_allclose(live.balance.deficit_end[:today], done.balance.deficit_end[:today], **near)


# --- minutes -------------------------------------------------------------------------------------


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_no_run_gives_more_than_the_deficit_but_for_its_rounding(garden: Garden, weather: WeatherDays):
    """Half a minute at most; a settling run, a neighbour on the same valve and a shortest run may."""
    garden = unshared(garden)
    done = season(garden, weather)
    shortest = np.ceil([zone.shortest_run_minutes for zone in garden.zones])
    ran = (done.balance.minutes > 0) & (done.balance.minutes > shortest)
    over = done.balance.irrigation - done.balance.deficit_start
    assert (over[ran] <= 0.5 / done.terms.minutes_per_mm[ran] + MM).all()
    due = done.balance.deficit_start >= done.terms.trigger
    assert not (done.balance.minutes[~due] > 0).any()


@settings(LAW, max_examples=20)
@given(garden=g.gardens(), weather=g.seasons(most_days=60), more=g.between(0.0, 60.0), data=st.data())
def test_more_rain_yesterday_never_means_more_minutes(
    garden: Garden, weather: WeatherDays, more: float, data: Any
):
    day = data.draw(st.integers(0, len(weather) - 2))
    wetter = weather.rain_mm.copy()
    wetter[day] = np.nan_to_num(wetter[day]) + more
    dry, wet = season(garden, weather), season(garden, replace(weather, rain_mm=wetter))
    assert (wet.balance.minutes[day + 1] <= dry.balance.minutes[day + 1]).all()
    assert (wet.balance.deficit_start[day + 1] <= dry.balance.deficit_start[day + 1] + 1e-12).all()


def morning(zones: int, **changes: Any) -> Morning:
    return Morning(
        **{
            "et0_yesterday_mm": 5.0, "rain_so_far_mm": 0.0, "applied_today_mm": np.zeros(zones),
            "forecast_rain_mm": np.full(8, np.nan), "rain_chance": np.full(8, np.nan),
            "days_to_next_morning": 1, "held": np.zeros(zones, dtype=bool),
        }
        | changes
    )  # fmt: skip


@settings(LAW, max_examples=40)
@given(
    garden=g.gardens(), deficits=st.lists(g.between(0.0, 120.0), min_size=4, max_size=4),
    rain=g.between(0.0, 40.0), chance=g.unit, fell=g.between(0.0, 20.0), less=g.between(0.0, 60.0),
    until=st.integers(1, 7), et0=g.between(0.5, 9.0),
)  # fmt: skip
def test_a_wetter_soil_never_asks_for_more_this_morning(
    garden: Garden, deficits: list[float], rain: float, chance: float, fell: float, less: float, until: int,
    et0: float,
):  # fmt: skip
    """The live rule, with rain on its way: rain yesterday or since midnight lowers what is asked."""
    count = len(garden.zones)
    laid_out = terms(
        garden.zones, g.FIRST, np.full(12, et0), np.zeros(12), location=garden.location, supply=garden.supply
    )
    rule = RefillRule.of(garden.zones)
    now = np.minimum(np.array(deficits[:count]), laid_out.taw[3])
    seen = morning(
        count, et0_yesterday_mm=et0, rain_so_far_mm=fell, forecast_rain_mm=np.full(8, rain),
        rain_chance=np.full(8, chance), days_to_next_morning=until,
    )  # fmt: skip
    dry = need_today(laid_out, 3, now, seen, rule)
    wet = need_today(laid_out, 3, np.maximum(now - less, 0), seen, rule)
    later = need_today(laid_out, 3, now, replace(seen, rain_so_far_mm=fell + less), rule)
    for wetter in (wet, later):
        assert (wetter.minutes <= dry.minutes).all()
    for need in (dry, wet, later):
        assert (need.minutes[~laid_out.standing[3]] == 0).all()
        assert (need.minutes >= 0).all()
        assert np.isfinite(need.minutes).all()


LIMITS = RunLimits(fill=np.array(0.0), shortest=np.array(0.0), longest=np.array(np.inf))


@settings(LAW, max_examples=150)
@given(net=g.between(0.01, 40.0), per_mm=g.between(0.05, 60.0), times=st.integers(2, 9))
def test_minutes_scale_with_area_and_inversely_with_flow(net: float, per_mm: float, times: int):
    """minutes = gross x area / flow: twice the area or half the flow, twice the minutes, to the rounding."""

    def minutes(scale: float) -> float:
        return float(
            run_minutes(np.float64(net), np.float64(per_mm * scale), LIMITS, stressed=np.array(False))
        )

    assert abs(minutes(times) - times * minutes(1.0)) <= 0.5 * (times + 1)
    assert minutes(times) >= minutes(1.0)
    given_back = net_of_minutes(np.float64(minutes(1.0)), np.float64(per_mm), LIMITS.fill)
    assert abs(float(given_back) - net) <= 0.5 / per_mm + 1e-9


@pytest.mark.parametrize(("times", "flow"), [(3, 6.0), (1, 2.0)])
def test_three_times_the_rows_or_a_third_of_the_flow(times: int, flow: float):
    """Through a whole garden, 20 mm short: 4 rows on 6 L/min, against 12 rows, or 2 L/min."""

    def first_minutes(count: int, measured: float) -> float:
        zone = g.zone(
            g.planting(
                replace(g.BEANS, root_start_m=0.5), rows=g.Rows(count, 20.0, 0.75), measured_flow_lpm=measured
            ),
            starting_deficit_mm=20.0, refill_at=0.05,
        )  # fmt: skip
        return float(season(g.garden(zone), g.weather(tmin_c=12.0, tmax_c=24.0)).balance.minutes[0, 0])

    once, scaled = first_minutes(4, 6.0), first_minutes(4 * times, flow)
    assert once == pytest.approx(20.0 / 0.9 * 60.0 / 6.0, abs=0.5)
    assert abs(scaled - 3 * once) <= 2


# --- one zone among others, one span in two ------------------------------------------------------


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_a_zone_does_not_feel_its_neighbours(garden: Garden, weather: WeatherDays):
    garden = unshared(garden)
    together = season(garden, weather)
    for z, zone in enumerate(garden.zones):
        alone = season(replace(garden, zones=(zone,)), weather)
        np.testing.assert_array_equal(alone.balance.minutes[:, 0], together.balance.minutes[:, z])
        for name in ("deficit_start", "deficit_end", "eta", "ks", "percolation", "irrigation"):
            np.testing.assert_allclose(
                getattr(alone.balance, name)[:, 0],
                getattr(together.balance, name)[:, z],
                rtol=1e-9,
                atol=1e-9,
            )


@LAW
@given(garden=g.gardens(shared_valves=False), weather=g.seasons(), data=st.data())
def test_a_span_in_two_halves_is_the_span(garden: Garden, weather: WeatherDays, data: Any):
    """Stopped on an evening and taken up next morning at its deficit, true day numbers kept.

    Settling runs are left out: a span's first morning knows no yesterday's rain; and salty water: the salt of
    four quarters of the root zone is not said by a deficit.
    """
    garden = unshared(garden)
    garden = replace(garden, supply=replace(garden.supply, ec_ds_m=None))
    whole = season(garden, weather)
    cut = data.draw(st.integers(1, len(weather) - 1))
    begun = whole.balance.known[cut - 1]
    bare_after_a_crop = begun & ~whole.terms.standing[cut]
    assume(not bare_after_a_crop.any())  # a fresh start knows nothing of bare ground's deficit
    carried = whole.balance.deficit_end[cut - 1]
    halves = replace(
        garden,
        zones=tuple(
            replace(zone, starting_deficit_mm=float(carried[z])) if begun[z] else zone
            for z, zone in enumerate(garden.zones)
        ),
    )
    before = simulate(garden, weather, weather.first, weather.first + timedelta(days=cut - 1))
    after = simulate(halves, weather, weather.first + timedelta(days=cut), weather.last)
    for name in ("minutes", "deficit_start", "deficit_end", "eta", "ks", "percolation", "irrigation"):
        joined = np.vstack([getattr(before.balance, name), getattr(after.balance, name)])
        np.testing.assert_array_equal(joined, getattr(whole.balance, name))


# --- shared valves and settling ------------------------------------------------------------------


@LAW
@given(garden=g.gardens(), weather=g.seasons())
def test_zones_on_one_valve_run_for_the_same_minutes(garden: Garden, weather: WeatherDays):
    one_valve = replace(garden.zones[0].valve, key="gpio:17")
    garden = replace(garden, zones=tuple(replace(zone, valve=one_valve) for zone in garden.zones))
    done = season(garden, weather)
    here, minutes = done.terms.standing, done.balance.minutes
    longest = minutes.max(axis=1, keepdims=True)
    assert (minutes == np.where(here, longest, 0.0)).all()
    own_net = np.maximum(minutes - [zone.fill_time_minutes for zone in garden.zones], 0)
    kept = 1 - (0 if done.balance.apart is None else done.balance.apart.leaching)
    np.testing.assert_allclose(
        done.balance.irrigation, own_net / done.terms.minutes_per_mm * kept * here, rtol=1e-12
    )


@settings(LAW, max_examples=20)
@given(every=st.integers(1, 4), days=st.integers(1, 20), minutes=g.between(0.4, 45.0), weather=g.seasons())
def test_settling_runs_come_when_they_should(every: int, days: int, minutes: float, weather: WeatherDays):
    """On planting day and every so many days after, at least so long, unless 5 mm got in the day before."""
    plant = g.planting(g.BEANS, settle=Settle(days, every, minutes), rows=g.Rows(4, 20.0, 0.3))
    done = season(g.garden(g.zone(plant, wetted_width_m=0.3), supply=Supply(flow_lpm=9.0)), weather)
    got, rain_in = done.balance.minutes[:, 0], done.terms.rain_eff[:, 0]
    for day in range(min(days, len(weather))):
        skipped = day > 0 and rain_in[day - 1] >= 5
        if day % every == 0 and not skipped:
            assert got[day] >= minutes
        elif done.balance.deficit_start[day, 0] < done.terms.trigger[day, 0]:
            assert got[day] == 0


def test_a_season_of_no_planting_is_an_empty_page_not_a_crash():
    """Bare ground all through: planted later, pulled before, or never planted."""
    weather = g.weather(days=10, tmin_c=10.0, tmax_c=20.0, rain_mm=4.0)
    later = g.planting(planted=g.FIRST + timedelta(days=40))
    before = g.planting(planted=g.FIRST - timedelta(days=40), pulled=g.FIRST)
    garden = g.garden(g.zone(later), g.zone(before, name="south"), g.zone(name="east"))
    page = season_page(garden, simulate(garden, weather, weather.first, date(2023, 10, 10)))
    assert page["days"] == []
    assert page["zones"]["east"]["liters"] == 0
    assert simulate(g.garden(), weather).balance.minutes.shape == (10, 0)
