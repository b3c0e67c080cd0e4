"""The season held against the slow scalar computation of reference_model, which shares no line with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from core import gardens as g
from core import reference_model as reference
from hypothesis import HealthCheck, given, settings

from scheduler.core.balance.et import METHODS
from scheduler.core.balance.et import reference_et as et_of_days
from scheduler.model import WEATHER_FIELDS, Crop, Garden, Settle, Soil, Supply, Valve, WeatherDays
from scheduler.pages.season import DECIMALS, _columns, season_page
from scheduler.planning.season import Season, simulate

COLUMNS = (
    "et0_mm", "kc", "ks", "etc_mm", "rain_mm", "rain_eff_mm", "root_depth_m", "taw_mm", "raw_mm",
    "deficit_start_mm", "deficit_end_mm", "net_mm", "gross_mm", "liters", "minutes", "percolation_mm",
)  # fmt: skip
SUMS = ("liters", "gross_mm", "net_mm", "rain_mm", "etc_mm", "percolation_mm", "minutes")


def by_hand(garden: Garden, season: Season) -> list[list[reference.Record]]:
    count = len(season.rain_mm)
    et0 = season.et.et0_mm[season.offset : season.offset + count]
    return reference.simulate(
        garden, season.first, et0.tolist(), season.rain_mm.tolist(),
        claimed=lambda d, z: float(season.balance.minutes[d, z]),
    )  # fmt: skip


def compare(garden: Garden, season: Season) -> int:
    """Every figure of every zone-day, full precision and as the page prints it; gives the zone-days."""
    records = by_hand(garden, season)
    columns = _columns(garden, season)
    standing = np.array([[r.standing for r in row] for row in records])
    np.testing.assert_array_equal(season.terms.standing, standing)
    for name in COLUMNS:
        own = np.array([[getattr(r, name) for r in row] for row in records])
        np.testing.assert_allclose(columns[name][standing], own[standing], rtol=1e-9, atol=1e-9, err_msg=name)
    bare = np.array([[r.rain_eff_mm for r in row] for row in records])
    np.testing.assert_allclose(season.terms.rain_eff, bare, rtol=1e-9, atol=1e-12)

    page = season_page(garden, season)
    expected = list(_in_page_order(garden, season, records))
    assert [(d["date"], d["zone"]) for d in page["days"]] == [(day, zone) for day, zone, _ in expected]
    for printed, (_, _, record) in zip(page["days"], expected, strict=True):
        assert (printed["crop"], printed["stage"], printed["day"]) == (record.crop, record.stage, record.day)
        for name in COLUMNS:
            near = pytest.approx(getattr(record, name), rel=1e-9, abs=0.51 * 10**-DECIMALS)
            assert printed[name] == near, (name, printed)
    _compare_totals(page, expected)
    return int(standing.sum())


def _in_page_order(
    garden: Garden, season: Season, records: list[list[reference.Record]]
) -> Iterator[tuple[str, str, reference.Record]]:
    for d, row in enumerate(records):
        day = (season.first + timedelta(days=d)).isoformat()
        yield from ((day, z.name, r) for z, r in zip(garden.zones, row, strict=True) if r.standing)


def _compare_totals(page: dict[str, Any], expected: list[tuple[str, str, reference.Record]]) -> None:
    for name, totals in page["zones"].items():
        mine = [record for _, zone, record in expected if zone == name]
        for column in SUMS:
            assert totals[column] == pytest.approx(
                sum(getattr(r, column) for r in mine), rel=1e-9, abs=1e-6
            ), column
        assert totals["runs"] == sum(r.minutes > 0 for r in mine)
        assert totals["longest_minutes"] == max((r.minutes for r in mine), default=0)
        # Ks a hair under 1 is a matter of the last bit: such days may count either way
        sure, maybe = (sum(r.ks < limit for r in mine) for limit in (1 - 1e-9, 1))
        assert sure <= totals["stress_days"] <= maybe or totals["stress_days"] == sure


# --- real records --------------------------------------------------------------------------------

TOMATO = Crop("tomato", 0.6, 1.15, 0.8, (30, 40, 45, 30), 0.25, 0.7, 0.40, height_m=0.6)
KALE = Crop("kale", 0.7, 1.05, 0.95, (20, 30, 20, 10), 0.15, 0.4, 0.45, height_m=0.4, hold_last_stage=True)
MELON = Crop("melon", 0.4, 1.0, 0.35, (10, 60, 25, 25), 0.2, 0.8, 0.40, height_m=0.4, film_factor=0.25,
             ec_threshold_ds_m=2.2)  # fmt: skip


def plot(year: int, name: str, years: int = 1, *, hemisphere: str = "north") -> Garden:
    """Spring and fall crops every year on six zones that use every setting between them."""

    def each_year(*made: tuple[Crop, int, int, int | None, dict[str, Any]]) -> list[Any]:
        return [
            g.planting(
                crop, date(y, month, day),
                None if stands is None else date(y, month, day) + timedelta(days=stands), **more,
            )
            for y in range(year, year + years)
            for crop, month, day, stands, more in made
        ]  # fmt: skip

    two = {"rows": g.Rows(9, 24.0, 0.75, tapes=2)}
    wide = {"rows": g.Rows(5, 24.0, 1.5)}
    return g.garden(
        g.zone(*each_year((TOMATO, 4, 20, 112, wide), (KALE, 8, 20, 120, two)), name="tomatoes",
               refill_at=0.5, shortest_run_minutes=10.0),
        g.zone(*each_year((MELON, 5, 10, None, wide | {"mulch": "film"})), name="melons",
               soil=Soil("sand", 0.12, 0.045, "coarse"), leave_room_mm=2.0, fill_time_minutes=2.0),
        g.zone(*each_year((g.BEANS, 5, 1, 60, {"mulch": "straw"}), (g.BEANS, 6, 30, None, two)), name="beans",
               longest_run_minutes=40.0, runoff=0.1, starting_deficit_mm=200.0),
        g.zone(*each_year((KALE, 3, 1, None, {"settle": Settle(10, 2, 30.0)})), name="kale",
               soil=Soil("clay", 0.36, 0.22, "fine"), refill_at=1.0, uniformity=0.82),
        g.zone(*each_year((TOMATO, 5, 15, None, {"measured_flow_lpm": 7.3})), name="left",
               valve=Valve("gpio", "gpio:17"), rain_capture=0.6),
        g.zone(*each_year((KALE, 4, 10, 90, {})), name="right", valve=Valve("gpio", "gpio:17"),
               wetted_width_m=0.3, refill_at=0.3),
        location=g.location_of(name, wind_2m_m_s=3.1, rh_min_pct=38.0),
        supply=Supply(flow_lpm=30.0, pressure_kpa=90.0, ec_ds_m=1.6),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "year", "years"),
    [("seattle", 2012, 4), ("de_bilt", 2014, 3), ("fallon", 2015, 1), ("greensboro", 2015, 1)],
)
def test_every_figure_on_a_real_record(name: str, year: int, years: int):
    """Weather: the records of tests/weather (sources in its README); Fallon has no rain at all."""
    weather = g.recorded(name, nominal_year=year if name == "greensboro" else None)
    garden = plot(year, name, years)
    last = date(min(year + years - 1, weather.last.year), 12, 31)
    season = simulate(garden, weather, date(year, 1, 1), last)
    assert compare(garden, season) > 700 * years
    assert season.balance.minutes.max() > 0


@pytest.mark.parametrize("name", ["left", "right"])
def test_the_shared_valve_of_the_plot_really_opens_for_both(name: str):
    garden = plot(2015, "fallon")
    season = simulate(garden, g.recorded("fallon"))
    z = [zone.name for zone in garden.zones].index(name)
    both = season.terms.standing[:, 4] & season.terms.standing[:, 5]
    ran = season.balance.minutes[both, z] > 0
    assert ran.sum() > 5
    assert (season.balance.minutes[both, 4] == season.balance.minutes[both, 5]).all()


# --- made-up gardens -----------------------------------------------------------------------------

SLOW = settings(deadline=None, max_examples=50, suppress_health_check=list(HealthCheck))


@SLOW
@given(garden=g.gardens(), weather=g.seasons())
def test_every_figure_on_any_garden(garden: Garden, weather: WeatherDays):
    compare(garden, simulate(garden, weather, weather.first, weather.last))


@settings(SLOW, max_examples=30)
@given(garden=g.gardens(most_zones=2), weather=g.seasons(most_days=60))
def test_every_figure_where_all_runs_are_round_numbers(garden: Garden, weather: WeatherDays):
    """Ties galore: no sun, no crop use, deficits and flows that divide."""
    weather = replace(weather, rain_mm=np.round(weather.rain_mm))
    zones = tuple(
        replace(zone, refill_at=0.5, uniformity=1.0, starting_deficit_mm=round(zone.starting_deficit_mm),
                plantings=tuple(replace(p, measured_flow_lpm=p.rows.area_m2) for p in zone.plantings))
        for zone in garden.zones
    )  # fmt: skip
    garden = replace(garden, zones=zones)
    compare(garden, simulate(garden, weather, weather.first, weather.last))


# --- weather -------------------------------------------------------------------------------------


def compare_et(weather: WeatherDays, location: g.Location) -> None:
    et = et_of_days(weather, location)
    for i, day in enumerate(weather.dates()):
        given_values = {name: _or_none(getattr(weather, name)[i]) for name in WEATHER_FIELDS}
        own = reference.reference_et(day, given_values, location)
        if own is None:
            assert np.isnan(et.et0_mm[i])
            assert et.method_name(i) == "none"
        else:
            assert et.et0_mm[i] == pytest.approx(own[0], rel=1e-9, abs=1e-9), (day, given_values)
            assert METHODS[et.method[i]] == own[1]


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


@pytest.mark.parametrize("name", ["fallon", "holyoke", "seattle", "de_bilt", "greensboro"])
def test_reference_et_of_every_recorded_day(name: str):
    weather = g.recorded(name, nominal_year=2015 if name == "greensboro" else None)
    compare_et(weather, g.location_of(name))


def column(*odd: float | None, low: float, high: float) -> g.st.SearchStrategy[Any]:
    return g.st.lists(g.st.sampled_from([None, *odd]) | g.st.floats(low, high), min_size=6, max_size=6)


@settings(SLOW, max_examples=100)
@given(
    first=g.st.dates(date(2019, 12, 20), date(2024, 12, 31)),
    columns=g.st.fixed_dictionaries(
        {
            "tmin_c": column(-30, 20, low=-40, high=30), "tmax_c": column(20, 45, low=-20, high=48),
            "tdew_c": column(None, None, 60, low=-40, high=35),
            "rh_mean_pct": column(0, 140, -5, low=0, high=100),
            "rh_min_pct": column(0, 140, -5, low=0, high=100),
            "rh_max_pct": column(100, 140, -5, low=0, high=100),
            "wind_m_s": column(0, -3, low=0, high=30), "wind_height_m": column(2, 3, 10, low=0.5, high=20),
            "solar_mj_m2": column(-1, 0, 60, low=0, high=40), "sunshine_h": column(0, 24, -1, low=0, high=16),
        }
    ),
    location=g.st.builds(
        g.Location, g.st.sampled_from([-89.0, -33.9, 0.0, 35.6, 66.6, 78.2]), g.st.just(0.0),
        g.st.floats(-300, 4500), g.st.just("UTC"), g.st.booleans(), g.st.booleans(),
        temperature_only=g.st.sampled_from(["penman-monteith", "hargreaves"]),
    ),
)  # fmt: skip
def test_reference_et_of_any_day(first: date, columns: dict[str, Any], location: g.Location):
    compare_et(g.weather(first, 6, **columns), location)
