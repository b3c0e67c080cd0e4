"""Open-Meteo answers: in the documented shapes, local days across clock changes, broken ones.

Shapes and traps: the service's own documentation and server source. Numbers of the invented samples are
checked against the samples' own daily block; they were built so that daily = the 24 labels 00:00..23:00.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from weather_sources.replay import Answer, Replay, drip, hang

from scheduler.errors import CouldNot
from scheduler.model import Fetched, Location
from scheduler.weather import http
from scheduler.weather.openmeteo import service as openmeteo

TODAY = date(2026, 6, 13)
NOW = datetime(2026, 6, 13, 9, 30, tzinfo=UTC)  # 05:30 at the place


def parse(text: str, place: Location, today: date = TODAY, now: datetime = NOW) -> Fetched:
    return openmeteo.parse(text, location=place, today=today, now=now)


def table(fetched: Fetched) -> dict[date, dict[str, float]]:
    days: dict[date, dict[str, float]] = {}
    for value in fetched.values:
        assert value.field not in days.setdefault(value.day, {}), "a field of a day comes once"
        days[value.day][value.field] = value.value
    return days


def edited(path: Path, change: Callable[[dict[str, Any]], object]) -> str:
    answer = json.loads(path.read_text(encoding="utf-8"))
    change(answer)
    return json.dumps(answer)


# --- values --------------------------------------------------------------------------------------

SAME = {
    "temperature_2m_max": ("tmax_c", 0.05),
    "temperature_2m_min": ("tmin_c", 0.05),
    "dew_point_2m_mean": ("tdew_c", 0.06),
    "relative_humidity_2m_mean": ("rh_mean_pct", 0.51),
    "wind_speed_10m_mean": ("wind_m_s", 0.006),
    "shortwave_radiation_sum": ("solar_mj_m2", 0.006),
}
"""Daily name -> our field and half a digit of what the sample prints; the night makes solar indifferent to
the shift of an hour, and readings belong to their instant in both."""


def test_good_answer_agrees_with_its_own_daily_block(samples: Path, fernhollow: Location) -> None:
    path = samples / "openmeteo_forecast_good.json"
    daily = json.loads(path.read_text(encoding="utf-8"))["daily"]
    ours = table(parse(path.read_text(encoding="utf-8"), fernhollow))
    compared = 0
    for i, text in enumerate(daily["time"]):
        for name, (field, tolerance) in SAME.items():
            if field == "solar_mj_m2" and i == len(daily["time"]) - 1:
                assert field not in ours[date.fromisoformat(text)], "the last hour of the last day lacks"
                continue
            assert ours[date.fromisoformat(text)][field] == pytest.approx(daily[name][i], abs=tolerance)
            compared += 1
    assert compared == 7 * 6 - 1


def test_rain_of_a_day_is_that_of_its_own_hours(samples: Path, fernhollow: Location) -> None:
    """Label t holds the hour before t: a day's rain is labels 01:00 to 24:00."""

    def shower_at_midnight(answer: dict[str, Any]) -> None:
        hourly = answer["hourly"]
        hourly["precipitation"] = [0.0] * 168
        hourly["precipitation"][hourly["time"].index("2026-06-14T00:00")] = 5.0

    days = table(parse(edited(samples / "openmeteo_forecast_good.json", shower_at_midnight), fernhollow))
    assert days[date(2026, 6, 13)]["rain_mm"] == 5.0
    assert days[date(2026, 6, 14)]["rain_mm"] == 0.0


def test_kinds_names_credit(samples: Path, fernhollow: Location) -> None:
    answer = parse((samples / "openmeteo_forecast_good.json").read_text(encoding="utf-8"), fernhollow)
    assert answer.credit == "Weather data by Open-Meteo.com (CC BY 4.0)"
    assert {v.source for v in answer.values} == {"open-meteo"}
    assert {v.fetched_at for v in answer.values} == {NOW}
    assert {(v.day < TODAY, v.kind) for v in answer.values if v.field != "rain_so_far_mm"} == {
        (True, "model"),
        (False, "forecast"),
    }
    assert {v.value for v in answer.values if v.field == "wind_height_m"} == {10.0}


def test_us_units_say_the_same_weather(samples: Path, fernhollow: Location) -> None:
    si = table(parse((samples / "openmeteo_forecast_good.json").read_text(encoding="utf-8"), fernhollow))
    us = table(parse((samples / "openmeteo_forecast_us_units.json").read_text(encoding="utf-8"), fernhollow))
    assert {day: set(fields) for day, fields in us.items()} == {d: set(f) for d, f in si.items()}
    for day, fields in us.items():
        for field, value in fields.items():
            assert value == pytest.approx(si[day][field], abs=0.2), (day, field)


def test_daily_only_in_km_per_hour(samples: Path, fernhollow: Location) -> None:
    text = (samples / "openmeteo_forecast_daily_default_kmh.json").read_text(encoding="utf-8")
    days = table(parse(text, fernhollow))
    good = json.loads((samples / "openmeteo_forecast_good.json").read_text(encoding="utf-8"))["daily"]
    for i, day in enumerate(good["time"]):
        fields = days[date.fromisoformat(day)]
        assert fields["wind_m_s"] == pytest.approx(good["wind_speed_10m_mean"][i], abs=0.02)
        assert fields["tmax_c"] == good["temperature_2m_max"][i]
        assert fields["rain_mm"] == good["precipitation_sum"][i]
        assert fields["rain_chance_pct"] == good["precipitation_probability_max"][i]


def test_nulls_are_missing_never_zero(samples: Path, fernhollow: Location) -> None:
    days = table(parse((samples / "openmeteo_forecast_nulls.json").read_text(encoding="utf-8"), fernhollow))
    answer = json.loads((samples / "openmeteo_forecast_nulls.json").read_text(encoding="utf-8"))["hourly"]
    for day, fields in days.items():
        labels = [i for i, t in enumerate(answer["time"]) if t.startswith(day.isoformat())]
        for name, field in (("shortwave_radiation", "solar_mj_m2"), ("precipitation", "rain_mm")):
            after = [answer[name][i + 1] for i in labels if i + 1 < len(answer["time"])]
            assert (field in fields) == (len(after) == 24 and None not in after), (day, field)
    assert "rain_chance_pct" not in days[date(2026, 6, 11)]
    assert set(days[date(2026, 6, 17)]) == {"rain_chance_pct"}


def test_temperature_needs_nine_hours_in_ten(samples: Path, fernhollow: Location) -> None:
    def hole(hours: int) -> str:
        def cut(answer: dict[str, Any]) -> None:
            answer["hourly"]["temperature_2m"][48 : 48 + hours] = [None] * hours

        return edited(samples / "openmeteo_forecast_good.json", cut)

    assert "tmin_c" in table(parse(hole(2), fernhollow))[TODAY]
    assert "tmin_c" not in table(parse(hole(3), fernhollow))[TODAY]


def test_rain_since_midnight(samples: Path, fernhollow: Location) -> None:
    def rain(answer: dict[str, Any]) -> None:
        hourly = answer["hourly"]
        hourly["precipitation"] = [0.0] * 168
        for text, mm in (("13T00:00", 9.0), ("13T01:00", 1.0), ("13T05:00", 2.0), ("13T06:00", 4.0)):
            hourly["precipitation"][hourly["time"].index(f"2026-06-{text}")] = mm

    text = edited(samples / "openmeteo_forecast_good.json", rain)
    so_far = [v for v in parse(text, fernhollow).values if v.field == "rain_so_far_mm"]
    assert [(v.day, v.value, v.kind) for v in so_far] == [(TODAY, 3.0, "model")]
    before = parse(
        text, fernhollow, today=TODAY - timedelta(days=1)
    )  # a plan made later, for a day that is over
    assert not [v for v in before.values if v.field == "rain_so_far_mm"]
    early = datetime(2026, 6, 13, 4, 20, tzinfo=UTC)  # 00:20: no hour of today is over
    assert not [v for v in parse(text, fernhollow, now=early).values if v.field == "rain_so_far_mm"]


# --- clock changes -------------------------------------------------------------------------------


def series(path: Path, name: str) -> dict[datetime, float]:
    """The sample's hourly values by their instant, worked out here from its fixed offset."""
    answer = json.loads(path.read_text(encoding="utf-8"))
    offset = timedelta(seconds=answer["utc_offset_seconds"])
    return {
        datetime.fromisoformat(text).replace(tzinfo=UTC) - offset: value
        for text, value in zip(answer["hourly"]["time"], answer["hourly"][name], strict=True)
    }


def hours_after(start: datetime, count: int) -> list[datetime]:
    return [start + timedelta(hours=n) for n in range(1, count + 1)]


@pytest.mark.parametrize(
    ("file", "day", "start", "hours"),
    [
        ("dst_spring", date(2026, 3, 7), datetime(2026, 3, 7, 5, tzinfo=UTC), 24),
        ("dst_spring", date(2026, 3, 8), datetime(2026, 3, 8, 5, tzinfo=UTC), 23),
        ("dst_spring", date(2026, 3, 9), datetime(2026, 3, 9, 4, tzinfo=UTC), 24),
        ("dst_autumn", date(2026, 10, 31), datetime(2026, 10, 31, 4, tzinfo=UTC), 24),
        ("dst_autumn", date(2026, 11, 1), datetime(2026, 11, 1, 4, tzinfo=UTC), 25),
        ("dst_autumn", date(2026, 11, 2), datetime(2026, 11, 2, 5, tzinfo=UTC), 24),
    ],
)
def test_days_of_23_24_25_hours(
    samples: Path, fernhollow: Location, file: str, day: date, start: datetime, hours: int
) -> None:
    """New York changes its clock on 8 March and 1 November 2026 (tz database)."""
    path = samples / f"openmeteo_forecast_{file}.json"
    ours = table(parse(path.read_text(encoding="utf-8"), fernhollow, today=day))[day]
    temperature, rain = series(path, "temperature_2m"), series(path, "precipitation")
    solar, humidity = series(path, "shortwave_radiation"), series(path, "relative_humidity_2m")
    instants = [start + timedelta(hours=n) for n in range(hours)]
    assert ours["tmin_c"] == min(temperature[t] for t in instants)
    assert ours["tmax_c"] == max(temperature[t] for t in instants)
    assert ours["rh_mean_pct"] == pytest.approx(sum(humidity[t] for t in instants) / hours)
    assert ours["rain_mm"] == pytest.approx(sum(rain[t] for t in hours_after(start, hours)), abs=1e-9)
    assert ours["solar_mj_m2"] == pytest.approx(0.0036 * sum(solar[t] for t in hours_after(start, hours)))


def test_unixtime_says_the_same(samples: Path, fernhollow: Location) -> None:
    day = date(2026, 11, 1)
    text = table(
        parse((samples / "openmeteo_forecast_dst_autumn.json").read_text(encoding="utf-8"), fernhollow, day)
    )
    unix = table(
        parse(
            (samples / "openmeteo_forecast_dst_autumn_unixtime.json").read_text(encoding="utf-8"),
            fernhollow, day,
        )
    )  # fmt: skip
    assert unix == text

    def daily_only(answer: dict[str, Any]) -> None:
        del answer["hourly"]

    path = samples / "openmeteo_forecast_dst_autumn_unixtime.json"
    assert sorted(table(parse(edited(path, daily_only), fernhollow, day))) == [
        date(2026, 10, 30) + timedelta(days=n) for n in range(5)
    ]


def test_daily_unixtime_east_of_greenwich() -> None:
    """Service's documentation: the stamp is UTC midnight less the offset, so add it first."""
    stamp = int(datetime(2026, 6, 12, 14, tzinfo=UTC).timestamp())  # 13 June, midnight at +10 h
    text = json.dumps(
        {
            "latitude": -27.5, "longitude": 153.0, "utc_offset_seconds": 36000,
            "daily_units": {"time": "unixtime", "precipitation_sum": "mm"},
            "daily": {"time": [stamp, stamp + 86400], "precipitation_sum": [1.5, 2.5]},
        }
    )  # fmt: skip
    days = table(parse(text, Location(-27.5, 153.0, 20.0, "Australia/Brisbane")))
    assert days == {TODAY: {"rain_mm": 1.5}, date(2026, 6, 14): {"rain_mm": 2.5}}


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Australia/Lord_Howe", "Asia/Kathmandu", "America/Havana"])
def test_midnight_off_the_hour_or_in_the_change(zone: str) -> None:
    """Rain of 1 mm an hour is as many mm as the day has hours, whatever the zone's midnight."""
    first = datetime(2026, 3, 1, tzinfo=UTC)
    labels = [first + timedelta(hours=n) for n in range(24 * 70)]
    text = json.dumps(
        {
            "latitude": 10.0, "longitude": 20.0, "utc_offset_seconds": 0,
            "hourly_units": {"time": "iso8601", "precipitation": "mm"},
            "hourly": {
                "time": [t.strftime("%Y-%m-%dT%H:%M") for t in labels],
                "precipitation": [1.0] * len(labels),
            },
        }
    )  # fmt: skip
    place = Location(10.0, 20.0, 0.0, zone)
    days = table(parse(text, place, today=date(2026, 5, 10), now=labels[-1]))
    tz = ZoneInfo(zone)
    lengths = set()
    for day, fields in days.items():
        if "rain_mm" in fields:
            begin = datetime(day.year, day.month, day.day, tzinfo=tz).astimezone(UTC)
            after = day + timedelta(days=1)
            end = datetime(after.year, after.month, after.day, tzinfo=tz).astimezone(UTC)
            lengths.add((end - begin) / timedelta(hours=1))
            assert fields["rain_mm"] == pytest.approx((end - begin) / timedelta(hours=1))
    expected = {"Australia/Lord_Howe": {24.0, 24.5}, "America/Havana": {23.0, 24.0}}
    assert lengths == expected.get(zone, {24.0})


# --- whole answers in the shape of the service's description (open-meteo.com/en/docs), values made up ---


def answered(
    place: Location, offset_s: int, units: dict[str, str], daily: dict[str, Any], **more: Any
) -> str:
    """offset_s: one for the whole answer, also across a change of the clocks."""
    head = {
        "latitude": place.latitude_deg, "longitude": place.longitude_deg, "generationtime_ms": 0.05,
        "utc_offset_seconds": offset_s, "timezone": place.timezone, "timezone_abbreviation": "?",
        "elevation": place.elevation_m,
    }  # fmt: skip
    return json.dumps(head | {"daily_units": {"time": "iso8601"} | units, "daily": daily} | more)


def seven(first: date) -> list[str]:
    return [(first + timedelta(days=k)).isoformat() for k in range(7)]


def test_archive_hours_make_the_day_beside_them() -> None:
    """Our maximum is the one of the answer's own daily block."""
    place, day = Location(-15.8, -47.9, 1130, "America/Sao_Paulo"), date(2022, 12, 29)
    degrees = [round(22 + 5 * math.cos((hour - 15) / 24 * 2 * math.pi), 1) for hour in range(24)]
    text = answered(
        place, -10800, {"temperature_2m_max": "°C"},
        {"time": ["2022-12-29"], "temperature_2m_max": [27.0]},
        hourly_units={"time": "iso8601", "temperature_2m": "°C"},
        hourly={"time": [f"2022-12-29T{hour:02}:00" for hour in range(24)], "temperature_2m": degrees},
    )  # fmt: skip
    fields = table(parse(text, place, today=day, now=datetime(2023, 1, 1, tzinfo=UTC)))[day]
    assert fields == {"tmin_c": 17.0, "tmax_c": 27.0}


def test_daily_across_the_clock_change() -> None:
    place, day = Location(40.8, -74.0, 45, "America/New_York"), date(2024, 10, 31)
    highs, lows = [80.0 - k for k in range(7)], [50.0 + k for k in range(7)]
    text = answered(
        place, -14400, {"temperature_2m_max": "°F", "temperature_2m_min": "°F"},
        {"time": seven(day), "temperature_2m_max": highs, "temperature_2m_min": lows},
    )  # fmt: skip
    days = table(parse(text, place, today=day, now=datetime(2024, 10, 31, 6, tzinfo=UTC)))
    assert len(days) == 7
    assert days[day]["tmax_c"] == pytest.approx((80 - 32) / 1.8)
    assert days[date(2024, 11, 6)]["tmin_c"] == pytest.approx((56 - 32) / 1.8)


def test_daily_of_another_zone() -> None:
    """A Berlin point asked for in Chicago days: fine for Chicago days, refused as Berlin ones."""
    now, today = datetime(2023, 5, 28, 12, tzinfo=UTC), date(2023, 5, 28)
    chicago = Location(52.5, 13.4, 38, "America/Chicago")
    values = {  # the wind by an older name
        "temperature_2m_max": ("°C", 24.5), "temperature_2m_min": ("°C", 11.0),
        "shortwave_radiation_sum": ("MJ/m²", 27.5), "precipitation_sum": ("mm", 0.0),
        "precipitation_probability_max": ("%", 5), "windspeed_10m_max": ("km/h", 14.0),
        "et0_fao_evapotranspiration": ("mm", 5.1),
    }  # fmt: skip
    text = answered(
        chicago, -18000, {name: unit for name, (unit, _) in values.items()},
        {"time": seven(today)} | {name: [value] * 7 for name, (_, value) in values.items()},
    )  # fmt: skip
    days = table(parse(text, chicago, today=today, now=now))
    assert days[today] == {
        "tmin_c": 11.0, "tmax_c": 24.5, "solar_mj_m2": 27.5, "rain_mm": 0.0, "rain_chance_pct": 5.0,
    }  # fmt: skip
    with pytest.raises(CouldNot, match="another time zone"):
        parse(text, Location(52.5, 13.4, 38, "Europe/Berlin"), today=today, now=now)


def test_all_null() -> None:
    """Days outside the model's range: status 200, and no value.  The longitude has lost its sign."""
    sea = Location(-12.5, -130.87, 0, "Etc/GMT+9")
    days = {"time": seven(date(2022, 12, 29)), "temperature_2m_max": [None] * 7}
    text = answered(sea, -32400, {"temperature_2m_max": "°C"}, days)
    where = {"today": date(2022, 12, 29), "now": datetime(2022, 12, 29, tzinfo=UTC)}
    with pytest.raises(CouldNot, match="without one usable value"):
        openmeteo.parse(text, location=sea, **where)
    with pytest.raises(CouldNot, match="a sign of latitude or longitude") as caught:
        openmeteo.parse(text, location=Location(-12.5, 130.87, 0, "Australia/Darwin"), **where)
    assert "negative" in str(caught.value.hint)


# --- broken answers ------------------------------------------------------------------------------


def _set(*path: Any, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(answer: dict[str, Any]) -> None:
        spot: Any = answer
        for step in path[:-1]:
            spot = spot[step]
        spot[path[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (_set("latitude", value=-34.51), "a sign of"),
        (_set("longitude", value=81.47), "a sign of"),
        (_set("latitude", value=36.0), "another place"),
        (_set("latitude", value=None), "for which place"),
        (_set("longitude", value="west"), "for which place"),
        (_set("hourly", "time", 5, value="2026-06-11T04:00"), "a time twice"),
        (_set("hourly", "time", 5, value="2026-02-30T04:00"), "unusable time"),
        (_set("hourly", "time", 5, value=7), "unusable time"),
        (_set("hourly", "time", value={"a": 1}), "not a list"),
        (_set("hourly", "precipitation", value=[0.0]), "differ in length"),
        (_set("utc_offset_seconds", value="EDT"), "time offset"),
        (_set("hourly", "time", 5, value="1926-06-11T04:00"), "more than a year"),
        (_set("error", value=True), "with an error"),
    ],
)
def test_what_does_not_fit_is_refused(
    samples: Path, fernhollow: Location, change: Callable[[dict[str, Any]], None], told: str
) -> None:
    with pytest.raises(CouldNot, match=told):
        parse(edited(samples / "openmeteo_forecast_good.json", change), fernhollow)


def test_old_answer_is_refused_and_half_old_one_told(samples: Path, fernhollow: Location) -> None:
    text = (samples / "openmeteo_forecast_good.json").read_text(encoding="utf-8")
    later = date(2026, 7, 1)
    with pytest.raises(CouldNot, match="without one usable value"):
        openmeteo.parse(text, location=fernhollow, today=later, now=NOW, span_from=later)
    with pytest.raises(CouldNot, match="without one usable value"):
        parse(text, fernhollow, today=date(2026, 5, 1))  # days further ahead than any forecast
    answer = openmeteo.parse(text, location=fernhollow, today=later, now=NOW, span_from=date(2026, 6, 15))
    assert "open-meteo: the answer ends with 2026-06-17: nothing for today" in answer.notices
    assert {v.kind for v in answer.values} == {"model"}


def test_unknown_unit_is_left_out(samples: Path, fernhollow: Location) -> None:
    answer = parse(
        edited(samples / "openmeteo_forecast_good.json", _set("hourly_units", "wind_speed_10m", value="Bft")),
        fernhollow,
    )
    assert any("wind left out: its unit is 'Bft'" in notice for notice in answer.notices)
    assert not [v for v in answer.values if v.field.startswith("wind")]
    assert [v for v in answer.values if v.field == "tmin_c"]


@pytest.mark.parametrize("bad", ["NaN", "-Infinity", "-9999", '"17.2"', "true", "1e400", "[]"])
def test_absurd_value_is_missing(samples: Path, fernhollow: Location, bad: str) -> None:
    text = edited(
        samples / "openmeteo_forecast_good.json", _set("hourly", "precipitation", 60, value="@")
    ).replace('"@"', bad)
    answer = parse(text, fernhollow)
    (told,) = [notice for notice in answer.notices if "rain: 1 unusable value" in notice]
    assert told.endswith("rain: 1 unusable value (Sat 13 Jun 12:00) counted as missing")
    assert "rain_mm" not in table(answer)[date(2026, 6, 13)]
    assert all(math.isfinite(v.value) for v in answer.values)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "with nothing"),
        (" \n", "with nothing"),
        ("<!DOCTYPE html><html>Sign in</html>", "a web page came"),
        ("\ufeff<html>", "a web page came"),
        ("null", "something else"),
        ("[]", "something else"),
        ("17", "something else"),
        ("offline", 'not readable: "offline"'),
        ("[" * 200_000, "nested too deep|not readable"),
        ('{"latitude": 34.5, "longitude": -81.5}', "without any weather"),
        ('{"latitude": 34.5, "longitude": -81.5, "daily": {}}', "without any weather"),
        (
            '{"latitude": 34.5, "longitude": -81.5, "hourly": [], "daily": {"time": []}}',
            "without any weather",
        ),
        ('{"error": true, "reason": "x\\u001b[31m\\ud800"}', r"an error: x\?\[31m\?"),
    ],
)
def test_not_weather_at_all(fernhollow: Location, text: str, told: str) -> None:
    with pytest.raises(CouldNot, match=told):
        parse(text, fernhollow)


def test_cut_off_in_the_stream(samples: Path, fernhollow: Location) -> None:
    with pytest.raises(CouldNot, match="broke off in the middle"):
        parse((samples / "openmeteo_200_broken_midstream.txt").read_text(encoding="utf-8"), fernhollow)


# --- asking --------------------------------------------------------------------------------------


def fetch(replay: Replay, place: Location, span_from: date = date(2026, 6, 1), now: datetime = NOW) -> str:
    return openmeteo.fetch(
        place,
        span_from,
        now=now,
        session_get=lambda url, params: http.get(url, params, sleep=lambda _: None, total_seconds=2),
        url=replay.url,
    )


def test_what_is_asked(replay: Replay, samples: Path, fernhollow: Location) -> None:
    replay.give(Answer(body=(samples / "openmeteo_forecast_good.json").read_bytes()))
    assert table(parse(fetch(replay, fernhollow), fernhollow))[TODAY]["tmax_c"] == 28.0
    [(_, params)] = replay.asked
    assert params["timezone"] == "GMT"
    assert params["wind_speed_unit"] == "ms"
    assert (params["latitude"], params["longitude"]) == ("34.50000", "-81.50000")
    assert (params["past_days"], params["forecast_days"]) == ("12", "8")
    assert "daily" not in params
    assert set(params["hourly"].split(",")) == {
        "temperature_2m", "relative_humidity_2m", "dew_point_2m", "wind_speed_10m", "shortwave_radiation",
        "precipitation", "precipitation_probability",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("zone", "span_from", "now", "past_days"),
    [
        (
            "Pacific/Auckland",
            date(2026, 6, 13),
            datetime(2026, 6, 13, 9, tzinfo=UTC),
            "1",
        ),  # begins 12 June UTC
        ("Pacific/Honolulu", date(2026, 6, 12), datetime(2026, 6, 13, 9, tzinfo=UTC), "1"),
        ("America/New_York", date(2026, 6, 13), datetime(2026, 6, 13, 9, tzinfo=UTC), "0"),
        ("America/New_York", date(2025, 6, 13), datetime(2026, 6, 13, 9, tzinfo=UTC), "92"),
        ("America/New_York", date(2026, 6, 20), datetime(2026, 6, 13, 9, tzinfo=UTC), "0"),
    ],
)
def test_past_days_cover_the_local_days(
    replay: Replay, zone: str, span_from: date, now: datetime, past_days: str
) -> None:
    fetch(replay, Location(0.0, 0.0, 0.0, zone), span_from, now)
    assert replay.asked[0][1]["past_days"] == past_days


@pytest.mark.parametrize(
    ("file", "status", "told", "tries"),
    [
        ("samples/openmeteo_error_400.json", 400, "refused the question .status 400.: Cannot initialize", 1),
        ("samples/openmeteo_error_429.json", 429, "too many calls .* Minutely", 3),
        ("samples/openmeteo_error_500.json", 500, "out of order .status 500.: Something went wrong", 3),
        ("samples/nws_error_403.html", 502, "out of order .status 502.$", 3),
        ("samples/nws_error_403.html", 503, "out of order .status 503.$", 3),
    ],
)
def test_error_statuses(
    replay: Replay, weather_folder: Path, fernhollow: Location, file: str, status: int, told: str, tries: int
) -> None:
    replay.give(Answer(status, (weather_folder / file).read_bytes()))
    with pytest.raises(CouldNot, match=told) as caught:
        openmeteo.fetch(
            fernhollow, TODAY, now=NOW, url=replay.url,
            session_get=lambda url, params: http.get(url, params, sleep=lambda _: None),
        )  # fmt: skip
    assert len(replay.asked) == tries
    assert (caught.value.hint is not None) == (status == 429)


def test_500_twice_then_good(replay: Replay, samples: Path, fernhollow: Location) -> None:
    bad = Answer(500, (samples / "openmeteo_error_500.json").read_bytes())
    replay.give(bad, bad, Answer(body=(samples / "openmeteo_forecast_good.json").read_bytes()))
    text = openmeteo.fetch(
        fernhollow, TODAY, now=NOW, url=replay.url,
        session_get=lambda url, params: http.get(url, params, sleep=lambda _: None),
    )  # fmt: skip
    assert table(parse(text, fernhollow))[TODAY]["tmin_c"] == 14.1


@pytest.mark.parametrize("how", [hang, drip])
def test_slow_service_is_given_up(replay: Replay, samples: Path, fernhollow: Location, how: object) -> None:
    body = (samples / "openmeteo_forecast_good.json").read_bytes()
    replay.give(Answer(body=body, how=how))  # type: ignore[arg-type]
    with pytest.raises(CouldNot, match="did not answer within|stayed silent"):
        openmeteo.fetch(
            fernhollow, TODAY, now=NOW, url=replay.url,
            session_get=lambda url, params: http.get(url, params, total_seconds=0.4),
        )  # fmt: skip
