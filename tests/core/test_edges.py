"""The traps of weather, calendar, crop and run: one small case each, the expected figure worked out here."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from core import gardens as g

from scheduler.core.balance.climate import HUMIDITY_BY, RADIATION_BY, Climate, days_of_year, sun, wind_at_2m
from scheduler.core.balance.et import ReferenceET, fill, reference_et
from scheduler.core.balance.need import Morning, Need, need_today
from scheduler.core.balance.rule import RefillRule
from scheduler.core.balance.salt import leaching_requirement
from scheduler.core.balance.tape import RunLimits, run_minutes
from scheduler.core.balance.terms import terms
from scheduler.errors import BadInput, NoReferenceET
from scheduler.model import Garden, Location, Settle, Supply, Valve
from scheduler.pages.season import season_page
from scheduler.planning.season import simulate

JULY = date(2021, 7, 1)
FAIR: dict[str, Any] = {
    "tmin_c": 12.0, "tmax_c": 26.0, "tdew_c": 10.0, "wind_m_s": 2.0, "solar_mj_m2": 22.0, "rain_mm": 0.0,
}  # fmt: skip


def e0(t_c: float) -> float:
    """FAO-56 eq 11."""
    return 0.6108 * math.exp(17.27 * t_c / (t_c + 237.3))


def et_of(location: Location = g.HERE, first: date = JULY, **columns: Any) -> ReferenceET:
    return reference_et(g.weather(first, 1, **columns), location)


def climate_of(location: Location = g.HERE, first: date = JULY, **columns: Any) -> Climate:
    return et_of(location, first, **{"tmin_c": 12.0, "tmax_c": 26.0} | columns).climate


# --- humidity ------------------------------------------------------------------------------------


def test_a_humidity_above_100_counts_as_100():
    odd, full = climate_of(rh_max_pct=140.0, rh_min_pct=50.0), climate_of(rh_max_pct=100.0, rh_min_pct=50.0)
    assert odd.ea_kpa[0] == full.ea_kpa[0] == pytest.approx((e0(12) + 0.5 * e0(26)) / 2)


def test_a_humidity_below_0_is_missing():
    found = climate_of(rh_max_pct=90.0, rh_min_pct=-5.0, rh_mean_pct=60.0)
    assert HUMIDITY_BY[found.humidity_by[0]] == "mean RH (eq 19)"
    assert found.ea_kpa[0] == pytest.approx(0.6 * (e0(12) + e0(26)) / 2)


@pytest.mark.parametrize("only", [{"rh_max_pct": 90.0}, {"rh_min_pct": 40.0}])
def test_one_end_of_the_humidity_alone_is_not_used(only: dict[str, float]):
    found = climate_of(**only)
    assert HUMIDITY_BY[found.humidity_by[0]].endswith("(eq 48)")
    assert found.ea_kpa[0] == pytest.approx(e0(12))


def test_dew_point_goes_before_all_relative_humidity():
    found = climate_of(tdew_c=9.0, rh_max_pct=100.0, rh_min_pct=100.0, rh_mean_pct=100.0)
    assert found.ea_kpa[0] == pytest.approx(e0(9))


def test_air_never_holds_more_than_it_can():
    """A dew point above the day's temperatures: es - ea is 0, in eq 6 and in eq 39 alike."""
    wet, saturated = et_of(**FAIR | {"tdew_c": 40.0}), et_of(**FAIR | {"tdew_c": None, "rh_mean_pct": 100.0})
    assert wet.climate.ea_kpa[0] == wet.climate.es_kpa[0]
    assert wet.et0_mm[0] == saturated.et0_mm[0]


def test_a_dry_place_takes_2_degrees_off_the_night():
    assert climate_of(replace(g.HERE, dry=True)).ea_kpa[0] == pytest.approx(e0(10))
    assert climate_of(g.HERE).ea_kpa[0] == pytest.approx(e0(12))


# --- radiation -----------------------------------------------------------------------------------


def test_a_negative_radiation_is_missing():
    found = et_of(**FAIR | {"solar_mj_m2": -1.0})
    assert RADIATION_BY[found.climate.radiation_by[0]] == "temperature range (eq 50)"
    assert found.method_name(0) == "penman-monteith-estimated"
    by_sun = et_of(**FAIR | {"solar_mj_m2": -1.0, "sunshine_h": 9.0})
    assert by_sun.method_name(0) == "penman-monteith"


def test_a_radiation_of_0_is_a_measurement():
    assert climate_of(solar_mj_m2=0.0, sunshine_h=9.0).rs_mj[0] == 0.0


@pytest.mark.parametrize(
    ("share", "kept", "flagged"), [(1.04, 1.04, False), (1.06, 1.05, True), (3.0, 1.05, True)]
)
def test_more_sun_than_a_clear_sky_is_cut_and_flagged(share: float, kept: float, flagged: bool):
    rso = climate_of().rso_mj[0]
    found = et_of(**FAIR | {"solar_mj_m2": share * rso})
    assert found.climate.rs_mj[0] == pytest.approx(kept * rso)
    assert bool(found.climate.radiation_cut[0]) is flagged
    assert found.method_name(0) == "penman-monteith"  # a cut changes no label


def test_radiation_from_temperatures_stays_below_the_clear_sky():
    """kRs sqrt(30) = 0.88 inland, 1.04 at the coast: both above 0.763 (eq 37 at 650 m)."""
    for coastal in (False, True):
        wide = climate_of(replace(g.HERE, coastal=coastal), tmin_c=0.0, tmax_c=30.0)
        assert wide.rs_mj[0] == wide.rso_mj[0] == pytest.approx((0.75 + 2e-5 * 650) * wide.ra_mj[0])


def test_the_coast_has_its_own_coefficient():
    inland, coast = climate_of(), climate_of(replace(g.HERE, coastal=True))
    assert coast.rs_mj[0] == pytest.approx(0.19 * math.sqrt(14) * coast.ra_mj[0])
    assert inland.rs_mj[0] == pytest.approx(0.16 * math.sqrt(14) * inland.ra_mj[0])


def test_more_sunshine_than_daylight_is_a_full_day():
    found = climate_of(sunshine_h=20.0)
    assert found.rs_mj[0] == pytest.approx(0.75 * found.ra_mj[0])


# --- sun -----------------------------------------------------------------------------------------

TROMSO = Location(69.65, 18.96, 10.0, "Europe/Oslo")


@pytest.mark.parametrize("solar", [0.0, 0.4, None])
def test_polar_night_has_no_sun_and_a_finite_et(solar: float | None):
    found = et_of(TROMSO, date(2021, 12, 21), tmin_c=-12.0, tmax_c=-4.0, tdew_c=-14.0, wind_m_s=3.0,
                  solar_mj_m2=solar, sunshine_h=0.0)  # fmt: skip
    assert found.climate.ra_mj[0] == 0
    assert found.climate.rs_mj[0] == 0
    assert 0 <= found.et0_mm[0] < 1


def test_midnight_sun_lasts_24_hours():
    ra, daylight = sun(np.array([172]), 69.65)
    assert daylight[0] == pytest.approx(24)
    assert ra[0] > 40


def test_the_south_has_its_summer_in_january():
    """FAO-56 Table 2.6, read from memory: 40 degrees south, January 43.0, July 13.5 MJ/m2/d (mid-month)."""
    ra, _ = sun(np.array([15, 196]), -40.0)
    assert ra[0] == pytest.approx(43.0, abs=0.6)
    assert ra[1] == pytest.approx(13.5, abs=0.6)


def test_a_leap_year_s_last_day_is_the_366th():
    assert days_of_year(date(2024, 12, 31), 2).tolist() == [366, 1]
    assert days_of_year(date(2023, 12, 31), 2).tolist() == [365, 1]


# --- wind ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("height", "factor"), [(2.0, 1.0), (None, 1.0), (3.0, 0.921), (10.0, 0.748)]
)  # FAO-56 Annex 2, Table 2.9: 3 m 0.921, 10 m 0.748
def test_wind_height(height: float | None, factor: float):
    found = climate_of(wind_m_s=4.0, wind_height_m=height)
    assert found.u2_m_s[0] == pytest.approx(4.0 * factor, abs=0.002)
    assert found.u2_m_s[0] == 4.0 or factor != 1.0  # at 2 m to the last bit: eq 47 is not applied


def test_the_floor_of_wind_comes_last():
    """0.6 m/s at 10 m is 0.45 at 2 m; and a raised wind changes no label."""
    found = et_of(**FAIR | {"wind_m_s": 0.6, "wind_height_m": 10.0})
    assert found.climate.u2_m_s[0] == 0.5
    assert found.method_name(0) == "penman-monteith"
    assert climate_of(wind_m_s=0.0).u2_m_s[0] == 0.5


def test_a_missing_wind_is_2_whatever_the_site_s_mean():
    windy = replace(g.HERE, wind_2m_m_s=6.0, rh_min_pct=40.0)
    found = et_of(windy, **FAIR | {"wind_m_s": None})
    assert found.climate.u2_m_s[0] == 2.0
    assert found.method_name(0) == "penman-monteith-estimated"
    assert math.isnan(wind_at_2m(np.array([3.0]), np.array([0.05]))[0])  # a height that makes no sense


# --- temperatures and methods --------------------------------------------------------------------


@pytest.mark.parametrize(
    "broken", [{"tmin_c": 27.0}, {"tmin_c": None}, {"tmax_c": None}, {"tmin_c": None, "tmax_c": None}]
)
def test_temperatures_that_cannot_be_are_none(broken: dict[str, Any]):
    found = et_of(**FAIR | broken)
    assert found.method_name(0) == "none"
    assert math.isnan(found.et0_mm[0])


def test_equal_temperatures_are_usable():
    assert et_of(**FAIR | {"tmin_c": 20.0, "tmax_c": 20.0}).method_name(0) == "penman-monteith"


@pytest.mark.parametrize("missing", ["tdew_c", "wind_m_s", "solar_mj_m2"])
def test_one_estimated_input_changes_the_label(missing: str):
    assert et_of(**FAIR | {missing: None}).method_name(0) == "penman-monteith-estimated"


@pytest.mark.parametrize(
    ("given", "method"),
    [
        ({}, "hargreaves"),
        ({"wind_m_s": 2.0}, "penman-monteith-estimated"),
        ({"tdew_c": 8.0}, "penman-monteith-estimated"),
        ({"sunshine_h": 8.0}, "penman-monteith-estimated"),
        ({"rh_max_pct": 90.0}, "hargreaves"),  # not used alone: humidity is missing
        ({"rh_mean_pct": -5.0, "solar_mj_m2": -1.0, "wind_m_s": -3.0}, "hargreaves"),
    ],
)
def test_hargreaves_only_where_temperatures_are_all_there_is(given: dict[str, float], method: str):
    asked = replace(g.HERE, temperature_only="hargreaves")
    assert et_of(asked, tmin_c=12.0, tmax_c=26.0, **given).method_name(0) == method
    assert et_of(g.HERE, tmin_c=12.0, tmax_c=26.0, **given).method_name(0) == "penman-monteith-estimated"


def test_et_is_never_below_0():
    cold = et_of(tmin_c=-25.0, tmax_c=-20.0, rh_mean_pct=100.0, wind_m_s=0.5, solar_mj_m2=0.0)
    assert cold.et0_mm[0] == 0
    asked = replace(g.HERE, temperature_only="hargreaves")
    assert et_of(asked, tmin_c=-40.0, tmax_c=-30.0).et0_mm[0] == 0  # Tmean + 17.8 is negative


# --- the ladder of days without temperatures (M2) ------------------------------------------------


def stored(first: date, values: list[float | None]) -> ReferenceET:
    """Days whose ET0 is as said; None: no temperatures."""
    et = reference_et(g.weather(first, len(values)), g.HERE)
    et0 = np.array([np.nan if v is None else v for v in values])
    return replace(et, et0_mm=et0, method=np.where(np.isnan(et0), et.method, 0).astype(np.int8))


def filled(first: date, values: list[float | None], begin: date | None = None) -> ReferenceET:
    last = first + timedelta(days=len(values) - 1)
    return fill(stored(first, values), begin or first, last)


def test_climatology_is_the_mean_of_15_days_of_every_earlier_year():
    """ET0 = the day's number in the record, so that the mean says which days went in."""
    values: list[float | None] = [float(i) for i in range(3 * 365)]  # 2021, 2022, 2023
    first, day = date(2021, 1, 1), date(2023, 6, 10)
    at = (day - first).days
    values[at] = None
    values[at - 365 + 3] = None  # a hole in an earlier year is no day to take a mean of
    et = filled(first, values)
    window = [float(at - 730 + k) for k in range(-7, 8)] + [
        float(at - 365 + k) for k in range(-7, 8) if k != 3
    ]
    assert et.et0_mm[at] == pytest.approx(sum(window) / 29)
    assert et.method_name(at) == "climatology"


def test_climatology_of_29_february_is_that_of_the_28th():
    first, day = date(2022, 1, 1), date(2024, 2, 29)
    values: list[float | None] = [float(i) for i in range((date(2024, 3, 10) - first).days)]
    at = (day - first).days
    values[at] = None
    middles = [(date(year, 2, 28) - first).days for year in (2022, 2023)]
    assert filled(first, values).et0_mm[at] == pytest.approx(sum(middles) / 2)


def test_climatology_across_new_year():
    first, day = date(2021, 12, 1), date(2023, 1, 3)
    values: list[float | None] = [float(i) for i in range((day - first).days + 1)]
    values[-1] = None
    middle = (date(2022, 1, 3) - first).days
    et = filled(first, values)
    assert et.et0_mm[-1] == pytest.approx(middle)
    assert et.method_name(len(values) - 1) == "climatology"


def test_without_earlier_years_the_seven_latest_days_stand_in():
    et = filled(JULY, [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, None])
    assert et.et0_mm[-1] == pytest.approx(5.0)
    assert et.method_name(8) == "recent-mean"


def test_fewer_days_do_where_there_are_fewer():
    assert filled(JULY, [2.0, None, 5.0, None]).et0_mm.tolist() == [2.0, 2.0, 5.0, 3.5]


def test_a_filled_day_never_serves_to_fill_another():
    """4, then a rising week of holes: each gets 4, none the mean of a mean."""
    et = filled(JULY, [2.0, 6.0, None, None, None, 10.0, None])
    assert et.et0_mm.tolist() == [2.0, 6.0, 4.0, 4.0, 4.0, 10.0, 6.0]
    values: list[float | None] = [None if 150 <= i < 170 else 3.0 for i in range(2 * 365)]
    values[365 + 160] = None
    two_years = filled(date(2021, 1, 1), values)
    assert two_years.method_name(365 + 160) == "recent-mean"  # last year's window was all filled


def test_with_no_earlier_day_it_refuses_and_names_the_date():
    with pytest.raises(NoReferenceET, match="2021-07-01") as caught:
        filled(JULY, [None, 4.0])
    assert caught.value.exit_status == 1


def test_days_before_the_span_serve_and_their_holes_do_not_matter():
    et = filled(JULY, [None, 4.0, None, 5.0], begin=JULY + timedelta(days=2))
    assert et.et0_mm[2] == 4.0
    assert math.isnan(et.et0_mm[0])


# --- crop (M3, M4) -------------------------------------------------------------------------------


def grown(
    *plantings: Any, days: int, first: date = g.FIRST, garden: dict[str, Any] | None = None, **zone: Any
) -> list[dict[str, Any]]:
    """The season's records of one zone in steady fair weather."""
    plot = g.garden(g.zone(*plantings, **zone), **(garden or {}))
    weather = g.weather(first, days, **FAIR)
    return season_page(plot, simulate(plot, weather, first, weather.last))["days"]


def beans(**changes: Any) -> Any:
    return replace(g.BEANS, **{"kc_ini": 0.4, "kc_mid": 1.0, "kc_end": 0.6} | changes)


def kcs(stages: tuple[int, int, int, int], days: int, **changes: Any) -> list[float]:
    crop = beans(stage_days=stages, **changes)
    records = grown(g.planting(crop, rows=g.Rows(4, 20.0, 0.5)), days=days, wetted_width_m=0.5)
    return [record["kc"] for record in records]


@pytest.mark.parametrize(
    ("stages", "expected"),
    [
        ((0, 2, 1, 2), [0.7, 1.0, 1.0, 0.8, 0.6]),
        ((2, 0, 1, 2), [0.4, 0.4, 1.0, 0.8, 0.6]),
        ((1, 2, 0, 2), [0.4, 0.7, 1.0, 0.8, 0.6]),
        ((1, 2, 2, 0), [0.4, 0.7, 1.0, 1.0, 1.0]),
        ((0, 0, 0, 4), [0.9, 0.8, 0.7, 0.6]),
        ((3, 0, 0, 0), [0.4, 0.4, 0.4]),
    ],
)
def test_stages_of_no_length(stages: tuple[int, int, int, int], expected: list[float]):
    """Eq 66 with Pw 1; the season has 12 days, the crop is over sooner and leaves no record."""
    assert kcs(stages, days=12) == pytest.approx(expected)


def test_a_held_crop_goes_on_at_its_last_coefficient():
    records = grown(g.planting(beans(stage_days=(1, 1, 1, 1), hold_last_stage=True)), days=9)
    assert [r["day"] for r in records] == list(range(1, 10))
    assert [r["kc"] for r in records[3:]] == pytest.approx([0.6] * 6)
    assert {r["stage"] for r in records[3:]} == {"late season"}


def test_a_held_crop_without_a_late_stage_drops_to_its_end():
    assert kcs((1, 1, 2, 0), days=6, hold_last_stage=True) == pytest.approx([0.4, 1.0, 1.0, 1.0, 0.6, 0.6])


def day_of(offset: int) -> date:
    return g.FIRST + timedelta(days=offset)


def test_the_pulled_day_belongs_to_the_next_planting():
    kale = replace(g.BEANS, name="kale")
    records = grown(g.planting(pulled=day_of(4)), g.planting(kale, planted=day_of(4)), days=7)
    assert [(r["crop"], r["day"]) for r in records] == [
        ("beans", 1), ("beans", 2), ("beans", 3), ("beans", 4), ("kale", 1), ("kale", 2), ("kale", 3),
    ]  # fmt: skip


def test_a_later_planting_ends_the_earlier_for_good():
    """The second is pulled after two days: the first, never pulled, does not come back."""
    kale = replace(g.BEANS, name="kale")
    records = grown(g.planting(), g.planting(kale, planted=day_of(3), pulled=day_of(5)), days=9)
    assert [r["crop"] for r in records] == ["beans"] * 3 + ["kale"] * 2


def test_a_crop_that_is_over_leaves_no_record():
    records = grown(g.planting(beans(stage_days=(1, 1, 1, 1))), days=9)
    assert [r["day"] for r in records] == [1, 2, 3, 4]


def test_day_numbers_over_new_year_and_29_february():
    """From 1 December 2023: 31 + 31 + 29 days, so 1 March 2024 is day 92."""
    crop = beans(stage_days=(30, 40, 50, 60))
    records = grown(g.planting(crop, planted=date(2023, 12, 1)), first=date(2023, 12, 1), days=120)
    numbers = {r["date"]: r["day"] for r in records}
    assert numbers["2023-12-31"] == 31
    assert numbers["2024-02-29"] == 91
    assert numbers["2024-03-01"] == 92


def test_a_planting_older_than_the_span_keeps_its_true_day_number():
    records = grown(g.planting(planted=day_of(-20)), days=3, starting_deficit_mm=4.0)
    assert [r["day"] for r in records] == [21, 22, 23]
    assert records[0]["deficit_start_mm"] == 4.0


def test_rain_on_bare_ground_lowers_the_carried_deficit():
    """P_eff there knows no mulch and no young roots; 1 mm is below a fifth of ET0 and counts as nothing."""
    first = g.planting(pulled=day_of(1), mulch="film")
    second = g.planting(planted=day_of(4), mulch="film")
    plot = g.garden(g.zone(first, second, starting_deficit_mm=9.0, refill_at=1.0, runoff=0.5))
    weather = g.weather(days=5, **FAIR | {"rain_mm": [0.0, 6.0, 0.5, None, 0.0]})
    season = simulate(plot, weather)
    et0 = season.et.et0_mm
    assert (et0 * 0.2 > 0.5).all()
    records = season_page(plot, season)["days"]
    assert [r["date"] for r in records] == [day_of(0).isoformat(), day_of(4).isoformat()]
    expected = records[0]["deficit_end_mm"] - 3.0
    assert records[1]["deficit_start_mm"] == pytest.approx(expected, abs=1e-5)
    assert "rain missing on 1 of 5 days" in season.notices[-1].text


def test_rain_capture_of_the_zone_replaces_the_mulch_s_own():
    """10 mm, all roots spread: film lets in 3, a zone's own 0.8 lets in 8, and the runoff comes off first."""
    crop = beans(stage_days=(0, 0, 9, 0))

    def rain_in(mulch: str, **zone: Any) -> float:
        plot = g.garden(g.zone(g.planting(crop, mulch=mulch), **zone))
        season = simulate(plot, g.weather(days=1, **FAIR | {"rain_mm": 10.0}))
        return float(season.terms.rain_eff[0, 0])

    assert rain_in("none") == pytest.approx(10.0)
    assert rain_in("straw") == pytest.approx(10.0)
    assert rain_in("film") == pytest.approx(3.0)
    assert rain_in("film", rain_capture=0.8) == pytest.approx(8.0)
    assert rain_in("film", rain_capture=0.8, runoff=0.25) == pytest.approx(6.0)


def test_a_carried_deficit_is_held_to_the_new_planting_s_water():
    """Held before trigger and net are worked out: the run fills the young roots' TAW, not the old deficit."""
    young = beans(root_start_m=0.1, root_full_m=0.5)
    records = grown(
        g.planting(beans(root_start_m=0.5), pulled=day_of(20)), g.planting(young, planted=day_of(20)),
        days=21, refill_at=1.0, shortest_run_minutes=1e4,
    )  # fmt: skip
    before, after = records[19], records[20]
    assert before["deficit_end_mm"] > after["taw_mm"]
    assert after["deficit_start_mm"] == after["taw_mm"] == pytest.approx(130 * 0.1 * 0.8)


@pytest.mark.parametrize(
    ("stages", "depths"),
    [
        ((0, 0, 3, 0), [0.5, 0.5]),
        ((1, 0, 3, 0), [0.5, 0.5]),
        ((1, 1, 3, 0), [0.1, 0.5]),
        ((3, 2, 9, 0), [0.1, 0.2]),
    ],
)
def test_roots_of_a_short_youth(stages: tuple[int, int, int, int], depths: list[float]):
    crop = beans(stage_days=stages, root_start_m=0.1, root_full_m=0.5)
    assert [r["root_depth_m"] for r in grown(g.planting(crop), days=2)] == pytest.approx(depths)


@pytest.mark.parametrize(
    ("width", "tapes", "spacing", "share"),
    [(0.9, 1, 0.6, 1.0), (0.4, 2, 0.6, 1.0), (0.3, 1, 0.75, 0.4), (0.15, 2, 0.75, 0.4), (0.6, 1, 1.5, 0.4)],
)
def test_wetted_share(width: float, tapes: int, spacing: float, share: float):
    """Never above 1. TAW = 130 mm/m x 0.5 m x Pw, Kc_ini x Pw."""
    crop = beans(root_start_m=0.5)
    records = grown(
        g.planting(crop, rows=g.Rows(3, 10.0, spacing, tapes=tapes)), days=1, wetted_width_m=width
    )
    assert records[0]["taw_mm"] == pytest.approx(65 * share)
    assert records[0]["kc"] == pytest.approx(0.4 * share)


def test_climate_adjustment_needs_all_three_and_keeps_small_coefficients():
    """FAO-56 eq 62, 65: each by its own table value, with wind 2-m and RHmin held to 1-6 m/s and 20-80 %."""
    crop = beans(kc_mid=1.0, kc_end=0.44, stage_days=(0, 0, 1, 1), height_m=3.0)

    def two_days(wind: float | None, humidity: float | None, height: float | None) -> list[float]:
        where = replace(g.HERE, wind_2m_m_s=wind, rh_min_pct=humidity)
        made = g.planting(replace(crop, height_m=height))
        return [r["kc"] for r in grown(made, days=2, garden={"location": where})]

    assert two_days(4.0, 20.0, 3.0) == pytest.approx([1.0 + 0.08 + 0.1, 0.44])
    assert two_days(60.0, 0.0, 3.0) == pytest.approx([1.0 + 0.16 + 0.1, 0.44])
    assert two_days(4.0, 20.0, 0.01) == pytest.approx([1.0 + 0.18 * (0.1 / 3) ** 0.3, 0.44])
    for missing in ((None, 20.0, 3.0), (4.0, None, 3.0), (4.0, 20.0, None)):
        assert two_days(*missing) == pytest.approx([1.0, 0.44])
    crop = replace(crop, kc_end=0.45)
    assert two_days(4.0, 20.0, 3.0) == pytest.approx([1.18, 0.45 + 0.18])


# --- runs (M6, M7) -------------------------------------------------------------------------------


def first_run(
    deficit: float, garden: dict[str, Any] | None = None, crop: Any = None, **zone: Any
) -> dict[str, Any]:
    """Day 1 of a full-rooted planting: 100 m2, 10 L/min, EU 1, so 10 minutes a mm; RAW about 32 mm."""
    crop = replace(crop or g.BEANS, root_start_m=0.5, kc_mid=0.5, stage_days=(0, 0, 9, 0), depletion=0.5)
    plant = g.planting(crop, rows=g.Rows(10, 10.0, 1.0), measured_flow_lpm=10.0, **zone.pop("planting", {}))
    settings = {"uniformity": 1.0, "refill_at": 0.1, "shortest_run_minutes": 0.0, "wetted_width_m": 1.0}
    return grown(plant, days=1, garden=garden, starting_deficit_mm=deficit, **settings | zone)[0]


def test_net_gross_minutes_and_litres_of_a_run():
    run = first_run(12.0, uniformity=0.8, fill_time_minutes=3.0, leave_room_mm=2.0)
    assert run["minutes"] == 10 / 0.8 * 10 + 3
    assert run["liters"] == 128 * 10
    assert run["gross_mm"] == pytest.approx(12.5)
    assert run["net_mm"] == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("net", "minutes"), [(10.05, 101), (10.04, 100), (10.15, 102), (11.25, 113), (11.75, 118)]
)
def test_minutes_are_rounded_half_up(net: float, minutes: float):
    """0.25 and 0.75 are exact in binary: 112.5 -> 113 and 117.5 -> 118, not to the even neighbour."""
    limits = RunLimits(np.array([0.0]), np.array([0.0]), np.array([np.inf]))
    found = run_minutes(np.array([net]), np.array([10.0]), limits, stressed=np.array([False]))
    assert found[0] == minutes


def test_below_the_shortest_run_nothing_runs_and_the_deficit_stays():
    run = first_run(9.0, shortest_run_minutes=91.0)
    assert run["minutes"] == 0
    assert run["deficit_end_mm"] > 9.0
    assert first_run(9.0, shortest_run_minutes=90.0)["minutes"] == 90
    assert first_run(9.0, shortest_run_minutes=92.0, fill_time_minutes=2.0)["minutes"] == 92  # it counts


def test_a_stressed_crop_gets_the_shortest_run_rounded_up():
    stressed = first_run(50.0, shortest_run_minutes=600.4)
    assert stressed["deficit_start_mm"] >= stressed["raw_mm"]
    assert stressed["minutes"] == 601


def test_where_nothing_is_to_be_filled_nothing_runs_stressed_or_not():
    run = first_run(50.0, leave_room_mm=50.0, shortest_run_minutes=30.0)
    assert run["deficit_start_mm"] >= run["raw_mm"]
    assert run["minutes"] == 0


def test_above_the_longest_run_it_is_cut_to_whole_minutes():
    run = first_run(20.0, longest_run_minutes=40.7, fill_time_minutes=1.0)
    assert run["minutes"] == 40
    assert run["net_mm"] == pytest.approx(3.9)
    assert run["deficit_end_mm"] > 16.0


def test_water_is_due_at_the_trigger_itself():
    """Dr(i-1) >= refill_at x RAW: the day's RAW is asked first, then set as the deficit."""
    raw = first_run(1.0, refill_at=1.0)["raw_mm"]
    assert first_run(raw + 1e-3, refill_at=1.0)["minutes"] > 0
    assert first_run(raw - 1e-3, refill_at=1.0)["minutes"] == 0


@pytest.mark.parametrize(
    ("water", "threshold", "requirement"),
    [
        (2.4, 2.0, 0.0),  # exactly 0.1: ordinary losses leach as much
        (2.4, 1.0, 2.4 / 22),
        (30.0, 1.5, 0.5),  # never more than half
        (0.5, 2.5, 0.0),
        (None, 2.5, 0.0),
        (1.0, None, 0.0),
    ],
)
def test_leaching(water: float | None, threshold: float | None, requirement: float):
    """LR = ECw / (2 (a + 100 / slope)), slope 10 % per dS/m: Keller and Bliesner 1990 (from memory)."""
    crop = replace(g.BEANS, ec_threshold_ds_m=threshold)
    assert leaching_requirement(water, crop) == pytest.approx(requirement)


def test_leaching_lengthens_the_run_and_not_the_net():
    salty = first_run(
        11.0,
        garden={"supply": Supply(flow_lpm=30.0, ec_ds_m=4.0)},
        crop=replace(g.BEANS, ec_threshold_ds_m=0.5, ec_slope_pct=20.0),
    )  # ECe of the first morning: (4 + 4 x 2 x 1.0) / 10, above 0.5
    assert salty["minutes"] == math.floor(110 / (1 - 4 / 11) + 0.5)
    assert salty["net_mm"] == pytest.approx(11.0, abs=0.05)


@pytest.mark.parametrize(("rain", "second"), [(5.0, 0.0), (4.9, 30.0)])
def test_a_settling_run_is_skipped_after_5_mm(rain: float, second: float):
    plant = g.planting(beans(stage_days=(0, 0, 9, 0)), settle=Settle(10, 1, 30.0))
    plot = g.garden(g.zone(plant, refill_at=1.0))
    minutes = simulate(plot, g.weather(days=2, **FAIR | {"rain_mm": [rain, 0.0]})).balance.minutes[:, 0]
    assert minutes.tolist() == [30.0, second]


def test_a_settling_run_is_at_least_as_long_as_asked_and_no_longer_than_allowed():
    settle = {"settle": Settle(10, 2, 12.4)}
    assert first_run(0.0, planting=settle)["minutes"] == 13
    assert first_run(0.0, planting={"settle": Settle(10, 2, 0.3)})["minutes"] == 1
    assert first_run(0.0, planting=settle, longest_run_minutes=8.0)["minutes"] == 8
    assert first_run(20.0, planting=settle)["minutes"] == 200
    assert first_run(0.0, planting=settle, shortest_run_minutes=60.0)["minutes"] == 13


def test_rated_flow_follows_the_pressure_by_the_exponent():
    """q = q_rated (P / P_rated)^x; without a pressure, or without the pressure it is rated at, q_rated."""

    def flow(pressure: float | None, rated_at: float | None, exponent: float = 0.5) -> float:
        tape = replace(g.THIN, rated_at_kpa=rated_at, exponent=exponent)
        plot = g.garden(
            g.zone(g.planting(settle=Settle(1, 1, 10.0)), tape=tape),
            supply=Supply(flow_lpm=30.0, pressure_kpa=pressure),
        )
        return season_page(plot, simulate(plot, g.weather(days=1, **FAIR)))["days"][0]["liters"] / 10

    assert flow(None, 80.0) == flow(120.0, None) == pytest.approx(4 * 20 * 0.05)
    assert flow(120.0, 80.0) == pytest.approx(4.0 * math.sqrt(1.5))
    assert flow(120.0, 80.0, exponent=0.0) == pytest.approx(4.0)


def test_zones_on_one_valve_run_together_even_past_the_other_s_longest_run():
    valve = Valve("gpio", "gpio:17")
    due = g.zone(g.planting(), name="due", valve=valve, starting_deficit_mm=10.0)
    full = g.zone(g.planting(), name="full", valve=valve, longest_run_minutes=5.0)
    later = g.zone(g.planting(planted=day_of(3)), name="later", valve=valve)
    plot = g.garden(due, full, later)
    minutes = simulate(plot, g.weather(days=1, **FAIR)).balance.minutes[0]
    assert minutes[0] == minutes[1] > 5
    assert minutes[2] == 0


# --- this morning (M6, live) ---------------------------------------------------------------------


def this_morning(deficit: float, *, et0: float = 5.0, days: int = 8, **seen: Any) -> Need:
    """Full roots: TAW 65 mm, Kc 1, p 0.5 at ETc 5: RAW 32.5 and trigger 16.25 mm."""
    crop = replace(g.BEANS, root_start_m=0.5, kc_mid=1.0, stage_days=(0, 0, 40, 0), depletion=0.5)
    plot = g.garden(g.zone(g.planting(crop, rows=g.Rows(10, 10.0, 1.0)), wetted_width_m=1.0))
    laid_out = terms(
        plot.zones, g.FIRST, np.full(days, et0), np.zeros(days), location=plot.location, supply=plot.supply
    )
    told = {
        "et0_yesterday_mm": 5.0, "rain_so_far_mm": 0.0, "applied_today_mm": np.zeros(1),
        "forecast_rain_mm": np.full(days, np.nan), "rain_chance": np.full(days, np.nan),
        "days_to_next_morning": 1, "held": np.zeros(1, dtype=bool),
    } | seen  # fmt: skip
    return need_today(laid_out, 0, np.array([deficit]), Morning(**told), RefillRule.of(plot.zones))


def test_p_follows_yesterday_s_et_and_not_the_forecast_s():
    for forecast in (1.0, 9.0):
        need = this_morning(20.0, et0=forecast)
        assert need.raw[0] == pytest.approx(32.5)
        assert need.trigger[0] == pytest.approx(16.25)
    assert this_morning(20.0, et0_yesterday_mm=8.0).raw[0] == pytest.approx(65 * 0.38)


def test_rain_since_midnight_and_water_given_lower_the_deficit():
    assert this_morning(20.0, rain_so_far_mm=4.0).deficit_now[0] == pytest.approx(16.0)
    assert this_morning(20.0, rain_so_far_mm=4.0).minutes[0] == 0
    assert this_morning(20.0, rain_so_far_mm=0.9).deficit_now[0] == 20.0  # below a fifth of ET0
    assert this_morning(20.0, applied_today_mm=np.array([19.0])).minutes[0] == 0
    assert this_morning(20.0).minutes[0] > 0


@pytest.mark.parametrize(
    ("rain", "chance", "until", "waits"),
    [
        (20.0, 1.0, 1, True),
        (19.9, 1.0, 1, False),  # it does not fill the deficit
        (40.0, 0.5, 1, True),
        (40.0, 0.49, 1, False),
        (60.0, 1.0, 3, False),  # 20 + 3 x 5 mm without rain is beyond RAW 32.5
        (60.0, 1.0, 2, True),
        (np.nan, np.nan, 1, False),
        (60.0, np.nan, 1, False),  # a rain without a chance is not counted on
    ],
)
def test_a_due_zone_waits_for_rain_only_while_it_can_do_without(
    rain: float, chance: float, until: int, waits: bool
):
    forecast, chances = np.full(8, np.nan), np.full(8, np.nan)
    forecast[0], chances[0] = rain, chance
    need = this_morning(20.0, forecast_rain_mm=forecast, rain_chance=chances, days_to_next_morning=until)
    assert need.due[0]
    assert bool(need.waits[0]) is waits
    assert bool(need.minutes[0] == 0) is waits


def test_a_zone_on_hold_stays_shut():
    need = this_morning(60.0, held=np.array([True]))
    assert not need.due[0]
    assert need.minutes[0] == 0


# --- the span of a season ------------------------------------------------------------------------


def spans(garden: Garden, **dates: Any) -> tuple[date, date]:
    season = simulate(garden, g.weather(days=30, **FAIR), **dates)
    return season.first, season.last


def test_without_dates_from_the_first_planting_to_the_last_row():
    assert spans(g.garden(g.zone(g.planting(planted=day_of(4))))) == (day_of(4), day_of(29))
    assert spans(g.garden(g.zone(g.planting(planted=day_of(-40))))) == (day_of(0), day_of(29))


def test_a_date_without_a_row_is_a_day_without_temperatures_and_rain():
    """Past the last row, the seven latest days stand in; before the first there is nothing to take."""
    plot = g.garden(g.zone(g.planting()))
    weather = g.weather(days=10, **FAIR | {"rain_mm": 2.0})
    season = simulate(plot, weather, last=day_of(12))
    assert [season.et.method_name(i) for i in range(9, 13)] == ["penman-monteith"] + ["recent-mean"] * 3
    assert season.rain_mm.tolist() == [2.0] * 10 + [0.0] * 3
    with pytest.raises(NoReferenceET, match=day_of(-2).isoformat()):
        simulate(plot, weather, first=day_of(-2))


def test_a_span_turned_round_is_wrong_input():
    plot = g.garden(g.zone(g.planting()))
    with pytest.raises(BadInput) as caught:
        simulate(plot, g.weather(days=10, **FAIR), first=day_of(5), last=day_of(4))
    assert caught.value.exit_status == 2
