"""Tells somebody, in the way of garden.yaml's `notify`: seldom enough that it is still read."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from scheduler.broker import address, login
from scheduler.service.child import tell_child
from scheduler.service.http_call import http_call
from scheduler.service.notices import Notice

log = logging.getLogger(__name__)

AGAIN_S = 6 * 3600.0  # the same matter is told once in so long
HOUR_S = 3600.0
MOST_AN_HOUR = 10
LIMIT_S = 20.0


@dataclass(slots=True)
class Limit:
    """Pure: may this be sent now?"""

    _told: dict[tuple[str, str], float] = field(default_factory=dict)
    _sent: deque[float] = field(default_factory=deque)

    def allows(self, matter: tuple[str, str], now: float) -> bool:
        self._told = {k: at for k, at in self._told.items() if now < at + AGAIN_S}
        while self._sent and now >= self._sent[0] + HOUR_S:
            self._sent.popleft()
        if matter in self._told or len(self._sent) >= MOST_AN_HOUR:
            return False
        self._told[matter] = now
        self._sent.append(now)
        return True


class Alarms:
    """Sends from a thread of its own: nothing waits for it."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._environ = environ
        self._how: Mapping[str, Any] | None = None
        self._broker: Mapping[str, Any] = {}
        self._garden = ""
        self._limit = Limit()
        self._texts: queue.Queue[str | None] = queue.Queue(100)
        self._thread: threading.Thread | None = None
        self.failure: str | None = None

    def use(self, how: Mapping[str, Any] | None, broker: Mapping[str, Any] | None, garden: str) -> None:
        self._how, self._broker, self._garden = how, broker or {}, garden
        if how is not None and self._thread is None:
            self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)
            self._thread.start()

    def tell(self, notice: Notice) -> None:
        if self._how is None or not self._limit.allows(notice.matter, time.monotonic()):
            return
        try:
            self._texts.put_nowait(f"{self._garden}: {notice.text}")
        except queue.Full:
            log.warning("too many alarms wait: %s", notice.text)

    def close(self) -> None:
        if self._thread is not None:
            try:
                self._texts.put_nowait(None)
            except queue.Full:
                return
            self._thread.join(2.0)

    def _run(self) -> None:
        while (text := self._texts.get()) is not None:
            how = self._how
            if how is None:
                continue
            try:
                send(text, how, self._broker, self._environ)
                self.failure = None
            except Exception as error:
                self.failure = f"{type(error).__name__}: {error}"
                log.warning("an alarm could not be sent (%s): %s", self.failure, text)


def send(text: str, how: Mapping[str, Any], broker: Mapping[str, Any], environ: Mapping[str, str]) -> None:
    """Once, within LIMIT_S. Raises whatever stood in the way."""
    if "command" in how:
        _command(text, how["command"], environ)
    elif "http" in how:
        _http(text, how["http"])
    else:
        _mqtt(text, how["mqtt"]["topic"], broker, environ)


def _command(text: str, argv: list[str], environ: Mapping[str, str]) -> None:
    ended = tell_child(argv, LIMIT_S, f"{text}\n", environ=environ)
    if ended.status is None:
        raise RuntimeError(ended.err)
    if ended.status:
        raise RuntimeError(f"{argv[0]} ended with status {ended.status}")


def _http(text: str, call: Mapping[str, Any]) -> None:
    from urllib.parse import quote

    method, body = str(call.get("method", "POST")), call.get("body")
    whole = None if method == "GET" else text
    body = whole if body is None else str(body).replace("{text}", text)
    url = str(call["url"]).replace("{text}", quote(text))
    plain = {"Content-Type": "text/plain; charset=utf-8"}
    http_call(url, method=method, body=body, limit_s=LIMIT_S, headers=plain)


def _mqtt(text: str, topic: str, broker: Mapping[str, Any], environ: Mapping[str, str]) -> None:
    from paho.mqtt import publish

    known, (host, port) = login(broker, environ), address(broker)
    auth = None if known is None else {"username": known[0], "password": known[1]}
    publish.single(
        topic, text, qos=1, hostname=host, port=port,
        auth=auth,  # type: ignore[arg-type]  # its own type is private
    )  # fmt: skip
