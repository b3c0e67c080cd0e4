"""Starting the guard process, feeding it, and waiting for an earlier one to end."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from scheduler.relays import specs as valve_specs
from scheduler.service.guardlink import GuardGone, GuardLink

log = logging.getLogger("rowwater")
OLD_GUARD_S = 60.0
GUARD_MARGIN_S = 60.0
GUARD_PID = "guard.pid"


class GuardKeeper:
    """The guard, kept running from a thread of its own: starting one takes a moment."""

    def __init__(self, data: Path, environ: Mapping[str, str], in_flight_s: float) -> None:
        self._link = GuardLink(environ, margin_s=GUARD_MARGIN_S, in_flight_s=in_flight_s)
        self._data = data
        self._specs: Sequence[valve_specs.Spec] = ()
        self._open: dict[str, float] = {}  # until when, monotonic
        self._starting = threading.Lock()
        self._ready = False
        self._why_not: str | None = "the guard process is not running yet"
        self._earlier = earlier_guard(data)
        self._earlier_until = time.monotonic() + OLD_GUARD_S

    def blocked(self) -> str | None:
        """Why no valve may open, as far as the guard goes."""
        if self._earlier is not None:
            if time.monotonic() < self._earlier_until and earlier_guard(self._data) == self._earlier:
                return "the guard of an earlier start still closes valves"
            self._earlier = None
        return self._why_not

    def opened(self, key: str, seconds: float) -> None:
        self._open[key] = time.monotonic() + seconds
        self._link.opened(key, seconds)

    def closed(self, key: str) -> None:
        self._open.pop(key, None)
        self._link.closed(key)

    def beat(self) -> None:
        self._link.beat()
        if self._ready and not self._link.alive:
            self._ready = False
            self._why_not = "the guard process is gone"
            self.start(self._specs)

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
                with contextlib.suppress(OSError):
                    (self._data / GUARD_PID).write_text(f"{self._link.pid}\n")
            except (GuardGone, OSError, ValueError) as error:
                self._why_not = f"the guard process does not start: {error}"
                log.error("%s", self._why_not)
                time.sleep(5.0)
                self._ready = True  # so that the next beat finds it gone, and starts it again
                return
            self._ready, self._why_not = True, None

    def bye(self) -> None:
        self._link.bye()
        with contextlib.suppress(OSError):
            (self._data / GUARD_PID).unlink()


def earlier_guard(data: Path) -> int | None:
    """The process id of a guard that still closes valves for a service that died."""
    try:
        pid = int((data / GUARD_PID).read_text())
        words = Path(f"/proc/{pid}/cmdline").read_bytes()
    except (OSError, ValueError):
        return None
    return pid if b"scheduler.service.guard" in words else None
