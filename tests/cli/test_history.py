"""`rowwater history`: past years fetched from the archive or read from a file, beside a season on record."""

from __future__ import annotations

import csv
import gzip
import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cli.conftest import CREEKSIDE, Clock, Grower
from hypothesis import given
from hypothesis import strategies as st
from weather_sources.replay import Answer
from weather_sources.sky import Sky

from scheduler.model import WeatherValue
from scheduler.planning.history import Told, years_between
from scheduler.store.store import Store
from scheduler.weather.openmeteo import history as archive

ROOT = Path(__file__).parents[2]
WEATHER = ROOT / "tests" / "weather"
TODAY = "2015-07-03T07:00"


@pytest.fixture
def season(grower: Grower, clock: Clock) -> Grower:
    """A garden with a morning on record, whose own file begins in April."""
    file = grower.folder / "weather.csv"
    head, *lines = file.read_text().splitlines()
    file.write_text("\n".join([head, *(line for line in lines if line >= "2015-04-01")]))
    assert grower("day", "--date", "2015-07-03").status in (0, 3)
    clock(TODAY)
    return grower


def rows(grower: Grower, query: str = "SELECT count(*) FROM weather_values") -> list[tuple[Any, ...]]:
    with sqlite3.connect(grower.data / "rowwater.db") as database:
        return database.execute(query).fetchall()


def believed(grower: Grower) -> Any:
    """The season's days as every reader takes them."""
    page = grower("weather", "--from", "2015-04-01", "--to", "2015-07-10", "--json").json
    return page["days"]


# --- from the archive ----------------------------------------------------------------------------


def test_years_are_fetched_once_and_the_season_stays_as_it_was(season: Grower, sky: Sky) -> None:
    """Whole calendar years before this one, a call each, the newest first; 2012 has its leap day."""
    before, plan = believed(season), season("morning", "--json").json
    said = season("history", "--years", "4", "--json")
    page = said.json
    assert [(one["year"], one["days"]) for one in page["years"]] == [
        (2014, 365), (2013, 365), (2012, 366), (2011, 365),
    ]  # fmt: skip
    assert [span[0][:4] for span in sky.asked] == ["2014", "2013", "2012", "2011"]
    assert page["credits"] == ["Weather data by Open-Meteo.com (CC BY 4.0)"]
    assert believed(season) == before
    assert season("morning", "--json").json["zones"] == plan["zones"]
    count = rows(season)
    again = season("history", "--years", "4", "--json").json
    assert (len(sky.asked), rows(season), again["added"]) == (4, count, 0)
    assert [one["complete"] for one in again["years"]] == [365, 365, 366, 365]
    assert said.status == 0


def test_what_was_estimated_and_what_is_missing_is_said_by_year(season: Grower, sky: Sky) -> None:
    sky.null_days = {date(2014, 3, 8) + timedelta(days=i) for i in range(3)}
    said = season("history", "--years", "1", "--json")
    assert said.status == 3
    (year,) = said.json["years"]
    assert year["complete"] == 362
    assert year["missing"] == {"temperature": 3, "rain": 3}
    assert year["estimated"] == {"humidity": 0, "solar radiation": 0, "wind": 0}
    assert year["sources"].keys() == {"open-meteo archive"}
    assert year["rain_mm"] == pytest.approx(362 * 2.4, abs=0.3)  # 0.1 mm an hour; clock changes are an hour
    text = season("history", "--years", "1").out
    assert "missing: temperature on 3 days, rain on 3 days" in text
    assert sky.asked[1] == ("2014-03-08", "2014-03-11"), "only what is missing is asked again, in UTC dates"


def test_a_year_of_nulls_is_told_and_the_others_go_on(season: Grower, sky: Sky) -> None:
    sky.null_days = {date(2013, 1, 1) + timedelta(days=i) for i in range(365)}
    said = season("history", "--years", "3", "--json")
    assert said.status == 3
    assert [one["complete"] for one in said.json["years"]] == [365, 0, 366]
    assert "open-meteo archive: nothing for 2013-01-01 to 2013-12-31" in said.json["notices"]


@pytest.mark.parametrize(
    ("refusal", "words"),
    [
        (Answer(429, '{"error": true, "reason": "Daily API request limit exceeded."}',
                {"Retry-After": "3600"}), "too many calls from this address: Daily API request limit"),
        (Answer(400, '{"error": true, "reason": "out of range"}'), "refused the question (status 400)"),
        (Answer(200, '{"latitude": 1'), "answer"),
    ],
)  # fmt: skip
def test_a_service_that_refuses_leaves_the_years_done_and_the_command_goes_on(
    season: Grower, sky: Sky, refusal: Answer, words: str
) -> None:
    """A pause longer than the call may last is not waited for, as in the daily job."""
    sky.refuse_from, sky.refusal = 2, refusal
    said = season("history", "--years", "4")
    assert said.status == 1
    assert words in said.err
    assert "2 of 4 years are done and on record" in said.err
    assert "the same command goes on where it ended" in said.err
    sky.refuse_from = None
    sky.asked.clear()
    assert season("history", "--years", "4", "--json").json["added"] > 0
    assert [span[0][:4] for span in sky.asked] == ["2012", "2011"]


def test_between_two_calls_there_is_a_pause(
    season: Grower, sky: Sky, monkeypatch: pytest.MonkeyPatch
) -> None:
    slept: list[float] = []
    monkeypatch.setattr(archive, "PAUSE_SECONDS", 3.0)
    monkeypatch.setattr("scheduler.cli.history.time.sleep", lambda s: slept.append(s) if s else None)
    season("history", "--years", "3")
    assert slept == [3.0, 3.0]
    season("history", "--years", "3")
    assert slept == [3.0, 3.0], "nothing is asked, nothing is waited for"


def test_a_place_in_the_south(grower: Grower, clock: Clock, sky: Sky) -> None:
    """Its cold months are June to August; hours before midnight UTC are those of the next day there."""
    sky.place = (-37.8, 145.0)
    grower.edit(
        "{latitude: 47.44, longitude: -122.31, elevation: 371 ft, timezone: America/Los_Angeles}",
        "{latitude: -37.8, longitude: 145.0, elevation: 100 ft, timezone: Australia/Melbourne}",
    )
    clock(TODAY)
    assert grower("history", "--years", "1", "--json").json["years"][0]["complete"] == 365
    means = dict(rows(grower, "SELECT substr(day, 6, 2), avg(value) FROM weather_values "
                              "WHERE field = 'tmax_c' GROUP BY 1"))  # fmt: skip
    assert means["07"] < means["10"] < means["01"]


def test_days_of_clock_changes_have_their_hours(season: Grower, sky: Sky) -> None:
    """0.1 mm an hour: 2.3 mm on the day of 23 hours, 2.5 mm on that of 25 (US, 2014)."""
    season("history", "--years", "1")
    rain = dict(rows(season, "SELECT day, value FROM weather_values WHERE field = 'rain_mm' AND "
                             "source = 'open-meteo archive'"))  # fmt: skip
    assert rain["2014-03-09"] == pytest.approx(2.3)
    assert rain["2014-11-02"] == pytest.approx(2.5)
    assert rain["2014-06-01"] == pytest.approx(2.4)


def test_an_answer_for_another_place_is_refused(season: Grower, sky: Sky) -> None:
    sky.place = (38.54, -121.74)
    said = season("history", "--years", "1")
    assert said.status == 1
    assert "another place" in said.err
    assert rows(season, "SELECT count(*) FROM weather_values WHERE source = 'open-meteo archive'") == [(0,)]


def test_ctrl_c_says_what_is_done_and_how_it_goes_on(
    season: Grower, sky: Sky, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wait(seconds: float) -> None:
        if seconds and len(sky.asked) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(archive, "PAUSE_SECONDS", 3.0)
    monkeypatch.setattr("scheduler.cli.history.time.sleep", wait)
    said = season("history", "--years", "4")
    assert (said.status, said.out) == (1, "")
    assert said.err.splitlines() == [
        "rowwater: stopped; 2 of 4 years are done and on record",
        "  hint: the same command goes on where it ended",
    ]
    monkeypatch.setattr("scheduler.cli.history.time.sleep", lambda _: None)
    assert season("history", "--years", "4").status == 0
    assert [span[0][:4] for span in sky.asked] == ["2014", "2013", "2012", "2011"]


def test_killed_in_the_middle_it_goes_on(season: Grower, sky: Sky, tmp_path: Path) -> None:
    """kill -9 of the real command; whole years are on record, and only the others are asked for again."""
    sky.slow_s = 0.15
    code = (
        "import sys; from scheduler.weather.openmeteo import history as h; h.PAUSE_SECONDS = 0.05\n"
        "from scheduler.cli.main import main; main(sys.argv[1:])"
    )
    run = [sys.executable, "-c", code, "history", "--years", "30"]
    with subprocess.Popen(
        run, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as child:
        limit = time.monotonic() + 60
        while len(sky.asked) < 3 and time.monotonic() < limit:
            time.sleep(0.02)
        child.send_signal(signal.SIGKILL)
    this_year = datetime.now(UTC).year
    done = dict(rows(season, "SELECT substr(day, 1, 4), count(DISTINCT day) FROM weather_values WHERE "
                             "source = 'open-meteo archive' GROUP BY 1"))  # fmt: skip
    assert done
    assert all(days in (365, 366) for days in done.values()), "no half years"
    assert min(done) >= str(this_year - 5)


def test_a_full_card_keeps_what_is_done(season: Grower, sky: Sky, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own limit of pages stands for the full card: of a year that does not fit nothing is there."""
    real = Store.add_weather
    years: list[int] = []

    def add(self: Store, values: Any) -> int:
        values = list(values)
        years.append(values[0].day.year)
        if len(years) == 3:
            with self._weather() as connection:
                (pages,) = connection.exec_driver_sql("PRAGMA page_count").one()
                connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 5}")
        return real(self, values)

    monkeypatch.setattr(Store, "add_weather", add)
    said = season("history", "--years", "4")
    assert said.status == 1
    assert "full" in said.err
    assert "2 of 4 years are done and on record" in said.err
    assert rows(
        season, "SELECT count(*) FROM weather_values WHERE day LIKE '2012-%' AND source LIKE '%arch%'"
    ) == [(0,)]
    monkeypatch.setattr(Store, "add_weather", real)
    assert season("history", "--years", "4", "--json").json["years"][2]["complete"] == 366


def test_stages_go_by_warmth_once_three_years_are_there(season: Grower, sky: Sky) -> None:
    two = season("history", "--years", "2", "--json").json
    assert two["warmth_years"] == 2
    assert not [text for text in two["notices"] if "warmth" in text]
    four = season("history", "--years", "4", "--json").json
    assert any("go by warmth" in text and "beans" in text for text in four["notices"])
    assert season("day", "--date", "2015-07-03").status in (0, 3)


def test_an_own_server_is_not_left_for_the_public_one(
    season: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROWWATER_OPENMETEO_URL", "http://127.0.0.1:9/f")
    said = season("history", "--years", "1")
    assert said.status == 1
    assert "its archive none" in said.err


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--years", "90"), "the archive begins with 1940: 75 at most"),
        (("--years", "0"), "0 is not in the range"),
        (("--years", "2", "--file", "weather.csv"), "one at a time"),
        (("--file", "none.csv"), "none.csv"),
    ],
)
def test_refused(season: Grower, args: tuple[str, ...], words: str) -> None:
    said = season("history", *args)
    assert (said.status, words in said.err) == (2, True), said.err


def test_without_years_it_says_what_is_on_record(grower: Grower, clock: Clock) -> None:
    clock(TODAY)
    said = grower("history")
    assert said.status == 1
    assert "no weather stored yet" in said.err
    assert not (grower.data / "rowwater.db").exists()
    grower("day", "--date", "2015-07-03")
    page = grower("history", "--json").json
    assert [one["year"] for one in page["years"]] == [2015, 2014, 2013, 2012]  # its file has those years
    assert page["to"] == "2015-07-02"


# --- from a file ---------------------------------------------------------------------------------


@pytest.fixture
def davis(tmp_path: Path) -> Path:
    """Three measured years of the Davis record (tests/weather/README.md), its columns as they are named."""
    path = tmp_path / "davis.csv"
    with gzip.open(WEATHER / "davis_ca_daily_1994_2018.csv.gz", "rt") as packed:
        table = list(csv.reader(packed))
    path.write_text(
        "\n".join(",".join(row) for row in table if row[0][:4] in ("date", "2001", "2002", "2004"))
    )
    return path


def test_a_file_of_measured_years(season: Grower, davis: Path) -> None:
    before, head = believed(season), davis.read_text().splitlines()[0].split(",")
    said = season("history", "--file", str(davis), "--json")
    years = {one["year"]: one for one in said.json["years"]}
    assert sorted(years) == [2001, 2002, 2003, 2004]
    assert (years[2004]["days"], years[2003]["complete"]) == (366, 0)
    # the sums of the file's own column, by hand of the csv module
    at = head.index("rain_mm")
    rain = [row.split(",") for row in davis.read_text().splitlines()[1:]]
    known = [float(row[at]) for row in rain if row[0].startswith("2004") and row[at]]
    assert years[2004]["rain_mm"] == pytest.approx(sum(known), abs=0.2)
    assert years[2001]["sources"].keys() == {"history file davis.csv"}
    assert said.status == 3  # 2003 is not in it
    count = rows(season)
    assert season("history", "--file", str(davis), "--json").json["added"] == 0
    assert rows(season) == count
    assert believed(season) == before


def test_a_file_over_the_season_displaces_nothing(season: Grower, tmp_path: Path) -> None:
    """The season's own file again, each value spoilt: not one of its days is believed otherwise."""
    head, *lines = (CREEKSIDE / "weather.csv").read_text().splitlines()
    at = head.split(",").index("tmax_c")
    spoilt = []
    for line in lines:
        cells = line.split(",")
        cells[at] = "44" if cells[at] else ""
        spoilt.append(",".join(cells))
    path = tmp_path / "spoilt.csv"
    path.write_text("\n".join([head, *spoilt]))
    before = believed(season)
    page = season("history", "--file", str(path), "--json").json
    assert believed(season) == before
    assert any("are not past: left out" in text for text in page["notices"])
    assert rows(season, "SELECT count(*) FROM weather_values WHERE day >= '2015-04-01' AND value = 44") == [
        (0,)
    ]


def test_on_the_first_day_the_station_s_file_is_read_as_before(
    grower: Grower, clock: Clock, sky: Sky
) -> None:
    """Years stored before the first morning do not keep it from reading the file's earlier years."""
    clock(TODAY)
    grower("history", "--years", "1")
    grower("day", "--date", "2015-07-03")
    (found,) = rows(grower, "SELECT count(*) FROM weather_values WHERE source = 'file weather.csv' "
                            "AND day < '2014-01-01'")  # fmt: skip
    assert found[0] > 0


# --- laws ----------------------------------------------------------------------------------------

DAYS = st.dates(date(1990, 1, 1), date(2030, 12, 31))


@given(DAYS, DAYS)
def test_years_cover_their_span_without_a_gap(one: date, other: date) -> None:
    first, last = sorted((one, other))
    years = years_between(first, last)
    days = [day for year in reversed(years) for day in year.days]
    assert days == [first + timedelta(days=i) for i in range((last - first).days + 1)]
    assert all(year.first.year == year.last.year for year in years)


AT = datetime(2026, 1, 1, tzinfo=UTC)
VALUES = st.lists(
    st.builds(
        WeatherValue,
        day=st.dates(date(2025, 6, 1), date(2025, 6, 5)),
        field=st.sampled_from(["tmin_c", "tmax_c", "rain_mm", "wind_m_s"]),
        value=st.floats(0, 30),
        source=st.sampled_from(["open-meteo", "file a.csv", "open-meteo archive"]),
        kind=st.sampled_from(["station", "model", "forecast"]),
        fetched_at=st.just(AT),
    ),
    max_size=12,
)


@given(VALUES)
def test_a_day_is_lacking_until_somebody_told_its_temperatures_and_rain(values: list[WeatherValue]) -> None:
    told = Told.of(values)
    for day in {value.day for value in values}:
        known = {v.field for v in values if v.day == day and (v.kind != "forecast" or "archive" in v.source)}
        assert told.lacking(day) == (not {"tmin_c", "tmax_c", "rain_mm"} <= known)
