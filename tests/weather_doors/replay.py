"""A local HTTP server that replays answers in turn, with the ways in which real ones go wrong."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit


@dataclass(frozen=True)
class Answer:
    status: int = 200
    body: bytes | str = b""
    headers: Mapping[str, str] = field(default_factory=dict)
    how: Callable[[_Handler, bytes], None] | None = None  # sends the whole answer instead of the usual way

    @property
    def data(self) -> bytes:
        return self.body.encode() if isinstance(self.body, str) else self.body


class Replay:
    """Answers in turn; the last one again and again. `asked` holds path and parameters of every call."""

    def __init__(self) -> None:
        self.answers: list[Answer] = [Answer()]
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.agents: list[str | None] = []
        self.over = threading.Event()
        self.server = _Server(("127.0.0.1", 0), _Handler)
        self.server.replay = self
        self.url = f"http://127.0.0.1:{self.server.server_port}/v1/forecast"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    def give(self, *answers: Answer) -> None:
        self.answers = list(answers)

    def close(self) -> None:
        self.over.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    replay: Replay

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up early is part of the game."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def do_GET(self) -> None:  # noqa: N802 - the name that http.server calls
        replay = self.server.replay
        asked = urlsplit(self.path)
        replay.asked.append((asked.path, {key: values[0] for key, values in parse_qs(asked.query).items()}))
        replay.agents.append(self.headers.get("User-Agent"))
        answer = replay.answers[min(len(replay.asked), len(replay.answers)) - 1]
        if answer.how is not None:
            answer.how(self, answer.data)
            return
        self.send_response(answer.status)
        for name, value in {"Content-Length": str(len(answer.data)), **answer.headers}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(answer.data)


def hang(handler: _Handler, _: bytes) -> None:
    """Accepts the call and says nothing."""
    handler.server.replay.over.wait(30)
    handler.close_connection = True


def drip(handler: _Handler, data: bytes) -> None:
    """A body that comes byte by byte, far too slowly but never silent for long."""
    handler.send_response(200)
    handler.send_header("Content-Length", str(len(data)))
    handler.end_headers()
    _slowly(handler, data)


def drip_header(handler: _Handler, _: bytes) -> None:
    """A header that never ends."""
    handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
    _slowly(handler, b"x" * 10_000)


def _slowly(handler: _Handler, data: bytes) -> None:
    for i in range(len(data)):
        if handler.server.replay.over.wait(0.03):
            break
        handler.wfile.write(data[i : i + 1])
        handler.wfile.flush()
    handler.close_connection = True


def break_off(handler: _Handler, data: bytes) -> None:
    """Promises twice the body and hangs up."""
    handler.send_response(200)
    handler.send_header("Content-Length", str(2 * len(data)))
    handler.end_headers()
    handler.wfile.write(data)
    handler.close_connection = True


def reset(handler: _Handler, _: bytes) -> None:
    """Hangs up without a word."""
    handler.close_connection = True


@contextmanager
def serving(answers: Sequence[Answer] = ()) -> Iterator[Replay]:
    replay = Replay()
    try:
        if answers:
            replay.give(*answers)
        yield replay
    finally:
        replay.close()
