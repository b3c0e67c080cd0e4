"""Feeding through the tape, day by day at the command line: the window, the water added, the day after."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

import pytest
from cli.conftest import Grower

TRAVEL = 20.5  # minutes in 80 ft of this tape: test_check_tape


def runs_of(page: dict[str, Any], zone: str) -> list[dict[str, Any]]:
    return [run for run in page["runs"] if run["zone"] == zone]


def feed_notices(page: dict[str, Any]) -> list[dict[str, Any]]:
    return [notice for notice in page["notices"] if notice.get("kind") == "feed"]


def minutes_of(run: dict[str, Any]) -> tuple[float, float, float]:
    """Start, stop and end of flushing, minutes after the run's start."""
    start = datetime.fromisoformat(run["start"])
    moments = (datetime.fromisoformat(run["feed"][key]) for key in ("start", "stop", "flush_until"))
    before, inject, flush = ((moment - start) / timedelta(minutes=1) for moment in moments)
    return before, inject, flush


def plan(grower: Grower, day: str) -> dict[str, Any]:
    said = grower("day", "--date", day, "--json")
    assert said.status in (0, 3), said.err
    page: dict[str, Any] = said.json
    return page


def test_a_noted_feed_has_its_window_in_every_file(grower: Grower) -> None:
    grower.weeks("2015-07-01", "2015-07-07")
    assert not any("feed" in run for run in plan(grower, "2015-07-07")["runs"])
    assert grower("note", "feed", "beans", "--date", "2015-07-07").status in (0, 3)
    page = plan(grower, "2015-07-07")
    (run,) = runs_of(page, "beans")
    before, stop, flush = minutes_of(run)
    assert flush == run["minutes"]
    assert flush - stop == pytest.approx(TRAVEL, abs=0.1)
    assert stop - before == pytest.approx(2 * TRAVEL, abs=0.1)  # a long run: the longer injection
    assert before >= TRAVEL / 2
    assert not any("feed" in one for one in page["runs"] if one["zone"] != "beans")
    for name in ("schedule.json", "today.json"):
        (filed,) = runs_of(json.loads((grower.data / name).read_text()), "beans")
        assert filed["feed"] == run["feed"], name


def test_the_grower_is_told_when_and_warned(grower: Grower) -> None:
    grower.weeks("2015-07-01", "2015-07-07")
    grower("note", "feed", "beans", "--date", "2015-07-07")
    page = plan(grower, "2015-07-07")
    (run,) = runs_of(page, "beans")
    start, stop, until = (datetime.fromisoformat(run["feed"][k]) for k in ("start", "stop", "flush_until"))
    window = f"feed {start:%H:%M} to {stop:%H:%M}, then clean water until {until:%H:%M}"
    for said in (
        grower("day", "--date", "2015-07-07").out,
        grower("morning", "--date", "2015-07-07").out,
        grower("morning", "--date", "2015-07-07", "--all").out,
    ):
        assert window in said
    told = " ".join(grower("morning", "--date", "2015-07-07", "--all").out.split())
    for caution in (
        "backflow preventer approved for injection", "local codes", "only while water flows", "jar test",
        "flush to the end", "no acids or pesticides", "goggles",
    ):  # fmt: skip
        assert caution in told
    at_once = [one for one in page["runs"] if one["zone"] != "beans" and one["stop"] > run["feed"]["start"]]
    assert bool(at_once) == ("fed too, unless shut off" in told)


def test_nothing_is_added_where_no_water_may_run(grower: Grower) -> None:
    grower.edit("days: all", "days: [mon]")
    grower.weeks("2015-05-20", "2015-05-23")
    grower("note", "feed", "beans", "--date", "2015-05-23")  # a Saturday
    page = plan(grower, "2015-05-23")
    assert not runs_of(page, "beans")
    (told,) = feed_notices(page)
    assert (told["level"], told["zones"]) == ("look", ["beans"])
    assert "no run is planned to feed in" in told["text"]


def test_without_the_tapes_diameter_the_window_is_not_known(grower: Grower) -> None:
    grower.edit("inside_diameter: 0.636 in, ", "")
    grower.weeks("2015-07-01", "2015-07-07")
    grower("note", "feed", "beans", "--date", "2015-07-07")
    page = plan(grower, "2015-07-07")
    assert not any("feed" in run for run in page["runs"])
    assert "wants inside_diameter and emitter_spacing" in feed_notices(page)[0]["text"]
    assert page["runs"] == [run for run in page["runs"] if run["minutes"] > 0]


def test_a_note_of_what_was_done_adds_nothing(grower: Grower) -> None:
    grower.weeks("2015-07-01", "2015-07-07")
    before = plan(grower, "2015-07-07")
    grower("note", "applied", "--as-planned", "--date", "2015-07-07")
    grower("note", "feed", "beans", "--date", "2015-07-07")
    after = plan(grower, "2015-07-07")
    (was,), (now,) = (runs_of(page, "beans") for page in (before, after))
    assert (was["start"], was["minutes"]) == (now["start"], now["minutes"])
    assert all(notice["level"] == "info" for notice in feed_notices(after))
