"""Real things to drive: a message broker, a relay on HTTP, programs that write down what they are told."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


def until(true: Callable[[], object], seconds: float = 5.0) -> bool:
    """Wait until something is so; False when it is not in time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if true():
            return True
        time.sleep(0.01)
    return bool(true())


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A Mosquitto of our own."""

    def __init__(self, folder: Path, *lines: str) -> None:
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        assert program, "these tests need the mosquitto broker: apt-get install mosquitto"
        self.port = free_port()
        self._config = folder / f"mosquitto-{self.port}.conf"
        user = ["user root"] if os.geteuid() == 0 else []
        basic = [f"listener {self.port} 127.0.0.1", "persistence false", *user]
        self._config.write_text("\n".join([*basic, *(lines or ["allow_anonymous true"])]) + "\n")
        self._program = program
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def settings(self) -> dict[str, Any]:
        return {"host": "127.0.0.1", "port": self.port}

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert until(self._listens), "the broker did not start"

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        if self._process is not None:
            self.thaw()
            self._process.terminate()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


class Ear:
    """A second client that writes down all that it hears: (topic, payload as sent, retained)."""

    def __init__(
        self, port: int, topic: str = "#", *, answer: Callable[[Ear, str], None] | None = None
    ) -> None:
        self.heard: list[tuple[str, Any, bool]] = []
        self._topic = topic
        self._answer = answer
        self._ready = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self.client.reconnect_delay_set(0.1, 0.2)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.wait_ready()

    def wait_ready(self) -> None:
        assert self._ready.wait(5)

    def not_ready(self) -> None:
        """Before the broker is restarted."""
        self._ready.clear()

    def _on_message(self, _: Any, __: Any, message: mqtt.MQTTMessage) -> None:
        try:
            payload = json.loads(message.payload)
        except ValueError:
            payload = message.payload.decode()
        self.heard.append((message.topic, payload, bool(message.retain)))
        if self._answer:
            self._answer(self, message.payload.decode())

    def said_on(self, topic: str) -> list[Any]:
        return [payload for at, payload, _ in self.heard if at == topic]

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class RelayServer:
    """An HTTP relay; `behave` decides how each call is answered."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, str, str, dict[str, str]]] = []  # method, path, body, headers
        self.behave: Callable[[BaseHTTPRequestHandler], None] = answer(200)
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:  # noqa: N802
                length = int(self.headers.get("Content-Length", 0))
                body = self.rfile.read(length).decode()
                outer.calls.append((self.command, self.path, body, dict(self.headers)))
                outer.behave(self)

            do_POST = do_PUT = do_GET  # noqa: N815

            def log_message(self, *_: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                """A caller that hangs up is what some tests are about."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def url(self, path: str) -> str:
        return f"http://127.0.0.1:{self.port}{path}"

    def settings(self, **more: Any) -> dict[str, Any]:
        return {
            "open": {"method": "GET", "url": self.url("/relay/1?on={seconds}")},
            "close": {"method": "GET", "url": self.url("/relay/1?off")},
            "limit_s": 0.5,
            **more,
        }

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def answer(status: int, **headers: str) -> Callable[[BaseHTTPRequestHandler], None]:
    def behave(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name, value)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    return behave


class Recorder:
    """A valve program that writes what it is told into a file."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.file = folder / "recorded.txt"
        self.program = folder / "relay.py"
        self.program.write_text(
            f"#!{sys.executable} -IS\n"
            "import os, signal, subprocess, sys, time\n"
            f"told = open({str(self.file)!r}, 'a')\n"
            "told.write(' '.join([os.environ['ROWWATER_ZONE'], *sys.argv[1:]]) + '\\n')\n"
            "told.flush()\n" + more
        )
        self.program.chmod(0o755)

    @property
    def told(self) -> list[str]:
        return self.file.read_text().splitlines() if self.file.exists() else []

    def settings(self, **more: Any) -> dict[str, Any]:
        return {"command": [str(self.program)], **more}
