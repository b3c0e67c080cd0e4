"""Gardens and weather for the tests of the core: real records as WeatherDays, and hypothesis strategies."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from hypothesis import strategies as st
from weather import records

from scheduler.model import (
    WEATHER_FIELDS,
    Crop,
    Garden,
    Location,
    Planting,
    Rows,
    Settle,
    Soil,
    Supply,
    Tape,
    Valve,
    WeatherDays,
    Zone,
)

FIRST = date(2023, 10, 1)  # New Year and 29 February lie ahead
HERE = Location(latitude_deg=35.6, longitude_deg=-82.4, elevation_m=650.0, timezone="America/New_York")
LOAM = Soil("loam", theta_fc=0.25, theta_wp=0.12)
WIDTH_M = {"coarse": 0.40, "medium": 0.60, "fine": 0.80}  # common practice, no source
THIN = Tape("thin", flow_lpm_per_m=0.05)
BEANS = Crop(
    "beans", kc_ini=0.5, kc_mid=1.05, kc_end=0.9, stage_days=(15, 25, 25, 10), root_start_m=0.15,
    root_full_m=0.5, depletion=0.45, height_m=0.4,
)  # fmt: skip


# --- plain builders ------------------------------------------------------------------------------


def weather(first: date = FIRST, days: int = 1, **columns: Any) -> WeatherDays:
    """WeatherDays from numbers or lists by column; everything else is missing."""
    count = max([days, *(len(c) for c in columns.values() if isinstance(c, list | np.ndarray))])
    arrays = {name: np.full(count, np.nan) for name in WEATHER_FIELDS}
    for name, values in columns.items():
        arrays[name] = np.array(
            [np.nan if v is None else v for v in np.broadcast_to(np.array(values, dtype=object), count)],
            dtype=np.float64,
        )
    return WeatherDays(first=first, **arrays)


def recorded(name: str, *, nominal_year: int | None = None) -> WeatherDays:
    """A real record of tests/weather."""
    rows = records.daily_rows(name, nominal_year=nominal_year)
    first = date.fromisoformat(rows[0]["date"])
    assert [row["date"] for row in rows] == [(first + timedelta(i)).isoformat() for i in range(len(rows))]
    return weather(
        first, len(rows), **{k: [float(row[k] or "nan") for row in rows] for k in rows[0] if k != "date"}
    )


def location_of(name: str, **more: Any) -> Location:
    where = records.site(name)
    return Location(where.latitude_deg, where.longitude_deg, where.elevation_m, where.timezone, **more)


def planting(crop: Crop = BEANS, planted: date = FIRST, pulled: date | None = None, **more: Any) -> Planting:
    return Planting(
        crop=crop, planted=planted, pulled=pulled, **{"rows": Rows(4, 20.0, 0.75), "own_rows": True} | more
    )


def zone(*plantings: Planting, name: str = "north", **more: Any) -> Zone:
    settings: dict[str, Any] = {
        "tape": THIN, "soil": LOAM, "rows": None, "valve": Valve("by_hand", f"by_hand:{name}"),
    } | more  # fmt: skip
    if settings.get("wetted_width_m") is None:
        settings["wetted_width_m"] = WIDTH_M[settings["soil"].texture_group]
    return Zone(name=name, plantings=plantings, **settings)


def garden(*zones: Zone, location: Location = HERE, supply: Supply | None = None) -> Garden:
    return Garden(
        name="test plot", location=location, display="metric", supply=supply or Supply(flow_lpm=30.0),
        tapes={"thin": THIN}, zones=zones, crop_coefficient="single",
    )  # fmt: skip


# --- strategies ----------------------------------------------------------------------------------

unit = st.floats(0, 1)


def between(low: float, high: float) -> st.SearchStrategy[float]:
    """Floats with a round value now and then: exact ties must be met too."""
    middle = round((low + high) / 2, 1)
    return st.floats(low, high) | st.sampled_from(sorted({low, high, min(max(middle, low), high)}))


@st.composite
def crops(draw: st.DrawFn) -> Crop:
    stages = draw(
        st.tuples(*[st.integers(0, 40)] * 4).filter(lambda days: sum(days) > 0)
        | st.sampled_from([(1, 0, 30, 10), (0, 1, 20, 5), (30, 40, 45, 30), (0, 0, 60, 0), (1, 1, 1, 1)])
    )
    start = draw(between(0.05, 0.4))
    return Crop(
        name=draw(st.sampled_from(["beans", "tomato", "kale"])),
        kc_ini=draw(between(0.1, 0.7)),
        kc_mid=draw(between(0.4, 1.3)),
        kc_end=draw(between(0.2, 1.1)),
        stage_days=stages,
        root_start_m=start,
        root_full_m=start + draw(between(0.0, 0.8)),
        depletion=draw(between(0.05, 0.8)),
        height_m=draw(st.none() | between(0.05, 12.0)),
        film_factor=draw(st.none() | between(0.0, 0.4)),
        ec_threshold_ds_m=draw(st.none() | between(0.5, 7.0)),
        ec_slope_pct=draw(between(3.0, 33.0)),
        hold_last_stage=draw(st.booleans()),
    )


@st.composite
def plantings(draw: st.DrawFn, first: date) -> tuple[Planting, ...]:
    """One after another, with gaps, overlaps that the later planting ends, and hands on one day."""
    found: list[Planting] = []
    planted = first + timedelta(days=draw(st.integers(-60, 50)))
    for _ in range(draw(st.integers(1, 3))):
        following = planted + timedelta(days=draw(st.integers(1, 110)))
        pulled = draw(st.none() | st.integers(1, (following - planted).days))
        found.append(
            Planting(
                crop=draw(crops()),
                planted=planted,
                pulled=None if pulled is None else planted + timedelta(days=pulled),
                rows=Rows(
                    count=draw(st.integers(1, 12)),
                    length_m=draw(between(3.0, 60.0)),
                    spacing_m=draw(between(0.25, 2.0)),
                    tapes=draw(st.integers(1, 2)),
                ),
                own_rows=True,
                mulch=draw(st.sampled_from(["none", "film", "straw"])),
                measured_flow_lpm=draw(st.none() | between(1.0, 40.0)),
                settle=draw(
                    st.none()
                    | st.builds(
                        Settle,
                        st.integers(1, 20),
                        st.none() | st.integers(1, 4),
                        st.sampled_from([None, 5.0, 12.4, 30.0]),
                    )
                ),
                by=draw(st.sampled_from([None, "seed", "transplants", "sets"])),
            )
        )
        planted = following
    return tuple(found)


SOILS = (
    Soil("sand", 0.12, 0.045, "coarse"),
    LOAM,
    Soil("clay", 0.36, 0.22, "fine"),
    Soil("own figures", 0.30, 0.10, "medium", group_assumed=True),
)


@st.composite
def zones(draw: st.DrawFn, name: str, first: date, *, shared_valves: bool = True) -> Zone:
    key = draw(st.sampled_from(["gpio:17", f"by_hand:{name}"])) if shared_valves else f"by_hand:{name}"
    longest = draw(st.none() | between(1.0, 120.0))
    return Zone(
        name=name,
        tape=replace(
            THIN, flow_lpm_per_m=draw(between(0.02, 0.12)), exponent=draw(between(0.0, 1.0)),
            rated_at_kpa=draw(st.none() | st.just(80.0)),
        ),
        soil=draw(st.sampled_from(SOILS)),
        rows=None,
        plantings=draw(plantings(first)),
        valve=Valve("gpio" if key == "gpio:17" else "by_hand", key),
        wetted_width_m=draw(st.sampled_from([0.40, 0.60, 0.80]) | between(0.1, 1.0)),
        uniformity=draw(st.none() | between(0.5, 1.0)),
        refill_at=draw(between(0.05, 1.0)),
        leave_room_mm=draw(st.just(0.0) | between(0.0, 12.0)),
        shortest_run_minutes=draw(between(0.0, 30.0)),
        longest_run_minutes=longest,
        fill_time_minutes=draw(st.just(0.0) | between(0.0, 6.0)),
        starting_deficit_mm=draw(st.just(0.0) | between(0.0, 90.0)),
        rain_capture=draw(st.none() | unit),
        runoff=draw(st.just(0.0) | unit),
    )  # fmt: skip


@st.composite
def gardens(
    draw: st.DrawFn, *, first: date = FIRST, most_zones: int = 4, shared_valves: bool = True
) -> Garden:
    names = ["north", "south", "east", "west"][: draw(st.integers(1, most_zones))]
    means = draw(st.booleans())
    return garden(
        *(draw(zones(name, first, shared_valves=shared_valves)) for name in names),
        location=replace(
            HERE,
            latitude_deg=draw(st.sampled_from([35.6, -33.9, 52.1, 0.0])),
            dry=draw(st.booleans()),
            coastal=draw(st.booleans()),
            wind_2m_m_s=draw(between(0.0, 9.0)) if means else None,
            rh_min_pct=draw(between(5.0, 95.0)) if means else None,
        ),
        supply=Supply(
            flow_lpm=30.0,
            pressure_kpa=draw(st.none() | between(40.0, 140.0)),
            ec_ds_m=draw(st.none() | between(0.2, 6.0)),
        ),
    )


@st.composite
def seasons(draw: st.DrawFn, *, first: date = FIRST, most_days: int = 160) -> WeatherDays:
    """Weather made up day by day, dry to drowned, with holes; the first day has its temperatures."""
    count = draw(st.integers(2, most_days))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    warm = draw(st.floats(-5, 38))
    tmin = warm + rng.normal(0, 5, count)
    rain = np.where(rng.random(count) < draw(unit), rng.gamma(0.7, draw(st.floats(0.1, 40)), count), 0.0)
    holes = draw(st.sampled_from([0.0, 0.0, 0.1, 0.5]))

    def holed(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(count) < holes, np.nan, values)

    made = weather(
        first,
        count,
        tmin_c=holed(tmin),
        tmax_c=holed(tmin + rng.gamma(3, 4, count)),
        tdew_c=holed(tmin - rng.gamma(1, 4, count)),
        wind_m_s=holed(rng.gamma(2, 1.5, count)),
        wind_height_m=[10.0] * count,
        solar_mj_m2=holed(rng.uniform(0, 40, count)),
        rain_mm=holed(np.round(rain, 1)),
    )
    made.tmin_c[0], made.tmax_c[0] = warm - 6, warm + 6
    return made
