"""The grower's way: past years put on record by `history`, then studied without a weather file."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path

import pytest
from cli.conftest import Clock, Grower
from weather_sources.replay import Answer
from weather_sources.sky import Sky

TODAY = "2015-07-03T07:00"
FIELDS = (
    "tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "wind_m_s", "wind_height_m",
    "solar_mj_m2", "rain_mm",
)  # fmt: skip
GARDEN = """\
garden: Creekside plot
location: {latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}
display: us
supply: {flow: FLOW, pressure: 12 psi, hours: {from: "04:00", until: "08:00"}}
tapes: {thin: {flow: 0.40 gpm/100ft, rated_at: 12 psi}}
zones:
  beans:
    rows: {count: 8, length: 80 ft, spacing: 3 ft}
    tape: thin
    soil: sandy loam
    plantings:
      - {crop: bush bean, planted: YEAR-06-10, by: seed, pulled: YEAR-08-05}
  lettuce:
    rows: {count: 6, length: 60 ft, spacing: 18 in}
    tape: thin
    soil: sandy loam
    starting_deficit: 6 mm
    plantings:
      - {crop: lettuce, planted: YEAR-06-05, pulled: YEAR-07-20}
"""
VARY = ("--vary", "supply.flow=1,6gpm")


def text_of(flow: str = "6 gpm", year: int = 2015) -> str:
    return GARDEN.replace("FLOW", flow).replace("YEAR", str(year))


@pytest.fixture
def shed(grower: Grower, clock: Clock, sky: Sky) -> Grower:
    """A garden without a weather file, under years that differ: 2013 hot and dry, 2012 wet."""
    (grower.folder / "weather.csv").unlink()
    grower.garden.write_text(text_of())
    clock(TODAY)
    sky.warmer_c, sky.rain_mm_h = {2013: 6.0, 2011: 2.0}, {2013: 0.0, 2012: 0.25, 2011: 0.02}
    return grower


def record_as_csv(grower: Grower, path: Path) -> None:
    """What is on record, value by value, as a daily weather file."""
    with sqlite3.connect(grower.data / "rowwater.db") as database:
        found = database.execute("SELECT day, field, value FROM weather_values").fetchall()
    days: dict[str, dict[str, float]] = defaultdict(dict)
    for day, name, value in found:
        days[day][name] = value
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, ["date", *FIELDS], extrasaction="ignore")
        writer.writeheader()
        writer.writerows({"date": day, **days[day]} for day in sorted(days))


def rows_of(text: str) -> dict[tuple[str, int], dict[str, str]]:
    return {(row["variant"], int(row["year"])): row for row in csv.DictReader(io.StringIO(text))}


def test_years_fetched_are_studied_as_season_has_them(shed: Grower) -> None:
    assert shed("history", "--years", "4").status == 0
    said = shed("study", "--years", "2011-2014", *VARY, "--csv")
    assert said.status == 0, said.err
    rows = rows_of(said.out)
    assert len(rows) == 3 * 4
    assert len({row["liters"] for row in rows.values()}) > 4, "the years differ"
    record_as_csv(shed, shed.folder / "record.csv")
    for flow in ("1 gpm", "6 gpm"):
        for year in (2011, 2013, 2014):
            (shed.folder / "alone.yaml").write_text(text_of(flow, year))
            span = ("--from", f"{year}-06-05", "--to", f"{year}-08-04")
            alone = shed("season", "--config", "alone.yaml", "--weather", "record.csv", *span, "--json").json
            row, zones = rows[f"supply.flow={flow.replace(' ', '')}", year], alone["zones"].values()
            assert float(row["liters"]) == pytest.approx(sum(zone["liters"] for zone in zones), abs=1e-9)
            assert int(row["stress_days"]) == sum(zone["stress_days"] for zone in zones)
            assert int(row["short_days"]) == sum(zone["short_days"] for zone in zones)
    by_file = shed("study", "--weather", "record.csv", "--years", "2011-2014", *VARY, "--csv")
    assert by_file.out == said.out


def test_years_with_gaps_on_record_are_left_out_by_name(shed: Grower, sky: Sky) -> None:
    """More than a tenth of the 61 days in 2012, fewer in 2014; 2013 has nothing at all."""
    sky.null_days = {date(2012, 7, 1) + timedelta(days=n) for n in range(7)}
    sky.null_days |= {date(2014, 7, 1) + timedelta(days=n) for n in range(5)}
    sky.null_days |= {date(2013, 1, 1) + timedelta(days=n) for n in range(365)}
    assert shed("history", "--years", "4").status == 3
    said = shed("study", "--json")
    assert said.status == 3
    (garden,) = said.json["gardens"]
    assert garden["years"] == [2011, 2014]
    assert garden["left_out"] == [
        {"year": 2012, "why": "temperatures missing on 7 of 61 days, more than 10 %"},
        {"year": 2013, "why": "temperatures missing on 61 of 61 days, more than 10 %"},
    ]
    assert shed("study", "--gaps", "12%", "--json").json["gardens"][0]["years"] == [2011, 2012, 2014]


def test_a_history_that_broke_off_names_the_years_it_lacks(shed: Grower, sky: Sky) -> None:
    """Two of six years are on record: the study runs those, names the others, and says how they come."""
    sky.refuse_from, sky.refusal = 2, Answer(400, json.dumps({"error": True, "reason": "no"}))
    assert shed("history", "--years", "6").status == 1
    for asked in ("2009-2014", "6"):
        said = shed("study", "--years", asked)
        assert said.status == 3
        assert "1 variant x 2 years (2013, 2014)" in said.out
        assert "2009 to 2012: the season begins before the weather, 2013-01-01" in said.out
        assert "`rowwater history --years 6` fetches what the record lacks" in said.err
    this_year = shed("study", "--years", "2014-2015")
    assert "2015: the season ends after the weather, 2014-12-31" in this_year.out
    assert "rowwater history" not in this_year.err
    sky.refuse_from = None
    assert shed("history", "--years", "6").status == 0
    whole = shed("study", "--years", "6", "--json")
    assert whole.status == 0
    assert whole.json["gardens"][0]["years"] == [2009, 2010, 2011, 2012, 2013, 2014]


def test_without_anything_on_record_it_says_how_years_come(shed: Grower) -> None:
    said = shed("study")
    assert said.status == 2
    assert "no weather is on record" in said.err
    assert "`rowwater history --years 30` fetches past years" in said.err


def test_what_is_finished_stays_so_as_the_record_grows(shed: Grower, sky: Sky, clock: Clock) -> None:
    """A study that was broken off yesterday goes on today, though a day was added to the record."""
    shed("history", "--years", "2")
    whole = shed("study", "--years", "2013-2014", *VARY, "--json")
    kept = shed.data / "study.db"
    with sqlite3.connect(kept) as store:
        keys = store.execute("SELECT key FROM season ORDER BY key").fetchall()
    lines = ["date,tmin_c,tmax_c,rain_mm", *(f"2015-07-0{day},12,27,0" for day in (1, 2, 3))]
    (shed.folder / "july.csv").write_text("\n".join(lines) + "\n")
    clock("2015-07-04T07:00")
    assert shed("history", "--file", "july.csv", "--json").json["added"] > 0
    assert shed("study", "--years", "2013-2014", *VARY, "--json").out == whole.out
    with sqlite3.connect(kept) as store:
        assert store.execute("SELECT key FROM season ORDER BY key").fetchall() == keys
    assert len(keys) == 2 * 2  # "6gpm" is the garden as it is
    sky.warmer_c[2012] = 3.0
    shed("history", "--years", "3")  # an earlier year: stages by warmth go by it
    shed("study", "--years", "2013-2014", *VARY)
    with sqlite3.connect(kept) as store:
        assert store.execute("SELECT count(*) FROM season").fetchone() == (8,)
