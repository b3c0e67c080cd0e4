"""An open that nobody confirmed takes effect later: the real service, real relays of each kind."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from relays.tools import Broker, Ear
from service.late_relays import LateRelay, Water
from service.shed import Shed

MakeShed = Callable[..., Shed]


@pytest.fixture
def late_relay() -> Iterator[Callable[[float], LateRelay]]:
    made: list[LateRelay] = []  # named before make_shed by who uses it: it is stopped after the service

    def make(delay_s: float) -> LateRelay:
        made.append(LateRelay(delay_s))
        return made[-1]

    yield make
    for one in made:
        one.stop()


def ask_for_water(shed: Shed, zone: str) -> Any:
    """Once the service is ready for it."""
    give_up = time.monotonic() + 20
    while True:
        said = shed.rowwater("water", zone, "5 min")
        waits = ("not read yet", "guard")
        if not any(word in said.stderr for word in waits) or time.monotonic() > give_up:
            return said


def bounds(shed: Shed, zone: str) -> tuple[str, float, float]:
    """(outcome, least, most seconds) of the only record."""
    query = f"SELECT outcome, least_minutes * 60, most_minutes * 60 FROM applied WHERE zone = '{zone}'"
    shed.until(lambda: shed.rows(query), 40, "the books")
    ((outcome, least, most),) = shed.rows(query)
    return outcome, least, most


def opened_late_and_closed(water: Water) -> bool:
    return bool(water.spans) and water.open_since is None


def test_an_http_relay_that_opens_after_its_time(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed
) -> None:
    """It counts as open and is closed again and again: a third zone waits, and the books hold the bounds."""
    relay = late_relay(6.0)
    shed = make_shed(valves={"a": relay.valve()}, acts_within_s=15.0)
    shed.start()
    said = ask_for_water(shed, "a")
    assert said.returncode in (1, 3), said  # not open, or nobody knows; never 0
    shed.until(lambda: "may still open until" in shed.said(), 10, "the summary")
    stopped = shed.rowwater("stop", "a")
    assert stopped.returncode == 1
    assert "may still open until" in stopped.stderr
    again = shed.rowwater("water", "a", "5 min")
    assert "did not confirm an open, and may still open until" in again.stderr
    assert ask_for_water(shed, "b").returncode == 0
    third = shed.rowwater("water", "c", "5 min")
    assert third.returncode == 1
    assert "the supply is taken (a, b)" in third.stderr
    outcome, least, most = bounds(shed, "a")
    assert outcome == "interrupted"
    assert relay.opens == 1
    assert relay.water.closes >= 4
    assert opened_late_and_closed(relay.water)
    assert least == 0
    assert sum(relay.water.spans) <= most + 0.1
    shed.until(lambda: "a: between 0 and" in shed.said(), 10, "the summary")
    assert ask_for_water(shed, "c").returncode == 0  # its flow is free again


@pytest.mark.parametrize("guard_too", [False, True])
def test_killed_in_that_time(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed, guard_too: bool
) -> None:
    """The guard goes on with it, and where that is killed too, the next start does."""
    relay = late_relay(6.0)
    shed = make_shed(valves={"a": relay.valve()}, acts_within_s=12.0)
    shed.start()
    ask_for_water(shed, "a")
    shed.until(lambda: "may still open until" in shed.said(), 15, "the summary")
    guard = shed.guard_pid()
    assert guard is not None
    if guard_too:
        os.kill(guard, signal.SIGKILL)
    shed.kill()
    if guard_too:
        shed.start()
    shed.until(lambda: opened_late_and_closed(relay.water), 25, "the close of what opened late")
    if guard_too:
        outcome, _, most = bounds(shed, "a")
        assert outcome == "interrupted"
        assert sum(relay.water.spans) <= most
    time.sleep(1.0)
    assert relay.water.open_since is None


def test_stop_without_the_service_knows_of_what_may_still_open(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed
) -> None:
    """From the trace of openings and from valves.json: nobody else is left to close it."""
    relay = late_relay(8.0)
    shed = make_shed(valves={"a": relay.valve()}, acts_within_s=14.0)
    shed.start()
    ask_for_water(shed, "a")
    shed.until(lambda: relay.opens, 15, "the open")
    guard = shed.guard_pid()
    assert guard is not None
    os.kill(guard, signal.SIGKILL)
    shed.kill()
    said = shed.rowwater("stop")
    assert said.returncode == 1
    assert "NOT confirmed closed: a (it closed, but the open that was sent before may still" in said.stderr
    assert "b, c closed" in said.stderr
    shed.until(lambda: relay.water.open_since is not None, 15, "the late opening")
    again = shed.rowwater("stop", "b")
    assert again.returncode == 0, again
    time.sleep(8.0)
    over = shed.rowwater("stop")
    assert over.returncode == 0, over
    assert opened_late_and_closed(relay.water)


def test_killed_in_that_time_and_the_books_are_busy_at_the_next_start(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed
) -> None:
    """Closing needs no books: what opens late is closed while another program holds them."""
    relay = late_relay(14.0)
    shed = make_shed(valves={"a": relay.valve()}, acts_within_s=18.0)
    shed.start()
    ask_for_water(shed, "a")
    shed.until(lambda: "may still open until" in shed.said(), 15, "the summary")
    guard = shed.guard_pid()
    assert guard is not None
    os.kill(guard, signal.SIGKILL)
    shed.kill()
    with closing(sqlite3.connect(shed.data / "rowwater.db", isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")  # nobody else can read either
        other.execute("BEGIN EXCLUSIVE")
        shed.start()
        assert not relay.water.spans
        shed.until(lambda: relay.water.open_since is not None, 15, "the late opening")
        shed.until(lambda: opened_late_and_closed(relay.water), 18, "its close")
        assert shed.rowwater("water", "b", "5 min").returncode == 1
    outcome, _, most = bounds(shed, "a")
    assert outcome == "interrupted"
    assert sum(relay.water.spans) <= most


def test_a_program_that_goes_on_in_another_session(make_shed: MakeShed, tmp_path: Path) -> None:
    late = tmp_path / "late"
    late.write_text(
        "#!/bin/sh\n"
        f'echo "$1" >> {tmp_path}/told\n'
        f'[ "$1" = close ] && rm -f {tmp_path}/open\n'
        f'[ "$1" = open ] && setsid sh -c "sleep 4; touch {tmp_path}/open {tmp_path}/was-open" '
        ">/dev/null 2>&1 && sleep 30\n"
        "exit 0\n"
    )
    late.chmod(0o755)
    shed = make_shed(valves={"a": f"{{command: [{late}], limit: 1 s}}"}, acts_within_s=9.0)
    shed.start()
    ask_for_water(shed, "a")
    outcome, _, most = bounds(shed, "a")
    assert outcome == "interrupted"
    assert most > 0
    assert (tmp_path / "was-open").exists()
    assert not (tmp_path / "open").exists()
    assert (tmp_path / "told").read_text().split().count("close") >= 4


@pytest.mark.parametrize("reports", [False, True])
def test_a_relay_behind_a_broker_that_acts_late(make_shed: MakeShed, tmp_path: Path, reports: bool) -> None:
    """It reports no open in time. One that then reports it is closed at once, and nothing else is to come."""
    water = Water()

    def hears(ear: Ear, payload: str) -> None:
        if '"open"' not in payload:
            return
        if "true" in payload:
            water.opens_after(4.0)
        else:
            water.shuts()
            ear.client.publish("relay/state", "closed")

    broker = Broker(tmp_path)
    ear = Ear(broker.port, "relay", answer=hears)
    try:
        shed = make_shed(
            valves={"a": "{mqtt: {topic: relay, state_topic: relay/state}, limit: 1 s}"},
            more=f"broker: {{host: 127.0.0.1, port: {broker.port}}}\n",
            acts_within_s=9.0 if not reports else 60.0,
        )
        shed.start()
        ask_for_water(shed, "a")
        if reports:
            shed.until(lambda: water.open_since is not None, 15, "the late opening")
            ear.client.publish("relay/state", "open")
        outcome, _, most = bounds(shed, "a")
        assert outcome == "interrupted"
        assert opened_late_and_closed(water)
        assert sum(water.spans) <= most + 0.1
        if reports:
            assert "opened late, by its own report" in shed.log()
            water.opens()  # by a hand at the relay
            ear.client.publish("relay/state", "on")
            shed.until(lambda: water.open_since is None, 10, "the close of what nobody had opened")
            shed.until(lambda: "nothing here had opened it" in shed.said(), 10, "the summary")
            shed.until(lambda: len(shed.rows("SELECT 1 FROM applied")) == 2, 10, "the books")
        shed.end()
    finally:
        ear.stop()
        broker.stop()


def test_a_master_valve_that_opens_late(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed
) -> None:
    relay = late_relay(4.0)
    shed = make_shed(more=f"master_valve: {relay.valve()}\n", acts_within_s=9.0)
    shed.start()
    said = ask_for_water(shed, "a")
    assert said.returncode in (1, 3)
    shed.until(lambda: "the master valve did not confirm that it opened" in shed.said(), 15, "the summary")
    assert "the master valve did not confirm an open" in shed.rowwater("water", "b", "5 min").stderr
    query = "SELECT opening FROM openings WHERE opening NOT IN (SELECT opening FROM closings)"
    assert shed.rows(query), "in the books until the master valve is known to be closed"
    shed.until(lambda: not shed.rows(query), 25, "the books")
    assert opened_late_and_closed(relay.water)
    assert not [line for line in shed.lines() if line.word == "open"]


def test_an_answer_that_was_lost_but_for_the_state(
    late_relay: Callable[[float], LateRelay], make_shed: MakeShed
) -> None:
    """The relay opened at once and its answer was lost: its state confirms it, and the run goes on."""
    relay = late_relay(0.0)
    shed = make_shed(valves={"a": relay.valve(state=True)}, acts_within_s=60.0)
    shed.start()
    ask_for_water(shed, "a")
    shed.until(lambda: shed.today()["open_now"], 10, "the summary")
    assert relay.water.open_since is not None
    stopped = shed.rowwater("stop")
    assert stopped.returncode == 0, stopped
    outcome = shed.until(lambda: shed.rows("SELECT outcome FROM applied"), 10, "the books")
    assert shed.rows("SELECT outcome FROM applied") == [("cut short",)], outcome
