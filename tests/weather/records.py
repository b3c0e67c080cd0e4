"""The real records of this folder as the program's daily weather file; sources and licences in README.md.

Names: "fallon", "seattle", "de_bilt", "holyoke", "davis" (daily), "greensboro" (hourly, made daily here).
Values are handed on as the source printed them, bad ones included; a blank cell stays blank.
"""

from __future__ import annotations

import csv
import gzip
from calendar import isleap
from datetime import date
from itertools import groupby
from pathlib import Path
from statistics import fmean
from typing import NamedTuple

FOLDER = Path(__file__).parent

FILES = {
    "fallon": "fallon_nv_daily_2015.csv",
    "seattle": "seattle_wa_daily_2012_2015.csv",
    "de_bilt": "de_bilt_nl_daily_2000_on.csv.gz",
    "holyoke": "holyoke_co_daily_2020.csv",
    "greensboro": "greensboro_nc_hourly_tmy3.csv.gz",
    "davis": "davis_ca_daily_1994_2018.csv.gz",
}
NAMES = tuple(FILES)

SAME_NAME = (
    "date", "tmin_c", "tmax_c", "tdew_c", "rh_mean_pct", "rh_min_pct", "rh_max_pct", "solar_mj_m2", "rain_mm",
)  # fmt: skip
WIND_COLUMNS = {  # column of a record -> height in m
    "wind_m_s_at_2m": "2",
    "wind_m_s_at_3m": "3",
    "wind_m_s_at_10m": "10",
    "wind_m_s_height_unstated": "10",  # assumed: the source does not say
}

Rows = list[dict[str, str]]


class Site(NamedTuple):
    """Where a record was measured; `timezone` is the zone whose midnight ends its days (IANA name)."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str


def daily_rows(name: str, *, nominal_year: int | None = None) -> Rows:
    """One record in the columns of the daily weather file, one row a day, values as text.

    Greensboro is a typical year: each month was measured in another year (January 1988, February 1996, ...),
    so its dates as they stand are neither continuous nor in order. `nominal_year` (only for that record) is
    the usual typical-year convention: keep month and day, write that year over all of them. The result is a
    continuous year of real days, with a break in the weather at each month's end. It has 365 days, so the
    nominal year must not be a leap year.
    """
    if name == "greensboro":
        return _renumbered(_days_of_hours(source_rows(name)), nominal_year)
    if nominal_year is not None:
        raise ValueError(f"{name} is a record of real years, only greensboro can be renumbered")
    return [_daily(row) for row in source_rows(name)]


def write_daily_csv(name: str, path: Path, *, nominal_year: int | None = None) -> Path:
    """Write `daily_rows` as a daily weather file, header first; gives the path back."""
    rows = daily_rows(name, nominal_year=nominal_year)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def site(name: str) -> Site:
    """Position of a record, from stations.csv."""
    with (FOLDER / "stations.csv").open(newline="", encoding="utf-8") as file:
        station = next(row for row in csv.DictReader(file) if row["file"] == FILES[name])
    return Site(
        float(station["latitude_deg"]),
        float(station["longitude_deg"]),
        float(station["elevation_m"]),
        station["timezone"],
    )


def station_eto(name: str) -> dict[str, float]:
    """Grass reference ET that the network itself published, mm/d: ISO date -> value, blanks left out.

    Only fallon, holyoke and davis have it, Davis by an hourly formula of its own (De Bilt's Makkink column
    is another formula).
    """
    rows = source_rows(name)
    if "station_eto_mm" not in rows[0]:
        raise ValueError(f"{name} publishes no FAO-56 reference ET")
    return {row["date"]: float(row["station_eto_mm"]) for row in rows if row["station_eto_mm"]}


def source_rows(name: str) -> Rows:
    """The record's own rows and columns."""
    path = FOLDER / FILES[name]
    content = path.read_bytes()
    text = (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8")
    return list(csv.DictReader(text.splitlines()))


def _daily(row: dict[str, str]) -> dict[str, str]:
    day = {column: row[column] for column in SAME_NAME if column in row}
    wind = next(column for column in WIND_COLUMNS if column in row)
    return day | {"wind_m_s": row[wind], "wind_height_m": WIND_COLUMNS[wind]}


def _days_of_hours(hours: Rows) -> Rows:
    """Days of 24 hours: extremes of temperature, means of dew point and wind, sums of solar and rain."""
    days = []
    for day, group in groupby(hours, key=lambda row: row["date"]):
        of_day = list(group)
        if len(of_day) != 24:
            raise ValueError(f"{day} has {len(of_day)} hours, 24 are expected")
        values = {
            column: [float(hour[column]) for hour in of_day]
            for column in ("temp_c", "tdew_c", "wind_m_s_at_10m", "solar_mj_m2", "rain_mm")
        }
        days.append(
            {
                "date": day,
                "tmin_c": f"{min(values['temp_c'])}",
                "tmax_c": f"{max(values['temp_c'])}",
                "tdew_c": f"{fmean(values['tdew_c']):.4f}",
                "solar_mj_m2": f"{sum(values['solar_mj_m2']):.4f}",
                "rain_mm": f"{sum(values['rain_mm']):.1f}",
                "wind_m_s": f"{fmean(values['wind_m_s_at_10m']):.4f}",
                "wind_height_m": "10",
            }
        )
    return days


def _renumbered(days: Rows, year: int | None) -> Rows:
    if year is None:
        return days
    if isleap(year):
        raise ValueError(f"{year} is a leap year, the typical year has 365 days")
    return [day | {"date": date.fromisoformat(day["date"]).replace(year=year).isoformat()} for day in days]
