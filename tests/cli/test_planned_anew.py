"""A day that is planned again while its runs are under way: only what is missing comes anew."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from cli.conftest import Grower

from scheduler.model import Applied, Opening, Share
from scheduler.store import openings
from scheduler.store.store import Store

DAY = date(2015, 7, 2)


def open_run(grower: Grower, run: dict, *, water: bool) -> None:  # type: ignore[type-arg]
    """In the books: this run was opened; and, with `water`, that it gave what was planned."""
    start = datetime.fromisoformat(run["start"])
    share = Share(run["zone"], DAY, run["pulse"], run["minutes"], run["flow_lpm"], 0.05, 0.05, 0.0)
    record = Applied(
        run["zone"], DAY, run["minutes"], run["liters"], run["net_mm"], run["net_mm"], "done", start,
        pulse=run["pulse"],
    )  # fmt: skip
    with Store.open(grower.data / "rowwater.db", now=start) as store:
        uid = f"{run['zone']} {run['pulse']}"
        openings.open_in_books(store, Opening(uid, "gpio:17", run["minutes"] * 60, (share,), start, "b", 1.0))
        if water:
            openings.close_in_books(store, uid, (record,), start + timedelta(minutes=run["minutes"]))


@pytest.mark.parametrize("water", [True, False], ids=["booked", "in hand"])
def test_pulses_still_ahead_are_not_given_twice(grower: Grower, water: bool) -> None:
    grower.edit("  beans:", "    longest_pulse: 60 min\n    pulse_rest: 5 min\n  beans:")
    grower.edit("time: 40 s", "time: 10 s")
    grower.edit('until: "10:00"', 'until: "16:00"')
    text = grower.garden.read_text()
    head, rest = text.split("  beans:")
    grower.garden.write_text(
        head.replace("valve: {by_hand: true}", "valve: {gpio: 17, cap: 12 h}") + "  beans:" + rest
    )
    for day in ("2015-06-30", "2015-07-01"):
        grower("day", "--date", day)
    before = grower("day", "--date", "2015-07-02", "--json").json
    planned = [run for run in before["runs"] if run["zone"] == "tomatoes"]
    assert len(planned) > 2
    assert "tomatoes" not in {short["zone"] for short in before["unmet"]}
    open_run(grower, planned[0], water=water)
    after = grower("day", "--date", "2015-07-02", "--json").json
    again = [run for run in after["runs"] if run["zone"] == "tomatoes"]
    assert again[0] == planned[0]
    assert sum(r["minutes"] for r in again) == pytest.approx(sum(r["minutes"] for r in planned), abs=1.0)
    assert len({run["pulse"] for run in again}) == len(again)
