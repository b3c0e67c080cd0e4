"""Starting the guard process, and feeding it."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path

from scheduler.relays import specs as valve_specs
from scheduler.service.earlier_guards import EarlierGuards
from scheduler.service.guardlink import GuardGone, GuardLink

log = logging.getLogger("rowwater")
GUARD_MARGIN_S = 60.0
IDLE_BEAT_S = 10.0


class GuardKeeper:
    """The guard, kept running from a thread of its own: starting one takes a moment."""

    def __init__(self, data: Path, environ: Mapping[str, str], in_flight_s: float) -> None:
        self._earlier = EarlierGuards(data, time.monotonic())
        self._link = GuardLink(environ, data=data, margin_s=GUARD_MARGIN_S, in_flight_s=in_flight_s)
        self._specs: Sequence[valve_specs.Spec] = ()
        self._open: dict[str, float] = {}  # until when, monotonic
        self._late: dict[str, float] = {}  # until when an open may still take effect, monotonic
        self._beaten = float("-inf")
        self._starting = threading.Lock()
        self._ready = False
        self._why_not: str | None = "the guard process is not running yet"

    def blocked(self) -> str | None:
        """Why no valve may open, as far as the guard goes."""
        return self._earlier.blocked(time.monotonic()) or self._why_not

    def closed_there(self) -> list[str]:
        """Valves that the guard closed since this was asked last, where this process could not."""
        return self._link.closed_there()

    def opened(self, key: str, seconds: float) -> None:
        self._open[key] = time.monotonic() + seconds
        self._link.opened(key, seconds)

    def answered(self, key: str, acts_within_s: float) -> None:
        self._late[key] = time.monotonic() + acts_within_s
        self._link.answered(key, acts_within_s)

    def closed(self, key: str) -> None:
        self._open.pop(key, None)
        self._late.pop(key, None)
        self._link.closed(key)

    def close(self, key: str) -> None:
        self._link.close(key)

    def beat(self) -> None:
        """Called at every tick; with nothing open the guard is left to sleep for a while."""
        now = time.monotonic()
        if self._open or now >= self._beaten + IDLE_BEAT_S:
            self._beaten = now
            self._link.beat()
        if self._ready and not self._link.alive:
            self._ready = False
            self._why_not = "the guard process is gone"
            self.start(self._specs)

    def beating(self) -> AbstractContextManager[None]:
        """Beats by itself: for the end, when no tick does."""
        return self._link.beating()

    def start(self, specs: Sequence[valve_specs.Spec]) -> None:
        """Comes back at once; `blocked` says so until the guard stands."""
        self._specs = specs
        self._ready, self._why_not = False, "the guard process is starting"
        threading.Thread(target=self._start, name="guard start", daemon=True).start()

    def _start(self) -> None:
        with self._starting:
            try:
                self._link.start(self._specs)
                now = time.monotonic()
                for key, until in list(self._open.items()):
                    self._link.opened(key, max(until - now, 1.0))
                    if key in self._late:
                        self._link.answered(key, max(self._late[key] - now, 0.0))
            except (GuardGone, OSError, ValueError) as error:
                self._why_not = f"the guard process does not start: {error}"
                log.error("%s", self._why_not)
                time.sleep(5.0)
                self._ready = True  # so that the next beat finds it gone, and starts it again
                return
            self._ready, self._why_not = True, None

    def bye(self) -> None:
        self._link.bye()
