"""Whatever a message says, the meter goes on hearing: the library's thread dies of an error in a callback."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from relays.tools import Broker

from scheduler.service.meter import _mqtt_reader, _said

TOPIC = "shed/meter"
SPOILT = (
    b"9" * 400, b"[" * 50_000, b"{" * 50_000, b'"12"x', b"true false",
    b"1" * 5000, b"", b"\xff\xfe\x00", b"null", b"NaN", b"-Infinity",
    b'{"liters": [1]}', b'{"liters": {}}', b'{"litres": 1}', b"[" * 30_000 + b"]" * 30_000, b"x" * 3_000_000,
)  # fmt: skip


@pytest.mark.parametrize("payload", [b"12.5", b'{"liters": 12.5}', b'"12.5"'])
def test_a_total_is_read(payload: bytes) -> None:
    assert _said(payload) == 12.5


def _until(found: Callable[[], float | None]) -> float | None:
    """What is read within 5 s."""
    end = time.monotonic() + 5
    while (value := found()) is None and time.monotonic() < end:
        time.sleep(0.02)
    return value


def test_it_goes_on_hearing_after_every_payload(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    sender = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    try:
        sender.connect("127.0.0.1", broker.port)
        sender.loop_start()
        sender.publish(TOPIC, b"[" * 50_000, qos=1, retain=True).wait_for_publish(5)
        read = _mqtt_reader(TOPIC, broker.settings, {})
        assert _until(lambda: _heard(sender, 0, read)) == 0  # it hears only what comes once it is there
        for number, payload in enumerate(SPOILT, 1):
            sender.publish(TOPIC, payload, qos=1).wait_for_publish(5)
            sender.publish(TOPIC, json.dumps(number), qos=1).wait_for_publish(5)
            assert _until(read) == number, payload[:20]
    finally:
        sender.loop_stop()
        broker.stop()


def _heard(sender: mqtt.Client, number: int, read: Callable[[], float | None]) -> float | None:
    sender.publish(TOPIC, json.dumps(number), qos=1).wait_for_publish(5)
    time.sleep(0.1)
    return read()
