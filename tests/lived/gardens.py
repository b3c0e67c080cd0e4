"""Two invented gardens, and the real weather they stand in (Greensboro and Davis of tests/weather).

The weather arrives as it does in life: each morning the station's file ends with last night, and a week
of forecast follows that is not quite what will come.
"""

from __future__ import annotations

import csv
import random
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from weather.records import Rows, daily_rows

HUMID = """\
garden: Pine Hollow
location: {latitude: 36.10, longitude: -79.95, elevation: 886 ft, timezone: America/New_York}
display: us
weather:
  sources:
    - file: {path: weather.csv}
supply:
  flow: 6 gpm
  pressure: 12 psi
  hours: {from: "05:00", until: "09:30"}
tapes:
  thin: {flow: 0.50 gpm/100ft, rated_at: 12 psi, emitter_spacing: 12 in}
zones:
  tomatoes:
    rows: {count: 4, length: 60 ft, spacing: 5 ft}
    tape: thin
    soil: sandy loam
    plantings: [{crop: tomato, planted: 2026-04-25, pulled: 2026-09-20}]
    valve: {by_hand: true}
  beans:
    rows: {count: 4, length: 50 ft, spacing: 3 ft}
    tape: thin
    soil: sandy loam
    plantings:
      - {crop: bush bean, planted: 2026-05-01, pulled: 2026-07-15}
      - {crop: broccoli, planted: 2026-08-10, pulled: 2026-10-31}
    valve: {by_hand: true}
  squash:
    rows: {count: 2, length: 60 ft, spacing: 6 ft, tapes: 2}
    tape: thin
    soil: loam
    plantings: [{crop: summer squash, planted: 2026-05-10, pulled: 2026-09-01}]
    valve: {by_hand: true}
"""

WEAK_WELL = """\
garden: Dry Gulch
location: {latitude: 38.54, longitude: -121.78, elevation: 18, timezone: America/Los_Angeles}
display: metric
weather:
  sources:
    - file: {path: weather.csv}
supply:
  flow: 20 L/min
  pressure: 80 kPa
  hours: {from: "04:00", until: "10:00"}
  days: [wed, sat]
tapes:
  thin: {flow: 2.5 L/h/m, rated_at: 80 kPa, emitter_spacing: 0.3}
zones:
  tomatoes:
    rows: {count: 5, length: 25, spacing: 1.5, tapes: 2}
    tape: thin
    soil: silt loam
    plantings: [{crop: tomato, planted: 2007-04-20, pulled: 2007-09-25}]
    valve: {by_hand: true}
  melons:
    rows: {count: 5, length: 25, spacing: 1.8, tapes: 2}
    tape: thin
    soil: silt loam
    plantings: [{crop: cantaloupe, planted: 2007-05-05, pulled: 2007-09-10}]
    valve: {by_hand: true}
  peppers:
    rows: {count: 4, length: 20, spacing: 0.9, tapes: 2}
    tape: thin
    soil: loam
    plantings: [{crop: bell pepper, planted: 2007-05-01, pulled: 2007-09-30}]
    valve: {by_hand: true}
  carrots:
    rows: {count: 6, length: 12, spacing: 0.45}
    tape: thin
    soil: loam
    plantings: [{crop: carrot, planted: 2007-04-15, pulled: 2007-07-25}, {crop: carrot, planted: 2007-08-01}]
    valve: {by_hand: true}
"""

FORECAST_DAYS = 7
DAYS_BEFORE = 40  # of weather, before the first morning


@dataclass(frozen=True)
class Place:
    """A garden, where it is, and its season."""

    name: str
    yaml: str
    record: str
    nominal_year: int | None
    timezone: ZoneInfo
    first: date
    last: date
    flow_lpm: dict[str, float]
    area_m2: dict[str, float]
    forecast: bool = True  # does the station's file hold one


GPM = 3.785411784  # L/min in a gallon a minute (NIST SP 811)
SQUARE_FOOT = 0.09290304  # m2 (same)
HUMID_GARDEN = Place(
    name="humid",
    yaml=HUMID,
    record="greensboro",
    nominal_year=2026,
    timezone=ZoneInfo("America/New_York"),
    first=date(2026, 4, 20),
    last=date(2026, 9, 30),
    flow_lpm={
        "tomatoes": 1.2 * GPM,
        "beans": 1.0 * GPM,
        "squash": 1.2 * GPM,
    },  # feet of tape at 0.5 gpm/100 ft
    area_m2={"tomatoes": 1200 * SQUARE_FOOT, "beans": 600 * SQUARE_FOOT, "squash": 720 * SQUARE_FOOT},
)
WELL_GARDEN = Place(
    name="weak well",
    yaml=WEAK_WELL,
    record="davis",
    nominal_year=None,
    timezone=ZoneInfo("America/Los_Angeles"),
    first=date(2007, 4, 18),
    last=date(2007, 9, 30),
    flow_lpm={
        "tomatoes": 250 / 24,
        "melons": 125 / 12,
        "peppers": 80 / 12,
        "carrots": 72 / 24,
    },  # metres at 5 or 2.5 L/h
    area_m2={"tomatoes": 187.5, "melons": 225.0, "peppers": 72.0, "carrots": 32.4},
)
WATERING_DAYS = (2, 5)  # of the well: Wednesday and Saturday
PLACES = (HUMID_GARDEN, WELL_GARDEN)


@cache
def record(name: str, nominal_year: int | None) -> dict[date, dict[str, str]]:
    rows = daily_rows(name, nominal_year=nominal_year)
    return {date.fromisoformat(row["date"]): row for row in sorted(rows, key=lambda row: row["date"])}


def rain_mm(place: Place, day: date) -> float:
    return float(record(place.record, place.nominal_year)[day]["rain_mm"] or 0)


def write_weather(place: Place, path: Path, morning: date, *, silent: frozenset[date] = frozenset()) -> None:
    """The station's file of a morning: the days before it without the `silent` ones, then a forecast."""
    days = record(place.record, place.nominal_year)
    past = [
        day
        for n in range((morning - place.first).days + DAYS_BEFORE, 0, -1)
        if (day := morning - timedelta(days=n)) in days and day not in silent
    ]
    rows = [days[day] | {"rain_chance_pct": ""} for day in past]
    ahead = range(FORECAST_DAYS if place.forecast else 0)
    rows += [_foretold(days, morning, n) for n in ahead if morning + timedelta(days=n) in days]
    _write(path, rows)


def _foretold(days: dict[date, dict[str, str]], morning: date, ahead: int) -> dict[str, str]:
    """A forecast issued on a morning: degrees astray by up to 2, half of the rain's depth, at times none."""
    day = morning + timedelta(days=ahead)
    draw = random.Random(f"{morning} {ahead}")
    row = dict(days[day])
    for name in ("tmin_c", "tmax_c"):
        if row[name]:
            row[name] = f"{float(row[name]) + draw.uniform(-2, 2):.1f}"
    if row["tmin_c"] and row["tmax_c"] and float(row["tmin_c"]) > float(row["tmax_c"]):
        row["tmin_c"] = row["tmax_c"]
    comes = float(row["rain_mm"] or 0)
    told = comes * draw.uniform(0.5, 1.5) if draw.random() < 0.8 else draw.choice([0.0, 6.0])
    row["rain_mm"] = f"{told:.1f}"
    return row | {"rain_chance_pct": f"{(70 if told else 10) + draw.randrange(20)}"}


def _write(path: Path, rows: Rows) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[-1]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
