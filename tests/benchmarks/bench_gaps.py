"""What gaps in the weather cost: `python tests/benchmarks/bench_gaps.py` prints the README's table.

Values of two long real records are blanked, 5, 20 and 60 % of them, each column by itself at random or in
blocks of 3 to 20 days over all columns at once (a station that is down), and the ladder of methods fills
what it can.  Against the full record: error of ET0 in growing seasons, and of a garden's water per season.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2])]

from core import gardens  # noqa: E402
from core.uncertainty_records import SPLIT, cut, filled_et, growing_season, lay_out, record, zones  # noqa: E402

from scheduler.core.balance.et import METHODS, fill, reference_et  # noqa: E402
from scheduler.core.balance.rule import RefillRule  # noqa: E402
from scheduler.core.balance.soil import run  # noqa: E402
from scheduler.model import WeatherDays  # noqa: E402

COLUMNS = ("tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s", "solar_mj_m2",
           "rain_mm")  # fmt: skip
SHARES = (0.05, 0.20, 0.60)


def at_random(days: WeatherDays, share: float, rng: np.random.Generator) -> WeatherDays:
    return replace(
        days,
        **{name: np.where(rng.random(len(days)) < share, np.nan, getattr(days, name)) for name in COLUMNS},
    )


def in_blocks(days: WeatherDays, share: float, rng: np.random.Generator) -> WeatherDays:
    gone = np.zeros(len(days), dtype=bool)
    while gone.mean() < share:
        begin = int(rng.integers(0, len(days)))
        gone[begin : begin + int(rng.integers(3, 21))] = True
    return replace(days, **{name: np.where(gone, np.nan, getattr(days, name)) for name in COLUMNS})


def liters_by_season(first: date, et0: np.ndarray, rain: np.ndarray, name: str, years: range) -> np.ndarray:
    """Litres of the test garden per season, by the plain rule."""
    planted = zones(years[0], years[-1])
    laid_out = lay_out(planted, first, et0, rain, gardens.location_of(name))
    balance = run(laid_out, starting_deficit=np.zeros(len(planted)), rule=RefillRule.of(planted))
    flow = np.array([s.delivery.flow_lpm for s in laid_out.stands])[laid_out.stand]
    per_day = (balance.minutes * np.where(laid_out.standing, flow, 0.0)).sum(axis=1)
    year = np.array([first.year + int(k // 365.25) for k in range(len(per_day))])
    return np.array([per_day[year == y].sum() for y in years])


def main() -> None:
    print(
        "| record | values gone | ET0 mean error | ET0 RMS error | days estimated or stood in for | "
        "season's water, mean | worst season | the same, rain known |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, (_, first, last) in SPLIT.items():
        before = date(first.year - 2, 1, 1)
        days, at = cut(record(name), before, last), gardens.location_of(name)
        years = range(first.year, last.year + 1)
        offset = (first - before).days
        season = growing_season(days)[offset:]
        full = filled_et(days, at, first)
        rain = np.nan_to_num(days.rain_mm[offset:])
        water = liters_by_season(first, full, rain, name, years)
        for how, blanked in (("at random", at_random), ("in blocks", in_blocks)):
            for share in SHARES:
                rng = np.random.default_rng(round(1000 * share))
                holed = blanked(days, share, rng)
                # two years of a full record come first: a new station has earlier years only later
                for column in COLUMNS:
                    getattr(holed, column)[:offset] = getattr(days, column)[:offset]
                et = fill(reference_et(holed, at), first, last)
                off = (et.et0_mm[offset:] - full)[season]
                seen_rain = np.nan_to_num(holed.rain_mm[offset:])
                got = liters_by_season(first, et.et0_mm[offset:], seen_rain, name, years)
                change = 100 * (got / water - 1)
                dry = liters_by_season(first, et.et0_mm[offset:], rain, name, years)
                known = 100 * (dry / water - 1)
                other = np.mean(et.method[offset:][season] != METHODS.index("penman-monteith"))
                print(
                    f"| {name} | {100 * share:.0f} % {how} | {off.mean():+.2f} mm/d "
                    f"| {np.sqrt(np.mean(off**2)):.2f} mm/d | {100 * other:.0f} % "
                    f"| {change.mean():+.1f} % | {change[np.argmax(np.abs(change))]:+.1f} % "
                    f"| {known.mean():+.1f} %, worst {known[np.argmax(np.abs(known))]:+.1f} % |"
                )


if __name__ == "__main__":
    main()
