"""Open a valve for a moment, watched, and close it on every way out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import Protocol

from scheduler.relays.base import LIMIT_S, Driver, ValveFailed

TRIES = 3
PAUSE_S = 1.0


class Watcher(Protocol):
    """Who closes the valve should this process be lost (`guardlink.GuardLink`)."""

    def opened(self, key: str, seconds: float) -> None: ...
    def closed(self, key: str) -> None: ...


def open_briefly(
    drivers: Sequence[Driver],
    seconds: float,
    watcher: Watcher,
    *,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Open in the order given, wait, close in the other order. The last is open for `seconds`, those before
    it a little longer. Raises ValveFailed; then, too, every close has been tried.
    """
    with ExitStack() as to_close:
        for place, driver in enumerate(drivers, 1):
            at_most_s = seconds + 2 * LIMIT_S * (len(drivers) - place)
            watcher.opened(driver.key, at_most_s)
            to_close.callback(close_surely, driver, watcher, sleep=sleep)
            driver.open(at_most_s)
        sleep(seconds)


def close_surely(
    driver: Driver, watcher: Watcher, *, sleep: Callable[[float], None] = time.sleep, tries: int = TRIES
) -> None:
    """Raises ValveFailed when the last try failed too."""
    left = tries
    while True:
        try:
            driver.close()
        except ValveFailed:
            left -= 1
            if not left:
                raise
            sleep(PAUSE_S)
        else:
            watcher.closed(driver.key)
            return
