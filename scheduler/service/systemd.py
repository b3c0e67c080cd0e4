"""What the service manager is told, over the socket that it names (sd_notify(3)), without its library."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Mapping


class Manager:
    """READY, WATCHDOG, STATUS, STOPPING; silent where nobody listens."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._status = ""
        self._door: socket.socket | None = None  # kept: a watchdog must be fed also without descriptors

    def ready(self, status: str) -> None:
        self._status = status
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Only for a loop that has moved on: it keeps the watchdog from ending us."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        if text != self._status:
            self._status = text
            self._send(f"STATUS={text}")

    def stopping(self) -> None:
        self._send("STOPPING=1")
        if self._door is not None:
            self._door.close()
        self._address = ""

    def _send(self, message: str) -> None:
        if not self._address:
            return
        with contextlib.suppress(OSError):
            if self._door is None:
                self._door = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                self._door.setblocking(False)
            self._door.sendto(message.encode(), self._address)
