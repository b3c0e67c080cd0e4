"""Station files through a column map, daily and within the day.

Unit factors: NIST SP 811 (inch, mile, knot, degree Fahrenheit) and, as a second opinion, the refet library.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import refet.units

from scheduler.errors import BadInput
from scheduler.weather import quantities
from scheduler.weather.files import daily as daily_file
from scheduler.weather.files import station as station_file
from scheduler.weather.files import table

NEW_YORK = ZoneInfo("America/New_York")
DUTCH = {
    "tmin_c": "T min", "tmax_c": "T max", "rh_mean_pct": "RH gem", "wind_km_h": "Wind km/u",
    "solar_wh_m2": "Straling Wh/m2", "rain_mm": "Neerslag mm",
}  # fmt: skip
QUARTER = {
    "temp_f": "Outdoor Temperature (F)", "rh_pct": "Outdoor Humidity (%)", "wind_mph": "Wind Speed (mph)",
    "solar_w_m2": "Solar Radiation (W/m^2)", "rain_day_in": "Daily Rain (in)",
}  # fmt: skip


def read(
    text: str | Path,
    columns: Mapping[str, str],
    *,
    zone: ZoneInfo = NEW_YORK,
    now: datetime | None = None,
    **more: Any,
) -> station_file.StationDays:
    name = None if isinstance(text, Path) else "s.csv"
    return station_file.read(text, {"columns": columns, **more}, zone=zone, name=name, now=now)


def refused(text: str, columns: Mapping[str, str], **more: Any) -> str:
    with pytest.raises(BadInput) as caught:
        read(text, columns, **more)
    return caught.value.text


# --- units ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value", "si"),
    [
        ("tmax_f", 212, 100), ("tmax_f", 32, 0), ("tmin_f", -40, -40), ("tdew_c", 7, 7),
        ("rh_fraction", 0.45, 45), ("rh_min_pct", 45, 45),
        ("wind_mph", 1, 0.44704), ("wind_km_h", 3.6, 1), ("wind_kmh", 36, 10), ("wind_m_s", 2, 2),
        ("wind_knots", 1, 0.514444), ("wind_kn", 1, 0.514444),
        ("wind_km_day", 86.4, 1), ("wind_mile_day", 24, 0.44704),
        ("rain_in", 1, 25.4), ("rain_cm", 1, 10), ("rain_mm", 4, 4), ("rain_day_in", 2, 50.8),
        ("solar_mj_m2", 20, 20), ("solar_wh_m2", 1000, 3.6), ("sunshine_min", 90, 1.5),
        ("wind_height_ft", 10, 3.048),
    ],
)  # fmt: skip
def test_units_by_sp_811(key: str, value: float, si: float) -> None:
    _, _, unit = quantities.parse_key(key)
    assert unit.si(value) == pytest.approx(si, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("key", "variable", "unit"),
    [("tmax_f", "tmax", "F"), ("solar_langley", "rs", "langleys"), ("wind_mph", "uz", "mph")],
)
def test_units_by_another_library(key: str, variable: str, unit: str) -> None:
    values = np.array([0.0, 12.5, 71.0])
    ours = [quantities.parse_key(key)[2].si(v) for v in values]
    assert ours == pytest.approx(refet.units.convert(values.copy(), variable, unit), abs=1e-12)


def test_daily_mean_power_is_a_day_of_it() -> None:
    found = read("date,Sun\n2026-06-01,250\n2026-06-02,100\n", {"solar_w_m2": "Sun"})
    expected = refet.units.convert(np.array([250.0, 100.0]), "rs", "w m-2", "daily")
    assert [f["solar_mj_m2"] for f in found.days.values()] == pytest.approx(list(expected))


@pytest.mark.parametrize(
    ("key", "told"),
    [
        ("tmax", '"tmax" has no unit known here - one of tmax_c, tmax_f'),
        ("rain_furlong", '"rain_furlong" has no unit known here - one of rain_mm, rain_cm, rain_in'),
        ("tmx_f", 'did you mean "tmax_f"?'),
        ("lux", '"lux" is not a weather column'),
    ],
)
def test_column_keys(key: str, told: str) -> None:
    assert any(told in complaint for complaint in station_file.check({"columns": {key: "High"}}))


def test_settings_are_checked_all_at_once() -> None:
    complaints = station_file.check(
        {
            "columns": {"rain_in": "a", "rain_mm": "b"}, "decimal": "x", "wind_height": "high",
            "encoding": "utf-99", "time_zone": "Mars", "label": "middle", "delimiter": "ab",
        }
    )  # fmt: skip
    assert len(complaints) == 7
    assert station_file.check({"columns": {"rain_in": "a"}, "delimiter": "tab", "wind_height": "6 ft"}) == []
    assert station_file.check({}) != []


# --- daily files ---------------------------------------------------------------------------------


def test_decimal_comma_sample(samples: Path) -> None:
    path = samples / "station_daily_decimal_comma.csv"
    found = read(path, DUTCH, date_format="%d-%m-%Y", wind_height=10.0)
    assert list(found.days) == [date(2026, 6, 1) + timedelta(days=n) for n in range(12)]
    assert found.days[date(2026, 6, 4)] == {
        "tmin_c": 17.8, "tmax_c": 25.8, "rh_mean_pct": 87.0, "wind_m_s": pytest.approx(2.0),
        "wind_height_m": 10.0, "solar_mj_m2": pytest.approx(3.884 * 3.6), "rain_mm": 17.5,
    }  # fmt: skip
    assert found.notices == ()


def test_day_and_month_are_never_guessed(samples: Path) -> None:
    path = samples / "station_daily_decimal_comma.csv"
    with pytest.raises(BadInput, match='cannot tell day from month in "01-06-2026"'):
        read(path, DUTCH)
    proved = path.read_text(encoding="utf-8") + "13-06-2026;1,5;2,5;50;1,0;1000;0,0\n"
    assert max(read(proved, DUTCH).days) == date(2026, 6, 13)
    both = proved + "06-14-2026;1,5;2,5;50;1,0;1000;0,0\n"
    assert "cannot tell day from month" in refused(both, DUTCH)


@pytest.mark.parametrize(
    ("texts", "settings"),
    [
        (["2026-06-01", "2026-06-02"], {}),
        (["2026/6/1", "2026/6/2"], {}),
        (["01.06.2026", "02.06.2026"], {"date_format": "%d.%m.%Y"}),
        (["6/1/26", "6/2/26"], {"date_format": "%m/%d/%y"}),
        (["1 Jun 2026", "2 Jun 2026"], {"date_format": "%d %b %Y"}),
        (["1780286400", "1780372800"], {}),  # 2026-06-01 and 02, 04:00 UTC: local midnight
        (["2026-06-01 00:00", "2026-06-02 00:00"], {}),
        (["2026-06-01T04:00Z", "2026-06-02T04:00Z"], {}),
        (["2026-06-01T00:00:00-04:00", "2026-06-02T00:00:00-0400"], {}),
    ],
)
def test_date_spellings(texts: Sequence[str], settings: dict[str, str]) -> None:
    text = "When,High\n" + "".join(f"{t},{20 + i}\n" for i, t in enumerate(texts))
    assert {d: f["tmax_c"] for d, f in read(text, {"tmax_c": "High"}, **settings).days.items()} == {
        date(2026, 6, 1): 20.0,
        date(2026, 6, 2): 21.0,
    }


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        (["1/6/26"], "which number is the year"),
        (["June 1"], "is not a date known here; say its date_format"),
        (["2026-06-01", "x", "y", "z"], '"x" is not a date like the others'),
    ],
)
def test_dates_that_cannot_be_read(texts: Sequence[str], told: str) -> None:
    assert told in refused("When,High\n" + "".join(f"{t},20\n" for t in texts), {"tmax_c": "High"})


@pytest.mark.parametrize(
    ("cells", "settings", "value"),
    [
        ("20,5;1,25", {}, 20.5),
        ("20.5;1.25", {}, 20.5),
        ("20,125;1,250", {"decimal": ","}, 20.125),
        ("20,125;1,250", {}, None),
        ("1,020.5;3.5", {}, None),
        ("1.020,5;3.5", {}, None),
    ],
)
def test_decimal_mark(cells: str, settings: dict[str, str], value: float | None) -> None:
    text, names = f"date;High;Rain\n2026-06-01;{cells}\n", {"tmax_c": "High", "rain_mm": "Rain"}
    if value is None:
        assert "decimal: cannot tell" in refused(text, names, **settings)
    else:
        assert read(text, names, **settings).days[date(2026, 6, 1)]["tmax_c"] == value


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiter_and_header_are_found(delimiter: str) -> None:
    body = "date,High,Low\n2026-06-01,20,10\n".replace(",", delimiter)
    text = "My station, north field; since 2019\n\n" + body
    found = read(text, {"tmax_c": "high", "tmin_c": "Low"})
    assert found.days == {date(2026, 6, 1): {"tmax_c": 20.0, "tmin_c": 10.0}}


def test_missing_marks_of_the_settings() -> None:
    text = "date,High,Low\n2026-06-01,offline,10\n2026-06-02,20,-40\n2026-06-03,--,5\n"
    found = read(text, {"tmax_c": "High", "tmin_c": "Low"}, missing=["Offline", -40])
    assert [sorted(f) for f in found.days.values()] == [["tmin_c"], ["tmax_c"], ["tmin_c"]]
    assert found.notices == ()


def test_other_encoding() -> None:
    data = "date,Höchst\n2026-06-01,20\n".encode("latin-1")
    settings = {"columns": {"tmax_c": "Höchst"}}
    with pytest.raises(BadInput, match="not UTF-8 text"):
        station_file.read(data, settings, zone=NEW_YORK)
    found = station_file.read(data, {**settings, "encoding": "latin-1"}, zone=NEW_YORK)
    assert found.days[date(2026, 6, 1)] == {"tmax_c": 20.0}


def test_column_that_is_not_there() -> None:
    told = refused("date,High,Low\n2026-06-01,1,2\n", {"tmax_c": "Hihg", "tmin_c": "Low", "rain_in": "Rain"})
    assert told.splitlines() == [
        's.csv: columns.tmax_c: no column "Hihg" - did you mean "High"?',
        's.csv: columns.rain_in: no column "Rain"; it has date, High, Low',
    ]
    assert "its header seems to be: date,High" in refused("date,High\n2026-06-01,1\n", {"tmax_c": "Max"})


def test_one_bad_cell_is_set_aside_many_refuse() -> None:
    rows = [f"2026-06-{d:02d},{60 + d}" for d in range(1, 29)]
    one = "date,High\n" + "\n".join([*rows, "2026-06-29,Err"]) + "\n"
    found = read(one, {"tmax_f": "High"})
    assert len(found.days) == 28
    assert found.notices == ('s.csv:30: High: "Err" is not a possible tmax_f: 1 cell counted as missing',)
    assert "are unit and decimal mark right?" in refused(one, {"tmax_c": "High"})  # 61..88 are no degrees C


def test_same_row_twice_and_two_different_ones() -> None:
    text = "date,High\n2026-06-01,20\n2026-06-01,20\n"
    assert read(text, {"tmax_c": "High"}).notices == ("s.csv: 1 row there twice, counted once",)
    told = refused(text + "2026-06-01,21\n", {"tmax_c": "High"})
    assert told.startswith("s.csv:4: date: 2026-06-01 is also on line 2, but different")


def test_half_a_last_line() -> None:
    found = read("date,High,Low\n2026-06-01,20,10\n2026-06-02,2", {"tmax_c": "High", "tmin_c": "Low"})
    assert list(found.days) == [date(2026, 6, 1)]
    assert found.notices == ("s.csv:3: the last line breaks off: set aside",)


# --- rows within the day -------------------------------------------------------------------------


def test_quarter_hours_sample_by_hand(samples: Path) -> None:
    """The expected values are worked out here straight from the file's rows."""
    path = samples / "station_15min_us_units.csv"
    found = read(path, QUARTER)
    lines = path.read_text(encoding="utf-8").splitlines()[1:]
    rows = [r for r in csv.DictReader(lines) if r["Time"].startswith("06/13/2026")]
    temperature = [(float(r[QUARTER["temp_f"]]) - 32) / 1.8 for r in rows if r[QUARTER["temp_f"]] != "---"]
    humidity = [float(r[QUARTER["rh_pct"]]) for r in rows if r[QUARTER["rh_pct"]]]
    wind = [float(r[QUARTER["wind_mph"]]) * 0.44704 for r in rows]
    sun = [float(r[QUARTER["solar_w_m2"]] or "nan") for r in rows]
    fields = found.days[date(2026, 6, 13)]
    assert fields["tmin_c"] == pytest.approx(min(temperature))
    assert fields["tmax_c"] == pytest.approx(max(temperature))
    assert fields["rh_mean_pct"] == pytest.approx(sum(humidity) / len(humidity))
    assert fields["wind_m_s"] == pytest.approx(sum(wind) / len(wind))
    assert fields["rain_mm"] == pytest.approx(0.30 * 25.4)
    blank = (440 + 440) / 2  # W/m2: 14:30 is missing between two like rows
    assert fields["solar_mj_m2"] == pytest.approx(900e-6 * (np.nansum(sun) + blank))
    assert found.notices == ("station_15min_us_units.csv: some rows missing on 2026-06-12",)


def test_missing_hour_is_bridged(samples: Path) -> None:
    """12 June lacks 09:00 to 09:45: its sun is taken between its neighbours 200 and 545 W/m2."""
    found = read(samples / "station_15min_us_units.csv", {"solar_w_m2": QUARTER["solar_w_m2"]})
    lines = (samples / "station_15min_us_units.csv").read_text(encoding="utf-8").splitlines()[1:]
    rows = [r for r in csv.DictReader(lines) if r["Time"].startswith("06/12/2026")]
    known = 900e-6 * sum(float(r[QUARTER["solar_w_m2"]] or 790) for r in rows)
    hole = 900e-6 * sum(200 + 345 * n / 5 for n in range(1, 5))
    assert found.days[date(2026, 6, 12)]["solar_mj_m2"] == pytest.approx(known + hole, rel=1e-3)


def stamped(start: datetime, values: Sequence[object], minutes: int = 60, title: str = "Rain") -> str:
    rows = (f"{start + timedelta(minutes=minutes * i):%Y-%m-%d %H:%M},{v}" for i, v in enumerate(values))
    return f"Time,{title}\n" + "\n".join(rows) + "\n"


def test_a_thin_day_has_no_values_not_partial_ones() -> None:
    full = [1.0] * 25
    found = read(stamped(datetime(2026, 6, 1, 0), full + [1.0] * 16), {"rain_mm": "Rain"})
    assert found.days == {date(2026, 6, 1): {"rain_mm": 24.0}}
    assert found.notices == ("s.csv: less than 75 % of the rows on 2026-06-02: counted as missing",)
    temperature = read(stamped(datetime(2026, 6, 1, 0), full + [1.0] * 16), {"temp_c": "Rain"})
    assert list(temperature.days) == [date(2026, 6, 1)]


def test_label_says_whose_step_it_is() -> None:
    """Rain in the row stamped 00:00 fell before midnight where stamps end their step, after it otherwise."""
    values = [0.0] * 24 + [5.0] + [0.0] * 24
    text = stamped(datetime(2026, 6, 1, 0), values)
    end = read(text, {"rain_mm": "Rain"})
    start = read(text, {"rain_mm": "Rain"}, label="start")
    assert [f["rain_mm"] for f in end.days.values()] == [5.0, 0.0]
    assert [f["rain_mm"] for f in start.days.values()] == [0.0, 5.0]


@pytest.mark.parametrize(
    ("counter", "rain"),
    [
        ([0.0] * 12 + [0.1] * 6 + [0.4] * 6, 0.4),
        ([0.7] + [0.0] * 11 + [0.1] * 12, 0.1),  # yesterday's total still stands at midnight
        ([0.7] * 2 + [0.0] * 10 + [0.1] * 12, 0.1),  # a counter in standard time starts anew an hour late
        ([0.0] * 6 + [0.3] * 6 + [0.0] * 6 + [0.2] * 6, 0.5),  # a battery change at noon
        ([0.0] * 6 + [0.3] * 6 + [0.0] + [0.3] * 11, 0.3),  # one slip is no restart
        ([0.0] * 6 + [0.3] * 6 + ["---"] + [0.3] * 11, 0.3),
    ],
)
def test_running_total_of_the_day(counter: list[object], rain: float) -> None:
    before = [0.7 if counter[0] == 0.7 else 0.0] * 24
    text = stamped(datetime(2026, 6, 1, 0), [*before, *counter, 0.0])
    found = read(text, {"rain_day_in": "Rain"})
    assert found.days[date(2026, 6, 2)]["rain_mm"] == pytest.approx(rain * 25.4)


def test_counter_that_never_starts_anew() -> None:
    text = stamped(datetime(2026, 6, 1, 0), [100.0 + 0.5 * i for i in range(49)])
    assert [f["rain_mm"] for f in read(text, {"rain_total_mm": "Rain"}).days.values()] == [12.0, 12.0]


@pytest.mark.parametrize(("key", "rain"), [("rain_day_mm", 9.0), ("rain_total_mm", 3.0)])
def test_counter_silent_over_midnight(key: str, rain: float) -> None:
    """3 mm stand at 22:00, 9 mm at 02:00. A counter of the day shows 9 mm of the new day; of another the
    6 mm between are shared out by time."""
    before = [3.0] * 23
    after = [9.0] * 23
    text = stamped(datetime(2026, 6, 1, 0), [*before, "", "", "", *after])
    assert read(text, {key: "Rain"}).days[date(2026, 6, 2)]["rain_mm"] == pytest.approx(rain)


def test_newest_row_first_through_the_repeated_hour() -> None:
    """A counter rising by 1 mm every half hour through the 25 hours of 1 November 2026, last row on top."""
    walls = [datetime(2026, 10, 31, h, m) for h in range(24) for m in (0, 30)]
    walls += [datetime(2026, 11, 1, h, m) for h in (0, 1, 1, *range(2, 24)) for m in (0, 30)]
    walls.append(datetime(2026, 11, 2))
    rows = [f"{w:%Y-%m-%d %H:%M},{i}" for i, w in enumerate(walls)]
    text = "Time,Rain\n" + "\n".join(reversed(rows)) + "\n"
    assert read(text, {"rain_total_mm": "Rain"}).days[date(2026, 11, 1)]["rain_mm"] == 50


def test_counter_needs_rows_within_the_day() -> None:
    told = refused("date,Rain\n2026-06-01,1\n2026-06-02,2\n", {"rain_total_mm": "Rain"})
    assert "needs rows within the day" in told


@pytest.mark.parametrize(
    ("day", "hours", "time_zone"),
    [(date(2026, 3, 8), 23, "UTC"), (date(2026, 11, 1), 25, "UTC"), (date(2026, 6, 1), 24, "UTC")],
)
def test_stamps_in_utc_over_local_days(day: date, hours: int, time_zone: str) -> None:
    """1 mm in every hour: as many mm as the local day has hours (tz database)."""
    start = datetime(day.year, day.month, day.day) - timedelta(days=1)
    found = read(stamped(start, [1.0] * 96), {"rain_mm": "Rain"}, time_zone=time_zone)
    assert found.days[day]["rain_mm"] == hours


def test_repeated_hour_in_local_stamps() -> None:
    """1 November 2026 in New York: 01:00 to 01:59 comes twice."""
    walls = [datetime(2026, 10, 31, h) for h in range(24)]
    walls += [datetime(2026, 11, 1, h) for h in (0, 1, 1, *range(2, 24))] + [datetime(2026, 11, 2)]
    text = "Time,Rain\n" + "".join(f"{w:%Y-%m-%d %H:%M},1\n" for w in walls)
    found = read(text, {"rain_mm": "Rain"})
    assert found.days[date(2026, 11, 1)]["rain_mm"] == 25
    newest_first = "Time,Rain\n" + "".join(f"{w:%Y-%m-%d %H:%M},1\n" for w in reversed(walls))
    assert read(newest_first, {"rain_mm": "Rain"}) == found


def test_date_and_time_in_two_columns() -> None:
    text = "Day,Clock,T\n" + "".join(
        f"{d}.06.2026,{h}:00 {p},{h}\n" for d in (14, 15) for p in ("AM", "PM") for h in (12, *range(1, 12))
    )
    found = read(text, {"date": "Day", "time": "Clock", "temp_c": "T"})
    assert found.days[date(2026, 6, 14)] == {"tmin_c": 1.0, "tmax_c": 12.0}
    told = refused(text, {"date": "Day", "temp_c": "T"})
    assert "needs rows within the day" in told
    with pytest.raises(BadInput, match="is also on line 2, but different") as caught:
        read(text, {"date": "Day", "tmax_c": "T"})
    assert 'Name their time column too - for example time: "Time"' in str(caught.value.hint)


def test_today_is_not_over() -> None:
    """Today gives rain since midnight and nothing else; rows of the future are set aside."""
    text = stamped(datetime(2026, 6, 1, 0), [1.0] * 60)
    now = datetime(2026, 6, 2, 6, 30, tzinfo=NEW_YORK)
    found = read(text, {"rain_mm": "Rain"}, now=now)
    assert found.days == {date(2026, 6, 1): {"rain_mm": 24.0}}
    assert found.rain_so_far == (date(2026, 6, 2), 6.0)
    assert found.notices == ("s.csv: 29 rows later than now set aside: is the station's clock right?",)
    counter = stamped(datetime(2026, 6, 1, 0), [0.5 * i for i in range(31)])
    assert read(counter, {"rain_total_mm": "Rain"}, now=now).rain_so_far == (date(2026, 6, 2), 3.0)
    stale = stamped(datetime(2026, 6, 1, 0), [1.0] * 27)
    assert read(stale, {"rain_mm": "Rain"}, now=now).rain_so_far is None


def test_repeated_rows_count_once() -> None:
    rows = stamped(datetime(2026, 6, 1, 0), [1.0] * 25).splitlines()
    doubled = "\n".join([rows[0], *(row for row in rows[1:] for _ in (0, 1))]) + "\n"
    found = read(doubled, {"rain_mm": "Rain"})
    assert found.days[date(2026, 6, 1)] == {"rain_mm": 24.0}
    assert found.notices == ("s.csv: 25 rows repeat a time, the last one counts",)


def test_real_hours_agree_with_the_station_networks_own_days(weather_folder: Path) -> None:
    """Fallon 2015 (US Bureau of Reclamation), clock time with both changes: hourly rows against daily file.

    The network's daily extremes come from finer readings (README: some 0.7 degC outside), its sums from its
    own processing; so the year must agree closely and the single day roughly.
    """
    lines = (weather_folder / "fallon_nv_hourly_2015.csv").read_text(encoding="utf-8").splitlines()
    text = "Time,T,Dew,Wind,Sun\n" + "".join(
        f"{row['date']} {int(row['hour_label_local_clock']):02d}:00,{row['temp_c']},{row['tdew_c']},"
        f"{row['wind_m_s_at_3m']},{row['solar_mj_m2']}\n"
        for row in csv.DictReader(lines)
    )
    found = read(
        text,
        {"temp_c": "T", "tdew_c": "Dew", "wind_m_s": "Wind", "solar_mj_m2": "Sun"},
        zone=ZoneInfo("America/Los_Angeles"),
        wind_height="3 m",
    )
    daily = daily_file.read(weather_folder / "fallon_nv_daily_2015.csv")
    assert len(found.days) >= 363
    days = sorted(found.days)
    at = [(day - daily.first).days for day in days]
    tmin = np.array([found.days[day].get("tmin_c", np.nan) for day in days])
    tmax = np.array([found.days[day].get("tmax_c", np.nan) for day in days])
    sun = np.array([found.days[day].get("solar_mj_m2", np.nan) for day in days])
    dew = np.array([found.days[day].get("tdew_c", np.nan) for day in days])
    assert 0.2 < np.nanmean(tmin - daily.tmin_c[at]) < 1.0
    assert 0.2 < np.nanmean(daily.tmax_c[at] - tmax) < 1.0
    assert np.nanmean(dew) == pytest.approx(np.nanmean(daily.tdew_c[at]), abs=0.2)
    assert np.nansum(sun) == pytest.approx(np.nansum(daily.solar_mj_m2[at]), rel=0.01)
    assert found.days[date(2015, 3, 8)]["tmax_c"] == pytest.approx(20.38, abs=1.5)
    assert {fields["wind_height_m"] for fields in found.days.values() if "wind_m_s" in fields} == {3.0}


def test_utc_now_and_local_now_are_one() -> None:
    text = stamped(datetime(2026, 6, 1, 0), [1.0] * 60)
    local = datetime(2026, 6, 2, 6, 30, tzinfo=NEW_YORK)
    assert read(text, {"rain_mm": "Rain"}, now=local) == read(
        text, {"rain_mm": "Rain"}, now=local.astimezone(UTC)
    )


# --- a file with more lines than anybody reads ---


@pytest.mark.parametrize("newest_first", [False, True])
def test_of_a_long_record_both_ends_are_read_whichever_is_the_newest(
    monkeypatch: pytest.MonkeyPatch, newest_first: bool
) -> None:
    """Ten days, of which some four are read: the newest values are those of the whole file."""
    begin = datetime(2026, 6, 1, tzinfo=UTC)
    rows = [f"{begin + timedelta(minutes=10 * k):%Y-%m-%d %H:%M},{10 + k % 144 / 10},0" for k in range(1441)]
    text = "\n".join(["Time,High,Rain", *(reversed(rows) if newest_first else rows)]) + "\n"
    settings = {"columns": {"time": "Time", "temp_c": "High", "rain_mm": "Rain"}}
    whole = station_file.read(text, settings, zone=ZoneInfo("UTC"))
    monkeypatch.setattr(table, "MOST_LINES", 600)
    found = station_file.read(text, settings, zone=ZoneInfo("UTC"))
    assert len(whole.days) == 10
    for day in (date(2026, 6, 1), date(2026, 6, 2), date(2026, 6, 9), date(2026, 6, 10)):
        assert found.days[day] == whole.days[day]
    assert date(2026, 6, 5) not in found.days
    assert found.notices[0] == "weather file: 843 lines in its middle are not read: it has more than 600"
    last = text.splitlines()[-1].split(",")[0]
    bad = text.replace(f"{last},", f"{last}x,")
    found = station_file.read(bad, settings, zone=ZoneInfo("UTC"))
    assert f'weather file:1442: date: "{last}x" is not a date' in "\n".join(found.notices)


def test_a_line_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "LONGEST_LINE", 1000)
    with pytest.raises(BadInput, match="a line of more than 1,000 characters"):
        table.split("date,tmin_c\n2026-06-01," + "," * 2000 + "\n", "weather.csv")


def test_a_daily_file_is_read_whole_or_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"2026-06-{day:02},10,20" for day in range(1, 31)]
    text = "\n".join(["date,tmin_c,tmax_c", *rows]) + "\n"
    assert list(daily_file.read(text).dates())[-1] == date(2026, 6, 30)
    monkeypatch.setattr(table, "MOST_LINES", 20)
    with pytest.raises(BadInput, match=r"has 32 lines, too many for a daily file \(20 at most\)"):
        daily_file.read(text)
