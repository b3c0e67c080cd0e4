"""The ledger step by step, where a played day seldom goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from service.limits import DAY, FOUR, Parts, actions_of, moment, new_ledger, opened, plan, watering

from scheduler.model import Opening, Share
from scheduler.service import actions, ledger, master, valve_threads, water_records
from scheduler.service.actions import MasterRule, OpenRun, Rules, ValveEvent, Written

P = Parts(ledger, master, actions, valve_threads)
MASTER = MasterRule("m", 3600.0, 5.0, 7.0)


@pytest.fixture(autouse=True)
def the_real_tolerance(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger, "FLOW_TOLERANCE_LPM", ledger.FLOW_TOLERANCE_LPM)


def event(key: str, kind: Any, at: Any, **more: Any) -> ValveEvent:
    return ValveEvent(key, kind, at.mono, **more)


def two_zones(*, tried: str | None = None) -> tuple[Any, Any]:
    """A ledger, and a run of two zones on one valve; one of them was tried before."""
    made = new_ledger(P)
    one = watering(P, "a")
    shares = (one.shares[0], replace(one.shares[0], zone="zone d"))
    if tried:
        made.tried = {(DAY, tried, 1)}
    return made, replace(one, shares=shares)


# --- what is due ---


def test_zones_of_one_valve_that_was_open_for_one_of_them_get_nothing_alone() -> None:
    made, both = two_zones(tried="zone d")
    found = made.step(moment(P), plan(P, both), None)
    (book,) = actions_of(found, "Book")
    assert [(record.zone, record.outcome) for record in book.records] == [("zone a", "never opened")]
    assert "its valve was open before" in actions_of(found, "Tell")[0].text
    assert not made.open_runs
    assert made.step(moment(P, 1), plan(P, both), None) == []


def test_a_zone_on_hold_keeps_its_valve_shut() -> None:
    made, both = two_zones()
    made.held = {"zone d": DAY + timedelta(days=1)}
    assert made.step(moment(P), plan(P, both), None) == []
    made.held = {"zone d": DAY}
    assert actions_of(made.step(moment(P), plan(P, both), None), "Write")


def test_at_the_end_of_its_day_what_is_left_never_opens() -> None:
    made = new_ledger(P)
    made.tried = {(DAY, "zone a", 1)}
    made.held = {"zone c": DAY + timedelta(days=1)}
    found = made.give_up(moment(P, 86400), plan(P, *(watering(P, key) for key in "abc")))
    assert [record.zone for book in actions_of(found, "Book") for record in book.records] == [
        "zone b",
        "zone c",
    ]
    lines = actions_of(found, "Tell")
    assert [line.level for line in lines] == ["look", "info"]
    assert lines[1].text.endswith("did not happen: it was kept dry")


# --- settings and people ---


def test_a_valve_taken_out_of_the_settings_is_closed() -> None:
    made = new_ledger(P)
    opened(P, made, "a")
    found = made.use(Rules(8.0, {"c": made.rules.valves["c"]}))
    assert {(one.key, one.why) for one in actions_of(found, "Close")} == {
        ("a", "its valve was taken out of garden.yaml"),
        ("b", "no longer in garden.yaml"),
    }
    assert made.open_runs["a"].again is False
    assert made.possibly_open() == set()  # its zone has no name any more; its flow still counts
    assert made.committed_lpm(moment(P), None) == 4.0


def test_stop_closes_what_is_open_and_what_is_believed_closed() -> None:
    made = new_ledger(P, master=MASTER)
    made.closed.add("m")
    made._begin(moment(P), watering(P, "b"), 600.0, None)
    made.open_runs["b"].phase = "open"
    assert [one.key for one in made.stop(None, "stopped by hand")] == ["a", "b", "c", "m"]
    assert made.open_runs["b"].phase == "closing"
    assert [one.key for one in made.stop(["zone a"], "stopped by hand")] == ["a"]


def test_after_standing_still_what_was_open_is_in_doubt_and_closed() -> None:
    made = new_ledger(P)
    opened(P, made, "a")
    made._begin(moment(P), watering(P, "b"), 600.0, None)  # still to be written down
    at = moment(P, 100)
    found = made.frozen(at, moment(P, 70).mono)
    assert [one.key for one in actions_of(found, "Close")] == ["a"]
    assert made.open_runs["b"].doubt_from is None
    done = made.valve(at, event("a", "closed", at))
    (book,) = actions_of(done, "Book")
    (record,) = book.records
    assert record.outcome == "interrupted"
    assert (record.least_minutes, record.most_minutes) == (70 / 60, 100 / 60)


# --- the record first ---


def test_an_answer_about_nothing_in_hand_is_nothing() -> None:
    assert new_ledger(P).written(moment(P), Written("stranger", True), None) == []


def test_a_run_that_is_in_the_books_already_is_looked_for_there() -> None:
    made = new_ledger(P)
    made.step(moment(P), plan(P, watering(P, "a")), None)
    uid = made.open_runs["a"].opening.uid
    found = made.written(moment(P), Written(uid, False, "opened before", already=True), None)
    assert actions_of(found, "Recover")
    assert not made.open_runs
    assert made.tried == {(DAY, "zone a", 1)}


def test_a_clock_lost_while_the_record_was_written_opens_nothing() -> None:
    made = new_ledger(P)
    made.step(moment(P), plan(P, watering(P, "a")), None)
    uid = made.open_runs["a"].opening.uid
    found = made.written(moment(P, 1, trusted=False), Written(uid, True), None)
    assert not actions_of(found, "Open")
    (book,) = actions_of(found, "Book")
    assert book.records[0].outcome == "never opened"


def test_a_run_that_ends_before_its_record_is_written_never_opens() -> None:
    made = new_ledger(P)
    made.step(moment(P), plan(P, watering(P, "a")), None)
    assert made.end("a", "stopped by hand", again=False) == []
    uid = made.open_runs["a"].opening.uid
    found = made.written(moment(P, 1), Written(uid, True), None)
    assert not actions_of(found, "Open")
    assert not made.open_runs


def test_a_run_that_is_told_to_end_while_its_valve_opens() -> None:
    made = new_ledger(P)
    made.step(moment(P), plan(P, watering(P, "a")), None)
    uid = made.open_runs["a"].opening.uid
    made.written(moment(P), Written(uid, True), None)
    assert [one.key for one in made.end("a", "stopped by hand", again=False)] == ["a"]
    assert made.open_runs["a"].phase == "opening"
    made.valve(moment(P, 1), event("a", "opened", moment(P, 1), uid=uid))
    assert made.open_runs["a"].phase == "closing"


# --- what valves report ---


def test_events_of_others_change_nothing() -> None:
    made = new_ledger(P)
    uid = opened(P, made, "a")
    assert made.valve(moment(P), event("a", "opened", moment(P), uid=uid)) == []
    assert made.valve(moment(P), event("a", "open failed", moment(P), uid="another")) == []
    assert made.open_runs["a"].phase == "open"
    assert made.valve(moment(P), event("b", "opened", moment(P), uid="nobody's")) == []
    assert actions_of(made.valve(moment(P), event("nowhere", "close failed", moment(P), why="?")), "Tell")


def test_a_valve_that_may_have_closed_by_itself_leaves_a_doubt() -> None:
    made = new_ledger(P)
    opened(P, made, "a")
    at = moment(P, 60)
    found = made.valve(at, event("a", "closed", at, why="the broker was lost", doubt_since=at.mono - 30))
    (record,) = actions_of(found, "Book")[0].records
    assert (record.least_minutes, record.minutes, record.most_minutes) == (0.5, 0.75, 1.0)


def test_a_doubt_counts_while_it_lasts() -> None:
    """Also for what is written down in between: a crash may come next."""
    made = new_ledger(P)
    opened(P, made, "a")
    held = made.open_runs["a"]
    made.valve(
        moment(P, 60), event("a", "doubt", moment(P, 60), why="silent", doubt_since=moment(P, 40).mono)
    )
    assert held.surely_open_s(moment(P, 90).mono) == 40
    made.valve(moment(P, 90), event("a", "doubt", moment(P, 90)))
    assert held.surely_open_s(moment(P, 95).mono) == 95
    made.valve(
        moment(P, 99), event("a", "doubt", moment(P, 99), why="silent", doubt_since=moment(P, 91).mono)
    )
    found = made.valve(moment(P, 600), event("a", "closed", moment(P, 600)))
    (record,) = actions_of(found, "Book")[0].records
    assert (record.least_minutes, record.most_minutes) == (pytest.approx(91 / 60), 10.0)
    assert "silent" in actions_of(found, "Tell")[0].text


def test_nothing_of_a_valve_opens_while_a_close_of_it_may_still_act() -> None:
    for key in ("a", "m"):
        made = new_ledger(P, master=MasterRule("m", 3600.0, 0.0, 0.0))
        late = event(key, "closed", moment(P), late_until=moment(P, 60).mono)
        made.valve(moment(P), late)
        why = made._obstacle(moment(P, 59), "a", 1.0, None)
        assert why is not None
        assert "a close sent before may still act on" in why
        assert "until 04:01:00" in why
        assert (made._obstacle(moment(P, 59), "b", 1.0, None) is None) == (key == "a")
        assert made._obstacle(moment(P, 60), "a", 1.0, None) is None


def test_liters_of_a_meter_are_shared_out_by_flow() -> None:
    made = new_ledger(P)
    opened(P, made, "a")
    at = moment(P, 600)
    found = made.valve(at, event("a", "closed", at, liters=30.0))
    (record,) = actions_of(found, "Book")[0].records
    assert (record.liters, record.measured) == (30.0, True)


# --- the master valve ---


def primed() -> Any:
    """A zone that waits for the master valve, which was told to open."""
    made = new_ledger(P, master=MASTER)
    made.step(moment(P), plan(P, watering(P, "a")), None)
    found = made.written(moment(P), Written(made.open_runs["a"].opening.uid, True), None)
    assert [one.key for one in actions_of(found, "Open")] == ["m"]
    return made


def test_a_master_valve_that_does_not_open_ends_who_waits_for_it() -> None:
    made = primed()
    made._begin(moment(P), watering(P, "b"), 600.0, None)  # its record is still being written
    found = made.valve(moment(P, 1), event("m", "open failed", moment(P, 1), why="no answer"))
    assert "the master valve did not open" in actions_of(found, "Tell")[-1].text
    assert made.open_runs.keys() == {"b"}


def test_a_master_valve_that_closes_by_itself_ends_what_is_open() -> None:
    made = primed()
    made.valve(moment(P, 1), event("m", "opened", moment(P, 1)))
    found = made.step(moment(P, 7), plan(P, watering(P, "a")), None)
    (sent,) = actions_of(found, "Open")
    made.valve(moment(P, 7), event("a", "opened", moment(P, 7), uid=sent.uid))
    closing = made.valve(moment(P, 60), event("m", "closed", moment(P, 60)))
    assert [(one.key, one.why) for one in actions_of(closing, "Close")] == [("a", "the master valve closed")]


def test_a_master_valve_that_does_not_close_is_told() -> None:
    made = primed()
    found = made.valve(moment(P, 1), event("m", "close failed", moment(P, 1), why="no answer"))
    assert "does not confirm" in actions_of(found, "Tell")[0].text


def test_the_hours_may_end_while_the_water_is_made_ready() -> None:
    made = new_ledger(P, master=MASTER)
    short = plan(P, watering(P, "a"), hours=65 / 3600)
    made.step(moment(P), short, None)
    made.written(moment(P), Written(made.open_runs["a"].opening.uid, True), None)
    found = made.valve(moment(P, 8), event("m", "opened", moment(P, 8)))
    assert not actions_of(found, "Open")
    assert "the watering hours were over" in actions_of(found, "Tell")[0].text


# --- from opening to record ---


def holding(**more: Any) -> OpenRun:
    shares = (Share("beans", DAY, 1, 10.0, 8.0, 0.05, 0.055, 0.0),)
    opening = Opening("u", "a", 600.0, shares, FOUR, "this one", 1000.0)
    return OpenRun(opening, planned_s=600.0, until=FOUR.timestamp() + 3600, **more)


def test_a_simulated_run_is_never_water() -> None:
    held = holding(sent_mono=1000.0, opened_mono=1000.0, closed_mono=1600.0, simulated=True)
    assert [(r.minutes, r.outcome) for r in water_records.records(held, FOUR)] == [(0.0, "never opened")]
    assert "only simulated" in (water_records.line(held) or "")
    held.until = None
    assert water_records.records(held, FOUR) == ()


def test_what_was_sent_and_never_answered_has_bounds() -> None:
    held = holding(sent_mono=1000.0, closed_mono=1004.0, failed=True)
    (record,) = water_records.records(held, FOUR)
    assert (record.minutes, record.least_minutes, record.most_minutes) == (0.0, 0.0, 4 / 60)
    assert water_records.line(held) == "beans: did not open: its valve failed"
    held.closed_mono = None
    assert water_records.records(held, FOUR)[0].most_minutes == 0.0


def test_no_line_for_a_run_as_planned_nor_for_one_that_was_never_sent_without_a_reason() -> None:
    assert water_records.line(holding(sent_mono=1000.0, opened_mono=1000.0, closed_mono=1600.0)) is None
    assert water_records.line(holding()) is None
    assert water_records.line(holding(why="stopped by hand")) == "beans: did not open: stopped by hand"


def test_a_zone_without_flow_has_no_liters_of_a_meter() -> None:
    held = holding(sent_mono=1000.0, opened_mono=1000.0, closed_mono=1600.0, liters=5.0)
    held.opening = replace(held.opening, shares=(replace(held.opening.shares[0], flow_lpm=0.0),))
    (record,) = water_records.records(held, FOUR)
    assert (record.liters, record.measured) == (0.0, False)


# --- restrictions, looked at once more at the moment of opening ---

LIMITS = {
    "timezone": "UTC", "hours": ["03:00", "12:00"], "days": "all", "daily_cap_l": 100.0,
    "monthly_cap_l": 160.0, "by_month": {"5": {"days": "odd"}}, "not_together": [["zone a", "zone b"]],
}  # fmt: skip


def restricted(**changed: Any) -> Any:
    made = new_ledger(P)
    made.rules = replace(made.rules, usable_lpm=99.0, limits={**LIMITS, **changed})
    return made


def written_seconds(found: Any) -> list[float]:
    return [write.opening.seconds for write in actions_of(found, "Write")]


def test_a_cap_on_water_cuts_a_run_and_ends_the_next() -> None:
    made = restricted()
    long = watering(P, "a", seconds=1700.0)  # 4 L/min: 113 L
    assert written_seconds(made.step(moment(P), plan(P, long), None)) == [1500.0]  # 100 L
    found = made.step(moment(P, 5), plan(P, watering(P, "c")), None)
    assert not actions_of(found, "Write")
    assert (
        "daily cap on water: 100 L of 100 L have run; more from Tue 2026-06-02"
        in actions_of(found, "Tell")[0].text
    )


def test_water_of_the_month_counts_other_months_do_not() -> None:
    made = restricted()
    made.used_l = {DAY.replace(day=1): 0.0, DAY - timedelta(days=1): 500.0}
    assert written_seconds(made.step(moment(P), plan(P, watering(P, "a")), None)) == [600.0]
    made = restricted(daily_cap_l=None)
    made.used_l = {DAY: 150.0}
    assert written_seconds(made.step(moment(P), plan(P, watering(P, "a")), None)) == [150.0]  # 10 L left


def test_a_day_or_hour_that_is_no_longer_allowed_opens_nothing() -> None:
    for changed, words in (
        ({"days": "even"}, "not a watering day"),
        ({"hours": ["05:00", "06:00"]}, "outside"),
    ):
        found = restricted(**changed).step(moment(P), plan(P, watering(P, "a")), None)
        assert not actions_of(found, "Write")
        assert words in actions_of(found, "Tell")[0].text


def test_zones_that_may_not_run_together_wait_for_each_other() -> None:
    made = restricted(daily_cap_l=None, monthly_cap_l=None)
    opened(P, made, "a")
    found = made.step(moment(P, 1), plan(P, watering(P, "b"), watering(P, "c")), None)
    assert [write.opening.valve for write in actions_of(found, "Write")] == ["c"]
    assert "not at one time with zone a" in made.lately["b"]


def test_by_hand_the_hours_do_not_count_but_caps_and_neighbours_do() -> None:
    made = restricted(hours=["05:00", "06:00"])
    assert not isinstance(made.water(moment(P), watering(P, "a"), None, None), str)
    assert "not at one time" in made.water(moment(P), watering(P, "b"), None, None)
    made = restricted()
    made.used_l = {DAY: 90.0}
    assert "daily cap" in made.water(moment(P), watering(P, "a"), None, None)


def test_books_read_before_a_stop_do_not_end_it() -> None:
    """An answer that was on its way; one that has the hold, and then one in which it was ended."""
    made = new_ledger(P)
    held = made.hold(moment(P), ["zone a"]).until
    made.holds_read({}, DAY)
    assert made.is_held("zone a", DAY)
    made.holds_read({"zone a": held}, DAY)
    made.holds_read({}, DAY)
    assert not made.is_held("zone a", DAY)
