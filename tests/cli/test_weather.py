"""`rowwater weather`: who said what, what was set aside, what was said anew, how forecasts have fared."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from cli.conftest import Grower

from scheduler.model import ValueKind, WeatherValue
from scheduler.store.store import Store

Golden = Callable[[str, str], None]
SITE = ZoneInfo("America/Los_Angeles")


def morning(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 3, tzinfo=SITE)


def say(
    grower: Grower, day: str, at: str, kind: ValueKind, source: str = "open-meteo", **values: float
) -> None:
    """One word of a source, put on record as the daily job would."""
    now = morning(date.fromisoformat(at))
    with Store.open(grower.data / "rowwater.db", now=now) as store:
        store.add_weather(
            WeatherValue(date.fromisoformat(day), field, value, source, kind, now)
            for field, value in values.items()
        )


def second_source(grower: Grower) -> None:
    """A station of the grower's own before the record that the plot comes with."""
    grower.edit(
        "    - file: {path: weather.csv}",
        "    - file: {path: shed.csv}\n    - file: {path: weather.csv}",
    )


def shed(grower: Grower, *rows: str) -> None:
    header = "date,tmin_c,tmax_c,rh_max_pct,rh_min_pct,solar_mj_m2,rain_mm"
    (grower.folder / "shed.csv").write_text("\n".join([header, *rows]) + "\n")


def faulty_shed(grower: Grower) -> None:
    """A dead sun sensor on one day, a jammed rain counter on the next."""
    second_source(grower)
    rows = [f"2015-06-{d:02},1{d % 3}.0,28.{d % 7},95,40,25.{d % 10},0" for d in range(20, 31)]
    shed(grower, *rows, "2015-07-01,15.0,31.0,93,38,0.0,0", "2015-07-02,17.0,33.0,94,35,27.0,812.8")


def test_the_page_reads_as_reviewed(grower: Grower, golden: Golden, monkeypatch: pytest.MonkeyPatch) -> None:
    faulty_shed(grower)
    forecasting(grower)
    assert grower("day", "--date", "2015-07-02").status in (0, 3)
    grower.edit_weather("2015-06-30", rain_mm="6.4")
    assert grower("day", "--date", "2015-07-03").status in (0, 3)
    said = grower("weather", "--date", "2015-07-03", "--from", "2015-06-28", "--to", "2015-07-06")
    golden("weather.txt", said.out)
    assert max(map(len, said.out.splitlines())) <= 80
    assert said.status == 3


def test_what_is_set_aside_gives_way_to_the_next_source(grower: Grower) -> None:
    """812.8 mm (32 in) of a jammed counter: the other source's rain counts, and no sun is no sun."""
    faulty_shed(grower)
    grower("day", "--date", "2015-07-03")
    page = grower("weather", "--date", "2015-07-03", "--json").json
    days = {day["date"]: day for day in page["days"]}
    assert days["2015-07-02"]["values"]["rain_mm"] == {
        "value": 0.0, "source": "file weather.csv", "kind": "station"
    }  # fmt: skip
    assert days["2015-07-02"]["values"]["tmax_c"]["source"] == "file shed.csv"
    assert "solar_mj_m2" not in days["2015-07-01"]["values"]
    assert days["2015-07-01"]["estimated"]["solar radiation"] == "temperature range (eq 50)"
    aside = {(f["date"], f["field"], f["verdict"], f["value"]) for f in page["quality"]}
    assert ("2015-07-02", "rain_mm", "rejected", 812.8) in aside
    assert ("2015-07-01", "solar_mj_m2", "rejected", 0.0) in aside
    assert all(f["published"] and f["reason"] and f["source"] for f in page["quality"])


def test_the_morning_says_it_once_and_why_says_it_always(grower: Grower) -> None:
    faulty_shed(grower)
    grower("day", "--date", "2015-07-01")
    grower("day", "--date", "2015-07-02")
    texts = [n["text"] for n in grower("day", "--date", "2015-07-03", "--json").json["notices"]]
    aside = [text for text in texts if "set aside" in text]
    assert len(aside) == 1
    assert "rain 32.00 in of 2015-07-02 by file shed.csv" in aside[0]
    why = grower("why", "beans", "--date", "2015-07-03").out
    assert "set aside: rain of file shed.csv = 812.8 mm" in why
    texts = [n["text"] for n in grower("day", "--date", "2015-07-04", "--json").json["notices"]]
    assert not any("812.8" in text for text in texts)
    before = grower("why", "beans", "--date", "2015-07-02").out
    assert "set aside: solar radiation of file shed.csv = 0 MJ/m2" in before


def test_mornings_without_a_plan_lose_no_remark(grower: Grower) -> None:
    faulty_shed(grower)
    grower("day", "--date", "2015-06-30")
    page = grower("day", "--date", "2015-07-04", "--json").json
    texts = [n["text"] for n in page["notices"] if "set aside" in n["text"]]
    assert len(texts) == 2


def test_a_season_changes_nothing_that_the_model_does_not(grower: Grower) -> None:
    args = ("season", "--weather", "weather.csv", "--from", "2015-05-01", "--to", "2015-09-30", "--json")
    grower.edit_weather("2015-08-09", rain_mm="812.8")
    said = grower(*args)
    day = next(d for d in said.json["days"] if d["date"] == "2015-08-09")
    assert day["rain_mm"] == 812.8
    assert "quality control: unheard-of rain on 1 day, left as it is" in said.err


def test_a_restatement_is_shown(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    grower.edit_weather("2015-06-30", rain_mm="9.0")
    grower("day", "--date", "2015-07-02")
    page = grower("weather", "--date", "2015-07-02", "--json").json
    (row,) = [r for r in page["restated"] if r["field"] == "rain_mm"]
    assert (row["date"], row["was"], row["now"], row["said_at"][:10]) == (
        "2015-06-30", 0.0, 9.0, "2015-07-02"
    )  # fmt: skip
    assert (
        "2015-06-30 rain of file weather.csv: 0.00 in -> 0.35 in (2015-07-02)"
        in grower("weather", "--date", "2015-07-02").out
    )


# --- forecasts ------------------------------------------------------------------------------------


def forecasting(grower: Grower) -> None:
    """Three mornings of a service that says 1 degC too much, and 2 mm of rain too much, 4 from 3 days ahead.

    What really comes is read from the plot's own record.
    """
    truth = record(grower)
    for at in ("2015-06-28", "2015-06-29", "2015-06-30"):
        for lead in range(1, 8):
            day = date.fromisoformat(at) + timedelta(days=lead)
            came = truth[day.isoformat()]
            say(
                grower, day.isoformat(), at, "forecast", tmin_c=came["tmin_c"], tmax_c=came["tmax_c"] + 1,
                wind_m_s=came["wind_m_s"],
                wind_height_m=10.0, rain_mm=came["rain_mm"] + (2.0 if lead < 3 else 4.0),
            )  # fmt: skip


def record(grower: Grower) -> dict[str, dict[str, float]]:
    header, *rows = (grower.folder / "weather.csv").read_text().splitlines()
    names = header.split(",")[1:]
    return {row.split(",")[0]: dict(zip(names, map(float, row.split(",")[1:]), strict=True)) for row in rows}


def test_how_forecasts_have_fared(grower: Grower) -> None:
    forecasting(grower)
    grower("day", "--date", "2015-07-03")
    page = grower("weather", "--date", "2015-07-03", "--json").json
    rows = {(r["field"], r["lead_days"]): r for r in page["forecasts"] if r["source"] == "open-meteo"}
    for lead, pairs in ((1, 3), (2, 3), (3, 2), (4, 1)):
        high, rain = rows["tmax_c", lead], rows["rain_mm", lead]
        assert (high["pairs"], high["bias"], high["mean_absolute"]) == (pairs, -1.0, 1.0)
        off = 2.0 if lead < 3 else 4.0
        assert rain["bias"] == pytest.approx(-off)
        assert rain["root_mean_square"] == pytest.approx(off)
        assert rain["against"] == {"station": pairs}
        assert rows["et0_mm", lead]["bias"] < 0  # too warm a day is too thirsty a day
    assert ("rain_mm", 5) not in rows  # 2015-07-03 is not over yet
    assert not any(r["field"] == "rain_mm" and r["against"].get("forecast") for r in page["forecasts"])


def test_an_unchanged_forecast_counts_for_each_morning_it_was_given(grower: Grower) -> None:
    """The store keeps a word once; the service said something else that morning, so it was asked."""
    day = "2015-07-02"
    say(grower, day, "2015-06-29", "forecast", tmin_c=12.0, tmax_c=25.0, rain_mm=3.0)
    say(grower, day, "2015-06-30", "forecast", tmin_c=12.0, tmax_c=26.0, rain_mm=3.0)
    grower("day", "--date", "2015-07-03")
    rows = grower("weather", "--date", "2015-07-03", "--json").json["forecasts"]
    mine = {(r["field"], r["lead_days"]): r["pairs"] for r in rows if r["source"] == "open-meteo"}
    assert (mine["rain_mm", 3], mine["rain_mm", 2]) == (1, 1)
    assert ("rain_mm", 1) not in mine  # on 1 July nobody heard of it


def test_a_stale_source_is_status_3_and_said(grower: Grower) -> None:
    second_source(grower)
    shed(grower, *[f"2015-06-{d:02},1{d % 3}.0,28.{d % 7},95,40,25.{d % 10},0" for d in range(10, 25)])
    grower("day", "--date", "2015-07-01")
    said = grower("weather", "--date", "2015-07-01")
    assert said.status == 3
    assert "! file shed.csv: nothing newer than 2015-06-24" in said.out


def test_a_service_that_fell_silent_is_stale_though_its_forecast_still_reaches(grower: Grower) -> None:
    grower.edit("    - file: {path: weather.csv}", "    - service: open-meteo")
    for ahead in range(8):
        day = date(2015, 6, 28) + timedelta(days=ahead)
        say(grower, day.isoformat(), "2015-06-28", "forecast", tmin_c=12.0, tmax_c=25.0, rain_mm=0.0)
    assert grower("weather", "--date", "2015-06-29").status == 0
    said = grower("weather", "--date", "2015-07-01")
    assert said.status == 3
    assert "! open-meteo: last heard 2015-06-28" in said.out


def test_all_well_is_status_0(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    assert grower("weather", "--date", "2015-07-01").status == 0


def test_credit_lines_are_shown(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    now = morning(date(2015, 7, 1))
    with Store.open(grower.data / "rowwater.db", now=now) as store:
        plan = store.newest_plan()
        assert plan
        said = {**plan.page["sources"], "credits": ["Thanks to X"]}
        store.add_plan(plan.day, now, "other facts", {**plan.page, "sources": said}, store.working(plan))
    out = grower("weather", "--date", "2015-07-01").out
    assert out.splitlines()[-1] == "Thanks to X"
    assert grower("weather", "--date", "2015-07-01", "--json").json["credits"] == ["Thanks to X"]


# --- manners --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "status", "words"),
    [
        (["weather"], 1, "no weather stored yet"),
        (["weather", "--from", "2015-07-09", "--to", "2015-07-01"], 2, "nothing to show"),
        (["weather", "--from", "yesteryear"], 2, "is not a date"),
    ],
)
def test_exit_status_and_words(grower: Grower, args: list[str], status: int, words: str) -> None:
    said = grower(*args)
    assert said.status == status
    assert words in said.err
    assert said.out == ""


def test_days_that_nobody_knows_are_shown_empty(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    said = grower("weather", "--date", "2015-07-01", "--from", "2011-12-28", "--to", "2012-01-02")
    assert said.status in (0, 3)
    days = grower(
        "weather", "--date", "2015-07-01", "--from", "2011-12-28", "--to", "2012-01-02", "--json"
    ).json["days"]
    assert [day["et0_mm"] is None for day in days] == [True] * 4 + [False] * 2


def test_default_span_and_metric_words(grower: Grower) -> None:
    grower.edit("display: us", "display: metric")
    grower("day", "--date", "2015-07-09")
    said = grower("weather", "--date", "2015-07-09")
    assert said.out.startswith("Creekside plot: weather from 2015-07-02 to 2015-07-16")
    assert " F" not in said.out.splitlines()[3]
    assert max(map(len, said.out.splitlines())) <= 80


def test_a_spoilt_value_is_named_in_the_working_too(grower: Grower) -> None:
    """As in the source's own notice, the morning and `weather`: every number of `why` rests on it."""
    path = grower.folder / "weather.csv"
    header, *rows = path.read_text().splitlines()
    column = header.split(",").index("tmax_c")
    spoilt = [row if not row.startswith("2015-06-30") else _with(row, column, "999") for row in rows]
    path.write_text("\n".join([header, *spoilt]) + "\n")
    grower("day", "--date", "2015-07-02")
    told = grower("why", "beans", "--date", "2015-07-02", "--json").json["sections"]
    (lines,) = [one["lines"] for one in told if one["title"] == "What was wrong with the weather"]
    notices = grower("morning", "--date", "2015-07-02", "--json").json["sources"]["notices"]
    assert [one["what"] for one in lines] == notices
    assert any("2015-06-30" in text or "counted as missing" in text for text in notices)
    assert notices[0].split(":")[0] in grower("why", "beans", "--date", "2015-07-02").out


def _with(row: str, column: int, text: str) -> str:
    cells = row.split(",")
    cells[column] = text
    return ",".join(cells)
