"""Cost of a simulated season: all zones and years of the whole core against the reference ET alone.

Run as a script: `python tests/benchmarks/bench_season.py`.  It prints, and asserts no time.

Weather: De Bilt, Netherlands, 2000 to 2019 (tests/weather/README.md), laid end to end to thirty years.  The
yardstick is one call of pyet.pm_fao56 on those days, with a calendar index of its own.  CPU time of this
process, best of several; the goal for 50 zones x 30 years is twice the yardstick.  The same season with
evaporation apart from use is held against the one with a single coefficient: at most 1.6 times.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from time import process_time

import numpy as np
import pandas as pd
import pyet

sys.path.insert(0, str(Path(__file__).parents[1]))

from core import gardens as g  # noqa: E402
from weather import records  # noqa: E402

from scheduler.model import (
    WEATHER_FIELDS,
    Crop,
    Garden,
    Planting,
    Rows,
    Settle,
    Soil,
    Supply,
    Tape,
    WeatherDays,
    Zone,
)
from scheduler.planning.season import simulate  # noqa: E402

FIRST_YEAR = 1990
YEARS = 30
GOAL = 2
DUAL_GOAL = 1.6

CROPS = [
    Crop("tomato", 0.6, 1.15, 0.8, (30, 40, 45, 30), 0.25, 0.7, 0.40, height_m=0.6),
    Crop("kale", 0.7, 1.05, 0.95, (20, 30, 20, 10), 0.15, 0.4, 0.45, height_m=0.4),
    Crop("beans", 0.5, 1.05, 0.9, (15, 25, 25, 10), 0.15, 0.5, 0.45, height_m=0.4),
    Crop("squash", 0.5, 0.95, 0.75, (20, 30, 25, 15), 0.2, 0.6, 0.50, height_m=0.3),
    Crop("lettuce", 0.7, 1.0, 0.95, (20, 30, 15, 10), 0.1, 0.3, 0.30, height_m=0.3),
    Crop("carrots", 0.7, 1.05, 0.95, (20, 30, 40, 20), 0.15, 0.5, 0.35, height_m=0.3),
]
SOILS = [
    Soil("sand", 0.12, 0.045, "coarse"),
    Soil("loam", 0.25, 0.12, "medium"),
    Soil("clay", 0.36, 0.22, "fine"),
]
LABEL_ONLY = Tape("thin", flow_lpm_per_m=0.05, rated_at_kpa=83.0)
MEASURED_OUT = replace(LABEL_ONLY, emitter_spacing_m=0.305, inside_diameter_m=0.0162)


def weather(years: int) -> WeatherDays:
    record = g.recorded("de_bilt")
    first = date(FIRST_YEAR, 1, 1)
    count = (date(FIRST_YEAR + years, 1, 1) - first).days
    columns = {name: np.resize(getattr(record, name), count) for name in WEATHER_FIELDS}
    return replace(record, first=first, came_from={}, **columns)


def zone(number: int, years: int, tape: Tape) -> Zone:
    """A spring and a fall crop every year, each zone with dates, soil, rows and rules of its own."""
    plantings: list[Planting] = []
    for year in range(FIRST_YEAR, FIRST_YEAR + years):
        spring = date(year, 3, 20) + timedelta(days=number * 7 % 45)
        fall = date(year, 8, 1) + timedelta(days=number * 5 % 40)
        for k, planted in enumerate((spring, fall)):
            plantings.append(
                Planting(
                    crop=CROPS[(number + k) % len(CROPS)],
                    planted=planted,
                    pulled=None if k else fall - timedelta(days=number % 9),
                    rows=Rows(4 + (number + k) % 8, 24.0, 0.75 + 0.25 * k, tapes=1 + number % 2),
                    own_rows=True,
                    mulch=("none", "film", "straw")[number % 3],
                    settle=Settle(10, 2, 20.0) if number % 10 == 0 else None,
                )
            )
    return g.zone(
        *plantings, name=f"zone {number}", tape=tape, soil=SOILS[number % len(SOILS)],
        refill_at=0.3 + 0.1 * (number % 6), leave_room_mm=float(number % 4),
        shortest_run_minutes=5.0 + number % 7,
        longest_run_minutes=90.0 if number % 5 == 0 else None,
    )  # fmt: skip


def garden(zones: int, years: int, tape: Tape = LABEL_ONLY) -> Garden:
    return g.garden(
        *(zone(number, years, tape) for number in range(zones)),
        location=g.location_of("de_bilt", wind_2m_m_s=3.0, rh_min_pct=55.0),
        supply=Supply(flow_lpm=40.0, pressure_kpa=90.0),
    )


def reference_alone(days: WeatherDays) -> Callable[[], object]:
    index = pd.date_range(days.first, periods=len(days), freq="D")

    def series(values: np.ndarray) -> pd.Series:
        return pd.Series(values, index=index)

    where = records.site("de_bilt")
    tmin, tmax, rs = series(days.tmin_c), series(days.tmax_c), series(days.solar_mj_m2)
    high, low, wind = series(days.rh_max_pct), series(days.rh_min_pct), series(days.wind_m_s * 0.748)
    mean, latitude = (tmin + tmax) / 2, float(np.deg2rad(where.latitude_deg))
    return lambda: pyet.pm_fao56(
        mean,
        wind,
        rs=rs,
        tmax=tmax,
        tmin=tmin,
        rhmax=high,
        rhmin=low,
        elevation=where.elevation_m,
        lat=latitude,
    )


def best(work: Callable[[], object], repeats: int = 7) -> float:
    work()  # imports and caches
    times = []
    for _ in range(repeats):
        begin = process_time()
        work()
        times.append(process_time() - begin)
    return min(times)


def season_of(zones: int, years: int, tape: Tape = LABEL_ONLY, repeats: int = 7) -> float:
    plot, days = garden(zones, years, tape), weather(years)
    return best(lambda: simulate(plot, days, days.first, days.last), repeats)


def both_coefficients(repeats: int = 9) -> tuple[float, float]:
    """CPU seconds with one coefficient and with two, taken in turns."""
    days = weather(YEARS)
    plots = [replace(garden(50, YEARS), crop_coefficient=kind) for kind in ("single", "dual")]
    times = [
        [best(lambda plot=plot: simulate(plot, days, days.first, days.last), 1) for plot in plots]
        for _ in range(repeats)
    ]
    return min(one for one, _ in times), min(two for _, two in times)


def main() -> None:
    alone = best(reference_alone(weather(YEARS)), 15)
    season = season_of(50, YEARS)
    runs = int((simulate(garden(50, YEARS), weather(YEARS)).balance.minutes > 0).sum())
    print(f"pyet.pm_fao56 alone, {YEARS} years:       {alone * 1e3:7.1f} ms")
    print(f"season, 50 zones x {YEARS} years:         {season * 1e3:7.1f} ms   ({runs} runs)")
    print(f"ratio:                                {season / alone:7.2f}      (goal: at most {GOAL:g})")
    one, two = both_coefficients()
    print(f"the same, evaporation apart:          {two * 1e3:7.1f} ms")
    print(f"ratio to a single coefficient:        {two / one:7.2f}      (goal: at most {DUAL_GOAL:g})")
    solved = season_of(50, YEARS, MEASURED_OUT)
    print(f"the same, tapes' hydraulics solved:   {solved * 1e3:7.1f} ms   ratio {solved / alone:.2f}")
    print(f"\nzones (x {YEARS} years)      ms   us per zone-year")
    for zones in (1, 10, 50, 200):
        cost = season_of(zones, YEARS, repeats=4)
        print(f"{zones:5d}          {cost * 1e3:9.1f}   {cost * 1e6 / zones / YEARS:9.1f}")
    print("\nyears (x 50 zones)      ms   us per zone-year")
    for years in (1, 10, 30):
        cost = season_of(50, years, repeats=4)
        print(f"{years:5d}          {cost * 1e3:9.1f}   {cost * 1e6 / 50 / years:9.1f}")


if __name__ == "__main__":
    main()
