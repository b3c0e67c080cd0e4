"""The flow meter's door: a running total in liters, read in a thread, judged by `core/health.py`."""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from scheduler.broker import address, bounds, new_client
from scheduler.core.health import Finding, Watch
from scheduler.json_reading import read_json
from scheduler.service.actions import Action, Moment, Tell, Untell
from scheduler.service.child import run_child
from scheduler.service.http_call import http_call
from scheduler.service.ledger import Ledger
from scheduler.service.queues import drained
from scheduler.show import Display, show_flow

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

log = logging.getLogger(__name__)

EVERY_S = 10.0
LIMIT_S = 8.0
KEEPALIVE_S = 30
SILENT_S = 120.0  # a meter that said nothing for so long is out of order
KEPT = 5000  # readings: half a day
Read = Callable[[], float | None]

WORDS = {
    "burst": "a burst or cut line? {names} draws {flow} instead of {expected}: closed",
    "clog": "a clogged filter or line? {names} draws only {flow} instead of {expected}",
    "shut": "no water: {names} is open and draws {flow} instead of {expected}. "
    "Is the tap shut, or its valve stuck?",
    "leak": "a leak? {flow} flow with every valve closed: a leak, or a valve that does not close",
}


class Meter:
    """Readings, and what they mean for the openings in hand. Without settings it does nothing."""

    def __init__(self) -> None:
        self._settings: Mapping[str, Any] | None = None
        self._readings: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._new: queue.SimpleQueue[tuple[float, float]] = queue.SimpleQueue()
        self._watch = Watch()
        self._stop = threading.Event()
        self._last = time.monotonic()
        self._alone: dict[str, bool] = {}  # by opening: no other valve was open meanwhile

    def use(
        self, settings: Mapping[str, Any] | None, broker: Mapping[str, Any] | None, environ: Mapping[str, str]
    ) -> None:
        """The meter of garden.yaml, or none."""
        if settings == self._settings:
            return
        self._stop.set()
        self._settings, self._stop = settings, threading.Event()
        self._readings.clear()
        self._watch = Watch()
        self._last = time.monotonic()
        if settings is not None:
            args = (settings, broker, environ, self._stop)
            threading.Thread(target=self._run, args=args, name="meter", daemon=True).start()

    def close(self) -> None:
        self._stop.set()

    def take(self, mono: float, total_l: float) -> None:
        self._new.put((mono, total_l))

    def look(self, at: Moment, ledger: Ledger, display: Display) -> list[Action]:
        """Take what was read since; what there is to say and to do about it."""
        if self._settings is None:
            return []
        running = {k: h for k, h in ledger.open_runs.items() if h.opened_mono is not None}
        for held in running.values():
            uid = held.opening.uid
            self._alone[uid] = self._alone.get(uid, True) and len(running) == 1
        expected = sum(held.flow_lpm for held in running.values())
        fills = [share.fill_minutes for held in running.values() for share in held.opening.shares]
        actions: list[Action] = []
        for mono, total in drained(self._new):
            self._readings.append((mono, total))
            self._last = mono
            finding = self._watch.read(mono, total, running.keys(), expected, 60 * max(fills, default=0.0))
            if finding is not None:
                actions += self._say(finding, ", ".join(held.names for held in running.values()), display)
                if finding.kind == "burst":
                    actions += ledger.keep_dry(at, list(running), "its flow is far too high")
        silent = at.mono > self._last + SILENT_S
        said = Tell("meter", "look", "the water meter has not answered for some minutes")
        return [*actions, said if silent else Untell("meter")]

    def _say(self, finding: Finding, names: str, display: Display) -> list[Action]:
        flow, expected = (show_flow(lpm, display) for lpm in (finding.flow_lpm, finding.expected_lpm))
        text = WORDS[finding.kind].format(names=names, flow=flow, expected=expected)
        return [Tell("flow", "problem", text, of=finding.kind, detail=names)]

    def liters_of(self, uid: str, opened: float, closed: float) -> float | None:
        """What ran through the meter while this opening lasted; None where it cannot be told apart."""
        alone = self._alone.pop(uid, False)
        settings = self._settings or {}
        if not alone or settings.get("flow_from") == "tape" or not self._readings:
            return None
        first, last = self._total_at(opened), self._total_at(closed)
        if first is None or last is None or last < first:
            return None
        return last - first

    def _total_at(self, mono: float) -> float | None:
        """Between two readings in proportion; after the last one as the flow was, for a moment."""
        before = [r for r in self._readings if r[0] <= mono]
        after = next((r for r in self._readings if r[0] > mono), None)
        if not before or mono - before[-1][0] > 3 * EVERY_S:
            return None
        t0, l0 = before[-1]
        if after is not None:
            return l0 + (after[1] - l0) * (mono - t0) / (after[0] - t0)
        if len(before) < 2 or t0 <= before[-2][0]:
            return l0
        return l0 + (l0 - before[-2][1]) * (mono - t0) / (t0 - before[-2][0])

    # --- reading ---

    def _run(
        self,
        settings: Mapping[str, Any],
        broker: Mapping[str, Any] | None,
        environ: Mapping[str, str],
        stop: threading.Event,
    ) -> None:
        try:
            read = self._reader(settings, broker, environ)
        except Exception as error:
            log.error("the water meter cannot be read: %s", error)
            return
        while not stop.wait(EVERY_S):
            mono = time.monotonic()
            try:
                total = read()
            except Exception as error:
                log.warning("the water meter: %s", error)
                continue
            if total is not None and 0 <= total < 1e12:
                self.take(mono, total)

    def _reader(
        self, settings: Mapping[str, Any], broker: Mapping[str, Any] | None, environ: Mapping[str, str]
    ) -> Read:
        if "command" in settings:
            return lambda: _number(run_child(settings["command"], LIMIT_S, environ=environ).out)
        if "http" in settings:
            return lambda: _number(_http(settings["http"]))
        if "mqtt" in settings:
            return _mqtt_reader(str(settings["mqtt"]["topic"]), broker or {}, environ)
        return _pulse_reader(int(settings["gpio"]), float(settings["liters_per_pulse"]), environ)


def _number(text: str) -> float | None:
    words = text.split()
    return float(words[0]) if words else None


def _said(payload: bytes | bytearray) -> float:
    """A running total in liters, bare or as "liters"; any error where it is none."""
    value = read_json(payload)
    total = float(value["liters"] if isinstance(value, dict) else value)
    if not math.isfinite(total):
        raise ValueError(total)
    return total


def _http(call: Mapping[str, Any]) -> str:
    body = call.get("body")
    return http_call(
        call["url"], method=call.get("method", "GET"), body=None if body is None else str(body),
        limit_s=LIMIT_S,
    )  # fmt: skip


def _mqtt_reader(topic: str, broker: Mapping[str, Any], environ: Mapping[str, str]) -> Read:
    newest: list[float | None] = [None]

    def heard(_: Client, __: object, message: MQTTMessage) -> None:
        try:
            newest[0] = _said(message.payload)
        except Exception:  # whatever the payload: an error here ends the library's thread
            log.warning("the water meter said %r", bytes(message.payload[:80]))

    client = new_client(broker, environ, who="mqtt meters")
    client.on_message = heard
    client.suppress_exceptions = True
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.connect_async(*address(broker), KEEPALIVE_S, clean_start=True, properties=bounds())
    client.loop_start()

    def read() -> float | None:
        value, newest[0] = newest[0], None
        return value

    return read


def _pulse_reader(pin: int, liters_per_pulse: float, environ: Mapping[str, str]) -> Read:
    from importlib import import_module

    from scheduler.relays.gpio import pin_factory

    factory = pin_factory(environ)
    count = [0]
    button = import_module("gpiozero").Button(pin, pull_up=True, bounce_time=0.005, pin_factory=factory)

    def pulse() -> None:
        count[0] += 1

    def read() -> float | None:
        """Holds on to the button: forgotten, it would give up its pin."""
        return None if button.closed else count[0] * liters_per_pulse

    button.when_pressed = pulse
    return read
