"""Every limit counts what was given today, by whom it may: notes, runs by hand, runs of unknown length."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from cli.conftest import Clock, Grower

from scheduler.model import Applied, Opening, Share
from scheduler.store import openings
from scheduler.store.store import Store

BEFORE = ("2015-06-30", "2015-07-01")
TODAY = "2015-07-02"
DAY = date(2015, 7, 2)
AT = datetime.fromisoformat("2015-07-02T03:00:00-04:00")
FLOW = 5.0


@pytest.fixture
def thirsty(grower: Grower, clock: Clock) -> Grower:
    """Beans that want more than their longest run, before the hours; the supply and the hours are ample."""
    clock(f"{TODAY}T03:00")
    grower.edit("time: 40 s", "time: 10 s")
    grower.edit("  beans:\n", "  beans:\n    longest_run: 40 min\n    shortest_run: 1 min\n")
    for day in BEFORE:
        grower("day", "--date", day)
    return grower


def minutes(grower: Grower, zone: str = "beans") -> float:
    page = grower("day", "--date", TODAY, "--json").json
    return float(sum(run["minutes"] for run in page["runs"] if run["zone"] == zone))


def said(out: str) -> str:
    """Without the breaks of its lines."""
    return " ".join(out.split())


def ahead(grower: Grower, zone: str = "beans") -> float:
    """Planned for today in the week."""
    rows = grower("week", "--json").json["days"]
    return float(next(row["minutes"] for row in rows if (row["date"], row["zone"]) == (TODAY, zone)))


def booked(grower: Grower, zone: str, asked: float, best: float, most: float | None = None) -> None:
    """The service opened a valve because a person asked for so long, and booked so much."""
    share = Share(zone, DAY, None, asked, FLOW, 0.05, 0.05, 0.0)
    record = Applied(
        zone, DAY, best, best * FLOW, best * 0.05, best * 0.05, "interrupted" if most else "cut short", AT,
        closed_at=AT - timedelta(minutes=1), least_minutes=0.0 if most else None, most_minutes=most,
    )  # fmt: skip
    with Store.open(grower.data / "rowwater.db", now=AT) as store:
        begin = AT - timedelta(minutes=asked + 1)
        openings.open_in_books(store, Opening("u", "gpio:17", asked * 60, (share,), begin, "b", 1.0))
        openings.close_in_books(store, "u", (record,), AT)


def test_the_longest_run_is_the_most_of_a_day(thirsty: Grower) -> None:
    assert minutes(thirsty) == 40.0
    thirsty("note", "applied", "beans", "39min", "--date", TODAY)
    assert minutes(thirsty) <= 1.0
    assert ahead(thirsty) <= 1.0
    assert "longest 40 less the 39.0 of today" in said(thirsty("why", "beans").out)


def test_a_rest_below_the_shortest_run_is_none(thirsty: Grower) -> None:
    thirsty.edit("shortest_run: 1 min", "shortest_run: 5 min")
    thirsty("day", "--date", TODAY)
    thirsty("note", "applied", "beans", "39min", "--date", TODAY)
    assert minutes(thirsty) == 0.0
    assert ahead(thirsty) == 0.0


def test_the_whole_run_is_there_again_the_next_day(thirsty: Grower) -> None:
    thirsty("day", "--date", TODAY)
    thirsty("note", "applied", "beans", "39min", "--date", TODAY)
    page = thirsty("day", "--date", "2015-07-03", "--json").json
    assert sum(run["minutes"] for run in page["runs"] if run["zone"] == "beans") == 40.0


@pytest.mark.parametrize(("best", "most"), [(25.0, None), (2.0, 25.0)], ids=["booked", "at most"])
def test_water_that_a_person_asked_for_counts_and_so_does_the_most_it_can_have_been(
    thirsty: Grower, best: float, most: float | None
) -> None:
    booked(thirsty, "beans", 25.0, best, most)
    assert minutes(thirsty) == 15.0
    assert ahead(thirsty) == 15.0


def test_water_under_way_because_a_person_asked_counts_in_full(thirsty: Grower) -> None:
    share = Share("beans", DAY, None, 25.0, FLOW, 0.05, 0.05, 0.0)
    with Store.open(thirsty.data / "rowwater.db", now=AT) as store:
        openings.open_in_books(store, Opening("u", "gpio:17", 1500.0, (share,), AT, "b", 1.0))
    assert minutes(thirsty) == 15.0


def test_zones_of_one_valve_share_what_is_left_of_its_day(thirsty: Grower) -> None:
    text = thirsty.garden.read_text()
    thirsty.garden.write_text(text.replace("valve: {by_hand: true}", "valve: {gpio: 17}"))
    thirsty.edit("  squash:\n", "  squash:\n    longest_run: 40 min\n")
    for zone in ("tomatoes", "lettuce", "onions"):
        thirsty.edit(f"  {zone}:\n", f"  {zone}:\n    longest_run: 40 min\n")
    first = minutes(thirsty)
    assert 0 < first <= 40.0
    thirsty("note", "applied", "squash", "30min", "--date", TODAY)
    assert minutes(thirsty) <= 10.0


def test_after_an_interrupted_run_the_same_day_reckons_with_the_most_and_later_days_with_the_best(
    grower: Grower,
) -> None:
    """A run of 60 s that nobody could write down until the end, booked as 15 s, is not given again."""
    grower.edit("time: 40 s", "time: 10 s")
    for day in BEFORE:
        grower("day", "--date", day)
    page = grower("day", "--date", TODAY, "--json").json
    runs = [run for run in page["runs"] if run["zone"] == "beans"]
    run, planned = runs[0], sum(run["minutes"] for run in runs)
    share = Share("beans", DAY, run["pulse"], run["minutes"], run["flow_lpm"], 0.05, 0.05, 0.0)
    best = run["minutes"] / 4
    record = Applied(
        "beans", DAY, best, best * run["flow_lpm"], run["net_mm"] / 4, run["net_mm"] / 3, "interrupted", AT,
        pulse=run["pulse"], least_minutes=0.0, most_minutes=run["minutes"],
    )  # fmt: skip
    with Store.open(grower.data / "rowwater.db", now=AT) as store:
        opening = Opening("u", "gpio:17", run["minutes"] * 60, (share,), AT, "b", 1.0)
        openings.open_in_books(store, opening)
        openings.close_in_books(store, "u", (record,), AT)
    again: dict[str, Any] = grower("day", "--date", TODAY, "--json").json
    assert sum(r["minutes"] for r in again["runs"] if r["zone"] == "beans") == pytest.approx(planned, abs=1)
    assert "of the water given the most it can have been" in said(grower("why", "beans").out)
    following = grower("day", "--date", "2015-07-03", "--json").json
    assert sum(r["minutes"] for r in following["runs"] if r["zone"] == "beans") > run["minutes"] / 2


def test_a_cap_counts_the_most_that_ran(grower: Grower) -> None:
    grower.edit("time: 40 s", "time: 10 s")
    grower.edit("supply:\n", "supply:\n  daily_cap: 400 gal\n")
    for day in BEFORE:
        grower("day", "--date", day)

    def liters() -> float:
        page = grower("day", "--date", TODAY, "--json").json
        return float(sum(run["liters"] for run in page["runs"]))

    whole = liters()
    booked(grower, "tomatoes", 100.0, 5.0, 60.0)
    flow = next(
        run["flow_lpm"] for run in grower("day", "--date", TODAY, "--json").json["runs"] if run["liters"]
    )
    assert flow > 0
    assert whole - liters() > 55.0 * FLOW
