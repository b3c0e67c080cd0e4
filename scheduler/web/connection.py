"""How long one connection may take: uvicorn's protocol with a clock beside it.

uvicorn bounds how long a connection rests between two requests, not how long a request may take to arrive,
nor an answer to be taken away.
"""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

WHOLE_IN_S = 10.0
"""For a TLS handshake; then from the connection, or the first byte of a further request, to the request's
last byte."""
TAKEN_IN_S = 120.0
"""From there to the last byte of its answer: longer than the slowest thing that is asked of the service."""


class Connection(H11Protocol):
    """Ends by itself where the other side is too slow."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._clock: asyncio.TimerHandle | None = None
        self._whole = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn has it
        super().connection_made(transport)
        self._wind(WHOLE_IN_S)

    def connection_lost(self, exc: Exception | None) -> None:
        self._wind(None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self._clock is None:
            self._whole = False
            self._wind(WHOLE_IN_S)
        super().data_received(data)
        if not self._whole and self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._whole = True
            if self._clock is not None:  # else it has been answered already
                self._wind(TAKEN_IN_S)

    def on_response_complete(self) -> None:
        """uvicorn's word for: all of it is in the transport's buffer. Taken away it need not be."""
        self._wind(None)
        super().on_response_complete()
        if self.transport.get_write_buffer_size():
            self.loop.call_later(TAKEN_IN_S, self._cut_off)

    def _cut_off(self) -> None:
        if self.transport.get_write_buffer_size():
            self.transport.abort()

    def _wind(self, seconds: float | None) -> None:
        if self._clock is not None:
            self._clock.cancel()
        self._clock = None if seconds is None else self.loop.call_later(seconds, self.transport.abort)
