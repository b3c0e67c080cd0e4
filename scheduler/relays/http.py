"""A relay on the network that is switched by a call.

The standard library's client, because it shows each step: nothing may be sent once the time is up, and a
relay's plain answer needs no redirects, proxies or cookies. Its time limit is per read, so a server that
drips bytes, or a name look-up that hangs, would outlive it: each call runs in a thread that is cut off.

The thread and a socket for the close are there before the open is sent (`spare`), and the address then
reached is kept: no name server is needed to close.
"""

from __future__ import annotations

import base64
import contextlib
import logging
import queue
import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Any
from urllib.parse import SplitResult, quote, unquote, urlsplit

from scheduler.json_reading import read_json
from scheduler.relays.base import LIMIT_S, Site, ValveFailed, whole_seconds
from scheduler.relays.reported import read_state
from scheduler.relays.spare import SpareSocket, SpareThread
from scheduler.secret import secret

log = logging.getLogger(__name__)

STATE_BYTES = 65_536  # of the answer to a question for the state
ABORT = struct.pack("ii", 1, 0)  # SO_LINGER: what is not sent yet is dropped, not sent later


def driver(key: str, settings: Mapping[str, Any], site: Site) -> HttpValve:
    return HttpValve(key, settings, site.zones, site.environ)


class HttpValve:
    """settings: {"open": {"method", "url", "body", "headers"}, "close": {...}, "state": {..., "field"},
    "limit_s": 10}.

    {seconds} and {zone} are filled into url and body. A header is its text, or where its secret is kept:
    {"env": a variable of the service} or {"file": path}, looked up at each call. Only an answer 2xx confirms.
    `state` answers whether it is open (`reported`), in the JSON field that is named, if one is.
    """

    simulated = False

    def __init__(
        self, key: str, settings: Mapping[str, Any], zones: Sequence[str], environ: Mapping[str, str]
    ) -> None:
        self._thread = SpareThread(f"valve {key}"[:60])
        self._way = _Way()
        self._state_way = _Way()
        self.key = key
        self.limit_s = float(settings.get("limit_s", LIMIT_S))
        self._calls = {name: settings[name] for name in ("open", "close")}
        self.reads_state = "state" in settings
        if self.reads_state:
            self._calls["state"] = settings["state"]
        self._zone = ",".join(zones)
        self._environ = environ

    def open(self, seconds: float) -> None:
        try:
            self._thread.prepare()
        except RuntimeError as problem:
            text = f"no thread to call {self.key} with: {problem}"
            raise ValveFailed(text, may_act=False) from problem
        request = self._request("open", whole_seconds(self.key, seconds))
        self._way.give_up()
        same = request.server == self._request("close", 0).server
        self._command(request, self._way.keep if same else _nothing)

    def close(self) -> None:
        self._command(self._request("close", 0), _nothing)

    def state(self, limit_s: float) -> bool | None:
        """With a thread and a way of its own: the command's are left to the close."""
        thread, limit_s = SpareThread(f"state {self.key}"[:60]), min(limit_s, self.limit_s)
        exchange = _Exchange(self._request("state", 0), limit_s, self._state_way, read_bytes=STATE_BYTES)
        try:
            exchange.wait(thread)
        finally:
            thread.give_up()
        return read_state(exchange.body, self._calls["state"].get("field"))

    def release(self) -> None:
        try:
            self.close()
        finally:
            self._give_up()

    def __del__(self) -> None:
        """Forgotten by its owner, it leaves no thread behind."""
        self._give_up()

    def _give_up(self) -> None:
        self._thread.give_up()
        self._way.give_up()

    def _request(self, name: str, seconds: int) -> _Request:
        return _request(self._calls[name], str(seconds), self._zone, self._environ)

    def _command(self, request: _Request, before_sending: Callable[[socket.socket], None]) -> None:
        _Exchange(request, self.limit_s, self._way, before_sending).wait(self._thread)


def _refuses(status: int) -> bool:
    """Nothing was done, the fault is the caller's (RFC 9110, 15.5); of 408, too slow a call, nobody knows."""
    return 400 <= status < 500 and status != 408


@dataclass(frozen=True, slots=True)
class _Request:
    secure: bool
    host: str
    port: int | None
    method: str
    target: str
    body: bytes | None
    headers: Mapping[str, str] = field(repr=False)

    @property
    def server(self) -> tuple[bool, str, int | None]:
        return self.secure, self.host, self.port


def _nothing(_: socket.socket) -> None:
    pass


def _request(call: Mapping[str, Any], seconds: str, zone: str, environ: Mapping[str, str]) -> _Request:
    url = _filled(str(call["url"]), seconds, quote(zone, safe=""))
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError as problem:
        raise ValveFailed(f"{url} is no address: {problem}", may_act=False) from None
    if parts.scheme not in ("http", "https") or not host:
        raise ValveFailed(f"{url} is no address that starts with http:// or https://", may_act=False)
    body = call.get("body")
    text = None if body is None else _filled(str(body), seconds, zone)
    target = quote(parts.path or "/", safe="/%:@!$&'()*+,;=~")
    if parts.query:
        target += "?" + quote(parts.query, safe="/?%:@!$&'()*+,;=~[]")
    own = {"Connection": "close", "User-Agent": "rowwater", **_authorization(parts), **_kind(text)}
    given = {name: _header(name, value, environ) for name, value in call.get("headers", {}).items()}
    folded = {name.casefold() for name in given}
    return _Request(
        parts.scheme == "https", host, port, str(call.get("method") or ("GET" if text is None else "POST")),
        target, None if text is None else text.encode(),
        {name: value for name, value in own.items() if name.casefold() not in folded} | given,
    )  # fmt: skip


def _header(name: str, value: str | Mapping[str, str], environ: Mapping[str, str]) -> str:
    """The text of a header line; a failure never says what the secret is."""
    if isinstance(value, str):
        text, where = value, "its text"
    elif "env" in value:
        where = f"the environment variable {value['env']}"
        if value["env"] not in environ:
            text = f"header {name}: the service has no environment variable {value['env']}"
            raise ValveFailed(text, may_act=False)
        text = environ[value["env"]]
    else:
        where = f"the file {value['file']}"
        try:
            text = secret(value["file"], environ)
        except (OSError, ValueError) as problem:
            why = problem.strerror if isinstance(problem, OSError) else "it is no text"
            raise ValveFailed(f"header {name}: {where} cannot be read: {why}", may_act=False) from None
    if not text.strip() or not text.isprintable() or not text.isascii():
        text = f"header {name}: {where} is empty, or holds what no header line can"
        raise ValveFailed(text, may_act=False)
    return text


def _filled(text: str, seconds: str, zone: str) -> str:
    """Only these two: other braces belong to a JSON body."""
    return text.replace("{seconds}", seconds).replace("{zone}", zone)


def _authorization(parts: SplitResult) -> dict[str, str]:
    if parts.username is None:
        return {}
    login = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
    return {"Authorization": "Basic " + base64.b64encode(login.encode()).decode()}


def _kind(body: str | None) -> dict[str, str]:
    if body is None:
        return {}
    try:
        read_json(body)
    except ValueError:
        return {"Content-Type": "text/plain; charset=utf-8"}
    return {"Content-Type": "application/json"}


class _Way:
    """How the close reaches its relay: the address that the open reached, a socket, and what TLS needs."""

    def __init__(self) -> None:
        self._spare: SpareSocket | None = None
        self._context: ssl.SSLContext | None = None

    @property
    def context(self) -> ssl.SSLContext:
        """Kept: making one reads the disk."""
        if self._context is None:
            self._context = ssl.create_default_context()
            self._context.set_alpn_protocols(["http/1.1"])
        return self._context

    def keep(self, reached: socket.socket) -> None:
        """Before the open goes out on this connection. Raises OSError: then it must not."""
        self.give_up()
        self._spare = SpareSocket(reached)

    def connected(self, seconds: float) -> socket.socket | None:
        """None where there is no such way, or no longer."""
        if self._spare is None:
            return None
        try:
            return self._spare.connect(seconds)
        except OSError as problem:
            log.debug("not by the address that was reached before: %s", problem)
            self.give_up()
            return None

    def give_up(self) -> None:
        spare, self._spare = self._spare, None
        if spare is not None:
            spare.give_up()


class _Exchange:
    """One call; `body` gets the first bytes of the answer, as many as are asked for."""

    def __init__(
        self,
        request: _Request,
        limit_s: float,
        way: _Way,
        before_sending: Callable[[socket.socket], None] = _nothing,
        *,
        read_bytes: int = 0,
    ) -> None:
        self.body = b""
        self._outcome: queue.SimpleQueue[int | Exception] = queue.SimpleQueue()
        self._request = request
        self._limit_s = limit_s
        self._deadline = time.monotonic() + limit_s
        self._way = way
        self._before_sending = before_sending
        self._read_bytes = read_bytes
        self._begin = threading.Lock()
        self._abandoned = False
        self._sent = False
        self._socket: socket.socket | None = None

    def wait(self, thread: SpareThread) -> None:
        """Until it is answered, with 2xx. Raises ValveFailed."""
        host = self._request.host
        outcome: int | Exception = TimeoutError()
        try:
            thread.do(self._run)
            with contextlib.suppress(queue.Empty):
                outcome = self._outcome.get(timeout=self._limit_s)
        finally:
            sent = self._abandon()
        if isinstance(outcome, TimeoutError):
            raise ValveFailed(f"{host} did not answer within {self._limit_s:g} s", may_act=sent)
        if isinstance(outcome, Exception):
            text = f"{host}: {outcome or type(outcome).__name__}"
            raise ValveFailed(text, may_act=sent) from outcome
        if not 200 <= outcome < 300:
            text = f"{host} answered {outcome}: only 2xx confirms"
            raise ValveFailed(text, may_act=not _refuses(outcome))

    def _run(self) -> None:
        try:
            self._outcome.put(self._status())
        except Exception as problem:  # must reach the waiting side, whatever it is
            self._outcome.put(problem)

    def _status(self) -> int:
        request = self._request
        with contextlib.closing(self._connection()) as connection:
            connection.sock = self._socket = self._link()
            self._still_wanted()
            self._before_sending(self._socket)
            if request.secure:
                self._socket.settimeout(self._left())
                secured = self._way.context.wrap_socket(self._socket, server_hostname=request.host)
                connection.sock = self._socket = secured
            self._socket.settimeout(self._left())
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, ABORT)
            with self._begin:
                self._still_wanted()
                self._sent = True
            connection.request(request.method, request.target, request.body, dict(request.headers))
            answer = connection.getresponse()
            if self._read_bytes:
                self.body = answer.read(self._read_bytes)
            return answer.status

    def _connection(self) -> HTTPConnection:
        request = self._request
        if request.secure:
            return HTTPSConnection(request.host, request.port, context=self._way.context)
        return HTTPConnection(request.host, request.port)

    def _link(self) -> socket.socket:
        """By the way that is kept, with half of the time; else by the name."""
        request = self._request
        port = request.port or (443 if request.secure else 80)
        by_way = self._way.connected(self._left() / 2)
        return by_way or socket.create_connection((request.host, port), self._left())

    def _still_wanted(self) -> None:
        if self._abandoned:  # the name look-up or the connection took too long
            raise HTTPException("nobody waits for it any more")

    def _left(self) -> float:
        return max(self._deadline - time.monotonic(), 0.001)

    def _abandon(self) -> bool:
        """Wake the thread if it still reads; it then drops the connection, with what was not sent. Returns
        whether anything may have been sent.
        """
        with self._begin:
            self._abandoned = True
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RD)
        return self._sent
