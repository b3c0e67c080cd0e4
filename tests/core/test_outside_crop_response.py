"""Degree-days against scipy's integral and hourly records; yield by salt and water against second tables.

No library of the package index serves as a second opinion on degree-days: the two found there go wrong where
the night is warmer than the base.  The curve is integrated numerically instead.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from itertools import groupby
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from weather import records

from scheduler.core.balance.heat import degree_days
from scheduler.core.balance.yields import expected_yield
from scheduler.garden.crops import CropBook
from scheduler.model import Crop, HeatUnits, YieldResponse

# --- degree-days ---------------------------------------------------------------------------------


def by_integral(tmin: float, tmax: float, base: float, upper: float) -> float:
    """What lies between base and upper under a sine through both extremes, over one day."""
    mean, half = (tmax + tmin) / 2, (tmax - tmin) / 2

    def above(x: float) -> float:
        return min(mean + half * math.sin(2 * math.pi * x), upper) - base

    kinks = [
        turn
        for level in (base, upper)
        if half > 0 and abs(level - mean) < half
        for turn in (
            math.asin((level - mean) / half) / (2 * math.pi) % 1,
            (0.5 - math.asin((level - mean) / half) / (2 * math.pi)) % 1,
        )
    ]
    found, _ = quad(lambda x: max(above(x), 0.0), 0, 1, points=sorted(kinks) or None, epsabs=1e-10)
    return float(found)


DAYS = [
    (tmin, tmin + range_, base, upper)
    for tmin in (-12.0, -3.0, 4.4, 8.0, 9.9, 15.0, 29.0, 31.0)
    for range_ in (0.0, 0.3, 7.0, 12.0, 25.0)
    for base, upper in ((10.0, 30.0), (4.4, math.inf), (0.0, 25.0), (-5.0, 8.0))
]


@pytest.mark.parametrize(("base", "upper"), sorted({day[2:] for day in DAYS}))
def test_degree_days_are_the_area_under_the_sine(base: float, upper: float) -> None:
    """Single sine with horizontal cutoff, Baskerville and Emin 1969, by its definition."""
    days = [day for day in DAYS if day[2:] == (base, upper)]
    heat = HeatUnits(base, None if upper == math.inf else upper)
    ours = degree_days(np.array([d[0] for d in days]), np.array([d[1] for d in days]), heat)
    assert ours == pytest.approx([by_integral(*day) for day in days], abs=1e-7)


@pytest.mark.parametrize(
    ("record", "base", "upper", "within"),
    [("greensboro", 10.0, 30.0, 0.02), ("greensboro", 4.4, 25.0, 0.02), ("fallon", 10.0, 30.0, 0.04)],
)
def test_a_year_of_degree_days_is_that_of_the_measured_hours(
    record: str, base: float, upper: float, within: float
) -> None:
    """Two thermographs (tests/weather/README.md): the mean of each day's hours over the base, as measured.

    The sine takes no more than both extremes of a day; over a year the two are close (own tolerance).
    """
    rows = records.source_rows(record) if record == "greensboro" else hours_of_fallon()
    total, ours = 0.0, 0.0
    heat = HeatUnits(base, upper)
    for _, group in groupby(rows, key=lambda row: row["date"]):
        hours = [float(row["temp_c"]) for row in group if row["temp_c"]]
        if len(hours) < 23:
            continue
        total += float(np.mean(np.clip(np.array(hours), base, upper) - base))
        ours += float(degree_days(np.array([min(hours)]), np.array([max(hours)]), heat)[0])
    assert total > 500
    assert ours == pytest.approx(total, rel=within)


def hours_of_fallon() -> list[dict[str, str]]:
    with (records.FOLDER / "fallon_nv_hourly_2015.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


# --- yield by salt --------------------------------------------------------------------------------

FAO29_TABLE_4: dict[str, tuple[float, float, tuple[float, ...]]] = {
    "broccoli": (2.8, 9.2, (3.9, 5.5, 8.2, 14)),
    "tomato": (2.5, 9.9, (3.5, 5.0, 7.6, 13)),
    "cucumber": (2.5, 13, (3.3, 4.4, 6.3, 10)),
    "spinach": (2.0, 7.6, (3.3, 5.3, 8.6, 15)),
    "celery": (1.8, 6.2, (3.4, 5.8, 9.9, 18)),
    "cabbage": (1.8, 9.7, (2.8, 4.4, 7.0, 12)),
    "potato": (1.7, 12, (2.5, 3.8, 5.9, 10)),
    "sweet corn": (1.7, 12, (2.5, 3.8, 5.9, 10)),
    "sweet potato": (1.5, 11, (2.4, 3.8, 6.0, 11)),
    "pepper": (1.5, 14, (2.2, 3.3, 5.1, 8.6)),
    "lettuce": (1.3, 13, (2.1, 3.2, 5.1, 9.0)),
    "radish": (1.2, 13, (2.0, 3.1, 5.0, 8.9)),
    "onion": (1.2, 16, (1.8, 2.8, 4.3, 7.4)),
    "carrot": (1.0, 14, (1.7, 2.8, 4.6, 8.1)),
    "bean": (1.0, 19, (1.5, 2.3, 3.6, 6.3)),
    "turnip": (0.9, 9.0, (2.0, 3.7, 6.5, 12)),
    "zucchini": (4.7, 9.4, (5.8, 7.4, 10, 15)),
    "scallop squash": (3.2, 16, (3.8, 4.8, 6.3, 9.4)),
}
"""Threshold and slope as the US Salinity Laboratory lists them (Maas 1990), and ECe, dS/m, at which FAO-29
rev. 1 (1985), Table 4, expects 90, 75, 50 and 0 % of the yield (that from memory)."""
PERCENT = (90, 75, 50, 0)


def yield_at(threshold: float, slope: float, ece: float) -> float:
    crop = Crop("crop", 1, 1, 1, (1, 1, 1, 1), 0.2, 0.5, 0.5, ec_threshold_ds_m=threshold, ec_slope_pct=slope)
    nothing: Any = np.empty(0)
    found = expected_yield(crop, short_use=nothing, asked=nothing, stage=nothing, ece=np.array([ece])).salt
    assert found is not None
    return found


@pytest.mark.parametrize("crop", FAO29_TABLE_4)
def test_yield_by_salt_is_that_of_the_second_table(crop: str) -> None:
    """Within half of the last printed digit of the ECe."""
    threshold, slope, printed = FAO29_TABLE_4[crop]
    assert yield_at(threshold, slope, threshold) == 1.0
    for percent, ece in zip(PERCENT, printed, strict=True):
        half = 0.5 if ece >= 9.95 else 0.05
        least, most = (yield_at(threshold, slope, ece + off) for off in (half, -half))
        assert least - 1e-9 <= percent / 100 <= most + 1e-9, (percent, ece)


def test_yield_by_salt_of_three_crops_against_the_published_line() -> None:
    """FAO-56 eq 90 without shortage: Y = 1 - b (ECe - threshold) / 100, b of Table 23 (from memory)."""
    for threshold, b in ((1.0, 19.0), (2.5, 9.9), (1.2, 16.0)):
        for ece in np.linspace(0.0, 12.0, 49):
            line = min(max(1 - b / 100 * (ece - threshold), 0.0), 1.0)
            assert yield_at(threshold, b, float(ece)) == pytest.approx(line, abs=1e-12)


def test_a_season_of_salt_counts_by_its_mean() -> None:
    """FAO-29: ECe of the root zone, the season's mean; half of it at 1.5 and half at 3.5 is 2.5 dS/m."""
    crop = Crop("crop", 1, 1, 1, (1, 1, 1, 1), 0.2, 0.5, 0.5, ec_threshold_ds_m=1.0, ec_slope_pct=19)
    asked = np.full(60, 5.0)
    found = expected_yield(
        crop, short_use=asked * 0, asked=asked, stage=np.ones(60, dtype=np.int64),
        ece=np.repeat([1.5, 3.5], 30),
    )  # fmt: skip
    assert found.salt == pytest.approx(yield_at(1.0, 19, 2.5), abs=1e-12)


def shipped(crop: str) -> Crop:
    """By the name of the published tables."""
    book = CropBook(None, "us")
    name = book.find(crop)
    assert name is not None
    return book.crop(name)


NO_CROP_OF_THEIR_OWN = {"bean", "scallop squash"}
"""Three beans ship, and one squash with the zucchini's figures."""


@pytest.mark.parametrize("crop", sorted(FAO29_TABLE_4.keys() - NO_CROP_OF_THEIR_OWN))
def test_shipped_crops_bear_the_salt_of_both_tables(crop: str) -> None:
    """What ships is the threshold and slope that the second table was just held against."""
    found = shipped(crop)
    assert (found.ec_threshold_ds_m, found.ec_slope_pct) == FAO29_TABLE_4[crop][:2]


# --- yield by water -------------------------------------------------------------------------------

FAO56_TABLE_24 = {
    "bush bean": 1.15,
    "cabbage": 0.95,
    "onion": 1.10,
    "pea": 1.15,
    "pepper": 1.10,
    "potato": 1.10,
    "soybean": 0.85,
    "peanut": 0.70,
    "sweet corn": 1.25,
    "tomato": 1.05,
    "watermelon": 1.10,
}
"""Ky of the season, FAO-56 Table 24 (which repeats FAO-33; from memory)."""


@pytest.mark.parametrize("crop", FAO56_TABLE_24)
def test_a_season_short_of_water_costs_what_the_second_table_says(crop: str) -> None:
    """FAO-56 eq 90 without salt: a season at 80 % of its use, evenly, with the shipped Ky of that crop."""
    response = shipped(crop).yield_response
    assert response is not None
    asked = np.full(100, 5.0)
    found = expected_yield(
        replace(shipped(crop), yield_response=YieldResponse(response.season)), short_use=0.2 * asked,
        asked=asked, stage=np.full(100, 1), ece=np.empty(0),
    )  # fmt: skip
    assert found.water == pytest.approx(1 - FAO56_TABLE_24[crop] * 0.2, abs=1e-12)
