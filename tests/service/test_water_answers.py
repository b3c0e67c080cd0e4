"""What `rowwater water` is told: the valve is open, it is not and will not be, or nobody knows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from service.plot import PLOT, Plot

from scheduler.service.actions import Action, Moment, Open, Tell, ValveEvent, Write, Written
from scheduler.service.brief import Brief
from scheduler.service.ledger import Ledger
from scheduler.service.planned import Planned
from scheduler.service.requests import RECORD_S, REPLY_S, Request, Requests
from scheduler.service.reserve import Reserve

AT = Moment(datetime(2026, 6, 1, 12, tzinfo=ZoneInfo("America/New_York")), 1000.0)
BEANS = "gpio:2"


@dataclass
class Asked:
    """`rowwater water beans 20 min`, asked at AT; every valve is known to be closed."""

    brief: Brief = field(default_factory=PLOT.brief)
    said: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.ledger = Ledger(
            rules=self.brief.rules(), boot="b", new_uid=lambda: "u", beat_s=30.0, tried=set()
        )
        self.ledger.closed |= self.ledger.rules.every_valve()
        self.requests = Requests(self.ledger, Planned(self.brief))
        request = Request("water", "beans", 20.0, lambda *answer: self.said.append(answer))
        (write,) = self.requests.take(AT, request, None)
        assert isinstance(write, Write)

    def after(self, seconds: float) -> Moment:
        return replace(AT, wall=AT.wall + timedelta(seconds=seconds), mono=AT.mono + seconds)

    def hear(self, actions: list[Action]) -> list[Action]:
        for action in actions:
            self.requests.hear(action)
        return actions

    def written(self, seconds: float, *, ok: bool = True) -> list[Action]:
        return self.hear(self.ledger.written(self.after(seconds), Written("u", ok, "disk full"), None))

    def valve(self, seconds: float, kind: str) -> list[Action]:
        at = self.after(seconds)
        return self.hear(self.ledger.valve(at, ValveEvent(BEANS, kind, at.mono, "u", "no answer")))  # type: ignore[arg-type] - the kinds of these tests

    def answer(self, seconds: float) -> list[tuple[int, str]]:
        self.requests.answer(self.after(seconds))
        return self.said


def test_open_is_said_of_a_valve_that_is_open_and_until_when_it_really_is() -> None:
    asked = Asked()
    asked.written(0.5)
    assert asked.answer(0.5) == []
    asked.valve(2.0, "opened")
    assert asked.answer(2.5) == [(0, "beans open until 12:20:02")]


def test_a_record_that_is_not_on_disk_in_time_opens_nothing_then_or_later() -> None:
    asked = Asked()
    assert asked.answer(REPLY_S + 0.1) == []
    ((status, said),) = asked.answer(RECORD_S + 0.1)
    assert status == 1
    assert said.startswith("beans: not opened, and it will not be")
    found = asked.written(60.0)  # the disk took it after all
    assert not [action for action in found if isinstance(action, Open)]
    assert ["came too late" in action.text for action in found if isinstance(action, Tell)] == [True]
    assert not asked.ledger.open_runs


def test_a_refused_record_is_told_with_its_reason() -> None:
    asked = Asked()
    asked.written(0.5, ok=False)
    assert asked.answer(0.5) == [(1, "beans: no water, since it could not be recorded: disk full")]


def test_a_valve_that_was_told_and_does_not_answer_is_not_called_open() -> None:
    asked = Asked()
    asked.written(0.2)
    ((status, said),) = asked.answer(REPLY_S + 0.1)
    assert status == 3
    assert "has not answered yet" in said
    assert "open until" not in said


def test_a_valve_that_did_not_open_is_told_at_once_though_its_close_is_still_awaited() -> None:
    asked = Asked()
    asked.written(0.2)
    asked.valve(0.5, "open failed")
    assert asked.ledger.open_runs
    assert asked.answer(0.5) == [(1, "beans: its valve did not open (no answer)")]


def test_behind_a_master_valve_it_is_not_open_yet() -> None:
    plot = Plot(PLOT.zones, master=True)
    asked = Asked(plot.brief())
    assert [action.key for action in asked.written(0.2) if isinstance(action, Open)] == ["gpio:0"]
    ((status, said),) = asked.answer(REPLY_S + 0.1)
    assert (status, said) == (3, "beans: not open yet: the master valve comes first, then it opens")


@pytest.mark.parametrize("seconds", [3.9, 4.1])
def test_a_request_that_waited_too_long_for_its_turn_is_refused(
    seconds: float, monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    from pathlib import Path

    from scheduler.service import control

    now = [50.0]
    monkeypatch.setattr(control.time, "monotonic", lambda: now[0])
    door = control.ControlSocket(Path(str(tmp_path)), Reserve(), lambda _: (0, ""))
    said: list[tuple[int, str]] = []
    for kind in ("water", "stop"):
        door._requests.put((50.0, Request(kind, "beans", 5.0, lambda *answer: said.append(answer))))
    now[0] += seconds
    taken = [request.kind for request in door.requests()]
    assert taken == (["water", "stop"] if seconds < control.TAKEN_S else ["stop"])
    assert [status for status, _ in said] == ([] if seconds < control.TAKEN_S else [1])
