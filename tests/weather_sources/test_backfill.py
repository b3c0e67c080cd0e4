"""Days missed while offline, from the archive; earlier days restated. With the real store and plan."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from weather_sources.replay import Answer, Replay, serving
from weather_sources.test_sources import garden, quick, service

from scheduler.daily import plan_day
from scheduler.errors import CouldNot
from scheduler.garden.file import load_text
from scheduler.model import Applied, Fetched, Garden, Location, StoredPlan, WeatherValue
from scheduler.planning.facts import gather
from scheduler.planning.live import balance_to_last_night
from scheduler.store.store import Store
from scheduler.weather import http, sources
from scheduler.weather.openmeteo import archive
from scheduler.weather.openmeteo import service as openmeteo
from scheduler.weather.quantities import NEEDED

PLACE = Location(34.5, -81.5, 152, "America/New_York")
NEW_YORK = ZoneInfo("America/New_York")


class Sky:
    """A made-up climate behind both endpoints: warm afternoons; rain by local day, 2 mm at noon."""

    def __init__(self) -> None:
        self.rain: dict[date, float] = {}
        self.forecast_holes: set[date] = set()
        self.archive_holes: set[date] = set()
        self.now = datetime(2026, 6, 12, 8, tzinfo=UTC)
        self.asked: list[tuple[str, str]] = []  # spans of the archive

    def hour(self, at: datetime, holes: set[date]) -> dict[str, float | None]:
        local = at.astimezone(NEW_YORK)
        before = (at - timedelta(minutes=30)).astimezone(NEW_YORK)
        sun = max(math.sin((before.hour + 0.5 - 6) / 12 * math.pi), 0)
        values: dict[str, float | None] = {
            "temperature_2m": 22 + 8 * math.cos((local.hour - 15) / 12 * math.pi),
            "relative_humidity_2m": 60, "dew_point_2m": 12, "wind_speed_10m": 2,
            "shortwave_radiation": 800 * sun,
            "precipitation": self.rain.get(before.date(), 0.0) if before.hour == 12 else 0.0,
            "precipitation_probability": 10,
        }  # fmt: skip
        return dict.fromkeys(values) if before.date() in holes else values

    def answer(self, first: date, last: date, wanted: str, holes: set[date]) -> Answer:
        begin = datetime(first.year, first.month, first.day, tzinfo=UTC)
        hours = [begin + timedelta(hours=i) for i in range(24 * ((last - first).days + 1))]
        names = wanted.split(",")
        rows = [self.hour(at, holes) for at in hours]
        units = {
            "temperature_2m": "°C", "relative_humidity_2m": "%", "dew_point_2m": "°C",
            "wind_speed_10m": "m/s", "shortwave_radiation": "W/m²", "precipitation": "mm",
            "precipitation_probability": "%",
        }  # fmt: skip
        return Answer(body=json.dumps({
            "latitude": 34.5, "longitude": -81.5, "utc_offset_seconds": 0,
            "hourly_units": {"time": "iso8601", **{name: units[name] for name in names}},
            "hourly": {"time": [f"{at:%Y-%m-%dT%H:%M}" for at in hours],
                       **{name: [row[name] for row in rows] for name in names}},
        }))  # fmt: skip

    def forecast(self, params: dict[str, str], _: Any) -> Answer:
        today = self.now.date()
        first = today - timedelta(days=int(params["past_days"]))
        last = today + timedelta(days=int(params["forecast_days"]) - 1)
        return self.answer(first, last, params["hourly"], self.forecast_holes)

    def archive(self, params: dict[str, str], _: Any) -> Answer:
        assert "precipitation_probability" not in params["hourly"]
        self.asked.append((params["start_date"], params["end_date"]))
        first, last = map(date.fromisoformat, self.asked[-1])
        return self.answer(first, last, params["hourly"], self.archive_holes)


@pytest.fixture
def sky(replay: Replay) -> Sky:
    made = Sky()
    replay.routes = {"/f": [Answer(body=made.forecast)], "/a": [Answer(body=made.archive)]}
    return made


def ask(
    replay: Replay, sky: Sky, since: date, stored: list[WeatherValue] | None = None, **settings: str
) -> tuple[list[Fetched], list[str]]:
    urls = {"url": f"{replay.base}/f", "archive_url": f"{replay.base}/a", **settings}
    plot = garden(PLACE, service("open-meteo", **{k: v for k, v in urls.items() if v}))
    return sources.collect(
        plot, since, sky.now.astimezone(NEW_YORK).date(), sky.now, get=quick, environ={}, stored=stored or []
    )


def rain_days(found: Fetched) -> dict[date, float]:
    return {v.day: v.value for v in found.values if v.field == "rain_mm" and v.kind == "model"}


def test_nothing_missing_nothing_asked(replay: Replay, sky: Sky) -> None:
    [found], failures = ask(replay, sky, date(2026, 6, 1))
    assert (failures, sky.asked, found.notices) == ([], [], ())
    assert len(rain_days(found)) == 11


def test_days_before_the_reach_of_the_forecast(replay: Replay, sky: Sky) -> None:
    """Only the missing days are asked and taken; the credit stays; DST of 8 March inside."""
    sky.rain = {date(2026, 3, 8): 7.5, date(2026, 2, 21): 3.0}
    stored = [WeatherValue(date(2026, 2, 20), field, 1.0, "file x", "station", sky.now) for field in NEEDED]
    [found], failures = ask(replay, sky, date(2026, 2, 20), stored)
    assert failures == []
    [(first, last)] = sky.asked
    assert (first, last) == ("2026-02-21", "2026-03-12")
    rain = rain_days(found)
    assert (min(rain), rain[date(2026, 3, 8)], rain[date(2026, 2, 21)]) == (date(2026, 2, 21), 7.5, 3.0)
    assert sorted(rain) == [date(2026, 2, 21) + timedelta(days=i) for i in range(111)]
    assert found.credit == openmeteo.CREDIT
    assert found.notices == ("open-meteo: 19 earlier days from its archive",)
    keys = [(v.day, v.field) for v in found.values]
    assert len(keys) == len(set(keys)), "no day twice"


def test_holes_inside_the_reach(replay: Replay, sky: Sky) -> None:
    sky.forecast_holes = {date(2026, 6, 2), date(2026, 6, 3), date(2026, 5, 1)}
    sky.archive_holes = {date(2026, 6, 3)}
    [found], _ = ask(replay, sky, date(2026, 4, 20))
    assert [span[0] for span in sky.asked] == ["2026-06-02", "2026-05-01"], "far holes apart, newest first"
    assert found.notices == (
        "open-meteo: 2 earlier days from its archive", "open-meteo: nothing for 1 earlier day: 2026-06-03"
    )  # fmt: skip
    assert date(2026, 6, 3) not in rain_days(found)


def test_old_forecasts_do_not_count_as_what_was(replay: Replay, sky: Sky) -> None:
    stored = [
        WeatherValue(date(2026, 2, 20), field, 1.0, "open-meteo", "forecast", sky.now) for field in NEEDED
    ]
    ask(replay, sky, date(2026, 2, 20), stored)
    assert sky.asked[0][0] == "2026-02-20"


def test_archive_that_fails_is_a_notice(replay: Replay, sky: Sky) -> None:
    replay.routes["/a"] = [Answer(400, '{"error": true, "reason": "out of range"}')]
    [found], failures = ask(replay, sky, date(2026, 1, 1))
    assert failures == []
    assert rain_days(found)
    assert found.notices[0] == (
        "open-meteo: archive: the weather service refused the question (status 400): out of range"
    )


def test_all_calls_share_one_deadline(replay: Replay, sky: Sky) -> None:
    missing = [date(2026, 1, 1), date(2026, 3, 1)]
    clock = iter([0.0, 5.0, 61.0])
    given: list[float] = []

    def get(url: str, params: Any = None, /, *, headers: Any = None, total_seconds: float = 60) -> http.Reply:
        given.append(total_seconds)
        return http.get(url, params)

    found = archive.fill(
        Fetched(()), missing, location=PLACE, today=date(2026, 6, 12), now=sky.now, get=get,
        url=f"{replay.base}/a", source="open-meteo", monotonic=lambda: next(clock),
    )  # fmt: skip
    assert given == [55.0]
    assert set(rain_days(found)) == {date(2026, 3, 1)}
    assert "open-meteo: archive: took too long: the rest comes another day" in found.notices


def test_own_address_is_not_left(replay: Replay, sky: Sky) -> None:
    """Whoever named a server of their own is not sent to the public one for the rest."""
    [found], _ = ask(replay, sky, date(2026, 1, 1), archive_url="")
    assert sky.asked == []
    assert found.notices == ("open-meteo: reaches 92 days back: nothing before 2026-03-13",)


@given(st.sets(st.integers(0, 300).map(lambda i: date(2026, 1, 1) + timedelta(days=i)), min_size=1))
def test_calls_cover_the_missing_days_and_are_few(missing: set[date]) -> None:
    calls = archive._calls(sorted(missing))
    assert len(calls) <= archive.MOST_CALLS
    for (first, last), later in zip(calls[1:], calls, strict=False):
        assert first <= last < later[0]
    covered = {day for day in missing if any(first <= day <= last for first, last in calls)}
    assert covered == {day for day in missing if day >= calls[-1][0]}


# --- with the store and the plan -------------------------------------------------------------------

GARDEN = """
garden: Creekside plot
location: {latitude: 34.5, longitude: -81.5, elevation: 152 m, timezone: America/New_York}
display: metric
weather: {sources: [{service: open-meteo}]}
supply: {flow: 30 L/min, hours: {from: "04:00", until: "10:00"}}
tapes: {thin: {flow: 5 L/h/m}}
zones:
  beans:
    rows: {count: 6, length: 20 m, spacing: 1 m}
    tape: thin
    soil: sandy loam
    plantings: [{crop: tomato, planted: 2026-05-01}]
"""


class Mornings:
    """The daily job on one database, against the sky."""

    def __init__(self, replay: Replay, sky: Sky, folder: Path) -> None:
        self.garden: Garden = load_text(GARDEN)
        self.environ = {
            "ROWWATER_OPENMETEO_URL": f"{replay.base}/f",
            "ROWWATER_OPENMETEO_ARCHIVE_URL": f"{replay.base}/a",
        }
        self.sky, self.folder, self.store = sky, folder, Store.open(folder / "rowwater.db", now=sky.now)

    def __call__(self, day: date, *, online: bool = True) -> StoredPlan:
        now = datetime(day.year, day.month, day.day, 3, 30, tzinfo=NEW_YORK)
        self.sky.now = now.astimezone(UTC)

        def collect(since: date) -> tuple[list[Fetched], list[str]]:
            return sources.collect(
                self.garden, since, day, now, get=quick if online else nobody, environ=self.environ,
                stored=self.store.weather(since, day), data_folder=self.folder,
            )  # fmt: skip

        return next(plan_day(self.garden, day, now=now, store=self.store, collect=collect))

    def balance(self, day: date) -> Any:
        """Deficit at the end of each day before `day`, mm, from what is on record now."""
        facts = gather(self.garden, day, self.store, None)
        live = balance_to_last_night(self.garden, facts, ())
        return live.balance.deficit_end[: live.today, 0]

    def water(self, day: date, net_mm: float) -> None:
        self.store.add_applied(
            Applied("beans", day, 30, 100, net_mm, net_mm, "done", datetime(2026, 6, 1, tzinfo=UTC))
        )


def nobody(*_: Any, **__: Any) -> Any:
    raise CouldNot("no connection")


@pytest.fixture
def mornings(replay: Replay, sky: Sky, tmp_path: Path) -> Iterator[Mornings]:
    made = Mornings(replay, sky, tmp_path)
    yield made
    made.store.close()


def deficit(plan: StoredPlan) -> float:
    return float(plan.page["zones"][0]["deficit_start_mm"])


def test_after_five_days_offline_it_is_as_if_it_had_been_there(
    replay: Replay, sky: Sky, mornings: Mornings, tmp_path: Path
) -> None:
    sky.rain = {date(2026, 6, 4): 9.0}
    with serving() as other:
        other.routes = replay.routes
        always = Mornings(other, sky, tmp_path / "always")
        for i in range(8):
            day = date(2026, 6, 1) + timedelta(days=i)
            online = not 2 <= i < 7
            mine, theirs = mornings(day, online=online), always(day)
            if 2 <= i < 7:
                assert any("no connection" in note["text"] for note in mine.page["notices"])
        assert deficit(mine) == pytest.approx(deficit(theirs), abs=1e-9)
        assert mine.page["zones"] == theirs.page["zones"]
        always.store.close()


def test_after_a_winter_offline_the_archive_fills(sky: Sky, mornings: Mornings) -> None:
    sky.forecast_holes = {date(2026, 6, d) for d in range(1, 5)}
    mornings(date(2026, 6, 1))
    sky.asked.clear()
    plan = mornings(date(2026, 9, 20))
    # 92 days before 20 September is 20 June; of the days before, the four holes and 5 to 19 June lack
    assert sky.asked == [("2026-06-01", "2026-06-20")], "in UTC dates"
    assert any("earlier days from its archive" in note for note in plan.page["sources"]["notices"])
    values = mornings.store.weather(date(2026, 6, 1), date(2026, 9, 19))
    known = {v.day for v in values if v.field == "rain_mm" and v.kind == "model"}
    assert len(known) == 111
    asked = len(sky.asked)
    mornings(date(2026, 9, 21))
    assert len(sky.asked) == asked, "what is stored is not asked for again"


def test_restated_rain(sky: Sky, mornings: Mornings) -> None:
    """The service changes its word on an earlier day: the balance is replayed, the log is not touched."""
    start = date(2026, 6, 1)
    for i in range(8):
        plan = mornings(start + timedelta(days=i))
        mornings.water(start + timedelta(days=i), 0.5)
    first = mornings.balance(date(2026, 6, 8))
    log = mornings.store.applied(start, date(2026, 6, 30))
    before = deficit(plan)
    changed = date(2026, 6, 5)
    sky.rain[changed] = 12.0
    plan = mornings(date(2026, 6, 9))
    told = [n["text"] for n in plan.page["notices"] if "restated" in n["text"]]
    assert len(told) == 1
    assert told[0].startswith(f"deficit of Mon 8 Jun restated, weather changed: beans {before:.1f} mm -> ")
    after = float(told[0].split(" -> ")[1].split(" mm")[0])
    assert after < before - 2
    assert mornings.store.applied(start, date(2026, 6, 30)) == log
    history = [v for v in mornings.store.weather_issued(changed, changed) if v.field == "rain_mm"]
    assert [v.value for v in history if v.kind == "model"] == [0.0, 12.0], "both words are kept"
    again = mornings(date(2026, 6, 10))
    assert not any("restated" in n["text"] for n in again.page["notices"]), "told once"
    second = mornings.balance(date(2026, 6, 8))
    same = (first == second).tolist()
    assert same == [True] * (changed - start).days + [False] * (date(2026, 6, 8) - changed).days
