"""What caps a run and what the supply can carry: checks that take the modules under test as an argument.

`test_limits.py` runs them on the program as it is, and on copies of it with one comparison or term changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import count
from types import ModuleType
from typing import Any

DAY = date(2026, 6, 1)
FOUR = datetime(2026, 6, 1, 4, tzinfo=UTC)
CAP_S = 1800.0
USABLE_LPM = 8.0
TOLERANCE_LPM = 0.5  # exact in binary, unlike the real one: so that the edge itself can be tried
FLOW_LPM = {"a": 4.0, "b": 4.5, "c": 4.75}


@dataclass(frozen=True)
class Parts:
    ledger: ModuleType
    master: ModuleType
    actions: ModuleType
    hands: ModuleType


def moment(p: Parts, after_s: float = 0.0, *, trusted: bool = True) -> Any:
    return p.actions.Moment(FOUR + timedelta(seconds=after_s), 1000.0 + after_s, trusted, None)


def new_ledger(p: Parts, *, master: Any = None) -> Any:
    p.ledger.FLOW_TOLERANCE_LPM = TOLERANCE_LPM  # type: ignore[attr-defined]
    valves = {key: p.actions.ValveRule(key, (f"zone {key}",), CAP_S, flow) for key, flow in FLOW_LPM.items()}
    names = count(1)
    made = p.ledger.Ledger(
        rules=p.actions.Rules(USABLE_LPM, valves, master),
        boot="this one",
        beat_s=30.0,
        new_uid=lambda: f"u{next(names)}",
        tried=(),
    )
    made.closed = set(FLOW_LPM) | ({master.key} if master else set())
    return made


def watering(p: Parts, key: str, *, after_s: float = 0.0, seconds: float = 600.0) -> Any:
    from scheduler.model import Share

    start = FOUR + timedelta(seconds=after_s)
    share = Share(f"zone {key}", DAY, 1, seconds / 60, FLOW_LPM.get(key, 2.0), 0.05, 0.055, 0.0)
    return p.actions.Watering(key, start, start + timedelta(seconds=seconds), (share,))


def plan(p: Parts, *waterings: Any, by_hand: tuple[Any, ...] = (), hours: float = 6.0) -> Any:
    return p.actions.DayPlan(DAY, FOUR, FOUR + timedelta(hours=hours), waterings, by_hand)


def opened(p: Parts, made: Any, key: str, *, seconds: float = 600.0) -> Any:
    """The valve open since 04:00; its uid."""
    at = moment(p)
    made._begin(at, watering(p, key, seconds=seconds), seconds, None)
    uid = made.open_runs[key].opening.uid
    made.written(at, p.actions.Written(uid, True), None)
    made.valve(at, p.actions.ValveEvent(key, "opened", at.mono, uid))
    return uid


def actions_of(found: list[Any], kind: str) -> list[Any]:
    return [one for one in found if type(one).__name__ == kind]


# --- what the supply can carry (P1) ---


def check_the_flow_may_reach_the_supply_and_no_more(p: Parts) -> None:
    made = new_ledger(p)
    opened(p, made, "a")
    assert made._obstacle(moment(p), "b", 4.5, None) is None  # 4 + 4.5 = 8 + 0.5
    assert made._obstacle(moment(p), "c", 4.75, None) == "the supply is taken (zone a)"
    assert made._obstacle(moment(p), "c", 8.75, None) is not None


def check_one_zone_alone_is_held_to_the_supply(p: Parts) -> None:
    made = new_ledger(p)
    assert made._obstacle(moment(p), "a", 8.5, None) is None
    assert made._obstacle(moment(p), "a", 8.625, None) == "the supply is taken (watering by hand)"


def check_what_is_open_or_not_known_to_be_closed_counts_once(p: Parts) -> None:
    made = new_ledger(p)
    assert made.committed_lpm(moment(p), None) == 0.0
    opened(p, made, "a")
    assert made.committed_lpm(moment(p), None) == 4.0
    made.closed.discard("b")
    assert made.committed_lpm(moment(p), None) == 8.5
    made.rules.valves.pop("a")  # open, and taken out of the settings
    assert made.committed_lpm(moment(p), None) == 8.5
    opened(p, made, "c")
    by_hand = plan(p, by_hand=(watering(p, "by_hand:x"),))
    assert made.committed_lpm(moment(p), by_hand) == 4.0 + 4.5 + 4.75 + 2.0
    unsure = new_ledger(p)
    unsure.closed.clear()
    assert unsure.committed_lpm(moment(p), None) == 4.0 + 4.5 + 4.75
    for key in FLOW_LPM:
        opened(p, unsure, key)
    assert unsure.committed_lpm(moment(p), None) == 4.0 + 4.5 + 4.75


def check_planned_watering_by_hand_counts_in_its_time(p: Parts) -> None:
    made = new_ledger(p)
    by_hand = plan(p, by_hand=(watering(p, "by_hand:x", after_s=60), watering(p, "by_hand:y", after_s=120)))
    flows = [made.committed_lpm(moment(p, s), by_hand) for s in (59, 60, 120, 659, 660, 719, 720)]
    assert flows == [0.0, 2.0, 4.0, 4.0, 2.0, 2.0, 0.0]


def check_a_valve_in_use_or_not_confirmed_closed_does_not_open(p: Parts) -> None:
    made = new_ledger(p)
    made.closed.discard("b")
    assert made._obstacle(moment(p), "b", 1.0, None) == "its valve has not confirmed that it is closed"
    opened(p, made, "a")
    assert made._obstacle(moment(p), "a", 1.0, None) == "its valve is in use"


def check_behind_an_open_that_was_not_confirmed_nothing_opens(p: Parts) -> None:
    """Neither that valve, nor any while it is the master valve's; others may, as far as the flow goes."""
    made = new_ledger(p, master=p.actions.MasterRule("m", 3600.0, 0.0, 0.0))
    assert made._obstacle(moment(p), "a", 1.0, None) is None
    made.late_until["b"] = FOUR
    assert made._obstacle(moment(p), "a", 1.0, None) is None
    assert made._obstacle(moment(p), "b", 1.0, None).endswith("may still open until 04:00:00")
    made.late_until = {"m": FOUR}
    assert "master valve" in made._obstacle(moment(p), "a", 1.0, None)
    without = new_ledger(p)
    without.late_until = {"m": FOUR}
    assert without._obstacle(moment(p), "a", 1.0, None) is None


def check_the_disk_has_its_pause(p: Parts) -> None:
    made = new_ledger(p)
    made._retry_at = moment(p, 15).mono
    assert made._obstacle(moment(p, 14), "a", 1.0, None) == "the record could not be written to disk"
    assert made._obstacle(moment(p, 15), "a", 1.0, None) is None


# --- how long a valve may be open (P2) ---


def check_a_run_ends_with_its_plan_its_cap_and_the_hours(p: Parts) -> None:
    made = new_ledger(p)
    now = FOUR.timestamp()
    assert made._longest_s(now, watering(p, "a", seconds=600), plan(p)) == 600
    assert made._longest_s(now, watering(p, "a", seconds=7200), plan(p)) == CAP_S
    assert made._longest_s(now + 6 * 3600 - 120, watering(p, "a", seconds=600), plan(p)) == 120


def check_by_hand_no_run_is_longer_than_the_cap(p: Parts) -> None:
    made = new_ledger(p)
    assert isinstance(made.water(moment(p), watering(p, "a", seconds=CAP_S), None, None), list)
    said = made.water(moment(p), watering(p, "b", seconds=CAP_S + 1), None, None)
    assert said == "longer than the valve's cap of 30 min"
    assert made.open_runs.keys() == {"a"}


def check_by_hand_nothing_opens_against_a_hindrance(p: Parts) -> None:
    made = new_ledger(p)
    assert made.water(moment(p), watering(p, "a"), None, "the guard is gone") == "the guard is gone"
    assert "clock" in made.water(moment(p, trusted=False), watering(p, "a"), None, None)
    opened(p, made, "a")
    assert made.water(moment(p), watering(p, "a"), None, None) == "its valve is in use"


def check_a_close_that_is_not_reported_is_told_again(p: Parts) -> None:
    made = new_ledger(p)
    opened(p, made, "a", seconds=600)
    late = 600 + p.ledger.GRACE_S
    assert made._overdue(moment(p, 599)) == []
    assert made._overdue(moment(p, late)) == []
    assert [one.key for one in made._overdue(moment(p, late + 0.25))] == ["a"]
    made.open_runs["a"].phase = "closing"
    assert made._overdue(moment(p, late + 1)) == []
    made.open_runs["a"].phase, made.open_runs["a"].opened_mono = "open", None
    assert made._overdue(moment(p, late + 1)) == []


def check_a_cap_leaves_room_for_that_of_the_master_valve(p: Parts) -> None:
    valve = {"a": p.actions.ValveRule("a", ("zone a",), CAP_S, 4.0)}
    slack = p.actions.MASTER_SLACK_S
    assert p.actions.Rules(8.0, valve).cap_s("a") == CAP_S

    def with_master(cap_s: float) -> Any:
        return p.actions.Rules(8.0, valve, p.actions.MasterRule("m", cap_s, 5.0, 7.0)).cap_s("a")

    assert with_master(7200.0) == CAP_S
    assert with_master(600.0) == 600.0 - 5.0 - slack
    assert with_master(12.0) == 1.0


def check_a_zone_ends_before_the_master_valve_must(p: Parts) -> None:
    rule, master = p.actions.MasterRule("m", 600.0, 5.0, 7.0), p.master.Master()
    assert not master.ready(rule, 1100.0, 60)  # not open
    master.opened, master.until = 1000.0, 1600.0
    assert [master.ready(rule, 1000.0 + s, 60) for s in (4, 5, 540, 541)] == [False, True, True, False]


def check_the_master_valve_opens_for_who_waits_and_closes_after_the_last(p: Parts) -> None:
    rule, master = p.actions.MasterRule("m", 600.0, 5.0, 7.0), p.master.Master()
    run = opened_run(p, seconds=60.0)

    def told(mono: float, **more: Any) -> str | None:
        usual = {"waiting": [], "flowing": False, "closed": True, "idle_since": 1000.0}
        action = master.drive(rule, mono, **{**usual, **more})
        return None if action is None else type(action).__name__

    assert told(1000.0) is None
    assert told(1000.0, waiting=[run], closed=False) is None
    assert told(1000.0, waiting=[run]) == "Open"
    assert (master.asked, master.until) == (True, 1600.0)
    assert told(1001.0, waiting=[run]) is None  # it has not answered
    master.is_open(1001.0)
    assert told(1001.0, waiting=[run], flowing=True) is None
    assert told(1540.0, waiting=[run]) is None  # there is time for it
    assert told(1006.0) is None
    assert told(1007.0, flowing=True) is None
    assert told(1007.0) == "Close"
    assert master.is_closed() is False  # it was told to
    assert told(1100.0, waiting=[run]) == "Open"
    master.is_open(1101.0)
    assert master.is_closed() is True
    assert told(1200.0, waiting=[run]) == "Open"
    master.is_open(1201.0)
    assert told(1740.5, waiting=[run], flowing=True) is None
    assert told(1740.5, waiting=[run]) == "Close"  # its cap would cut the run


def opened_run(p: Parts, *, seconds: float) -> Any:
    made = new_ledger(p)
    opened(p, made, "a", seconds=seconds)
    return made.open_runs["a"]


def check_the_deadline_of_a_command_is_held_to_the_cap(p: Parts) -> None:
    care = p.hands.ValveState("a", 60.0)
    care.closed(0.0, None)
    care.ask_open("u", 40.0, 100.0)
    assert (care.order, care.deadline) == (("u", 40.0, 100.0), 140.0)
    care.ask_open("v", 90.0, 100.0)
    assert (care.order, care.deadline) == (("v", 60.0, 100.0), 160.0)


def check_a_close_goes_out_at_the_deadline_and_is_repeated_after_its_pause(p: Parts) -> None:
    care = p.hands.ValveState("a", 60.0)
    assert care.due(0.0) == "close"
    care.closed(0.0, None)
    assert care.due(0.0) is None
    care.ask_open("u", 40.0, 100.0)
    assert care.due(100.0) == "open"
    care.sending()
    assert care.due(139.75) is None
    assert care.due(140.0) == "close"
    care.closed(140.0, "no answer")
    assert care.due(care.next_try - 0.125) is None
    assert care.due(care.next_try) == "close"


def check_an_open_that_comes_too_late_is_not_sent(p: Parts) -> None:
    late = p.hands.STALE_S
    care = p.hands.ValveState("a", 60.0)
    care.closed(0.0, None)
    assert care.refuse(1000.0) is None  # nothing was ordered
    care.ask_open("u", 40.0, 100.0)
    assert care.refuse(100.0 + late) is None
    assert care.refuse(100.0 + late + 0.125).kind == "open failed"
    assert care.due(100.0 + late + 0.125) == "close"
    other = p.hands.ValveState("b", 60.0)
    other.closed(0.0, None)
    other.ask_open("u", 40.0, 100.0)
    other.ask_close()
    assert other.refuse(100.0).uid == "u"


CHECKS: dict[str, Callable[[Parts], None]] = {
    name: check for name, check in list(globals().items()) if name.startswith("check_")
}
