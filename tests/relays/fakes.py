"""Valves without hardware, that write down everything and fail on demand."""

from __future__ import annotations

import threading
from collections.abc import Callable

from scheduler.relays.base import ValveFailed


class FakeDriver:
    """`fails`: how many of its next commands are not confirmed; `hangs`: an event that close waits for."""

    limit_s = 1.0

    def __init__(
        self, key: str, seen: list[tuple[str, str]], *, fails: int = 0, hangs: threading.Event | None = None
    ) -> None:
        self.key = key
        self.simulated = False
        self.fails = fails
        self._hangs = hangs
        self._seen = seen

    def _do(self, what: str) -> None:
        self._seen.append((self.key, what))
        if self._hangs is not None:
            self._hangs.wait(20)
        if self.fails:
            self.fails -= 1
            raise ValveFailed(f"{self.key} did not answer")

    def open(self, seconds: float) -> None:
        self._do(f"open {seconds:g}")

    def close(self) -> None:
        self._do("close")

    def release(self) -> None:
        self._do("release")


class FakeWatcher:
    def __init__(self, seen: list[tuple[str, str]]) -> None:
        self._seen = seen

    def opened(self, key: str, seconds: float) -> None:
        self._seen.append((key, f"guard: opened {seconds:g}"))

    def answered(self, key: str, acts_within_s: float) -> None:
        if acts_within_s:
            self._seen.append((key, f"guard: may act for {acts_within_s:g}"))

    def closed(self, key: str) -> None:
        self._seen.append((key, "guard: closed"))


Sleep = Callable[[float], None]
