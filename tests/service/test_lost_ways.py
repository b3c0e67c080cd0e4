"""The way to a relay is lost while it waters: what is known to have been open ends then, the real service."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from relays.tools import Broker, Ear
from service.late_relays import LateRelay, Water
from service.shed import Shed

MakeShed = Callable[..., Shed]
BOUNDS = "SELECT outcome, least_minutes * 60, most_minutes * 60 FROM applied WHERE zone = 'a'"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    one = Broker(tmp_path)
    yield one
    one.stop()


def relay_of(broker: Broker, water: Water, *, reports: bool) -> Ear:
    """It closes when it loses the broker, as the will would make it."""

    def hears(ear: Ear, payload: str) -> None:
        if '"open"' not in payload:
            return
        if "true" in payload:
            water.opens()
        else:
            water.shuts()
        if reports:
            ear.client.publish("relay/state", "open" if water.open_since else "closed")

    ear = Ear(broker.port, "relay", answer=hears)
    ear.client.on_disconnect = lambda *_: water.shuts()
    return ear


@pytest.mark.parametrize("reports", [False, True])
@pytest.mark.parametrize("stays_away", [False, True])
def test_the_broker_is_stopped_during_a_run(
    broker: Broker, make_shed: MakeShed, reports: bool, stays_away: bool
) -> None:
    """stays_away: until after the planned end of the run."""
    water = Water()
    ear = relay_of(broker, water, reports=reports)
    try:
        topics = "topic: relay" + (", state_topic: relay/state" if reports else "")
        shed = make_shed(
            valves={"a": f"{{mqtt: {{{topics}}}, limit: 1 s}}"},
            more=f"broker: {{host: 127.0.0.1, port: {broker.port}}}\n",
        )
        shed.plan([("a", 1, 0.0, 9.0)])
        shed.start()
        shed.until(lambda: water.open_since is not None, 20, "the run")
        time.sleep(2.0)
        broker.stop()
        shed.until(lambda: water.open_since is None, 5, "the relay's own close")
        time.sleep(9.0 if stays_away else 1.5)
        broker.start()
        shed.until(lambda: shed.rows(BOUNDS), 20, "the books")
        ((outcome, least, most),) = shed.rows(BOUNDS)
        (opened,) = water.spans
        assert outcome == "cut short"
        assert opened - 0.7 < least < opened + 0.3
        assert opened < most
        assert most > opened + (8.0 if stays_away else 1.0)
        shed.until(lambda: "the connection to the broker was lost" in shed.said(), 10, "the summary")
        shed.end()
    finally:
        ear.stop()


def test_a_relay_that_can_be_asked_falls_silent_in_its_run(make_shed: MakeShed) -> None:
    """Without power it is closed, and answers nothing: surely open it was at its last word."""
    relay = LateRelay(0.0)
    try:
        shed = make_shed(valves={"a": relay.valve(state=True)}, look_s=0.5)
        shed.plan([("a", 1, 0.0, 9.0), ("b", 1, 0.0, 3.0)])
        shed.start()
        shed.until(lambda: relay.water.open_since is not None, 20, "the run")
        time.sleep(3.0)
        relay.dead = True
        relay.water.shuts()
        shed.until(lambda: not shed.is_open("b"), 10, "the other run")
        time.sleep(8.0)
        relay.dead = False
        shed.until(lambda: shed.rows(BOUNDS), 20, "the books")
        ((outcome, least, most),) = shed.rows(BOUNDS)
        (opened,) = relay.water.spans
        assert outcome == "cut short"
        assert opened - 1.5 < least < opened + 0.3
        assert most > 8.5
        shed.until(lambda: "could not be asked any more" in shed.said(), 10, "the summary")
        shed.end()
    finally:
        relay.stop()


@pytest.mark.parametrize("killed", [False, True])
def test_a_close_that_was_not_answered_acts_on_no_later_run(make_shed: MakeShed, killed: bool) -> None:
    """It is carried out 5 s later: the next run waits for that, also where the service was killed."""
    relay = LateRelay(5.0, closes=True)
    try:
        shed = make_shed(valves={"a": relay.valve()}, acts_within_s=6.0)
        shed.plan([("a", 1, 0.0, 3.0), ("a", 2, 5.0, 12.0)])
        shed.start()
        shed.until(lambda: relay.lost, 20, "the close that is not answered")
        if killed:
            time.sleep(1.5)
            shed.kill()
            shed.start()
        shed.until(lambda: len(relay.water.spans) == 2, 40, "the second run")
        assert relay.water.open_since is None
        records = shed.rows
        shed.until(lambda: len(records("SELECT 1 FROM applied WHERE pulse = 2")) == 1, 20, "the books")
        ((minutes,),) = records("SELECT minutes FROM applied WHERE pulse = 2")
        assert relay.water.spans[1] == pytest.approx(minutes * 60, abs=1.5)
        assert relay.water.spans[1] > 11.0
        shed.end()
    finally:
        relay.stop()
