"""The life of `rowwater serve` after its start: tick until told to stop, then close every valve and end."""

from __future__ import annotations

import logging
import os
import threading
import time
from pathlib import Path
from typing import Any

from scheduler.errors import CouldNot
from scheduler.publish.files import SCHEDULE_JSON
from scheduler.service.actions import Moment
from scheduler.service.books import BookWriter
from scheduler.service.control import ControlSocket
from scheduler.service.end import close_last
from scheduler.service.guard_keeper import GuardKeeper
from scheduler.service.in_use import InUse
from scheduler.service.jobs import ConfigWatch, DayJob, Refused
from scheduler.service.moments import Moments
from scheduler.service.notices import Notices
from scheduler.service.periphery import Periphery
from scheduler.service.reserve import Reserve
from scheduler.service.stop import Stop
from scheduler.service.systemd import Manager
from scheduler.service.tick import Runner
from scheduler.service.ticker import Ticker
from scheduler.service.valve_threads import ValveThreads
from scheduler.service.valves_in_use import ValvesInUse

log = logging.getLogger("rowwater")

IDLE_TICKS = 2  # pauses that are one while nothing is open or asked: fewer wake-ups
LOOK_AFTER_S = 5.0  # how often it is looked whether the ticks go on
STUCK_S = 20.0  # without a step of the ledger for so long, everything is closed and the process ends
LOOK_S = 2.0
SHORT_S = 900.0  # something short for so long, and nothing open: a new start may have what this one used up
WATCHING = "watching"


class Service:
    """Everything is handed in, made (`start.assembled`)."""

    def __init__(
        self,
        data: Path,
        tick_s: float,
        *,
        stop: Stop,
        moments: Moments,
        runner: Runner,
        notices: Notices,
        threads: ValveThreads,
        valves: ValvesInUse,
        guard: GuardKeeper,
        books: BookWriter,
        watch: ConfigWatch,
        in_use: InUse,
        day_job: DayJob,
        control: ControlSocket,
        periphery: Periphery,
        manager: Manager,
        reserve: Reserve,
    ) -> None:
        self.stop = stop
        self.moments = moments
        self.runner = runner
        self.notices = notices
        self.threads = threads
        self.valves = valves
        self.guard = guard
        self.books = books
        self.watch = watch
        self.in_use = in_use
        self.day_job = day_job
        self.control = control
        self.periphery = periphery
        self.manager = manager
        self.reserve = reserve
        self._short_since: float | None = None
        self.ticking = threading.Lock()
        self._tick_s = tick_s
        self._ticker = Ticker(self.tick, self._pause_s, lambda _: stop.look())
        self._advanced = time.monotonic()
        self._schedule = Changes(data / SCHEDULE_JSON)

    def run(self) -> int:
        """Returns the exit status."""
        self.books.start()
        self.watch.start()
        try:
            self.control.open()
        except CouldNot as error:
            text = f"`rowwater water` cannot reach the service: {error.text}"
            self.notices.tell("control", "problem", text, self.moments.local())
        self._ticker.start()
        self.manager.ready(WATCHING)
        status = self._until_stopped()
        log.info("stopping: %s", self.stop.why)
        self.manager.stopping()
        self._ticker.stop()
        return close_last(self, status)

    def _until_stopped(self) -> int:
        while self.stop.why is None:
            self.stop.wait(LOOK_AFTER_S)
            if failure := self._failure():
                log.critical("%s: closing everything, and ending", failure)
                self.stop.ask(failure)
                return 1
        return 0

    def _failure(self) -> str | None:
        if self._ticker.failure is not None:
            return f"a tick failed: {self._ticker.failure}"
        if self.books.failed is not None:
            return f"the books: {self.books.failed}"
        if self._short_since is not None and not self.runner.ledger.open_runs:
            lasts = time.monotonic() - self._short_since
            if lasts > SHORT_S:
                return f"for {lasts / 60:.0f} minutes {self.reserve.short(idle=True)}"
        still = time.monotonic() - self._advanced
        return f"no step for {still:.0f} s" if still > STUCK_S else None

    # --- the ticks ---

    def _pause_s(self) -> float:
        return self._tick_s * (IDLE_TICKS if self._idle else 1)

    @property
    def _idle(self) -> bool:
        """Nothing is open or may be, nobody waits for an answer, and it does not end."""
        in_hand = self.runner.ledger.open_runs or self.runner.requests.pending or self.threads.unconfirmed()
        return not in_hand and self.stop.why is None

    def tick(self) -> None:
        if self.books.failed is not None:
            self.stop.look()
        with self.ticking:
            self.guard.beat()
            for key in self.guard.closed_there():
                self.threads.closed_by_guard(key)
            steps = self.runner.steps
            at = self.moment()
            in_use = self._take_news(at)
            self.runner.tick(
                at,
                blocked="the service is stopping" if self.stop.why else self._blocked(at),
                requests=self.control.requests(),
                jobs=self.day_job.results(),
                use=in_use.brief if in_use else None,
                plan_changed=self._schedule.look(at.mono),
            )
            display = self.runner.planned.brief.display
            self.runner.perform(at, self.periphery.meter.look(at, self.runner.ledger, display))
            self._say_stations(at)
            if self.runner.steps > steps:
                self._advanced = time.monotonic()
                self.manager.alive()

    def _blocked(self, at: Moment) -> str | None:
        """Why nothing may open, whatever the books say."""
        short = self.reserve.short(idle=self._idle)
        if short is None:
            self._short_since = None
            self.notices.untell("short")
        else:
            self._short_since = self._short_since or at.mono
            self.notices.tell("short", "problem", f"nothing opens: {short}", at.wall)
        self.manager.status(WATCHING if short is None else f"nothing opens: {short}")
        return short or self.guard.blocked()

    def moment(self) -> Moment:
        at = self.moments.now(self.runner.record.newest_s)
        if (stepped_s := self.moments.stepped_s) is not None:
            text = f"the clock was set by {stepped_s:+.0f} s"
            self.notices.tell("step", "look", text, at.wall, of=f"{at.wall:%d}", detail=f"{at.wall:%H:%M}")
        return at

    def _take_news(self, at: Moment) -> InUse | None:
        """Another version of garden.yaml that is in use from now on."""
        found: InUse | None = None
        for news in self.watch.news():
            if isinstance(news, Refused):
                self.say_refused(news)
            else:
                found = news
        if found is None:
            return None
        try:
            self.valves.use(found.brief)
        except CouldNot as error:
            self.notices.tell(
                "garden", "problem", f"the new garden.yaml is not in use: {error.text}", at.wall
            )
            return None
        self.in_use = self.day_job.in_use = found
        self.moments.use(found.brief)
        self.periphery.use(found.brief)
        self.notices.untell("garden")
        log.info("garden.yaml of %s is in use", found.taken_at)
        return found

    def say_refused(self, refused: Refused) -> None:
        more = f" (and {len(refused.complaints) - 1} more)" if len(refused.complaints) > 1 else ""
        since = self.in_use.taken_at
        text = f"{refused.complaints[0]}{more}: the version of {since:%Y-%m-%d %H:%M} is in use"
        self.notices.tell("garden", "problem", text, self.moments.local())

    def _say_stations(self, at: Moment) -> None:
        problems = self.periphery.stations.problems()
        if problems:
            self.notices.tell("stations", "look", "; ".join(problems), at.wall)
        else:
            self.notices.untell("stations")


class Changes:
    """Has a file been replaced? A plan that somebody else made: `rowwater note` plans again."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp: Any = None
        self._looked = float("-inf")

    def look(self, mono: float) -> bool:
        """At most every LOOK_S seconds; the first look finds a file that is there."""
        if mono < self._looked + LOOK_S:
            return False
        self._looked = mono
        before = self._stamp
        try:
            state = os.stat(self._path)  # noqa: PTH116 - on a tick, and half the price
            self._stamp = (state.st_mtime_ns, state.st_ino)
        except OSError:
            self._stamp = None
        changed: bool = self._stamp != before
        return changed
