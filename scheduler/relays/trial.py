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


class NotClosed(ValveFailed):
    """A valve was opened, or may have been, and its close was not confirmed.

    may_act: nor was an open, which may still come.
    """


def open_briefly(
    drivers: Sequence[Driver],
    seconds: float,
    watcher: Watcher,
    *,
    sleep: Callable[[float], None] = time.sleep,
) -> bool:
    """Open in the order given, wait, close in the other order. The last is open for `seconds`, those before
    it a little longer. False where a close that was sent may still act (`close_surely`). Raises ValveFailed;
    then, too, every close has been tried, and a close that failed raises NotClosed.
    """
    unsure: dict[str, bool] = {}  # by key of each open that was sent: it was not confirmed
    over: list[bool] = []  # of each close
    with ExitStack() as to_close:
        for place, driver in enumerate(drivers, 1):
            at_most_s = seconds + 2 * LIMIT_S * (len(drivers) - place)
            watcher.opened(driver.key, at_most_s)
            to_close.callback(_close_opened, driver, watcher, unsure, over, sleep)
            _open(driver, at_most_s, unsure)
            watcher.answered(driver.key, 0.0)
        sleep(seconds)
        _look(drivers[-1], True)
    _look(drivers[-1], False)
    return all(over)


def _open(driver: Driver, at_most_s: float, unsure: dict[str, bool]) -> None:
    unsure[driver.key] = True
    try:
        driver.open(at_most_s)
    except ValveFailed as failed:
        if not failed.may_act:
            del unsure[driver.key]
        raise
    unsure[driver.key] = False


def _close_opened(
    driver: Driver,
    watcher: Watcher,
    unsure: dict[str, bool],
    over: list[bool],
    sleep: Callable[[float], None],
) -> None:
    try:
        over.append(close_surely(driver, watcher, sleep=sleep))
    except ValveFailed as failed:
        if driver.key not in unsure:
            raise
        raise NotClosed(failed.text, hint=failed.hint, may_act=any(unsure.values())) from failed


def _look(driver: Driver, expected: bool) -> None:
    """Where the valve says what it is, it must say what was seen to be done."""
    opened = asked(driver, LIMIT_S)
    if opened is not None and opened is not expected:
        said, done = (("open" if one else "closed") for one in (opened, expected))
        raise (NotClosed if opened else ValveFailed)(
            f"it reports {said} while it should be {done}", may_act=False
        )


def close_again(
    driver: Driver,
    watcher: Watcher,
    limit_s: float,
    *,
    late: bool,
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> None:
    """Again and again, at growing pauses, until a close is confirmed and the valve does not report open.

    late: an open that was not confirmed may take effect within limit_s; then it is closed until that is over,
    and once more. Raises ValveFailed when the last close of limit_s failed.
    """
    watcher.answered(driver.key, limit_s)
    left, pause = limit_s, PAUSE_S
    while left > 0:
        began = clock()
        with suppress(ValveFailed):
            _close(driver)
            if not late:
                watcher.closed(driver.key)
                return
        left -= clock() - began
        sleep(max(min(pause, left), 0.0))
        left, pause = left - pause, min(2 * pause, LONGEST_PAUSE_S)
    close_surely(driver, watcher, sleep=sleep)
    _look(driver, False)


def _close(driver: Driver) -> None:
    driver.close()
    _look(driver, False)


def close_surely(
    driver: Driver, watcher: Watcher, *, sleep: Callable[[float], None] = time.sleep, tries: int = TRIES
) -> bool:
    """False where a try before the confirmed one may still take effect, and close what is opened then.

    Raises ValveFailed when the last try failed too.
    """
    left, over = tries, True
    while True:
        try:
            driver.close()
        except ValveFailed as failed:
            left, over = left - 1, over and not failed.may_act
            if not left:
                raise
            sleep(PAUSE_S)
        else:
            watcher.closed(driver.key)
            return over
