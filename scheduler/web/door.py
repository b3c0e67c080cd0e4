"""The listening socket: so many connections of one address, and in all, counted before a word is said.

A TLS handshake that never comes holds a descriptor like any other connection, and no protocol hears of it.
"""

from __future__ import annotations

import socket
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Any

MOST_OF_ONE = 12
"""Connections of one address: a browser opens six at most."""
MOST_IN_ALL = 120
"""Less than half of the descriptors that the page's unit may have."""


class Door(socket.socket):
    """Takes the place of a listening socket; a connection beyond the limits is closed as it comes."""

    def __init__(self, listening: socket.socket) -> None:
        super().__init__(fileno=listening.detach())
        self._open: Counter[str] = Counter()

    def accept(self) -> tuple[socket.socket, Any]:
        """As of a socket. ConnectionAbortedError for one too many: the caller tries again."""
        taken, peer = super().accept()
        address = str(peer[0])
        if self._open[address] >= MOST_OF_ONE or self._open.total() >= MOST_IN_ALL:
            taken.close()
            raise ConnectionAbortedError(f"too many connections from {address}")
        self._open[address] += 1
        return _Counted(taken, partial(self._ended, address)), peer

    def _ended(self, address: str) -> None:
        self._open[address] -= 1
        self._open += Counter()  # those without any are forgotten


class _Counted(socket.socket):
    def __init__(self, taken: socket.socket, ended: Callable[[], None]) -> None:
        super().__init__(fileno=taken.detach())
        self._ended: Callable[[], None] | None = ended

    def close(self) -> None:
        super().close()
        ended, self._ended = self._ended, None
        if ended is not None:
            ended()
