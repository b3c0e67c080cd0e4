"""Relays of the soak, processes that live by the fast clock; each command goes into `witness.txt`.

    relays.py command FOLDER ZONE open SECONDS | close    one call of the grower's program
    relays.py http FOLDER PORT      a relay in the network: /ZONE?on=SECONDS, /ZONE?off
    relays.py mqtt FOLDER PORT                            relays behind the broker at PORT, soak/ZONE

Those in the network close by themselves when their seconds are over, as such boards do. A file in FOLDER
makes them bad: `command-fails`, `command-hangs`, `http-fails`, `http-hangs`.
"""

from __future__ import annotations

import sys
import time


def witness(folder: str, zone: str, word: str, seconds: float = 0.0) -> None:
    with open(f"{folder}/witness.txt", "a") as file:  # noqa: PTH123 - pathlib takes longer than the call itself
        file.write(f"{time.monotonic():.2f} {zone} {word} {seconds:g}\n")


def is_so(folder: str, name: str) -> bool:
    try:
        open(f"{folder}/{name}").close()  # noqa: PTH123, SIM115
    except OSError:
        return False
    return True


def command(folder: str, zone: str, word: str, seconds: str = "0") -> int:
    while is_so(folder, "command-hangs"):
        time.sleep(1.0)
    if is_so(folder, "command-fails"):
        return 1
    witness(folder, zone, word, float(seconds))
    return 0


class Board:
    """Closes by itself after the seconds of the last open."""

    def __init__(self, folder: str) -> None:
        import threading

        self.folder = folder
        self._news = threading.Condition()
        self._until: dict[str, float] = {}
        threading.Thread(target=self._run, daemon=True).start()

    def turn(self, zone: str, seconds: float | None) -> None:
        with self._news:
            if seconds is None:
                self._until.pop(zone, None)
                witness(self.folder, zone, "close")
            else:
                self._until[zone] = time.monotonic() + seconds
                witness(self.folder, zone, "open", seconds)
            self._news.notify()

    def _run(self) -> None:
        with self._news:
            while True:
                now = time.monotonic()
                for zone in [zone for zone, until in self._until.items() if now >= until]:
                    del self._until[zone]
                    witness(self.folder, zone, "close")
                self._news.wait(min(self._until.values(), default=now + 3600.0) - now)


def http(folder: str, port: str) -> None:
    from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

    board = Board(folder)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:  # noqa: N802
            while is_so(folder, "http-hangs"):
                time.sleep(1.0)
            failing = is_so(folder, "http-fails")
            if not failing:
                zone, _, word = self.path.strip("/").partition("?")
                board.turn(zone, float(word.partition("=")[2]) if word.startswith("on=") else None)
            self.send_response(500 if failing else 200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *_: object) -> None:
            """A caller that hung up meanwhile is what the soak is about."""

    Server(("127.0.0.1", int(port)), Handler).serve_forever(poll_interval=60.0)


def mqtt(folder: str, port: str) -> None:
    import json

    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    board = Board(folder)
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.reconnect_delay_set(1, 2)
    client.on_connect = lambda at, *_: at.subscribe("soak/+", qos=1)

    def heard(at: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        told = json.loads(message.payload)
        board.turn(message.topic.partition("/")[2], float(told["seconds"]) if told["open"] else None)
        at.publish(f"{message.topic}/state", "open" if told["open"] else "closed", qos=1)

    client.on_message = heard
    client.connect_async("127.0.0.1", int(port))
    client.loop_forever(timeout=20.0, retry_first_connection=True)


if __name__ == "__main__":
    sys.exit({"command": command, "http": http, "mqtt": mqtt}[sys.argv[1]](*sys.argv[2:]))
