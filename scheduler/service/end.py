"""The end of the service: closed first, then written down; what is left is for the next start."""

from __future__ import annotations

import logging
import time
from threading import Lock
from typing import Protocol

from scheduler.service.actions import Moment
from scheduler.service.books import BookWriter
from scheduler.service.control import ControlSocket
from scheduler.service.guard_keeper import GuardKeeper
from scheduler.service.jobs import ConfigWatch
from scheduler.service.periphery import Periphery
from scheduler.service.stop import Stop
from scheduler.service.tick import Runner
from scheduler.service.valve_threads import ValveThreads
from scheduler.service.valves_in_use import ValvesInUse

log = logging.getLogger("rowwater")

STOP_S = 8.0  # closing and writing down, before the process ends whatever is left


class Ending(Protocol):
    """The parts of a service that have to be ended."""

    stop: Stop
    ticking: Lock
    runner: Runner
    threads: ValveThreads
    valves: ValvesInUse
    guard: GuardKeeper
    books: BookWriter
    watch: ConfigWatch
    control: ControlSocket
    periphery: Periphery

    def moment(self) -> Moment: ...


def close_last(service: Ending, status: int) -> int:
    """The exit status: 1 where a valve was not confirmed closed, else `status`."""
    give_up = time.monotonic() + STOP_S
    for key in service.threads.every_valve():
        service.threads.close(key)
    service.watch.stop()
    service.control.close()
    with service.guard.beating():  # nobody ticks any more, and all that is waited for here has its limit
        unlocked = service.ticking.acquire(timeout=1.0)  # a hung tick must not hold up the end
        if unlocked and status == 0:
            _last_ticks(service, give_up - 2.5)
        left = service.threads.end(max(give_up - 2.0 - time.monotonic(), 0.5))
        written = service.books.end(max(give_up - time.monotonic(), 0.5))
    if left:
        log.error("not confirmed closed: %s", ", ".join(left))
    else:
        service.guard.bye()
        service.valves.leave()
    if not written:
        log.error("not all could be written down: the next start works it out from the heartbeats")
    service.periphery.close()
    return 1 if left else status


def _last_ticks(service: Ending, give_up: float) -> None:
    """Ends the openings in hand and has them booked."""
    runner = service.runner
    at = service.moment()
    runner.perform(at, runner.ledger.stop(None, f"the service was stopped ({service.stop.why})"))
    while time.monotonic() < give_up:
        runner.tick(service.moment(), blocked="the service is stopping", stopping=True)
        if not runner.ledger.open_runs:
            return
        time.sleep(0.05)
