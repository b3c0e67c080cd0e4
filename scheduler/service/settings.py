"""Times of the service that tests shorten, and where the clock's witness is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from scheduler.service.clock_trust import TIMESYNCD
from scheduler.service.guard import IN_FLIGHT_S
from scheduler.service.valve_threads import LOOK_OPEN_S


@dataclass(frozen=True, slots=True)
class Settings:
    tick_s: float = 0.5
    beat_s: float = 30.0
    freeze_s: float = 2.0
    in_flight_s: float = IN_FLIGHT_S  # how long an open command that was begun may last
    acts_within_s: float | None = None  # in place of every valve's own
    look_open_s: float = LOOK_OPEN_S  # how often a valve that can be asked is, while it is open
    witness: Path = TIMESYNCD
    ask_kernel: bool = True
