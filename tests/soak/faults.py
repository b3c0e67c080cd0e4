"""Faults of the soak: each has its beginning, how long it lasts, and its end."""

from __future__ import annotations

import errno
import os
import random
import signal
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

from soak.shed import Shed

End = Callable[[], None]


def _nothing() -> None:
    pass


def _file(shed: Shed, name: str) -> End:
    path = shed.folder / name
    path.touch()
    return lambda: path.unlink(missing_ok=True)


def broker_frozen(shed: Shed, _: random.Random) -> End:
    shed.helpers["broker"].send_signal(signal.SIGSTOP)
    return lambda: shed.helpers["broker"].send_signal(signal.SIGCONT)


def broker_stopped(shed: Shed, _: random.Random) -> End:
    shed.helpers["broker"].send_signal(signal.SIGCONT)
    shed.helpers["broker"].terminate()
    shed.helpers["broker"].wait()
    return shed.start_broker


def clock_set(shed: Shed, rng: random.Random) -> End:
    """The clock is set, and set right again."""
    by = timedelta(seconds=rng.choice([-7200, -3600, -300, 300, 1800, 7200]))
    shed.clock.set_wall(by)
    return lambda: shed.clock.set_wall(-by)


def clock_unwitnessed(shed: Shed, _: random.Random) -> End:
    shed.witness.unlink(missing_ok=True)
    return shed.witness.touch


def disk_full(shed: Shed, _: random.Random) -> End:
    filling = shed.data / "filling"
    with filling.open("wb", buffering=0) as file:
        try:
            for size in (65_536, 512):
                while True:
                    file.write(b"x" * size)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
    return lambda: filling.unlink(missing_ok=True)


def _strike(number: int) -> Callable[[Shed, random.Random], End]:
    def begin(shed: Shed, _: random.Random) -> End:
        if shed.service is not None and shed.service.poll() is None:
            shed.service.send_signal(number)
        return _nothing

    return begin


def service_frozen(shed: Shed, _: random.Random) -> End:
    service = shed.service
    if service is None or service.poll() is not None:
        return _nothing
    service.send_signal(signal.SIGSTOP)
    return lambda: service.send_signal(signal.SIGCONT) if service.poll() is None else None


def guard_killed(shed: Shed, _: random.Random) -> End:
    if (pid := shed.guard_pid()) is not None:
        os.kill(pid, signal.SIGKILL)
    return _nothing


def edit_spoilt(shed: Shed, rng: random.Random) -> End:
    shed.garden.write_text(rng.choice(["zones: [", shed.text("  - no\n"), shed.text()[:-200], "\t\n", ""]))
    return lambda: _save(shed)


def edit_hours(shed: Shed, rng: random.Random) -> End:
    shed.until = rng.choice(["09:00", "09:30", "10:00", "11:00"])
    _save(shed, f"# edited {rng.random()}\n")
    return _nothing


def edit_valve(shed: Shed, rng: random.Random) -> End:
    """A zone is turned by hand for a while."""
    zone = rng.choice([zone.name for zone in shed.zones if zone.driver != "by_hand"])
    shed.by_hand.add(zone)
    _save(shed)

    def end() -> None:
        shed.by_hand.discard(zone)
        _save(shed)

    return end


def _save(shed: Shed, more: str = "") -> None:
    part = shed.garden.with_suffix(".part")
    part.write_text(shed.text(more))
    part.replace(shed.garden)


@dataclass(frozen=True)
class Kind:
    name: str
    begin: Callable[[Shed, random.Random], End]
    lasts_s: tuple[float, float]
    weight: float = 1.0
    needs_tmpfs: bool = False
    ends_service: bool = False  # the next start begins a new life


KINDS = (
    Kind("broker frozen", broker_frozen, (5, 900), 2),
    Kind("broker stopped", broker_stopped, (2, 900)),
    Kind("http relay hangs", lambda shed, _: _file(shed, "http-hangs"), (5, 900), 2),
    Kind("http relay fails", lambda shed, _: _file(shed, "http-fails"), (5, 900)),
    Kind("command hangs", lambda shed, _: _file(shed, "command-hangs"), (5, 300)),
    Kind("command fails", lambda shed, _: _file(shed, "command-fails"), (5, 900)),
    Kind("clock set", clock_set, (30, 1200), 1.5),
    Kind("clock not synchronised", clock_unwitnessed, (30, 1200), 0.5),
    Kind("disk full", disk_full, (10, 900), 1.5, needs_tmpfs=True),
    Kind("guard killed", guard_killed, (1, 1), 0.5),
    Kind("garden.yaml spoilt", edit_spoilt, (10, 3600)),
    Kind("garden.yaml edited", edit_hours, (1, 1)),
    Kind("valve turned by hand", edit_valve, (600, 7200), 0.5),
    Kind("kill -9", _strike(signal.SIGKILL), (1, 1), 0.25, ends_service=True),
    Kind("told to stop", _strike(signal.SIGTERM), (1, 1), 0.1, ends_service=True),
    Kind("frozen", service_frozen, (3, 40), 0.15, ends_service=True),
)
