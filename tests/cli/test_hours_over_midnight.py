"""Hours that pass midnight, and two windows a day, lived through before, during and after them."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from tests.cli.conftest import Grower

SITE = ZoneInfo("America/Los_Angeles")
USUAL = 'hours: {from: "04:00", until: "10:00"}'
EVENING = 'hours: {from: "20:00", until: "02:00"}'
TWO = 'hours: [{from: "05:00", until: "07:00"}, {from: "22:00", until: "01:00"}]'
CLOSED = ("07:00", "22:00")


def set_clock(monkeypatch: pytest.MonkeyPatch, at: str) -> None:
    now = datetime.fromisoformat(at).replace(tzinfo=SITE)
    monkeypatch.setattr("scheduler.clock.site_now", lambda _zone: now)


def runs_of(page: dict) -> list[tuple[str, str, str]]:
    return [(run["zone"], run["start"][:16], run["stop"][:16]) for run in page["runs"]]


def test_an_evening_past_midnight(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """Planned in the morning, answered at 01:30 or the next morning: one day's water, in one place."""
    grower.edit(USUAL, EVENING)
    grower.weeks("2015-06-29", "2015-07-01")
    set_clock(monkeypatch, "2015-07-02T09:00")
    page = grower("day", "--json").json
    assert page["date"] == "2015-07-02"
    assert page["window"]["until"].startswith("2015-07-03T02:00")
    runs = runs_of(page)
    assert runs
    assert all("2015-07-02T20:00" <= start < stop <= "2015-07-03T02:00" for _, start, stop in runs)
    assert any(stop > "2015-07-03T00:00" for _, _, stop in runs)
    set_clock(monkeypatch, "2015-07-03T01:59")
    again = grower("day", "--json").json
    assert again["date"] == "2015-07-02"  # still the evening's plan, what has begun as it was
    assert {run for run in runs_of(again) if run[1] <= "2015-07-03T01:59"} >= set(runs)
    assert "(hours 20:00 to 02:00)" in grower("morning").out
    set_clock(monkeypatch, "2015-07-03T08:00")
    said = grower("note", "applied", "--as-planned")
    assert said.status in (0, 3), said.err
    log = grower("log", "--from", "2015-07-02", "--json").json
    given = {(row["zone"], row["date"]) for row in log["days"] if row["minutes"]}
    assert given == {(zone, "2015-07-02") for zone, _, _ in runs}
    assert grower("day", "--json").json["date"] == "2015-07-03"
    calendar = (grower.data / "schedule.ics").read_text()
    assert calendar.count("DTSTART;TZID=America/Los_Angeles:20150702T2") >= 1


def evening_by_hand(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str, str]]:
    """Hours 20:00 to 02:00, planned on 2 July at 09:00; the runs."""
    grower.edit(USUAL, EVENING)
    grower.weeks("2015-06-29", "2015-07-01")
    set_clock(monkeypatch, "2015-07-02T09:00")
    runs = runs_of(grower("day", "--json").json)
    assert any(stop > "2015-07-03T00:00" for _, _, stop in runs)
    return runs


def given_days(grower: Grower) -> dict[tuple[str, str], float]:
    rows = grower("log", "--from", "2015-07-02", "--to", "2015-07-03", "--json").json["days"]
    return {(row["zone"], row["date"]): row["minutes"] for row in rows if row["minutes"]}


def test_told_the_next_morning_without_a_date(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of last evening's run while nobody answered it; then, and with --date, of the day that is told."""
    zone, start, _ = evening_by_hand(grower, monkeypatch)[0]
    set_clock(monkeypatch, "2015-07-03T08:00")
    said = grower("note", "applied", zone, "45min", "--date", "2015-07-03")
    assert "the run of" not in said.out
    grower("note", "undo")
    said = grower("note", "applied", zone, "45min")
    assert f"for Thu 2 Jul, the run of {start[11:16]}" in said.out
    assert given_days(grower)[zone, "2015-07-02"] == 45


def test_ordinary_hours_are_told_of_today(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    grower.weeks("2015-06-29", "2015-07-01")
    set_clock(monkeypatch, "2015-07-02T03:00")
    zone = runs_of(grower("day", "--json").json)[0][0]
    set_clock(monkeypatch, "2015-07-03T03:30")
    assert "the run of" not in grower("note", "applied", zone, "45min").out
    assert given_days(grower) == {(zone, "2015-07-03"): 45}


def test_a_note_after_midnight_unplans_nothing(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half an hour after midnight plans again; what is over then, and the rest at 08:00, is answered once."""
    runs = evening_by_hand(grower, monkeypatch)
    set_clock(monkeypatch, "2015-07-03T00:30")
    grower("note", "filter")
    again = runs_of(grower("day", "--json").json)
    assert {run for run in runs if run[1] <= "2015-07-03T00:30"} <= set(again)
    minutes = dict[str, float]()
    for run in grower("day", "--json").json["runs"]:
        minutes[run["zone"]] = minutes.get(run["zone"], 0.0) + run["minutes"]
    set_clock(monkeypatch, "2015-07-03T01:00")
    grower("note", "applied", "--as-planned")
    early = sum(given_days(grower).values())
    set_clock(monkeypatch, "2015-07-03T08:00")
    grower("note", "applied", "--as-planned")
    assert early <= sum(given_days(grower).values())
    given = given_days(grower)  # what was owed of a run may follow in the same night
    assert all(given[zone, "2015-07-02"] >= planned for zone, planned in minutes.items())


def test_two_windows_and_nothing_in_between(grower: Grower) -> None:
    grower.edit(USUAL, TWO)
    grower.weeks("2015-06-29", "2015-07-01")
    page = grower("day", "--date", "2015-07-02", "--json").json
    assert [one["from"][11:16] for one in page["windows"]] == ["05:00", "22:00"]
    assert "(hours 05:00 to 07:00 and 22:00 to 01:00)" in grower("morning", "--date", "2015-07-02").out
    runs = runs_of(page)
    assert runs
    for zone, start, stop in runs:
        morning = "2015-07-02T05:00" <= start < stop <= "2015-07-02T07:00"
        evening = "2015-07-02T22:00" <= start < stop <= "2015-07-03T01:00"
        assert morning or evening, (zone, start, stop)
    assert {start[11:13] < "12" for _, start, _ in runs} == {True, False}  # both are used


def test_a_months_cap_over_its_last_midnight(grower: Grower, monkeypatch: pytest.MonkeyPatch) -> None:
    """What runs on 1 July before 02:00 is June's water: July has its own cap from its own evening on."""
    grower.edit(USUAL, EVENING + "\n  monthly_cap: 4000L")
    grower.weeks("2015-06-28", "2015-06-30")
    set_clock(monkeypatch, "2015-06-30T09:00")
    june = grower("day", "--json").json
    assert any(stop > "2015-07-01T00:00" for _, _, stop in runs_of(june)), runs_of(june)
    set_clock(monkeypatch, "2015-07-01T08:00")
    grower("note", "applied", "--as-planned", "--date", "2015-06-30")
    log = grower("log", "--from", "2015-06-28", "--to", "2015-07-01", "--json").json["days"]
    liters = {
        month: sum(row["liters"] or 0 for row in log if row["date"].startswith(month))
        for month in ("2015-06", "2015-07")
    }
    assert liters["2015-07"] == 0
    assert 0 < liters["2015-06"] <= 4000.5
    july = grower("day", "--json").json
    assert july["date"] == "2015-07-01"
    assert sum(run["liters"] for run in july["runs"]) > 4000 - liters["2015-06"]  # more than June left
