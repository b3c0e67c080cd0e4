"""A garden's season laid into other years."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from scheduler.errors import BadInput
from scheduler.garden.file import load_text
from scheduler.study.years import in_years, season_of, sorted_out, years_asked
from scheduler.weather.files import daily

CREEKSIDE = Path(__file__).parents[2] / "examples" / "creekside"
WEATHER = daily.read(CREEKSIDE / "weather.csv")  # 2012 to 2015
TEXT = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: metric
supply: {flow: 30}
tapes: {thin: {flow: 0.08}}
zones:
  bed:
    rows: {count: 4, length: 20, spacing: 0.9}
    tape: thin
    soil: loam
    plantings: [PLANTINGS]
"""


def garden(*plantings: str):
    return load_text(TEXT.replace("PLANTINGS", ", ".join(f"{{{one}}}" for one in plantings)))


def test_the_season_is_that_of_the_newest_crops() -> None:
    old = "crop: lettuce, planted: 2013-05-01, pulled: 2013-07-01"
    plot = garden(
        old,
        "crop: lettuce, planted: 2015-04-20, pulled: 2015-06-28",
        "crop: lettuce, planted: 2015-07-05, pulled: 2015-09-01",
    )
    season = season_of(plot)
    assert (season.year, season.first, season.last) == (2015, date(2015, 4, 20), date(2015, 8, 31))
    garlic = garden("crop: garlic, planted: 2014-10-15, pulled: 2015-07-20")
    assert (season_of(garlic).year, season_of(garlic).first) == (2015, date(2014, 10, 15))
    by_table = season_of(garden("crop: lettuce, planted: 2015-04-20, days: [10, 20, 10, 5]"))
    assert by_table.last == date(2015, 6, 3)  # 45 days, the first one counted
    with pytest.raises(BadInput, match="nothing|no zone has a planting"):
        season_of(replace(plot, zones=tuple(replace(zone, plantings=()) for zone in plot.zones)))


def test_every_date_of_a_garden_moves() -> None:
    """As the same file written for that year reads."""

    def text(year: int) -> str:
        return TEXT.replace(
            "PLANTINGS",
            f"{{crop: onion, planted: {year}-03-01, harvest: {year}-07-20, pulled: {year}-07-28, "
            f"shelter: {{row cover: 0.8, until: {year}-04-10}}}}",
        ).replace("tape: thin\n", f"tape: thin\n    tape_laid: {year}-02-20\n")

    assert in_years(load_text(text(2015)), -3).zones == load_text(text(2012)).zones
    leap = garden("crop: lettuce, planted: 2016-02-29, pulled: 2016-05-01")
    assert in_years(leap, -1).zones[0].plantings[0].planted == date(2015, 2, 28)


def test_which_years() -> None:
    season = season_of(garden("crop: lettuce, planted: 2015-04-20, pulled: 2015-06-28"))
    assert years_asked(None, season, WEATHER) == [2012, 2013, 2014, 2015]
    assert years_asked("2", season, WEATHER) == [2014, 2015]
    assert years_asked("2013-2014,2012", season, WEATHER) == [2012, 2013, 2014]
    assert years_asked("1", season, WEATHER) == [2015]
    assert years_asked("6", season, WEATHER) == [2010, 2011, 2012, 2013, 2014, 2015]  # two are to be left out
    for wrong in ("last", "2014-2012", "0", "12000", ""):
        with pytest.raises(BadInput, match="--years"):
            years_asked(wrong, season, WEATHER)
    autumn = season_of(garden("crop: garlic, planted: 2014-10-15, pulled: 2015-07-20"))
    assert years_asked(None, autumn, WEATHER) == [2013, 2014, 2015]  # the first begins before the record


def test_a_year_with_gaps_is_left_out_by_name() -> None:
    season = season_of(garden("crop: lettuce, planted: 2015-04-20, pulled: 2015-06-28"))  # 69 days
    rain, tmin = WEATHER.rain_mm.copy(), WEATHER.tmin_c.copy()
    at = (date(2014, 4, 20) - WEATHER.first).days
    rain[at : at + 7] = np.nan
    tmin[(date(2013, 5, 1) - WEATHER.first).days] = np.nan
    spoilt = replace(WEATHER, rain_mm=rain, tmin_c=tmin)
    kept, left = sorted_out([2011, 2012, 2013, 2014, 2015], season, spoilt, 0.10)
    assert kept == [2012, 2013, 2015]
    assert [(one.year, one.why.split(",")[0]) for one in left] == [
        (2011, "the season begins before the weather"),
        (2014, "rain missing on 7 of 69 days"),
    ]
    assert sorted_out([2013, 2014], season, spoilt, 0.0)[0] == []
    assert sorted_out([2013, 2014], season, spoilt, 0.11)[0] == [2013, 2014]
