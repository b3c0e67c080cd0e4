"""`rowwater week`, the plan of the week in the morning, and `season` with foresight."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from cli.conftest import Grower

KEYS = {"date", "zone", "minutes", "net_mm", "deficit_mm", "deficit_sd_mm", "trigger_mm", "raw_mm", "rain_mm",
        "rain_chance", "et0_mm"}  # fmt: skip


def test_the_week_has_the_promised_fields_and_starts_with_today(grower: Grower) -> None:
    day = grower("day", "--date", "2015-07-01", "--json").json
    said = grower("week", "--date", "2015-07-01", "--json")
    assert said.status in (0, 3)
    week = said.json
    assert set(week) >= {"made_at", "days", "unmet", "weather", "notices"}
    assert week["made_at"] == day["made_at"]
    assert {len(row.keys() ^ KEYS) for row in week["days"]} == {0}
    assert sorted({row["date"] for row in week["days"]}) == [f"2015-07-0{k}" for k in range(1, 8)]
    today = {row["zone"]: row["minutes"] for row in week["days"] if row["date"] == "2015-07-01"}
    for zone in day["zones"]:
        if "crop" in zone:
            assert today[zone["zone"]] == zone["minutes"]


def test_the_week_as_text_fits_the_screen_and_tells_its_age(grower: Grower) -> None:
    assert grower("week", "--date", "2015-07-01").status == 1
    grower("day", "--date", "2015-07-01")
    said = grower("week", "--date", "2015-07-01")
    lines = said.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert "made 2015-07-01" in lines[0]
    assert all(zone in said.out for zone in ("tomatoes", "beans", "lettuce", "squash"))
    old = grower("week", "--date", "2015-07-03")
    assert old.status == 3
    assert "! This week is 2 days old. Run: rowwater day" in old.out


def test_without_rain_and_with_water_to_spare_today_is_the_plain_rules(grower: Grower) -> None:
    grower.edit("volume: 5 gal, time: 40 s", "volume: 5 gal, time: 5 s")
    text = grower.garden.read_text().replace("{by_hand: true}", "{by_hand: true, cap: 12 h}")
    grower.garden.write_text(
        text.replace('until: "10:00"', 'until: "22:00"')
    )  # room for the rests between pulses
    for day in ("2015-06-26", "2015-06-27", "2015-06-28", "2015-06-29"):
        page = grower("day", "--date", day, "--json").json
        for zone in page["zones"]:
            assert zone["minutes"] == zone.get("wanted_minutes", 0.0), (day, zone["zone"])
    assert any(run["minutes"] for run in page["runs"])


def broken_planner(*_: object, **__: object) -> None:
    raise ZeroDivisionError("a defect")


def test_a_planner_that_breaks_loses_no_morning(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    for day in ("2015-06-28", "2015-06-29", "2015-06-30", "2015-07-01"):
        grower("day", "--date", day)
    monkeypatch.setattr("scheduler.planning.plan.look_ahead", broken_planner)
    said = grower("day", "--date", "2015-07-02", "--json")
    assert said.status == 3
    page = said.json
    assert page["runs"]
    assert any(n["text"].startswith("the week could not be planned") for n in page["notices"])
    assert all(
        page["window"]["from"] <= run["start"] < run["stop"] <= page["window"]["until"]
        for run in page["runs"]
    )
    assert "could not be planned" in grower("why", "beans").out
    assert grower("week", "--date", "2015-07-02").status == 1


def test_zones_kept_apart_never_run_side_by_side(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    grower.edit("  days: all", "  days: all\n  not_together: [[beans, lettuce], [tomatoes, squash]]")
    for day in ("2015-06-28", "2015-06-29", "2015-06-30", "2015-07-01"):
        grower("day", "--date", day)
    for broken in (False, True):
        if broken:
            monkeypatch.setattr("scheduler.planning.plan.look_ahead", broken_planner)
            grower("note", "rain", "0.01in", "--date", "2015-07-02")
        runs = grower("day", "--date", "2015-07-02", "--json").json["runs"]
        assert runs
        for a in runs:
            for b in runs:
                if {a["zone"], b["zone"]} in ({"beans", "lettuce"}, {"tomatoes", "squash"}):
                    assert a["stop"] <= b["start"] or b["stop"] <= a["start"]


def test_hours_by_month_and_a_months_cap_reach_the_schedule(grower: Grower) -> None:
    hours = 'jul: {hours: {from: "20:00", until: "23:30"}, monthly_cap: 200 gal}'
    grower.edit("  days: all", "  days: all\n  by_month:\n    " + hours)
    for day in ("2015-06-28", "2015-06-29", "2015-06-30", "2015-07-01"):
        grower("day", "--date", day)
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert page["window"]["from"] == "2015-07-02T20:00:00-07:00"
    assert all(run["start"] >= page["window"]["from"] for run in page["runs"])
    assert sum(run["liters"] for run in page["runs"]) <= 200 * 3.785411784
    assert any("the month's cap on water" in unmet["why"] for unmet in page["unmet"])


def test_a_contested_week_is_solved_and_says_what_would_mend_it(
    grower: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.planning.week.TRIAL_SECONDS", 0.2)
    published = seen(monkeypatch)
    contested(grower)
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert len(published) == 2
    early, late = published
    assert late == page
    assert len(told := of_the_week(page)) == 1
    assert "would mend it" in told[0] or "helps most" in told[0]
    assert "stress days" in told[0]
    assert of_the_week(early)[0].endswith("`rowwater day` works out what would mend it")
    unlike = {key for key in page if early[key] != late[key]}
    assert unlike == {"notices"}  # the water of the morning is the same
    assert len(early["notices"]) == len(late["notices"])
    assert (grower("day", "--date", "2015-07-02", "--json").json) == page
    assert len(published) == 3  # the same facts: the plan on record, with its advice


def test_who_goes_without_until_when_and_what_it_costs_in_plain_words(
    grower: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.planning.week.TRIAL_SECONDS", 0.2)
    contested(grower)
    page = grower("day", "--date", "2015-07-02", "--json").json
    told = of_the_week(page)[0]
    week = grower("week", "--date", "2015-07-02", "--json").json["days"]
    waits = re.findall(r"(\w+) gets no water until (\w+) \(", told)
    less = re.findall(r"(\w+) gets less than it needs from", told)
    assert waits or less
    for zone, until in waits:
        runs = [row["date"] for row in week if row["zone"] == zone and row["minutes"] > 0]
        assert f"{date.fromisoformat(runs[0]):%a}" == until
    assert re.search(r"[\d.]+ stress days, about \d+% of its yield", told)  # of a crop with a published Ky
    said = grower("morning").out
    assert not re.search("solver|HiGHS|heuristic|program|mixed-integer", said)
    assert " mm" not in told


def test_by_hand_nobody_walks_for_a_few_minutes(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of mornings too short for all (90 minutes), those by hand have no run below a third of a full one.

    But for a seedbed's, which are short by intent.
    """
    monkeypatch.setattr("scheduler.planning.week.TRIAL_SECONDS", 0.1)
    monkeypatch.setattr("scheduler.planning.week.MANY_ZONES", 0)
    found: dict[bool, list[float]] = {}
    contested(grower)
    grower.garden.write_text(grower.garden.read_text().replace("{crop:", "{heat: off, crop:"))
    for by_hand in (False, True):
        if by_hand:
            text = re.sub(r"\{gpio: \d+\}", "{by_hand: true}", grower.garden.read_text())
            grower.garden.write_text(text)
        rows = [
            row
            for day in ("2015-07-02", "2015-07-03", "2015-07-04")
            for row in grower("day", "--date", day, "--json").json["zones"]
        ]
        found[by_hand] = [
            row["minutes"] / min(row["trigger_mm"] / row["net_mm"] * row["minutes"], 90)
            for row in rows
            if row["minutes"] and "seedbed" not in row
        ]
    assert len(found[True]) > 3
    assert min(found[True]) >= 0.99 / 3


def of_the_week(page: dict[str, Any]) -> list[str]:
    texts = [notice["text"] for notice in page["notices"]]
    return [text for text in texts if text.startswith("not enough water for the week ahead")]


def seen(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Every page that is published on a contested morning, in turn, with the runs of its schedule on disk."""
    from scheduler import daily

    pages: list[dict[str, Any]] = []
    publish = daily.publish

    def watched(garden: Any, store: Any, page: dict[str, Any], places: Any) -> Any:
        published = publish(garden, store, page, places)
        on_disk = json.loads((places.data / "schedule.json").read_text())
        assert on_disk["runs"] == page["runs"] == store.newest_plan().page["runs"]
        if page["date"] == "2015-07-02":
            pages.append(dict(page))
        return published

    monkeypatch.setattr(daily, "publish", watched)
    return pages


def contested(grower: Grower) -> None:
    grower.edit('until: "10:00"', 'until: "05:30"')
    for day in ("2015-06-29", "2015-06-30", "2015-07-01"):
        grower("day", "--date", day)


def test_a_note_plans_again_without_advice_and_the_next_run_of_the_day_adds_it(
    grower: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.planning.week.TRIAL_SECONDS", 0.2)
    contested(grower)
    advised = grower("day", "--date", "2015-07-02", "--json").json
    published = seen(monkeypatch)
    assert grower("note", "applied", "beans", "3min", "--date", "2015-07-02").status == 0
    assert len(published) == 1
    assert of_the_week(published[0])[0].endswith("`rowwater day` works out what would mend it")
    again = grower("day", "--date", "2015-07-02", "--json").json
    assert again["runs"] == published[0]["runs"]
    for page in (advised, again):
        assert "works out" not in of_the_week(page)[0]


def test_advice_that_fails_takes_nothing_from_the_plan(
    grower: Grower, monkeypatch: pytest.MonkeyPatch
) -> None:
    contested(grower)
    monkeypatch.setattr("scheduler.core.week.advice.plan_week", broken_planner)
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert page["runs"]
    assert of_the_week(page)[0].endswith("`rowwater day` works out what would mend it")


# --- season --------------------------------------------------------------------------------------

SPAN = ("--weather", "weather.csv", "--from", "2015-06-20", "--to", "2015-07-05")


def test_season_with_perfect_foresight_has_the_same_shape(grower: Grower) -> None:
    none = grower("season", *SPAN, "--json").json
    perfect = grower("season", *SPAN, "--foresight", "perfect", "--json").json
    assert none.keys() == perfect.keys()
    assert none["foresight"] == {"mode": "none"}
    assert perfect["foresight"]["mode"] == "perfect"
    assert sum(perfect["foresight"]["mornings"].values()) == 16
    assert none["days"][0].keys() == perfect["days"][0].keys()
    assert [d["et0_mm"] for d in none["days"]] == [d["et0_mm"] for d in perfect["days"]]


def test_season_keeps_the_limits_unless_told_otherwise(grower: Grower) -> None:
    """`--unlimited` is the plain rule of model M6; without it no morning is longer than the hours allow."""
    free = grower("season", *SPAN, "--unlimited", "--json")
    assert "hours, days, caps and the supply's flow are left aside" in free.err
    assert free.json["unlimited"] is True
    assert "left aside" in grower("season", *SPAN, "--unlimited").out
    grower.edit('hours: {from: "04:00", until: "10:00"}', 'hours: {from: "04:00", until: "05:30"}')
    kept = grower("season", *SPAN, "--json")
    assert kept.json["unlimited"] is False
    assert kept.err == ""
    assert max(zone["longest_minutes"] for zone in kept.json["zones"].values()) == 90
    assert grower("season", *SPAN, "--unlimited", "--json").json == free.json
    short = {name: zone["short_days"] for name, zone in kept.json["zones"].items()}
    assert short["tomatoes"] > 0
    assert f"  tomatoes: {short['tomatoes']} d" in grower("season", *SPAN).out
    assert grower("season", *SPAN, "--unlimited", "--foresight", "perfect").status == 2


def test_the_season_keeps_zones_apart(grower: Grower) -> None:
    """One after another: what runs on one morning adds up to no more than its hours."""
    grower.edit("  pressure: 12 psi", "  not_together: all\n  pressure: 12 psi")
    days = grower("season", *SPAN, "--json").json["days"]
    for day in {d["date"] for d in days}:
        assert sum(d["minutes"] for d in days if d["date"] == day) <= 360


def test_season_on_a_forecast_file(grower: Grower) -> None:
    rows = Path("weather.csv").read_text().splitlines()
    days = [row for row in rows[1:] if "2015-06-19" < row < "2015-07-13"]
    issued = [f"{a.split(',')[0]},{b}" for i, a in enumerate(days) for b in days[i : i + 7]]
    Path("forecast.csv").write_text("\n".join([f"issued,{rows[0]}", *issued]) + "\n")
    said = grower("season", *SPAN, "--foresight", "forecast", "--forecast", "forecast.csv")
    assert said.status == 0
    assert "foresight: forecast; mornings planned:" in said.out
    assert grower("season", *SPAN, "--foresight", "forecast").status == 2
    said = grower("season", *SPAN, "--forecast", "forecast.csv")
    assert said.status == 2
    assert "issued" in said.err


def test_the_stored_week_is_json(grower: Grower) -> None:
    """What is printed has no nan and no infinity."""
    grower("day", "--date", "2015-06-29")
    json.loads(grower("week", "--date", "2015-06-29", "--json").out, parse_constant=pytest.fail)
