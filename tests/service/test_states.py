"""What each part of a tick remembers: what is on record, the plan in use, what an earlier process left."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from service.plot import PLOT

from scheduler.model import Applied, Opening, Share, Unsettled
from scheduler.planning.on_record import Spent, liters_at_most
from scheduler.service.actions import Beat, Book, Late, Moment, Replan
from scheduler.service.books import AskDay, AskLost, DayRead
from scheduler.service.ledger import Ledger
from scheduler.service.notices import Notices
from scheduler.service.on_record import ASK_AGAIN_S, ASK_FAILED_S, OnRecord
from scheduler.service.planned import Planned
from scheduler.service.recovery import Recovery
from scheduler.service.summary import Summary

DAY = date(2026, 6, 1)
FOUR = datetime(2026, 6, 1, 4, tzinfo=UTC)


def at(after_s: float = 0.0, *, trusted: bool = True, dated: bool = True) -> Moment:
    return Moment(FOUR + timedelta(seconds=after_s), 1000.0 + after_s, trusted, None, dated)


def read(*, used_l: float = 0.0, books: int = 0, newest: datetime | None = None) -> DayRead:
    spent = (Spent(DAY, "beans", 1.0, used_l, 0.0),)
    return DayRead(DAY, None, None, frozenset(), {}, (), False, newest, (), spent, books=books)


def given(liters: float, after_s: float = 0.0) -> Book:
    record = Applied("beans", DAY, 10.0, liters, 1.0, 0.9, "done", FOUR)
    return Book("u", (record,), FOUR + timedelta(seconds=after_s))


class TestOnRecord:
    def test_the_books_are_asked_at_first_then_when_old_and_when_something_changed(self) -> None:
        record = OnRecord()
        assert record.due(at(), False) == [AskLost(), AskDay(DAY, 0)]
        assert record.due(at(1), False) == []
        assert record.due(at(2), True) == [AskLost(), AskDay(DAY, 0)]
        assert record.due(at(2 + ASK_AGAIN_S), False) == []
        assert record.due(at(3 + ASK_AGAIN_S), False) == [AskLost(), AskDay(DAY, 0)]
        record.read_again()
        assert record.due(at(4 + ASK_AGAIN_S), False)

    def test_an_untrusted_date_asks_for_no_other_day_once_one_is_read(self) -> None:
        record = OnRecord()
        assert record.due(at(trusted=False), False)  # something must be known to close and to tell
        record.read(read())
        assert record.due(at(86_400, trusted=False), True) == []
        assert record.due(at(86_400), False) == [AskLost(), AskDay(DAY + timedelta(days=1), 0)]

    def test_books_that_failed_are_asked_again_after_a_pause_and_doubted_until_they_answer(self) -> None:
        record = OnRecord()
        record.due(at(), False)
        record.failed(at(1).mono)
        assert record.doubted
        assert record.due(at(1 + ASK_FAILED_S - 1), False) == []
        assert record.due(at(1 + ASK_FAILED_S), False)
        record.read(read())
        assert not record.doubted

    def test_no_litre_is_counted_twice_and_none_is_lost(self) -> None:
        record = OnRecord()
        record.read(read(used_l=5.0))
        record.booked(given(7.0))
        record.booked(given(11.0))
        assert liters_at_most(record.spent(), {}) == {DAY: 23.0}
        record.read(read(used_l=12.0, books=1))  # read after the first booking: the second is not in it
        assert liters_at_most(record.spent(), {}) == {DAY: 23.0}
        record.read(read(used_l=23.0, books=2))
        assert liters_at_most(record.spent(), {}) == {DAY: 23.0}

    def test_the_newest_moment_never_goes_back(self) -> None:
        record = OnRecord()
        record.booked(given(1.0, after_s=60))
        record.dated(FOUR)
        record.read(read(newest=FOUR + timedelta(seconds=30)))
        assert record.newest_s == FOUR.timestamp() + 60


def page(day: date = DAY) -> dict[str, Any]:
    run = {"zone": "tomatoes", "pulse": 1, "start": f"{day}T04:10:00+00:00", "stop": f"{day}T04:30:00+00:00",
           "minutes": 20.0, "liters": 180.0, "net_mm": 1.0, "flow_lpm": 9.0}  # fmt: skip
    window = {"from": f"{day}T04:00:00+00:00", "until": f"{day}T10:00:00+00:00"}
    return {"date": day.isoformat(), "window": window, "runs": [run]}


class TestPlanned:
    def test_a_plan_is_worked_out_anew_only_where_something_of_it_is_new(self) -> None:
        planned = Planned(PLOT.brief())
        one = page()
        planned.read(one)
        first = planned.plan
        planned.read(one)
        assert planned.plan is first
        planned.use_rates({"tomatoes": (8.0, 0.04, 0.05, 2.0)})
        planned.read(one)
        assert planned.plan is not None
        assert planned.plan.waterings[0].shares[0].flow_lpm == 8.0
        planned.use(PLOT.brief())  # another version of garden.yaml: the last job's rates were the old one's
        planned.read(one)
        assert planned.plan.waterings[0].shares[0].flow_lpm == 9.0

    def test_a_plan_holds_on_its_own_date_alone(self) -> None:
        planned = Planned(PLOT.brief())
        planned.read(page())
        assert planned.on(DAY) is planned.plan
        assert planned.on(DAY + timedelta(days=1)) is None
        planned.read(None)
        assert planned.on(DAY) is None


def left_open(valve: str = "gpio:1", *, pulse: int | None = 1, open_s: float | None = 120.0) -> Unsettled:
    share = Share("tomatoes", DAY, pulse, 20.0, 9.0, 0.05, 0.055)
    opening = Opening("u1", valve, 1200.0, (share,), FOUR - timedelta(seconds=300), "earlier boot", 700.0)
    return Unsettled(opening, open_s, None if open_s is None else FOUR - timedelta(seconds=180))


class TestRecovery:
    def test_it_is_booked_once_its_valve_is_confirmed_closed_and_planned_again(self) -> None:
        recovery = Recovery("this boot", 30.0)
        recovery.found([left_open()], in_hand=())
        (beat,) = recovery.step(at(), ["gpio:1"])
        assert isinstance(beat, Beat)  # as long as it may be open, the books say so
        assert recovery.step(at(1), ["gpio:1"]) == []
        recovery.closed("gpio:1", at(2).mono)
        book, _, again = recovery.step(at(3), ["gpio:1"])
        assert isinstance(book, Book)
        assert book.uid == "u1"
        assert book.records[0].outcome == "interrupted"
        assert book.records[0].least_minutes == pytest.approx(2.0)
        assert isinstance(again, Replan)
        assert recovery.step(at(4), ["gpio:1"]) == []

    def test_a_second_cut_while_a_late_open_is_waited_for_adds_no_hours_without_power(self) -> None:
        """Of an open that was never confirmed: the power went, came back a night later, and went again."""
        recovery = Recovery("this boot", 30.0)
        recovery.closed("gpio:1", at(86_399).mono)
        recovery.found([left_open(open_s=None)], in_hand=())
        (late,) = recovery.step(at(86_400), ["gpio:1"])
        assert isinstance(late, Late)
        recovery.late("gpio:1")
        assert not any(isinstance(action, Beat) for action in recovery.step(at(86_440), ["gpio:1"]))

    def test_a_run_by_hand_is_booked_and_not_planned_again(self) -> None:
        recovery = Recovery("this boot", 30.0)
        recovery.found([left_open(pulse=None)], in_hand=())
        recovery.closed("gpio:1", at().mono)
        assert not any(isinstance(action, Replan) for action in recovery.step(at(1), ["gpio:1"]))

    def test_nothing_is_written_under_a_date_that_is_anybodys_guess(self) -> None:
        recovery = Recovery("this boot", 30.0)
        recovery.found([left_open()], in_hand=())
        recovery.closed("gpio:1", at().mono)
        assert recovery.step(at(1, trusted=False, dated=False), ["gpio:1"]) == []
        assert recovery.step(at(2, trusted=False), ["gpio:1"])

    def test_what_this_process_holds_or_has_settled_is_not_found(self) -> None:
        recovery = Recovery("this boot", 30.0)
        recovery.found([left_open()], in_hand=["u1"])
        assert recovery.lost == []
        recovery.settled("u1")
        recovery.found([left_open()], in_hand=())
        assert recovery.lost == []


class TestSummary:
    def test_it_is_written_when_something_changed_and_else_not(self) -> None:
        brief = PLOT.brief()
        record, notices = OnRecord(), Notices()
        planned = Planned(brief)
        ledger = Ledger(rules=planned.rules(), boot="b", new_uid=lambda: "u", beat_s=30.0, tried=set())
        summary = Summary(ledger, record, planned, notices)
        first = summary.due(at())
        assert first is not None
        assert (first["date"], first["open_now"], first["given"]) == (DAY.isoformat(), [], None)
        assert summary.due(at(1)) is None
        record.read(read())
        assert summary.due(at(2)) is not None
        assert summary.due(at(3)) is None
        assert summary.due(at(86_400)) is not None  # another date
