"""The main job from end to end on the Creekside plot's real weather record, as a grower would drive it."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable

import pytest
from cli.conftest import Grower

Golden = Callable[[str, str], None]


def test_two_weeks_and_a_morning_read_as_reviewed(grower: Grower, golden: Golden) -> None:
    grower.weeks("2015-06-29", "2015-07-09")
    assert grower("note", "chore", "flush", "--date", "2015-07-03").status == 0
    assert grower("day", "--date", "2015-07-09").status == 0
    morning = grower("morning", "--date", "2015-07-09")
    golden("morning.txt", morning.out)
    lines = morning.out.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    golden("why_beans.txt", grower("why", "beans").out)
    golden("log.txt", grower("log", "--from", "2015-06-29").out)
    page = json.loads((grower.data / "today.json").read_text())
    page["digests"] = sorted(page["digests"])  # follow every field that the program gets
    golden("today.json", json.dumps(page, indent=1, sort_keys=True) + "\n")


def test_season_reads_as_reviewed(grower: Grower, golden: Golden) -> None:
    season = grower("season", "--weather", "weather.csv", "--from", "2015-04-20", "--to", "2015-10-31")
    assert season.status == 0
    golden("season.txt", season.out)


def test_a_season_without_a_crop_says_so(grower: Grower) -> None:
    season = grower("season", "--weather", "weather.csv", "--from", "2013-04-20", "--to", "2013-05-31")
    assert "no planting stands between 2013-04-20 and 2013-05-31" in season.err


def test_a_second_run_of_the_day_changes_nothing(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-02")
    first = grower("day", "--date", "2015-07-02", "--json").json
    files = {p.name: p.read_bytes() for p in grower.data.iterdir() if p.suffix in (".json", ".ics")}
    with sqlite3.connect(grower.data / "rowwater.db") as db:
        before = [
            db.execute(f"select count(*) from {t}").fetchone() for t in ("weather_values", "plans", "applied")
        ]
    db.close()
    assert grower("day", "--date", "2015-07-02", "--json").json == first
    assert {p.name: p.read_bytes() for p in grower.data.iterdir() if p.suffix in (".json", ".ics")} == files
    with sqlite3.connect(grower.data / "rowwater.db") as db:
        after = [
            db.execute(f"select count(*) from {t}").fetchone() for t in ("weather_values", "plans", "applied")
        ]
    db.close()
    assert after == before


def test_schedule_json_has_the_promised_fields(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    day = grower("day", "--date", "2015-07-01", "--json").json
    schedule = json.loads((grower.data / "schedule.json").read_text())
    assert set(schedule) == {"date", "made_at", "window", "windows", "runs", "unmet", "notices"}
    assert schedule["runs"]
    for run in schedule["runs"]:
        assert set(run) == {"zone", "pulse", "start", "stop", "minutes", "liters", "net_mm", "flow_lpm"}
        assert run["start"].endswith("-07:00")  # Pacific daylight time in July
        assert schedule["window"]["from"] <= run["start"] < run["stop"] <= schedule["window"]["until"]
    assert {key: day[key] for key in schedule} == schedule


def test_the_balance_starts_on_the_stores_first_day(grower: Grower) -> None:
    """Installed in July: the weeks before are not replayed as dry ones (model M5)."""
    page = grower("day", "--date", "2015-07-09", "--json").json
    tomatoes = page["zones"][0]
    assert tomatoes["day"] == 70
    # but for the top 0.10 m, which lay bare: 17.5 mm of sandy loam (eq 73) on 2 x 0.6 of 1.524 m
    assert tomatoes["deficit_mm"] == pytest.approx(17.5 * 1.2 / 1.524, abs=0.01)


def test_who_has_not_answered_is_asked_first_with_both_figures(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    planned = {
        run["zone"]: run["minutes"] for run in grower("day", "--date", "2015-07-01", "--json").json["runs"]
    }
    assert planned
    grower("day", "--date", "2015-07-02")
    said = grower("morning", "--date", "2015-07-02").out
    lines = said.splitlines()
    asked = next(i for i, line in enumerate(lines) if line.startswith("Was this water given on Wed 1 Jul?"))
    assert asked < next(i for i, line in enumerate(lines) if line.startswith("Water today"))
    assert "rowwater note applied --as-planned" in said
    page = grower("morning", "--date", "2015-07-02", "--json").json
    for zone in page["zones"]:
        if zone["zone"] in planned:
            assert zone["wanted_minutes"] > zone["minutes_if_given"]
    if_given = {zone["zone"]: zone["minutes_if_given"] for zone in page["zones"]}

    answer = grower("note", "applied", "--as-planned", "--date", "2015-07-01")
    assert answer.status == 0
    assert "plan of 2015-07-02 made again" in answer.out
    page = grower("morning", "--date", "2015-07-02", "--json").json
    assert page["unanswered"] == []
    assert {zone["zone"]: zone["wanted_minutes"] for zone in page["zones"]} == if_given


def test_a_partial_answer_leaves_the_rest_in_the_deficit(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    runs = grower("day", "--date", "2015-07-01", "--json").json["runs"]
    zone = runs[0]["zone"]
    pulses = [run for run in runs if run["zone"] == zone]
    run = {name: sum(pulse[name] for pulse in pulses) for name in ("minutes", "net_mm")}
    half = run["minutes"] / 2
    said = grower("note", "applied", zone, f"{half:.0f}min", "--date", "2015-07-01")
    assert said.status == 0
    row = grower("log", "--zone", zone, "--from", "2015-07-01", "--to", "2015-07-01", "--json").json["days"][
        0
    ]
    assert (row["planned_minutes"], row["minutes"]) == (run["minutes"], round(half))
    assert row["net_mm"] == pytest.approx(run["net_mm"] * round(half) / run["minutes"], abs=1e-3)
    corrected = grower("note", "applied", zone, f"{run['minutes']:.0f}min", "--total", "--date", "2015-07-01")
    assert corrected.status == 0
    row = grower("log", "--zone", zone, "--from", "2015-07-01", "--to", "2015-07-01", "--json").json["days"][
        0
    ]
    assert row["minutes"] == run["minutes"]


def test_gallons_given_are_litres_in_the_log(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    assert grower("note", "applied", "squash", "120gal", "--date", "2015-07-01").status == 0
    days = grower("log", "--from", "2015-07-01", "--to", "2015-07-01", "--json").json["days"]
    (row,) = (row for row in days if row["zone"] == "squash")
    assert row["liters"] == pytest.approx(120 * 3.785411784, abs=1e-3)  # NIST SP 811: 1 gal = 3.785 411 784 L


def test_an_edited_past_is_said(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-03")
    grower("day", "--date", "2015-07-03")
    grower.edit_weather("2015-06-30", rain_mm="15.0")
    page = grower("day", "--date", "2015-07-04", "--json").json
    restated = [n["text"] for n in page["notices"] if "restated" in n["text"]]
    assert restated
    assert all("weather changed" in text for text in restated)
    assert {n["level"] for n in page["notices"] if "restated" in n["text"]} == {"info"}  # not an alarm

    grower("note", "applied", "--as-planned", "--date", "2015-07-04")
    grower.edit("crop: bush bean, planted: 2015-05-20", "crop: bush bean, planted: 2015-06-20")
    page = grower("day", "--date", "2015-07-05", "--json").json
    restated = [n["text"] for n in page["notices"] if "restated" in n["text"]]
    assert len(restated) == 1
    assert "garden changed" in restated[0]


def test_own_gauge_beats_the_station(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-03")
    before = grower("day", "--date", "2015-07-03", "--json").json
    said = grower("note", "rain", "1.5in", "--since", "2015-07-02T06:00", "--at", "2015-07-02T20:00")
    assert said.status == 0, said.err
    page = grower("morning", "--date", "2015-07-03", "--json").json
    assert page["weather"]["yesterday"]["rain_mm"] == pytest.approx(38.1)
    assert "gauge" in page["weather"]["yesterday"]["came_from"]["rain_mm"]
    total = sum(zone["minutes"] for zone in page["zones"])
    assert total < sum(zone["minutes"] for zone in before["zones"])


def test_a_hold_on_planting_dates_by_note(grower: Grower) -> None:
    grower("day", "--date", "2015-07-01")
    assert grower("note", "planted", "beans", "okra", "--date", "2015-06-20").status == 0
    page = grower("day", "--date", "2015-07-02", "--json").json
    beans = next(zone for zone in page["zones"] if zone["zone"] == "beans")
    assert (beans["crop"], beans["day"]) == ("okra", 13)
    assert grower("note", "pulled", "beans", "--date", "2015-07-02").status == 0
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert next(zone for zone in page["zones"] if zone["zone"] == "beans")["state"] == "no crop"


def test_metric_display_changes_words_only(grower: Grower) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    us = grower("day", "--date", "2015-07-01", "--json").json
    grower.edit("display: us", "display: metric")
    metric = grower("day", "--date", "2015-07-01", "--json").json
    assert metric["runs"] == us["runs"]
    text = grower("morning", "--date", "2015-07-01").out
    assert " mm" in text
    assert " C," in text
    assert " gal" not in text
    assert not re.search(r"\d in\b", text)


def test_calendar_holds_the_runs(grower: Grower) -> None:
    from icalendar import Calendar

    grower.weeks("2015-06-29", "2015-07-01")
    page = grower("day", "--date", "2015-07-01", "--json").json
    calendar = Calendar.from_ical((grower.data / "schedule.ics").read_bytes())
    today = [e for e in calendar.walk("VEVENT") if e.decoded("DTSTART").date().isoformat() == "2015-07-01"]
    assert sorted(e.decoded("DTSTART").isoformat() for e in today) == sorted(r["start"] for r in page["runs"])
