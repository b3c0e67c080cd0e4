"""A relay behind a real broker that stops, freezes, thaws, restarts; a second client notes what arrives.

What is checked against: MQTT 5.0 (OASIS, 7 March 2019), 3.1.2.5 (will), 3.3.2.3.3 (message expiry), 3.4.2.1
(reason "no matching subscribers").
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from relays.tools import Broker, Ear, free_port, until

from scheduler.relays import broker as broker_module
from scheduler.relays import mqtt as mqtt_module
from scheduler.relays.base import ValveFailed, doubt
from scheduler.relays.broker import Connection, read_state
from scheduler.relays.mqtt import MqttValve

TOPIC = "shed/valve/tomatoes"
OPEN, CLOSE = {"open": True, "seconds": 60}, {"open": False}


@pytest.fixture
def valve(broker: Broker) -> Iterator[Callable[..., MqttValve]]:
    made: list[MqttValve] = []

    def make(**more: Any) -> MqttValve:
        made.append(MqttValve("mqtt:relay", {"topic": TOPIC, "limit_s": 1, **more}, broker.settings))
        return made[-1]

    yield make
    for relay in made:
        if relay._connection is not None:
            relay._connection.abort()


def naive(port: int) -> mqtt.Client:
    """A client used the usual way, to show that each trap is real; it reconnects later than the ear."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert until(client.is_connected)
    return client


def end(client: mqtt.Client) -> None:
    client.disconnect()
    client.loop_stop()


# --- what is said --------------------------------------------------------------------------------


def test_open_and_close(valve: Callable[..., MqttValve], ear: Ear) -> None:
    relay = valve()
    relay.open(59.5)
    relay.close()
    relay.close()
    relay.release()
    assert until(lambda: len(ear.heard) == 4)
    assert ear.heard == [(TOPIC, OPEN, False), *[(TOPIC, CLOSE, False)] * 3]
    time.sleep(0.2)
    assert len(ear.heard) == 4, "a clean goodbye leaves no will behind"


def test_the_homie_convention(valve: Callable[..., MqttValve], ear: Ear) -> None:
    relay = valve(topic="homie/5/shed/valve1/on", convention="homie", duration="homie/5/shed/valve1/seconds")
    relay.open(60)
    relay.close()
    assert until(lambda: len(ear.heard) == 3)
    assert ear.heard == [
        ("homie/5/shed/valve1/seconds/set", 60, False),
        ("homie/5/shed/valve1/on/set", True, False),
        ("homie/5/shed/valve1/on/set", False, False),
    ]


def test_homie_without_a_duration_and_with_the_whole_topic(valve: Callable[..., MqttValve], ear: Ear) -> None:
    relay = valve(topic="homie/shed/valve1/on/set", convention="homie")
    relay.open(60)
    assert until(lambda: ear.heard == [("homie/shed/valve1/on/set", True, False)])


def test_what_is_no_time_sends_nothing(valve: Callable[..., MqttValve], ear: Ear) -> None:
    relay = valve()
    with pytest.raises(ValveFailed):
        relay.open(float("nan"))
    relay.close()
    assert until(lambda: len(ear.heard) == 1)
    assert ear.heard == [(TOPIC, CLOSE, False)]


# --- what confirms -------------------------------------------------------------------------------


def test_nobody_subscribed_is_no_confirmation(valve: Callable[..., MqttValve]) -> None:
    with pytest.raises(ValveFailed, match=f"no relay is subscribed to {TOPIC}"):
        valve().open(60)


def test_a_relay_that_reports(valve: Callable[..., MqttValve], broker: Broker) -> None:
    def report(ear: Ear, payload: str) -> None:
        ear.client.publish("shed/state", "open" if json.loads(payload)["open"] else "closed", retain=True)

    relay_itself = Ear(broker.port, TOPIC, answer=report)
    relay = valve(state_topic="shed/state")
    relay.open(60)
    relay.close()
    relay_itself.stop()
    ear = Ear(broker.port, TOPIC)  # hears, but does not report: the retained "closed" confirms nothing
    with pytest.raises(ValveFailed, match="brought no report on shed/state"):
        valve(state_topic="shed/state").close()
    assert until(lambda: ear.said_on(TOPIC)[:1] == [CLOSE])
    ear.stop()


def test_a_report_of_the_other_state_does_not_confirm(
    valve: Callable[..., MqttValve], broker: Broker
) -> None:
    ear = Ear(broker.port, TOPIC, answer=lambda ear, _: ear.client.publish("shed/state", "closed") and None)
    relay = valve(state_topic="shed/state", limit_s=0.5)
    with pytest.raises(ValveFailed, match="no report"):
        relay.open(60)
    ear.stop()


@pytest.mark.parametrize(
    ("payload", "state"),
    [
        (b"true", True), (b"false", False), (b" ON ", True), (b"off", False), (b"1", True), (b"0", False),
        (b'"open"', True), (b'"Closed"', False), (b'{"open": true}', True), (b'{"state": "OFF"}', False),
        (b"", None), (b"half", None), (b"{}", None), (b"null", None), (b"\xff\xfe", None), (b"[true]", None),
        (b"[" * 100_000, None),
    ],
)  # fmt: skip
def test_read_state(payload: bytes, state: bool | None) -> None:
    assert read_state(payload) is state


# --- the broker is away, or does not like us ------------------------------------------------------


def test_no_broker_there(tmp_path: Path) -> None:
    relay = MqttValve("m", {"topic": TOPIC, "limit_s": 1}, {"host": "127.0.0.1", "port": free_port()})
    with pytest.raises(ValveFailed, match="cannot be talked to .*refused"):
        relay.close()
    with pytest.raises(ValveFailed):
        relay.release()


def test_no_broker_named() -> None:
    with pytest.raises(ValveFailed, match="no broker is named"):
        MqttValve("m", {"topic": TOPIC}, None)


def test_something_that_accepts_and_stays_silent() -> None:
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        relay = MqttValve(
            "m", {"topic": TOPIC, "limit_s": 0.5}, {"host": "127.0.0.1", "port": deaf.getsockname()[1]}
        )
        start = time.monotonic()
        with pytest.raises(ValveFailed, match="cannot be reached"):
            relay.close()
        assert time.monotonic() - start < 1.5


def test_login(tmp_path: Path) -> None:
    passwords, secret = tmp_path / "users", tmp_path / "secret"
    passwords.touch()
    subprocess.run(
        ["mosquitto_passwd", "-b", str(passwords), "rowwater", "drip drop"], check=True, capture_output=True
    )
    guarded = Broker(tmp_path, "allow_anonymous false", f"password_file {passwords}")
    settings = {**guarded.settings, "user": "rowwater", "password_file": str(secret)}

    def close() -> str:
        with pytest.raises(ValveFailed) as failed:
            MqttValve("m", {"topic": TOPIC, "limit_s": 1}, settings).release()
        assert "drip drop" not in str(failed.value)
        return failed.value.text

    assert "password file cannot be read" in close()
    secret.write_text("wrong\n")
    assert "refuses the connection: Not authorized" in close()
    secret.write_text("drip drop\n")
    assert "no relay is subscribed" in close(), "past the login"
    del settings["password_file"]
    assert "refuses the connection" in close()
    guarded.stop()


def test_a_broker_that_forbids_the_topic(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite something/else\n")
    strict = Broker(tmp_path, "allow_anonymous true", f"acl_file {rules}")
    with pytest.raises(ValveFailed, match=f"refuses {TOPIC}: Not authorized"):
        MqttValve("m", {"topic": TOPIC, "limit_s": 1}, strict.settings).close()
    strict.stop()


def test_a_broker_that_forbids_the_state_topic(
    valve: Callable[..., MqttValve], ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mosquitto 2.0 grants every subscription, so the refusal is put into the answer by hand."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.reasoncodes import ReasonCode

    real = Connection._on_subscribe
    refusal = [ReasonCode(PacketTypes.SUBACK, "Not authorized")]  # type: ignore[no-untyped-call]
    monkeypatch.setattr(
        Connection,
        "_on_subscribe",
        lambda self, client, data, mid, _codes, *more: real(self, client, data, mid, refusal),
    )
    with pytest.raises(ValveFailed, match="refuses shed/state: Not authorized"):
        valve(state_topic="shed/state").close()


def test_an_error_in_a_callback_is_told_and_passes(
    valve: Callable[..., MqttValve], ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    relay = valve(limit_s=3)

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("in a callback")

    with monkeypatch.context() as patch:
        patch.setattr(Connection, "_on_publish", broken)
        start = time.monotonic()
        with pytest.raises(ValveFailed, match="ZeroDivisionError: in a callback"):
            relay.close()
        assert time.monotonic() - start < 1, "told at once, not after the time limit"
    relay.close()


def test_a_long_message_that_does_not_go_out_in_one_piece(valve: Callable[..., MqttValve], ear: Ear) -> None:
    relay = valve(limit_s=5)
    relay.close()
    connection = relay._connection
    assert connection is not None
    connection.command([("shed/long", "x" * 20_000_000)], True, time.monotonic() + 5)
    assert until(lambda: [len(payload) for payload in ear.said_on("shed/long")] == [20_000_000])


# --- traps: a message that arrives late ------------------------------------------------------------


def test_stopped_broker_gets_no_old_open_when_it_is_back(
    valve: Callable[..., MqttValve], broker: Broker, ear: Ear
) -> None:
    relay, careless = valve(), naive(broker.port)
    relay.close()
    assert until(lambda: len(ear.heard) == 1)
    ear.not_ready()
    broker.stop()
    with pytest.raises(ValveFailed):
        relay.open(60)
    careless.publish("careless", "open", qos=1)
    broker.start()
    ear.wait_ready()
    assert until(lambda: ear.said_on("careless") == ["open"]), (
        "the trap: the library's queue outlives the broker"
    )
    time.sleep(0.5)
    before = len(ear.said_on(TOPIC))  # the close, and the will if the broker passed it on as it went
    assert OPEN not in ear.said_on(TOPIC)
    relay.close()
    assert until(lambda: ear.said_on(TOPIC)[before:] == [CLOSE])
    end(careless)


def test_frozen_broker_gets_no_open(valve: Callable[..., MqttValve], broker: Broker, ear: Ear) -> None:
    relay, careless = valve(limit_s=0.6), naive(broker.port)
    relay.close()
    broker.freeze()
    careless.publish("careless", "open", qos=1)
    start = time.monotonic()
    with pytest.raises(ValveFailed, match="does not answer"):
        relay.open(60)
    assert time.monotonic() - start < 2
    with pytest.raises(ValveFailed, match="cannot be reached"):
        relay.close()
    broker.thaw()
    assert until(lambda: ear.said_on("careless") == ["open"]), (
        "the trap: what a frozen broker has, it passes on"
    )
    relay.close()
    time.sleep(0.5)
    assert OPEN not in ear.said_on(TOPIC)
    assert ear.said_on(TOPIC)[-1] == CLOSE
    end(careless)


def test_broker_that_freezes_with_the_open_in_its_hands_closes_at_once(
    valve: Callable[..., MqttValve], broker: Broker, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    relay = valve()
    relay.close()
    real = Connection.prove_alive

    def freeze_after(self: Connection, deadline: float) -> None:
        real(self, deadline)
        broker.freeze()

    with monkeypatch.context() as patch:
        patch.setattr(Connection, "prove_alive", freeze_after)
        with pytest.raises(ValveFailed, match="does not acknowledge"):
            relay.open(60)
    broker.thaw()
    assert until(lambda: ear.said_on(TOPIC)[-1:] == [CLOSE] and len(ear.heard) > 1)
    time.sleep(0.3)
    assert ear.said_on(TOPIC) in ([CLOSE, OPEN, CLOSE], [CLOSE, CLOSE]), "the will follows the open"


def test_nothing_is_retained(valve: Callable[..., MqttValve], broker: Broker, ear: Ear) -> None:
    relay, careless = valve(), naive(broker.port)
    relay.open(60)
    careless.publish("careless", "open", qos=1, retain=True).wait_for_publish(2)
    late = Ear(broker.port)
    assert until(lambda: late.heard == [("careless", "open", True)]), "the trap: a retained command"
    time.sleep(0.3)
    assert late.said_on(TOPIC) == []
    late.stop()
    end(careless)


def test_a_relay_that_was_away_gets_no_old_open(
    valve: Callable[..., MqttValve], broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker keeps QoS 1 messages for a client with a lasting session; an open must not wait there."""
    monkeypatch.setattr(mqtt_module, "OPEN_EXPIRES_S", 1)
    heard: list[str] = []

    def relay_itself() -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="relay", clean_session=False)
        client.on_message = lambda *a: heard.append(a[2].payload.decode())
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        assert until(client.is_connected)
        return client

    board = relay_itself()
    done = threading.Event()
    board.on_subscribe = lambda *_: done.set()
    board.subscribe([(TOPIC, 1), ("careless", 1)])
    assert done.wait(2)
    end(board)
    relay, careless = valve(), naive(broker.port)
    relay.open(60)
    careless.publish("careless", "open", qos=1).wait_for_publish(2)
    time.sleep(2.2)
    board = relay_itself()
    assert until(lambda: heard == ["open"]), "the trap: a command kept for a relay that was away"
    time.sleep(0.3)
    assert heard == ["open"]
    end(board)
    end(careless)


def test_after_a_name_look_up_that_took_too_long_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even the greeting: it would carry a will, and that would close a valve opened since."""
    real = socket.getaddrinfo

    def slow(*args: Any, **kwargs: Any) -> Any:
        time.sleep(0.8)  # more than the time limit, and the moment in which the thread is waited for
        return real(*args, **kwargs)

    with socket.create_server(("127.0.0.1", 0)) as server, monkeypatch.context() as patch:
        server.settimeout(5)
        patch.setattr(socket, "getaddrinfo", slow)
        address = {"host": "127.0.0.1", "port": server.getsockname()[1]}
        with pytest.raises(ValveFailed, match="cannot be reached"):
            MqttValve("m", {"topic": TOPIC, "limit_s": 0.2}, address).open(60)
        came, _ = server.accept()
        with came:
            came.settimeout(2)
            try:
                said = came.recv(1000)
            except ConnectionResetError:
                said = b""
    assert said == b""
    assert until(lambda: not any(thread.name.startswith("broker ") for thread in threading.enumerate()))


# --- the connection is lost while the valve is open -----------------------------------------------


def test_the_will_closes_when_the_process_dies(broker: Broker, ear: Ear) -> None:
    script = (
        "import os, sys\n"
        "from scheduler.relays.mqtt import MqttValve\n"
        f"MqttValve('m', {{'topic': {TOPIC!r}}}, {broker.settings!r}).open(60)\n"
        "print('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        os.kill(process.pid, signal.SIGKILL)
        assert until(lambda: ear.said_on(TOPIC) == [OPEN, CLOSE], 1)


def test_a_lost_connection_leaves_a_doubt(valve: Callable[..., MqttValve], broker: Broker, ear: Ear) -> None:
    relay = valve()
    relay.open(60)
    assert doubt(relay) is None
    ear.not_ready()
    broker.stop()
    broker.start()
    ear.wait_ready()
    relay.close()
    assert "lost while it was open" in str(doubt(relay))
    relay.open(60)
    relay.close()
    assert doubt(relay) is None, "a new run starts without"


def test_a_close_that_failed_first_leaves_a_doubt(
    valve: Callable[..., MqttValve], broker: Broker, ear: Ear
) -> None:
    relay = valve(limit_s=0.5)
    relay.open(60)
    broker.freeze()
    with pytest.raises(ValveFailed, match="does not acknowledge"):
        relay.close()
    broker.thaw()
    relay.close()
    assert "lost while it was open" in str(doubt(relay))


def test_a_broker_that_is_silent_for_long_is_given_up_unasked(
    valve: Callable[..., MqttValve], broker: Broker, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_module, "KEEPALIVE_S", 1)
    monkeypatch.setattr(broker_module, "_TICK_S", 0.1)
    relay = valve()
    relay.open(60)
    connection = relay._connection
    assert connection is not None
    broker.freeze()
    assert until(lambda: connection.over, 4)
    broker.thaw()
    relay.close()
    assert doubt(relay) is not None


def test_the_will_of_a_connection_lost_without_a_trace_comes_before_the_next_open(
    valve: Callable[..., MqttValve], ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network that swallows the abort leaves a ghost at the broker; its will must not close a later run."""
    relay = valve()
    relay.close()
    assert until(lambda: len(ear.heard) == 1)
    with monkeypatch.context() as patch:
        patch.setattr(Connection, "abort", lambda self: setattr(self, "over", self.over or "swallowed"))
        ghost = relay._connection
        relay._drop()
    assert ghost is not None
    relay.open(60)
    time.sleep(0.5)
    assert ear.said_on(TOPIC) == [CLOSE, CLOSE, OPEN]
    ghost.abort()


def test_goodbye_drops_the_will_also_after_a_failed_close(
    valve: Callable[..., MqttValve], broker: Broker
) -> None:
    relay = valve()
    with pytest.raises(ValveFailed, match="no relay"):
        relay.release()
    assert relay._connection is None


def test_without_the_library(valve: Callable[..., MqttValve], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "paho.mqtt", None)
    with pytest.raises(ValveFailed, match="cannot be loaded") as failed:
        valve().close()
    assert 'pip install "rowwater[mqtt]"' in str(failed.value.hint)
