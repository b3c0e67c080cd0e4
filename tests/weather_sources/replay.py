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
    body: bytes | str | Callable[[dict[str, str], dict[str, str]], Answer] = b""
    """Or what makes the answer from the parameters and headers of the question."""
    headers: Mapping[str, str] = field(default_factory=dict)
    how: Callable[[_Handler, bytes], None] | None = None  # sends the whole answer instead of the usual way

    @property
    def data(self) -> bytes:
        assert not callable(self.body)
        return self.body.encode() if isinstance(self.body, str) else self.body


class Replay:
    """Answers in turn; the last one again and again. `asked` holds path and parameters of every call.

    A path with answers of its own (`routes`) has its own turn.
    """

    def __init__(self) -> None:
        self.answers: list[Answer] = [Answer()]
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.agents: list[str | None] = []
        self.headers: list[dict[str, str]] = []
        self.routes: dict[str, list[Answer]] = {}
        self.over = threading.Event()
        self.server = _Server(("127.0.0.1", 0), _Handler)
        self.server.replay = self
        self.base = f"http://127.0.0.1:{self.server.server_port}"
        self.url = f"{self.base}/v1/forecast"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    def give(self, *answers: Answer) -> None:
        self.answers = list(answers)

    def paths(self) -> list[str]:
        return [path for path, _ in self.asked]

    def _next(self, path: str) -> Answer:
        if path in self.routes:
            turn, answers = self.paths().count(path), self.routes[path]
        else:
            turn, answers = sum(other not in self.routes for other in self.paths()), self.answers
        return answers[min(turn, len(answers)) - 1]

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
        replay.headers.append({name.casefold(): value for name, value in self.headers.items()})
        answer = replay._next(asked.path)
        if callable(answer.body):
            answer = answer.body(replay.asked[-1][1], replay.headers[-1])
        if answer.how is not None:
            answer.how(self, answer.data)
            return
        self.send_response(answer.status)
        if answer.status == 304:
            self.end_headers()
            return
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
