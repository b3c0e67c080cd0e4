"""Close valves until each close is confirmed: side by side, so that a stuck one holds up no other."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from scheduler.relays.base import Driver
from scheduler.relays.specs import Spec, driver_of, try_limit_s

log = logging.getLogger(__name__)

FIRST_PAUSE_S = 0.25
LONGEST_PAUSE_S = 5.0
MAY_ACT = "closed for now, but an open that was not confirmed may still take effect"
MOST_STUCK = 10  # tries of one valve that never came back; then no new one until one does


class Closing:
    """One thread per valve; each try is made with a driver of its own, and given up when it takes too long.

    limit_s: after so long a valve that would not close is left; `unconfirmed` names it. late_s: by key, for
    how long an open may still take effect: until then the close is repeated also where it was confirmed.
    """

    def __init__(
        self,
        specs: Iterable[Spec],
        environ: Mapping[str, str],
        *,
        limit_s: float,
        late_s: Mapping[str, float] = MappingProxyType({}),
        make: Callable[[Spec, Mapping[str, str]], Driver] = driver_of,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
    ) -> None:
        self._specs = {str(spec["key"]): spec for spec in specs}
        self._environ = environ
        now = time.monotonic()
        self._deadline = now + limit_s
        self._late_until = {key: now + seconds for key, seconds in late_s.items()}
        self._make = make
        self._pauses = first_pause_s, longest_pause_s
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self.failed = False  # a try did: what it sent may still take effect
        self._why: dict[str, str] = dict.fromkeys(self._specs, "not tried yet")
        self._threads = [
            threading.Thread(target=self._until_closed, args=(key,), name=f"close {key}", daemon=True)
            for key in self._specs
        ]
        for thread in self._threads:
            thread.start()

    @property
    def unconfirmed(self) -> dict[str, str]:
        """Key and last failure of each valve whose close is not confirmed."""
        with self._lock:
            return dict(self._why)

    @property
    def running(self) -> bool:
        return any(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        """Start no further try."""
        self._stop.set()

    def wait(self) -> dict[str, str]:
        """Until all are closed or the limit has passed; returns `unconfirmed`."""
        for thread in self._threads:
            thread.join()
        return self.unconfirmed

    def _until_closed(self, key: str) -> None:
        pause, longest = self._pauses
        late_until = self._late_until.get(key, float("-inf"))
        stuck: list[threading.Thread] = []
        while not self._stop.is_set():
            sent = time.monotonic()
            failure = self._one_try(key, stuck)
            if failure is None and sent < late_until:
                failure = MAY_ACT
            with self._lock:
                if failure is None:
                    del self._why[key]
                    log.warning("%s: closed", key)
                    return
                self.failed = True
                news = failure != self._why[key]
                self._why[key] = failure
            log.log(logging.WARNING if news else logging.DEBUG, "%s: not closed: %s", key, failure)
            now = time.monotonic()
            if now >= self._deadline:
                return
            ends = self._deadline if now >= late_until else min(self._deadline, late_until)
            self._stop.wait(min(pause, ends - now))
            pause = min(pause * 2, longest)

    def _one_try(self, key: str, stuck: list[threading.Thread]) -> str | None:
        """None where the close is confirmed, else why not."""
        stuck[:] = [thread for thread in stuck if thread.is_alive()]
        if len(stuck) >= MOST_STUCK:
            return f"{MOST_STUCK} tries are stuck"
        spec = self._specs[key]
        answers: queue.SimpleQueue[str | None] = queue.SimpleQueue()

        def work() -> None:
            try:
                self._make(spec, self._environ).release()
                answers.put(None)
            except BaseException as problem:  # whatever it is, it means not closed
                answers.put(str(problem) or type(problem).__name__)

        thread = threading.Thread(target=work, name=f"try to close {key}", daemon=True)
        thread.start()
        try:
            return answers.get(timeout=min(try_limit_s(spec), max(self._deadline - time.monotonic(), 0.1)))
        except queue.Empty:
            stuck.append(thread)
            return "the driver does not come back"
