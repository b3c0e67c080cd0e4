"""Listens to stations behind the message broker, and writes down what they say before anything reads it.

The network thread of the client library dies of any exception in a callback, and its reconnecting with it;
so callbacks only put what came into a bounded queue, and a thread of ours writes it to disk.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from scheduler.broker import address, bounds, new_client
from scheduler.errors import CouldNot
from scheduler.weather.mqtt import readings
from scheduler.weather.mqtt.readings import Message

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from scheduler.model import SourceSpec

log = logging.getLogger(__name__)

KEEPALIVE_SECONDS = 60
RECONNECT_SECONDS = (1, 60)
MOST_WAITING = 2000  # messages; older ones go first
SAME_SECONDS = 5.0  # receivers repeat each message two or three times
GATHER_SECONDS = 0.5  # messages that come together are written together
SWEEP_SECONDS = 6 * 3600.0
JOIN_SECONDS = 5.0
BURST_BYTES = 2_000_000
BYTES_A_SECOND = 500.0  # a talkative station sends a fifth of it; the card must last
Obstacle = Literal["broker", "disk", "rate"]


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Listener:
    """One topic, appended to one file of the data folder from `start` to `stop`."""

    def __init__(
        self,
        topic: str,
        broker: Mapping[str, Any],
        data_folder: Path,
        *,
        environ: Mapping[str, str] | None = None,
        now: Callable[[], datetime] = _utc_now,
        monotonic: Callable[[], float] = time.monotonic,
        reconnect_seconds: tuple[int, int] = RECONNECT_SECONDS,
    ) -> None:
        self.topic = topic
        self.path = readings.path_for(data_folder, topic)
        self.problem: str | None = None
        """What stands in the way now, for people; None while all is well."""
        self._obstacle: Obstacle | None = None
        self.written = 0
        self.lost = 0
        self._broker = broker
        self._environ = os.environ if environ is None else environ
        self._now = now
        self._monotonic = monotonic
        self._reconnect = reconnect_seconds
        self._waiting: deque[Message] = deque()
        self._news = threading.Condition()
        self._over = False
        self._latest: dict[tuple[str, str], float] = {}
        self._allowed, self._allowed_at = float(BURST_BYTES), monotonic()
        self._client: Client | None = None
        self._writer = threading.Thread(target=self._write_on, name=f"readings {topic}", daemon=True)

    def start(self) -> None:
        """Returns at once; an absent broker is tried again and again. Raises CouldNot without the library."""
        client = _client(self._broker, self._environ)
        client.reconnect_delay_set(*self._reconnect)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._client = client
        self._writer.start()
        _connect(client, self._broker)

    def stop(self) -> None:
        """Nothing that came is lost. Never raises, and never waits for long."""
        client, self._client = self._client, None
        if client is not None:
            try:
                client.disconnect()
                _end_loop(client)
            except Exception:
                log.exception("readings of %s: the connection did not end well", self.topic)
        with self._news:
            self._over = True
            self._news.notify_all()
        if self._writer.is_alive():
            self._writer.join(JOIN_SECONDS)

    # --- called by the client library ------------------------------------------------------------

    def _on_connect(self, client: Client, _: object, __: object, code: ReasonCode, *_more: object) -> None:
        try:
            if code.is_failure:
                self._trouble(f"the broker refuses the connection: {code}")
            else:
                client.subscribe(self.topic, qos=1)
        except Exception:
            log.exception("readings of %s: could not subscribe", self.topic)

    def _on_subscribe(
        self, _: object, __: object, ___: object, codes: list[ReasonCode], *_more: object
    ) -> None:
        try:
            if codes and codes[0].is_failure:
                self._trouble(f"the broker refuses the topic {self.topic}: {codes[0]}")
            else:
                self._trouble(None)
        except Exception:
            log.exception("readings of %s", self.topic)

    def _on_disconnect(self, *_: object) -> None:
        if not self._over and self._client is not None and self.problem is None:
            self._trouble("the connection to the broker broke off")

    def _on_message(self, _: object, __: object, message: MQTTMessage) -> None:
        try:
            self._take(_message(message, self._now()))
        except Exception:
            log.exception("readings of %s: a message was lost", self.topic)

    def _trouble(self, text: str | None, obstacle: Obstacle = "broker") -> None:
        if text != self.problem:
            log.log(
                logging.INFO if text is None else logging.WARNING,
                "readings of %s: %s",
                self.topic,
                text or "heard",
            )
        self.problem = text
        self._obstacle = None if text is None else obstacle

    def _take(self, message: Message | None) -> None:
        if message is None:
            self.lost += 1
            return
        at = self._monotonic()
        with self._news:
            before = self._latest.get((message.topic, message.text))
            self._latest = {key: then for key, then in self._latest.items() if at - then < SAME_SECONDS}
            if before is not None and at - before < SAME_SECONDS:
                return
            if len(self._latest) < MOST_WAITING:
                self._latest[message.topic, message.text] = at
            if not self._has_room(readings.size_of(message), at):
                self.lost += 1
                self._trouble("more comes than a weather station sends: the rest is left out", "rate")
                return
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.popleft()
                self.lost += 1
            self._waiting.append(message)
            self._news.notify_all()

    def _has_room(self, size: int, at: float) -> bool:
        """Whether the card takes that much more now: a burst, then a steady trickle."""
        gained = (at - self._allowed_at) * BYTES_A_SECOND
        self._allowed, self._allowed_at = min(self._allowed + gained, BURST_BYTES), at
        if self._allowed < size:
            return False
        self._allowed -= size
        if self._obstacle == "rate" and self._allowed > BURST_BYTES / 10:
            self._trouble(None)
        return True

    # --- our own thread --------------------------------------------------------------------------

    def _write_on(self) -> None:
        swept: float | None = None
        while True:
            with self._news:
                self._news.wait_for(lambda: bool(self._waiting) or self._over, SWEEP_SECONDS)
                over = self._over
            if not over:
                time.sleep(GATHER_SECONDS)
            with self._news:
                batch = list(self._waiting)
                self._waiting.clear()
            self._write(batch)
            if over and not self._waiting:
                return
            if swept is None or self._monotonic() - swept > SWEEP_SECONDS:
                swept = self._monotonic()
                self._sweep()

    def _write(self, batch: list[Message]) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            readings.append(self.path, batch)
            if readings.is_too_large(self.path):
                self._sweep()
            self.written += len(batch)
            if batch and self._obstacle == "disk":
                self._trouble(None)
        except Exception as problem:  # a full card must not end the listening
            self.lost += len(batch)
            self._trouble(f"readings cannot be written: {problem}", "disk")

    def _sweep(self) -> None:
        try:
            readings.drop_old(self.path, self._now())
        except Exception as problem:
            log.warning("readings of %s: old ones cannot be dropped: %s", self.topic, problem)


def _message(message: MQTTMessage, now: datetime) -> Message | None:
    """None for a payload that is too long to be a reading."""
    payload = bytes(message.payload)
    if len(payload) > readings.MOST_PAYLOAD:
        return None
    return Message(now, message.topic, payload.decode("utf-8", errors="replace"), bool(message.retain))


class Listeners:
    """All of a garden's listeners."""

    def __init__(self, listeners: Iterable[Listener] = ()) -> None:
        self.all = tuple(listeners)

    def problems(self) -> list[str]:
        return [f"mqtt {listener.topic}: {listener.problem}" for listener in self.all if listener.problem]

    def stop(self) -> None:
        for listener in self.all:
            listener.stop()


def start_listeners(
    garden_sources: Iterable[SourceSpec],
    broker: Mapping[str, Any] | None,
    data_dir: Path | str,
    environ: Mapping[str, str],
) -> Listeners:
    """A running listener for each mqtt source. Never raises: what cannot be started is in `problems()`."""
    started = []
    for topic in dict.fromkeys(
        str(spec.settings.get("topic")) for spec in garden_sources if spec.kind == "mqtt"
    ):
        listener = Listener(topic, broker or {}, Path(data_dir), environ=environ)
        started.append(listener)
        try:
            if not broker:
                raise CouldNot("garden.yaml names no broker")
            listener.start()
        except CouldNot as problem:
            listener.problem = problem.text
            log.warning("readings of %s: %s", topic, problem.text)
        except Exception as problem:
            listener.problem = f"cannot be listened to ({type(problem).__name__}: {problem})"
            log.exception("readings of %s", topic)
    return Listeners(started)


# --- once, for the daily job -----------------------------------------------------------------------


def hear(
    topic: str,
    broker: Mapping[str, Any],
    *,
    environ: Mapping[str, str],
    seconds: float = 5.0,
    quiet_seconds: float = 1.0,
    now: Callable[[], datetime] = _utc_now,
) -> list[Message]:
    """What the broker has kept of a topic, and whatever else comes meanwhile. Raises CouldNot.

    Ends `quiet_seconds` after the last message, and after `seconds` in any case.
    """
    client = _client(broker, environ)
    hearing = _Hearing(topic, client, now)
    _connect(client, broker)
    hearing.wait(seconds, quiet_seconds)
    client.disconnect()
    _end_loop(client)
    where = "{}:{}".format(*address(broker))
    if hearing.refused is not None:
        raise CouldNot(f"the broker at {where} refuses the connection: {hearing.refused}")
    if hearing.latest is None:
        raise CouldNot(f"the broker at {where} cannot be reached", hint="is it running?")
    return list(hearing.messages)


class _Hearing:
    """One topic heard for a moment; the client library calls in from its own thread."""

    def __init__(self, topic: str, client: Client, now: Callable[[], datetime]) -> None:
        self.messages: deque[Message] = deque(maxlen=MOST_WAITING)
        self.refused: str | None = None
        self.latest: float | None = None  # monotonic: the subscription, then each message
        self._topic, self._now = topic, now
        self._over = False
        self._news = threading.Condition()
        client.on_connect = self._on_connect
        client.on_connect_fail = lambda *_: self._end()
        client.on_subscribe = lambda *_: self._came()
        client.on_message = self._on_message

    def wait(self, seconds: float, quiet_seconds: float) -> None:
        """Until nothing came for `quiet_seconds`, at most `seconds`."""
        deadline = time.monotonic() + seconds
        with self._news:
            while (left := deadline - time.monotonic()) > 0 and not self._over:
                if self.latest is not None and time.monotonic() - self.latest >= quiet_seconds:
                    break
                self._news.wait(min(left, quiet_seconds / 4))

    def _came(self) -> None:
        with self._news:
            self.latest = time.monotonic()
            self._news.notify_all()

    def _end(self) -> None:
        with self._news:
            self._over = True
            self._news.notify_all()

    def _on_connect(self, client: Client, _: object, __: object, code: ReasonCode, *_more: object) -> None:
        if code.is_failure:
            self.refused = self.refused or str(code)
            self._end()
        else:
            client.subscribe(self._topic, qos=1)

    def _on_message(self, _: object, __: object, message: MQTTMessage) -> None:
        try:
            if (kept := _message(message, self._now())) is not None:
                self.messages.append(kept)
                self._came()
        except Exception:
            log.exception("readings of %s: a message was lost", self._topic)


def _connect(client: Client, broker: Mapping[str, Any]) -> None:
    """Returns at once; the library's own thread connects."""
    client.connect_async(*address(broker), KEEPALIVE_SECONDS, clean_start=True, properties=bounds())
    client.loop_start()


def _end_loop(client: Client) -> None:
    """The library joins its thread without a limit; it may hang in a name look-up."""
    ending = threading.Thread(target=client.loop_stop, name="readings end", daemon=True)
    ending.start()
    ending.join(JOIN_SECONDS)


def _client(broker: Mapping[str, Any], environ: Mapping[str, str]) -> Client:
    client = new_client(broker, environ, who="mqtt stations")
    client.suppress_exceptions = True
    client.connect_timeout = JOIN_SECONDS
    return client


def quiet_since(messages: Iterable[Message], now: datetime) -> timedelta | None:
    """How long ago the newest message came; None without any."""
    latest = max(
        (m.received_at for m in messages if m.received_at <= now + timedelta(minutes=10)), default=None
    )
    return None if latest is None else max(now - latest, timedelta())
