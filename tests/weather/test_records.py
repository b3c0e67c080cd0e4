"""The records as the other tests get them: against the source files and the networks' published totals."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from math import exp
from pathlib import Path
from statistics import fmean, pstdev

import pytest
import refet
from weather import records

DAILY_FILE_COLUMNS = {
    "date", "tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct",
    "wind_m_s", "wind_height_m", "solar_mj_m2", "sunshine_h", "rain_mm",
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "first", "days"),
    [
        ("fallon", "2015-01-01", 365), ("seattle", "2012-01-01", 1461),
        ("de_bilt", "2000-01-01", 7305), ("holyoke", "2020-01-01", 366),
    ],
)  # fmt: skip
def test_daily_records_are_gapless_and_keep_every_value(name, first, days):
    rows, source = records.daily_rows(name), records.source_rows(name)
    begin = date.fromisoformat(first)
    assert [row["date"] for row in rows] == [(begin + timedelta(days=i)).isoformat() for i in range(days)]
    assert set(rows[0]) <= DAILY_FILE_COLUMNS
    for row, own in zip(rows, source, strict=True):
        assert {column: own[column] for column in row if column in own}.items() <= row.items()
        assert row["wind_m_s"] in [value for column, value in own.items() if column.startswith("wind_")]


def test_a_missing_value_stays_blank():
    blank = [row["date"] for row in records.daily_rows("fallon") if row["wind_m_s"] == ""]
    assert blank == ["2015-04-22"]


def test_greensboro_days_are_made_of_their_24_hours():
    """Totals of the hourly file, counted apart from the day by day sums."""
    hours, days = records.source_rows("greensboro"), records.daily_rows("greensboro")
    assert len(days) == 365
    for daily, hourly in (("solar_mj_m2", "solar_mj_m2"), ("rain_mm", "rain_mm")):
        total = sum(float(hour[hourly]) for hour in hours)
        assert sum(float(day[daily]) for day in days) == pytest.approx(total, abs=0.05)
    for daily, hourly in (("tdew_c", "tdew_c"), ("wind_m_s", "wind_m_s_at_10m")):
        mean = sum(float(hour[hourly]) for hour in hours) / 8760
        assert sum(float(day[daily]) for day in days) / 365 == pytest.approx(mean, abs=1e-4)
    july = [float(hour["temp_c"]) for hour in hours if hour["date"] == "1981-07-15"]
    day = next(day for day in days if day["date"] == "1981-07-15")
    assert (float(day["tmin_c"]), float(day["tmax_c"])) == (min(july), max(july))


def test_greensboro_in_one_nominal_year_is_continuous():
    rows = records.daily_rows("greensboro", nominal_year=2015)
    begin = date(2015, 1, 1)
    assert [row["date"] for row in rows] == [(begin + timedelta(days=i)).isoformat() for i in range(365)]
    as_measured = records.daily_rows("greensboro")
    assert as_measured[31]["date"] == "1996-02-01"
    assert rows[31] == as_measured[31] | {"date": "2015-02-01"}
    with pytest.raises(ValueError, match="leap"):
        records.daily_rows("greensboro", nominal_year=2016)
    with pytest.raises(ValueError, match="real years"):
        records.daily_rows("fallon", nominal_year=2015)


def reference_et0(name: str) -> dict[str, float]:
    """Grass reference ET of a record by the refet library, mm/d; days without wind left out."""
    latitude, _, elevation_m, _ = records.site(name)
    eto = {}
    for row in records.daily_rows(name):
        value = {column: float(text) for column, text in row.items() if column != "date" and text}
        if "wind_m_s" not in value:
            continue
        low, high = (0.6108 * exp(17.27 * t / (t + 237.3)) for t in (value["tmin_c"], value["tmax_c"]))
        if "tdew_c" in value:  # FAO-56 eq 14
            ea = 0.6108 * exp(17.27 * value["tdew_c"] / (value["tdew_c"] + 237.3))
        else:  # FAO-56 eq 17
            ea = (low * min(value["rh_max_pct"], 100) + high * value["rh_min_pct"]) / 200
        day = refet.Daily(
            tmin=value["tmin_c"], tmax=value["tmax_c"], ea=ea, rs=value["solar_mj_m2"], uz=value["wind_m_s"],
            zw=value["wind_height_m"], elev=elevation_m, lat=latitude,
            doy=date.fromisoformat(row["date"]).timetuple().tm_yday, method="asce",
        )  # fmt: skip
        eto[row["date"]] = float(day.eto()[0])
    return eto


@pytest.mark.parametrize(
    ("name", "days", "mean", "spread"), [("fallon", 364, 0.02, 0.1), ("holyoke", 366, 0.02, 0.1)]
)
def test_rows_and_site_give_the_reference_et_that_the_network_published(name, days, mean, spread):
    """A wrong wind height, elevation, latitude or unit would part the two; the library is refet."""
    computed, network = reference_et0(name), records.station_eto(name)
    gaps = [computed[day] - network[day] for day in computed]
    assert len(gaps) == days
    assert abs(fmean(gaps)) < mean
    assert pstdev(gaps) < spread


def test_only_two_networks_publish_a_reference_et():
    for name in ("de_bilt", "seattle", "greensboro"):
        with pytest.raises(ValueError, match="publishes no"):
            records.station_eto(name)


@pytest.mark.parametrize("name", records.NAMES)
def test_sites_and_written_files(name, tmp_path):
    latitude, longitude, elevation_m, timezone = records.site(name)
    assert 30 < latitude < 60
    assert -130 < longitude < 10
    assert 0 < elevation_m < 1500
    assert "/" in timezone or timezone == "UTC"
    path = records.write_daily_csv(name, tmp_path / f"{name}.csv")
    with path.open(newline="", encoding="utf-8") as file:
        assert list(csv.DictReader(file)) == records.daily_rows(name)


def test_the_example_garden_runs_on_the_seattle_record_unchanged():
    path = Path(__file__).resolve().parents[2] / "examples" / "creekside" / "weather.csv"
    with path.open(newline="", encoding="utf-8") as file:
        assert list(csv.DictReader(file)) == records.daily_rows("seattle")
