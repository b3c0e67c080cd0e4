"""US National Weather Service: documented and recorded answers, local days, units, flags, errors.

Shapes and traps: the service's documentation page, its FAQ and gridpoint pages, OpenAPI 1.9.0. The numbers of
the recorded grid are worked out here a second time, minute by minute.
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
from weather_sources.replay import Answer, Replay, hang
from weather_sources.test_sources import garden, quick, service

from scheduler.errors import BadInput, CouldNot
from scheduler.model import Fetched, Location
from scheduler.weather import http, sources
from scheduler.weather.cache import Cache
from scheduler.weather.nws import service as nws
from scheduler.weather.nws import station as nws_station

NOW = datetime(2026, 6, 12, 7, 30, tzinfo=UTC)  # 03:30 at the place
TODAY = date(2026, 6, 12)
CELL = ("ZZZ", 12, 34)
STATION = nws_station.Station("KZZ9", 34.31, -81.61, 149)
PLACE = Location(34.52, -81.46, 152, "America/New_York")
COAST = Location(29.7, -85.3, 4, "America/New_York")
NEW_YORK = ZoneInfo("America/New_York")
Days = dict[tuple[date, str], dict[str, float]]


def table(fetched: Fetched) -> Days:
    days: Days = {}
    for value in fetched.values:
        fields = days.setdefault((value.day, value.kind), {})
        assert value.field not in fields, "a field of a day comes once"
        fields[value.field] = value.value
    return days


def parse(
    grid: str | None = None,
    reports: list[str] | None = None,
    *,
    today: date = TODAY,
    now: datetime = NOW,
    place: Location = PLACE,
    cell: tuple[str, int, int] | None = CELL,
) -> Fetched:
    answers = nws.Answers(grid, cell, STATION if reports else None, reports or [])
    return nws.parse(answers, location=place, today=today, now=now, span_from=today - timedelta(days=6))


def edited(path: Path, change: Callable[[Any], object]) -> str:
    answer = json.loads(path.read_text(encoding="utf-8"))
    change(answer)
    return json.dumps(answer)


# --- the grid ------------------------------------------------------------------------------------


def minutes_of(day: date, zone: ZoneInfo) -> list[datetime]:
    at = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
    found = []
    while at.astimezone(zone).date() == day:
        found.append(at)
        at += timedelta(minutes=1)
    return found


def by_minute(layer: dict[str, Any], *, share: bool) -> dict[datetime, float]:
    """What the layer says of each minute: the value, or its share of the interval's sum."""
    said: dict[datetime, float] = {}
    for item in layer["values"]:
        begin_text, length = item["validTime"].split("/")
        days, _, rest = length.removeprefix("P").partition("T")
        count = 1440 * int(days.removesuffix("D") or 0) + 60 * int(rest.removesuffix("H") or 0)
        begin = datetime.fromisoformat(begin_text)
        if item["value"] is not None:
            for i in range(count):
                said[begin + timedelta(minutes=i)] = item["value"] / (count if share else 1)
    return said


@pytest.mark.parametrize(
    ("name", "first", "place", "length"),
    [
        ("recorded/nws_gridpoint_2022-02-04.json", date(2022, 2, 4), COAST, 6),
        ("samples/nws_gridpoint_dst_autumn.json", date(2026, 11, 1), PLACE, 1),
    ],
)  # fmt: skip
def test_days_minute_by_minute(
    weather_folder: Path, name: str, first: date, place: Location, length: int
) -> None:
    text = (weather_folder / name).read_text(encoding="utf-8")
    layers = json.loads(text)["properties"]
    now = datetime.fromisoformat(layers["updateTime"]) + timedelta(hours=1)
    days = table(parse(text, today=first, now=now, place=place, cell=None))
    compared = 0
    for i in range(length):
        day = first + timedelta(days=i)
        ours, minutes = days[day, "forecast"], minutes_of(day, NEW_YORK)
        assert len(minutes) == (1500 if day == date(2026, 11, 1) else 1440)
        rain = by_minute(layers["quantitativePrecipitation"], share=True)
        assert ours["rain_mm"] == pytest.approx(math.fsum(rain[m] for m in minutes), abs=1e-6)
        wind = by_minute(layers["windSpeed"], share=False)
        mean = math.fsum(wind[m] for m in minutes) / len(minutes) / 3.6
        assert ours["wind_m_s"] == pytest.approx(mean)
        assert ours["wind_height_m"] == 10
        humidity = by_minute(layers["relativeHumidity"], share=False)
        assert ours["rh_min_pct"] == min(humidity[m] for m in minutes)
        chance = by_minute(layers["probabilityOfPrecipitation"], share=False)
        assert ours["rain_chance_pct"] == max(chance[m] for m in minutes)
        hours = by_minute(layers["temperature"], share=False)
        warmest, coldest = (f(hours[m] for m in minutes) for f in (max, min))
        assert warmest <= ours["tmax_c"] <= warmest + 3, "the service's own extremes are a little outside"
        assert coldest - 3 <= ours["tmin_c"] <= coldest
        compared += 1
        assert "solar_mj_m2" not in ours
    assert compared == length


def test_windows_widen_the_hours(samples: Path) -> None:
    days = table(parse((samples / "nws_gridpoint_dst_autumn.json").read_text(encoding="utf-8"),
                       today=date(2026, 10, 31), now=datetime(2026, 10, 31, 7, 30, tzinfo=UTC)))  # fmt: skip
    assert days[date(2026, 11, 2), "forecast"]["tmin_c"] == pytest.approx(3.888889, abs=1e-5)
    assert days[date(2026, 11, 1), "forecast"]["tmin_c"] == 6.2, "the night's minimum, at dawn of the 1st"


def test_a_window_far_from_its_hours_is_set_aside(samples: Path) -> None:
    def change(answer: dict[str, Any]) -> None:
        answer["properties"]["maxTemperature"]["values"][1]["value"] = 44.0

    found = parse(edited(samples / "nws_gridpoint_good.json", change))
    assert table(found)[date(2026, 6, 13), "forecast"]["tmax_c"] < 30
    assert "nws: maxTemperature of 2026-06-13 does not fit the hours: set aside" in found.notices


def test_missing_layers_stay_missing(samples: Path) -> None:
    """Nulls, an empty layer: no zero in their place."""
    days = table(parse((samples / "nws_gridpoint_nulls.json").read_text(encoding="utf-8")))
    assert "rain_mm" not in days[TODAY, "forecast"]
    assert "wind_m_s" not in days[TODAY, "forecast"]
    assert "tmin_c" not in days[date(2026, 6, 13), "forecast"]


@pytest.mark.parametrize(
    ("layer", "uom", "change", "field", "tolerance"),
    [
        ("temperature", "wmoUnit:degF", lambda v: v * 1.8 + 32, "tmin_c", 1e-9),
        ("temperature", "unit:K", lambda v: v + 273.15, "tmin_c", 1e-9),
        ("windSpeed", "unit:m_s-1", lambda v: v / 3.6, "wind_m_s", 1e-9),
        ("quantitativePrecipitation", "wmo:m", lambda v: v / 1000, "rain_mm", 1e-9),
        ("quantitativePrecipitation", "mm", lambda v: v, "rain_mm", 1e-9),
    ],
)  # fmt: skip
def test_units_are_read_not_assumed(
    samples: Path, layer: str, uom: str, change: Callable[[float], float], field: str, tolerance: float
) -> None:
    def convert(answer: dict[str, Any]) -> None:
        answer["properties"][layer]["uom"] = uom
        for item in answer["properties"][layer]["values"]:
            item["value"] = change(item["value"])

    path, day = samples / "nws_gridpoint_good.json", (date(2026, 6, 13), "forecast")
    before = table(parse(path.read_text(encoding="utf-8")))[day]
    assert table(parse(edited(path, convert)))[day][field] == pytest.approx(before[field], abs=tolerance)


def test_unknown_unit_is_set_aside(samples: Path) -> None:
    def change(answer: dict[str, Any]) -> None:
        answer["properties"]["windSpeed"]["uom"] = "wmoUnit:furlong"

    found = parse(edited(samples / "nws_gridpoint_good.json", change))
    assert "wind_m_s" not in table(found)[TODAY, "forecast"]
    assert "nws: windSpeed left out: its unit is 'wmoUnit:furlong', not one known here" in found.notices


def test_a_block_given_twice_counts_once(samples: Path) -> None:
    path, day = samples / "nws_gridpoint_good.json", (date(2026, 6, 13), "forecast")

    def same(answer: dict[str, Any]) -> None:
        answer["properties"]["quantitativePrecipitation"]["values"] *= 2

    def different(answer: dict[str, Any]) -> None:
        values = answer["properties"]["quantitativePrecipitation"]["values"]
        values += [{**item, "value": item["value"] + 1} for item in values]

    once = table(parse(path.read_text(encoding="utf-8")))[day]["rain_mm"]
    assert table(parse(edited(path, same)))[day]["rain_mm"] == once == pytest.approx(12.6)
    found = parse(edited(path, different))
    assert "rain_mm" not in table(found)[day]
    assert any("given twice, differently" in notice for notice in found.notices)


def test_old_forecast_is_refused(samples: Path) -> None:
    text = (samples / "nws_gridpoint_good.json").read_text(encoding="utf-8")
    with pytest.raises(CouldNot, match=r"old forecast \(19 hours\)"):
        parse(text, now=datetime(2026, 6, 12, 22, 45, tzinfo=UTC))


def test_another_place_is_refused(samples: Path) -> None:
    text = (samples / "nws_gridpoint_good.json").read_text(encoding="utf-8")
    with pytest.raises(CouldNot, match="another place"):
        parse(text, place=Location(44.5, -81.5, 152, "America/New_York"))
    with pytest.raises(CouldNot, match="another grid square"):
        parse(text, cell=("ZZZ", 12, 35))


# --- measurements --------------------------------------------------------------------------------

AFTER = datetime(2026, 6, 14, 7, 30, tzinfo=UTC)


def report(at: str, rain: float | None = None, six: float | None = None, **more: Any) -> dict[str, Any]:
    def measured(code: str, value: float | None, flag: str = "V") -> dict[str, Any]:
        return {"unitCode": f"wmoUnit:{code}", "value": value, "qualityControl": flag}

    return {"properties": {
        "timestamp": at, "rawMessage": "",
        "temperature": measured("degC", 20.0), "dewpoint": measured("degC", 12.0),
        "relativeHumidity": measured("percent", 60.0), "windSpeed": measured("km_h-1", 7.2),
        "precipitationLastHour": measured("mm", rain), "precipitationLast6Hours": measured("mm", six), **more,
    }}  # fmt: skip


def hourly(first: datetime, hours: int, **more: Any) -> list[dict[str, Any]]:
    return [report((first + timedelta(hours=i)).isoformat(), **more) for i in range(hours)]


def reports(*features: dict[str, Any]) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def yesterday(features: list[dict[str, Any]], now: datetime = AFTER) -> dict[str, float]:
    days = table(parse(None, [reports(*features)], today=date(2026, 6, 14), now=now))
    return days.get((date(2026, 6, 13), "station"), {})


BEGIN = datetime(2026, 6, 13, 3, 53, tzinfo=UTC)  # stands for local midnight


def test_measured_day(samples: Path) -> None:
    """The sample's rain: six-hour sums 0, 0, 0.3, 11.5 up to 23:53Z, then 4.4; and the hours after are null.

    Null is not dry: only when a later sum covers the last three hours is the day's rain known.
    """
    text = (samples / "nws_observations_good.json").read_text(encoding="utf-8")
    found = parse(None, [text], today=date(2026, 6, 14), now=AFTER)
    day = table(found)[date(2026, 6, 13), "station"]
    temperatures = [f["properties"]["temperature"]["value"] for f in json.loads(text)["features"]]
    assert (day["tmin_c"], day["tmax_c"]) == (min(temperatures), max(temperatures))
    assert "rain_mm" not in day
    assert found.credit == "Weather data by the US National Weather Service"
    assert "nws: measured at KZZ9, 27 km away" in found.notices
    later = report("2026-06-14T05:53:00+00:00", None, 5.0)
    whole = parse(None, [text, reports(later)], today=date(2026, 6, 14), now=AFTER)
    # 4.4 mm of the five are known; the rest falls evenly on the five hours without a word, three in this day
    expected = 0.3 + 11.5 + 4.4 + 0.6 * 3 / 5
    assert table(whole)[date(2026, 6, 13), "station"]["rain_mm"] == pytest.approx(expected)


def test_nulls_are_no_zeros(samples: Path) -> None:
    text = (samples / "nws_observations_nulls.json").read_text(encoding="utf-8")
    with pytest.raises(CouldNot, match="without one usable value"):
        parse(None, [text], today=date(2026, 6, 14), now=AFTER)


def test_dry_is_said_by_the_sensor_only() -> None:
    def raw(text: str) -> list[dict[str, Any]]:
        return hourly(BEGIN, 27, rawMessage=text)

    assert yesterday(raw("KZZ9 130353Z AUTO 20/12 RMK AO2 SLP100"))["rain_mm"] == 0.0
    assert "rain_mm" not in yesterday(raw("KZZ9 130353Z AUTO 20/12 RMK AO1"))
    assert "rain_mm" not in yesterday(raw("KZZ9 130353Z AUTO 20/12 RMK AO2 PNO"))
    rejected = {"unitCode": "wmoUnit:mm", "value": 3.0, "qualityControl": "X"}
    some = raw("KZZ9 130353Z AUTO 20/12 RMK AO2")
    some[5]["properties"]["precipitationLastHour"] = rejected
    assert "rain_mm" not in yesterday(some), "rejected is not the same as none"


def test_reports_between_the_hours_are_not_added_up() -> None:
    """Five-minute reports repeat the hour's rain; their temperatures count for the extremes."""
    full = hourly(BEGIN, 27, rain=1.0)
    short = [
        report((BEGIN + timedelta(minutes=5 * i + 2)).isoformat(), 1.0, dewpoint=None, relativeHumidity=None)
        for i in range(27 * 12)
    ]
    short[100]["properties"]["temperature"] = {"unitCode": "wmoUnit:degC", "value": 31.0}
    day = yesterday(full + short)
    assert day["rain_mm"] == 24.0
    assert day["tmax_c"] == 31.0
    assert day["rh_mean_pct"] == pytest.approx(60.0)


@pytest.mark.parametrize("flag", ["X", "B", "Q"])
def test_rejected_values_are_not_used(flag: str) -> None:
    some = hourly(BEGIN, 27, rain=0.0)
    some[9]["properties"]["temperature"] = {"unitCode": "wmoUnit:degC", "value": 55.0, "qualityControl": flag}
    assert yesterday(some)["tmax_c"] == 20.0


@pytest.mark.parametrize("flag", ["Z", "C", "S", "V", "G", None])
def test_other_flags_are(flag: str | None) -> None:
    some = hourly(BEGIN, 27, rain=0.0)
    some[9]["properties"]["temperature"] = {"unitCode": "wmoUnit:degC", "value": 25.0, "qualityControl": flag}
    assert yesterday(some)["tmax_c"] == 25.0


def test_station_units_of_older_answers() -> None:
    """Rain in metres and wind in m/s, as recorded in 2019."""
    some = hourly(
        BEGIN, 27, rain=None,
        precipitationLastHour={"unitCode": "unit:m", "value": 0.002, "qualityControl": "C"},
        windSpeed={"unitCode": "unit:m_s-1", "value": 2.0, "qualityControl": "C"},
    )  # fmt: skip
    day = yesterday(some)
    assert (day["rain_mm"], day["wind_m_s"]) == (pytest.approx(48.0), pytest.approx(2.0))


def test_a_half_day_is_no_day() -> None:
    """Neither its extremes nor its rain: not the low of a night with the high of a morning."""
    with pytest.raises(CouldNot, match="without one usable value"):
        yesterday(hourly(BEGIN, 14, rain=0.0))


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 11, 1), 25), (date(2026, 3, 8), 23), (date(2026, 6, 13), 24)]
)
def test_days_of_23_and_25_hours(day: date, hours: int) -> None:
    midnight = datetime(day.year, day.month, day.day, tzinfo=NEW_YORK).astimezone(UTC)
    some = hourly(midnight - timedelta(minutes=7), 30, rain=1.0)
    today = day + timedelta(days=1)
    now = midnight + timedelta(hours=31)
    fields = table(parse(None, [reports(*some)], today=today, now=now))[day, "station"]
    assert fields["rain_mm"] == hours


def test_rain_since_midnight() -> None:
    some = hourly(BEGIN + timedelta(hours=24), 4, rain=1.5)  # 00, 01, 02, 03 o'clock
    days = table(parse(None, [reports(*some)], today=date(2026, 6, 14), now=AFTER))
    assert days[date(2026, 6, 14), "station"] == {"rain_so_far_mm": 4.5}
    with pytest.raises(CouldNot):  # silent for too long
        parse(None, [reports(*some)], today=date(2026, 6, 14), now=AFTER + timedelta(hours=3))


def test_measured_hours_complete_the_forecast_of_today(samples: Path) -> None:
    """The grid begins at 04Z = midnight; were it cut, measured hours stand in for those that are over."""

    def cut(answer: dict[str, Any]) -> None:
        for name in ("temperature", "windSpeed", "relativeHumidity", "dewpoint"):
            layer = answer["properties"][name]
            layer["values"] = [v for v in layer["values"] if v["validTime"] >= "2026-06-12T07"]
        layer = answer["properties"]["quantitativePrecipitation"]
        layer["values"][0]["value"] = 6.0

    text = edited(samples / "nws_gridpoint_good.json", cut)
    assert "tmin_c" not in table(parse(text))[TODAY, "forecast"]
    some = hourly(datetime(2026, 6, 12, 3, 53, tzinfo=UTC), 4, rain=2.0)
    found = table(parse(text, [reports(*some)]))
    assert found[TODAY, "forecast"]["tmin_c"] == 15.0
    # labels 05, 06, 07 as measured, 2 mm each; of the block 06-12Z of 6 mm, five hours are still ahead
    assert found[TODAY, "forecast"]["rain_mm"] == pytest.approx(3 * 2 + 5)
    assert found[TODAY, "station"] == {"rain_so_far_mm": 6.0}


# --- asking --------------------------------------------------------------------------------------

STATIONS = json.dumps({"features": [
    {"geometry": {"coordinates": [-80.4, 34.5]}, "properties": {"stationIdentifier": "KFAR"}},
    {"geometry": {"coordinates": [-81.61, 34.31]},
     "properties": {"stationIdentifier": "KZZ9", "elevation": {"unitCode": "wmoUnit:m", "value": 149}}},
    {"geometry": {"coordinates": [-81.47, 34.52]},
     "properties": {"stationIdentifier": "KHIGH", "elevation": {"unitCode": "wmoUnit:m", "value": 900}}},
    {"geometry": {"coordinates": [-81.5, 34.5]}, "properties": {"stationIdentifier": "../etc"}},
]})  # fmt: skip
POINTS, GRID, NEAR = "/points/34.52,-81.46", "/gridpoints/ZZZ/12,34", "/gridpoints/ZZZ/12,34/stations"
SEEN = "/stations/KZZ9/observations"


def serve(replay: Replay, samples: Path) -> None:
    def body(name: str) -> list[Answer]:
        return [Answer(body=(samples / name).read_bytes())]

    replay.give(Answer(404, (samples / "nws_error_404_point.json").read_bytes()))
    replay.routes = {
        POINTS: body("nws_points.json"),
        GRID: body("nws_gridpoint_good.json"),
        NEAR: [Answer(body=STATIONS)],
        SEEN: [Answer(body=reports(*hourly(datetime(2026, 6, 11, 3, 53, tzinfo=UTC), 28, rain=0.5)))],
    }


def collect(
    replay: Replay, folder: Path | None = None, now: datetime = NOW
) -> tuple[list[Fetched], list[str]]:
    spec = service("nws", contact="you@example.org", url=replay.base)
    return sources.collect(
        garden(PLACE, spec), TODAY - timedelta(days=8), TODAY, now, get=quick, environ={}, data_folder=folder
    )


def test_the_whole_way(replay: Replay, samples: Path, tmp_path: Path) -> None:
    serve(replay, samples)
    [found], failures = collect(replay, tmp_path)
    assert failures == []
    days = table(found)
    assert days[date(2026, 6, 11), "station"]["rain_mm"] == 12.0
    assert days[TODAY, "forecast"]["tmax_c"] == pytest.approx(30.0, abs=0.1)
    assert replay.paths() == [POINTS, NEAR, GRID, SEEN], "the high, the far and the strange are not asked"
    assert set(replay.agents) == {"(rowwater, you@example.org)"}
    assert replay.asked[-1][1] == {"start": "2026-06-06T04:00:00Z", "limit": "500"}
    replay.asked.clear()
    collect(replay, tmp_path)
    assert replay.paths() == [GRID, SEEN], "square and stations are kept"
    replay.asked.clear()
    collect(replay, tmp_path, NOW + timedelta(days=8))
    assert replay.paths()[:2] == [POINTS, NEAR], "for a week"


def test_address_of_the_service_from_the_environment(replay: Replay, samples: Path) -> None:
    serve(replay, samples)
    plot = garden(PLACE, service("nws", contact="you@example.org"))
    environ = {"ROWWATER_NWS_URL": replay.base}
    answers, failures = sources.collect(plot, TODAY, TODAY, NOW, get=quick, environ=environ)
    assert (len(answers), failures) == (1, [])


def test_square_that_moved(replay: Replay, samples: Path, tmp_path: Path) -> None:
    """A 404 of a square known from earlier: the place is asked for anew, once."""
    serve(replay, samples)
    collect(replay, tmp_path)
    gone = (samples / "nws_error_404_point.json").read_text(encoding="utf-8")
    replay.asked.clear()
    replay.routes[GRID] = [Answer(404, gone), *replay.routes[GRID]]
    [found], _ = collect(replay, tmp_path)
    assert replay.paths() == [GRID, POINTS, NEAR, GRID, SEEN]
    assert (TODAY, "forecast") in table(found)


@pytest.mark.parametrize(
    ("path", "answer", "line", "calls"),
    [
        (POINTS, "nws_error_404_point.json", "nws: the weather service does not cover this place - it", 1),
        (POINTS, "nws_error_403.html", "nws: the weather service refused this program (status 403)", 1),
        (POINTS, "nws_error_500.json", "nws: the weather service is out of order (status 500): Un", 3),
    ],
)  # fmt: skip
def test_refusals_are_one_line(
    replay: Replay, samples: Path, path: str, answer: str, line: str, calls: int
) -> None:
    serve(replay, samples)
    status = int("".join(filter(str.isdigit, answer))[:3])
    replay.routes[path] = [Answer(status, (samples / answer).read_bytes())]
    answers, [failure] = collect(replay)
    assert answers == []
    assert failure.startswith(line)
    assert len(replay.asked) == calls


def test_expired_grid_is_tried_again_and_measurements_count_all_the_same(
    replay: Replay, samples: Path
) -> None:
    serve(replay, samples)
    expired = Answer(503, (samples / "nws_error_503_grid_expired.json").read_bytes())
    replay.routes[GRID] = [expired, expired, *replay.routes[GRID]]
    [found], failures = collect(replay)
    assert (replay.paths().count(GRID), failures) == (3, [])
    assert (TODAY, "forecast") in table(found)
    replay.asked.clear()
    replay.routes[GRID] = [expired]
    [found], failures = collect(replay)
    assert failures == []
    assert {kind for _, kind in table(found)} == {"station"}
    assert "nws: the weather service is out of order (status 503): Forecast Grid Expired" in found.notices
    replay.routes[SEEN] = [expired]
    answers, [failure] = collect(replay)
    assert answers == []
    assert failure.startswith("nws: the weather service is out of order (status 503): Forecast Grid Expired")


def test_redirect_to_the_canonical_point_is_followed(replay: Replay, samples: Path) -> None:
    serve(replay, samples)
    replay.routes["/points/elsewhere"] = replay.routes[POINTS]
    replay.routes[POINTS] = [Answer(301, headers={"Location": "/points/elsewhere"})]
    [found], failures = collect(replay)
    assert failures == []
    assert found.values
    assert set(replay.agents) == {"(rowwater, you@example.org)"}


def test_decimals_and_zeros_of_the_place() -> None:
    assert nws._place(Location(35.6, -82.440004, 0, "UTC")) == "35.6,-82.44"
    assert nws._place(Location(35, -0.00001, 0, "UTC")) == "35,0"


@pytest.mark.parametrize("contact", [None, "", "  ", "a\r\nX-Evil: 1", "ü@example.org", "x" * 200])
def test_contact_is_needed(contact: str | None) -> None:
    with pytest.raises(BadInput, match="contact"):
        nws.agent(contact)


def test_many_reports_come_in_pages(replay: Replay, samples: Path) -> None:
    """500 reports an answer, newest first: the older ones are asked for with an earlier end."""
    serve(replay, samples)
    every = [(datetime(2026, 6, 6, 4, 0, tzinfo=UTC) + timedelta(minutes=5 * i)) for i in range(1600)]

    def page(params: dict[str, str], _: dict[str, str]) -> Answer:
        until = params.get("end", "9")
        inside = [at for at in every if f"{at:%Y-%m-%dT%H:%M:%SZ}" <= until][-500:]
        return Answer(body=reports(*(report(at.isoformat(), 0.0) for at in reversed(inside))))

    replay.routes[SEEN] = [Answer(body=page)]
    [found], _ = collect(replay)
    assert 3 <= replay.paths().count(SEEN) <= nws.MOST_PAGES
    rain = {
        day: fields["rain_mm"]
        for (day, kind), fields in table(found).items()
        if kind == "station" and "rain_mm" in fields
    }
    assert set(rain.values()) == {0.0}
    assert len(rain) >= 4


def test_all_calls_share_one_deadline(replay: Replay, samples: Path) -> None:
    serve(replay, samples)
    replay.routes[GRID] = [Answer(how=hang)]
    clock = iter([0.0, 0.0, 59.0, 59.2, 61.0, 62.0])
    given: list[float] = []

    def get(url: str, params: Any = None, /, *, headers: Any = None, total_seconds: float = 60) -> http.Reply:
        given.append(total_seconds)
        return http.get(url, params, headers=headers, total_seconds=min(total_seconds, 1.0), tries=1)

    with pytest.raises(CouldNot):
        nws.fetch(PLACE, contact="you@example.org", days=[TODAY], now=NOW, get=get, url=replay.base,
                  monotonic=lambda: next(clock))  # fmt: skip
    assert given == [60.0, 1.0, pytest.approx(0.8)]


def test_days_that_are_known_are_not_measured_again() -> None:
    assert nws.days_to_measure(date(2026, 6, 1), TODAY, lambda day: day != date(2026, 6, 8)) == [
        date(2026, 6, 8), date(2026, 6, 11), TODAY
    ]  # fmt: skip


def test_damaged_shelf_is_a_miss(replay: Replay, samples: Path, tmp_path: Path) -> None:
    serve(replay, samples)
    collect(replay, tmp_path)
    for path in tmp_path.rglob("*.json"):
        path.write_bytes(path.read_bytes()[:-10])
    replay.asked.clear()
    [found], failures = collect(replay, tmp_path)
    assert failures == []
    assert replay.paths()[:2] == [POINTS, NEAR]
    assert Cache(tmp_path / "weather-cache").get(f"nws point {nws._place(PLACE)}") is not None
    assert found.values
