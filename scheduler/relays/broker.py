"""One connection to a message broker, over MQTT 5, that never outlives a doubt.

A message that nobody acknowledged in time must not go out later, and the client library would send it again
on its next connection. So a connection ends with the first failure: unsent bytes are dropped, the library's
queue with them, and the broker, which sees an unclean end, publishes the will. Where it does not see it, the
next connection, under the same client id, makes it publish the will before anything else is said.
"""

from __future__ import annotations

import contextlib
import logging
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

from scheduler.broker import bounds, new_client
from scheduler.errors import CouldNot
from scheduler.relays.base import LIMIT_S, ValveFailed
from scheduler.relays.reported import read_state

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

log = logging.getLogger(__name__)

KEEPALIVE_S = 10
_ABORT = struct.pack("ii", 1, 0)  # SO_LINGER: unsent bytes are dropped on close, not sent later
_TICK_S = 1.0  # how often the keepalive is looked after
_JOIN_S = 0.5  # a thread that hangs in a name look-up is left behind


class Connection:
    """One connection to the broker with a thread of its own; it never comes back once it is over."""

    def __init__(
        self,
        broker: Mapping[str, Any],
        client_id: str,
        environ: Mapping[str, str],
        *,
        will: tuple[str, str],
        state_topic: str | None,
        heard: Callable[[bool], None] = lambda _: None,
        lost: Callable[[], None] = lambda: None,
    ) -> None:
        """heard: called with what the relay reports on the state topic; lost: once it is over, however it
        ended. Both must come back at once.
        """
        self._host, self._port = broker["host"], int(broker["port"])
        self._where = f"{self._host}:{self._port}"
        self._state_topic = state_topic
        self._heard = heard
        self._lost = lost
        self.heard_at = time.monotonic()  # the latest moment at which it surely was a connection
        self._news = threading.Condition()
        self._up = False
        self.over: str | None = None
        self._answers: dict[int, ReasonCode | None] = {}  # by message number
        self._reported: bool | None = None
        self._client = self._new_client(broker, client_id, environ, will)
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_write.setblocking(False)
        self._thread = threading.Thread(target=self._run, name=f"broker {self._where}", daemon=True)
        self._thread.start()

    def _new_client(
        self, broker: Mapping[str, Any], client_id: str, environ: Mapping[str, str], will: tuple[str, str]
    ) -> Client:
        try:
            client = new_client(
                broker, environ, who="mqtt valves", client_id=client_id, reconnect_on_failure=False,
            )  # fmt: skip
        except CouldNot as problem:
            raise ValveFailed(problem.text, hint=problem.hint, may_act=False) from problem
        client.will_set(will[0], will[1], qos=1, retain=False)
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_unsubscribe = self._on_unsubscribe
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    # --- asked by the valve ----------------------------------------------------------------------

    def wait_until_up(self, deadline: float) -> None:
        self._wait(lambda: self._up, deadline, "cannot be reached", may_act=False)

    def prove_alive(self, deadline: float) -> None:
        """One question and its answer: no open goes to a broker that is frozen or out of reach."""
        _, number = self._client.unsubscribe("rowwater/alive")  # never subscribed to: only the answer counts
        self._answer(number, deadline, "does not answer", may_act=False)

    def command(
        self, messages: Sequence[tuple[str, str]], opened: bool, deadline: float, expires_s: int | None = None
    ) -> None:
        """Publish, QoS 1, never retained; returns when the broker confirms, and the relay too where it has a
        topic for that.
        """
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        with self._news:
            self._reported = None
            self._answers.clear()
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # the library's
        if expires_s is not None:
            properties.MessageExpiryInterval = expires_s
        for topic, payload in messages:
            sent = self._client.publish(topic, payload, qos=1, retain=False, properties=properties)
            code = self._answer(sent.mid, deadline, "does not acknowledge")
            if code is not None and code.is_failure:
                text = f"the broker at {self._where} refuses {topic}: {code}"
                raise ValveFailed(text, may_act=False)
            if code is not None and code.getName() == "No matching subscribers":
                text = f"no relay is subscribed to {topic} at {self._where}"
                raise ValveFailed(text, may_act=False)
        if self._state_topic is not None:
            self._wait(
                lambda: self._reported is opened, deadline, f"brought no report on {self._state_topic}"
            )

    def goodbye(self) -> None:
        """A clean end: the broker drops the will."""
        self._client.disconnect()
        self._finish("closed")
        self._thread.join(_JOIN_S)

    def abort(self) -> None:
        """An unclean end, on purpose: nothing more goes out, and the broker publishes the will."""
        self._finish("given up")
        self._thread.join(_JOIN_S)

    # --- inside ----------------------------------------------------------------------------------

    def _answer(
        self, number: int | None, deadline: float, otherwise: str, *, may_act: bool = True
    ) -> ReasonCode | None:
        self._wake()  # a packet that did not go out whole is the thread's to finish
        self._wait(lambda: number in self._answers, deadline, otherwise, may_act=may_act)
        return None if number is None else self._answers[number]

    def _wait(
        self, come: Callable[[], bool], deadline: float, otherwise: str, *, may_act: bool = True
    ) -> None:
        with self._news:
            self._news.wait_for(lambda: come() or self.over is not None, max(deadline - time.monotonic(), 0))
            if not come():
                text = f"the broker at {self._where} {self.over or otherwise}"
                raise ValveFailed(text, may_act=may_act)

    def _finish(self, reason: str) -> None:
        with self._news:
            if self.over is None:
                self.over = reason
            self._news.notify_all()
        self._wake()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_write.send(b"w")

    def _run(self) -> None:
        try:
            self._client.connect_timeout = LIMIT_S
            self._client.connect(self._host, self._port, KEEPALIVE_S, clean_start=True, properties=bounds())
            self._serve()
        except Exception as problem:  # also from the callbacks: nothing here ends in silence
            log.debug("broker %s", self._where, exc_info=True)
            self._finish(f"cannot be talked to ({type(problem).__name__}: {problem})")
        finally:
            self._finish("broke off")
            if (left := self._client.socket()) is not None:
                cast(socket.socket, left).setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _ABORT)
                left.close()
            self._wake_read.close()
            self._wake_write.close()
            self._lost()

    def _serve(self) -> None:
        """Feed the client until the connection is over."""
        link = self._client.socket()
        while self.over is None and link is not None:
            news = select.poll()
            news.register(self._wake_read, select.POLLIN)
            news.register(link, select.POLLIN | (select.POLLOUT if self._client.want_write() else 0))
            ready = dict(news.poll(_TICK_S * 1000))
            if ready.pop(self._wake_read.fileno(), 0):
                self._wake_read.recv(4096)
            for events in ready.values():
                if events & select.POLLOUT:
                    self._client.loop_write()
                if events & ~select.POLLOUT:
                    self._read()
            self._client.loop_misc()
            link = self._client.socket()

    def _read(self) -> None:
        """A broker that hears nothing ends a connection after one and a half keepalives (MQTT 5.0, 3.1.2.10).
        So the news of an end is no older than itself only where the broker was heard shortly before.
        """
        at = time.monotonic()
        self._client.loop_read()
        ended = self.over is not None or self._client.socket() is None
        if not ended or at <= self.heard_at + KEEPALIVE_S + 2 * _TICK_S:
            self.heard_at = at

    # --- what the client tells; always from inside its loop ------------------------------------------

    def _on_socket_open(self, *_: object) -> None:
        if self.over is not None:  # given up while the name was looked up: nothing is sent any more
            raise ConnectionAbortedError(self.over)

    def _on_connect(self, client: Client, _: object, __: object, code: ReasonCode, *_more: object) -> None:
        if code.is_failure:
            self._finish(f"refuses the connection: {code}")
        elif self._state_topic is not None:
            client.subscribe(self._state_topic, qos=1)
        else:
            self._now_up()

    def _on_subscribe(
        self, _: Client, __: object, ___: int, codes: Sequence[ReasonCode], *_more: object
    ) -> None:
        if codes[0].is_failure:
            self._finish(f"refuses {self._state_topic}: {codes[0]}")
        else:
            self._now_up()

    def _now_up(self) -> None:
        with self._news:
            self._up = True
            self._news.notify_all()

    def _on_publish(self, _: Client, __: object, number: int, code: ReasonCode, *_more: object) -> None:
        self._answered(number, code)

    def _on_unsubscribe(self, _: Client, __: object, number: int, *_more: object) -> None:
        self._answered(number, None)

    def _answered(self, number: int, code: ReasonCode | None) -> None:
        with self._news:
            self._answers[number] = code
            self._news.notify_all()

    def _on_message(self, _: Client, __: object, message: MQTTMessage) -> None:
        if message.retain:  # what was so before we came
            return
        reported = read_state(bytes(message.payload))
        with self._news:
            self._reported = reported
            self._news.notify_all()
        if reported is not None:
            self._heard(reported)

    def _on_disconnect(self, _: Client, __: object, ___: object, code: ReasonCode, *_more: object) -> None:
        self._finish(f"broke off ({code})")
