"""Quality control against real station records, their documented faults, and published extremes."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from core.gardens import location_of, recorded, weather
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.core.balance.climate import climate
from scheduler.core.quality.checks import RULES, Flag, examine
from scheduler.model import WEATHER_FIELDS, Location, WeatherDays
from scheduler.planning.remarks import remarks

DRY = {"fallon", "davis", "holyoke"}  # records of irrigated desert or steppe valleys: `location.dry`
YEAR = {"greensboro": 2015}


def found(name: str, days: WeatherDays | None = None) -> tuple[Flag, ...]:
    days = recorded(name, nominal_year=YEAR.get(name)) if days is None else days
    return examine(days, location_of(name, dry=name in DRY), source=name)


def rejected(flags: tuple[Flag, ...], rule: str) -> set[str]:
    return {flag.day.isoformat() for flag in flags if flag.verdict == "rejected" and flag.rule == rule}


# --- sound records -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["fallon", "de_bilt", "seattle", "greensboro", "holyoke"])
def test_nothing_of_a_sound_record_is_set_aside(name: str) -> None:
    """Five networks, 26 years of days: hurricanes, frosts and foggy weeks are no faults."""
    flags = found(name)
    assert [flag for flag in flags if flag.verdict == "rejected"] == []
    assert [flag for flag in flags if flag.sensor] == []


def test_holyoke_humidity_over_100_is_counted_as_100() -> None:
    """The record's README: "RH maximum up to 102.1 %"; 24 days by a count of the file."""
    flags = [flag for flag in found("holyoke") if flag.field == "rh_max_pct"]
    assert len(flags) == 24
    assert {(flag.verdict, flag.now) for flag in flags} == {("repaired", 100.0)}


# --- the faults that Davis is known for (README of the records) -----------------------------------


@pytest.fixture(scope="module")
def davis() -> tuple[WeatherDays, tuple[Flag, ...]]:
    days = recorded("davis")
    return days, found("davis", days)


def test_false_zeros_of_davis(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    """20 days with Tmin exactly 0.00 while Tmax was above 22: a missing value written as 32 F."""
    days, flags = davis
    known = {
        day.isoformat()
        for day, low, high in zip(days.dates(), days.tmin_c, days.tmax_c, strict=True)
        if low == 0 and high > 22
    }
    assert len(known) == 20
    assert {"1994-06-28", "2002-04-25"} < known
    caught = rejected(flags, "false zero")
    assert known <= caught
    for day in (
        caught - known
    ):  # zeros under cooler days: where the dew point is known, it speaks against them
        dew = days.tdew_c[(date.fromisoformat(day) - days.first).days]
        assert not dew < 4
    frosts = {"2009-12-01", "2009-12-02", "2011-01-24", "2013-12-23"}  # true nights of 0, between others
    assert not caught & frosts


def test_a_false_zero_is_caught_the_morning_after(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    """Live, the day after it is not known yet."""
    days, _ = davis
    end = (date(1994, 6, 28) - days.first).days + 1
    so_far = replace(days, **{name: getattr(days, name)[:end] for name in WEATHER_FIELDS})
    assert "1994-06-28" in rejected(found("davis", so_far), "false zero")


def test_sun_of_davis(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    """34 days above 33 MJ/m2, up to 43; zero on three days."""
    days, flags = davis
    bright = {d.isoformat() for d, s in zip(days.dates(), days.solar_mj_m2, strict=True) if s > 33}
    assert len(bright) == 34
    held = {f.day.isoformat() for f in flags if f.rule in ("over a clear sky", "more sun than above the air")}
    assert bright <= held
    assert rejected(flags, "no sun") == {"2011-10-07", "2012-12-31", "2014-11-02"}


def test_dry_nights_of_davis(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    """RH maximum under 20 % on four days."""
    days, flags = davis
    known = {d.isoformat() for d, rh in zip(days.dates(), days.rh_max_pct, strict=True) if rh < 20}
    assert len(known) == 4
    assert rejected(flags, "night too dry") == known


def test_the_share_of_davis_set_aside_is_small(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    days, flags = davis
    lost = sum(flag.verdict == "rejected" for flag in flags)
    known = sum(np.isfinite(getattr(days, name)).sum() for name in WEATHER_FIELDS if name != "wind_height_m")
    assert lost / known < 0.001


# --- Florida: a typing fault, dead days of a sun sensor, a hurricane ------------------------------
# Single days of two stations of the Florida network, from the station files of the dssat-csm-data repository.

QUINCY = Location(30.546, -84.599, 10.0, "America/New_York")
BALM = Location(27.760, -82.224, 39.0, "America/New_York")


def test_a_rain_of_817_mm_is_set_aside_and_a_hurricane_stays() -> None:
    quincy = weather(date(2016, 2, 1), rain_mm=[0.0, 817.4, 7.1], tmin_c=[10, 12, 11], tmax_c=[20, 22, 21])
    assert rejected(examine(quincy, QUINCY), "unheard-of rain") == {"2016-02-02"}
    balm = weather(date(2017, 9, 9), rain_mm=[0.5, 179.1, 0.8], tmin_c=[24, 23, 22], tmax_c=[31, 26, 28])
    assert examine(balm, BALM) == ()


def test_where_the_record_is_long_the_seasons_own_rain_is_the_measure() -> None:
    """Durre et al. 2010: 9 times the 95th percentile of the wet days within 14 calendar days, 20 at least."""
    days = recorded("de_bilt")
    wettest = int(np.nanargmax(days.rain_mm))
    assert days.rain_mm[wettest] == pytest.approx(63.9)
    for mm, stays in ((150.0, True), (250.0, False)):
        rain = days.rain_mm.copy()
        rain[wettest] = mm
        flags = found("de_bilt", replace(days, rain_mm=rain))
        assert (not rejected(flags, "unheard-of rain")) is stays


def test_dead_days_of_a_sun_sensor_and_a_hurricane_noon() -> None:
    dead = weather(
        date(2017, 5, 4), solar_mj_m2=[0.0, 0.0, 0.0], rain_mm=[70.9, 0.0, 0.0],
        tmin_c=[16.4, 9.7, 8.8], tmax_c=[23.3, 19.7, 24.0],
    )  # fmt: skip
    assert len(rejected(examine(dead, QUINCY), "no sun")) == 3
    storm = weather(date(2018, 10, 10), solar_mj_m2=[0.6], rain_mm=[111.3], tmin_c=[24.4], tmax_c=[25.8])
    assert examine(storm, QUINCY) == ()
    lit = weather(date(2018, 10, 10), solar_mj_m2=[0.6], rain_mm=[0.0], tmin_c=[14.0], tmax_c=[28.0])
    assert len(rejected(examine(lit, QUINCY), "no sun")) == 1


# --- published figures ----------------------------------------------------------------------------


def test_world_records_stay_and_more_does_not() -> None:
    """WMO archive of extremes (from memory): 56.7 degC Furnace Creek 1913, -89.2 degC Vostok 1983."""
    place = Location(36.46, -116.87, -54.0, "America/Los_Angeles")
    hot = weather(date(2013, 7, 10), tmin_c=[33.0, 33.0], tmax_c=[56.7, 58.0])
    assert rejected(examine(hot, place), "world record") == {"2013-07-11"}
    cold = weather(date(2013, 7, 21), tmin_c=[-89.2, -90.0], tmax_c=[-70.0, -70.0])
    assert rejected(examine(cold, Location(-78.46, 106.84, 3488.0, "UTC")), "world record") == {"2013-07-22"}


def test_sun_against_ra_and_rso_of_the_handbook() -> None:
    """FAO-56 Example 8: 3 September at 20 S, Ra = 32.2 MJ/m2; eq 37 at sea level: Rso = 0.75 Ra = 24.15."""
    place = Location(-20.0, 0.0, 0.0, "UTC")

    def verdict(mj: float) -> str | None:
        flags = examine(weather(date(2015, 9, 3), solar_mj_m2=[mj]), place)
        return flags[0].verdict if flags else None

    assert verdict(25.0) is None
    assert verdict(26.0) == "repaired"  # above 1.05 x 24.15 = 25.36
    assert verdict(33.0) == "rejected"


def test_what_is_called_repaired_is_what_the_model_does() -> None:
    """Flag and model M1 must not part: the value of the flag is the value that goes into eq 6."""
    days = recorded("davis")
    used = climate(days, location_of("davis", dry=True))
    flags = [flag for flag in found("davis", days) if flag.rule == "over a clear sky"]
    assert len(flags) > 50
    for flag in flags:
        assert used.rs_mj[(flag.day - days.first).days] == pytest.approx(flag.now, rel=1e-12)


def test_every_rule_names_its_source(davis: tuple[WeatherDays, tuple[Flag, ...]]) -> None:
    for flag in davis[1]:
        assert flag.published == RULES[flag.rule]
        assert flag.reason
    assert all(text for text in RULES.values())


# --- faults put into sound records ----------------------------------------------------------------


def spoiled(name: str, field: str, begin: int, values: list[float] | float) -> WeatherDays:
    days = recorded(name, nominal_year=YEAR.get(name))
    column = getattr(days, field).copy()
    put = np.broadcast_to(np.asarray(values, dtype=float), np.size(values)) if np.ndim(values) else [values]
    column[begin : begin + len(put)] = put
    return replace(days, **{field: column})


def test_a_stuck_wind_is_caught_on_the_fifth_day_and_a_still_one_on_the_second() -> None:
    for values, caught in (([1.9] * 4, 0), ([1.9] * 5, 5), ([0.0], 0), ([0.0, 0.0], 2)):
        flags = found("fallon", spoiled("fallon", "wind_m_s", 150, values))
        assert len(rejected(flags, "stuck wind")) == caught


def test_a_stuck_thermometer() -> None:
    days = recorded("fallon")
    low, high = days.tmin_c.copy(), days.tmax_c.copy()
    low[100:103], high[100:103] = 7.0, 21.0
    flags = found("fallon", replace(days, tmin_c=low, tmax_c=high))
    assert len(rejected(flags, "stuck temperature")) == 3


def test_a_spike_needs_both_neighbours() -> None:
    """A cold front is a step, not a spike (Durre et al. 2010: 25 degC off both days)."""
    days = recorded("fallon")
    hot = spoiled("fallon", "tmax_c", 20, [days.tmax_c[20] + 28])
    assert rejected(found("fallon", hot), "spike") == {"2015-01-21"}
    step = days.tmax_c.copy()
    step[200:] -= 30
    low = np.minimum(days.tmin_c, step - 5)
    assert rejected(found("fallon", replace(days, tmax_c=step, tmin_c=low)), "spike") == set()


@pytest.mark.parametrize(("name", "factor"), [("fallon", 0.75), ("greensboro", 0.75), ("holyoke", 0.8)])
def test_a_sun_sensor_that_goes_blind_is_seen_within_two_months(name: str, factor: float) -> None:
    days = recorded(name, nominal_year=YEAR.get(name))
    spoil = 120
    sun = days.solar_mj_m2.copy()
    sun[spoil:] *= factor
    flags = [f for f in found(name, replace(days, solar_mj_m2=sun)) if f.rule == "sun reads low"]
    assert flags
    first_seen = flags[0].first_seen
    assert first_seen is not None
    assert days.first + timedelta(days=spoil) < first_seen <= days.first + timedelta(days=spoil + 61)
    assert {f.verdict for f in flags} == {"kept"}  # flagged, never corrected


def test_a_sun_sensor_that_reads_high() -> None:
    days = recorded("fallon")
    flags = found("fallon", replace(days, solar_mj_m2=days.solar_mj_m2 * 1.12))
    assert [f.verdict for f in flags if f.rule == "sun reads high"] == ["kept"]


def test_a_humidity_sensor_that_never_gets_wet_again() -> None:
    """ASCE-EWRI 2005 app. D (from memory): in humid places nights come near 100 %."""
    days = recorded("de_bilt")
    low = {name: getattr(days, name).copy() for name in ("rh_min_pct", "rh_mean_pct", "rh_max_pct")}
    for column in low.values():
        column[1000:1100] *= 0.8
    spoilt = replace(days, **low)
    flags = [f for f in found("de_bilt", spoilt) if f.rule == "nights never humid"]
    assert len(flags) == 1
    assert flags[0].day == days.first + timedelta(days=1099)
    dry = examine(spoilt, location_of("de_bilt", dry=True))
    assert [f for f in dry if f.rule == "nights never humid"] == []


def test_a_dew_point_above_the_air() -> None:
    days = weather(date(2023, 5, 1), tmin_c=[10.0] * 2, tmax_c=[20.0] * 2, tdew_c=[16.5, 17.5])
    flags = examine(days, BALM)
    assert rejected(flags, "dew point above the air") == {"2023-05-02"}


@pytest.mark.parametrize(
    ("columns", "lost"),
    [
        ({"tmin_c": [20.0], "tmax_c": [10.0]}, {"tmin_c", "tmax_c"}),
        ({"tmin_c": [20.0], "tmax_c": [20.0]}, {"tmin_c", "tmax_c"}),
        ({"rh_min_pct": [80.0], "rh_max_pct": [40.0]}, {"rh_min_pct", "rh_max_pct"}),
        ({"rh_max_pct": [140.0]}, {"rh_max_pct"}),
        ({"rh_min_pct": [30.0], "rh_mean_pct": [90.0], "rh_max_pct": [80.0]}, {"rh_mean_pct"}),
        ({"wind_m_s": [40.0]}, {"wind_m_s"}),
        ({"solar_mj_m2": [-2.0]}, {"solar_mj_m2"}),
        ({"rain_mm": [-1.0]}, {"rain_mm"}),
        ({"rain_mm": [1900.0]}, {"rain_mm"}),
    ],
)
def test_what_cannot_be_is_set_aside_whoever_says_it(columns: dict[str, list[float]], lost: set[str]) -> None:
    flags = examine(weather(date(2023, 6, 1), **columns), BALM, sensor=False)
    assert {flag.field for flag in flags if flag.verdict == "rejected"} == lost


def test_a_model_is_not_held_to_the_habits_of_instruments() -> None:
    days = spoiled("fallon", "wind_m_s", 150, [1.9] * 9)
    flags = examine(days, location_of("fallon"), sensor=False)
    assert not rejected(flags, "stuck wind")


# --- laws -----------------------------------------------------------------------------------------

figures = st.one_of(
    st.just(float("nan")), st.floats(-120, 2500, allow_nan=False), st.sampled_from([0.0, 20.0, 100.0])
)


@settings(max_examples=60, deadline=None)
@given(st.data(), st.integers(1, 90), st.floats(-89, 89), st.booleans())
def test_any_weather_is_examined_and_left_as_it_is(
    data: st.DataObject, count: int, latitude: float, dry: bool
) -> None:
    columns = {
        name: np.array(data.draw(st.lists(figures, min_size=count, max_size=count)))
        for name in data.draw(st.sets(st.sampled_from(WEATHER_FIELDS)))
    }
    days = weather(date(2023, 10, 1), count, **columns)
    before = {name: getattr(days, name).copy() for name in WEATHER_FIELDS}
    flags = examine(days, Location(latitude, 0.0, 100.0, "UTC", dry=dry))
    for name in WEATHER_FIELDS:
        np.testing.assert_array_equal(before[name], getattr(days, name))
    for flag in flags:
        i = (flag.day - days.first).days
        if not flag.sensor:
            assert flag.value == before[flag.field][i]
        assert (flag.now is not None) == (flag.verdict == "repaired")
    once = Counter((f.day, f.field) for f in flags if f.verdict == "rejected")
    assert set(once.values()) <= {1}


def test_a_season_says_each_fault_once() -> None:
    lines = list(remarks(found("davis"), "us"))
    assert len(lines) == len({line.split(" on ")[0] for line in lines})
    zeros = next(line for line in lines if "false zero" in line)
    assert "left as it is" in zeros
    assert all(line.startswith("quality control: ") for line in lines)
