"""A relay on HTTP that hangs, drips, fails, sends elsewhere."""

from __future__ import annotations

import errno
import os
import socket
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from relays.tools import RelayServer, answer, free_port, until

from scheduler.relays.base import ValveFailed
from scheduler.relays.http import HttpValve
from scheduler.relays.spare import SpareSocket

ENVIRON = {"RELAY_KEY": "from the environment", "BROKEN": "two\nlines"}


def valve(server: RelayServer, **more: Any) -> HttpValve:
    return HttpValve("http:relay", server.settings(**more), ["bed one", "b&b"], ENVIRON)


def test_seconds_are_filled_in(relay_server: RelayServer) -> None:
    relay = valve(relay_server)
    relay.open(59.1)
    relay.close()
    relay.release()
    assert [call[:3] for call in relay_server.calls] == [
        ("GET", "/relay/1?on=60", ""),
        ("GET", "/relay/1?off", ""),
        ("GET", "/relay/1?off", ""),
    ]


def test_body_zone_headers_and_login(relay_server: RelayServer) -> None:
    """Braces of a JSON body stay; the zone is quoted where it stands in an address."""
    address = relay_server.url("/s/{zone}").replace("http://", "http://me:p%40ss@")
    relay = valve(
        relay_server,
        open={
            "method": "PUT",
            "url": address,
            "body": '{"on": {"for": {seconds}}, "who": "{zone}"}',
            "headers": {"X-Key": "k"},
        },
    )
    relay.open(60)
    method, path, body, headers = relay_server.calls[0]
    assert (method, path) == ("PUT", "/s/bed%20one%2Cb%26b")
    assert body == '{"on": {"for": 60}, "who": "bed one,b&b"}'
    assert headers["Authorization"] == "Basic bWU6cEBzcw=="  # "me:p@ss" in base64, RFC 7617
    assert headers["X-Key"] == "k"
    assert headers["Content-Type"] == "application/json"


def test_a_plain_body_is_posted(relay_server: RelayServer) -> None:
    relay = valve(relay_server, close={"url": relay_server.url(""), "body": "off now"})
    relay.close()
    method, path, body, headers = relay_server.calls[0]
    assert (method, path, body) == ("POST", "/", "off now")
    assert headers["Content-Type"] == "text/plain; charset=utf-8"


def test_secrets_in_header_lines_come_from_the_environment_or_a_file(
    relay_server: RelayServer, tmp_path: Path
) -> None:
    """Looked up at each call: a key that was changed in its file is the one that is sent."""
    secret = tmp_path / "key"
    headers = {
        "X-Key": {"env": "RELAY_KEY"},
        "authorization": {"file": str(secret)},
        "X-Plain": "plain",
    }
    address = relay_server.url("/").replace("http://", "http://me:secret@")
    relay = valve(relay_server, close={"url": address, "headers": headers})
    for key in ("Bearer one", "Bearer two"):
        secret.write_text(f"{key}\n")
        relay.close()
        sent = relay_server.calls[-1][3]
        assert (sent["X-Key"], sent["authorization"], sent["X-Plain"]) == (
            "from the environment",
            key,
            "plain",
        )
        assert [name.casefold() for name in sent].count("authorization") == 1, "the address's gives way"


@pytest.mark.parametrize(
    ("header", "content", "told"),
    [
        ({"env": "NOT_SET"}, None, "the service has no environment variable NOT_SET"),
        (
            {"env": "BROKEN"},
            None,
            "variable BROKEN is empty, or holds what no header line can",
        ),
        ({"file": "FILE"}, None, "cannot be read: No such file or directory"),
        ({"file": "FILE"}, b"", "is empty, or holds what no header line can"),
        ({"file": "FILE"}, b"s3cret\r\nX-Evil: 1", "is empty, or holds what no header line can"),
        ({"file": "FILE"}, b"s3cret\xff", "cannot be read: it is no text"),
        ("pl\xe4in", None, "its text is empty, or holds what no header line can"),
    ],
)
def test_a_header_line_that_cannot_be_made_sends_nothing_and_tells_no_secret(
    relay_server: RelayServer, tmp_path: Path, header: Any, content: bytes | None, told: str
) -> None:
    if content is not None:
        (tmp_path / "key").write_bytes(content)
    if isinstance(header, dict) and "file" in header:
        header = {"file": str(tmp_path / "key")}
    relay = valve(relay_server, close={"url": relay_server.url("/"), "headers": {"X-Key": header}})
    with pytest.raises(ValveFailed) as caught:
        relay.close()
    assert caught.value.text.startswith("header X-Key: ")
    assert told in caught.value.text
    assert "s3cret" not in caught.value.text
    assert relay_server.calls == []


@pytest.mark.parametrize("status", [200, 201, 204, 299])
def test_2xx_confirms(relay_server: RelayServer, status: int) -> None:
    relay_server.behave = answer(status)
    valve(relay_server).open(60)


@pytest.mark.parametrize("status", [301, 302, 307, 400, 401, 404, 429, 500, 503])
def test_nothing_else_confirms_and_no_redirect_is_followed(relay_server: RelayServer, status: int) -> None:
    relay_server.behave = answer(status, Location=relay_server.url("/elsewhere"))
    with pytest.raises(ValveFailed, match=f"127.0.0.1 answered {status}: only 2xx confirms"):
        valve(relay_server).open(60)
    assert len(relay_server.calls) == 1


def hang(handler: BaseHTTPRequestHandler) -> None:
    time.sleep(3)


def drip(handler: BaseHTTPRequestHandler) -> None:
    for byte in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"z" * 100:
        handler.wfile.write(bytes([byte]))
        handler.wfile.flush()
        time.sleep(0.05)


@pytest.mark.parametrize("behave", [hang, drip])
def test_the_time_limit_is_for_the_whole_call(
    relay_server: RelayServer, behave: Callable[[BaseHTTPRequestHandler], None]
) -> None:
    relay_server.behave = behave
    start = time.monotonic()
    with pytest.raises(ValveFailed, match="did not answer within 0.5 s"):
        valve(relay_server).open(60)
    assert 0.4 < time.monotonic() - start < 1
    assert until(lambda: not our_threads()), "the thread of the call ended with it"


def our_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("valve ")]


def test_a_body_that_never_ends_does_not_matter(relay_server: RelayServer) -> None:
    def half(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "100")
        handler.end_headers()
        time.sleep(2)

    relay_server.behave = half
    valve(relay_server).close()


def test_nobody_there() -> None:
    port = free_port()
    call = {"url": f"http://127.0.0.1:{port}/"}
    with pytest.raises(ValveFailed, match="Connection refused"):
        HttpValve("h", {"open": call, "close": call}, ["a"], {}).close()


def test_no_answer_but_an_end(relay_server: RelayServer) -> None:
    relay_server.behave = lambda handler: handler.connection.shutdown(socket.SHUT_RDWR)
    with pytest.raises(ValveFailed, match="127.0.0.1: "):
        valve(relay_server).close()


def test_a_relay_that_speaks_no_tls(relay_server: RelayServer) -> None:
    """It answers as plain HTTP at once, or waits for the end of a line that the greeting need not hold."""
    secure = {"url": relay_server.url("/").replace("http:", "https:")}
    with pytest.raises(ValveFailed, match="SSL|record layer|HTTP|did not answer"):
        valve(relay_server, close=secure).close()


@pytest.mark.parametrize("url", ["ftp://127.0.0.1/", "http://", "http://[::1/", "http://127.0.0.1:port/"])
def test_no_address(relay_server: RelayServer, url: str) -> None:
    with pytest.raises(ValveFailed, match="is no address"):
        valve(relay_server, close={"url": url}).close()


def test_proxies_of_the_environment_are_not_obeyed(
    relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY"):
        monkeypatch.setenv(name, f"http://127.0.0.1:{free_port()}")
    valve(relay_server).close()
    assert len(relay_server.calls) == 1


def test_a_call_given_up_during_the_name_look_up_is_never_sent(
    relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An open that goes out after its deadline would meet nobody who closes it."""
    real = socket.getaddrinfo
    looked_up = threading.Event()

    def slow(*args: Any, **kwargs: Any) -> Any:
        time.sleep(0.6)
        looked_up.set()
        return real(*args, **kwargs)

    monkeypatch.setattr(socket, "getaddrinfo", slow)
    with pytest.raises(ValveFailed, match="did not answer"):
        valve(relay_server, limit_s=0.3).open(60)
    assert looked_up.wait(2)
    assert until(lambda: not our_threads())
    assert relay_server.calls == []


def test_what_is_no_time_sends_nothing(relay_server: RelayServer) -> None:
    with pytest.raises(ValveFailed):
        valve(relay_server).open(float("nan"))
    assert relay_server.calls == []


def test_what_a_close_needs_is_there_before_the_valve_opens(
    relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From then on no thread, no socket and no name server can be had: the close goes out all the same."""
    relay = valve(relay_server)
    relay.open(60)

    def none_left(*_: Any, **__: Any) -> Any:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    with monkeypatch.context() as short:
        short.setattr(socket, "create_connection", none_left)
        short.setattr(socket, "getaddrinfo", none_left)
        short.setattr(SpareSocket, "_new", none_left)
        short.setattr(threading.Thread, "start", no_thread)
        relay.close()
    assert [call[1] for call in relay_server.calls] == ["/relay/1?on=60", "/relay/1?off"]


def no_thread(thread: threading.Thread, start: Callable[..., None] = threading.Thread.start) -> None:
    """For the valves: the relay here is a thread too."""
    if thread.name.startswith("valve "):
        raise RuntimeError("can't start new thread")
    start(thread)


def test_nothing_opens_that_could_not_be_closed(
    relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left(_: SpareSocket) -> Any:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    with monkeypatch.context() as short:
        short.setattr(threading.Thread, "start", no_thread)
        with pytest.raises(ValveFailed, match="no thread"):
            valve(relay_server).open(60)
    with monkeypatch.context() as short:
        short.setattr(SpareSocket, "_new", none_left)
        with pytest.raises(ValveFailed, match="Too many open files"):
            valve(relay_server).open(60)
    assert relay_server.calls == []


def test_where_no_thread_is_left_the_caller_closes(
    relay_server: RelayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threading.Thread, "start", no_thread)
    valve(relay_server).close()
    assert len(relay_server.calls) == 1


def test_a_relay_that_moved_is_found_by_its_name(relay_server: RelayServer) -> None:
    """It had another address when it opened."""
    relay = valve(relay_server, limit_s=2.0)
    relay.open(60)
    assert relay._way._spare is not None
    relay._way._spare._address = ("127.0.0.1", free_port())
    relay.close()
    assert [call[1] for call in relay_server.calls] == ["/relay/1?on=60", "/relay/1?off"]


def test_a_thread_that_hangs_is_done_without(relay_server: RelayServer) -> None:
    relay = valve(relay_server)
    relay_server.behave = lambda _: time.sleep(1.0)
    with pytest.raises(ValveFailed, match="did not answer"):
        relay.open(60)
    relay_server.behave = answer(200)
    relay.release()
    assert [call[1] for call in relay_server.calls] == ["/relay/1?on=60", "/relay/1?off"]
    assert until(lambda: not our_threads())


def says(body: bytes, status: int = 200) -> Callable[[BaseHTTPRequestHandler], None]:
    def behave(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    return behave


@pytest.mark.parametrize(
    ("body", "field", "state"),
    [
        (b"ON", None, True),
        (b'{"open": false}', None, False),
        (b'{"relays": [{"on": true}]}', "relays.0.on", True),
        (b'{"relays": []}', "relays.0.on", None),
        (b"<html>", None, None),
        (b"[" * 50_000, "a", None),
    ],
)
def test_it_answers_whether_it_is_open(
    relay_server: RelayServer, body: bytes, field: str | None, state: bool | None
) -> None:
    asked = {"method": "GET", "url": relay_server.url("/state")} | ({"field": field} if field else {})
    relay = valve(relay_server, state=asked, limit_s=5.0)
    relay_server.behave = says(body)
    assert relay.reads_state
    assert relay.state(2.0) is state
    assert relay_server.calls[-1][1] == "/state"
    relay_server.behave = says(body, 500)
    with pytest.raises(ValveFailed, match="answered 500"):
        relay.state(2.0)
    assert not valve(relay_server).reads_state


@pytest.mark.parametrize(
    ("behave", "may_act"),
    [
        (answer(404), False),
        (answer(401), False),
        (answer(408), True),
        (answer(500), True),
        (answer(302), True),
    ],
)
def test_which_failures_may_act_all_the_same(
    relay_server: RelayServer, behave: Callable[[BaseHTTPRequestHandler], None], may_act: bool
) -> None:
    """A client error means that nothing was done (RFC 9110, 15.5); of others nobody knows."""
    relay_server.behave = behave
    with pytest.raises(ValveFailed) as caught:
        valve(relay_server).open(60)
    assert caught.value.may_act is may_act


def test_a_call_that_never_went_out_cannot_act(relay_server: RelayServer) -> None:
    with pytest.raises(ValveFailed) as caught:
        valve(relay_server, open={"url": f"http://127.0.0.1:{free_port()}/"}).open(60)
    assert caught.value.may_act is False
    relay_server.behave = hang
    with pytest.raises(ValveFailed) as caught:
        valve(relay_server).open(60)
    assert caught.value.may_act is True
