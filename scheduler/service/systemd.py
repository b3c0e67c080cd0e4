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

    def ready(self, status: str) -> None:
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Only for a loop that has moved on: it keeps the watchdog from ending us."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
            door.setblocking(False)
            door.sendto(message.encode(), self._address)
