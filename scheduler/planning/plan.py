"""One day, worked out: facts in, today's runs and the week out."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from scheduler.core.arrays import BoolArray, Mm
from scheduler.core.balance.need import Need
from scheduler.model import Garden, Schedule
from scheduler.planning.facts import Facts
from scheduler.planning.live import Live, balance_to_last_night
from scheduler.planning.today import decide, done_runs, schedule
from scheduler.planning.unanswered import Unanswered, unanswered_runs

if TYPE_CHECKING:
    from scheduler.planning.week import Outlook


log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Plan:
    """One day, worked out."""

    live: Live
    need: Need
    schedule: Schedule
    unanswered: tuple[Unanswered, ...]
    minutes_if_given: Mm  # (zone,), wanted today if every unanswered run was given as planned
    outlook: Outlook | None = None  # the week this day is part of
    unplanned: str | None = None  # why there is none: today then follows each zone's own rule

    @property
    def waits(self) -> BoolArray:
        """(zone,) Due, and left without water in the hope of rain."""
        if self.outlook is None:
            return self.need.waits
        return np.asarray(self.need.waits & (self.outlook.plan.minutes[0] == 0))


def work_out(garden: Garden, facts: Facts, *, now: datetime) -> Plan:
    """The pure middle of the day: facts in, plan out."""
    unanswered = unanswered_runs(facts)
    live = balance_to_last_night(garden, facts, ())
    need = decide(garden, facts, live)
    if unanswered:
        as_planned = decide(garden, facts, balance_to_last_night(garden, facts, unanswered)).minutes
    else:
        as_planned = need.minutes
    outlook, runs, unplanned = None, None, None
    try:
        from scheduler.planning.week import look_ahead

        outlook, runs = look_ahead(garden, facts, live, need, done_runs(facts), now=now)
    except Exception as error:  # whatever goes wrong with the week, today's water must not be lost
        unplanned = f"{type(error).__name__}: {error}"
        log.error("the week could not be planned: %s", unplanned, exc_info=log.isEnabledFor(logging.DEBUG))
    runs = runs or schedule(garden, facts, live, need, now=now)
    return Plan(live, need, runs, unanswered, as_planned, outlook, unplanned)
