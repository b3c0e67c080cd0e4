"""APScheduler as a ticker and nothing else: it remembers no run, and what is due is the ledger's business."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers import SchedulerNotRunningError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

log = logging.getLogger(__name__)

_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)


class Monotonic(tzinfo):
    """A time zone whose `now` follows the monotonic clock: `datetime.now(tz)` asks `fromutc`.

    The scheduler works out its waits from the wall clock. Set back by an hour, that would silence a ticker
    for an hour; set forward by a year, it would make up for every tick it thinks it missed.
    """

    def fromutc(self, _: datetime) -> datetime:
        return (_EPOCH + timedelta(seconds=time.monotonic())).replace(tzinfo=self)

    def utcoffset(self, _: datetime | None) -> timedelta:
        return timedelta(0)

    def dst(self, _: datetime | None) -> timedelta:
        return timedelta(0)

    def tzname(self, _: datetime | None) -> str:
        return "monotonic"


class Every(BaseTrigger):  # type: ignore[misc]  # apscheduler has no types
    """The next tick is always one pause from now, however many were missed."""

    def __init__(self, pause_s: Callable[[], float]) -> None:
        self._pause_s = pause_s

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        if previous is None:
            return now
        return max(previous + timedelta(seconds=self._pause_s()), now)


class Ticker:
    """Calls `tick` every so often from one thread, never twice at a time, until it fails.

    pause_s: asked before each pause. failed: told at once when a tick failed; `failure` says it too.
    """

    def __init__(
        self,
        tick: Callable[[], None],
        pause_s: Callable[[], float],
        failed: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._tick = tick
        self._failed = failed
        self._stopped = False
        self.failure: str | None = None
        # in the scheduler's own thread: a second one would be woken for nothing each time
        self._scheduler = BackgroundScheduler(
            timezone=Monotonic(), executors={"default": DebugExecutor()}, daemon=True
        )
        self._scheduler.add_job(
            self._once, Every(pause_s), max_instances=1, coalesce=True, misfire_grace_time=None
        )

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        """Comes back at once: a tick that hangs is not waited for, and its thread ends with the process."""
        self._stopped = True
        with contextlib.suppress(SchedulerNotRunningError):
            self._scheduler.pause()

    def _once(self) -> None:
        if self._stopped or self.failure is not None:
            return
        try:
            self._tick()
        except BaseException as error:
            log.exception("tick")
            self.failure = f"{type(error).__name__}: {error}"
            self._failed(self.failure)
