"""The daily weather file. Real records: publishers and licences in ../weather/README.md."""

from __future__ import annotations

import gzip
import math
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import BadInput
from scheduler.model import WEATHER_FIELDS, WeatherDays
from scheduler.weather.files import daily as daily_file

HEADER = "date,tmin_c,tmax_c,rain_mm\n"
GOOD = HEADER + "2026-05-01,10,20,0\n2026-05-02,11,21.5,3.2\n"


def read(text: str | bytes) -> WeatherDays:
    return daily_file.read(text, name="w.csv")


def refused(text: str | bytes) -> list[str]:
    with pytest.raises(BadInput) as caught:
        read(text)
    return caught.value.text.splitlines()


def same(a: WeatherDays, b: WeatherDays) -> bool:
    return a.first == b.first and all(
        np.array_equal(getattr(a, f), getattr(b, f), equal_nan=True) for f in WEATHER_FIELDS
    )


# --- good files ----------------------------------------------------------------------------------


def test_values_dates_and_absent_columns() -> None:
    days = read(GOOD)
    assert (days.first, days.last, len(days)) == (date(2026, 5, 1), date(2026, 5, 2), 2)
    assert days.tmin_c.tolist() == [10.0, 11.0]
    assert days.rain_mm.tolist() == [0.0, 3.2]
    assert np.isnan(days.solar_mj_m2).all()
    assert days.notices == ()
    assert days.came_from == {}


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n", "\r"),
        GOOD + "\n  \n,,,\n",
        GOOD.replace(",", " , "),
        "# from the station\n\n" + GOOD,
        GOOD.replace("3.2\n", "3.2"),
        GOOD.replace("tmin_c", "TMIN_C").replace("date", "Date"),
        GOOD.replace("11,21.5", '"11" , "21.5"'),
        GOOD.replace("\n", ",\n"),
        GOOD.encode("utf-8-sig"),
        gzip.compress(GOOD.encode(), mtime=0),
    ],
)
def test_looks_different_is_the_same(text: str | bytes) -> None:
    assert same(read(text), read(GOOD))
    assert read(text).notices == ()


def test_path_and_packed_path(tmp_path: Path) -> None:
    plain, packed = tmp_path / "w.csv", tmp_path / "w.csv.gz"
    plain.write_text(GOOD, encoding="utf-8")
    packed.write_bytes(gzip.compress(GOOD.encode(), mtime=0))
    assert same(daily_file.read(plain), read(GOOD))
    assert same(daily_file.read(str(packed)), read(GOOD))


def test_real_records(weather_folder: Path) -> None:
    """Values looked up by hand in the files; lengths from their README."""
    de_bilt = daily_file.read(weather_folder / "de_bilt_nl_daily_2000_on.csv.gz")
    assert (de_bilt.first, de_bilt.last, len(de_bilt)) == (date(2000, 1, 1), date(2019, 12, 31), 7305)
    assert [de_bilt.tmin_c[0], de_bilt.tmax_c[0], de_bilt.rh_min_pct[0], de_bilt.rain_mm[0]] == [
        3.5,
        8.1,
        93,
        1,
    ]
    fallon = daily_file.read(weather_folder / "fallon_nv_daily_2015.csv")
    assert [fallon.tmin_c[0], fallon.tdew_c[1], fallon.solar_mj_m2[1]] == [-17.72, -16.36, 9.335]
    assert fallon.notices == (
        "fallon_nv_daily_2015.csv: columns not used: wind_m_s_at_3m, station_eto_mm "
        "(a column wind_m_s would be read)",
    )
    seattle = daily_file.read(weather_folder / "seattle_wa_daily_2012_2015.csv")
    assert len(seattle) == 1461
    assert seattle.rain_mm[1] == 10.9
    holyoke = daily_file.read(weather_folder / "holyoke_co_daily_2020.csv")
    assert np.nanmax(holyoke.rh_max_pct) == 102.1, "above 100 is left to the model"


def test_order_and_gaps() -> None:
    days = read(HEADER + "2026-05-05,1,2,3\n2026-05-01,4,5,6\n2026-05-02,7,8,9\n")
    assert days.tmin_c[[0, 1, 4]].tolist() == [4, 7, 1]
    assert np.isnan(days.tmin_c[2:4]).all()
    assert days.notices == (
        "w.csv: the rows were not in the order of their dates: sorted",
        "w.csv: 2 days have no row (longest gap 2 days)",
    )


@pytest.mark.parametrize("mark", ["", " ", "-", "--", "---", "NA", "n/a", "NaN", "null", "None", "M", "m"])
def test_missing_words_are_silent(mark: str) -> None:
    days = read(GOOD.replace("21.5", mark))
    assert math.isnan(days.tmax_c[1])
    assert days.notices == ()


@pytest.mark.parametrize("mark", ["-99", "-999", "-9999", "-99.0", "-999.00", "-9999.9"])
def test_missing_numbers_are_told(mark: str) -> None:
    days = read(GOOD.replace("21.5", mark))
    assert math.isnan(days.tmax_c[1])
    assert days.notices == (f"w.csv: tmax_c: 1 value missing (marked {float(mark):g})",)


@pytest.mark.parametrize(
    ("field", "fine", "absurd"),
    [
        ("tmin_c", ["-90", "60", "0"], ["-90.1", "60.1", "inf"]),
        ("tmax_c", ["-90", "60"], ["61", "-inf"]),
        ("tdew_c", ["-40", "30"], ["99"]),
        ("wind_m_s", ["0", "110"], ["-0.1", "110.5", "inf"]),
        ("wind_height_m", ["2", "10", "0.5"], ["0", "-2", "1000"]),
        ("solar_mj_m2", ["0", "50", "-0.3"], ["50.1", "1e9"]),
        ("sunshine_h", ["0", "24"], ["-1", "24.5"]),
        ("rain_mm", ["0", "2000", "817.4"], ["-0.2", "2001"]),
        ("rh_mean_pct", ["0", "100", "102.1"], ["-1"]),
        ("rain_chance_pct", ["0", "100"], ["-1", "101"]),
    ],
)
def test_impossible_values_are_missing(field: str, fine: list[str], absurd: list[str]) -> None:
    for text in fine:
        days = read(f"date,{field}\n2026-05-01,{text}\n")
        assert getattr(days, field).tolist() == [float(text)]
        assert days.notices == ()
    for text in absurd:
        days = read(f"date,{field}\n2026-05-01,{text}\n")
        assert np.isnan(getattr(days, field)).all()
        [notice] = days.notices
        assert notice.startswith(f"w.csv: {field}: 1 value impossible, counted as missing (first on line 2: ")


def test_no_repairs_here() -> None:
    """Tmax below Tmin, too much sun: the model (M1) deals with both, so both must arrive."""
    days = read("date,tmin_c,tmax_c,solar_mj_m2\n2026-05-01,20,10,49\n")
    assert (days.tmin_c[0], days.tmax_c[0], days.solar_mj_m2[0]) == (20, 10, 49)


def test_fractions_for_percent_are_suspected() -> None:
    rows = "".join(f"2026-05-{d:02d},0.{d:02d}\n" for d in range(1, 20))
    assert read("date,rh_min_pct\n" + rows).notices == (
        "w.csv: rh_min_pct: no value above 1: fractions? The column is in percent",
    )


def test_half_a_last_line_is_set_aside() -> None:
    days = read(GOOD + "2026-05-03,1")
    assert same(days, read(GOOD))
    assert days.notices == ("w.csv:4: the last line breaks off: set aside",)


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("dat,tmin_c", 'unknown column "dat" - did you mean "date"?'),
        ("Day,tmin_c", 'unknown column "Day" - did you mean "date"?'),
        ("tmin_c,tmax_c", "needs a column date; found tmin_c, tmax_c"),
        ("date,tmin,tmax_c", 'unknown column "tmin" - did you mean "tmin_c" (in °C)?'),
        ("date,tmin_f,tmax_c", 'unknown column "tmin_f" - did you mean "tmin_c" (in °C)?'),
        ("date,tmin_c,rain_in", 'unknown column "rain_in" - did you mean "rain_mm" (in mm)?'),
        ("date,tmin_c,wind_ms", 'unknown column "wind_ms" - did you mean "wind_m_s"?'),
        ("date,tmin_c,solar_mjm2", 'unknown column "solar_mjm2" - did you mean "solar_mj_m2"?'),
        ("date,tmin_c,tmin_c", "column tmin_c is there twice"),
        ("date", "has no weather column"),
        ("date,soil", "has no weather column"),
        ("date;tmin_c;tmax_c", "the columns must be separated by commas"),
    ],
)
def test_headers(header: str, told: str) -> None:
    [complaint] = refused(header + "\n2026-05-01,1,2\n")
    assert complaint.startswith(f"w.csv: {told}")


def test_strange_column_beside_the_known_one_is_only_told() -> None:
    text = "date,tmin_c,tmin_f,remarks\n2026-05-01,10,50,fog\n"
    assert read(text).notices == ("w.csv: columns not used: tmin_f, remarks",)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "w.csv: is empty"),
        ("\n\n", "w.csv: is empty"),
        (b"", "w.csv: is empty"),
        (HEADER, "w.csv: has a header but no rows"),
        (HEADER + "\n,,\n", "w.csv: has a header but no rows"),
        (GOOD.replace("21.5", "21,5"), "w.csv:3: 5 cells where the header names 4"),
        (GOOD + "2026-05-03,1\n", "w.csv:4: 2 cells where the header names 4"),
        (GOOD.replace("20,", '"20,'), "w.csv:2: a quotation mark is opened and not closed"),
        (GOOD.replace("2026-05-02", "2026-05-01"), "w.csv:3: date: 2026-05-01 is also on line 2"),
        (GOOD.replace("2026-05-02", "2206-05-02"), "w.csv:3: date: "),
        (GOOD.replace("2026-05-02", "2199-05-02"), None),
        (GOOD.encode("utf-16"), "w.csv: is UTF-16 text; save it as UTF-8 (plain CSV)"),
        (GOOD.encode("utf-16-le"), "w.csv: is UTF-16 text; save it as UTF-8 (plain CSV)"),
        ((GOOD + "# 21 °C").encode("latin-1"), "w.csv:4: is not UTF-8 text (byte 0xb0), probably Latin-1"),
        (GOOD.replace("11", "1\0001").encode(), "w.csv:3: holds NUL bytes"),
        (gzip.compress(GOOD.encode(), mtime=0)[:-9], "w.csv: is a damaged or incomplete gzip file"),
        (b"\x1f\x8b" + b"x" * 40, "w.csv: is a damaged or incomplete gzip file"),
    ],
)  # fmt: skip
def test_files_that_are_none(text: str | bytes, told: str | None) -> None:
    [complaint] = refused(text)
    if told is None:
        assert "is a year mistyped?" in complaint
    else:
        assert complaint.startswith(told)


@pytest.mark.parametrize(
    "day", ["2026-02-30", "20260501", "1.5.2026", "2026-5-1", "", "2026-W18-5", "0026-05-01"]
)
def test_bad_dates(day: str) -> None:
    assert refused(GOOD.replace("2026-05-02", day)) == [
        f'w.csv:3: date: "{day}" is not a date - expected like 2026-04-20'
    ]


@pytest.mark.parametrize("text", ["abc", "1_000", "12 mm", "0x10", "1e", "٣", "12..5"])
def test_bad_numbers(text: str) -> None:
    assert refused(GOOD.replace("21.5", text)) == [f'w.csv:3: tmax_c: "{text}" is not a number']


def test_decimal_comma_in_quotes() -> None:
    assert refused(GOOD.replace("21.5", '"21,5"')) == [
        'w.csv:3: tmax_c: "21,5" is not a number (decimals are written with a point)'
    ]


def test_all_complaints_at_once_up_to_twenty() -> None:
    few = refused(HEADER + "2026-05-01,x,y,0\nnever,1,2,z\n")
    assert few == [
        'w.csv:2: tmin_c: "x" is not a number',
        'w.csv:2: tmax_c: "y" is not a number',
        'w.csv:3: date: "never" is not a date - expected like 2026-04-20',
        'w.csv:3: rain_mm: "z" is not a number',
    ]
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(60)]
    many = refused(HEADER + "".join(f"{day},x,1,1\n" for day in days))
    assert len(many) == 21
    assert many[-1] == "... and 40 more"


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"none\.csv: there is no such file"):
        daily_file.read(tmp_path / "none.csv")
    with pytest.raises(BadInput, match="cannot be read"):
        daily_file.read(tmp_path)


@settings(max_examples=200, deadline=None)
@given(st.text() | st.text("date,tmin_c\n2026-05-1\"' .;", max_size=60) | st.binary(max_size=80))
def test_any_text_is_days_or_a_complaint(text: str | bytes) -> None:
    if isinstance(text, str) and "\n" not in text:
        text += "\n"
    try:
        days = daily_file.read(text, name="w.csv")
    except BadInput:
        return
    assert len(days) >= 1
