"""The slow second model against the open garden's record (tests/reference/open_garden2), day by day."""

from __future__ import annotations

import csv
import json
import math
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from core import reference_model as first
from core import second_model as m

from scheduler.model import Location

REFERENCE = Path(__file__).parents[1] / "reference"
OPEN = REFERENCE / "open_garden2"
SITE = Location(47.44, -122.31, 371 * 0.3048, "America/Los_Angeles", coastal=True, rh_min_pct=60)
INCH = 0.0254


def weather() -> m.Weather:
    with (OPEN / "weather.csv").open() as file:
        rows = list(csv.DictReader(file))
    et0, rh_min, wind = [], [], []
    for row in rows:
        given = {name: float(text) if text else None for name, text in row.items() if name != "date"}
        day = date.fromisoformat(row["date"])
        found = first.reference_et(day, given, SITE)
        assert found is not None
        et0.append(found[0])
        tmin, tmax = given["tmin_c"], given["tmax_c"]
        assert tmin is not None
        assert tmax is not None
        ea = min(first.e0(tmin), (first.e0(tmin) + first.e0(tmax)) / 2)
        rh_min.append(100 * ea / first.e0(tmax))
        speed = given["wind_m_s"]
        wind.append(None if speed is None else max(0.5, speed * 4.87 / math.log(67.8 * 10 - 5.42)))
    return m.Weather(
        first=date.fromisoformat(rows[0]["date"]),
        et0=et0,
        rain=[float(r["rain_mm"]) for r in rows],
        tmin=[float(r["tmin_c"]) for r in rows],
        tmax=[float(r["tmax_c"]) for r in rows],
        wind_2m=wind,
        rh_min=rh_min,
    )


LPM_PER_GPM = 3.785411784
LOAM = m.Soil(0.25, 0.12, "medium", 9.0)
LOAMY_SAND = m.Soil(0.15, 0.065, "coarse", 6.0)
PER_M = 0.42 * LPM_PER_GPM / 30.48 * (10 / 8) ** 0.5
POD = m.Crop(
    "open_pod",
    (18, 26, 28, 10),
    (0.15, 1.00, 0.80),
    0.15,
    0.55,
    0.45,
    height_m=0.4,
    by="seed",
    seed_depth_m=1.5 * INCH,
    emergence=(130, 7.7),
    heat=m.Heat(10, 30),
    ec_threshold=1.0,
    ec_slope=19,
    ky={"season": 1.15, "vegetative": 0.2, "flowering": 1.1, "yield_formation": 0.75, "ripening": 0.2},
)
LEAF = m.Crop("open_leaf", (18, 24, 15, 8), m.without_kcb(1.00, 0.95), 0.12, 0.40, 0.30)
FRUIT = m.Crop(
    "open_fruit",
    (25, 35, 40, 25),
    (0.15, 1.10, 0.70),
    0.20,
    0.70,
    0.40,
    height_m=0.9,
    ec_threshold=2.5,
    ec_slope=9.9,
    ky={"season": 1.05, "vegetative": 0.4, "flowering": 1.1, "yield_formation": 0.8, "ripening": 0.4},
)


def zones() -> list[m.Zone]:
    def rows(
        crop: m.Crop, planted: date, count: int, feet: float, spacing_m: float, **more: Any
    ) -> m.Planting:
        length = feet * 0.3048
        return m.Planting(crop, planted, length, count, spacing_m, flow_lpm=count * length * PER_M, **more)

    return [
        m.Zone(
            "sown",
            LOAM,
            [
                rows(POD, date(2015, 5, 6), 6, 70, 30 * INCH, pulled=date(2015, 7, 31)),
                rows(LEAF, date(2015, 8, 5), 10, 70, 18 * INCH),
            ],
            0.60,
            uniformity=0.92,
            tape_depth_m=3 * INCH,
        ),
        m.Zone(
            "set_out",
            LOAMY_SAND,
            [rows(FRUIT, date(2015, 5, 18), 4, 60, 60 * INCH, mulch="film")],
            0.40,
            uniformity=0.93,
            tape_depth_m=2 * INCH,
        ),
    ]


def test_it_is_the_open_garden_day_by_day() -> None:
    expected = json.loads((OPEN / "expected.json").read_text())
    record, got, yields = weather(), {}, {}
    for zone in zones():
        walk = m.Walk(zone, record, rh_min=SITE.rh_min_pct, ecw=1.2)
        for day in walk.run(date(2015, 4, 20), date(2015, 8, 20)):
            got[day["date"], zone.name] = day
        for p in zone.plantings:
            mine = [r for r in walk.records if r["_planting"] is p]
            yields[zone.name, p.planted.isoformat()] = m.expected_yield(mine, p.crop)
    assert len(got) == len(expected["days"]) == 197
    for row in expected["days"]:
        day = got[row["date"], row["zone"]]
        for name, value in row.items():
            if name in ("et0_mm", "et0_method", "rain_mm"):
                continue
            near = value if isinstance(value, str | bool) else pytest.approx(value, abs=2e-6)
            assert day[name] == near, (row["date"], row["zone"], name)
    for row in expected["plantings"]:
        mine = yields[row["zone"], row["planted"]]
        for name, value in mine.items():
            assert value == (None if row[name] is None else pytest.approx(row[name], abs=2e-6)), (row, name)
