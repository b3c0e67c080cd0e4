"""Feeding through the tape, day by day at the command line: the window, the water added, the day after."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

import pytest
from cli.conftest import Grower

TRAVEL = 20.5  # minutes in 80 ft of this tape: test_check_tape
ROWS = "    rows: {count: 4, length: 80 ft, spacing: 3 ft}\n"


@pytest.fixture
def beans(grower: Grower) -> Grower:
    """With the beans alone, a quicker garden, and dry when the record begins."""
    text = grower.garden.read_text()
    head, _, rest = text.partition("zones:\n")
    start, end = rest.index("  beans:\n"), rest.index("  lettuce:\n")
    grower.garden.write_text(f"{head}zones:\n{rest[start:end]}")
    grower.edit(ROWS, ROWS + "    starting_deficit: 1 in\n")
    return grower


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
    grower.weeks("2015-07-05", "2015-07-07")
    assert not any("feed" in run for run in plan(grower, "2015-07-07")["runs"])
    assert grower("note", "feed", "beans", "--date", "2015-07-07").status in (0, 3)
    page = plan(grower, "2015-07-07")
    *_, run = runs_of(page, "beans")
    before, stop, flush = minutes_of(run)
    assert flush == run["minutes"]
    assert flush - stop == pytest.approx(TRAVEL, abs=0.1)
    assert stop - before == pytest.approx(2 * TRAVEL, abs=0.1)  # a long run: the longer injection
    assert before >= TRAVEL / 2
    assert not any("feed" in one for one in page["runs"] if one["zone"] != "beans")
    for name in ("schedule.json", "today.json"):
        *_, filed = runs_of(json.loads((grower.data / name).read_text()), "beans")
        assert filed["feed"] == run["feed"], name


def test_the_grower_is_told_when_and_warned(grower: Grower) -> None:
    grower.weeks("2015-07-05", "2015-07-07")
    grower("note", "feed", "beans", "--date", "2015-07-07")
    page = plan(grower, "2015-07-07")
    *_, run = runs_of(page, "beans")
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


def test_water_is_added_for_a_noted_feed_only(beans: Grower) -> None:
    """The bed is full: there is no run, and the note makes one that is just long enough."""
    beans.edit("    starting_deficit: 1 in\n", "    starting_deficit: 0 in\n")
    assert not runs_of(plan(beans, "2015-06-23"), "beans")
    assert beans("note", "feed", "beans", "--date", "2015-06-23").status in (0, 3)
    (run,) = runs_of(plan(beans, "2015-06-23"), "beans")
    # half the travel before, once to inject (15 min at least), once to flush, in whole minutes
    assert run["minutes"] == 52
    before, stop, flush = minutes_of(run)
    assert (before, flush) == (pytest.approx(52 - 2 * TRAVEL, abs=0.1), 52)
    assert stop == pytest.approx(52 - TRAVEL, abs=0.1)
    assert beans("note", "undo").status in (0, 3)
    assert not runs_of(plan(beans, "2015-06-23"), "beans")


def test_the_last_pulse_of_a_noted_feed_is_long_enough(beans: Grower) -> None:
    """Sand holds little: its pulses are shorter than the feed tank takes."""
    beans.edit("soil: sandy loam", "soil: sand")
    beans.edit("keep_back: 10%", "keep_back: 10%\n  injector_minutes: 80 min")
    least = 111  # 20.5 / 2 before, 80, and 20.5 to flush
    pulses = runs_of(plan(beans, "2015-05-28"), "beans")
    assert len(pulses) > 1
    assert pulses[-1]["minutes"] < least
    assert beans("note", "feed", "beans", "--date", "2015-05-28").status in (0, 3)
    fed = runs_of(plan(beans, "2015-05-28"), "beans")
    assert all(run["minutes"] >= least for run in fed)
    assert [run["pulse"] for run in fed if "feed" in run] == [fed[-1]["pulse"]]


def test_nothing_is_added_where_no_water_may_run(beans: Grower) -> None:
    beans.edit("days: all", "days: [mon]")
    plan(beans, "2015-05-23")  # a Saturday
    assert beans("note", "feed", "beans", "--date", "2015-05-23").status in (0, 3)
    page = plan(beans, "2015-05-23")
    assert not runs_of(page, "beans")
    (told,) = feed_notices(page)
    assert (told["level"], told["zones"]) == ("look", ["beans"])
    assert "no run is planned to feed in" in told["text"]


def test_without_the_tapes_diameter_the_window_is_not_known(beans: Grower) -> None:
    beans.edit("inside_diameter: 0.636 in, ", "")
    plan(beans, "2015-07-07")
    beans("note", "feed", "beans", "--date", "2015-07-07")
    page = plan(beans, "2015-07-07")
    assert not any("feed" in run for run in page["runs"])
    assert "wants inside_diameter and emitter_spacing" in feed_notices(page)[0]["text"]
    assert runs_of(page, "beans")


def test_a_note_of_what_was_done_adds_nothing(beans: Grower) -> None:
    before = plan(beans, "2015-07-07")
    beans("note", "applied", "--as-planned", "--date", "2015-07-07")
    beans("note", "feed", "beans", "--date", "2015-07-07")
    after = plan(beans, "2015-07-07")
    times = [[(run["start"], run["minutes"]) for run in page["runs"]] for page in (before, after)]
    assert times[0] == times[1]
    assert all(notice["level"] == "info" for notice in feed_notices(after))


def test_why_shows_how_long_a_run_must_be(beans: Grower) -> None:
    plan(beans, "2015-07-07")
    beans("note", "feed", "beans", "--date", "2015-07-07")
    page = plan(beans, "2015-07-07")
    *_, run = runs_of(page, "beans")
    why = beans("why", "beans", "--date", "2015-07-07", "--json").json
    (lines,) = [part["lines"] for part in why["sections"] if part["title"] == "Feeding through the tape"]
    travel, least, injection = (one["value"] for one in lines)
    assert travel == pytest.approx(TRAVEL, abs=0.05)
    assert least == 52
    _, stop, _ = minutes_of(run)
    assert injection == pytest.approx(stop - minutes_of(run)[0], abs=0.02)
    assert "Feeding through the tape" in beans("why", "beans", "--date", "2015-07-07").out


def test_the_day_after_does_not_wait_for_rain(beans: Grower) -> None:
    """What was fed is not left to be washed out by the rain that is hoped for."""
    path = beans.folder / "weather.csv"
    head, *rows = path.read_text().splitlines()
    rows = [f"{row}," for row in rows if row < "2015-07-08"]
    rows += [f"2015-07-{day:02d},14,22,2,10,40.0,95" for day in (8, 9)]
    path.write_text("\n".join([f"{head},rain_chance_pct", *rows]) + "\n")
    beans.edit("starting_deficit: 1 in", "starting_deficit: 0.55 in")

    def state() -> str:
        (zone,) = plan(beans, "2015-07-08")["zones"]
        return str(zone["state"])

    assert state() == "waits for rain"
    assert beans("note", "feed", "beans", "--date", "2015-07-07").status in (0, 3)
    assert state() == "runs"


# --- asked for in garden.yaml --------------------------------------------------------------------


def fed_on(page: dict[str, Any]) -> list[str]:
    return sorted({run["zone"] for run in page["runs"] if "feed" in run})


def test_weekly_asks_until_it_is_noted_and_then_a_week_later(beans: Grower) -> None:
    beans.edit(ROWS, ROWS + "    feed: weekly\n")
    fed = []
    for number in range(1, 12):  # nobody says that water was given: the zone runs every day
        day = f"2015-07-{number:02d}"
        page = plan(beans, day)
        assert runs_of(page, "beans")
        if fed_on(page):
            fed.append(number)
            told = " ".join(notice["text"] for notice in feed_notices(page))
            assert "once it is done: rowwater note feed beans" in told
        if number in (3, 10):  # the first two times it is forgotten
            assert beans("note", "feed", "beans", "--date", day).status in (0, 3)
    assert fed == [1, 2, 3, 10]


def test_weekdays_of_a_planting_go_before_those_of_its_zone(beans: Grower) -> None:
    beans.edit(ROWS, ROWS + "    feed: {days: [sun]}\n")
    beans.edit("{crop: bush bean, ", "{crop: bush bean, feed: {days: [mon, tue]}, ")
    fed = {number: fed_on(plan(beans, f"2015-07-{number:02d}")) for number in (5, 6, 7, 8)}
    assert fed == {5: [], 6: ["beans"], 7: ["beans"], 8: []}  # 5 July 2015 was a Sunday


def test_a_run_too_short_names_the_next_long_enough(beans: Grower) -> None:
    """The tank takes so long that only a longer run of the coming days will do."""
    beans.edit(ROWS, ROWS + "    feed: weekly\n    longest_pulse: 600 min\n")
    beans.edit("keep_back: 10%", "keep_back: 10%\n  injector_minutes: 20 min")
    tank = 20
    for number in range(1, 12):
        day = f"2015-07-{number:02d}"
        mine = runs_of(plan(beans, day), "beans")
        ahead = [
            one for one in beans("week", "--date", day, "--json").json["days"]
            if one["zone"] == "beans" and one["date"] > day and mine and one["minutes"] > mine[0]["minutes"]
        ]  # fmt: skip
        if ahead:
            break
        beans("note", "applied", "--as-planned", "--date", day)
    assert ahead
    (run,), longer = mine, ahead[0]
    needed = int(run["minutes"]) + 1
    wanted = needed - 31  # half the travel before, the travel after: 30.7 minutes
    beans.edit(f"injector_minutes: {tank} min", f"injector_minutes: {wanted} min")
    page = plan(beans, day)
    assert not fed_on(page)
    (told,) = feed_notices(page)
    assert told["level"] == "info"
    assert "too short to feed in" in told["text"]
    when = datetime.fromisoformat(longer["date"])
    assert f"the next long enough is {when:%a} {when.day} {when:%b}" in told["text"]
    assert runs_of(page, "beans")[0]["minutes"] == run["minutes"]  # nothing is added unasked
    beans.edit(f"injector_minutes: {wanted} min", "injector_minutes: 590 min")
    (told,) = feed_notices(plan(beans, day))
    assert "and so are those of the coming days; rowwater note feed beans --date tomorrow" in told["text"]
