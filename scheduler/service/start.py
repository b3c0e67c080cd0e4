"""The start of the service: close every valve, read the settings, start the guard, open the books."""

from __future__ import annotations

import logging
import sys
import uuid
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TextIO

from scheduler.errors import BadGarden, BadInput, printable
from scheduler.relays.lock import Held, hold_valves
from scheduler.relays.specs import VALVES
from scheduler.service.alarms import Alarms
from scheduler.service.books import Books, BookWriter
from scheduler.service.control import ControlSocket
from scheduler.service.daemon import Service
from scheduler.service.folder import compare, last_page, open_store, write_page
from scheduler.service.guard import close_all
from scheduler.service.guard_keeper import GuardKeeper
from scheduler.service.in_use import InUse, kept
from scheduler.service.jobs import ConfigWatch, DayJob, Refused
from scheduler.service.ledger import Ledger
from scheduler.service.moments import Moments
from scheduler.service.notices import Notices, from_page
from scheduler.service.periphery import Periphery
from scheduler.service.reserve import Reserve
from scheduler.service.settings import Settings
from scheduler.service.stop import Stop
from scheduler.service.systemd import Manager
from scheduler.service.tick import Runner
from scheduler.service.valve_threads import ValveThreads
from scheduler.service.valves_in_use import FIRST_CLOSE_S, ValvesInUse


class _Printable(logging.Formatter):
    """Relays and stations are quoted: none of their characters steers a terminal."""

    def format(self, record: logging.LogRecord) -> str:
        return printable(super().format(record))


def _log_to(stream: TextIO) -> None:
    handler = logging.StreamHandler(stream)
    handler.setFormatter(_Printable("%(levelname)s %(message)s"))
    logging.basicConfig(level=logging.INFO, handlers=[handler])


def serve(
    data: Path, config: Path | None, environ: Mapping[str, str], settings: Settings | None = None
) -> int:
    """A whole run of the service; returns the exit status."""
    _log_to(sys.stderr)
    for chatter in ("apscheduler", "alembic"):
        logging.getLogger(chatter).setLevel(logging.WARNING)
    alarms = Alarms(environ)
    try:
        with hold_valves(data, "rowwater serve"):
            return _run(data, config, environ, settings or Settings(), alarms)
    except Held as held:
        if not held.driven and (data / VALVES).exists():  # nobody else looks after them
            close_all(data / VALVES, environ, limit_s=FIRST_CLOSE_S)
        raise
    finally:
        alarms.close()


def _run(
    data: Path, config: Path | None, environ: Mapping[str, str], settings: Settings, alarms: Alarms
) -> int:
    stop = Stop()
    stop.listen()
    guard = GuardKeeper(data, environ, settings.in_flight_s)
    reserve = Reserve()
    threads = ValveThreads(guard, share=reserve.freed, look_open_s=settings.look_open_s)
    valves = ValvesInUse(data, environ, threads, guard, settings.acts_within_s)
    valves.close_first(stop)
    watch = ConfigWatch(data, config, kept(data))
    in_use, refused = first_garden(watch)
    periphery = Periphery(data, environ, alarms)
    service = assembled(
        data, settings, stop=stop, guard=guard, threads=threads, valves=valves, watch=watch, in_use=in_use,
        periphery=periphery, manager=Manager(environ), reserve=reserve,
    )  # fmt: skip
    if refused is not None:
        service.say_refused(refused)
    return service.run()


def first_garden(watch: ConfigWatch) -> tuple[InUse, Refused | None]:
    """The version to start with, and a newer one that is not taken over. An edit made meanwhile counts.

    Another garden's file is refused; an edit that makes this one look like another stops no water.
    """
    found = watch.look()
    if isinstance(found, InUse):
        return found, None
    if found is not None and found.another is not None and not watch.same_file:
        raise found.another
    if watch.known is None:
        complaints = (*found.complaints, *found.hints) if found else ()
        raise BadGarden(complaints) if complaints else BadInput("no garden.yaml to serve")
    return watch.known, found


def assembled(
    data: Path,
    settings: Settings,
    *,
    stop: Stop,
    guard: GuardKeeper,
    threads: ValveThreads,
    valves: ValvesInUse,
    watch: ConfigWatch,
    in_use: InUse,
    periphery: Periphery,
    manager: Manager,
    reserve: Reserve,
) -> Service:
    """The service for this garden, its valves taken over, nothing ticking yet."""
    brief = in_use.brief
    moments = Moments(settings, brief)
    before = last_page(data) or {}
    notices = Notices(from_page(before), alarm=periphery.alarms.tell)
    periphery.use(brief)
    day_job = DayJob(data, in_use)
    ledger = Ledger(
        rules=brief.rules(), boot=boot_id(), beat_s=settings.beat_s, new_uid=lambda: uuid.uuid4().hex,
        tried=(),
    )  # fmt: skip
    with_share = reserve.spent_on
    open_one, write_one = partial(with_share(open_store), data), partial(with_share(write_page), data)
    books = BookWriter(Books(open_one, write_one, partial(compare, data)))
    runner = Runner(
        ledger, brief, threads, books, notices, day_job.start,
        liters=periphery.meter.liters_of, freeze_s=settings.freeze_s,
    )  # fmt: skip
    if isinstance(newest_s := before.get("newest_s"), int | float):
        runner.record.newest_s = float(newest_s)
    valves.use(brief)
    runner.leave(threads.every_valve() - ledger.rules.every_valve())
    return Service(
        data, settings.tick_s, stop=stop, moments=moments, runner=runner, notices=notices, threads=threads,
        valves=valves, guard=guard, books=books, watch=watch, in_use=in_use, day_job=day_job,
        control=ControlSocket(data, reserve, day_job.note), periphery=periphery, manager=manager,
        reserve=reserve,
    )  # fmt: skip


def boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return f"unknown {uuid.uuid4().hex}"  # never equal to another start's: then only the bounds count
