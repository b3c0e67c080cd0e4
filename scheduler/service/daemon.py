"""`rowwater serve`: close first, then settings, guard, books; then one tick after the other, for a season."""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import stat
import sys
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.errors import BadGarden, BadInput, CouldNot
from scheduler.publish.files import SCHEDULE_JSON, read_today, write_today
from scheduler.relays import specs as valve_specs
from scheduler.relays.base import Driver, ValveFailed
from scheduler.relays.lock import hold_valves
from scheduler.service import clock_trust
from scheduler.service.actions import Moment
from scheduler.service.alarms import Alarms
from scheduler.service.books import Desk, Pen
from scheduler.service.brief import VALVES
from scheduler.service.control import Door
from scheduler.service.guard import IN_FLIGHT_S
from scheduler.service.guard_keeper import OLD_GUARD_S, GuardDoor, earlier_guard
from scheduler.service.in_use import InUse, kept
from scheduler.service.jobs import ConfigWatch, DayJob, Refused
from scheduler.service.ledger import Ledger
from scheduler.service.meter import Meter
from scheduler.service.notices import FIRST, Board, from_page
from scheduler.service.page import laid_over
from scheduler.service.stations import Stations
from scheduler.service.systemd import Manager
from scheduler.service.tick import Runner
from scheduler.service.ticker import Ticker
from scheduler.service.valve_threads import Bank
from scheduler.store.opening import Setup
from scheduler.store.store import Store

log = logging.getLogger("rowwater")

FIRST_CLOSE_S = 5.0  # so long the start waits for the valves to confirm that they are closed
STUCK_S = 20.0  # without a step of the ledger for so long, everything is closed and the process ends
STOP_S = 8.0  # closing and writing down, before the process ends whatever is left
LOOK_S = 2.0
DISK_PATIENCE_S = 2.0


@dataclass(frozen=True, slots=True)
class Settings:
    """Times that tests shorten, and where the clock's witness is."""

    tick_s: float = 0.5
    beat_s: float = 30.0
    freeze_s: float = 2.0
    in_flight_s: float = IN_FLIGHT_S  # how long an open that was begun may still be on its way
    witness: Path = clock_trust.TIMESYNCD
    ask_kernel: bool = True


class _Broken:
    """In place of a driver that cannot be made: it never confirms, so its valve counts as open."""

    simulated = False
    limit_s = 1.0

    def __init__(self, key: str, why: str) -> None:
        self.key = key
        self._why = why

    def open(self, seconds: float) -> None:  # noqa: ARG002
        raise ValveFailed(self._why)

    def close(self) -> None:
        raise ValveFailed(self._why)

    def release(self) -> None:
        pass


def _meter(service: Mapping[str, Any]) -> dict[str, Any] | None:
    meter = service.get("meter")
    return None if meter is None else {**meter, "flow_from": service.get("flow_from")}


def boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return f"unknown {uuid.uuid4().hex}"  # never equal to another start's: then only the bounds count


class Service:
    """One run of the service, from close-first to closed."""

    def __init__(
        self, data: Path, config: Path | None, environ: Mapping[str, str], settings: Settings | None = None
    ) -> None:
        self.data = data
        self.config = config
        self.environ = environ
        self.settings = settings or Settings()
        self.manager = Manager(environ)
        self.stopping: str | None = None
        self._wake = threading.Event()
        self._ticking = threading.Lock()
        self.guard = GuardDoor(data, environ, self.settings.in_flight_s)
        self.bank = Bank(self.guard)
        self.alarms = Alarms(environ)
        self.meter = Meter()
        self.stations = Stations(data, environ)
        self._advanced = time.monotonic()
        self._old_guard = earlier_guard(data)
        self._old_guard_until = time.monotonic() + OLD_GUARD_S
        self._looked = float("-inf")
        self._schedule_stamp: Any = None
        self._adopt: InUse | None = None

    def run(self) -> int:
        """Returns the exit status."""
        try:
            with hold_valves(self.data, "rowwater serve"):
                self._listen_for_signals()
                self._close_first()
                self._begin()
                return self._serve()
        finally:
            self.alarms.close()

    # --- the start ---

    def _listen_for_signals(self) -> None:
        def stop(number: int, _: FrameType | None) -> None:
            self.stopping = signal.Signals(number).name
            self._wake.set()

        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, stop)

    def _close_first(self) -> None:
        """Every valve of the last configuration, before anything else may fail."""
        path = self.data / VALVES
        try:
            known = valve_specs.load(path) if path.exists() else []
        except CouldNot as error:
            log.error("%s", error)
            known = []
        self._take(known)
        give_up = time.monotonic() + FIRST_CLOSE_S
        closed: set[str] = set()
        self._early: list[Any] = []
        while closed < self.bank.every_valve() and time.monotonic() < give_up and self.stopping is None:
            self._wake.wait(0.02)
            events = self.bank.events()
            self._early += events
            closed |= {event.key for event in events if event.kind == "closed"}

    def _take(self, specs: Sequence[valve_specs.Spec]) -> None:
        drivers: dict[str, tuple[Driver, float]] = {}
        for spec in specs:
            if spec["driver"] == "by_hand":
                continue
            try:
                driver = valve_specs.driver_of(spec, self.environ)
            except ValveFailed as error:
                driver = _Broken(spec["key"], error.text)
            drivers[spec["key"]] = (driver, float(spec.get("cap_s", 6 * 3600)))
        self.bank.take(drivers)

    def _begin(self) -> None:
        known = kept(self.data)
        self.watch = ConfigWatch(self.data, self.config, known)
        refused: Refused | None = None
        found = self.watch.look()  # an edit made while we were down counts from the start
        if isinstance(found, InUse):
            known = found
        elif found is not None:
            refused = found
        if known is None:
            complaints = refused.complaints if refused else ()
            raise BadGarden(complaints) if complaints else BadInput("no garden.yaml to serve")
        self.in_use = known
        brief = known.brief
        self.zone = ZoneInfo(brief.timezone)
        self.trust = clock_trust.Trust(rtc=brief.service.get("clock") == "rtc")
        before = self._today() or {}
        self.board = Board(from_page(before), alarm=self.alarms.tell)
        self.alarms.use(brief.service.get("notify"), brief.service.get("broker"), brief.garden)
        self.meter.use(_meter(brief.service), brief.service.get("broker"), self.environ)
        self.stations.use(brief.stations, brief.service.get("broker"))
        self.pen = Pen(Desk(self._open_store, self._write_page))
        self.day_job = DayJob(self.data, lambda: self.in_use)
        self.door = Door(self.data)
        rules = brief.rules()
        ledger = Ledger(
            rules=rules,
            boot=boot_id(),
            beat_s=self.settings.beat_s,
            new_uid=lambda: uuid.uuid4().hex,
            tried=(),
        )
        self.runner = Runner(
            ledger, brief, self.bank, self.pen, self.board, self.day_job.start,
            freeze_s=self.settings.freeze_s, liters=self.meter.liters_of,
        )  # fmt: skip
        newest = before.get("newest_s")
        if isinstance(newest, int | float):
            self.runner.newest_s = float(newest)
        self._use_valves(known)
        self.runner.leave(self.bank.every_valve() - rules.every_valve())
        if refused is not None:
            self._say_refused(refused)

    def _use_valves(self, used: InUse) -> None:
        """valves.json first: whatever happens next, the next start closes these and those before."""
        own = used.brief.specs()
        keys = {spec["key"] for spec in own}
        path = self.data / VALVES
        before: list[valve_specs.Spec] = []
        with contextlib.suppress(CouldNot):
            before = valve_specs.load(path) if path.exists() else []
        union = [
            *own,
            *(spec for spec in before if spec["key"] not in keys and spec["key"] in self.bank.every_valve()),
        ]
        try:
            valve_specs.save(path, union)
        except OSError as error:
            raise CouldNot(f"{path}: {error.strerror or error}", hint="look at the disk it is on") from error
        self._take(own)
        self.guard.start(union)

    def _today(self) -> dict[str, Any] | None:
        try:
            return read_today(self.data)
        except CouldNot:
            return None

    def _open_store(self) -> Store:
        path = self.data / "rowwater.db"
        store = Store.open(path, now=datetime.now(UTC), setup=Setup(patience_s=DISK_PATIENCE_S))
        with contextlib.suppress(OSError):  # where a group shares the folder, its members note things too
            mode = path.stat().st_mode
            if self.data.stat().st_mode & stat.S_ISGID and not mode & stat.S_IWGRP:
                path.chmod(stat.S_IMODE(mode) | stat.S_IRGRP | stat.S_IWGRP)
        return store

    def _write_page(self, service: Mapping[str, Any]) -> None:
        before = self._today()
        page = laid_over(before, service)
        if page != before:
            write_today(self.data, page)

    # --- the ticks ---

    def moment(self) -> Moment:
        mono, wall = time.monotonic(), time.time()
        self.trust.record(self.runner.newest_s)
        settings = self.settings
        synced = os.path.exists(settings.witness) or (  # noqa: PTH110 - on every tick, and half the price
            settings.ask_kernel and clock_trust.kernel_synchronised()
        )
        verdict = self.trust.judge(wall, mono, synced)
        at = datetime.fromtimestamp(verdict.wall_s, self.zone)
        if verdict.stepped_s is not None:
            self.board.tell(f"step {at:%d %H:%M}", "look",
                            f"the clock was set by {verdict.stepped_s:+.0f} s", at)  # fmt: skip
        return Moment(at, mono, verdict.trusted, verdict.why_not, verdict.dated)

    def tick(self) -> None:
        with self._ticking:
            self.guard.beat()
            steps = self.runner.steps
            at = self.moment()
            adopt = self._take_news(at)
            self.runner.tick(
                at,
                hindrance=self._hindrance(),
                wishes=self.door.wishes(),
                jobs=self.day_job.results(),
                adopt=adopt.brief if adopt else None,
                plan_changed=self._plan_changed(at),
            )
            self.meter.look(at, self.runner)
            self._say_stations(at)
            if self.runner.steps > steps:
                self._advanced = time.monotonic()
                self.manager.alive()

    def _hindrance(self) -> str | None:
        if self.stopping:
            return "the service is stopping"
        if self._old_guard is not None:
            if time.monotonic() < self._old_guard_until and earlier_guard(self.data) == self._old_guard:
                return "the guard of an earlier start still closes valves"
            self._old_guard = None
        return self.guard.why_not

    def _take_news(self, at: Moment) -> InUse | None:
        adopted: InUse | None = None
        for news in self.watch.news():
            if isinstance(news, Refused):
                self._say_refused(news)
                continue
            adopted = news
        if adopted is None:
            return None
        try:
            self._use_valves(adopted)
        except CouldNot as error:
            self.board.tell(FIRST, "problem", f"the new garden.yaml is not in use: {error.text}", at.wall)
            return None
        self.in_use = adopted
        brief = adopted.brief
        self.zone = ZoneInfo(brief.timezone)
        self.trust.rtc = brief.service.get("clock") == "rtc"
        self.alarms.use(brief.service.get("notify"), brief.service.get("broker"), brief.garden)
        self.meter.use(_meter(brief.service), brief.service.get("broker"), self.environ)
        self.stations.use(brief.stations, brief.service.get("broker"))
        self.board.untell(FIRST)
        log.info("garden.yaml of %s is in use", adopted.taken_at)
        return adopted

    def _say_refused(self, refused: Refused) -> None:
        more = f" (and {len(refused.complaints) - 1} more)" if len(refused.complaints) > 1 else ""
        since = self.in_use.taken_at
        self.board.tell(
            FIRST,
            "problem",
            f"{refused.complaints[0]}{more}: the version of {since:%Y-%m-%d %H:%M} is in use",
            datetime.now(self.zone),
        )

    def _say_stations(self, at: Moment) -> None:
        problems = self.stations.problems()
        if problems:
            self.board.tell("stations", "look", "; ".join(problems), at.wall)
        else:
            self.board.untell("stations")

    def _plan_changed(self, at: Moment) -> bool:
        """A plan that somebody else made: the grower's `rowwater note` plans again."""
        if at.mono < self._looked + LOOK_S:
            return False
        self._looked = at.mono
        try:
            state = os.stat(self.data / SCHEDULE_JSON)  # noqa: PTH116
            stamp = (state.st_mtime_ns, state.st_ino)
        except OSError:
            stamp = None
        changed: bool = stamp != self._schedule_stamp
        self._schedule_stamp = stamp
        return changed

    def _serve(self) -> int:
        ticker = Ticker(self.tick, self.settings.tick_s)
        status = 0
        self.pen.start()
        self.watch.start()
        try:
            self.door.open()
        except CouldNot as error:
            self.board.tell("control", "problem", f"`rowwater water` cannot reach the service: {error.text}",
                            datetime.now(self.zone))  # fmt: skip
        for event in self._early:
            self.runner.hear(event)
        ticker.start()
        self.manager.ready("watching")
        while self.stopping is None:
            self._wake.wait(1.0)
            if failure := self._failure(ticker):
                log.critical("%s: closing everything, and ending", failure)
                self.stopping, status = failure, 1
        log.info("stopping: %s", self.stopping)
        self.manager.stopping()
        ticker.stop()
        return self._close_last(status)

    def _failure(self, ticker: Ticker) -> str | None:
        if ticker.failure is not None:
            return f"a tick failed: {ticker.failure}"
        if self.pen.failed is not None:
            return f"the books: {self.pen.failed}"
        still = time.monotonic() - self._advanced
        return f"no step for {still:.0f} s" if still > STUCK_S else None

    # --- the end ---

    def _close_last(self, status: int) -> int:
        """Closed first, then written down; whatever is left when the time is over is for the next start."""
        give_up = time.monotonic() + STOP_S
        for key in self.bank.every_valve():
            self.bank.close(key)
        self.watch.stop()
        self.door.close()
        unlocked = self._ticking.acquire(timeout=1.0)  # a hung tick must not hold up the end
        if unlocked and status == 0:
            self._last_ticks(give_up - 2.5)
        left = self.bank.end(max(give_up - 2.0 - time.monotonic(), 0.5))
        written = self.pen.end(max(give_up - time.monotonic(), 0.5))
        if left:
            log.error("not confirmed closed: %s", ", ".join(left))
        else:
            self.guard.bye()
        if not written:
            log.error("not all could be written down: the next start works it out from the heartbeats")
        self.meter.close()
        self.stations.close()
        return 1 if left else status

    def _last_ticks(self, give_up: float) -> None:
        """Ends the openings in hand and has them booked."""
        at = self.moment()
        self.runner.perform(at, self.runner.ledger.stop(None, f"the service was stopped ({self.stopping})"))
        while time.monotonic() < give_up:
            self.guard.beat()
            self.runner.tick(self.moment(), hindrance="the service is stopping", stopping=True)
            if not self.runner.ledger.holding:
                return
            time.sleep(0.05)


def serve(
    data: Path, config: Path | None, environ: Mapping[str, str], settings: Settings | None = None
) -> int:
    data.mkdir(parents=True, exist_ok=True)
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    for chatter in ("apscheduler", "alembic"):
        logging.getLogger(chatter).setLevel(logging.WARNING)
    return Service(data, config, environ, settings).run()
