"""Listeners on a real broker that stops, restarts, keeps messages; callbacks that nothing can kill."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import publish
from relays.tools import Broker, free_port, until

from scheduler.errors import CouldNot
from scheduler.model import Garden, Location, SourceSpec, Supply
from scheduler.weather import sources
from scheduler.weather.mqtt import listener as listening
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt.listener import Listener, hear, start_listeners
from scheduler.weather.mqtt.readings import Message

TOPIC = "station/daily"
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
NOW = datetime(2026, 7, 1, 12, tzinfo=UTC)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def listener(broker: Broker, tmp_path: Path) -> Iterator[Listener]:
    made = Listener(TOPIC, broker.settings, tmp_path / "data", reconnect_seconds=(1, 1))
    made.start()
    assert until(lambda: made._client is not None and made._client.is_connected())
    time.sleep(0.1)  # until the subscription is granted
    yield made
    made.stop()


def send(broker: Broker, payload: Any, topic: str = TOPIC, *, retain: bool = False) -> None:
    text = payload if isinstance(payload, str | bytes) else json.dumps(payload)
    publish.single(topic, text, qos=1, retain=retain, hostname="127.0.0.1", port=broker.port)


def heard(listener: Listener) -> list[str]:
    return [message.text for message in readings.read(listener.path, LONG_AGO)]


def test_messages_are_on_disk_soon(broker: Broker, listener: Listener) -> None:
    send(broker, {"tmax_c": 20})
    send(broker, "offline")
    send(broker, "not mine", "station/other")
    assert until(lambda: len(heard(listener)) == 2)
    assert heard(listener) == ['{"tmax_c": 20}', "offline"]
    [first, _] = readings.read(listener.path, LONG_AGO)
    assert abs(datetime.now(UTC) - first.received_at) < timedelta(seconds=10)
    assert (first.topic, first.retained) == (TOPIC, False)


def test_repeats_and_long_payloads_are_left_out(broker: Broker, listener: Listener) -> None:
    for payload in ("1", "1", "2", "1", b"\xff\x00", "x" * (readings.MOST_PAYLOAD + 1), "3"):
        send(broker, payload)
    assert until(lambda: len(heard(listener)) == 4)
    assert heard(listener) == ["1", "2", "\ufffd\x00", "3"]
    assert listener.lost == 1


def test_broker_goes_and_comes_back(broker: Broker, listener: Listener) -> None:
    send(broker, "before")
    assert until(lambda: heard(listener) == ["before"])
    broker.stop()
    assert until(lambda: listener.problem == "the connection to the broker broke off")
    broker.start()
    assert until(lambda: listener.problem is None, 10)
    send(broker, "after")
    assert until(lambda: heard(listener) == ["before", "after"])


def test_broker_that_comes_later(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    broker.stop()
    made = Listener(TOPIC, broker.settings, tmp_path, reconnect_seconds=(1, 1))
    made.start()
    time.sleep(0.3)
    broker.start()
    try:
        assert until(lambda: made._client is not None and made._client.is_connected(), 10)
        time.sleep(0.2)
        send(broker, "late")
        assert until(lambda: heard(made) == ["late"])
    finally:
        made.stop()
        broker.stop()


def test_stop_writes_what_waits_and_ends_soon(broker: Broker, listener: Listener) -> None:
    for i in range(200):
        listener._take(readings.Message(datetime.now(UTC), TOPIC, str(i)))
    began = time.monotonic()
    listener.stop()
    assert time.monotonic() - began < 3
    assert heard(listener) == [str(i) for i in range(200)]
    listener.stop()


def test_nothing_kills_the_callbacks(
    broker: Broker, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a defect")

    monkeypatch.setattr(listening, "_message", broken)
    send(broker, "lost")
    time.sleep(0.3)
    monkeypatch.undo()
    send(broker, "heard")
    assert until(lambda: heard(listener) == ["heard"])


def test_full_card_is_told_and_survived(
    broker: Broker, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(readings, "append", full)
    send(broker, "lost")
    assert until(lambda: (listener.problem or "").startswith("readings cannot be written"))
    monkeypatch.undo()
    send(broker, "heard")
    assert until(lambda: heard(listener) == ["heard"])
    assert until(lambda: listener.problem is None)


def test_memory_is_bounded(tmp_path: Path) -> None:
    made = Listener(TOPIC, {"host": "127.0.0.1", "port": 9}, tmp_path)
    for i in range(3 * listening.MOST_WAITING):
        made._take(readings.Message(datetime.now(UTC), TOPIC, str(i)))
    assert len(made._waiting) == listening.MOST_WAITING
    assert len(made._latest) <= listening.MOST_WAITING
    assert made.lost == 2 * listening.MOST_WAITING
    made.stop()


def test_old_lines_are_dropped_at_the_start(broker: Broker, tmp_path: Path) -> None:
    made = Listener(TOPIC, broker.settings, tmp_path)
    old = readings.Message(datetime.now(UTC) - timedelta(days=20), TOPIC, "old")
    readings.append(made.path, [old])
    made.start()
    try:
        assert until(lambda: made._client is not None and made._client.is_connected())
        time.sleep(0.2)
        send(broker, "new")
        assert until(lambda: heard(made) == ["new"])
    finally:
        made.stop()


def test_wrong_password_is_told(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(passwords), "rowwater", "drip"], check=True,
                   capture_output=True)  # fmt: skip
    passwords.chmod(0o644)
    broker = Broker(tmp_path, "allow_anonymous false", f"password_file {passwords}")
    (tmp_path / "given").write_text("drop\n")
    (tmp_path / "right").write_text("drip\n")
    wrong = {**broker.settings, "user": "rowwater", "password_file": str(tmp_path / "given")}
    right = {**wrong, "password_file": "right"}
    specs = [SourceSpec("mqtt", "mqtt a", {"topic": "a"}), SourceSpec("file", "file x", {"path": "x"})]
    made = start_listeners(specs, wrong, tmp_path, {})
    try:
        assert until(lambda: made.problems() != [])
        assert made.problems()[0].startswith("mqtt a: the broker refuses the connection")
        with pytest.raises(CouldNot, match="refuses the connection"):
            hear("a", wrong, environ={}, seconds=3)
        assert hear("a", right, environ={"CREDENTIALS_DIRECTORY": str(tmp_path)}, seconds=3) == []
    finally:
        made.stop()
        broker.stop()


def test_start_never_raises(tmp_path: Path) -> None:
    spec = SourceSpec("mqtt", "mqtt a", {"topic": "a"})
    for broker, words in (
        (None, "garden.yaml names no broker"),
        ({"host": "h", "user": "u", "password_file": str(tmp_path / "none")}, "password file cannot be read"),
        ({"host": 7, "port": "x"}, "cannot be listened to"),
    ):
        made = start_listeners([spec, spec], broker, tmp_path, {})
        assert len(made.all) == 1
        assert words in made.problems()[0]
        made.stop()
    assert start_listeners([], None, tmp_path, {}).problems() == []


# --- the daily job ---------------------------------------------------------------------------------

NOW = datetime(2026, 6, 14, 7, 30, tzinfo=UTC)


def garden(broker: Any) -> Garden:
    place = Location(34.5, -81.5, 152, "America/New_York")
    spec = SourceSpec("mqtt", f"mqtt {TOPIC}", {"topic": TOPIC})
    service = {"broker": broker.settings if isinstance(broker, Broker) else broker}
    return Garden("Creekside plot", place, "us", Supply(20.0), {}, (), sources=(spec,), service=service)


def test_kept_message_without_a_listener(broker: Broker, tmp_path: Path) -> None:
    send(broker, {"date": "2026-06-13", "tmax_c": 28.5, "tmin_c": 15.0, "rain_mm": 0.0}, retain=True)
    answers, failures = sources.collect(
        garden(broker), date(2026, 6, 6), date(2026, 6, 14), datetime.now(UTC), environ={},
        data_folder=tmp_path / "none",
    )  # fmt: skip
    assert failures == []
    assert {(v.field, v.value) for v in answers[0].values} == {
        ("tmax_c", 28.5),
        ("tmin_c", 15.0),
        ("rain_mm", 0.0),
    }


def test_days_on_record_are_not_read_again(tmp_path: Path) -> None:
    """All days of the last fortnight that lack, at first; then the last two."""
    today, path = date(2026, 6, 14), readings.path_for(tmp_path, TOPIC)
    for i in range(14, 0, -1):
        day = today - timedelta(days=i)
        body = json.dumps({"date": day.isoformat(), "tmax_c": 20.0 + i})
        at = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) + timedelta(days=1)
        readings.append(path, [readings.Message(at, TOPIC, body)])
    readings.append(path, [readings.Message(NOW - timedelta(minutes=5), TOPIC, "offline")])

    def days(stored: Any) -> list[int]:
        [found], failures = sources.collect(
            garden(None), date(2026, 5, 1), today, NOW, environ={}, stored=stored, data_folder=tmp_path
        )
        assert failures == []
        return sorted({(today - value.day).days for value in found.values})

    assert days([]) == list(range(2, 15))  # the message of yesterday comes at noon: still ahead
    [whole], _ = sources.collect(garden(None), date(2026, 5, 1), today, NOW, environ={}, data_folder=tmp_path)
    assert days(whole.values) == [2]


def test_absent_broker_is_one_line() -> None:
    began = time.monotonic()
    answers, [failure] = sources.collect(
        garden({"host": "127.0.0.1", "port": free_port()}), date(2026, 6, 6), date(2026, 6, 14), NOW,
        environ={},
    )  # fmt: skip
    assert answers == []
    assert "cannot be reached" in failure
    assert time.monotonic() - began < 4


def test_silent_topic(broker: Broker) -> None:
    began = time.monotonic()
    assert hear("nobody/here", broker.settings, environ={}, seconds=5) == []
    assert time.monotonic() - began < 4, "a second after the subscription nothing more is waited for"


def test_no_thread_stays(broker: Broker) -> None:
    before = threading.active_count()
    hear("nobody/here", broker.settings, environ={}, seconds=3, quiet_seconds=0.2)
    assert until(lambda: threading.active_count() <= before)


def test_the_service_stays_light() -> None:
    code = (
        "import sys\n"
        "from scheduler.weather.mqtt.listener import start_listeners\n"
        "from scheduler.model import SourceSpec\n"
        "spec = SourceSpec('mqtt', 'mqtt a', {'topic': 'a'})\n"
        "start_listeners([spec], {'host': '127.0.0.1', 'port': 9}, '.', {}).stop()\n"
        "heavy = {'numpy', 'requests', 'pandas', 'pydantic', 'yaml', 'sqlalchemy'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_chatty_station_does_not_fill_the_card(tmp_path: Path) -> None:
    """5,000 messages of 16 kB: a burst is kept, then a trickle, and it is told until it is quiet."""
    seconds = [0.0]
    made = Listener(TOPIC, {}, tmp_path, monotonic=lambda: seconds[0])
    for number in range(5_000):
        made._take(Message(NOW, TOPIC, f"{number:016000}"))
        seconds[0] += 0.01
        if number % 500 == 0:
            made._write(list(made._waiting))
            made._waiting.clear()
    assert made.path.stat().st_size < 2_200_000
    assert made.problem is not None
    assert "more comes than a weather station sends" in made.problem
    assert made.lost > 4_800
    seconds[0] += 3600.0
    made._take(Message(NOW, TOPIC, "quiet again"))
    assert made.problem is None


def test_the_file_is_bound_when_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "MOST_BYTES", 40_000)
    made = Listener(TOPIC, {}, tmp_path, now=lambda: NOW)
    for number in range(40):
        made._write([Message(NOW, TOPIC, f"{number} {'x' * 4000}")])
        assert made.path.stat().st_size <= 45_000
    kept = [message.text.split()[0] for message in readings.read(made.path, NOW - timedelta(days=1))]
    assert kept[-1] == "39"


def test_a_message_of_200_mb_never_reaches_us(broker: Broker, listener: Listener) -> None:
    """Played with 20 MB, which the broker may hold back as well: its clients say how much they take."""
    send(broker, b"x" * 20_000_000, retain=True)
    send(broker, "after")
    assert until(lambda: heard(listener) == ["after"])
    assert listener.lost == 0
