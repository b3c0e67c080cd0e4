"""The small parts of the service, each by itself."""

from __future__ import annotations

import os
import socket
import subprocess
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from scheduler.core.health import Flow, Watch, judge
from scheduler.relays.base import Doubt, ValveFailed
from scheduler.service import alarms
from scheduler.service.actions import DayPlan, Moment, ValveEvent
from scheduler.service.child import run_child
from scheduler.service.clock_trust import TOLERANCE_S, Trust
from scheduler.service.job_times import Mornings
from scheduler.service.meter import Meter, _pulse_reader
from scheduler.service.notices import FIRST, Notices, from_page
from scheduler.service.systemd import Manager
from scheduler.service.ticker import Every, Monotonic, Ticker
from scheduler.service.valve_threads import STALE_S, ValveState, ValveThreads

NOW = datetime(2026, 6, 12, 4, tzinfo=UTC)
HOUR = 3600.0


# --- the clock ---


def test_a_clock_is_trusted_when_it_is_synchronised_and_not_before_the_newest_record() -> None:
    trust = Trust()
    assert not trust.judge(1000.0, 1.0, False).trusted
    assert not trust.judge(1000.0, 1.0, False).dated
    assert trust.judge(1000.0, 2.0, True).trusted
    trust.record(1000.0 + HOUR)
    doubtful = trust.judge(1001.0, 3.0, True)
    assert not doubtful.trusted
    assert doubtful.why_not == "it is earlier than the newest record"
    assert trust.judge(1000.0 + HOUR - TOLERANCE_S, 4.0, True).trusted


def test_the_owner_may_vouch_for_a_clock_with_a_battery() -> None:
    assert Trust(rtc=True).judge(1000.0, 1.0, False).trusted


def test_time_is_counted_on_from_when_the_clock_was_last_right() -> None:
    trust = Trust()
    trust.judge(50_000.0, 10.0, True)
    trust.record(50_000.0)
    wrong = trust.judge(50_000.0 - 9 * HOUR, 70.0, True)
    assert (wrong.trusted, wrong.dated, wrong.wall_s) == (False, True, 50_060.0)
    assert wrong.stepped_s == pytest.approx(-9 * HOUR - 60)


def test_a_step_is_seen_at_the_next_look() -> None:
    trust = Trust()
    trust.judge(1000.0, 0.0, True)
    assert trust.judge(1000.5, 0.5, True).stepped_s is None
    assert trust.judge(1001.0 + 1800, 1.0, True).stepped_s == pytest.approx(1800.0)


# --- the ticker ---


def test_the_ticker_makes_up_for_nothing_and_is_deaf_to_the_wall_clock() -> None:
    """The scheduler's own interval trigger lists every missed tick, and waits for the wall clock."""
    zone = Monotonic()
    before = datetime.now(zone)
    assert abs(before.timestamp() - (946684800 + time.monotonic())) < 1  # not the wall clock's time
    every = Every(lambda: 0.5)
    assert every.get_next_fire_time(None, before) == before
    late = before.replace(year=2031)
    assert every.get_next_fire_time(before, late) == late


def test_a_tick_that_fails_ends_the_ticking_and_says_why() -> None:
    calls = []

    def tick() -> None:
        calls.append(1)
        if len(calls) == 3:
            raise SystemExit("no space")  # the scheduler itself would swallow it

    failed: list[str] = []
    ticker = Ticker(tick, lambda: 0.01, failed.append)
    ticker.start()
    give_up = time.monotonic() + 5
    while ticker.failure is None and time.monotonic() < give_up:
        time.sleep(0.01)
    ticker.stop()
    assert [ticker.failure] == failed == ["SystemExit: no space"]
    time.sleep(0.05)
    assert len(calls) == 3


# --- one valve ---


def test_a_valve_is_closed_first_and_its_deadline_stands_before_the_command() -> None:
    state = ValveState("gpio:1", cap_s=60.0)
    assert state.due(0.0) == "close"
    assert state.closed(0.0, None).kind == "closed"
    state.ask_open("u", 600.0, 1.0)
    assert state.deadline == 61.0  # its cap
    assert state.due(1.0) == "open"
    state.sending()
    assert state.due(60.9) is None
    assert state.due(61.0) == "close"


def test_a_close_is_repeated_for_ever_with_growing_pauses() -> None:
    state = ValveState("gpio:1", cap_s=60.0)
    now, tries = 0.0, []
    for _ in range(12):
        assert state.due(now) == "close"
        tries.append(now)
        state.closed(now, "no answer")
        now = state.next_try
    pauses = [b - a for a, b in zip(tries, tries[1:], strict=False)]
    assert pauses[:4] == [0.5, 1.0, 2.0, 4.0]
    assert max(pauses) == 15.0


def test_an_open_that_is_too_late_is_never_sent() -> None:
    state = ValveState("gpio:1", cap_s=60.0)
    state.closed(0.0, None)
    state.ask_open("u", 30.0, 0.0)
    refused = state.refuse(STALE_S + 0.1)
    assert refused is not None
    assert refused.kind == "open failed"
    assert state.due(STALE_S + 0.1) == "close"


def test_after_an_open_that_was_not_confirmed_the_close_is_repeated_as_long_as_it_may_act() -> None:
    """Growing pauses; the last one goes out when nothing can come any more, and only that one counts."""
    state = ValveState("http:1", cap_s=600.0, acts_within_s=120.0)
    state.closed(0.0, None)
    state.ask_open("u", 300.0, 1.0)
    assert state.sending() == ("u", 300.0)
    failed = state.opened(11.0, "did not answer")
    assert (failed.kind, failed.late_until) == ("open failed", 131.0)
    now, sent, kinds = 11.0, [], []
    while not state.confirmed_closed:
        assert state.due(now) == "close"
        sent.append(now)
        kinds.append(state.closed(now + 0.1, "no answer" if len(sent) == 4 else None, sent=now).kind)
        now = max(state.next_try, now)
    assert kinds == ["late"] * 3 + ["close failed"] + ["late"] * (len(kinds) - 5) + ["closed"]
    pauses = [b - a for a, b in zip(sent, sent[1:], strict=False)]
    assert pauses[:5] == pytest.approx([0.6, 1.1, 2.1, 4.1, 8.1])
    assert max(pauses) == pytest.approx(15.1)
    assert sent[-1] == 131.0
    assert state.wait_s(131.0) is None


@pytest.mark.parametrize(
    ("acts_within_s", "may_act"), [(0.0, True), (120.0, False)], ids=["a pin", "never sent"]
)
def test_an_open_that_cannot_act_any_more_is_closed_once(acts_within_s: float, may_act: bool) -> None:
    state = ValveState("x", cap_s=600.0, acts_within_s=acts_within_s)
    state.closed(0.0, None)
    state.ask_open("u", 300.0, 1.0)
    state.sending()
    assert state.opened(11.0, "refused", may_act=may_act).late_until is None
    assert state.closed(11.0, None).kind == "closed"


def test_a_close_sent_before_the_bound_and_confirmed_after_it_does_not_count() -> None:
    state = ValveState("x", cap_s=600.0, acts_within_s=120.0)
    late = state.ask_late(50.0)
    assert (late.kind, late.late_until, state.due(50.0)) == ("late", 170.0, "close")
    assert state.closed(175.0, None, sent=169.0).kind == "late"
    assert state.due(175.0) == "close"
    assert state.closed(176.0, None, sent=175.0).kind == "closed"


class SlowDriver:
    simulated = False
    limit_s = 1.0

    def __init__(self, key: str, log: list[tuple[str, str]], hang_s: float) -> None:
        self.key, self._log, self._hang_s = key, log, hang_s

    def open(self, seconds: float) -> None:
        self._log.append((self.key, "open"))

    def close(self) -> None:
        time.sleep(self._hang_s)
        self._log.append((self.key, "close"))

    def release(self) -> None:
        self._log.append((self.key, "release"))


class NoGuard:
    def opened(self, key: str, seconds: float) -> None: ...
    def closed(self, key: str) -> None: ...
    def answered(self, key: str, acts_within_s: float) -> None: ...


class DeadGuard(NoGuard):
    def opened(self, key: str, seconds: float) -> None:
        raise ValveFailed("the guard process is gone")


def wait_for(threads: ValveThreads, *kinds: str, seconds: float = 5.0) -> list[ValveEvent]:
    found: list[ValveEvent] = []
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up and not set(kinds) <= {event.kind for event in found}:
        found += threads.events()
        time.sleep(0.005)
    return found


def test_a_valve_that_hangs_holds_up_no_other() -> None:
    log: list[tuple[str, str]] = []
    threads = ValveThreads(NoGuard())
    threads.take(
        {
            "slow": (SlowDriver("slow", log, 1.5), 60.0, 0.0),
            "quick": (SlowDriver("quick", log, 0.0), 60.0, 0.0),
        }
    )
    assert [event.key for event in wait_for(threads, "closed")] == ["quick"]
    threads.open("quick", "u", 0.2)
    begin = time.monotonic()
    assert [event.kind for event in wait_for(threads, "opened", "closed")] == ["opened", "closed"]
    assert time.monotonic() - begin == pytest.approx(0.2, abs=0.15)
    assert threads.end(5.0) == []
    assert ("slow", "close") in log


def test_without_a_guard_nothing_opens() -> None:
    log: list[tuple[str, str]] = []
    threads = ValveThreads(DeadGuard())
    threads.take({"a": (SlowDriver("a", log, 0.0), 60.0, 0.0)})
    wait_for(threads, "closed")
    threads.open("a", "u", 5.0)
    assert "open failed" in {event.kind for event in wait_for(threads, "open failed")}
    assert ("a", "open") not in log
    threads.end(2.0)


# --- flow ---


@pytest.mark.parametrize(
    ("liters", "expected", "kind"),
    [(12.0, 12.0, None), (10.0, 12.0, None), (30.0, 12.0, "burst"), (7.0, 12.0, "clog"), (0.5, 12.0, "shut")],
)
def test_a_minute_of_flow_is_judged(liters: float, expected: float, kind: str | None) -> None:
    found = judge(Flow(steady_s=600, seconds=60, liters=liters, expected_lpm=expected))
    assert (found.kind if found else None) == kind


def test_a_slow_leak_shows_with_every_valve_closed() -> None:
    watch = Watch()
    found = [watch.read(10.0 * k, 0.05 * k, (), 0.0) for k in range(200)]  # 0.3 L/min
    assert next(k for k, f in enumerate(found) if f) * 10 >= 1200
    assert {f.kind for f in found if f} == {"leak"}
    dry = Watch()
    assert not any(dry.read(10.0 * k, 7.0, (), 0.0) for k in range(200))


def test_filling_lines_are_no_burst_and_a_reset_meter_no_leak() -> None:
    watch = Watch()
    assert not any(watch.read(10.0 * k, 5.0 * k, {"a"}, 12.0) for k in range(17))
    other = Watch()
    assert not any(other.read(10.0 * k, 100.0 if k < 100 else 0.0, (), 0.0) for k in range(300))


def test_liters_of_a_run_are_those_between_its_ends() -> None:
    meter = Meter()
    meter._settings = {}
    for k in range(10):
        meter._readings.append((10.0 * k, 2.0 * k))
    meter._alone["u"] = True
    assert meter.liters_of("u", 15.0, 65.0) == pytest.approx(10.0)
    assert meter.liters_of("u", 15.0, 65.0) is None  # told once
    meter._alone["v"] = False
    assert meter.liters_of("v", 15.0, 65.0) is None


# --- words ---


def test_the_version_in_use_stands_first_and_events_outlive_a_restart() -> None:
    board = Notices()
    board.tell("stuck", "problem", "does not confirm", NOW, of="gpio:1")
    board.tell("end", "look", "interrupted", NOW, of="u")
    board.tell(FIRST[1], "problem", "garden.yaml:3: ...", NOW)
    page = {"notices": board.page()}
    assert page["notices"][0]["text"] == "garden.yaml:3: ..."
    assert [line.text for line in from_page(page)] == ["interrupted"]  # states are found anew


def test_a_notice_keeps_its_key_over_a_restart_and_is_withdrawn_by_it() -> None:
    """today.json of an earlier start, or of another version, carries keys that were written then."""
    board = Notices()
    board.tell("skip", "look", "did not happen", NOW, of="2026-06-12", detail="beans, north side 1")
    board.tell("day", "problem", "could not be made", NOW, of="2026-06-12")
    keys = [notice["key"] for notice in board.page()]
    assert keys == ["day 2026-06-12", "skip 2026-06-12 beans, north side 1"]
    page = {"notices": [*board.page(), {**board.page()[0], "key": "of another version 1 2"}]}
    again = Notices(from_page(page))
    assert [notice["key"] for notice in again.page()] == [keys[0], "of another version 1 2", keys[1]]
    again.untell("day", "2026-06-12")
    again.untell("day", "2026-06-13")
    assert len(again.in_order()) == 2


def test_alarms_go_by_the_matter_not_by_the_first_words_of_a_key() -> None:
    sent: list[tuple[str, str]] = []
    board = Notices(alarm=lambda line: sent.append(line.matter))
    for zone in "ab":
        board.tell("stuck", "problem", f"{zone} is stuck", NOW, of=f"command:relay {zone}")
        board.tell("skip", "look", f"{zone} did not happen", NOW, of="2026-06-12", detail=f"{zone} 1")
    assert len(set(sent)) == 3  # each stuck valve by itself, the skipped runs of a day together


def test_the_same_matter_is_told_seldom() -> None:
    limit = alarms.Limit()
    assert limit.allows(("stuck", "gpio:1"), 0.0)
    assert not limit.allows(("stuck", "gpio:1"), HOUR)
    assert limit.allows(("stuck", "gpio:1"), alarms.AGAIN_S)
    sent = sum(limit.allows(("end", str(k)), alarms.AGAIN_S + 1) for k in range(100))
    assert sent == alarms.MOST_AN_HOUR - 1


def test_alarms_by_command_and_by_http(tmp_path: Path) -> None:
    program = tmp_path / "tell"
    program.write_text(f'#!/bin/sh\ncat > "{tmp_path}/told"\n')
    program.chmod(0o755)
    alarms.send("plot: leak", {"command": [str(program)]}, {}, dict(os.environ))
    assert (tmp_path / "told").read_text() == "plot: leak\n"

    heard: list[bytes] = []

    class Server(BaseHTTPRequestHandler):
        def do_POST(self) -> None:  # noqa: N802
            heard.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    with HTTPServer(("127.0.0.1", 0), Server) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        url = f"http://127.0.0.1:{server.server_port}/"
        alarms.send("plot: leak", {"http": {"url": url, "method": "POST"}}, {}, {})
        thread.join()
    assert heard == [b"plot: leak"]


def test_the_service_manager_is_told_over_its_socket(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
        path = tmp_path / "notify"
        door.bind(str(path))
        manager = Manager({"NOTIFY_SOCKET": str(path)})
        manager.ready("watching")
        manager.alive()
        manager.stopping()
        assert [door.recv(200) for _ in range(3)] == [
            b"READY=1\nSTATUS=watching",
            b"WATCHDOG=1",
            b"STOPPING=1",
        ]
    Manager({}).alive()  # nobody listens


def test_a_child_that_hangs_is_ended_with_all_its_own_children(tmp_path: Path) -> None:
    script = f'sleep 600 & echo $! > "{tmp_path}/grandchild"; wait'
    named = tmp_path / "grandchild"
    limit_s = 0.5
    while not named.exists() or not named.read_text().endswith("\n"):
        ended = run_child(
            ["/bin/sh", "-c", script], limit_s
        )  # on a busy machine it may not come as far in time
        assert ended.status is None
        limit_s *= 2
    pid, give_up = named.read_text().strip(), time.monotonic() + 30
    while (state := state_of(pid)) not in ("", "Z") and time.monotonic() < give_up:
        time.sleep(0.02)
    assert state in ("", "Z")  # gone, or dead and not yet reaped


def state_of(pid: str) -> str:
    """One letter, without what says how it is niced."""
    shown = subprocess.run(["ps", "-o", "stat=", "-p", pid], capture_output=True, text=True, check=False)
    return shown.stdout.strip()[:1]


def test_a_meter_on_a_pin_counts_its_pulses(monkeypatch: pytest.MonkeyPatch) -> None:
    """On the same pin library as the valves, and on no other."""
    import gpiozero

    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    read = _pulse_reader(6, 0.5, {"GPIOZERO_PIN_FACTORY": "mock"})
    factory = gpiozero.Device.pin_factory
    pin = factory.pin(6)
    for _ in range(3):
        pin.drive_low()
        time.sleep(0.02)
        pin.drive_high()
        time.sleep(0.02)
    assert read() == 1.5
    factory.close()


def test_what_a_start_finds_missing_is_planned_again_though_the_day_is_not_read_yet() -> None:
    mornings, at = Mornings(), Moment(NOW, 100.0)
    mornings.want("tomatoes was interrupted", at)
    mornings.found(NOW.date(), NOW, clock_time(3), at)
    plan = DayPlan(NOW.date(), NOW - timedelta(hours=1), NOW + timedelta(hours=3), ())
    later = replace(at, mono=106.0, wall=NOW + timedelta(seconds=6))
    assert mornings.start(later, clock_time(3), plan) == "again: tomatoes was interrupted"
    mornings.running = False
    mornings.want("old", replace(at, mono=110.0))
    mornings.found(NOW.date() - timedelta(days=1), None, clock_time(3), at)
    assert mornings.wanted == "old"  # an answer about another day says nothing of it
    tomorrow = NOW + timedelta(days=1)
    mornings.found(tomorrow.date(), None, clock_time(3), Moment(tomorrow, 200.0))
    assert mornings.wanted is None  # of another day


# --- what a valve says of itself ---


def open_state(**more: float) -> ValveState:
    state = ValveState("a", cap_s=3600.0, **more)
    state.closed(0.0, None)
    state.ask_open("u", 600.0, 10.0)
    state.sending()
    return state


def test_a_valve_that_is_seen_open_though_it_was_closed_is_closed() -> None:
    state = ValveState("a", cap_s=3600.0)
    state.closed(5.0, None)
    assert state.seen(False, 60.0, 61.0) is None
    assert state.seen(True, 4.0, 61.5) is None, "older than the close"
    event = state.seen(True, 120.0, 121.0)
    assert event is not None
    assert (event.kind, event.doubt_since) == ("seen open", 60.0)
    assert state.due(121.0) == "close"
    assert state.closed(122.0, None).kind == "closed"


def test_a_run_that_ends_by_itself_is_seen_and_its_end_lies_between_two_looks() -> None:
    state = open_state()
    state.opened(11.0, None)
    assert state.seen(False, 10.5, 11.5) is None, "asked before it opened"
    assert state.seen(True, 30.0, 30.1) is None
    assert state.seen(False, 90.0, 90.1) is None
    assert state.due(90.1) == "close"
    event = state.closed(90.2, None)
    assert (event.why, event.doubt_since) == ("it reports that it closed by itself", 30.0)


def test_a_late_open_that_is_seen_ends_the_waiting() -> None:
    """It acts once: after it has come nothing else is to come."""
    state = open_state(acts_within_s=120.0)
    state.opened(20.0, "no answer")
    assert state.closed(20.1, None).kind == "late"
    assert state.seen(False, 25.0, 25.1) is None
    assert not state.settled
    event = state.seen(True, 40.0, 40.1)
    assert event is not None
    assert event.kind == "seen open"
    assert state.due(40.1) == "close"
    assert state.closed(40.2, None, sent=40.1).kind == "closed"
    assert state.settled


def test_a_close_that_was_not_answered_may_act_after_the_valve_is_known_to_be_closed() -> None:
    state = open_state(acts_within_s=120.0)
    state.opened(11.0, None)
    state.may_shut(30.0)
    assert state.closed(30.0, "no answer").kind == "close failed"
    event = state.closed(31.0, None)
    assert (event.kind, event.late_until) == ("closed", 150.0)
    state.ask_close()
    assert state.closed(200.0, None).late_until is None


def test_a_lost_way_ends_the_run_and_it_was_surely_open_until_then() -> None:
    state = open_state()
    assert state.lost(Doubt("the broker is gone", 10.5), 10.6) is None, "not known to be open yet"
    state.opened(11.0, None)
    event = state.lost(Doubt("the broker is gone", 40.0), 41.0)
    assert event is not None
    assert (event.kind, event.doubt_since) == ("doubt", 40.0)
    assert state.due(41.0) == "close"
    assert state.closed(51.0, "no answer").doubt_since == 40.0
    event = state.closed(60.0, None)
    assert (event.kind, event.why, event.doubt_since) == ("closed", "the broker is gone", 40.0)
    assert state.closed(61.0, None, doubt=Doubt("the broker is gone", 40.0)).doubt_since is None, "told once"


def test_what_could_be_asked_and_can_no_longer_is_in_doubt_until_it_answers() -> None:
    state = open_state()
    state.opened(11.0, None)
    assert [state.unseen(at) for at in (20.0, 30.0, 40.0)] == [None] * 3, "it never answered"
    assert state.seen(True, 50.0, 50.1) is None
    assert state.unseen(60.0) is None, "once is no sign"
    doubt = state.unseen(70.0)
    assert doubt is not None
    assert (doubt.kind, doubt.doubt_since) == ("doubt", 50.0)
    assert state.unseen(80.0) is None
    over = state.seen(True, 90.0, 90.1)
    assert over is not None
    assert (over.kind, over.doubt_since) == ("doubt", None)


def test_what_the_guard_closed_is_closed_where_the_service_could_not() -> None:
    state = open_state(acts_within_s=5.0)
    state.opened(11.0, None)
    assert state.closed_by_guard(12.0) is None, "it is to be open"
    state.ask_close()
    state.helped_since = 30.0
    state.closed(30.0, "no descriptor is left")
    event = state.closed_by_guard(31.0)
    assert event is not None
    assert (event.kind, event.sent, event.late_until) == ("closed", 30.0, 36.0)
    assert state.settled
    assert state.closed_by_guard(32.0) is None


class Says(SlowDriver):
    """A relay whose answers get lost; what it is it says."""

    reads_state = True

    def __init__(self, key: str, log: list[tuple[str, str]], *, deaf: bool = False) -> None:
        super().__init__(key, log, 0.0)
        self.opened, self.deaf = False, deaf

    def open(self, seconds: float) -> None:
        super().open(seconds)
        self.opened = True
        raise ValveFailed("no answer")

    def close(self) -> None:
        super().close()
        self.opened = self.opened and self.deaf
        if not self.deaf:
            raise ValveFailed("no answer")

    def state(self, limit_s: float) -> bool | None:
        return self.opened


def test_what_a_valve_says_confirms_what_was_not_answered() -> None:
    threads = ValveThreads(NoGuard())
    threads.take({"a": (Says("a", []), 60.0, 60.0)})
    wait_for(threads, "closed")
    threads.open("a", "u", 0.2)
    assert [event.kind for event in wait_for(threads, "opened", "closed")] == ["opened", "closed"]
    assert threads.end(2.0) == []


def test_a_close_that_was_answered_does_not_count_while_it_still_reports_open() -> None:
    driver = Says("a", [], deaf=True)
    threads = ValveThreads(NoGuard())
    threads.take({"a": (driver, 60.0, 60.0)})
    wait_for(threads, "closed")
    threads.open("a", "u", 0.1)
    (failed, *_) = [event for event in wait_for(threads, "close failed") if event.kind == "close failed"]
    assert failed.why == "it still reports open"
    driver.deaf = False
    assert "closed" in {event.kind for event in wait_for(threads, "closed")}
    threads.end(2.0)


def test_a_valve_is_asked_from_time_to_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("scheduler.service.valve_threads.LOOK_S", 0.05)
    driver = Says("a", [])
    threads = ValveThreads(NoGuard(), look_open_s=0.05)
    threads.take({"a": (driver, 60.0, 60.0)})
    wait_for(threads, "closed")
    driver.opened = True  # by a hand at the relay
    kinds = [event.kind for event in wait_for(threads, "seen open", "closed")]
    assert kinds == ["seen open", "closed"]
    assert driver.opened is False
    threads.end(2.0)
