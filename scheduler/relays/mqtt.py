"""A relay behind a message broker.

- A frozen broker that has the bytes acts on them when it thaws. So an open is sent only to a broker that
  answered a moment ago, and where it fails all the same the will, close, follows it at once (see `broker`).
- A relay that was away must not get an old open: nothing is retained, and an open expires at the broker.
- A lost connection makes the broker publish the will, so the relay closes: `doubt` says so.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from scheduler.relays.base import LIMIT_S, Doubt, Site, ValveFailed, whole_seconds
from scheduler.relays.broker import Connection

OPEN_EXPIRES_S = 10


@dataclass(frozen=True, slots=True)
class _Messages:
    """What is said where; (topic, payload) in order."""

    opening: Callable[[int], Sequence[tuple[str, str]]]
    closing: tuple[str, str]


def driver(key: str, settings: Mapping[str, Any], site: Site) -> MqttValve:
    return MqttValve(key, settings, site.broker, site.environ)


class MqttValve:
    """settings: {"topic", "convention": "homie", "duration": a topic, "state_topic": a topic, "limit_s": 10}.

    The topic gets {"open": true, "seconds": 600} or {"open": false}. Under the open Homie convention
    (versions 4 and 5) it names a property, whose /set gets true or false, after the seconds went to the
    property `duration`, if there is one. With `state_topic` a command counts once the relay itself reports
    the new state there; it must report after every command, also where nothing changes. Else the broker's
    acknowledgement counts, and that somebody is subscribed.
    """

    simulated = False

    def __init__(
        self,
        key: str,
        settings: Mapping[str, Any],
        broker: Mapping[str, Any] | None,
        environ: Mapping[str, str] = os.environ,
    ) -> None:
        self.key = key
        self.limit_s = float(settings.get("limit_s", LIMIT_S))
        if broker is None:
            hint = "garden.yaml needs broker: {host: ...}"
            raise ValveFailed(f"{key}: no broker is named", hint=hint, may_act=False)
        self._broker = {"port": 1883, **broker, "host": str(broker["host"])}
        self._client_id = f"rowwater-{os.getpid()}-{secrets.token_hex(4)}"
        self._environ = environ
        self._messages = _messages(settings)
        self._state_topic: str | None = settings.get("state_topic")
        self._connection: Connection | None = None
        self._opened = False
        self._doubt: Doubt | None = None
        self._heard: Callable[[bool], None] = lambda _: None
        self._lost: Callable[[], None] = lambda: None

    def open(self, seconds: float) -> None:
        count = whole_seconds(self.key, seconds)
        self._doubt = None
        with self._connected() as (connection, deadline):
            connection.prove_alive(deadline)
            self._opened = True
            connection.command(self._messages.opening(count), True, deadline, expires_s=OPEN_EXPIRES_S)

    def close(self) -> None:
        with self._connected() as (connection, deadline):
            connection.command([self._messages.closing], False, deadline)
            self._opened = False

    def listen(self, heard: Callable[[bool], None], lost: Callable[[], None]) -> None:
        """From the next connection on: what the relay reports on `state_topic`, asked or not; its end."""
        self._heard, self._lost = heard, lost

    @property
    def doubt(self) -> Doubt | None:
        """A relay that was open met the will when its connection or ours was lost, or may have."""
        way = self._connection
        if self._doubt is None and self._opened and way is not None and way.over is not None:
            why = f"the connection to the broker was lost while it was open ({way.over})"
            self._doubt = Doubt(why, way.heard_at)
        return self._doubt

    def release(self) -> None:
        self.close()  # where it fails, the connection is dropped already
        connection, self._connection = self._connection, None
        assert connection is not None
        connection.goodbye()

    @contextlib.contextmanager
    def _connected(self) -> Iterator[tuple[Connection, float]]:
        """A live connection, and the deadline of the whole command; aborted on every failure."""
        deadline = time.monotonic() + self.limit_s
        if self._connection is not None and self._connection.over is not None:
            self._drop()
        if self._connection is None:
            self._connection = Connection(
                self._broker,
                self._client_id,
                self._environ,
                will=self._messages.closing,
                state_topic=self._state_topic,
                heard=self._heard,
                lost=self._lost,
            )
        try:
            self._connection.wait_until_up(deadline)
            yield self._connection, deadline
        except BaseException:
            self._drop()
            raise

    def _drop(self) -> None:
        """A relay that was open meets the will now, at the latest."""
        assert self._connection is not None
        self._connection.abort()
        self._doubt = self.doubt
        self._connection = None


def _messages(settings: Mapping[str, Any]) -> _Messages:
    topic = str(settings["topic"])
    if settings.get("convention") != "homie":
        return _Messages(
            lambda seconds: [(topic, json.dumps({"open": True, "seconds": seconds}))],
            (topic, json.dumps({"open": False})),
        )
    command = to_set(topic)
    duration = settings.get("duration")
    return _Messages(
        lambda seconds: [*([(to_set(duration), str(seconds))] if duration else []), (command, "true")],
        (command, "false"),
    )


def to_set(topic: str) -> str:
    """Where a Homie property takes its commands."""
    return topic if topic.endswith("/set") else f"{topic}/set"
