"""Open a valve for a moment, watched, and close it on every way out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from typing import Protocol

from scheduler.relays.base import LIMIT_S, Driver, ValveFailed, asked

TRIES = 3
PAUSE_S = 1.0
LONGEST_PAUSE_S = 15.0


class Watcher(Protocol):
    """Who closes the valve should this process be lost (`guardlink.GuardLink`)."""

    def opened(self, key: str, seconds: float) -> None: ...
    def answered(self, key: str, acts_within_s: float) -> None: ...
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
            watcher.answered(driver.key, 0.0)
        sleep(seconds)
        _look(drivers[-1], True)
    _look(drivers[-1], False)


def _look(driver: Driver, expected: bool) -> None:
    """Where the valve says what it is, it must say what was seen to be done."""
    opened = asked(driver, LIMIT_S)
    if opened is not None and opened is not expected:
        said, done = (("open" if one else "closed") for one in (opened, expected))
        raise ValveFailed(f"it reports {said} while it should be {done}", may_act=False)


def close_while_it_may_act(
    driver: Driver, watcher: Watcher, acts_within_s: float, *, sleep: Callable[[float], None] = time.sleep
) -> None:
    """After an open that was not confirmed: again and again, and once more when it cannot act any more.
    Raises ValveFailed when that last close failed.
    """
    watcher.answered(driver.key, acts_within_s)
    left, pause = acts_within_s, PAUSE_S
    while left > 0:
        with suppress(ValveFailed):
            driver.close()
        sleep(min(pause, left))
        left, pause = left - pause, min(2 * pause, LONGEST_PAUSE_S)
    close_surely(driver, watcher, sleep=sleep)


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
