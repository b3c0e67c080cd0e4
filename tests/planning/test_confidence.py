"""From the season's facts to doubts: which source, which meter, and what the forecasts have shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from core import gardens

from scheduler.core.balance.et import reference_et
from scheduler.core.balance.terms import terms
from scheduler.core.uncertainty import sources as d
from scheduler.model import Applied, Note, Soil, SourceSpec, WeatherValue
from scheduler.planning.confidence import came_by, forecast_share, water_uncertainty
from scheduler.planning.facts import Facts
from scheduler.planning.issued import et0_as_issued
from scheduler.planning.soil import curve_of, readings_of

FIRST = date(2015, 5, 1)
DAY = date(2015, 6, 20)
NOW = datetime(2015, 6, 20, 9, tzinfo=UTC)
TODAY = (DAY - FIRST).days
FALLON = gardens.recorded("fallon")
ZONES = (gardens.zone(gardens.planting(planted=FIRST), name="north"),)


def facts(**more) -> Facts:
    return Facts(
        **{
            "start": FIRST, "day": DAY, "zones": ZONES, "weather": FALLON, "rain_so_far_mm": None,
            "applied": (), "notes": (), "plans": {}, "store_replaced": False,
        } | more
    )  # fmt: skip


def laid_out():
    n = TODAY + 8
    return terms(
        ZONES, FIRST, np.full(n, 5.0), np.zeros(n), location=gardens.HERE, supply=gardens.garden().supply
    )


def given(**more) -> Applied:
    made = {
        "zone": "north", "day": DAY - timedelta(days=5), "minutes": 60.0, "liters": 200.0, "gross_mm": 9.0,
        "net_mm": 8.0, "outcome": "done", "recorded_at": NOW,
    }  # fmt: skip
    return Applied(**(made | more))


def test_what_a_meter_saw_is_surer_than_minutes_and_those_surer_than_a_persons():
    sd = [
        water_uncertainty(facts(applied=(record,)), laid_out(), TODAY).sd[TODAY - 5, 0]
        for record in (given(measured=True), given(), given(outcome="by hand"))
    ]
    assert 0 < sd[0] < sd[1] < sd[2]
    assert sd[0] == pytest.approx(8.0 * np.hypot(0.02, 0.01))


def test_a_run_between_bounds_has_the_spread_of_an_even_chance():
    """Rectangular distribution: (b - a) / sqrt(12) (GUM, JCGM 100:2008, 4.3.7)."""
    made = laid_out()
    sure = water_uncertainty(facts(applied=(given(),)), made, TODAY).passing[TODAY - 5, 0]
    unsure = water_uncertainty(
        facts(applied=(given(least_minutes=20.0, most_minutes=80.0),)), made, TODAY
    ).passing[TODAY - 5, 0]
    mm = 60 / made.minutes_per_mm[TODAY - 5, 0]
    assert unsure**2 - sure**2 == pytest.approx((mm / np.sqrt(12)) ** 2)


def test_water_of_other_days_and_zones_is_left_out():
    strangers = (given(zone="gone"), given(day=DAY), given(day=FIRST - timedelta(days=1)))
    assert not water_uncertainty(facts(applied=strangers), laid_out(), TODAY).sd.any()


def test_where_each_day_came_from():
    told = {"tmax_c": ("gauge", "a (station)", "b (model)", "b (forecast)", None, "c (model)", "x", None)}
    days = replace(gardens.weather(FIRST, 8), came_from=told)
    assert came_by(days, "tmax_c", 6).tolist() == [
        d.GAUGE, d.STATION, d.MODEL, d.FORECAST, d.STATION, d.MODEL, d.FORECAST, d.FORECAST,
    ]  # fmt: skip


def test_forecasts_that_were_good_make_the_next_ones_surer():
    at = gardens.location_of("fallon")
    plot = replace(gardens.garden(*ZONES), location=at)
    et = reference_et(FALLON, at)
    assert forecast_share(facts(), et, plot) == d.FORECAST_SHARE
    rng = np.random.default_rng(2)

    def said(size: float, leads: tuple[int, ...] = (1, 7)) -> tuple[WeatherValue, ...]:
        """What a source said of the last days, some days ahead: off by a normal error of `size` degC."""
        found = []
        for day in (DAY - timedelta(days=k) for k in range(50, 0, -1)):
            i = (day - FALLON.first).days
            for lead in sorted(leads, reverse=True):
                at = NOW.replace(hour=12) - timedelta(days=(NOW.date() - day).days + lead)
                low = FALLON.tmin_c[i] + rng.normal(0, size)
                high = max(FALLON.tmax_c[i] + rng.normal(0, size), low + 3 * size)
                wind = FALLON.wind_m_s[i] * np.exp(rng.normal(0, size / 10))
                told = {"tmin_c": low, "tmax_c": high, "wind_m_s": wind, "wind_height_m": 3.0,
                        "tdew_c": FALLON.tdew_c[i], "solar_mj_m2": FALLON.solar_mj_m2[i]}  # fmt: skip
                found += [WeatherValue(day, f, float(v), "far", "forecast", at) for f, v in told.items()]
        return tuple(sorted(found, key=lambda value: value.fetched_at))

    good, bad = (forecast_share(facts(forecasts_issued=said(size)), et, plot) for size in (0.5, 10.0))
    assert good[0] < d.FORECAST_SHARE[0] < bad[0]
    assert good[7] < d.FORECAST_SHARE[7] < bad[7] <= 0.5
    # each lead is learned by itself: a week ahead badly, a day ahead well
    far_off = tuple(v for v in said(0.5, (1,))) + tuple(v for v in said(10.0, (7,)))
    mixed = forecast_share(
        facts(forecasts_issued=tuple(sorted(far_off, key=lambda v: v.fetched_at))), et, plot
    )
    assert mixed[1] < d.FORECAST_SHARE[1]
    assert mixed[7] > d.FORECAST_SHARE[7]


def test_each_lead_is_read_off_the_first_source_that_issued_so_far_ahead_and_gives_the_same_bits():
    """The garden's own source asked no further than one day ahead: two days ahead, another stands in."""
    at = gardens.location_of("fallon")
    file = SourceSpec("file", "own")
    plot = replace(gardens.garden(*ZONES), location=at, sources=(file,))
    first, days = DAY - timedelta(days=3), gardens.weather(DAY - timedelta(days=3), 3, tmin_c=9.0)

    def said(source: str, lead: int, tmax_c: float) -> list[WeatherValue]:
        return [
            WeatherValue(day, field, value, source, "forecast", NOW - timedelta(days=(DAY - day).days + lead))
            for day in days.dates()
            for field, value in (("tmin_c", 9.0), ("tmax_c", tmax_c))
        ]

    values = [*said("own", 1, 25.0), *said("another", 1, 30.0), *said("another", 2, 35.0)]
    found = et0_as_issued(plot, values, first, 3, leads=range(1, 8))
    assert set(found) == {1, 2}
    for lead, tmax_c in ((1, 25.0), (2, 35.0)):
        alone = reference_et(replace(days, tmax_c=np.full(3, tmax_c)), at).et0_mm
        assert found[lead].tolist() == alone.tolist()
    assert et0_as_issued(plot, [], first, 3, leads=range(1, 8)) == {}


def test_own_soil_figures_take_the_nearest_texture():
    assert curve_of(Soil("loam", 0.25, 0.12))[0] == "loam"
    assert curve_of(Soil("own figures", 0.24, 0.115))[0] in ("loam", "sandy loam")
    assert curve_of(Soil("own figures", 0.37, 0.23))[0] in ("clay", "silty clay")


def soil_note(at: str, kpa: float = 30.0, zone: str = "north") -> Note:
    return Note("soil", date.fromisoformat(at[:10]), NOW, zone, {"tension_kpa": kpa, "at": at})


def test_the_last_reading_of_a_half_day_counts_and_none_that_is_still_to_come():
    notes = (
        soil_note("2015-06-18T08:00:00+00:00", 30),
        soil_note("2015-06-18T06:00:00+00:00", 31),
        soil_note("2015-06-18T15:00:00+00:00", 32),
        soil_note("2015-06-20T07:00:00+00:00", 33),
        soil_note("2015-06-20T13:00:00+00:00", 34),
        soil_note("2015-04-01T07:00:00+00:00", 35),
        soil_note("2015-06-18T07:00:00+00:00", 36, zone="gone"),
    )
    found = readings_of(facts(notes=notes), UTC, TODAY)
    assert [(r.day, r.evening, r.tension_kpa) for r in found] == [
        (TODAY - 2, False, 30),
        (TODAY - 2, True, 32),
        (TODAY, False, 33),
    ]


def test_water_given_before_the_reading_that_morning_is_taken_along():
    at = datetime(2015, 6, 18, 8, tzinfo=UTC)
    run = given(day=at.date(), closed_at=at - timedelta(hours=1))
    notes = (soil_note(at.isoformat()),)
    assert readings_of(facts(notes=notes, applied=(run,)), UTC, TODAY)[0].watered_mm == 8.0
    later = replace(run, closed_at=at + timedelta(hours=1))
    assert readings_of(facts(notes=notes, applied=(later,)), UTC, TODAY)[0].watered_mm == 0.0
