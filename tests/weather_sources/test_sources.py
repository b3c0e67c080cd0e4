"""The seam: all sources of a garden asked, each failure one line, the others go on."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from weather_sources.replay import Answer, Replay

from scheduler.errors import BadInput
from scheduler.model import Garden, Location, SourceSpec, Supply
from scheduler.weather import days, http, sources
from scheduler.weather.files import source as file_source

TODAY = date(2026, 6, 13)
NOW = datetime(2026, 6, 13, 9, 30, tzinfo=UTC)


def garden(place: Location, *specs: SourceSpec, folder: Path | str = ".") -> Garden:
    return Garden("Creekside plot", place, "us", Supply(20.0), {}, (), sources=specs, folder=str(folder))


def service(name: str, **settings: str) -> SourceSpec:
    return SourceSpec("service", name, {"service": name, **settings})


def quick(
    url: str,
    params: Mapping[str, str] | None = None,
    /,
    *,
    headers: Mapping[str, str] | None = None,
    total_seconds: float = 8,
) -> http.Reply:
    return http.get(
        url,
        params,
        headers=headers,
        sleep=lambda _: None,
        chance=lambda: 0.0,
        total_seconds=min(8, total_seconds),
    )


def test_all_is_asked_whatever_fails(
    replay: Replay, samples: Path, fernhollow: Location, tmp_path: Path
) -> None:
    replay.give(Answer(body=(samples / "openmeteo_forecast_good.json").read_bytes()))
    (tmp_path / "s.csv").write_text("date,High\n2026-06-11,88\n2026-06-12,80\n", encoding="utf-8")
    specs = (
        service("nws"),
        SourceSpec("mqtt", "mqtt station/daily", {"topic": "station/daily"}),
        SourceSpec("file", "file none.csv", {"path": "none.csv"}),
        SourceSpec("file", "file s.csv", {"path": "s.csv", "columns": {"tmax_f": "High"}}),
        service("weather-of-mars"),
        service("open-meteo", url=replay.url),
    )
    answers, failures = sources.collect(
        garden(fernhollow, *specs, folder=tmp_path), date(2026, 6, 12), TODAY, NOW, get=quick, environ={}
    )
    assert failures == [
        "nws: needs a contact, by which the service can reach you - contact: you@example.org",
        "mqtt station/daily: garden.yaml names no broker - broker: {host: localhost}",
        f"file none.csv: none.csv: there is no such file ({tmp_path / 'none.csv'})",
        "weather-of-mars: is not a weather service known here",
    ]
    assert [answer.credit for answer in answers] == [None, "Weather data by Open-Meteo.com (CC BY 4.0)"]
    values = [value for answer in answers for value in answer.values]
    assert min(value.day for value in values) == date(2026, 6, 12), "nothing before the span"
    made = days.join(values, date(2026, 6, 12), TODAY, [spec.name for spec in specs])
    assert made.tmax_c[0] == pytest.approx((80 - 32) / 1.8)
    assert made.came_from["tmax_c"] == ("file s.csv (station)", "open-meteo (forecast)")
    assert made.came_from["tmin_c"][0] == "open-meteo (model)"


def test_address_from_the_environment(replay: Replay, samples: Path, fernhollow: Location) -> None:
    replay.give(Answer(body=(samples / "openmeteo_forecast_good.json").read_bytes()))
    plot = garden(fernhollow, service("open-meteo"))
    environ = {"ROWWATER_OPENMETEO_URL": replay.url}
    answers, failures = sources.collect(plot, TODAY, TODAY, NOW, get=quick, environ=environ)
    assert (len(answers), failures) == (1, [])
    assert len(replay.asked) == 1


def test_how_far_back_is_told(replay: Replay, samples: Path, fernhollow: Location) -> None:
    replay.give(Answer(body=(samples / "openmeteo_forecast_good.json").read_bytes()))
    plot = garden(fernhollow, service("open-meteo", url=replay.url))
    [answer], _ = sources.collect(plot, TODAY - timedelta(days=200), TODAY, NOW, get=quick, environ={})
    assert "open-meteo: reaches 92 days back: nothing before 2026-03-14" in answer.notices


@pytest.mark.parametrize(
    ("answer", "line"),
    [
        (Answer(body="<html>sign in</html>"), "open-meteo: a web page came instead of weather - does"),
        (Answer(), "open-meteo: the weather service answered with nothing"),
        (Answer(429, '{"error": true, "reason": "Daily limit"}'), "open-meteo: the weather service has had"),
        (Answer(301, headers={"Location": "/v1/forecast"}), "open-meteo: 127.0.0.1 redirects in a circle"),
    ],
)  # fmt: skip
def test_each_failure_is_one_line(replay: Replay, fernhollow: Location, answer: Answer, line: str) -> None:
    replay.give(answer)
    plot = garden(fernhollow, service("open-meteo", url=replay.url))
    answers, failures = sources.collect(plot, TODAY, TODAY, NOW, get=quick, environ={})
    assert answers == []
    [failure] = failures
    assert failure.startswith(line)
    assert "\n" not in failure


def test_many_complaints_become_one_line(fernhollow: Location, tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("date,tmin_c\n2026-06-01,x\n2026-06-02,y\nnever,z\n", encoding="utf-8")
    plot = garden(fernhollow, SourceSpec("file", "file w.csv", {"path": "w.csv"}), folder=tmp_path)
    assert sources.collect(plot, TODAY, TODAY, NOW, get=quick, environ={})[1] == [
        'file w.csv: w.csv:2: tmin_c: "x" is not a number (and 3 more)'
    ]


def test_a_defect_is_told_and_logged(fernhollow: Location, caplog: pytest.LogCaptureFixture) -> None:
    def broken(url: str, params: Mapping[str, str]) -> http.Reply:
        raise KeyError("x")

    plot = garden(fernhollow, service("open-meteo"))
    _, failures = sources.collect(plot, TODAY, TODAY, NOW, get=broken, environ={})
    assert failures == ["open-meteo: failed unexpectedly (KeyError), see the log"]
    assert "weather source open-meteo failed" in caplog.text


def test_earlier_years_of_a_file(fernhollow: Location, tmp_path: Path) -> None:
    """Only where asked for: a file's earlier rows can give the means that stand in for missing days."""
    (tmp_path / "w.csv").write_text(
        "date,tmin_c\n2024-06-12,8\n2025-06-12,9\n2026-06-12,10\n", encoding="utf-8"
    )
    plot = garden(fernhollow, SourceSpec("file", "file w.csv", {"path": "w.csv"}), folder=tmp_path)
    for years, expected in ((0, [10.0]), (1, [9.0, 10.0]), (10, [8.0, 9.0, 10.0])):
        [answer], _ = sources.collect(
            plot, date(2026, 6, 12), TODAY, NOW, get=quick, environ={}, years_of_files=years
        )
        assert [value.value for value in answer.values] == expected


def test_no_sources(fernhollow: Location) -> None:
    assert sources.collect(garden(fernhollow), TODAY, TODAY, NOW, get=quick, environ={}) == ([], [])


# --- files as live sources -----------------------------------------------------------------------


def fetch(spec: SourceSpec, place: Location, folder: Path) -> file_source.Fetched:
    return file_source.fetch(spec, place, folder, TODAY, NOW)


def test_daily_file_without_a_map(fernhollow: Location, tmp_path: Path) -> None:
    text = "date,tmin_c,rain_mm,rain_chance_pct\n2026-06-12,10,,\n2026-06-13,11,2,40\n2026-06-14,12,3,50\n"
    (tmp_path / "w.csv").write_text(text, encoding="utf-8")
    answer = fetch(SourceSpec("file", "file w.csv", {"path": "w.csv", "columns": None}), fernhollow, tmp_path)
    assert sorted((v.day.day, v.field, v.value, v.kind) for v in answer.values) == [
        (12, "tmin_c", 10.0, "station"),
        (13, "rain_chance_pct", 40.0, "forecast"),
        (13, "rain_mm", 2.0, "forecast"),
        (13, "tmin_c", 11.0, "forecast"),
        (14, "rain_chance_pct", 50.0, "forecast"),
        (14, "rain_mm", 3.0, "forecast"),
        (14, "tmin_c", 12.0, "forecast"),
    ]
    assert {v.source for v in answer.values} == {"file w.csv"}
    assert answer.credit is None


def test_quarter_hours_live(samples: Path, fernhollow: Location) -> None:
    """At 19:00 on 13 June: yesterday is over and measured, of today only the rain since midnight is."""
    spec = SourceSpec(
        "file", "file station",
        {
            "path": str(samples / "station_15min_us_units.csv"),
            "columns": {"temp_f": "Outdoor Temperature (F)", "rain_day_in": "Daily Rain (in)"},
        },
    )  # fmt: skip
    now = datetime(2026, 6, 13, 23, 0, tzinfo=UTC)
    answer = file_source.fetch(spec, fernhollow, ".", TODAY, now)
    assert {(v.day.day, v.field, v.kind) for v in answer.values} == {
        (12, "tmin_c", "station"), (12, "tmax_c", "station"), (12, "rain_mm", "station"),
        (13, "rain_so_far_mm", "station"),
    }  # fmt: skip
    assert [v.value for v in answer.values if v.field == "rain_so_far_mm"] == pytest.approx([0.16 * 25.4])


def test_a_daily_row_of_today_is_a_part_of_it(fernhollow: Location, tmp_path: Path) -> None:
    """A station's own file grows during the day; one that looks ahead has later rows or a chance of rain."""
    path, columns = tmp_path / "s.csv", {"tmax_f": "High", "rain_in": "Rain"}
    spec = SourceSpec("file", "file s.csv", {"path": "s.csv", "columns": columns})
    path.write_text("date,High,Rain\n2026-06-12,88,0.1\n2026-06-13,70,0.2\n", encoding="utf-8")
    answer = fetch(spec, fernhollow, tmp_path)
    assert [(v.day.day, v.field, v.kind) for v in answer.values] == [
        (12, "tmax_c", "station"), (12, "rain_mm", "station"), (13, "rain_so_far_mm", "station"),
    ]  # fmt: skip
    assert answer.values[-1].value == pytest.approx(5.08)
    assert answer.notices == ("s.csv: the row of today is not a whole day yet: only its rain is used",)
    with path.open("a", encoding="utf-8") as file:
        file.write("2026-06-14,90,0.0\n")
    ahead = {(v.day.day, v.field, v.kind) for v in fetch(spec, fernhollow, tmp_path).values}
    assert {(13, "tmax_c", "forecast"), (14, "rain_mm", "forecast")} <= ahead


def test_a_file_that_grows_in_the_day(samples: Path, fernhollow: Location, tmp_path: Path) -> None:
    """Read every two hours: no day before it is over, rain since midnight never less than before."""
    lines = (samples / "station_15min_us_units.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    columns = {"temp_f": "Outdoor Temperature (F)", "rain_day_in": "Daily Rain (in)"}
    spec = SourceSpec("file", "file g.csv", {"path": "g.csv", "columns": columns})
    seen: dict[date, set[str]] = {}
    rain: list[float] = []
    for hour in range(2, 24, 2):
        now = datetime(2026, 6, 13, hour, 1, tzinfo=ZoneInfo("America/New_York"))
        until = f"{now:%m/%d/%Y %H:%M}"
        kept = [line for line in lines if not line.startswith("06/") or line[:16] <= until]
        (tmp_path / "g.csv").write_text("".join(kept) + "06/13/2026 2", encoding="utf-8")
        for value in file_source.fetch(spec, fernhollow, tmp_path, TODAY, now).values:
            seen.setdefault(value.day, set()).add(value.field)
            if value.field == "rain_so_far_mm":
                rain.append(value.value)
    assert seen[TODAY] == {"rain_so_far_mm"}
    assert len(rain) >= 8
    assert rain == sorted(rain)


def test_old_file_is_told(fernhollow: Location, tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("date,tmin_c\n2026-06-01,10\n", encoding="utf-8")
    spec = SourceSpec("file", "file w.csv", {"path": "w.csv"})
    assert fetch(spec, fernhollow, tmp_path).notices == ("w.csv: nothing newer than 2026-06-01",)
    (tmp_path / "w.csv").write_text("date,tmin_c\n2026-06-01,--\n", encoding="utf-8")
    assert fetch(spec, fernhollow, tmp_path).notices == ("w.csv: has no usable value",)


def test_file_without_a_path(fernhollow: Location, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="needs a path"):
        fetch(SourceSpec("file", "file", {}), fernhollow, tmp_path)


def test_no_heavy_library_at_import() -> None:
    """Every module of the package loads without numpy and requests; they come when work is done."""
    code = (
        "import sys, pkgutil, importlib, scheduler.weather as w\n"
        "[importlib.import_module(f'scheduler.weather.{m.name}') for m in pkgutil.iter_modules(w.__path__)]\n"
        "print(sorted({'numpy', 'requests', 'pandas', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
