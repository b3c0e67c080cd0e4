"""What foresight is worth: one garden, three real weather years, four ways to water it.

(i) a fixed timer that gives each zone the same water in the season as (ii), in equal runs; (ii) the plain
rule, each zone by its own trigger; (iii) the plan of the week on a forecast; (iv) the same on the weather
that really came.  All of them water within the same hours, days and supply, and the balance goes by the
true weather.  Each crop by one coefficient: evaporation is not
kept apart.  Prints the Markdown table of the README; --solver lets HiGHS plan the crowded weeks.

The forecasts are the real records made worse, with a fixed seed, by errors that grow with the lead day L:

- temperature: one error for the day, sd 0.8 + 0.25 L degC, that keeps 0.6 of itself from one lead to the
  next, and a third as much for low and high each;
- dew point the same with sd 0.8 + 0.2 L; wind times exp(sd 0.15 + 0.03 L); radiation times
  exp(sd 0.08 + 0.03 L); humidity columns are left out where a dew point is known;
- rain: each day has a normal score (by its rank among the wet days; drawn among the dry ones).  The forecast
  sees it with correlation 0.93 - 0.06 L and says the chance of rain that follows from what it sees, and the
  amount that is as likely to be passed as not if it rains.  So its chances are honest ones: of the days said
  to have 30 %, three in ten are wet.  (An error model of our own; no service's record is behind it.)
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np

from scheduler.garden.file import load_text
from scheduler.model import WEATHER_FIELDS, Garden, WeatherDays
from scheduler.planning.foresight import Dawn, Decide, Planner, simulate_ahead
from scheduler.planning.season import Season
from scheduler.weather.files import daily as daily_file

ROOT = Path(__file__).parents[1]
LEADS = 7
SEED = 20260401
WET_MM = 0.5
NORMAL = NormalDist()

GARDEN = """\
garden: Two-acre bottom
location: {{latitude: {latitude}, longitude: {longitude}, elevation: {elevation}, timezone: {timezone}}}
display: metric
crop_coefficient: single
supply:
  flow: {flow}
  keep_back: 10%
  hours: {{from: "04:00", until: "09:00"}}
  days: [mon, tue, thu, sat]
tapes: {{thin: {{flow: 5 L/h/m}}}}
zones:
  tomatoes:
    {{rows: {{count: 6, length: 30, spacing: 1.5, tapes: 2}}, tape: thin, soil: sandy loam,
     valve: {{gpio: 5}}, plantings: [{{crop: tomato, planted: {year}-04-25, pulled: {year}-09-20}}]}}
  peppers:
    {{rows: {{count: 6, length: 30, spacing: 1.2}}, tape: thin, soil: sandy loam, valve: {{gpio: 6}},
     plantings: [{{crop: pepper, planted: {year}-05-05, pulled: {year}-09-20}}]}}
  beans:
    {{rows: {{count: 8, length: 30, spacing: 0.75}}, tape: thin, soil: loam, valve: {{gpio: 13}},
     plantings: [{{crop: bush bean, planted: {year}-05-10}},
                 {{crop: broccoli, planted: {year}-08-15}}]}}
  squash:
    {{rows: {{count: 4, length: 30, spacing: 1.8, tapes: 2}}, tape: thin, soil: loam, valve: {{gpio: 19}},
     plantings: [{{crop: summer squash, planted: {year}-05-15, hold_last_stage: true,
                  pulled: {year}-09-15}}]}}
  lettuce:
    {{rows: {{count: 10, length: 20, spacing: 0.45}}, tape: thin, soil: sandy loam, valve: {{gpio: 26}},
     plantings: [{{crop: lettuce, planted: {year}-04-10}}, {{crop: carrot, planted: {year}-07-01}}]}}
  sweet corn:
    {{rows: {{count: 8, length: 30, spacing: 0.9}}, tape: thin, soil: silt loam, valve: {{gpio: 21}},
     plantings: [{{crop: sweet corn, planted: {year}-05-12}}]}}
"""


@dataclass(frozen=True)
class Place:
    title: str
    record: str
    year: int
    flow: str  # of the supply: it does not quite reach in the hottest weeks
    nominal: bool = False


PLACES = (
    Place("Seattle 2015 (dry summer)", "seattle", 2015, "28 L/min"),
    Place("De Bilt 2018 (maritime)", "de_bilt", 2018, "26 L/min"),
    Place("Greensboro, typical year (humid)", "greensboro", 2001, "24 L/min", nominal=True),
)


def records() -> Any:
    """The reader of the records that ship with the tests."""
    sys.path.insert(0, str(ROOT / "tests" / "weather"))
    import records as found

    return found


def weather_of(place: Place) -> WeatherDays:
    rows = records().daily_rows(place.record, nominal_year=place.year if place.nominal else None)
    header = ",".join(rows[0])
    lines = [",".join(row.values()) for row in rows if row["date"] <= f"{place.year}-12-31"]
    return daily_file.read("\n".join([header, *lines]) + "\n", name=place.record)


def garden_of(place: Place) -> Garden:
    site = records().site(place.record)
    return load_text(
        GARDEN.format(
            latitude=site.latitude_deg, longitude=site.longitude_deg, elevation=site.elevation_m,
            timezone=site.timezone, flow=place.flow, year=place.year,
        )
    )  # fmt: skip


# --- the forecasts -------------------------------------------------------------------------------


def forecasts(weather: WeatherDays, first: date, last: date, seed: int = SEED) -> dict[date, WeatherDays]:
    """An issue for every morning: its day and the six after."""
    rng = np.random.default_rng(seed)
    rain = _Rain(weather, rng)
    issues = {}
    for k in range((last - first).days + 1):
        issued = first + timedelta(days=k)
        at = (issued - weather.first).days
        days = slice(at, min(at + LEADS, len(weather)))
        values = {name: getattr(weather, name)[days].copy() for name in WEATHER_FIELDS}
        lead = np.arange(len(values["tmax_c"]), dtype=float)

        def noise(sd: np.ndarray, lead: np.ndarray = lead) -> np.ndarray:
            out, last_one = np.zeros(len(lead)), rng.standard_normal()
            for i in range(len(lead)):
                out[i] = last_one
                last_one = 0.6 * last_one + 0.8 * rng.standard_normal()
            return out * sd

        warm = noise(0.8 + 0.25 * lead)
        for name in ("tmin_c", "tmax_c"):
            values[name] += warm + noise((0.8 + 0.25 * lead) / 3)
        values["tmax_c"] = np.maximum(values["tmax_c"], values["tmin_c"] + 0.5)
        values["tdew_c"] += noise(0.8 + 0.2 * lead)
        values["wind_m_s"] *= np.exp(noise(0.15 + 0.03 * lead))
        values["solar_mj_m2"] *= np.exp(noise(0.08 + 0.03 * lead))
        if np.isfinite(values["tdew_c"]).all():
            for name in ("rh_mean_pct", "rh_min_pct", "rh_max_pct"):
                values[name][:] = np.nan
        values["rain_mm"], values["rain_chance_pct"] = rain.forecast(at, len(lead))
        issues[issued] = WeatherDays(issued, **values)
    return issues


class _Rain:
    def __init__(self, weather: WeatherDays, rng: np.random.Generator) -> None:
        amount = np.nan_to_num(weather.rain_mm)
        wet = amount >= WET_MM
        self.sizes = np.sort(amount[wet])
        self.wet_share = len(self.sizes) / len(amount)
        self.bar = NORMAL.inv_cdf(1 - self.wet_share)
        rank = np.searchsorted(self.sizes, amount, side="right") / (len(self.sizes) + 1)
        share = np.where(wet, 1 - self.wet_share * (1 - rank), rng.random(len(amount)) * (1 - self.wet_share))
        self.score = np.array([NORMAL.inv_cdf(s) for s in np.clip(share, 1e-4, 1 - 1e-4)])
        self.rng = rng

    def forecast(self, at: int, count: int) -> tuple[np.ndarray, np.ndarray]:
        rain, chance = np.zeros(count), np.zeros(count)
        for lead in range(count):
            r = 0.93 - 0.06 * lead
            left = (1 - r * r) ** 0.5
            seen = r * self.score[at + lead] + left * self.rng.standard_normal()
            wet = 1 - NORMAL.cdf((self.bar - r * seen) / left)
            middle = r * seen + left * NORMAL.inv_cdf(min(max(1 - wet / 2, 1e-6), 1 - 1e-6))
            rank = 1 - (1 - NORMAL.cdf(middle)) / self.wet_share
            rain[lead] = np.quantile(self.sizes, min(max(rank, 0.0), 1.0))
            chance[lead] = round(100 * wet)
        return np.where(chance > 0, rain, 0.0), chance


# --- the four ways -------------------------------------------------------------------------------


def timer(garden: Garden, like: Season) -> Decide:
    """Equal runs on every watering day of a zone's plantings; in sum what `like` gave it."""
    standing = like.terms.standing
    days = [like.first + timedelta(days=k) for k in range(len(standing))]
    allowed = np.array([garden.supply.days.allows(day) for day in days], dtype=float)
    each = like.balance.minutes.sum(axis=0) / np.maximum((standing * allowed[:, None]).sum(axis=0), 1)

    def decide(dawn: Dawn) -> Any:
        return each * standing[dawn.day] * allowed[dawn.day]

    return decide


def four_ways(place: Place, first: date, last: date, *, solver: bool = False) -> Mapping[str, Season]:
    garden, weather = garden_of(place), weather_of(place)
    span = {"first": first, "last": last}
    issues = forecasts(weather, first, last)
    rule = simulate_ahead(garden, weather, "none", **span)
    return {
        "fixed timer": simulate_ahead(garden, weather, "none", decide=timer(garden, rule), **span),
        "plain rule": rule,
        "forecast": simulate_ahead(
            garden, weather, "forecast", issues=issues, decide=Planner(solver=solver), **span
        ),
        "perfect": simulate_ahead(garden, weather, "perfect", decide=Planner(solver=solver), **span),
    }


@dataclass(frozen=True)
class Sums:
    liters: float
    stress_days: int
    lost_yield_days: float
    percolation_mm: float


def sums(season: Season) -> Sums:
    terms, balance = season.terms, season.balance
    flow = np.array([*(s.delivery.flow_lpm for s in terms.stands), 0.0])[terms.stand]
    lack = np.where(terms.standing, 1 - balance.ks, 0.0)
    return Sums(
        float((balance.minutes * flow).sum()),
        int(np.count_nonzero(lack > 0)),
        float(lack.sum()),
        float(balance.percolation.sum() / terms.standing.any(axis=0).sum()),
    )


def share_of_the_way(found: Mapping[str, Sums]) -> float:
    """Of the water that perfect foresight saves, the share that the forecast saves."""
    most = found["plain rule"].liters - found["perfect"].liters
    return (found["plain rule"].liters - found["forecast"].liters) / most if most else float("nan")


def main() -> None:
    solver = "--solver" in sys.argv
    print("| weather | way | water, m3 | stress days | sum of 1 - Ks | drained, mm |")
    print("|---|---|---|---|---|---|")
    for place in PLACES:
        seasons = four_ways(place, date(place.year, 4, 10), date(place.year, 9, 30), solver=solver)
        found = {name: sums(season) for name, season in seasons.items()}
        for name, s in found.items():
            print(
                f"| {place.title} | {name} | {s.liters / 1000:.1f} | {s.stress_days} | "
                f"{s.lost_yield_days:.1f} | {s.percolation_mm:.0f} |",
                flush=True,
            )
        way = f"the forecast goes {share_of_the_way(found):.0%} of the way in water"
        mornings = dict(seasons["forecast"].foresight["mornings"])
        print(f"{place.title}: {way}; mornings: {mornings}", file=sys.stderr)


if __name__ == "__main__":
    main()
