"""Relays that do late what they are told: they take an open, answer nothing, and open all the same."""

from __future__ import annotations

import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Water:
    """One valve, truly: when it was open, and what it was told."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.open_since: float | None = None
        self.spans: list[float] = []  # seconds, of each time that it was open
        self.closes = 0

    def opens(self) -> None:
        with self.lock:
            if self.open_since is None:
                self.open_since = time.monotonic()

    def opens_after(self, seconds: float) -> None:
        timer = threading.Timer(seconds, self.opens)
        timer.daemon = True
        timer.start()

    def shuts(self) -> None:
        with self.lock:
            self.closes += 1
            if self.open_since is not None:
                self.spans.append(time.monotonic() - self.open_since)
                self.open_since = None


class LateRelay:
    """On HTTP: /open is never answered, and acts `delay_s` later; /close works; /state says what is so.

    closes: it is the other way round, for one close of each opening. dead: it answers nothing at all.
    """

    def __init__(self, delay_s: float, *, closes: bool = False) -> None:
        self.water = Water()
        self.delay_s = delay_s
        self.closes = closes
        self.dead = False
        self.opens = 0
        self.lost: list[float] = []  # when a close took effect late
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:  # noqa: N802
                if outer.dead:
                    return
                if self.path.startswith("/open") and outer.closes:
                    outer.opens += 1
                    outer.water.opens()
                elif self.path == "/close" and outer.closes and outer.opens > len(outer.lost):
                    outer.closes_late()
                    time.sleep(20)
                    return
                elif self.path.startswith("/open"):
                    outer.opens += 1
                    outer.water.opens_after(outer.delay_s)
                    time.sleep(20)
                    return
                if self.path == "/close":
                    outer.water.shuts()
                body = b'{"relay": {"on": %s}}' % (b"true" if outer.water.open_since else b"false")
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: object) -> None:
                """A caller that hangs up is what these tests are about."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def closes_late(self) -> None:
        self.lost.append(time.monotonic() + self.delay_s)
        timer = threading.Timer(self.delay_s, self.water.shuts)
        timer.daemon = True
        timer.start()

    def valve(self, *, state: bool = False) -> str:
        """As garden.yaml names it."""
        base = f"http://127.0.0.1:{self._server.server_address[1]}"
        asked = f', state: {{url: "{base}/state", field: relay.on}}' if state else ""
        return (
            f'{{http: {{open: {{url: "{base}/open?{{seconds}}"}}, close: {{url: "{base}/close"}}{asked}}}, '
            "limit: 1 s}"
        )

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
